package spectrum

import (
	"math"
	"math/cmplx"
	"testing"

	"ringstock/capture"
)

// A steady tone is one wave in all bands of a neighbourhood, however long the stretches
// are that they come from.
func TestBandsAgree(t *testing.T) {
	const rate, tone = 8000.0, 160.3
	take := capture.Take{Rate: rate, Samples: make([]float64, 6*rate)}
	for i := range take.Samples {
		take.Samples[i] = math.Cos(2 * math.Pi * tone * float64(i) / rate)
	}
	take.Quiet = []capture.Span{{From: 0, To: 0.9 * rate}}
	take.Taps = []capture.Tap{{Onset: rate, End: 2.6 * rate}, {Onset: 2.7 * rate, End: 6 * rate}}
	a := tapSpectra{plans: plans{}, spectra: spectra{hum: []float64{tone}}}
	a.rings, a.quiets = cut(take, timings[SideTap])
	for hz := 159.0; hz < 162; hz += 0.1 {
		h := a.around(hz)
		for i, b := range h.bands {
			for j, y := range b.y {
				s := float64(j) / b.rate
				// The second derivative of the filter's cosine falls jumps four times by
				// (pi/80 Hz)^2/2, so its answer to an end of the stretch is below 4
				// (pi/80)^2/2 / ((2 pi)^3 2 s^2), 1e-4 from 0.3 s on.
				if s < 0.3 || s > b.lead+b.ring-0.3 {
					continue
				}
				if off := cmplx.Abs(y*cmplx.Rect(1, -2*math.Pi*(tone-h.centre())*(b.at+s)) - 1); off > 1e-4 {
					t.Fatalf("about %.1f Hz, band %d is off by %.2g after %.2f s", hz, i, off, s)
				}
			}
		}
	}
}
