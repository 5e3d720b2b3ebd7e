package grading

import (
	"fmt"
	"runtime"
	"testing"
	"testing/fstest"

	"ringstock/grading/bar"
	"ringstock/spectrum"
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

// BenchmarkGrade grades invented deliveries of blanks of every form, in turn, from the table to the
// ranks. Notes are at hand, for what hearing takes goes with the number of recordings. A blank's time
// and the memory that is held while it is judged must not grow with the number of blanks.
func BenchmarkGrade(b *testing.B) {
	m := bar.Wood{E: 22e9, G: 1.3e9, Density: 1050}
	var side, end []*spectrum.Ring
	for _, f := range forms {
		ring := func(k bar.Kind, n int, family spectrum.Family) *spectrum.Ring {
			modes, err := f.body().Modes(k, m, n)
			if err != nil {
				b.Fatal(err)
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
	for _, blanks := range []int{300, 3000} {
		b.Run(fmt.Sprint(blanks), func(b *testing.B) {
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
				b.Fatal(err)
			}
			hear := func(name string, strike spectrum.Strike) spectrum.Analysis {
				var i int
				if _, err := fmt.Sscanf(name, "%d", &i); err != nil {
					b.Error(err)
				}
				rings := side
				if strike == spectrum.EndTap {
					rings = end
				}
				return spectrum.Analysis{File: name, SampleRateHz: 48000, Ring: rings[i%len(forms)]}
			}
			var held, after runtime.MemStats
			for b.Loop() {
				runtime.GC()
				runtime.ReadMemStats(&held)
				g, err := Grade(b.Context(), Job{Folder: folder, Delivery: "invented", Profile: profile, Hear: hear})
				if err != nil || g.Qualified != blanks {
					b.Fatalf("%d of %d qualify, %v", g.Qualified, blanks, err)
				}
				runtime.GC()
				runtime.ReadMemStats(&after)
				runtime.KeepAlive(g)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*blanks), "µs/blank")
			b.ReportMetric(float64(after.HeapAlloc-held.HeapAlloc)/float64(1000*blanks), "kB/blank")
		})
	}
}
