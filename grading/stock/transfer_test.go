package stock

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// exported is a stock of four sticks with papers and a history, and its export.
func exported(t *testing.T) (s *Store, path string) {
	t.Helper()
	s, _ = open(t, t.TempDir())
	sticks := add(t, s, invented(t, "visit", 1, 4))
	record(t, s, say(Reserved, sticks[0].ID, "2026-04-01"))
	record(t, s, say(Sold, sticks[1].ID, "2026-04-02"))
	pieces := 4
	if err := s.RecordLot(t.Context(), "2026-03-02", "Lvisit", func(r *LotRecord) { r.SoldAs, r.Pieces = "pernambuco", &pieces }); err != nil {
		t.Fatal(err)
	}
	scan := filepath.Join(t.TempDir(), "permit.pdf")
	if err := os.WriteFile(scan, []byte("an invented permit"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := s.FilePaper(t.Context(), Document{Lot: "Lvisit", Kind: "permit", Number: "X1", ExpiresOn: "2027-01-01"}, scan); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "stock.jsonl")
	if _, err := s.Export(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	return s, path
}

func lives(t *testing.T, s *Store) string {
	t.Helper()
	list, err := s.List(t.Context(), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, b := range list {
		l, err := s.Show(t.Context(), b.ID)
		if err != nil {
			t.Fatal(err)
		}
		j, err := json.MarshalIndent(l, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(j))
	}
	return strings.Join(out, "\n")
}

func TestJourney(t *testing.T) {
	a, path := exported(t)
	b, _ := open(t, t.TempDir())
	in, err := b.Import(t.Context(), path, false)
	if err != nil || in.Added != 4 || in.AlreadyThere != 0 || len(in.Refused)+len(in.Conflicts) != 0 {
		t.Fatalf("%+v, %v", in, err)
	}
	if x, y := lives(t, a), lives(t, b); x != y {
		t.Fatalf("the sticks lost something on the way:\n%s\n%s", x, y)
	}
	before := mustBeSound(t, b)
	if before.Files != 5 {
		t.Fatalf("%d files, want 4 recordings and 1 paper", before.Files)
	}
	in, err = b.Import(t.Context(), path, false)
	if err != nil || in.Added != 0 || in.AlreadyThere != 4 || in.Facts != 0 {
		t.Fatalf("the second time: %+v, %v", in, err)
	}
	if after := mustBeSound(t, b); after.Events != before.Events {
		t.Fatalf("the second time changed %+v to %+v", before, after)
	}
	// And back: the first stock has it all.
	back := filepath.Join(t.TempDir(), "back.jsonl")
	if _, err := b.Export(t.Context(), back); err != nil {
		t.Fatal(err)
	}
	if in, err = a.Import(t.Context(), back, false); err != nil || in.Added != 0 || in.Facts != 0 {
		t.Fatalf("back again: %+v, %v", in, err)
	}
}

func TestMergeOfTwoStocksThatWentOn(t *testing.T) {
	d := invented(t, "visit", 1, 3)
	laptop, _ := open(t, t.TempDir())
	shop, _ := open(t, t.TempDir())
	ids := add(t, laptop, d)
	add(t, shop, d) // entered on both
	add(t, shop, invented(t, "older", 1, 2))
	record(t, laptop, say(Reserved, ids[0].ID, "2026-04-01"))
	record(t, shop, say(Moved, ids[0].ID, "2026-05-01"))
	record(t, laptop, say(Sold, ids[1].ID, "2026-04-01"))
	record(t, shop, say(Scrapped, ids[1].ID, "2026-04-02")) // both can't be
	if _, err := laptop.Measure(t.Context(), ids[2].ID, "2026-06-01", []Reading{{Quantity: "mass_g", Value: 130, U: 0.1}}); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "laptop.jsonl")
	if _, err := laptop.Export(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	in, err := shop.Import(t.Context(), path, false)
	if err != nil || in.Added != 0 || in.AlreadyThere != 3 || in.Facts != 4 || len(in.Refused) != 0 {
		t.Fatalf("%+v, %v", in, err)
	}
	if len(in.Conflicts) != 1 || !strings.Contains(in.Conflicts[0], "scrapped on 2026-04-02, when it was already sold") {
		t.Fatalf("conflicts %q", in.Conflicts)
	}
	first, err := shop.Blank(t.Context(), ids[0].ID)
	if err != nil || first.State != IsReserved || first.Place != "rack 2" {
		t.Fatalf("%+v, %v", first, err)
	}
	third, err := shop.Blank(t.Context(), ids[2].ID)
	if err != nil || third.Mass.X != 130 {
		t.Fatalf("%+v, %v", third.Mass, err)
	}
	h, err := shop.Check(t.Context(), true)
	if err != nil || h.OK || len(h.Problems) != 1 {
		t.Fatalf("%+v, %v", h, err)
	}
	st, err := shop.Statement(t.Context(), "2026-12-31")
	if err != nil || st.Total.PiecesIn != 5 || st.Total.InStock+st.Total.Sold+st.Total.Scrapped != 5 {
		t.Fatalf("%+v, %v", st.Total, err)
	}
}

func TestTwoWordingsAreReconciled(t *testing.T) {
	d := invented(t, "visit", 1, 1)
	a, _ := open(t, t.TempDir())
	b, _ := open(t, t.TempDir())
	add(t, a, d)
	price := 999.0
	d.Grading.Blanks[0].Row.Price = &price
	id := add(t, b, d)[0].ID
	path := filepath.Join(t.TempDir(), "a.jsonl")
	if _, err := a.Export(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	in, err := b.Import(t.Context(), path, false)
	if err != nil || len(in.Refused) != 0 || len(in.Notes) != 1 || !strings.Contains(in.Notes[0], "entered differently") || !strings.Contains(in.Notes[0], "price 999") {
		t.Fatalf("%+v, %v", in, err)
	}
	mustBeSound(t, b)
	// Brought back, both stocks hold the same and say the same.
	back := filepath.Join(t.TempDir(), "b.jsonl")
	if _, err := b.Export(t.Context(), back); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Import(t.Context(), back, false); err != nil {
		t.Fatal(err)
	}
	if x, y := mustBeSound(t, a), mustBeSound(t, b); x.Head != y.Head || lives(t, a) != lives(t, b) {
		t.Fatalf("the two stocks do not agree: %s, %s", x.Head, y.Head)
	}
	// The wrong purchase is taken back, and the other one counts.
	l, err := b.Show(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range l.Events {
		if e.Kind == Bought && e.Fields["price"] != "999" {
			if _, err := b.Correct(t.Context(), Correction{Entry: e.ID, Why: "the laptop was wrong"}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if now, err := b.Blank(t.Context(), id); err != nil || *now.Price != 999 {
		t.Fatalf("%+v, %v", now, err)
	}
	mustBeSound(t, b)
}

// forge alters lines of an export and closes it with a fitting last line, as somebody
// with bad intentions would.
func forge(t *testing.T, path string, alter func(lines []string) []string) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	lines = alter(lines[:len(lines)-1])
	if err := os.WriteFile(path, closed(lines), 0o666); err != nil {
		t.Fatal(err)
	}
}

// closed puts the last line to the lines of an export.
func closed(lines []string) []byte {
	body := strings.Join(lines, "\n") + "\n"
	sum := sha256.Sum256([]byte(body))
	return fmt.Appendf([]byte(body), `{"type":"end","fact":{"lines":%d,"sha256":"%x"}}`+"\n", len(lines), sum)
}

func TestBadImports(t *testing.T) {
	first := func(lines []string, kind string) int {
		for i, l := range lines {
			if strings.HasPrefix(l, `{"type":"`+kind+`"`) {
				return i
			}
		}
		t.Fatalf("no %s in the export", kind)
		return 0
	}
	replace := func(kind, old, new string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			forge(t, path, func(lines []string) []string {
				i := first(lines, kind)
				if !strings.Contains(lines[i], old) {
					t.Fatalf("%q is not in %s", old, lines[i])
				}
				lines[i] = strings.Replace(lines[i], old, new, 1)
				return lines
			})
		}
	}
	for name, c := range map[string]struct {
		harm func(t *testing.T, path string)
		says string // of what is not taken
	}{
		"a byte altered": {func(t *testing.T, path string) {
			b, _ := os.ReadFile(path)
			b = bytes.Replace(b, []byte("invented customer"), []byte("Invented customer"), 1)
			os.WriteFile(path, b, 0o666)
		}, "not those that were exported"},
		"cut at a line": {func(t *testing.T, path string) {
			b, _ := os.ReadFile(path)
			os.WriteFile(path, b[:bytes.LastIndexByte(b[:len(b)-1], '\n')+1], 0o666)
		}, "cut off"},
		"cut in a line": {func(t *testing.T, path string) {
			b, _ := os.ReadFile(path)
			os.WriteFile(path, b[:len(b)*2/3], 0o666)
		}, "cut off in the middle"},
		"more behind": {func(t *testing.T, path string) {
			b, _ := os.ReadFile(path)
			os.WriteFile(path, append(b, "{}\n"...), 0o666)
		}, "more after the last line"},
		"not an export":                   {func(t *testing.T, path string) { os.WriteFile(path, []byte("{\"a\":1}\n"), 0o666) }, "not an export"},
		"a picture":                       {func(t *testing.T, path string) { os.WriteFile(path, []byte("\x89PNG\r\n\x1a\n\x00\x00"), 0o666) }, "not an export"},
		"empty":                           {func(t *testing.T, path string) { os.WriteFile(path, nil, 0o666) }, "not an export"},
		"a newer kind":                    {replace("stock", exportSchema, "ringstock/stock-export/9"), "use the ringstock that wrote it"},
		"a recording's name leads out":    {replace("test", `"name":"1.wav"`, `"name":"../../../etc/cron.d/1.wav"`), "leads out of its folder"},
		"a recording's name is absolute":  {replace("test", `"name":"1.wav"`, `"name":"/etc/1.wav"`), "leads out of its folder"},
		"an ending leads out":             {replace("file", `"ending":".pdf"`, `"ending":"/../../x"`), "not the ending of a file name"},
		"a hash that is no hash":          {replace("file", `"sha256":"`, `"sha256":"../`), "is not a SHA-256"},
		"a hash of another file":          {func(t *testing.T, path string) { swapFiles(t, path) }, "is not the file that was exported"},
		"another size":                    {replace("file", `"bytes":`, `"bytes":1`), "the length it has is taken"},
		"a file left out":                 {func(t *testing.T, path string) { removeOneFile(t, path) }, "a file is missing"},
		"a reading with another value":    {replace("reading", `"value":`, `"value":1`), "does not say what it said"},
		"a mass below nothing":            {replace("reading", `"value":`, `"value":-1`), "can't be measured"},
		"a test with other readings":      {replace("test", `"mass_g":`, `"mass_g":1`), "does not say what it said"},
		"a result that is no result":      {replace("test", `"ring":{`, `"ring":17,"x":{`), "result of a test can't be read"},
		"an event of an unknown kind":     {replace("event", `"kind":"bought"`, `"kind":"stolen"`), "not a kind of event"},
		"an event on no day":              {replace("event", `"date":"2026-03-02"`, `"date":"2026-13-02"`), "is not a day"},
		"a stick that comes in otherwise": {replace("event", `"id":"`, `"id":"0`), "proper id"},
		"a stick that comes in twice": {func(t *testing.T, path string) {
			forge(t, path, func(lines []string) []string {
				l := lines[first(lines, "event")]
				at := strings.Index(l, `"id":"`) + len(`"id":"`)
				return append(lines, l[:at]+"0000000000000000"+l[at+idLength:])
			})
		}, "second way"},
		"a purchase taken back by an act that nobody did": {func(t *testing.T, path string) {
			forge(t, path, func(lines []string) []string {
				var l line
				var e Event
				if err := json.Unmarshal([]byte(lines[first(lines, "event")]), &l); err != nil {
					t.Fatal(err)
				}
				if err := json.Unmarshal(l.Fact, &e); err != nil {
					t.Fatal(err)
				}
				c := Event{ID: "0000000000000000", Blank: e.Blank, Date: e.Date, RecordedAt: e.RecordedAt, Rank: 9, Kind: Corrected, Reason: "x", Corrects: e.ID}
				fact, _ := json.Marshal(c)
				out, _ := json.Marshal(line{Type: "event", Fact: fact})
				return append(lines, string(out))
			})
		}, "does not say what it said"},
		"a field nobody knows": {replace("event", `"kind"`, `"kindness":"x","kind"`), "unknown field"},
		"an unknown type":      {replace("event", `"type":"event"`, `"type":"trigger"`), "not a type of entry"},
		"an event of a stick that never came": {func(t *testing.T, path string) {
			forge(t, path, func(lines []string) []string {
				e := `{"type":"event","fact":{"id":"0000000000000000","blank":"1111111111111111","date":"2026-03-02","recorded_at":"2026-03-02T09:00:00.000000Z","kind":"moved","place":"x"}}`
				return append(lines, e)
			})
		}, "never came in"},
		"a line longer than any": {func(t *testing.T, path string) {
			forge(t, path, func(lines []string) []string {
				return append(lines, `{"type":"event","fact":{"reason":"`+strings.Repeat("a", longestLine)+`"}}`)
			})
		}, "longer than 16 MiB"},
		"a line of a gigabyte": {func(t *testing.T, path string) { // of holes, which take no disk
			start := fmt.Sprintf(`{"type":"stock","fact":{"schema":%q,"exported_at":""}}`+"\n", exportSchema)
			if err := errors.Join(os.WriteFile(path, []byte(start), 0o666), os.Truncate(path, 1<<30)); err != nil {
				t.Fatal(err)
			}
		}, "line 2: longer than 16 MiB"},
	} {
		t.Run(name, func(t *testing.T) {
			_, path := exported(t)
			s, _ := open(t, t.TempDir())
			add(t, s, invented(t, "own", 1, 1))
			before := lives(t, s)
			c.harm(t, path)
			in, err := s.Import(t.Context(), path, false)
			switch name {
			case "not an export", "a picture", "empty", "a newer kind":
				if err == nil || !strings.Contains(err.Error(), path+": line 1: ") || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "the stock is unchanged") {
					t.Fatalf("%+v, %v", in, err)
				}
				if after := lives(t, s); after != before {
					t.Fatal("the stock changed")
				}
				return
			}
			if err != nil || !strings.Contains(strings.Join(in.Refused, "\n"), c.says) {
				t.Fatalf("%q, %v", in.Refused, err)
			}
			if after := lives(t, s); !strings.Contains(after, before) {
				t.Fatal("the stock's own stick changed")
			}
			h, err := s.Check(t.Context(), true)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range h.Problems { // what did not come along is named until it is brought
				if !strings.Contains(p, " is missing: ") {
					t.Errorf("not sound: %s", p)
				}
			}
			if escaped, _ := filepath.Glob(filepath.Join(filepath.Dir(s.Dir()), "*.wav")); len(escaped) > 0 {
				t.Fatalf("files outside: %q", escaped)
			}
		})
	}
}

func filesOf(t *testing.T, export string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(FilesFolder(export), "recordings", "*", "*.wav"))
	if err != nil || len(files) < 2 {
		t.Fatalf("%q, %v", files, err)
	}
	return files
}

func swapFiles(t *testing.T, export string) {
	f := filesOf(t, export)
	b, err := os.ReadFile(f[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(f[1], b, 0o666); err != nil {
		t.Fatal(err)
	}
}

func removeOneFile(t *testing.T, export string) {
	if err := os.Remove(filesOf(t, export)[0]); err != nil {
		t.Fatal(err)
	}
}

// endless is a file whose second line goes on for a gigabyte.
type endless struct{ left int }

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	n := min(len(p), e.left)
	for i := range n {
		p[i] = 'a'
	}
	e.left -= n
	return n, nil
}

func TestALineOfAGigabyteIsNotRead(t *testing.T) {
	rest := &endless{1 << 30}
	start := fmt.Sprintf(`{"type":"stock","fact":{"schema":%q,"exported_at":""}}`+"\n", exportSchema)
	x, err := readExport(io.MultiReader(strings.NewReader(start), rest), func(journey) error { return nil })
	if err != nil || x.sound || !strings.Contains(x.faults, "line 2: longer than 16 MiB") {
		t.Fatal(x, err)
	}
	if read := 1<<30 - rest.left; read > 2*longestLine {
		t.Fatalf("%d bytes were read before it gave up", read)
	}
}

// FuzzImport feeds any bytes to the reader of exports. It may refuse; it may not
// panic, and what it lets pass must be fit for the stock.
func FuzzImport(f *testing.F) {
	f.Add([]byte(`{"type":"stock","fact":{"schema":"ringstock/stock-export/1","exported_at":""}}`))
	f.Add([]byte(`{"type":"file","fact":{"sha256":"` + strings.Repeat("0", 64) + `","kind":"recording","ending":".wav","bytes":1}}`))
	f.Add([]byte(`{"type":"event","fact":{"id":"0000000000000000","blank":"1111111111111111","date":"2026-03-02","recorded_at":"2026-03-02T09:00:00.000000Z","kind":"moved","place":"x"}}`))
	f.Add([]byte(`{"type":"reading","fact":{"id":"","blank":"1111111111111111","date":"2026-03-02","quantity":"mass_g","value":1e999}}`))
	f.Add([]byte(`{"type":"test","fact":{"recordings":[{"role":"side","name":"../x"}]},"result":{"blank":"1"}}`))
	f.Add([]byte(`{"type":"lot","fact":{"id":"0000000000000000","date":"2026-03-02","recorded_at":"2026-03-02T09:00:00.000000Z","record":{"lot":"L"}}}`))
	f.Add([]byte(`{"type":"document","fact":{"lot":"L"}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		start := fmt.Sprintf(`{"type":"stock","fact":{"schema":%q,"exported_at":""}}`, exportSchema)
		lines := append([]string{start}, strings.Split(string(body), "\n")...)
		_, _ = readExport(bytes.NewReader(body), func(journey) error { return nil })
		_, _ = readExport(bytes.NewReader(closed(lines)), func(j journey) error {
			switch v := j.fact.(type) {
			case File:
				if !filepath.IsLocal(v.name()) || !strings.HasPrefix(v.name(), fileFolders[v.Kind]) {
					t.Errorf("a file would lie at %q", v.name())
				}
			case Event:
				if v.check() != nil {
					t.Errorf("%+v passes", v)
				}
			case Reading:
				if v.check() != nil {
					t.Errorf("%+v passes", v)
				}
			case Test:
				for _, r := range v.Recordings {
					if !filepath.IsLocal(r.Name) {
						t.Errorf("the name %q passes", r.Name)
					}
				}
			}
			return nil
		})
	})
}
