package grading

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"

	"ringstock/grading/spool"
	"ringstock/grading/spreadsheet"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// forms are rows of a table for blanks of each form, as bars in mm.
var forms = []struct {
	row  string
	body func() bar.Bar
}{
	{"750,14,13,,,,,", func() bar.Bar { return bar.Uniform(0.75, bar.Section{Height: 0.014, Width: 0.013}) }},
	{"750,14,13,12,11,,,", func() bar.Bar {
		return bar.Bar{Stations: []bar.Station{{X: 0, Section: bar.Section{Height: 0.014, Width: 0.013}}, {X: 0.75, Section: bar.Section{Height: 0.012, Width: 0.011}}}}
	}},
	{"750,14,14,,,,,octagonal", func() bar.Bar {
		return bar.Uniform(0.75, bar.Section{Shape: bar.Octagonal, Height: 0.014, Width: 0.014})
	}},
	{"750,14,14,,,,,round", func() bar.Bar {
		return bar.Uniform(0.75, bar.Section{Shape: bar.Round, Height: 0.014, Width: 0.014})
	}},
	{"750,14,13,,,40,24,", func() bar.Bar {
		plain, head := bar.Section{Height: 0.014, Width: 0.013}, bar.Section{Height: 0.024, Width: 0.013}
		return bar.Bar{Stations: []bar.Station{{X: 0, Section: plain}, {X: 0.71, Section: plain}, {X: 0.71, Section: head}, {X: 0.75, Section: head}}}
	}},
}

// invented is a delivery of blanks of every form, in turn, from the table on. Notes are
// at hand, for what hearing takes goes with the number of recordings.
func invented(t testing.TB, blanks int) Job {
	t.Helper()
	m := bar.Wood{E: 22e9, G: 1.3e9, Density: 1050}
	var side, end []*spectrum.Ring
	for _, f := range forms {
		ring := func(k bar.Kind, n int, family spectrum.Family) *spectrum.Ring {
			modes, err := f.body().Modes(k, m, n)
			if err != nil {
				t.Fatal(err)
			}
			r := &spectrum.Ring{Method: spectrum.Method, TapsUsed: 5, FundamentalFrom: "peak", PurityPct: measure.Of(97, 1), UnevennessPct: measure.Of(2, 1)}
			for i, mode := range modes {
				r.Partials = append(r.Partials, spectrum.Partial{Hz: measure.Of(mode.Hz, 1e-4*mode.Hz), Q: measure.Of(200, 4), Family: family, Order: i + 1, Plane: 1, Taps: 5})
			}
			r.Fundamental = r.Partials[0]
			return r
		}
		side = append(side, ring(bar.BendingHeight, 4, spectrum.Bending))
		end = append(end, ring(bar.Longitudinal, 1, spectrum.Longitudinal))
	}
	table := []byte("blank,file,end_file,mass_g,length_mm,height_mm,width_mm,tip_height_mm,tip_width_mm,head_length_mm,head_height_mm,shape\n")
	folder := fstest.MapFS{}
	for i := range blanks {
		f := i % len(forms)
		mass := 1e6 * forms[f].body().Volume() * m.Density / 1000
		table = fmt.Appendf(table, "A%d,%d.wav,%d-end.wav,%.1f,%s\n", i+1, i, i, mass, forms[f].row)
		folder[fmt.Sprintf("%d.wav", i)], folder[fmt.Sprintf("%d-end.wav", i)] = &fstest.MapFile{}, &fstest.MapFile{}
	}
	folder[TableName] = &fstest.MapFile{Data: table}
	text, _ := ProfileText("violin")
	profile, err := ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	hear := func(name string, strike spectrum.Strike, _ spectrum.Expected) spectrum.Analysis {
		var i int
		if _, err := fmt.Sscanf(name, "%d", &i); err != nil {
			t.Error(err)
		}
		rings := side
		if strike == spectrum.EndTap {
			rings = end
		}
		return spectrum.Analysis{File: name, SampleRateHz: 48000, Ring: rings[i%len(forms)]}
	}
	return Job{Folder: folder, Delivery: "invented", Profile: profile, Hear: hear}
}

