// Package room tells a ring from what a room makes of it.
//
// A ring a exp(s t), s = -alpha + 2 pi i f, in a room is heard as
//
//	z(t) = a exp(s t) + y(t) + sum_m c_m exp(s_m t) + noise,   y' = s y + g(t), y(0) = 0,
//
// where g is the room's answer to a click near f. Of a diffuse room it is complex
// Gaussian noise that dies as exp(-beta t) (Polack's model of a diffuse room, from
// memory); single modes of the room, which ring on alone, are lines with decays of their
// own. The likelihood is exact: y is a Markov process, and Kalman's filter gives the
// innovations of data and lines alike (R. E. Kalman, J. Basic Eng. 82 (1960) 35, from
// memory). Amplitudes are eliminated with a flat prior.
package room

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Sound is the neighbourhood of a ring as a complex signal, the taps of one
// place taken together.
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
	ring  Line
	power float64 // of g at the strike, 1/s
	beta  float64 // 1/s, of its amplitude
	noise float64 // factor of the noise's variance
	lines []Line
	given []Line // whose frequency and decay are known
}

func (s state) clone() state {
	s.lines = slices.Clone(s.lines)
	return s
}

// scored is what a model says of the sound.
type scored struct {
	logL  float64      // of the likelihood, amplitudes eliminated
	amp   []complex128 // at the strike: of the ring, the lines, the given ones
	resid []float64    // innovations, scaled to variance 1: real parts, then imaginary ones
	sd    []float64    // their standard deviations before that,
	inv   []float64    // and one over them
	ok    bool         // whether the amplitudes could be found
}

// filter is the room for one likelihood after the other. What a model has in common with
// the one before is kept: a slope asks for one change at a time.
type filter struct {
	s     Sound
	n     int
	own   int // lines that are no mode of the room
	gains gains
	turns []complex128 // by which the sound is turned, so that the ring stands still
	at    float64      // Hz, the ring for which they are
	cols  []column     // of the ring, the lines, the given ones; the sound
	modes [2]int       // the first column of a mode of the room, and the one after the last
	power float64      // mean of a mode's squared amplitude, infinite if nothing is known of it
	gram  []complex128 // upper triangle: inner products of the columns
	chol  []complex128
}

// gains are how the filter goes on from sample to sample.
type gains struct {
	alpha, power, beta, noise float64   // of the model that they belong to
	hold, take                []float64 // parts of the mean and of the sample in the next mean
	sd, inv                   []float64 // of the innovations
	logV                      float64   // sum of the logarithms of their variances
}

// column is one line of amplitude 1, or the sound, in the ring's frame; real parts first,
// then imaginary ones.
type column struct {
	line  Line // Hz relative to the ring
	raw   []float64
	innov []float64 // scaled to variance 1
}

func newFilter(s Sound) *filter {
	return &filter{s: s, n: len(s.Y), at: math.NaN(), power: math.Inf(1), turns: make([]complex128, len(s.Y))}
}

// likelihood is that of a model, its logarithm, amplitudes eliminated.
func (f *filter) likelihood(m state) float64 {
	f.run(m)
	logL, _ := f.solve()
	return logL
}

// score does the same and tells what the model says of the sound, in the room that out
// has.
func (f *filter) score(m state, out *scored) {
	f.run(m)
	if out.logL, out.ok = f.solve(); out.ok {
		f.explain(out)
	}
}

