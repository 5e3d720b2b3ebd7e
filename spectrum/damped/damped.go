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
// Several records (the taps of one blank) share f, alpha and g; each has its own a, and
// its own b too unless the undamped lines are coherent: then b_h exp(2 pi i g_h T), T the
// record's start, is that of all of them.
//
// Source of the method: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, with
// the simplification of the Jacobian by Kaufman, BIT 15 (1975) 49 (from memory;
// not found to read).
package damped

import (
	"errors"
	"math"

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

// Fit is the result. Theta orders its parameters Hz, Alpha of each line, then each
// undamped Hz, then real and imaginary part of each coherent amplitude.
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

// Solve fits the model. It fails only if there is less data than unknowns; a fit
// that did not settle is returned with Converged false.
func Solve(recs []Record, rate float64, start Model) (*Fit, error) {
	return NewFitter(recs, rate, start.Steady, start.Background).Solve(start.Lines, start.Undamped, start.Coherent)
}
