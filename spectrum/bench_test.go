package spectrum_test

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
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

// BenchmarkFileToJSON is the whole way of one recording.
func BenchmarkFileToJSON(b *testing.B) {
	file := filepath.Join(b.TempDir(), "bar.wav")
	if err := wavfile.Save(file, fiveTaps(), 24); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	before := cpuMS()
	for b.Loop() {
		rec, err := wavfile.Open(file)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := json.Marshal(spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric((cpuMS()-before)/float64(b.N), "cpu-ms/op")
}
