package grading

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf8"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

func TestParseTable(t *testing.T) {
	const comma = `blank,file,end_file,length_mm,height_mm,mass_g,height_u_mm,species,price,maker_grade,bark,note,head_length_mm
A1,"a.wav;b.wav",,750.5,14.02,150,0.02,"invented, hard",45,B,none,first,0
A2,a2.wav|b2.wav,e.wav,,,,,,,,,,
A1,c.wav,,750.5,,,,,,,thin,second,
`
	d, err := parseTable([]byte(comma))
	if err != nil || len(d.Unused) > 0 || len(d.Rows) != 2 || !d.Listed {
		t.Fatalf("%+v, %v", d, err)
	}
	a := d.Rows[0]
	if a.Blank != "A1" || !slices.Equal(a.File, []string{"a.wav", "b.wav", "c.wav"}) || a.Species != "invented, hard" || *a.Price != 45 ||
		a.MakerGrade != "B" || a.Note != "first; second" || a.Notes["bark"] != "none; thin" || a.Shape != wood.Rectangular {
		t.Errorf("%+v", a)
	}
	for name, c := range map[string]struct {
		got  measure.Value
		x, u float64
	}{
		"length": {a.LengthMM, 750.5, 0.5}, "height": {a.HeightMM, 14.02, 0.02}, "mass": {a.MassG, 150, 0.1},
	} {
		if !c.got.Known() || c.got.X != c.x || c.got.U != c.u {
			t.Errorf("%s is %+v, want %g ± %g", name, c.got, c.x, c.u)
		}
	}
	if a.WidthMM.Known() || a.WidthMM.Why != "width_mm was not measured" || a.HeadLengthMM.Known() {
		t.Errorf("width %+v, head %+v", a.WidthMM, a.HeadLengthMM)
	}
	if want := []string{"length ±0.5 mm", "mass ±0.1 g"}; !slices.Equal(a.Defaults, want) {
		t.Errorf("defaults %q, want %q", a.Defaults, want)
	}
	if b := d.Rows[1]; !slices.Equal(b.File, []string{"a2.wav", "b2.wav"}) || !slices.Equal(b.EndFile, []string{"e.wav"}) || b.Price != nil || len(b.Defaults) > 0 {
		t.Errorf("%+v", b)
	}
}

// The same delivery in the dialects of spreadsheets gives the same rows.
func TestParseTableDialects(t *testing.T) {
	plain := "blank,file,height_mm,note\nA1,x.wav|y.wav,14.05,grün\n"
	want, err := parseTable([]byte(plain))
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"semicolons":     "blank;file;height_mm;note\nA1;x.wav|y.wav;14.05;grün\n",
		"decimal commas": "blank;file;height_mm;note\nA1;x.wav|y.wav;14,05;grün\n",
		"tabs":           "blank\tfile\theight_mm\tnote\nA1\tx.wav|y.wav\t14,05\tgrün\n",
		"BOM and CRLF":   "\xef\xbb\xbf" + strings.ReplaceAll(plain, "\n", "\r\n"),
		"old line ends":  strings.ReplaceAll(plain, "\n", "\r"),
		"mixed":          "blank,file,height_mm,note\nA1,x.wav|y.wav,\"14,05\",grün\n",
		"units":          "blank,file,height_mm,note\nA1,x.wav|y.wav,14.05 mm,grün\n",
		"quoted list":    "blank,file,height_mm,note\nA1,\"x.wav; y.wav\",14.05,grün\n",
		"capitals":       "Blank, File,HEIGHT_MM,note\n A1 ,x.wav | y.wav,14.05,grün",
		"empty rows":     "\nblank,file,height_mm,note\n\n,,,\nA1,x.wav|y.wav,14.05,grün\n,,,\n",
		"empty columns":  "blank,file,height_mm,note,,\nA1,x.wav|y.wav,14.05,grün,,,\n",
	} {
		got, err := parseTable([]byte(text))
		if err != nil || len(got.Unused) > 0 || len(got.Rows) != 1 {
			t.Errorf("%s: %+v, %v", name, got, err)
			continue
		}
		g, w := got.Rows[0], want.Rows[0]
		if g.Blank != w.Blank || !slices.Equal(g.File, w.File) || g.HeightMM.X != w.HeightMM.X || g.Note != w.Note {
			t.Errorf("%s: %+v, want %+v", name, g, w)
		}
	}
}