// run lets the sound and all lines of a model through its filter.
func (f *filter) run(m state) {
	w := 2 + len(m.lines) + len(m.given)
	f.modes = [2]int{1 + min(f.own, len(m.lines)), 1 + len(m.lines)}
	anew := len(f.cols) != w
	if anew {
		f.cols, f.gram, f.chol = make([]column, w), make([]complex128, w*w), make([]complex128, w*w)
		for i := range f.cols {
			f.cols[i] = column{line: Line{Hz: math.NaN()}, raw: make([]float64, 2*f.n), innov: make([]float64, 2*f.n)}
		}
	}
	if f.gains.alpha != m.ring.Alpha || f.gains.power != m.power || f.gains.beta != m.beta || f.gains.noise != m.noise {
		f.gains.set(f.s, m)
		anew = true
	}
	turned := anew && f.cols[w-1].line.Hz != 0
	if f.at != m.ring.Hz {
		f.turn(m.ring.Hz)
		turned = true
	}
	changed := make([]bool, w)
	for j := range w {
		c := &f.cols[j]
		if j == w-1 {
			if turned {
				f.sound(c)
			}
			changed[j] = anew || turned
		} else if l := m.column(j); c.line != l {
			f.s.line(c, l)
			changed[j] = true
		}
		if changed[j] = changed[j] || anew; changed[j] {
			f.gains.filter(c)
		}
	}
	for i := range w {
		for j := i; j < w; j++ {
			if changed[i] || changed[j] {
				f.gram[i*w+j] = inner(f.cols[i].innov, f.cols[j].innov, i == 0, i == j)
			}
		}
	}
}

// column is line j of the model: the ring, then the lines, then the given ones.
func (m state) column(j int) (l Line) {
	switch {
	case j == 0:
		l = m.ring
	case j <= len(m.lines):
		l = m.lines[j-1]
	default:
		l = m.given[j-1-len(m.lines)]
	}
	return Line{l.Hz - m.ring.Hz, l.Alpha}
}

// set computes how the filter goes on, from the model's power, decay and noise.
func (g *gains) set(s Sound, m state) {
	n, dt := len(s.Y), 1/s.Rate
	g.alpha, g.power, g.beta, g.noise, g.logV = m.ring.Alpha, m.power, m.beta, m.noise, 0
	for _, row := range []*[]float64{&g.hold, &g.take, &g.sd, &g.inv} {
		*row = slices.Grow((*row)[:0], n)[:n]
	}
	fall := math.Exp(-m.ring.Alpha * dt)
	// Growth of the state's variance within a step, for an answer of power 1 at its
	// beginning.
	grow := growth(m.ring.Alpha, m.beta, dt)
	fresh := m.power * math.Exp(-2*m.beta*s.FromS) * grow
	fade := math.Exp(-2 * m.beta * dt)
	p := m.power * growth(m.ring.Alpha, m.beta, s.FromS)
	product := 1.0 // a logarithm now and then, not one of each variance
	for k, noise := range s.Noise {
		noise *= m.noise
		v := p + noise
		sd := math.Sqrt(v)
		per := fall / v
		g.hold[k], g.take[k], g.sd[k], g.inv[k] = per*noise, per*p, sd, 1/sd
		if product *= v; product < 1e-100 || product > 1e100 {
			g.logV, product = g.logV+math.Log(product), 1
		}
		p = fall*p*per*noise + fresh
		fresh *= fade
	}
	g.logV += math.Log(product)
}

// turn makes the ring of so many Hz stand still.
func (f *filter) turn(hz float64) {
	f.at = hz
	turn, step := cmplx.Rect(1, -2*math.Pi*hz*f.s.FromS), cmplx.Rect(1, -2*math.Pi*hz/f.s.Rate)
	for k := range f.turns {
		f.turns[k] = turn
		turn *= step
	}
}

// sound makes the column of the sound.
func (f *filter) sound(c *column) {
	c.line.Hz = 0
	re, im := c.raw[:f.n], c.raw[f.n:]
	for k, y := range f.s.Y {
		y *= f.turns[k]
		re[k], im[k] = real(y), imag(y)
	}
}

// line makes the column of a line.
func (s Sound) line(c *column, l Line) {
	c.line = l
	dt := 1 / s.Rate
	z := cmplx.Exp(complex(-l.Alpha*s.FromS, 2*math.Pi*l.Hz*s.FromS))
	step := cmplx.Exp(complex(-l.Alpha*dt, 2*math.Pi*l.Hz*dt))
	re, im := c.raw[:len(s.Y)], c.raw[len(s.Y):]
	for k := range re {
		re[k], im[k] = real(z), imag(z)
		z *= step
	}
}

