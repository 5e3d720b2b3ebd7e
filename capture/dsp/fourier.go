package dsp

import (
	"iter"
	"math"
	"math/bits"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Transform replaces x, whose length is a power of two, by its unnormalised DFT.
func Transform(x []complex128) {
	switch {
	case bits.TrailingZeros(uint(len(x)))%2 == 0:
		fourier.CoefficientsRadix4(x)
	case len(x) < 32:
		fourier.CoefficientsRadix2(x)
	default: // two halves by powers of four are sooner done than the whole by powers of two
		half := len(x) / 2
		parts := make([]complex128, len(x))
		even, odd := parts[:half], parts[half:]
		for i := range half {
			even[i], odd[i] = x[2*i], x[2*i+1]
		}
		fourier.CoefficientsRadix4(even)
		fourier.CoefficientsRadix4(odd)
		for k, turn := range Turns(half) {
			o := turn * odd[k]
			x[k], x[k+half] = even[k]+o, even[k]-o
		}
	}
}

// turnsKept is after how many steps Turns starts anew from an exact value.
const turnsKept = 64

// Turns goes through exp(-i pi k/n) for k from 0 to n-1: the factors that join the DFTs
// of n even and n odd samples. Each is exact to 1e-14.
func Turns(n int) iter.Seq2[int, complex128] {
	return func(yield func(int, complex128) bool) {
		step, turn := cmplx.Rect(1, -math.Pi/float64(n)), complex(1, 0)
		for k := range n {
			if k%turnsKept == 0 {
				turn = cmplx.Rect(1, -math.Pi*float64(k)/float64(n))
			}
			if !yield(k, turn) {
				return
			}
			turn *= step
		}
	}
}

// Power is |z|^2.
func Power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// Pair is the power at bin k of two real sounds whose transform went as one: x holds the
// DFT of the one as real part and the other as imaginary part.
func Pair(x []complex128, k int) (first, second float64) {
	z, mirrored := x[k], cmplx.Conj(x[len(x)-k])
	return Power(z+mirrored) / 4, Power(z-mirrored) / 4
}

// Folded is the power at bin k of one real sound of twice the length of x, which holds
// the DFT of its even samples as real part and its odd ones as imaginary part; turn is
// exp(-i pi k/len(x)).
func Folded(x []complex128, k int, turn complex128) float64 {
	z, mirrored := x[k], cmplx.Conj(x[len(x)-k])
	odd := turn * (z - mirrored)
	return Power(z+mirrored+complex(imag(odd), -real(odd))) / 4
}

// Hann is a Hann window of n samples that lie in the middles of their
// intervals: none is zero.
func Hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))) / 2
	}
	return w
}
