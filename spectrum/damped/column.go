package damped

import (
	"math"
	"math/cmplx"
)

// column is the DFT of exp((-alpha + 2 pi i f) n/R), n = 0..N-1:
// (1 - z^N)/(1 - z w), z = exp((-alpha + 2 pi i f)/R), w = exp(-2 pi i k/N).
func (s *Fitter) column(dst []complex128, r Record, f, alpha float64) {
	n := float64(r.N)
	lz := complex(-alpha, 2*math.Pi*f) / complex(s.rate, 0)
	num := 1 - cmplx.Exp(lz*complex(n, 0))
	z := cmplx.Exp(lz - complex(0, 2*math.Pi*float64(r.First)/n))
	turn := cmplx.Rect(1, -2*math.Pi/n)
	for b := range dst {
		if inv, ok := reciprocal(1 - z); ok {
			dst[b] = num * inv
		} else {
			dst[b] = complex(n, 0)
		}
		z *= turn
	}
}

// slope is the derivative of column with respect to lz R, that is, to
// -alpha + 2 pi i f.
func (s *Fitter) slope(dst []complex128, r Record, f, alpha float64) {
	n := float64(r.N)
	lz := complex(-alpha, 2*math.Pi*f) / complex(s.rate, 0)
	zN := cmplx.Exp(lz * complex(n, 0))
	z := cmplx.Exp(lz - complex(0, 2*math.Pi*float64(r.First)/n))
	turn := cmplx.Rect(1, -2*math.Pi/n)
	scale := complex(1/s.rate, 0)
	for b := range dst {
		if inv, ok := reciprocal(1 - z); ok {
			dst[b] = scale * inv * ((1-zN)*z*inv - complex(n, 0)*zN)
		} else {
			dst[b] = scale * complex(n*(n-1)/2, 0)
		}
		z *= turn
	}
}

// reciprocal is 1/z without the care for overflow that Go's complex division takes;
// ok is false at zero.
func reciprocal(z complex128) (inv complex128, ok bool) {
	m := real(z)*real(z) + imag(z)*imag(z)
	if m < 1e-24 {
		return 0, false
	}
	return complex(real(z)/m, -imag(z)/m), true
}

// Transform is the DFT of the exponentials amp_m exp((-alpha_m + 2 pi i f_m) n/rate),
// n = 0..n-1, at the bins first, first+1, ..., first+count-1.
func Transform(lines []Line, amp []complex128, rate float64, n, first, count int) []complex128 {
	s := &Fitter{rate: rate}
	r := Record{First: first, N: n}
	sum, col := make([]complex128, count), make([]complex128, count)
	for m, l := range lines {
		s.column(col, r, l.Hz, l.Alpha)
		axpy(sum, amp[m], col)
	}
	return sum
}

// Sample is the sum of the exponentials at sample i.
func Sample(lines []Line, amp []complex128, rate float64, i int) complex128 {
	var y complex128
	for m, l := range lines {
		y += amp[m] * cmplx.Exp(complex(-l.Alpha, 2*math.Pi*l.Hz)*complex(float64(i)/rate, 0))
	}
	return y
}
