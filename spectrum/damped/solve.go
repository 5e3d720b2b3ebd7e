package damped

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Limits of the search.
const (
	maxSteps    = 30
	easy        = 1e-3  // damping of the first step, over the equations' own diagonal
	easiest     = 1e-12 // and of the last ones,
	hardest     = 1e9   // beyond which no step helps
	changeBy    = 8.0   // factor between one step's damping and the next one's
	reweighAt   = 3     // the step after which the noise is estimated anew: nearer to the end it would disturb
	maxWanderHz = 0.7   // by which an undamped line may leave its starting value
	fastGrowth  = 0.05  // 1/s by which a line may grow on its way to a decay
)

// Solve fits lines, damped and undamped, from their starting values; with coherent nil
// the undamped ones have amplitudes of their own in each record. It fails as the
// function Solve does.
func (s *Fitter) Solve(lines []Line, undamped []float64, coherent []complex128) (*Fit, error) {
	s.prepare(lines, undamped, coherent)
	free := -len(s.start)
	for _, r := range s.recs {
		free += 2 * (len(r.Bins) - s.columns(r))
		if len(r.Bins) <= s.columns(r) {
			return nil, ErrTooShort
		}
	}
	if free <= 0 {
		return nil, ErrTooShort
	}
	theta := slices.Clone(s.start)
	s.evaluate(theta, true)
	s.reweigh(len(theta))
	fit := &Fit{}
	fit.Steps, fit.Converged = s.descend(theta)
	s.reweigh(len(theta))
	s.finish(fit, theta)
	return fit, nil
}

// descend moves theta, at which the model was evaluated, to where the cost is least, by
// Levenberg-Marquardt steps. It tells how many there were, and whether another one would
// bring less than is enough.
func (s *Fitter) descend(theta []float64) (steps int, converged bool) {
	if len(theta) == 0 {
		return 0, true
	}
	cost, lambda := s.cost(), easy
	harder := func() { lambda = max(lambda, easy/10) * changeBy }
	trial := make([]float64, len(theta))
	for ; steps < maxSteps && lambda <= hardest; steps++ {
		s.normal()
		step, ok := marquardt(s.hess, s.grad, lambda)
		if !ok {
			return steps, false
		}
		decrement := 0.0
		for i := range trial {
			trial[i] = theta[i] + step.AtVec(i)
			decrement += step.AtVec(i) * s.grad.AtVec(i)
		}
		if s.outside(trial) {
			harder()
			continue
		}
		converged = decrement < s.enough
		if c := s.evaluate(trial, false); c <= cost {
			copy(theta, trial)
			cost, lambda = c, max(lambda/changeBy, easiest)
			s.slopes(theta)
			if steps == reweighAt || converged {
				s.reweigh(len(theta))
				cost = s.cost()
			}
		} else {
			s.evaluate(theta, true)
			harder()
		}
		if converged {
			return steps, true
		}
	}
	return steps, false
}

// outside tells whether a trial leaves the region where the model means anything.
func (s *Fitter) outside(theta []float64) bool {
	for m := range s.nLines {
		f, a := theta[2*m], theta[2*m+1]
		if a < -fastGrowth || a > s.rate || math.Abs(f) > s.rate/2 {
			return true
		}
	}
	for i, f := range theta[2*s.nLines : 2*s.nLines+s.nWaves] {
		// A steady line is known to a fraction of a hertz before; one that wanders
		// off has been taken for something else.
		if math.Abs(f-s.start[2*s.nLines+i]) > maxWanderHz {
			return true
		}
	}
	return false
}

// marquardt is the step that the equations suggest, the shorter the greater lambda.
// Condition numbers, which mat.Cholesky would estimate at more than the cost of all
// else, play no part.
func marquardt(hess *mat.SymDense, grad *mat.VecDense, lambda float64) (*mat.VecDense, bool) {
	p := grad.Len()
	damp := mat.NewSymDense(p, nil)
	damp.CopySym(hess)
	for a := range p {
		d := hess.At(a, a)
		if d <= 0 || math.IsNaN(d) {
			return nil, false
		}
		damp.SetSym(a, a, d*(1+lambda))
	}
	factor, ok := lapack64.Potrf(damp.RawSymmetric())
	if !ok {
		return nil, false
	}
	step := mat.NewVecDense(p, nil)
	step.CopyVec(grad)
	lapack64.Potrs(factor, blas64.General{Rows: p, Cols: 1, Stride: 1, Data: step.RawVector().Data})
	return step, true
}

// reweigh sets each record's weight to one over its noise power per real value,
// so that a noisy tap counts less; the cost is then in units of the noise.
func (s *Fitter) reweigh(p int) {
	for i := range s.recs {
		s.at[i].weight = 1 / s.noise(i, p)
	}
}

// noise is the variance of the real and of the imaginary part of record i's bins.
func (s *Fitter) noise(i, p int) float64 {
	r := s.recs[i]
	free := 2*(len(r.Bins)-s.columns(r)) - p/len(s.recs)
	return max(s.at[i].rss/float64(max(free, 1)), 1e-300+1e-24*power(r.Bins)/float64(len(r.Bins)))
}

func (s *Fitter) cost() float64 {
	c := 0.0
	for _, at := range s.at {
		c += at.weight * at.rss
	}
	for _, k := range s.prior {
		c += k.off * k.off
	}
	return c
}
