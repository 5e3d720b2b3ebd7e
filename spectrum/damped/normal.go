package damped

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// slopes forms P (d column/d(-alpha + 2 pi i f)) amplitude for every line, P the
// projector off the eliminated part. evaluate(theta) must have run before.
func (s *Fitter) slopes(theta []float64) {
	for i, r := range s.recs {
		at, col, used := &s.at[i], s.fixed(), s.columns(r)
		for c := range s.nLines + s.nWaves {
			v := at.slopes[c]
			if c < s.nLines {
				if r.Silent {
					clear(v)
					continue
				}
				s.slope(v, r, theta[2*c], theta[2*c+1])
			} else if f, turn, amp := s.wave(theta, c-s.nLines, r); s.joint {
				// Its phase turns before the record begins, too.
				s.slope(v, r, f, 0)
				col := at.slopes[c+s.nWaves]
				s.column(col, r, f, 0)
				for k := range v {
					v[k] = amp * (v[k] + complex(r.At, 0)*col[k])
					col[k] *= turn
				}
				project(v, at.basis[:used])
				project(col, at.basis[:used])
				continue
			} else {
				s.slope(v, r, f, 0)
			}
			a := at.amp[col]
			for k := range v {
				v[k] *= a
			}
			project(v, at.basis[:used])
			col++
		}
		for j, v := range at.shared {
			for c, q := range at.basis[s.fixed():used] {
				at.along[j][c] = dot(q, v)
			}
		}
	}
}

// byLine are the derivatives of the residual, data minus model, by a line's f and by its
// alpha, in units of its slope (of the latter the signs cancel); byAmp are those by the
// parts of a coherent amplitude in units of its column.
var (
	byLine = []complex128{complex(0, -2*math.Pi), 1}
	byAmp  = []complex128{-1, -1i}
)

// parameters tells where those of a carrier begin, and the derivatives by them.
func (s *Fitter) parameters(carrier int) (first int, by []complex128) {
	if shared := carrier - s.carriers() + s.nShared; shared >= 0 {
		return s.own() + 2*shared, byAmp
	}
	switch wave := carrier - s.nLines; {
	case wave < 0:
		return 2 * carrier, byLine
	case wave < s.nWaves:
		return 2*s.nLines + wave, byLine[:1]
	default:
		return 2*s.nLines + s.nWaves + 2*(wave-s.nWaves), byAmp
	}
}

// normal forms the weighted normal equations, Re(J^H J) and -Re(J^H r), with
// what is known before.
func (s *Fitter) normal() {
	s.hess.Zero()
	s.grad.Zero()
	for i := range s.at {
		s.addNormal(i, s.carriers(), s.hess, s.grad)
	}
	for p, k := range s.prior {
		if k.sd > 0 {
			s.hess.SetSym(p, p, s.hess.At(p, p)+1/(k.sd*k.sd))
			s.grad.SetVec(p, s.grad.AtVec(p)-k.off/k.sd)
		}
	}
}

// addNormal adds a record's part of the equations for the first carriers.
func (s *Fitter) addNormal(i, carriers int, hess *mat.SymDense, grad *mat.VecDense) {
	at := &s.at[i]
	shared := s.carriers() - s.nShared // the first of them
	if at.shared == nil {
		carriers = min(carriers, shared)
	}
	vary := s.columns(s.recs[i]) - s.fixed()
	for a := range carriers {
		p, by := s.parameters(a)
		// Slopes and residual are off the basis; so the shared columns need not be.
		v := at.carrier(a, shared)
		d := dot(v, at.resid)
		for i := range by {
			grad.SetVec(p+i, grad.AtVec(p+i)-at.weight*real(cmplx.Conj(by[i])*d))
		}
		for b := a; b < carriers; b++ {
			q, with := s.parameters(b)
			var d complex128
			if a >= shared {
				d = at.gram[a-shared][b-shared] - dot(at.along[a-shared][:vary], at.along[b-shared][:vary])
			} else {
				d = dot(v, at.carrier(b, shared))
			}
			for i := range by {
				for j := range with {
					if p+i <= q+j {
						hess.SetSym(p+i, q+j, hess.At(p+i, q+j)+at.weight*real(cmplx.Conj(by[i])*with[j]*d))
					}
				}
			}
		}
	}
}

// carrier is the vector of which the derivatives of a carrier are made.
func (at *stage) carrier(c, shared int) []complex128 {
	if c >= shared {
		return at.shared[c-shared]
	}
	return at.slopes[c]
}
