package spectrum

import (
	"math"
	"testing"
)

// A matrix is as good as singular by its shape, not by its scale.
func TestInvert3(t *testing.T) {
	for _, scale := range []float64{1e-95, 1, 1e95} {
		good := [3][3]float64{{4, 1, 0}, {1, 3, 1}, {0, 1, 2}}
		flat := [3][3]float64{{1, 2, 3}, {2, 4, 6}, {3, 6, 9.1}}
		flat[1][1] += 1e-15
		for i := range 3 {
			for j := range 3 {
				good[i][j] *= scale
				flat[i][j] *= scale
			}
		}
		inv, ok := invert3(good)
		if !ok {
			t.Fatalf("scale %g: a good matrix is called singular", scale)
		}
		for i := range 3 {
			for j := range 3 {
				sum := 0.0
				for k := range 3 {
					sum += good[i][k] * inv[k][j]
				}
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(sum-want) > 1e-12 {
					t.Errorf("scale %g: product %v at %d, %d", scale, sum, i, j)
				}
			}
		}
		if _, ok := invert3(flat); ok {
			t.Errorf("scale %g: two rows alike, and no word of it", scale)
		}
	}
}
