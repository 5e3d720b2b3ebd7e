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
	sound := take.Decimate(workRate)
	taps := accepted(sound.Taps)
	heard := spectraOf(sound, SideTap, taps)
	lines := heard.fitLines()
	named, _ := heard.identify(lines, Expected{})
	fitted, near := heard.fitFundamental(named)
	for _, stage := range []struct {
		name string
		run  func()
	}{
		{"thin", func() { take.Decimate(blankRate) }},
		{"spectra", func() { spectraOf(sound, SideTap, taps) }},
		{"candidates", func() { heard.candidates() }},
		{"fit of all lines", func() { heard.fitLines() }},
		{"modes", func() { heard.identify(lines, Expected{}) }},
		{"fit of the fundamental", func() { heard.fitFundamental(named) }},
		{"measures", func() { heard.measure(sound, near, fitted) }},
	} {
		b.Run(stage.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				stage.run()
			}
		})
	}
}
