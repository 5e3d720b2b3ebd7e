package spectrum

import (
	"math"
	"testing"

	"ringstock/capture"
)

// A note of a tenth of the strike's amplitude, five times as long, lies 10 log10(5/100)
// dB under it; one that rings louder after the same strike is louder.
func TestLoudness(t *testing.T) {
	const rate, onset = 48000.0, 9600
	loud := func(amplitude float64) float64 {
		x := make([]float64, 24000)
		for n := range x[onset:] {
			a := amplitude
			if n < 25*rate/1000 {
				a = 1
			}
			x[onset+n] = a * math.Sin(2*math.Pi*400*float64(n)/rate)
		}
		e := loudness(capture.Take{Samples: x, Rate: rate}, usedTap{Tap: capture.Tap{Onset: onset, End: len(x)}})
		if !e.known() {
			t.Fatal(e.why)
		}
		return e.x
	}
	if got, want := loud(0.1), 10*math.Log10(5.0/100); math.Abs(got-want) > 0.7 {
		t.Errorf("%.2f dB, want %.2f dB", got, want)
	}
	if softer, louder := loud(0.1), loud(0.2); math.Abs(louder-softer-20*math.Log10(2)) > 0.5 {
		t.Errorf("twice the amplitude makes %.2f dB of %.2f dB", louder, softer)
	}
}
