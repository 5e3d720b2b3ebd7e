package spectrum

import (
	"math"
	"testing"
)

// TestScatterWidens: four taps whose frequencies and decay rates differ by three
// times what their noise explains make the joint uncertainty three times as large
// (Birge's ratio: the root of chi squared over its degrees of freedom); taps that
// agree leave it as it is.
func TestScatterWidens(t *testing.T) {
	for _, tt := range []struct{ by, want float64 }{{3, 3}, {0.5, 1}} {
		c := component{hz: 120, alpha: 2, sdHz: 0.01, sdAlpha: 0.02}
		unit := math.Sqrt(3.0/4) * tt.by // four values of this size have a chi squared of 3 by^2
		for _, sign := range []float64{1, -1, 1, -1} {
			c.alone = append(c.alone, tapEstimate{120 + sign*unit*0.02, 2 + sign*unit*0.04, 0.02, 0.04})
		}
		c.widen()
		if got := c.sdHz / 0.01; math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("taps apart by %g: frequency's uncertainty %.3f times, want %g", tt.by, got, tt.want)
		}
		if got := c.sdAlpha / 0.02; math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("taps apart by %g: decay's uncertainty %.3f times, want %g", tt.by, got, tt.want)
		}
	}
}
