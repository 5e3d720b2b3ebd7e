package bar_test

import (
	"math"
	"testing"

	"ringstock/spectrum/bar"
)

// Thomson, Theory of Vibration with Applications, App. D: 22.3733, 61.6728, 120.9034; the
// others are roots of cos x cosh x = 1. The ratios of a bow blank (760 x 14 mm, E/G =
// 18.33) are roots of Timoshenko's frequency equation, from which first-order theory
// departs by 0.1 % in the sixth mode.
func TestFreeRatio(t *testing.T) {
	const s = 14.0 * 14 / 12 / (760 * 760)
	for i, want := range []struct{ lam2, blank float64 }{
		{22.373285, 1}, {61.672823, 2.7261}, {120.903392, 5.2561}, {199.859448, 8.5010}, {298.555535, 12.3697}, {416.990786, 16.7666},
	} {
		if got := bar.Lam2(i + 1); math.Abs(got/want.lam2-1) > 1e-7 {
			t.Errorf("mode %d: lam^2 %v, want %v", i+1, got, want.lam2)
		}
		if got := bar.FreeRatio(i+1, s, 22/1.2/(5.0/6)); math.Abs(got/want.blank-1) > 1.1e-3 {
			t.Errorf("mode %d of a blank: ratio %v, want %v", i+1, got, want.blank)
		}
	}
}
