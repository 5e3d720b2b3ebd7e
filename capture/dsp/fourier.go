package dsp

import (
	"math"
	"math/bits"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Transform replaces x, whose length is a power of two, by its unnormalised DFT.
func Transform(x []complex128) {
	if bits.TrailingZeros(uint(len(x)))%2 == 0 {
		fourier.CoefficientsRadix4(x)
	} else {
		fourier.CoefficientsRadix2(x)
	}
}

// Power is |z|^2.
func Power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// Pair is the power at bin k of two real sounds whose transform went as one: x holds the DFT
// of the one as real part and the other as imaginary part.
func Pair(x []complex128, k int) (first, second float64) {
	z, mirrored := x[k], cmplx.Conj(x[len(x)-k])
	return Power(z+mirrored) / 4, Power(z-mirrored) / 4
}

// Folded is the power at bin k of one real sound of twice the length of x, which holds the DFT of its even
// samples as real part and its odd ones as imaginary part; turn is exp(-i pi k/len(x)).
func Folded(x []complex128, k int, turn complex128) float64 {
	z, mirrored := x[k], cmplx.Conj(x[len(x)-k])
	odd := turn * (z - mirrored)
	return Power(z+mirrored+complex(imag(odd), -real(odd))) / 4
}

// Hann is a Hann window of n samples that lie in the middles of their intervals: none is zero.
func Hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))) / 2
	}
	return w
}
