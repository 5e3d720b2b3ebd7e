package spectrum_test

import (
	"math"
	"testing"

	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// TestCombineRecordingsThatDiffer: of two recordings that contradict each other the mean
// is known as badly as they differ (Birge's ratio); of two that agree better than alone.
func TestCombineRecordingsThatDiffer(t *testing.T) {
	of := func(hz, q float64) spectrum.Ring {
		return spectrum.Ring{TapsUsed: 5, FundamentalFrom: "peak", Fundamental: spectrum.Partial{Hz: measure.Of(hz, 0.01), Q: measure.Of(q, 2)}}
	}
	for _, tt := range []struct{ hz, q, wantHz, wantQ float64 }{
		{0.001, 0.1, 0.01 / math.Sqrt2, 2 / math.Sqrt2},
		{0.2, 30, 0.1, 15}, // half the difference
	} {
		f := spectrum.Combine([]spectrum.Ring{of(120, 200), of(120+tt.hz, 200+tt.q)}).Fundamental
		if math.Abs(f.Hz.U/tt.wantHz-1) > 0.01 || math.Abs(f.Q.U/tt.wantQ-1) > 0.01 {
			t.Errorf("%g Hz and %g apart: note +-%.4f, want %.4f; Q +-%.2f, want %.2f", tt.hz, tt.q, f.Hz.U, tt.wantHz, f.Q.U, tt.wantQ)
		}
	}
}
