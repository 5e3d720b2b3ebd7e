package damped

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Bound is the Cramer-Rao bound for the parameters of lines (and undamped lines) in
// complex white noise: the covariance that no unbiased estimator can beat, ordered as
// Fit.Cov. amp holds the amplitudes of the damped, then of the undamped lines; noise is
// the variance E|w|^2 of one complex sample, n the number of samples at the given rate.
//
// It is the inverse of the Fisher matrix with the amplitudes eliminated by their
// Schur complement. For one line it agrees with the closed form of Yao & Pandit,
// IEEE Trans. Signal Process. 43 (1995) 878 (from memory, not found to read;
// the test restates it).
func Bound(m Model, amp []complex128, noise, rate float64, n int) *mat.SymDense {
	lines := append([]Line(nil), m.Lines...)
	for _, f := range m.Undamped {
		lines = append(lines, Line{Hz: f})
	}
	return bound(m, nil, []Record{{Bins: Transform(lines, amp, rate, n, 0, n), N: n}}, noise, rate)
}

// BoundBesideWaves is Bound where each undamped line is one coherent wave, known from
// quiet samples before the record, too, in which only these waves sound, and its
// frequency from other sources. Real and imaginary part of the waves' amplitudes at the
// first of these samples are the last parameters.
func BoundBesideWaves(m Model, known []Known, amp []complex128, noise, rate float64, quiet, n int) *mat.SymDense {
	lines, waves := slices.Clone(m.Lines), make([]Line, len(m.Undamped))
	m.Coherent = make([]complex128, len(waves))
	for j, f := range m.Undamped {
		waves[j].Hz = f
		m.Coherent[j] = amp[len(lines)+j] * cmplx.Rect(1, -2*math.Pi*f*float64(quiet)/rate)
	}
	return bound(m, known, []Record{
		{Bins: Transform(append(lines, waves...), amp, rate, n, 0, n), N: n, At: float64(quiet) / rate},
		{Bins: Transform(waves, m.Coherent, rate, quiet, 0, quiet), N: quiet, Silent: true},
	}, noise, rate)
}

// bound is the bound for records without noise in them, all bins of each.
func bound(m Model, known []Known, recs []Record, noise, rate float64) *mat.SymDense {
	s := NewFitter(recs, rate, nil, 0)
	s.Expect(known)
	s.prepare(m.Lines, m.Undamped, m.Coherent)
	s.evaluate(s.start, true)
	for i, r := range recs {
		s.at[i].weight = 2 / (noise * float64(r.N)) // one over the variance of a bin's real part
	}
	s.normal()
	cov, _, ok := inverse(s.hess)
	if !ok {
		cov = mat.NewSymDense(len(s.start), nil)
		for a := range s.start {
			cov.SetSym(a, a, math.Inf(1))
		}
	}
	return cov
}