// Each of these tables has one good blank, G, and one fault that names its place. The
// blank of the fault stays, but where its number can't be told.
func TestParseTableFaults(t *testing.T) {
	for name, c := range map[string]struct {
		text, want string
		row        int
		column     string
		drops      bool // the row has no number that can be told
	}{
		"bad number":       {"blank,mass_g\nG,150\nB,1x0\n", `row 3 (blank B), column mass_g: "1x0" is not a number`, 3, "mass_g", false},
		"other unit":       {"blank,mass_g\nG,150\nB,150 mm\n", `row 3 (blank B), column mass_g: "150 mm" is not a number: "mm" can't be read as a unit here; write it in g`, 3, "mass_g", false},
		"not finite":       {"blank,mass_g\nG,150\nB,NaN\n", `"NaN" is not a number`, 3, "mass_g", false},
		"split by a comma": {"blank,mass_g\nG,150\nB,150,2\n", "row 3: has 3 cells, the header has 2: write decimals with a point", 3, "", false},
		"metres":           {"blank,length_mm\nG,750\nB,0.75\n", "row 3 (blank B), column length_mm: 0.75 mm is outside 10 to 10000 mm", 3, "length_mm", false},
		"zero mass":        {"blank,mass_g\nG,150\nB,0\n", "0 g is outside", 3, "mass_g", false},
		"negative u":       {"blank,mass_g,mass_u_g\nG,150,\nB,150,-1\n", "column mass_u_g: an uncertainty of -1", 3, "mass_u_g", false},
		"shape":            {"blank,shape\nG,Round\nB,oval\n", `column shape: "oval" is not known`, 3, "shape", false},
		"misspelt shape":   {"blank,shape\nG,Round\nB,octogonal\n", `column shape: "octogonal" is not known: did you mean octagonal?`, 3, "shape", false},
		"no number":        {"blank,mass_g\nG,150\n,160\n", "row 3, column blank: is empty", 3, "blank", true},
		"contradiction":    {"blank,mass_g\nG,150\nB,150\nB,151\n", "row 4 (blank B), column mass_g: 151 contradicts 150 in row 3", 4, "mass_g", false},
		"two woods":        {"blank,species\nG,x\nB,x\nB,y\n", `row 4 (blank B), column species: "y" contradicts "x" in row 3`, 4, "species", false},
		"short row":        {"blank,file,mass_g\nG,,150\nB,b.wav\n", "row 3: has 2 cells, the header has 3", 3, "", false},
		"other separator":  {"blank,file,mass_g\nG,,150\nB;b.wav;150\n", "row 3: has 1 cells, the header has 3: separate its columns by ,", 3, "", true},
		"quotes":           {"blank,note\nG,x\nB,\"x\"y\n", "row 3: a quotation mark is out of place", 3, "", true},
		"open quote":       {"blank,note\nG,x\nB,\"x\nC,y\n", "rows 3 to 4: a quotation mark", 0, "", true},
		"control":          {"blank,note\nG,x\nB,\x1b[2J\n", "row 3, column 2: holds a control character", 3, "", false},
		"taps of two ways": {"blank,file,end_file\nG,g.wav,\nB,b.wav,b.wav\n", "row 3 (blank B), column end_file: b.wav is also named in column file", 3, "end_file", false},
		"price":            {"blank,price\nG,1\nB,-1\n", "column price: -1 is below 0", 3, "price", false},
		"price in doubt":   {"blank,price\nG,1\nB,1.250\n", `column price: "1.250" can mean 1.25 or 1250`, 3, "price", false},
		"several readings": {"blank,height_mm\nG,14\nB,14.1 14.3\n", `column height_mm: "14.1 14.3" is not a number: write one number; of several readings their mean`, 3, "height_mm", false},
	} {
		t.Run(name, func(t *testing.T) {
			d, err := parseTable([]byte(c.text))
			if err != nil {
				t.Fatal(err)
			}
			if kept := len(d.Rows) == 2 && d.Rows[1].Blank == "B"; d.Rows[0].Blank != "G" || kept == c.drops || len(d.Rows) > 2 {
				t.Errorf("rows %+v", d.Rows)
			}
			if len(d.Unused) != 1 || d.Unused[0].File != TableName || !strings.Contains(d.Unused[0].Reason, c.want) {
				t.Fatalf("unused %+v, want %q", d.Unused, c.want)
			}
			if u := d.Unused[0]; u.Row != c.row || u.Column != c.column {
				t.Errorf("row %d, column %q; want %d, %q", u.Row, u.Column, c.row, c.column)
			}
			if !c.drops && !slices.Equal(d.Rows[1].Unused, d.Unused) {
				t.Errorf("of the blank %+v", d.Rows[1].Unused)
			}
		})
	}
}

