// Package damped fits sums of damped and undamped complex exponentials to the
// discrete Fourier bins of short records, by separable nonlinear least squares:
// amplitudes and a smooth background are eliminated exactly, frequencies and decay
// rates are found by Levenberg-Marquardt steps on what remains.
//
// The model of one record y[n], n = 0..N-1 at sample rate R, is
//
//	y[n] = sum_m a_m exp((-alpha_m + 2 pi i f_m) n/R) + sum_h b_h exp(2 pi i g_h n/R) + noise,
//
// and its rectangular-window DFT is known in closed form for any decay and any N,
// so nothing is lost by truncation, and bins of white noise stay independent.
// Several records (the taps of one blank) share f, alpha and g; each has its own a and b.
//
// Source of the method: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, with
// Kaufman's simplification of the Jacobian, BIT 15 (1975) 49 (both from memory).
package damped

import (
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Line is a damped exponential: frequency in Hz, relative to the centre of the
// band, and amplitude decay rate Alpha = 1/tau in 1/s.
type Line struct {
	Hz, Alpha float64
}

// Record is one stretch of a band-limited complex signal, given by some of its DFT bins.
type Record struct {
	Bins   []complex128 // Y[k] for k = First, First+1, ...; unnormalised DFT
	First  int          // number of the first bin; negative bins lie below the centre
	N      int          // samples in the record
	Silent bool         // true where no damped line sounds: only undamped ones and noise
	Lead   float64      // s from the start of the ring to the record's first sample
}

// Model is the set of lines to fit, with their starting values.
type Model struct {
	Lines      []Line
	Undamped   []float64 // Hz, relative to the centre of the band; starting values
	Steady     []float64 // undamped lines whose frequencies are known, such as those beyond the bins
	Background int       // terms of the complex polynomial under each record's bins, 0-3
}

// Fit is the result. Theta orders its parameters Hz, Alpha of each line, then each undamped Hz.
type Fit struct {
	Model
	Cov       *mat.SymDense  // covariance of Theta from the residual noise
	Amp       [][]complex128 // [record][damped line] amplitude at the record's first sample
	Undam     [][]complex128 // [record] amplitudes of the undamped, then of the steady lines
	Residual  [][]complex128 // [record] bins minus model
	NoisePow  []float64      // [record] mean power of the residual per bin, freedom-corrected
	Each      []Alone        // [record] what that record alone says
	BIC       float64        // Bayesian information criterion over all records
	Steps     int
	Converged bool
}

// Alone is the estimate of a single record: one Gauss-Newton step from the joint
// optimum, which is exact to first order in the difference. OK is false where the record
// does not determine the parameters.
type Alone struct {
	Lines []Line
	SD    []Line // standard deviations
	OK    bool
}

// SD is the standard deviation of line m's frequency (Hz) and decay rate (1/s).
func (f *Fit) SD(m int) (hz, alpha float64) {
	return math.Sqrt(f.Cov.At(2*m, 2*m)), math.Sqrt(f.Cov.At(2*m+1, 2*m+1))
}

// ErrTooShort says that there are fewer bins than unknowns.
var ErrTooShort = errors.New("damped: fewer bins than unknowns")

// solver holds the scratch of one fit, so that its inner loop allocates nothing.
type solver struct {
	recs   []Record
	rate   float64
	bg     int
	nLines int
	steady []float64
	start  []float64        // starting values of the parameters
	weight []float64        // per record: 1/noise power
	basis  [][][]complex128 // [record] orthonormal basis of the eliminated part
	amp    [][]complex128   // [record] amplitudes in the original (not orthonormal) columns
	resid  [][]complex128
	jac    [][][]complex128 // [record][theta]
	tri    [][][]complex128 // [record] triangular factor of the columns in the basis
	coef   [][]complex128   // [record] data in the basis
	left   [][]complex128   // [record] data minus the fixed columns
	rss    []float64
}

// The first fixed columns of every basis, steady lines and background, are the same for all
// parameters: they are made orthonormal once.
func (s *solver) fixed() int { return len(s.steady) + s.bg }

// Gain is by how much the Bayesian information criterion would fall if the line were
// added to the fit as it stands, frequency and decay not yet adjusted. It costs one
// elimination; a full fit mostly gains a little more.
func (f *Fit) Gain(recs []Record, rate float64, l Line) float64 {
	m := f.Model
	m.Lines = append(slices.Clone(m.Lines), l)
	for _, r := range recs {
		if len(r.Bins) <= len(m.Lines)+len(m.Undamped)+len(m.Steady)+m.Background {
			return math.Inf(-1)
		}
	}
	s := newSolver(recs, rate, m)
	s.evaluate(packTheta(m), false)
	gain, data, unknown := 0.0, 0, 2
	for i, r := range recs {
		k := 2 * len(r.Bins)
		gain += float64(k) * math.Log(max(power(f.Residual[i]), 1e-300)/max(s.rss[i], 1e-300))
		data += k
		if !r.Silent {
			unknown += 2
		}
	}
	return gain - float64(unknown)*math.Log(float64(data))
}

// Solve fits the model. It fails only if there is less data than unknowns; a fit
// that did not settle is returned with Converged false.
func Solve(recs []Record, rate float64, start Model) (*Fit, error) {
	s := newSolver(recs, rate, start)
	free := 0
	for _, r := range recs {
		free += 2 * (len(r.Bins) - s.columns(r))
		if len(r.Bins) <= s.columns(r) {
			return nil, ErrTooShort
		}
	}
	theta := packTheta(start)
	if free <= len(theta) {
		return nil, ErrTooShort
	}
	fit := &Fit{}
	s.evaluate(theta, true)
	s.reweigh(len(theta))
	cost := s.cost()
	p := len(theta)
	hess, grad := mat.NewSymDense(max(p, 1), nil), mat.NewVecDense(max(p, 1), nil)
	lambda := 1e-3
	trial := make([]float64, p)
	const maxSteps = 60
	for fit.Steps = 0; fit.Steps < maxSteps && p > 0; fit.Steps++ {
		s.normal(hess, grad)
		step, ok := marquardt(hess, grad, lambda)
		if !ok {
			break
		}
		decrement := 0.0
		for i := range trial {
			trial[i] = theta[i] + step.AtVec(i)
			decrement += step.AtVec(i) * grad.AtVec(i)
		}
		if s.outside(trial) {
			lambda = max(lambda, 1e-4) * 8
			if lambda > 1e9 {
				break
			}
			continue
		}
		c := s.evaluate(trial, false)
		// The cost is in units of the noise: a predicted gain of 1e-6 is a
		// thousandth of a standard deviation and not worth another step.
		small := decrement < 1e-6
		if c <= cost {
			copy(theta, trial)
			cost = c
			lambda = max(lambda/8, 1e-12)
			s.jacobian(theta)
			if fit.Steps == 3 || small {
				s.reweigh(p)
				cost = s.cost()
			}
			if small {
				fit.Converged = true
				break
			}
			continue
		}
		s.evaluate(theta, true)
		if small {
			fit.Converged = true
			break
		}
		lambda = max(lambda, 1e-4) * 8
		if lambda > 1e9 {
			break
		}
	}
	if p == 0 {
		fit.Converged = true
	}
	s.reweigh(p)
	s.finish(fit, theta)
	return fit, nil
}

func newSolver(recs []Record, rate float64, m Model) *solver {
	s := &solver{recs: recs, rate: rate, bg: m.Background, nLines: len(m.Lines), steady: m.Steady, start: packTheta(m)}
	nTheta := 2*len(m.Lines) + len(m.Undamped)
	maxCol := len(m.Lines) + len(m.Undamped) + len(m.Steady) + m.Background
	for _, r := range recs {
		k := len(r.Bins)
		s.basis = append(s.basis, grid(maxCol, k))
		s.jac = append(s.jac, grid(nTheta, k))
		s.amp = append(s.amp, make([]complex128, maxCol))
		s.resid = append(s.resid, make([]complex128, k))
		s.weight = append(s.weight, 1)
		s.rss = append(s.rss, 0)
		s.tri = append(s.tri, grid(maxCol, maxCol))
		s.coef = append(s.coef, make([]complex128, maxCol))
		s.left = append(s.left, make([]complex128, k))
	}
	for i, r := range recs {
		q := s.basis[i]
		for j, f := range s.steady {
			s.column(q[j], r, f, 0)
		}
		for d := range s.bg {
			mid := float64(len(r.Bins)-1) / 2
			for b := range r.Bins {
				x := 1.0
				for range d {
					x *= (float64(b) - mid) / max(mid, 1)
				}
				q[len(s.steady)+d][b] = complex(x, 0)
			}
		}
		copy(s.left[i], r.Bins)
		s.eliminate(i, 0, s.fixed(), s.left[i])
	}
	return s
}

func grid(rows, cols int) [][]complex128 {
	flat := make([]complex128, rows*cols)
	g := make([][]complex128, rows)
	for i := range g {
		g[i] = flat[i*cols : (i+1)*cols : (i+1)*cols]
	}
	return g
}

func packTheta(m Model) []float64 {
	var t []float64
	for _, l := range m.Lines {
		t = append(t, l.Hz, l.Alpha)
	}
	return append(t, m.Undamped...)
}

// columns counts the linear unknowns of a record.
func (s *solver) columns(r Record) int {
	n := len(s.amp[0]) // lines + undamped + steady + background
	if r.Silent {
		n -= s.nLines
	}
	return n
}

// maxWander is how far an undamped line may move from its starting value, Hz.
const maxWander = 0.7

// outside tells whether a trial leaves the region where the model means anything.
func (s *solver) outside(theta []float64) bool {
	for m := range s.nLines {
		f, a := theta[2*m], theta[2*m+1]
		if a < -0.05 || a > s.rate || math.Abs(f) > s.rate/2 {
			return true
		}
	}
	for i, f := range theta[2*s.nLines:] {
		// A steady line is known to a fraction of a hertz before; one that wanders
		// off has been taken for something else.
		if math.Abs(f-s.start[2*s.nLines+i]) > maxWander {
			return true
		}
	}
	return false
}

// evaluate eliminates amplitudes and background at theta and returns the weighted
// cost sum_r w_r |residual_r|^2; with jac it also forms the Jacobian there.
func (s *solver) evaluate(theta []float64, jac bool) float64 {
	for i, r := range s.recs {
		q := s.basis[i]
		n := s.fixed()
		if !r.Silent {
			for m := range s.nLines {
				s.column(q[n], r, theta[2*m], theta[2*m+1])
				n++
			}
		}
		for _, f := range theta[2*s.nLines:] {
			s.column(q[n], r, f, 0)
			n++
		}
		copy(s.resid[i], s.left[i])
		s.eliminate(i, s.fixed(), n, s.resid[i])
		s.amplitudes(i, n)
	}
	if jac {
		s.jacobian(theta)
	}
	return s.cost()
}

func (s *solver) cost() float64 {
	c := 0.0
	for i := range s.recs {
		c += s.weight[i] * s.rss[i]
	}
	return c
}

// column is the DFT of exp((-alpha + 2 pi i f) n/R), n = 0..N-1:
// (1 - z^N)/(1 - z w), z = exp((-alpha + 2 pi i f)/R), w = exp(-2 pi i k/N).
func (s *solver) column(dst []complex128, r Record, f, alpha float64) {
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
func (s *solver) slope(dst []complex128, r Record, f, alpha float64) {
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

// eliminate makes the columns from..to of record i's basis orthonormal to each other and
// to those before (modified Gram-Schmidt), and takes their part out of the data.
func (s *solver) eliminate(i, from, to int, data []complex128) {
	q, tri := s.basis[i], s.tri[i]
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
		s.coef[i][a] = 0
		if norm <= 1e-12*before {
			tri[a][a] = 0
			clear(q[a])
			continue
		}
		scale := complex(1/norm, 0)
		for k := range q[a] {
			q[a][k] *= scale
		}
		s.coef[i][a] = dot(q[a], data)
		axpy(data, -s.coef[i][a], q[a])
	}
}

// amplitudes solves the triangular system for the amplitudes of the n columns.
func (s *solver) amplitudes(i, n int) {
	for a := n - 1; a >= 0; a-- {
		v := s.coef[i][a]
		for b := a + 1; b < n; b++ {
			v -= s.tri[i][a][b] * s.amp[i][b]
		}
		if s.tri[i][a][a] == 0 {
			s.amp[i][a] = 0
		} else {
			s.amp[i][a] = v / s.tri[i][a][a]
		}
	}
	s.rss[i] = power(s.resid[i])
}

// jacobian forms d(residual)/d(theta) = -P (d column/d theta) amplitude, P the
// projector off the eliminated part. evaluate(theta) must have run before.
func (s *solver) jacobian(theta []float64) {
	nUndamped := len(theta) - 2*s.nLines
	for i, r := range s.recs {
		col := s.fixed()
		used := s.columns(r)
		project := func(v []complex128) {
			for b := range used {
				axpy(v, -dot(s.basis[i][b], v), s.basis[i][b])
			}
		}
		for m := range s.nLines {
			df, da := s.jac[i][2*m], s.jac[i][2*m+1]
			if r.Silent {
				clear(df)
				clear(da)
				continue
			}
			s.slope(da, r, theta[2*m], theta[2*m+1])
			a := s.amp[i][col]
			for k := range da {
				da[k] *= a
			}
			project(da)
			for k := range da {
				df[k] = complex(0, -2*math.Pi) * da[k]
			}
			col++ // d/d alpha = -slope, and the residual is data minus model: the signs cancel
		}
		for h := range nUndamped {
			df := s.jac[i][2*s.nLines+h]
			s.slope(df, r, theta[2*s.nLines+h], 0)
			a := complex(0, -2*math.Pi) * s.amp[i][col]
			for k := range df {
				df[k] *= a
			}
			project(df)
			col++
		}
	}
}

// normal forms the weighted normal equations: Re(J^H J) and -Re(J^H r).
func (s *solver) normal(hess *mat.SymDense, grad *mat.VecDense) {
	p := grad.Len()
	for a := range p {
		g := 0.0
		for i := range s.recs {
			g -= s.weight[i] * realDot(s.jac[i][a], s.resid[i])
		}
		grad.SetVec(a, g)
		for b := a; b < p; b++ {
			h := 0.0
			for i := range s.recs {
				h += s.weight[i] * realDot(s.jac[i][a], s.jac[i][b])
			}
			hess.SetSym(a, b, h)
		}
	}
}

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
	var chol mat.Cholesky
	if !chol.Factorize(damp) {
		return nil, false
	}
	step := mat.NewVecDense(p, nil)
	if err := chol.SolveVecTo(step, grad); err != nil {
		var c mat.Condition
		if !errors.As(err, &c) {
			return nil, false
		}
	}
	return step, true
}

// reweigh sets each record's weight to one over its noise power per real value,
// so that a noisy tap counts less; the cost is then in units of the noise.
func (s *solver) reweigh(p int) {
	for i := range s.recs {
		s.weight[i] = 1 / s.noise(i, p)
	}
}

// noise is the variance of the real and of the imaginary part of record i's bins.
func (s *solver) noise(i, p int) float64 {
	r := s.recs[i]
	free := 2*(len(r.Bins)-s.columns(r)) - p/len(s.recs)
	return max(s.rss[i]/float64(max(free, 1)), 1e-300+1e-24*power(r.Bins)/float64(len(r.Bins)))
}

func (s *solver) finish(fit *Fit, theta []float64) {
	p := len(theta)
	for m := range s.nLines {
		fit.Lines = append(fit.Lines, Line{theta[2*m], theta[2*m+1]})
	}
	fit.Undamped = append([]float64(nil), theta[2*s.nLines:]...)
	fit.Background, fit.Steady = s.bg, s.steady
	fit.Cov = mat.NewSymDense(max(p, 1), nil)
	hess, grad := mat.NewSymDense(max(p, 1), nil), mat.NewVecDense(max(p, 1), nil)
	if p > 0 {
		s.normal(hess, grad)
		var chol mat.Cholesky
		if ok := chol.Factorize(hess); !ok || chol.InverseTo(fit.Cov) != nil {
			for a := range p {
				fit.Cov.SetSym(a, a, math.Inf(1))
			}
			fit.Converged = false
		}
	}
	data, unknown := 0, p
	for i, r := range s.recs {
		fit.Each = append(fit.Each, s.alone(i, theta))
		n, c := 0, 0
		if !r.Silent {
			n = s.nLines
		}
		c = s.columns(r)
		at := s.fixed()
		fit.Amp = append(fit.Amp, slices.Clone(s.amp[i][at:at+n]))
		fit.Undam = append(fit.Undam, append(slices.Clone(s.amp[i][at+n:c]), s.amp[i][:len(s.steady)]...))
		fit.Residual = append(fit.Residual, append([]complex128(nil), s.resid[i]...))
		v := s.noise(i, p)
		fit.NoisePow = append(fit.NoisePow, 2*v)
		k := 2 * len(r.Bins)
		fit.BIC += float64(k) * math.Log(max(s.rss[i]/float64(k), 1e-300))
		data += k
		unknown += 2 * c
	}
	fit.BIC += float64(unknown) * math.Log(float64(data))
}

// alone takes record i's own Gauss-Newton step from theta.
func (s *solver) alone(i int, theta []float64) Alone {
	p := 2 * s.nLines
	if s.recs[i].Silent || p == 0 {
		return Alone{}
	}
	hess, grad := mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	for a := range p {
		grad.SetVec(a, -s.weight[i]*realDot(s.jac[i][a], s.resid[i]))
		for b := a; b < p; b++ {
			hess.SetSym(a, b, s.weight[i]*realDot(s.jac[i][a], s.jac[i][b]))
		}
	}
	var chol mat.Cholesky
	cov, step := mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	if !chol.Factorize(hess) || chol.InverseTo(cov) != nil || chol.SolveVecTo(step, grad) != nil {
		return Alone{}
	}
	out := Alone{OK: true}
	for m := range s.nLines {
		out.Lines = append(out.Lines, Line{theta[2*m] + step.AtVec(2*m), theta[2*m+1] + step.AtVec(2*m+1)})
		out.SD = append(out.SD, Line{math.Sqrt(cov.At(2*m, 2*m)), math.Sqrt(cov.At(2*m+1, 2*m+1))})
	}
	return out
}

// reciprocal is 1/z without the care for overflow that Go's complex division takes; ok is false at zero.
func reciprocal(z complex128) (inv complex128, ok bool) {
	m := real(z)*real(z) + imag(z)*imag(z)
	if m < 1e-24 {
		return 0, false
	}
	return complex(real(z)/m, -imag(z)/m), true
}

func dot(a, b []complex128) complex128 { // conj(a) . b
	var re, im float64
	for k, x := range a {
		y := b[k]
		re += real(x)*real(y) + imag(x)*imag(y)
		im += real(x)*imag(y) - imag(x)*real(y)
	}
	return complex(re, im)
}

func realDot(a, b []complex128) float64 {
	s := 0.0
	for k, x := range a {
		s += real(x)*real(b[k]) + imag(x)*imag(b[k])
	}
	return s
}

func axpy(y []complex128, a complex128, x []complex128) {
	ar, ai := real(a), imag(a)
	for k, v := range x {
		y[k] += complex(ar*real(v)-ai*imag(v), ar*imag(v)+ai*real(v))
	}
}

func power(a []complex128) float64 {
	s := 0.0
	for _, x := range a {
		s += real(x)*real(x) + imag(x)*imag(x)
	}
	return s
}
