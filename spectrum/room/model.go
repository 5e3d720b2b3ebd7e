// Package room tells a ring from what a room makes of it.
//
// A ring a exp(s t), s = -alpha + 2 pi i f, in a room is heard as
//
//	z(t) = a exp(s t) + y(t) + sum_m c_m exp(s_m t) + noise,   y' = s y + g(t), y(0) = 0,
//
// where g is the room's answer to a click near f. Of a diffuse room it is complex Gaussian noise that dies as exp(-beta t)
// (Polack's model of a diffuse room, from memory); single modes of the room, which ring on alone, are lines with decays of their own.
// The likelihood is exact: y is a Markov process, and Kalman's filter gives the innovations of data and lines alike
// (R. E. Kalman, J. Basic Eng. 82 (1960) 35, from memory). Amplitudes are eliminated with a flat prior.
package room

import (
	"math"
	"math/cmplx"
	"slices"
)

// Sound is the neighbourhood of a ring as a complex signal, the taps of one place taken together.
type Sound struct {
	Y     []complex128
	Noise []float64 // variance of each sample's noise
	Rate  float64   // samples per second
	FromS float64   // of the first sample after the strike
}

// Line is a decaying line, Hz relative to the centre of the band and 1/s.
type Line struct{ Hz, Alpha float64 }

// state is a point in the space of models.
type state struct {
	ring    Line
	power   float64 // of g at the strike, 1/s
	beta    float64 // 1/s, of its amplitude
	noise   float64 // factor of the noise's variance
	lines   []Line
	endless []float64 // Hz, steady lines
}

func (s state) clone() state {
	s.lines = slices.Clone(s.lines)
	return s
}

// scored is what a model says of the sound.
type scored struct {
	logL  float64      // of the likelihood, amplitudes eliminated
	amp   []complex128 // at the strike: of the ring, the lines, the steady lines
	resid []complex128 // innovations, scaled to variance 1
	vari  []float64    // their variances
	det   float64      // log det of the amplitudes' Fisher matrix
}

// filter is the room for one likelihood after the other.
type filter struct {
	s     Sound
	n     int
	cols  int
	innov []complex128 // n x cols+1
	vari  []float64
	gram  []complex128
}

func newFilter(s Sound) *filter { return &filter{s: s, n: len(s.Y), vari: make([]float64, len(s.Y))} }

// run computes the likelihood of a model.
func (f *filter) run(m state, keep bool) (out scored) {
	dt := 1 / f.s.Rate
	cols := 1 + len(m.lines) + len(m.endless)
	f.cols = cols
	w := cols + 1 // the last column is the data
	if len(f.innov) < f.n*w {
		f.innov = make([]complex128, f.n*w)
	}
	phi := cmplx.Exp(complex(-m.ring.Alpha*dt, 2*math.Pi*m.ring.Hz*dt))
	decay := math.Exp(-2 * m.ring.Alpha * dt)
	// Growth of the state's variance within a step, for g of power 1 at its beginning.
	grow := growth(m.ring.Alpha, m.beta, dt)
	g := m.power * math.Exp(-2*m.beta*f.s.FromS)
	fade := math.Exp(-2 * m.beta * dt)
	p := m.power * growth(m.ring.Alpha, m.beta, f.s.FromS)
	reg := make([]complex128, cols)
	step := make([]complex128, cols)
	set := func(j int, l Line) {
		reg[j] = cmplx.Exp(complex(-l.Alpha*f.s.FromS, 2*math.Pi*l.Hz*f.s.FromS))
		step[j] = cmplx.Exp(complex(-l.Alpha*dt, 2*math.Pi*l.Hz*dt))
	}
	set(0, m.ring)
	for j, l := range m.lines {
		set(1+j, l)
	}
	for j, hz := range m.endless {
		set(1+len(m.lines)+j, Line{Hz: hz})
	}
	mean := make([]complex128, w)
	for k := range f.n {
		v := p + m.noise*f.s.Noise[k]
		f.vari[k] = v
		gain := p / v
		row := f.innov[k*w : k*w+w]
		for j := range cols {
			e := reg[j] - mean[j]
			row[j] = e
			mean[j] = phi * (mean[j] + complex(gain*real(e), gain*imag(e)))
			reg[j] *= step[j]
		}
		e := f.s.Y[k] - mean[cols]
		row[cols] = e
		mean[cols] = phi * (mean[cols] + complex(gain*real(e), gain*imag(e)))
		p = decay*p*(1-p/v) + g*grow
		g *= fade
	}
	return f.solve(cols, keep)
}

// growth is the variance that y gathers in a time t from g of power 1: the integral of exp(-2 alpha (t-u) - 2 beta u).
func growth(alpha, beta, t float64) float64 {
	d := 2 * (alpha - beta) * t
	if math.Abs(d) < 1e-6 {
		return t * math.Exp(-2*beta*t)
	}
	return math.Exp(-2*beta*t) * -math.Expm1(-d) / (d / t)
}

// solve eliminates the amplitudes.
func (f *filter) solve(cols int, keep bool) (out scored) {
	w := cols + 1
	if len(f.gram) < w*w {
		f.gram = make([]complex128, w*w)
	}
	gram := f.gram[:w*w]
	clear(gram)
	logV, product := 0.0, 1.0 // a logarithm now and then, not one of each variance
	for k := range f.n {
		row := f.innov[k*w : k*w+w]
		inv := 1 / f.vari[k]
		if product *= f.vari[k]; product < 1e-100 || product > 1e100 {
			logV, product = logV+math.Log(product), 1
		}
		for i := range w {
			c := complex(real(row[i])*inv, -imag(row[i])*inv)
			for j := i; j < w; j++ {
				gram[i*w+j] += c * row[j]
			}
		}
	}
	logV += math.Log(product)
	// Cholesky of the bordered matrix: its last pivot is what is left of the data.
	for i := range w {
		for k := range i {
			c := cmplx.Conj(gram[k*w+i])
			for j := i; j < w; j++ {
				gram[i*w+j] -= c * gram[k*w+j]
			}
		}
		d := real(gram[i*w+i])
		if i == cols {
			out.logL = -d - logV - out.det
			break
		}
		if !(d > 1e-300) {
			out.logL = math.Inf(-1)
			return out
		}
		out.det += math.Log(d)
		s := complex(1/math.Sqrt(d), 0)
		for j := i; j < w; j++ {
			gram[i*w+j] *= s
		}
	}
	if !keep {
		return out
	}
	amp := make([]complex128, cols)
	for i := cols - 1; i >= 0; i-- {
		v := gram[i*w+cols]
		for j := i + 1; j < cols; j++ {
			v -= gram[i*w+j] * amp[j]
		}
		amp[i] = v / gram[i*w+i]
	}
	out.amp = amp
	out.resid = make([]complex128, f.n)
	out.vari = slices.Clone(f.vari)
	for k := range f.n {
		row := f.innov[k*w : k*w+w]
		e := row[cols]
		for j := range cols {
			e -= amp[j] * row[j]
		}
		scale := 1 / math.Sqrt(f.vari[k])
		out.resid[k] = complex(real(e)*scale, imag(e)*scale)
	}
	return out
}