// Headers that are nearly right are named with what they probably mean;
// others are left alone.
func TestHeaderNotes(t *testing.T) {
	for header, want := range map[string]string{
		"Length mm": "length_mm", "hight_mm": "height_mm", "length": "length_mm", "Länge (mm)": "length_mm", "Hoehe": "height_mm",
		"largeur mm": "width_mm", "largo": "length_mm", "Gewicht [g]": "mass_g", "poids": "mass_g", "massa": "mass_g", "peso_g": "mass_g",
		"Breite": "width_mm", "hauteur (mm)": "height_mm", "altezza": "height_mm", "ancho": "width_mm", "weight": "mass_g", "mass": "mass_g",
		"Holzfeuchte %": "moisture_pct", "moisture": "moisture_pct", "luftfeuchte": "humidity_pct", "Holzart": "species", "Lieferant": "supplier",
		"widht_mm": "width_mm", "Mass_gr": "mass_g", "masse g": "mass_g", "head_heigth_mm": "head_height_mm", "lenght_u_mm": "length_u_mm", "préis": "price", "Recording": "file", "Aufnahme": "file",
		"bark": "", "colour": "", "grain": "", "year": "", "knots": "", "sapwood": "", "rack": "", "date": "", "ring width": "", "runout": "", "gloss": "",
	} {
		got := suggest(header)
		if got != want {
			t.Errorf("%q is taken for %q, want %q", header, got, want)
		}
	}
	d, err := parseTable([]byte("blank,Length mm,colour\nA,750,red\n"))
	if err != nil || len(d.Notes) != 1 || d.Notes[0] != `row 1, column 2: "Length mm" is kept as a note and not read: did you mean length_mm? Then write that into the header` {
		t.Errorf("%q, %v", d.Notes, err)
	}
	if d.Rows[0].Notes["length mm"] != "750" || d.Rows[0].LengthMM.Known() {
		t.Errorf("%+v", d.Rows[0])
	}
	if _, err := parseTable([]byte("Nr.,file\n1,a.wav\n")); err == nil || !strings.Contains(err.Error(), `if "Nr." holds the numbers of the blanks, write blank there`) {
		t.Error(err)
	}
}

// A folder without delivery.csv says which of its files may be meant.
func TestLikelyTables(t *testing.T) {
	for name, want := range map[string]string{
		"delivery.csv.txt": "rename it delivery.csv", "Spring.csv": "if it is the table of the blanks, rename it delivery.csv",
		"spring.ods": "save it from the spreadsheet as delivery.csv", "notes.txt": "",
	} {
		d, err := ReadDelivery(fstest.MapFS{"a.wav": {}, name: {}})
		if err != nil || strings.Contains(strings.Join(d.Notes, ""), want) != (want != "") && want != "" || want == "" && len(d.Notes) > 0 {
			t.Errorf("%s: %q, %v", name, d.Notes, err)
		}
		if _, err := ReadDelivery(fstest.MapFS{name: {}}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s alone: %v", name, err)
		}
	}
}