// filter computes a column's innovations.
func (g *gains) filter(c *column) {
	n := len(g.hold)
	hold, take, inv := g.hold[:n], g.take[:n], g.inv[:n]
	re, im, outRe, outIm := c.raw[:n], c.raw[n:2*n], c.innov[:n], c.innov[n:2*n]
	a, b := 0.0, 0.0 // the mean
	for k, x := range re {
		y := im[k]
		outRe[k], outIm[k] = (x-a)*inv[k], (y-b)*inv[k]
		a, b = hold[k]*a+take[k]*x, hold[k]*b+take[k]*y
	}
}

// inner is the inner product of two columns, of which the first may be known to be
// real, or both the same.
func inner(x, y []float64, isReal, same bool) complex128 {
	n := len(x) / 2
	switch {
	case isReal && same:
		return complex(floats.Dot(x[:n], y[:n]), 0)
	case isReal:
		return complex(floats.Dot(x[:n], y[:n]), floats.Dot(x[:n], y[n:]))
	case same:
		return complex(floats.Dot(x, y), 0)
	}
	return complex(floats.Dot(x, y), floats.Dot(x[:n], y[n:])-floats.Dot(x[n:], y[:n]))
}

// growth is the variance that y gathers in a time t from g of power 1: the integral of
// exp(-2 alpha (t-u) - 2 beta u).
func growth(alpha, beta, t float64) float64 {
	d := 2 * (alpha - beta) * t
	if math.Abs(d) < 1e-6 {
		return t * math.Exp(-2*beta*t)
	}
	return math.Exp(-2*beta*t) * -math.Expm1(-d) / (d / t)
}

// solve eliminates the amplitudes: of the room's modes, which are about as loud as such
// modes are, and of all else, of which nothing is known. Were nothing known of the modes
// either, one that lies on the ring would seem the likelier the less it differs from it.
// Cholesky of the bordered matrix, whose last pivot is what is left of the sound.
func (f *filter) solve() (logL float64, ok bool) {
	w := len(f.cols)
	cols := w - 1
	gram := f.chol
	copy(gram, f.gram)
	for i := f.modes[0]; i < f.modes[1]; i++ {
		gram[i*w+i] += complex(1/f.power, 0)
	}
	det := 0.0
	for i := range w {
		for k := range i {
			c := cmplx.Conj(gram[k*w+i])
			for j := i; j < w; j++ {
				gram[i*w+j] -= c * gram[k*w+j]
			}
		}
		d := real(gram[i*w+i])
		if i == cols {
			return -d - f.gains.logV - det, true
		}
		if !(d > 1e-300) {
			break
		}
		det += math.Log(d)
		s := 1 / math.Sqrt(d)
		for j := i; j < w; j++ {
			z := gram[i*w+j]
			gram[i*w+j] = complex(real(z)*s, imag(z)*s)
		}
	}
	return math.Inf(-1), false
}

// explain adds the amplitudes, and what they leave of the sound.
func (f *filter) explain(out *scored) {
	w, n := len(f.cols), f.n
	cols := w - 1
	out.sd, out.inv = append(out.sd[:0], f.gains.sd...), append(out.inv[:0], f.gains.inv...)
	out.amp, out.resid = slices.Grow(out.amp[:0], cols)[:cols], append(out.resid[:0], f.cols[cols].innov...)
	re, im := out.resid[:n], out.resid[n:]
	for i := cols - 1; i >= 0; i-- {
		v := f.chol[i*w+cols]
		for j := i + 1; j < cols; j++ {
			v -= f.chol[i*w+j] * out.amp[j]
		}
		a := v / f.chol[i*w+i]
		out.amp[i] = a
		x, y := f.cols[i].innov[:n], f.cols[i].innov[n:]
		floats.AddScaled(out.resid, -real(a), f.cols[i].innov)
		floats.AddScaled(re, imag(a), y)
		floats.AddScaled(im, -imag(a), x)
	}
	for k, turn := range f.turns {
		z := complex(re[k], im[k]) * cmplx.Conj(turn)
		re[k], im[k] = real(z), imag(z)
	}
}
