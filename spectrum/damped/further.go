package damped

import (
	"math"
	"math/cmplx"
	"slices"
)

// Gains is by how much the Bayesian information criterion would fall if one of the lines
// were added to a fit of these records as it stands, frequencies and decays not yet
// adjusted. A full fit mostly gains a little more.
func (s *Fitter) Gains(f *Fit, lines []Line) []float64 {
	s.prepare(f.Lines, f.Undamped, f.Coherent)
	s.evaluate(s.start, false)
	gains := make([]float64, len(lines))
	for j, l := range lines {
		data, unknown := 0, 2
		for i, r := range s.recs {
			at, used, k := &s.at[i], s.columns(r), 2*len(r.Bins)
			if len(r.Bins) <= used+1 {
				gains[j] = math.Inf(-1)
			}
			data += k
			if r.Silent {
				continue
			}
			unknown += 2
			// One more column takes out of the residual what it has in common with it.
			v := at.basis[used]
			s.column(v, r, l.Hz, l.Alpha)
			before := power(v)
			project(v, at.basis[:used])
			left := at.rss
			if norm := power(v); norm > 1e-12*before {
				d := dot(v, at.resid)
				left -= (real(d)*real(d) + imag(d)*imag(d)) / norm
			}
			gains[j] += float64(k) * math.Log(max(at.rss, 1e-300)/max(left, 1e-300))
		}
		gains[j] -= float64(unknown) * math.Log(float64(data))
	}
	return gains
}

// Split is the best pair out of the lines to stand in place of line m of a fit, and by
// how much the Bayesian information criterion would fall with it, nothing yet adjusted.
// One line fitted to a pair can end so far from both that no single line beside it
// would lead to them.
func (s *Fitter) Split(f *Fit, m int, lines []Line) (pair [2]Line, gain float64) {
	s.prepare(slices.Delete(slices.Clone(f.Lines), m, m+1), f.Undamped, f.Coherent)
	s.evaluate(s.start, false)
	n := len(lines)
	gains := make([]float64, n*n)
	data, unknown := 0, 2
	for i, r := range s.recs {
		data += 2 * len(r.Bins)
		if r.Silent {
			continue
		}
		unknown += 2
		at, used := &s.at[i], s.columns(r)
		if len(r.Bins) <= used+2 {
			return pair, math.Inf(-1)
		}
		cols, in := grid(n, len(r.Bins)), make([]complex128, n)
		for j, l := range lines {
			v := cols[j]
			s.column(v, r, l.Hz, l.Alpha)
			project(v, at.basis[:used])
			scale := complex(1/math.Sqrt(max(power(v), 1e-300)), 0)
			for b := range v {
				v[b] *= scale
			}
			in[j] = dot(v, at.resid)
		}
		was := max(power(f.Residual[i]), 1e-300)
		for j := range n {
			for k := j + 1; k < n; k++ {
				// What two unit vectors explain together: c^H G^-1 c, G their Gram
				// matrix.
				g := dot(cols[j], cols[k])
				apart := 1 - sq(g)
				left := at.rss
				if apart > 1e-9 {
					left -= (sq(in[j]) + sq(in[k]) - 2*real(cmplx.Conj(in[j])*g*in[k])) / apart
				}
				gains[j*n+k] += 2 * float64(len(r.Bins)) * math.Log(was/max(left, 1e-300))
			}
		}
	}
	gain = math.Inf(-1)
	for j := range n {
		for k := j + 1; k < n; k++ {
			if gains[j*n+k] > gain {
				pair, gain = [2]Line{lines[j], lines[k]}, gains[j*n+k]
			}
		}
	}
	return pair, gain - float64(unknown)*math.Log(float64(data))
}
