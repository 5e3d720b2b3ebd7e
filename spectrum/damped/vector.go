package damped

import "gonum.org/v1/gonum/blas/cblas128"

func vector(x []complex128) cblas128.Vector { return cblas128.Vector{N: len(x), Data: x, Inc: 1} }

func dot(a, b []complex128) complex128 { return cblas128.Dotc(vector(a), vector(b)) } // conj(a) . b

func axpy(y []complex128, a complex128, x []complex128) { cblas128.Axpy(a, vector(x), vector(y)) }

func sq(x complex128) float64 { return real(x)*real(x) + imag(x)*imag(x) }

func power(a []complex128) float64 {
	s := 0.0
	for _, x := range a {
		s += real(x)*real(x) + imag(x)*imag(x)
	}
	return s
}
