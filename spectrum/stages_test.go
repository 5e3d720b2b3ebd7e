package spectrum

import (
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
)

// BenchmarkStages takes the way of a recording of 12 s and five taps at 48 kHz apart.
func BenchmarkStages(b *testing.B) {
	c := cases.Bar(3).InRoom().Mains().SNR(30)
	c.Scene.DurationS = 12
	rec, _ := c.Render()
	take := capture.FindTaps(rec)
	fresh := func() *analysis {
		a := &analysis{plans: plans{}, take: take.Decimate(workRate), strike: SideTap}
		a.use(accepted(a.take.Taps))
		return a
	}
	a := fresh()
	peaks := a.view.peaks()
	cs := a.refine(peaks)
	s, _ := findSeries(cs)
	reading := func() *reading {
		r := &reading{taps: len(a.taps), joint: true, hum: a.view.hum}
		r.parts, r.fundamental = families(cs, s)
		return r
	}
	settled := reading()
	a.settle(settled)
	for _, stage := range []struct {
		name string
		run  func()
	}{
		{"thin", func() { take.Decimate(blankRate) }},
		{"transforms", func() { a.use(a.taps) }},
		{"peaks", func() { a.view.peaks() }},
		{"fit of all partials", func() { a.refine(peaks) }},
		{"series", func() { findSeries(cs) }},
		{"fit of the fundamental", func() { a.settle(reading()) }},
		{"measures", func() { a.measure(settled); settled.ring() }},
	} {
		b.Run(stage.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				stage.run()
			}
		})
	}
}