func TestParseTableThatCannotBeUsed(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"empty":          {"", "the table is empty"},
		"header only":    {"blank,file\n", "a header but no blank"},
		"no blank":       {"number,file\n1,a.wav\n", "no column blank: the header row names number, file"},
		"doubled header": {"blank,mass_g,Mass_g\nA,1,2\n", "names the column mass_g twice, as columns 2 and 3"},
		"UTF-16":         {"\xff\xfeb\x00l\x00a\x00n\x00k\x00", "not UTF-8"},
		"Latin-1":        {"blank,note\nA,gr\xfcn\n", "not UTF-8"},
		"nothing good":   {"blank,mass_g\n,150\n", `no row can be used: row 2, column blank: is empty`},
		"header quotes":  {"blank,\"fi\"le\nA,x\n", "the header row can't be read"},
	} {
		if d, err := parseTable([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %+v, %v; want %q", name, d, err, c.want)
		}
	}
}

func TestReadDeliveryWithoutTable(t *testing.T) {
	folder := fstest.MapFS{
		"A2.wav": {}, "A10.WAV": {}, "both.wav": {}, "both.flac": {}, "song.mp3": {}, "notes.txt": {}, "._A2.wav": {}, "sub/inner.wav": {},
	}
	d, err := ReadDelivery(folder)
	if err != nil || d.Listed {
		t.Fatalf("%+v, %v", d, err)
	}
	var got []string
	for _, r := range d.Rows {
		got = append(got, r.Blank+"="+strings.Join(r.File, "+"))
	}
	if want := []string{"A10=A10.WAV", "A2=A2.wav", "both.flac=both.flac", "both.wav=both.wav", "song=song.mp3"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if _, err := ReadDelivery(fstest.MapFS{"notes.txt": {}}); err == nil || !strings.Contains(err.Error(), "neither a delivery.csv nor a recording") {
		t.Errorf("an empty folder: %v", err)
	}
	if _, err := ReadDelivery(fstest.MapFS{"delivery.csv/x": {}}); err == nil {
		t.Error("a folder passes for a table")
	}
}

func TestLocate(t *testing.T) {
	dir := t.TempDir()
	outside := filepath.Join(t.TempDir(), "secret.wav")
	for _, name := range []string{filepath.Join(dir, "a.wav"), filepath.Join(dir, "Big.WAV"), filepath.Join(dir, "sub", "b.wav"), outside} {
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(outside, filepath.Join(dir, "link.wav")); err != nil {
		t.Skip("no symbolic links on this system: ", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	for name, want := range map[string]string{ // "": found
		"a.wav": "", "./a.wav": "", "sub/b.wav": "", `sub\b.wav`: "",
		"../secret.wav": "leads out", "sub/../a.wav": "leads out", "/etc/passwd": "leads out", `..\a.wav`: "leads out",
		`C:\a.wav`: "leads out", "c:a.wav": "leads out", `\\host\share\a.wav`: "leads out", outside: "leads out",
		"link.wav": "can't be opened inside the delivery folder",
		"none.wav": "no such file in the folder: correct the name", "big.wav": "did you mean Big.WAV?", "sub": "not a file",
	} {
		_, err := locate(root.FS(), name)
		switch {
		case want == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("%s: %v, want %q", name, err, want)
		}
	}
}

func FuzzDelivery(f *testing.F) {
	f.Add([]byte("blank,file,height_mm\nA,\"a;b\",14.0\nA,c,14\nB,../x,1e9\n"))
	f.Add([]byte("\xef\xbb\xbfblank;mass_g;mass_u_g\r\nA;150,2;0,1\r\n"))
	f.Add([]byte("blank,\"x\ny\"\n\"A\n1\",2\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := parseTable(text)
		if err != nil {
			return
		}
		seen := map[string]bool{}
		for _, r := range d.Rows {
			if r.Blank == "" || seen[r.Blank] || !utf8.ValidString(r.Blank) {
				t.Errorf("blank %q", r.Blank)
			}
			seen[r.Blank] = true
			for _, q := range readings {
				if v := *q.of(&r); v.Known() && (v.X < q.min || v.X > q.max || v.U < 0) {
					t.Errorf("%s = %v", q.column, v)
				}
			}
			for _, name := range slices.Concat(r.File, r.WidthFile, r.EndFile) {
				if clean, err := locate(fstest.MapFS{}, name); err == nil || clean != "" && !fs.ValidPath(clean) {
					t.Errorf("%q is found as %q", name, clean)
				}
			}
			if _, err := r.MarshalJSON(); err != nil {
				t.Error(err)
			}
		}
	})
}