// held is what is in use of memory, garbage aside.
func held() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// BenchmarkGrade grades invented deliveries. A blank's time and the memory that is held
// while it is judged must not grow with the number of blanks.
func BenchmarkGrade(b *testing.B) {
	for _, blanks := range []int{300, 3000} {
		b.Run(fmt.Sprint(blanks), func(b *testing.B) {
			job := invented(b, blanks)
			job.Spool = spool.New(b.TempDir())
			defer job.Spool.Close()
			var before, after uint64
			for b.Loop() {
				before = held()
				g, err := Grade(b.Context(), job)
				if err != nil || g.Qualified != blanks {
					b.Fatalf("%d of %d qualify, %v", g.Qualified, blanks, err)
				}
				after = held()
				runtime.KeepAlive(g)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*blanks), "µs/blank")
			b.ReportMetric((float64(after)-float64(before))/float64(1000*blanks), "kB/blank")
		})
	}
}

// Of a blank that is laid by no more stays in memory than its name and score, and where
// it lies: far less than what is known of it, which is some 20 kB.
func TestBlanksAreLaidBy(t *testing.T) {
	few, many, most := 60, 130, 3000.0 // most bytes a blank; of so few the garbage of others shows
	if os.Getenv("RINGSTOCK_SLOW") != "" {
		few, many, most = 200, 700, 1000
	}
	during, after := map[int]uint64{}, map[int]uint64{}
	for _, blanks := range []int{few, many} {
		job := invented(t, blanks)
		job.Spool = spool.New(t.TempDir())
		defer job.Spool.Close()
		before := held()
		job.Judged = func(_ Blank, _ Heard, done, of int) error {
			if done == of {
				during[blanks] = held() - before
			}
			return nil
		}
		g, err := Grade(t.Context(), job)
		if err != nil {
			t.Fatal(err)
		}
		after[blanks] = held() - before
		n := 0
		for b, err := range g.All() {
			n++
			if err != nil || b.Rank != n || b.Ring == nil || !b.Wood.Density.Known() {
				t.Fatalf("%v, %+v", err, b)
			}
		}
		if n != blanks || g.Len() != blanks {
			t.Errorf("%d of %d blanks come back, Len says %d", n, blanks, g.Len())
		}
	}
	for when, m := range map[string]map[int]uint64{"when the last is judged": during, "when all are ranked": after} {
		if each := (float64(m[many]) - float64(m[few])) / float64(many-few); each > most {
			t.Errorf("%s, a blank more holds %.0f bytes, want %.0f at most", when, each, most)
		}
	}
}

// Laid by or in memory, a blank is what it was when it was judged; where it can't be
// laid by, that is said.
func TestLaidByIsTheSame(t *testing.T) {
	job := invented(t, 70)
	inMemory, err := Grade(t.Context(), job)
	if err != nil {
		t.Fatal(err)
	}
	judged := map[string]Blank{}
	job.Judged = func(b Blank, _ Heard, _, _ int) error {
		judged[b.Blank] = b
		return nil
	}
	job.Spool = spool.New(t.TempDir())
	defer job.Spool.Close()
	laidBy, err := Grade(t.Context(), job)
	if err != nil {
		t.Fatal(err)
	}
	for what, write := range map[string]func(Grading, io.Writer) error{"JSON": Grading.WriteJSON, "CSV": func(g Grading, w io.Writer) error { return g.WriteCSV(w, spreadsheet.Dialect{}) }} {
		var one, other bytes.Buffer
		if err := errors.Join(write(inMemory, &one), write(laidBy, &other)); err != nil || !bytes.Equal(one.Bytes(), other.Bytes()) {
			t.Errorf("%s: %v, or it differs", what, err)
		}
	}
	for b, err := range laidBy.All() {
		want := judged[b.Blank]
		want.Rank, want.RankLow, want.RankHigh, want.scores = b.Rank, b.RankLow, b.RankHigh, nil
		if err != nil || !reflect.DeepEqual(b, want) {
			t.Errorf("%v: %+v\nwas\n%+v", err, b, want)
		}
	}
	job.Spool = spool.New(filepath.Join(t.TempDir(), "missing"))
	if _, err := Grade(t.Context(), job); err == nil || !strings.Contains(err.Error(), "temporary file") {
		t.Errorf("no folder for the temporary file: %v", err)
	}
}
