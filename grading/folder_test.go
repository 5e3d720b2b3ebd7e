package grading

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/fstest"

	"ringstock/grading/spreadsheet"

	"ringstock/capture"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// fakeHear invents what a recording says: q130.wav has a Q of 130, and so on.
func fakeHear(name string, strike spectrum.Strike, _ spectrum.Expected) spectrum.Analysis {
	a := spectrum.Analysis{File: name, SampleRateHz: 48000, Taps: []spectrum.TapResult{}}
	var q float64
	if _, err := fmt.Sscanf(name, "q%f", &q); err != nil {
		a.Error = &spectrum.Failure{Code: spectrum.NoUsableTap, Text: "none of 3 taps could be used"}
		return a
	}
	f := spectrum.Partial{Hz: measure.Of(120, 0.01), Q: measure.Of(q, 2), Ratio: 1, Family: spectrum.Bending, Order: 1, Plane: 1, Taps: 3}
	a.Ring = &spectrum.Ring{Method: spectrum.Method, TapsUsed: 3, Fundamental: f, FundamentalFrom: "peak", Partials: []spectrum.Partial{f},
		PurityPct: measure.Of(96, 1), UnevennessPct: measure.Of(2, 1), DriftCents: measure.Of(0, 1), LoudnessDB: measure.Of(-5, 1)}
	return a
}

