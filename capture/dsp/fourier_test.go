package dsp

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// dft is the sum by which the transform is defined.
func dft(x []float64, k int) (sum complex128) {
	for n, v := range x {
		sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(k*n)/float64(len(x)))
	}
	return sum
}

// TestTransforms: two sounds at once, and one folded into half its length, have the
// powers of the sum that defines the transform.
func TestTransforms(t *testing.T) {
	rng := rand.New(rand.NewPCG(93002, 0))
	for _, n := range []int{8, 16, 64, 128, 512} {
		x, y := make([]float64, n), make([]float64, n)
		pair, folded := make([]complex128, n), make([]complex128, n/2)
		for i := range n {
			x[i], y[i] = rng.NormFloat64(), rng.NormFloat64()
			pair[i] = complex(x[i], y[i])
		}
		for i := range folded {
			folded[i] = complex(x[2*i], x[2*i+1])
		}
		Transform(pair)
		Transform(folded)
		for k := 1; k < n/2; k++ {
			wantX, wantY := Power(dft(x, k)), Power(dft(y, k))
			gotX, gotY := Pair(pair, k)
			alone := Folded(folded, k, cmplx.Rect(1, -2*math.Pi*float64(k)/float64(n)))
			for _, got := range []float64{gotX - wantX, gotY - wantY, alone - wantX} {
				if math.Abs(got) > 1e-11*float64(n) {
					t.Fatalf("%d samples, bin %d: off by %g", n, k, got)
				}
			}
		}
	}
}
