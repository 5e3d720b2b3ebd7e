package dsp

import (
	"cmp"
	"slices"
)

// NthElement is the value that stands at place n, counted from 0, once x is sorted. It
// leaves x in another order, with none greater before that place and none smaller after
// it (Hoare's FIND, Communications of the ACM 4 (1961) 321).
func NthElement[T cmp.Ordered](x []T, n int) T {
	for from, to := 0, len(x)-1; from < to; {
		pivot, i, j := x[(from+to)/2], from, to
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for pivot < x[j] {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			to = j
		case n >= i:
			from = i
		default:
			return x[n]
		}
	}
	return x[n]
}

// Percentile is the value below which the share p, 0 to 1, of the values lie; 0 of none.
func Percentile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return 0
	}
	return NthElement(slices.Clone(x), int(p*float64(len(x)-1)))
}