func builtIn(t testing.TB, name string) Profile {
	t.Helper()
	text, _ := ProfileText(name)
	p, err := ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func grade(t *testing.T, table string, files ...string) Grading {
	t.Helper()
	folder := fstest.MapFS{}
	if table != "" {
		folder[TableName] = &fstest.MapFile{Data: []byte(table)}
	}
	for _, f := range files {
		folder[f] = &fstest.MapFile{}
	}
	g, err := Grade(t.Context(), Job{Folder: folder, Delivery: "test", Profile: builtIn(t, "violin"), Hear: fakeHear})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

const goodRow = ",750,14,14,158\n"

func TestGrade(t *testing.T) {
	g := grade(t, "blank,file,length_mm,height_mm,width_mm,mass_g\nA1,q250.wav"+goodRow+"A2,q60.wav"+goodRow+"A3,mute.wav"+goodRow+"A4,q240.wav"+goodRow+"A5,,,,,\n",
		"q250.wav", "q60.wav", "mute.wav", "q240.wav", "forgotten.wav")
	var got []string
	for _, b := range g.Blanks {
		got = append(got, fmt.Sprintf("%d %s %s", b.Rank, b.Blank, b.Verdict))
	}
	if want := "1 A1 keep, 2 A4 keep, 3 A2 leave, 4 A3 unread, 5 A5 unread"; strings.Join(got, ", ") != want {
		t.Errorf("%q, want %s", got, want)
	}
	if g.Qualified != 2 || g.Schema != Schema || g.Method != spectrum.Method || g.Settings.KeepMark == 0 {
		t.Errorf("%+v", g)
	}
	if len(g.Unused) != 1 || g.Unused[0] != (Unused{File: "mute.wav", Reason: "none of 3 taps could be used"}) {
		t.Errorf("unused %+v", g.Unused)
	}
	notes := strings.Join(g.Notes, "\n")
	if !strings.Contains(notes, "length ±0.5 mm, height ±0.05 mm, width ±0.05 mm, mass ±0.1 g") || !strings.Contains(notes, "names forgotten.wav") {
		t.Errorf("notes %s", notes)
	}
	if r := g.Blanks[4].Reasons; len(r) != 1 || !strings.Contains(r[0], "no recording is named") {
		t.Errorf("A5: %q", r)
	}
	if b := g.Blanks[3]; b.Score.Known() || !b.Wood.Density.Known() {
		t.Errorf("A3 was weighed but not heard: score %v, density %v", b.Score, b.Wood.Density)
	}
}

// What is said of a blank does not change with the blanks beside it, nor with their
// order.
func TestBlanksAreJudgedAlone(t *testing.T) {
	head := "blank,file,length_mm,height_mm,width_mm,mass_g\n"
	rows := []string{"A1,q250.wav" + goodRow, "A2,q180.wav" + goodRow, "A3,q120.wav" + goodRow}
	files := []string{"q250.wav", "q180.wav", "q120.wav"}
	whole := grade(t, head+rows[2]+rows[0]+rows[1], files...)
	for i, row := range rows {
		alone := grade(t, head+row, files[i]).Blanks[0]
		for _, b := range whole.Blanks {
			if b.Blank != alone.Blank {
				continue
			}
			b.Rank, b.RankLow, b.RankHigh = 1, 1, 1
			x, err := json.Marshal(b)
			if err != nil {
				t.Fatal(err)
			}
			y, err := json.Marshal(alone)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(x, y) {
				t.Errorf("in the delivery\n%s\nalone\n%s", x, y)
			}
		}
	}
}

func TestGradeWithoutTable(t *testing.T) {
	folder := fstest.MapFS{"q250.wav": {}, "mute.wav": {}, "broken.wav": {}, "notes.txt": {}}
	g, err := Grade(t.Context(), Job{Folder: folder, Profile: builtIn(t, "violin"), Hear: func(name string, s spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
		if name == "broken.wav" {
			return spectrum.Unread("", "the file is empty")
		}
		return fakeHear(name, s, note)
	}})
	if err != nil {
		t.Fatal(err)
	}
	// What is sound is a blank; what can't be read is none.
	if len(g.Blanks) != 2 || g.Blanks[0].Blank != "q250" || g.Blanks[0].Verdict != Maybe || g.Blanks[1].Blank != "mute" || g.Blanks[1].Verdict != Unread {
		t.Errorf("%+v", g.Blanks)
	}
	if len(g.Unused) != 2 || g.Unused[0].File != "broken.wav" || g.Unused[1].File != "mute.wav" {
		t.Errorf("unused %+v", g.Unused)
	}
}

func TestGradeStopsWhenInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	folder := fstest.MapFS{}
	for i := range 100 {
		folder[fmt.Sprintf("q%d.wav", 100+i)] = &fstest.MapFile{}
	}
	var heard atomic.Int32
	_, err := Grade(ctx, Job{Folder: folder, Profile: builtIn(t, "violin"),
		Hear: func(name string, s spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
			heard.Add(1)
			return fakeHear(name, s, note)
		},
		Judged: func(Blank, Heard, int, int) error { cancel(); return nil },
	})
	if !errors.Is(err, context.Canceled) || heard.Load() == 100 {
		t.Errorf("%v after %d recordings", err, heard.Load())
	}
}

// A recording that two blanks claim is asked back of both, also under two names.
func TestSharedRecording(t *testing.T) {
	for name, c := range map[string]struct {
		second string
		want   string
	}{
		"one name":       {"q200.wav", "it is named for blank A2 too (q200.wav)"},
		"the same bytes": {"q200b.wav", "the same sound, byte for byte, is named for blank A2 too (q200b.wav)"},
		"another sound":  {"q200c.wav", ""},
	} {
		folder := fstest.MapFS{TableName: {Data: []byte("blank,file\nA1,q200.wav\nA2," + c.second + "\n")},
			"q200.wav": {Data: []byte("sound")}, "q200b.wav": {Data: []byte("sound")}, "q200c.wav": {Data: []byte("SOUND")}}
		g, err := Grade(t.Context(), Job{Folder: folder, Profile: builtIn(t, "violin"), Hear: fakeHear})
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range g.Blanks {
			if told := len(b.Suspect) == 1 && b.Suspect[0].Column == "file"; told != (c.want != "") || b.Verdict != Maybe {
				t.Errorf("%s: %s, %+v", name, b.Verdict, b.Suspect)
			}
		}
		if b := g.Blanks[0]; c.want != "" && !strings.Contains(b.Suspect[0].Why, c.want) {
			t.Errorf("%s: %q", name, b.Suspect[0].Why)
		}
	}
}

// A warning about one of several recordings reaches the blank with the file's name,
// and its doubt counts.
func TestDoubtAboutARecordingReachesTheVerdict(t *testing.T) {
	row := newRow("A", []string{"q250.wav"})
	row.LengthMM, row.HeightMM, row.WidthMM, row.MassG = measure.Of(750, 0.5), measure.Of(14, 0.05), measure.Of(14, 0.05), measure.Of(158, 0.1)
	p := builtIn(t, "violin")
	heard := Listen(row, fakeHear)
	if b := Judge(p, row, heard); b.Verdict != Keep {
		t.Fatalf("%s: %q", b.Verdict, b.Reasons)
	}
	heard.Side[0].Warnings = []capture.Warning{{Code: "altered recording", Text: "the device altered the decay"}}
	b := Judge(p, row, heard)
	if b.Verdict != Maybe || len(b.Reasons) != 1 || b.Reasons[0] != "q250.wav: the device altered the decay" {
		t.Errorf("%s: %q", b.Verdict, b.Reasons)
	}
}

func TestWriteCSV(t *testing.T) {
	g := grade(t, "blank,file,note,price\n=1+1,q250.wav,@home,45\n-3,q240.wav,\"a, \"\"b\"\"\",\n", "q250.wav", "q240.wav")
	var out bytes.Buffer
	if err := g.WriteCSV(&out, spreadsheet.Dialect{}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(rows) != 3 {
		t.Fatalf("%q, %v", rows, err)
	}
	cell := func(row int, column string) string {
		for i, h := range rows[0] {
			if h == column {
				return rows[row][i]
			}
		}
		t.Fatalf("no column %s", column)
		return ""
	}
	for _, c := range []struct {
		row          int
		column, want string
	}{
		{1, "rank", "1"}, {1, "blank", "'=1+1"}, {1, "note", "'@home"}, {1, "price", "45"}, {1, "q", "250"}, {1, "q_u", "2"},
		{1, "density_kg_m3", ""}, {2, "blank", "-3"}, {2, "note", `a, "b"`}, {2, "price", ""},
	} {
		if got := cell(c.row, c.column); got != c.want {
			t.Errorf("row %d, %s: %q, want %q", c.row, c.column, got, c.want)
		}
	}
}

// A grading survives its own JSON, and nothing in it is a NaN or a null list.
func TestGradingJSON(t *testing.T) {
	g := grade(t, "blank,file,length_mm,mass_g\nA1,q250.wav,750,\nA2,mute.wav,,150\n", "q250.wav", "mute.wav")
	text, err := json.Marshal(g)
	if err != nil {
		t.Fatal(err)
	}
	for _, list := range []string{"unused", "notes", "blanks", "reasons", "parts", "missing", "warnings", "file", "width_file", "end_file", "defaults"} {
		if bytes.Contains(text, []byte(`"`+list+`":null`)) {
			t.Errorf("%s is null", list)
		}
	}
	var back Grading
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(back)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(text, again) {
		t.Errorf("%s\nbecame\n%s", text, again)
	}
	for blanks := range len(g.Blanks) + 1 {
		g := g
		g.Blanks = g.Blanks[:blanks]
		var whole, piecewise bytes.Buffer
		enc := json.NewEncoder(&whole)
		enc.SetIndent("", " ")
		if err := errors.Join(enc.Encode(g), g.WriteJSON(&piecewise)); err != nil || whole.String() != piecewise.String() {
			t.Errorf("%d blanks: %v, piece by piece\n%s\nat once\n%s", blanks, err, piecewise.String(), whole.String())
		}
	}
	if q := back.Blanks[0].Ring.Fundamental.Q; math.Abs(q.X-250) > 1e-9 {
		t.Errorf("Q became %v", q)
	}
}
