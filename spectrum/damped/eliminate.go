package damped

import (
	"math"
	"math/cmplx"
)

// evaluate eliminates amplitudes and background at theta and returns the weighted
// cost sum_r w_r |residual_r|^2; with slopes it also forms those of the columns there.
func (s *Fitter) evaluate(theta []float64, slopes bool) float64 {
	for i, r := range s.recs {
		at, n := &s.at[i], s.fixed()
		if !r.Silent {
			for m := range s.nLines {
				s.column(at.basis[n], r, theta[2*m], theta[2*m+1])
				n++
			}
		}
		copy(at.resid, at.left)
		copy(at.coef, at.part)
		for j := range s.nWaves {
			f, _, amp := s.wave(theta, j, r)
			if !s.joint {
				s.column(at.basis[n], r, f, 0)
				n++
				continue
			}
			s.column(at.wave, r, f, 0)
			for b := range at.wave {
				at.wave[b] *= amp
			}
			at.take(at.wave, s.fixed())
		}
		for j, v := range at.shared {
			p := s.own() + 2*j
			c := -complex(theta[p], theta[p+1])
			axpy(at.resid, c, v)
			axpy(at.coef[:s.fixed()], c, at.fixed[j])
		}
		at.eliminate(s.fixed(), n, at.resid)
		at.amplitudes(n)
	}
	for p := range s.prior {
		if k := &s.prior[p]; k.sd > 0 {
			k.off = (theta[p] - k.mean) / k.sd
		}
	}
	if slopes {
		s.slopes(theta)
	}
	return s.cost()
}

// wave is the frequency of an undamped line, and what it has at a record's first
// sample if it is coherent.
func (s *Fitter) wave(theta []float64, j int, r Record) (hz float64, turn, amp complex128) {
	hz = theta[2*s.nLines+j]
	if s.joint {
		p := 2*s.nLines + s.nWaves + 2*j
		turn = cmplx.Rect(1, 2*math.Pi*hz*r.At)
		amp = complex(theta[p], theta[p+1]) * turn
	}
	return hz, turn, amp
}

// take takes a known wave out of the data from which the first columns were taken before.
func (at *stage) take(wave []complex128, fixed int) {
	for a, q := range at.basis[:fixed] {
		d := dot(q, wave)
		at.coef[a] -= d
		axpy(wave, -d, q)
	}
	axpy(at.resid, -1, wave)
}

// eliminate makes the columns from..to of the basis orthonormal to each other and
// to those before (modified Gram-Schmidt), and takes their part out of the data.
func (at *stage) eliminate(from, to int, data []complex128) {
	q, tri := at.basis, at.tri
	for a := from; a < to; a++ {
		for b := range a {
			tri[b][a] = 0
		}
		before := math.Sqrt(power(q[a]))
		norm := before
		for {
			for b := range a {
				d := dot(q[b], q[a])
				tri[b][a] += d
				axpy(q[a], -d, q[b])
			}
			was := norm
			norm = math.Sqrt(power(q[a]))
			if norm > 0.3*was || norm <= 1e-12*before { // otherwise cancellation has cost figures: once more
				break
			}
		}
		tri[a][a] = complex(norm, 0)
		at.coef[a] = 0
		if norm <= 1e-12*before {
			tri[a][a] = 0
			clear(q[a])
			continue
		}
		scale := complex(1/norm, 0)
		for k := range q[a] {
			q[a][k] *= scale
		}
		at.coef[a] = dot(q[a], data)
		axpy(data, -at.coef[a], q[a])
	}
}

// project takes out of v what it has in common with the orthonormal basis.
func project(v []complex128, basis [][]complex128) {
	for _, q := range basis {
		axpy(v, -dot(q, v), q)
	}
}

// amplitudes solves the triangular system for the amplitudes of the n columns.
func (at *stage) amplitudes(n int) {
	for a := n - 1; a >= 0; a-- {
		v := at.coef[a]
		for b := a + 1; b < n; b++ {
			v -= at.tri[a][b] * at.amp[b]
		}
		if at.tri[a][a] == 0 {
			at.amp[a] = 0
		} else {
			at.amp[a] = v / at.tri[a][a]
		}
	}
	at.rss = power(at.resid)
}
