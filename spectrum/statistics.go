package spectrum

import (
	"math"
	"slices"

	"ringstock/capture/dsp"
)

func median(x []float64) float64 { return middle(slices.Clone(x)) }

// middle is the median of values whose order does not matter any more.
func middle(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	m := len(x) / 2
	high := dsp.NthElement(x, m)
	if len(x)%2 == 1 {
		return high
	}
	return (slices.Max(x[:m]) + high) / 2
}

// scatter is a robust sd: 1.4826 times the median distance from m, for few
// values the plain one.
func scatter(xs []float64, m float64) float64 {
	if len(xs) < 2 {
		return 0
	}
	sum := 0.0
	d := make([]float64, len(xs))
	for i, x := range xs {
		d[i] = math.Abs(x - m)
		sum += d[i] * d[i]
	}
	if len(xs) < 5 {
		return math.Sqrt(sum / float64(len(xs)-1))
	}
	return 1.4826 * median(d)
}

func sqr(x float64) float64 { return x * x }

func sq(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
