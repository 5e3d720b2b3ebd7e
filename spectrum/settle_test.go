package spectrum

import (
	"math"
	"testing"
)

// TestWalk: the terms make the covariance of a Brownian motion, min(u, u').
func TestWalk(t *testing.T) {
	at := func(k int, u float64) (s float64) {
		for m := range len(walk) {
			s += walk[k][m] * math.Pow(u, float64(m+1))
		}
		return s
	}
	for _, u := range []float64{0.1, 0.3, 0.7, 1} {
		for _, w := range []float64{0.05, 0.5, 0.9} {
			got := 0.0
			for k := range len(walk) {
				got += at(k, u) * at(k, w)
			}
			if math.Abs(got-min(u, w)) > 0.04 {
				t.Errorf("cov(%g, %g) = %.3f", u, w, got)
			}
		}
	}
}
