package damped_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"ringstock/spectrum/damped"
)

// TestBoundBySciPy compares the bound with the scatter of SciPy's least squares over many
// trials of noise; testdata/scipy/bound.py stored it. An rms over n trials has a relative
// sd of 1/sqrt(2 n); three of them are allowed.
func TestBoundBySciPy(t *testing.T) {
	text, err := os.ReadFile("../../testdata/scipy/bound.json")
	if err != nil {
		t.Fatal(err)
	}
	var scatter []struct {
		Rate     float64 `json:"rate"`
		N        int     `json:"n"`
		Hz       float64 `json:"hz"`
		Alpha    float64 `json:"alpha"`
		Noise    float64 `json:"noise"`
		Trials   float64 `json:"trials"`
		HzRMS    float64 `json:"hz_rms"`
		AlphaRMS float64 `json:"alpha_rms"`
	}
	if err := json.Unmarshal(text, &scatter); err != nil {
		t.Fatal(err)
	}
	if len(scatter) != 3 {
		t.Fatalf("%d noise levels, want 3", len(scatter))
	}
	for _, s := range scatter {
		m := damped.Model{Lines: []damped.Line{{Hz: s.Hz, Alpha: s.Alpha}}}
		cov := damped.Bound(m, []complex128{1}, s.Noise, s.Rate, s.N)
		by := 3 / math.Sqrt(2*s.Trials)
		for i, rms := range []float64{s.HzRMS, s.AlphaRMS} {
			bound := math.Sqrt(cov.At(i, i))
			if math.Abs(rms/bound-1) > by {
				t.Errorf("noise %g, parameter %d: SciPy scatters by %.5g, the bound is %.5g", s.Noise, i, rms, bound)
			}
		}
	}
}
