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
// Several records (the taps of one blank) share f, alpha and g; each has its own a, and its own b too unless the
// undamped lines are coherent: then b_h exp(2 pi i g_h T), T the record's start, is that of all of them.
//
// Source of the method: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, with
// Kaufman's simplification of the Jacobian, BIT 15 (1975) 49 (both from memory).
package damped

import (
	"errors"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/blas/cblas128"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
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
	At     float64      // s to the record's first sample, on the clock of coherent lines
}

// Model is the set of lines to fit, with their starting values.
type Model struct {
	Lines      []Line
	Undamped   []float64    // Hz, relative to the centre of the band; starting values
	Coherent   []complex128 // amplitudes of the undamped lines at time 0 if they are coherent, else nil; starting values
	Steady     []float64    // undamped lines whose frequencies are known, such as those beyond the bins
	Background int          // terms of the complex polynomial under each record's bins, 0-3
}

// Fit is the result. Theta orders its parameters Hz, Alpha of each line, then each undamped Hz,
// then real and imaginary part of each coherent amplitude.
type Fit struct {
	Model
	Cov       *mat.SymDense  // covariance of Theta from the residual noise
	Given     *mat.SymDense  // the same, were the shared coefficients known
	Amp       [][]complex128 // [record][damped line] amplitude at the record's first sample
	Undam     [][]complex128 // [record] amplitudes of the undamped, then of the steady lines
	Residual  [][]complex128 // [record] bins minus model
	NoisePow  []float64      // [record] mean power of the residual per bin, freedom-corrected
	Each      []Alone        // [record] what that record alone says
	BIC       float64        // Bayesian information criterion over all records
	Marginal  float64        // -2 times the logarithm of the likelihood, integrated over all unknowns, but for a constant
	deviance  float64        // -2 times the logarithm of the likelihood, but for a constant
	unknown   int
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

// NoiseSD is the part of SD that does not come from shared columns.
func (f *Fit) NoiseSD(m int) (hz, alpha float64) {
	return math.Sqrt(f.Given.At(2*m, 2*m)), math.Sqrt(f.Given.At(2*m+1, 2*m+1))
}

// SD is the standard deviation of line m's frequency (Hz) and decay rate (1/s).
func (f *Fit) SD(m int) (hz, alpha float64) {
	return math.Sqrt(f.Cov.At(2*m, 2*m)), math.Sqrt(f.Cov.At(2*m+1, 2*m+1))
}

// SDApart is the standard deviation of the distance of two lines, Hz.
func (f *Fit) SDApart(m, n int) float64 {
	a, b := 2*m, 2*n
	return math.Sqrt(max(f.Cov.At(a, a)+f.Cov.At(b, b)-2*f.Cov.At(a, b), 0))
}

// ErrTooShort says that there are fewer bins than unknowns.
var ErrTooShort = errors.New("damped: fewer bins than unknowns")

// Fitter fits models to the same records again and again. What all of them share is prepared
// once, and its inner loops allocate nothing.
type Fitter struct {
	recs    []Record
	rate    float64
	bg      int
	nLines  int
	nWaves  int  // undamped lines
	joint   bool // whether they are coherent
	steady  []float64
	start   []float64        // starting values of the parameters
	at      []stage          // per record
	known   []Known          // of the undamped lines
	shared  [][][]complex128 // of each record: columns whose coefficients all records share
	nShared int
	anew    bool    // whether the stages don't know them yet
	prior   []prior // of each parameter
	enough  float64 // a predicted gain of the cost, in units of the noise, that is not worth another step
	hess    *mat.SymDense
	grad    *mat.VecDense
}

// stage is what a fit knows of one record.
type stage struct {
	weight float64        // 1/noise power
	basis  [][]complex128 // orthonormal basis of the eliminated part
	tri    [][]complex128 // triangular factor of the columns in the basis
	coef   []complex128   // data in the basis
	amp    []complex128   // amplitudes in the original (not orthonormal) columns
	left   []complex128   // data minus the fixed columns,
	part   []complex128   // which are so much of the data
	wave   []complex128   // one coherent line
	resid  []complex128
	slopes [][]complex128 // of each line, then of each undamped one: projected d(column)/d(-alpha + 2 pi i f) times its amplitude;
	//                       then the columns of the coherent ones, projected
	shared [][]complex128 // the shared columns, off the fixed ones; none if the record is silent
	fixed  [][]complex128 // and the parts of them that lie along the fixed ones,
	gram   [][]complex128 // their inner products,
	along  [][]complex128 // and the parts of them that lie along the rest of the basis
	rss    float64
}

// Known is what other sources say of an undamped line's frequency; no SD means nothing.
type Known struct {
	Hz, SD float64
}

// prior is what is known of a parameter before; no sd means nothing.
type prior struct {
	mean, sd float64
	off      float64 // how far the parameter is from the mean, sd
}

// Expect gives all further fits what is known of their undamped lines.
func (s *Fitter) Expect(known []Known) { s.known = known }

// Share gives all further fits columns of each record (none for silent ones) whose complex coefficients are common to all records,
// and of which is known before that they are independent, of mean zero and variance 1.
func (s *Fitter) Share(columns [][][]complex128) {
	s.shared, s.nShared, s.anew = columns, 0, true
	for _, c := range columns {
		s.nShared = max(s.nShared, len(c))
	}
}

// NewFitter prepares for models that share the steady lines and the background.
func NewFitter(recs []Record, rate float64, steady []float64, background int) *Fitter {
	return &Fitter{recs: recs, rate: rate, steady: steady, bg: background, enough: 1e-4}
}

// Roughly ends all further fits when a thirtieth of a standard deviation is all that another step would bring; otherwise
// it is a hundredth.
func (s *Fitter) Roughly() { s.enough = 1e-3 }

// Solve fits the model. It fails only if there is less data than unknowns; a fit
// that did not settle is returned with Converged false.
func Solve(recs []Record, rate float64, start Model) (*Fit, error) {
	return NewFitter(recs, rate, start.Steady, start.Background).Solve(start.Lines, start.Undamped, start.Coherent)
}

// The first fixed columns of every basis, steady lines and background, are the same for all
// parameters: they are made orthonormal once.
func (s *Fitter) fixed() int { return len(s.steady) + s.bg }

// Gains is by how much the Bayesian information criterion would fall if one of the lines were
// added to a fit of these records as it stands, frequencies and decays not yet adjusted. A full fit mostly
// gains a little more.
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

// Split is the best pair out of the lines to stand in place of line m of a fit, and by how much the
// Bayesian information criterion would fall with it, nothing yet adjusted. One line fitted to
// a pair can end so far from both that no single line beside it would lead to them.
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
				// What two unit vectors explain together: c^H G^-1 c, G their Gram matrix.
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

// Coherent fits the lines of f anew with each undamped line as one wave that goes on through all records. It is
// nil if the records contradict that, or if the turns between them can't be counted.
func (s *Fitter) Coherent(f *Fit) *Fit {
	undamped, amp, ok := s.waves(f)
	if !ok {
		return nil
	}
	g, err := s.Solve(f.Lines, undamped, amp)
	if err != nil || !g.Converged {
		return nil
	}
	// The ratio of the likelihoods; once in 500 times chance alone looks like a contradiction.
	data := 0
	for _, r := range s.recs {
		data += 2 * len(r.Bins)
	}
	k, free := float64(f.unknown-g.unknown), float64(data-f.unknown)
	if most := float64(data) * math.Log1p(k/free*distuv.F{D1: k, D2: free}.Quantile(0.998)); !(g.deviance-f.deviance < most) {
		return nil
	}
	return g
}

// waves estimates the frequencies and amplitudes of coherent waves from a fit whose records have amplitudes of their own.
func (s *Fitter) waves(f *Fit) (undamped []float64, coherent []complex128, ok bool) {
	s.prepare(f.Lines, f.Undamped, nil)
	s.evaluate(s.start, false)
	for j, hz := range f.Undamped {
		// What each record says: an amplitude, and one over its variance. The phase in the record's middle stays if
		// the frequency is moved.
		var amp []complex128
		var weight, at, middle []float64
		total := 0.0
		for i, r := range s.recs {
			c := s.columns(r) - s.nWaves + j
			w := sq(s.at[i].tri[c][c]) / f.NoisePow[i]
			amp, weight, at = append(amp, s.at[i].amp[c]), append(weight, w), append(at, r.At)
			middle = append(middle, r.At+float64(r.N)/(2*s.rate))
			total += w
		}
		span := slices.Max(at) - slices.Min(at)
		p := 2*s.nLines + j
		sd := math.Sqrt(f.Cov.At(p, p))
		if len(at) < 2 || span == 0 || !(sd*span < 40) {
			return nil, nil, false
		}
		mean := func(off float64) complex128 {
			var sum complex128
			for i, a := range amp {
				sum += complex(weight[i], 0) * a * cmplx.Rect(1, -2*math.Pi*(hz*at[i]+off*middle[i]))
			}
			return sum / complex(total, 0)
		}
		likelihood := func(off float64) float64 { return total*sq(mean(off)) - off*off/(2*sd*sd) }
		step := 1 / (16 * span)
		steps := int(math.Ceil(4*sd/step)) + 8
		best := 0
		score := make([]float64, 2*steps+1)
		for k := range score {
			score[k] = likelihood(float64(k-steps) * step)
			if score[k] > score[best] {
				best = k
			}
		}
		for k := 1; k+1 < len(score); k++ {
			if k != best && score[k] >= score[k-1] && score[k] > score[k+1] && score[k] > score[best]-turnsApart {
				return nil, nil, false
			}
		}
		low, high := float64(best-steps-1)*step, float64(best-steps+1)*step
		for range 40 { // the crest between, by thirds
			if third := (high - low) / 3; likelihood(low+third) < likelihood(high-third) {
				low += third
			} else {
				high -= third
			}
		}
		undamped, coherent = append(undamped, hz+low), append(coherent, mean(low))
	}
	return undamped, coherent, len(undamped) > 0
}

// turnsApart is by how much the logarithm of the likelihood must prefer one number of turns to any
// other: much, since it is taken from the amplitudes alone, as if the damped lines were known.
const turnsApart = 12

// Solve fits lines, damped and undamped, from their starting values; with coherent nil the undamped ones have
// amplitudes of their own in each record. It fails as the function Solve does.
func (s *Fitter) Solve(lines []Line, undamped []float64, coherent []complex128) (*Fit, error) {
	s.prepare(lines, undamped, coherent)
	free := 0
	for _, r := range s.recs {
		free += 2 * (len(r.Bins) - s.columns(r))
		if len(r.Bins) <= s.columns(r) {
			return nil, ErrTooShort
		}
	}
	theta := slices.Clone(s.start)
	if free <= len(theta) {
		return nil, ErrTooShort
	}
	fit := &Fit{}
	s.evaluate(theta, true)
	s.reweigh(len(theta))
	cost := s.cost()
	p := len(theta)
	lambda := 1e-3
	trial := make([]float64, p)
	const maxSteps = 30
	for fit.Steps = 0; fit.Steps < maxSteps && p > 0; fit.Steps++ {
		s.normal()
		step, ok := marquardt(s.hess, s.grad, lambda)
		if !ok {
			break
		}
		decrement := 0.0
		for i := range trial {
			trial[i] = theta[i] + step.AtVec(i)
			decrement += step.AtVec(i) * s.grad.AtVec(i)
		}
		if s.outside(trial) {
			lambda = max(lambda, 1e-4) * 8
			if lambda > 1e9 {
				break
			}
			continue
		}
		c := s.evaluate(trial, false)
		small := decrement < s.enough
		if c <= cost {
			copy(theta, trial)
			cost = c
			lambda = max(lambda/8, 1e-12)
			s.slopes(theta)
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

// prepare sets out for a model, and makes room for it and for a line more.
func (s *Fitter) prepare(lines []Line, undamped []float64, coherent []complex128) {
	s.nLines, s.nWaves, s.joint = len(lines), len(undamped), coherent != nil
	s.start = append(packTheta(lines, undamped, coherent), make([]float64, 2*s.nShared)...)
	s.prior = make([]prior, len(s.start))
	for j, k := range s.known[:min(len(s.known), s.nWaves)] {
		s.prior[2*s.nLines+j] = prior{mean: k.Hz, sd: k.SD}
	}
	for p := s.own(); p < len(s.start); p++ {
		s.prior[p].sd = 1 / math.Sqrt2 // half the variance in the real part, half in the imaginary
	}
	p := max(len(s.start), 1)
	s.hess, s.grad = mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	carriers := s.carriers()
	columns := s.fixed() + len(lines) + len(undamped)
	if len(s.at) > 0 && len(s.at[0].slopes) >= carriers-s.nShared && len(s.at[0].basis) > columns {
		for i := range s.at {
			s.at[i].weight = 1
		}
		s.prepareShared()
		return
	}
	s.at, s.anew = make([]stage, len(s.recs)), true
	columns += 2
	for i, r := range s.recs {
		k := len(r.Bins)
		at := &s.at[i]
		*at = stage{weight: 1, basis: grid(columns, k), tri: grid(columns, columns), slopes: grid(carriers-s.nShared+1, k)}
		rows := grid(2, columns)
		at.coef, at.amp = rows[0], rows[1]
		rows = grid(3, k)
		at.left, at.resid, at.wave = rows[0], rows[1], rows[2]
		for j, f := range s.steady {
			s.column(at.basis[j], r, f, 0)
		}
		for d := range s.bg {
			mid := float64(k-1) / 2
			for b := range k {
				x := 1.0
				for range d {
					x *= (float64(b) - mid) / max(mid, 1)
				}
				at.basis[len(s.steady)+d][b] = complex(x, 0)
			}
		}
		copy(at.left, r.Bins)
		at.eliminate(0, s.fixed(), at.left)
		at.part = slices.Clone(at.coef[:s.fixed()])
	}
	s.prepareShared()
}

// prepareShared takes out of the shared columns what does not change from step to step.
func (s *Fitter) prepareShared() {
	if !s.anew {
		return
	}
	s.anew = false
	for i := range s.at {
		at := &s.at[i]
		if s.nShared == 0 || s.recs[i].Silent {
			at.shared = nil
			continue
		}
		if len(at.shared) != s.nShared {
			at.shared, at.fixed = grid(s.nShared, len(at.resid)), grid(s.nShared, s.fixed())
			at.gram, at.along = grid(s.nShared, s.nShared), grid(s.nShared, len(at.basis))
		}
		for j, v := range at.shared {
			copy(v, s.shared[i][j])
			for a, q := range at.basis[:s.fixed()] {
				at.fixed[j][a] = dot(q, v)
				axpy(v, -at.fixed[j][a], q)
			}
			for k := range j + 1 {
				at.gram[k][j] = dot(at.shared[k], v)
			}
		}
	}
}

func grid(rows, cols int) [][]complex128 {
	flat := make([]complex128, rows*cols)
	g := make([][]complex128, rows)
	for i := range g {
		g[i] = flat[i*cols : (i+1)*cols : (i+1)*cols]
	}
	return g
}

func packTheta(lines []Line, undamped []float64, coherent []complex128) []float64 {
	t := make([]float64, 0, 2*len(lines)+3*len(undamped))
	for _, l := range lines {
		t = append(t, l.Hz, l.Alpha)
	}
	t = append(t, undamped...)
	for _, b := range coherent {
		t = append(t, real(b), imag(b))
	}
	return t
}

// carriers counts the vectors of which all derivatives are made.
func (s *Fitter) carriers() int {
	if s.joint {
		return s.nLines + 2*s.nWaves + s.nShared
	}
	return s.nLines + s.nWaves + s.nShared
}

// own counts the parameters of lines and waves; those of shared columns follow.
func (s *Fitter) own() int { return len(s.start) - 2*s.nShared }

// wave is the frequency of an undamped line, and what it has at a record's first sample if it is coherent.
func (s *Fitter) wave(theta []float64, j int, r Record) (hz float64, turn, amp complex128) {
	hz = theta[2*s.nLines+j]
	if s.joint {
		p := 2*s.nLines + s.nWaves + 2*j
		turn = cmplx.Rect(1, 2*math.Pi*hz*r.At)
		amp = complex(theta[p], theta[p+1]) * turn
	}
	return hz, turn, amp
}

// columns counts the linear unknowns of a record.
func (s *Fitter) columns(r Record) int {
	n := s.fixed()
	if !s.joint {
		n += s.nWaves
	}
	if !r.Silent {
		n += s.nLines
	}
	return n
}

// maxWander is how far an undamped line may move from its starting value, Hz.
const maxWander = 0.7

// outside tells whether a trial leaves the region where the model means anything.
func (s *Fitter) outside(theta []float64) bool {
	for m := range s.nLines {
		f, a := theta[2*m], theta[2*m+1]
		if a < -0.05 || a > s.rate || math.Abs(f) > s.rate/2 {
			return true
		}
	}
	for i, f := range theta[2*s.nLines : 2*s.nLines+s.nWaves] {
		// A steady line is known to a fraction of a hertz before; one that wanders
		// off has been taken for something else.
		if math.Abs(f-s.start[2*s.nLines+i]) > maxWander {
			return true
		}
	}
	return false
}

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

// take takes a known wave out of the data from which the first columns were taken before.
func (at *stage) take(wave []complex128, fixed int) {
	for a, q := range at.basis[:fixed] {
		d := dot(q, wave)
		at.coef[a] -= d
		axpy(wave, -d, q)
	}
	axpy(at.resid, -1, wave)
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

// slopes forms P (d column/d(-alpha + 2 pi i f)) amplitude for every line, P the projector
// off the eliminated part. evaluate(theta) must have run before.
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

// byLine are the derivatives of the residual, data minus model, by a line's f and by its alpha, in units of
// its slope (of the latter the signs cancel); byAmp are those by the parts of a coherent amplitude in units of its column.
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

// normal forms the weighted normal equations, Re(J^H J) and -Re(J^H r), with what is known before.
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

// marquardt is the step that the equations suggest, the shorter the greater lambda. Condition numbers, which mat.Cholesky would
// estimate at more than the cost of all else, play no part.
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

// inverse of a positive definite matrix, and the logarithm of its determinant.
func inverse(a mat.Symmetric) (inv *mat.SymDense, logDet float64, ok bool) {
	inv = mat.NewSymDense(a.SymmetricDim(), nil)
	inv.CopySym(a)
	factor, ok := lapack64.Potrf(inv.RawSymmetric())
	if !ok {
		return nil, 0, false
	}
	for i := range factor.N {
		logDet += 2 * math.Log(factor.Data[i*factor.Stride+i])
	}
	_, ok = lapack64.Potri(factor)
	return inv, logDet, ok
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

func (s *Fitter) finish(fit *Fit, theta []float64) {
	p := len(theta)
	for m := range s.nLines {
		fit.Lines = append(fit.Lines, Line{theta[2*m], theta[2*m+1]})
	}
	fit.Undamped = slices.Clone(theta[2*s.nLines : 2*s.nLines+s.nWaves])
	if s.joint {
		fit.Coherent = make([]complex128, s.nWaves)
		for j := range fit.Coherent {
			_, _, fit.Coherent[j] = s.wave(theta, j, Record{})
		}
	}
	fit.Background, fit.Steady = s.bg, s.steady
	fit.Cov = mat.NewSymDense(max(p, 1), nil)
	if p > 0 {
		s.normal()
		if cov, logDet, ok := inverse(s.hess); ok {
			fit.Cov = cov
			fit.Marginal += logDet
		} else {
			for a := range p {
				fit.Cov.SetSym(a, a, math.Inf(1))
			}
			fit.Converged = false
		}
	}
	fit.Given = fit.Cov
	if own := s.own(); s.nShared > 0 && own > 0 {
		if given, _, ok := inverse(s.hess.SliceSym(0, own)); ok {
			fit.Given = given
		}
	}
	data, unknown := 0, p
	for i, r := range s.recs {
		fit.Each = append(fit.Each, s.alone(i, theta, fit.Cov))
		at, from, to := &s.at[i], s.fixed(), s.columns(r)
		lines := from
		if !r.Silent {
			lines += s.nLines
		}
		fit.Amp = append(fit.Amp, slices.Clone(at.amp[from:lines]))
		undam := slices.Clone(at.amp[lines:to])
		for j := range fit.Coherent {
			_, _, amp := s.wave(theta, j, r)
			undam = append(undam, amp)
		}
		fit.Undam = append(fit.Undam, append(undam, at.amp[:len(s.steady)]...))
		fit.Residual = append(fit.Residual, slices.Clone(at.resid))
		fit.NoisePow = append(fit.NoisePow, 2*s.noise(i, p))
		k := 2 * len(r.Bins)
		fit.deviance += float64(k) * math.Log(max(at.rss/float64(k), 1e-300))
		// Of the marginal likelihood: with flat priors the unknowns' own uncertainty counts, too.
		fit.Marginal += float64(k-2*to) * math.Log(max(at.rss/float64(k), 1e-300))
		for a := range to {
			fit.Marginal += 4 * math.Log(max(cmplx.Abs(at.tri[a][a]), 1e-300))
		}
		data += k
		unknown += 2 * to
	}
	for _, k := range s.prior {
		fit.deviance += k.off * k.off
		fit.Marginal += k.off * k.off
	}
	fit.Marginal -= 2 * float64(s.nShared) * math.Ln2
	fit.unknown = unknown
	fit.BIC = fit.deviance + float64(unknown)*math.Log(float64(data))
}

// alone takes record i's own Gauss-Newton step from theta, given the covariance of all. What coherent lines are is
// known from all records, so well as they know it.
func (s *Fitter) alone(i int, theta []float64, all *mat.SymDense) Alone {
	p, q := 2*s.nLines, s.own()
	if s.recs[i].Silent || p == 0 {
		return Alone{}
	}
	hess, grad := mat.NewSymDense(q, nil), mat.NewVecDense(q, nil)
	s.addNormal(i, s.carriers()-s.nShared, hess, grad)
	if !s.joint {
		q = p
	}
	cov, _, ok := inverse(hess.SliceSym(0, p))
	if !ok {
		return Alone{}
	}
	var step mat.VecDense
	step.MulVec(cov, grad.SliceVec(0, p))
	if q > p {
		var moved, share mat.Dense // by the error of the coherent lines
		moved.Mul(cov, mat.DenseCopyOf(hess).Slice(0, p, p, q))
		share.Product(&moved, all.SliceSym(p, q), moved.T())
		for a := range p {
			cov.SetSym(a, a, cov.At(a, a)+share.At(a, a))
		}
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
