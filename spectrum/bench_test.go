package spectrum_test

import (
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
)

// fiveTaps is 12 s of five taps at 48 kHz, with room, hum and noise.
func fiveTaps() capture.Recording {
	c := cases.Bar(3).InRoom().Mains().SNR(30)
	c.Scene.DurationS = 12
	rec, _ := c.Render()
	return rec
}

func BenchmarkFindTaps(b *testing.B) {
	rec := fiveTaps()
	b.ReportAllocs()
	before := cpuMS()
	for b.Loop() {
		capture.FindTaps(rec)
	}
	b.ReportMetric((cpuMS()-before)/float64(b.N), "cpu-ms/op")
}

func BenchmarkAnalyse(b *testing.B) {
	take := capture.FindTaps(fiveTaps())
	b.ReportAllocs()
	before := cpuMS()
	for b.Loop() {
		spectrum.Analyse(take, spectrum.SideTap)
	}
	b.ReportMetric((cpuMS()-before)/float64(b.N), "cpu-ms/op")
}
