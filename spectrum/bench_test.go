package spectrum_test

import (
	"encoding/json"
	"path/filepath"
	"strconv"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// fiveTaps are recordings of 12 s and five taps at 48 kHz, with room, hum and noise, of
// unlike bars: how long a fit takes depends on what it finds.
func fiveTaps() (out []capture.Recording) {
	for seed := range uint64(8) {
		c := cases.Bar(seed).InRoom().Mains().SNR(30)
		c.Scene.DurationS = 12
		rec, _ := c.Render()
		out = append(out, rec)
	}
	return out
}

// each times f on one of the n recordings after the other, and tells the processor time.
func each(b *testing.B, n int, f func(i int)) {
	b.ReportAllocs()
	before := cpuMS()
	for i := 0; b.Loop(); i++ {
		f(i % n)
	}
	b.ReportMetric((cpuMS()-before)/float64(b.N), "cpu-ms/op")
}

func BenchmarkFindTaps(b *testing.B) {
	recs := fiveTaps()
	each(b, len(recs), func(i int) { capture.FindTaps(recs[i]) })
}

func BenchmarkAnalyse(b *testing.B) {
	var takes []capture.Take
	for _, rec := range fiveTaps() {
		takes = append(takes, capture.FindTaps(rec))
	}
	each(b, len(takes), func(i int) { spectrum.Analyse(takes[i], spectrum.SideTap) })
}

// BenchmarkFileToJSON is the whole way of one recording.
func BenchmarkFileToJSON(b *testing.B) {
	var files []string
	for i, rec := range fiveTaps() {
		file := filepath.Join(b.TempDir(), strconv.Itoa(i)+".wav")
		if err := wavfile.Save(file, rec, 24); err != nil {
			b.Fatal(err)
		}
		files = append(files, file)
	}
	each(b, len(files), func(i int) {
		rec, err := wavfile.Open(files[i])
		if err != nil {
			b.Fatal(err)
		}
		if _, err := json.Marshal(spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)); err != nil {
			b.Fatal(err)
		}
	})
}
