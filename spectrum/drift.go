package spectrum

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"ringstock/spectrum/damped"
	"ringstock/spectrum/measure"
)

// Drift, as it is defined, and when it can be measured.
const (
	driftFromS = 0.15 // s after the strike, from which on the pitch is followed
	driftHz    = 12.0 // Hz; half width of the filter through which the phase is followed
	driftSNR   = 10.0 // of power over noise, down to which it is: the phase's sd is then 0.2
	driftTaus  = 0.3  // decay times at least over which it must be followed,
	driftLeast = 0.1  // s, and so long,
	driftFew   = 8    // and at so many points
)

// driftUnit is the drift in cents of a ring that begins 1/s above its pitch at rest.
func driftUnit(hz, tau float64) float64 {
	return -math.Exp(-driftFromS/tau) / (2 * math.Pi * hz) * 1200 / math.Ln2
}

// driftOf measures how the pitch moves while the ring dies: least squares on the
// unwrapped phase, weighted by power, with the terms 1, t and tau (1 - exp(-t/tau)): the
// last is a pitch that glides in proportion to the amplitude, from driftFromS on until it
// comes to rest, at so many Hz.
func (l lateFit) driftOf(tap int) (drift, rest estimate) {
	i := l.record[tap]
	b, rec, f := l.h.bands[tap], l.recs[i], l.fit.Lines[l.main]
	tau := 1 / f.Alpha
	lines, amp := l.others(i)
	first := int(math.Round((b.lead + rec.Lead) * b.rate))
	// The fundamental alone, turned to zero frequency, through a Hann kernel whose
	// main lobe is driftHz to either side.
	alone := make([]complex128, rec.N)
	for n := range alone {
		t := float64(n) / b.rate
		alone[n] = (b.y[first+n] - damped.Sample(lines, amp, b.rate, n)) * cmplx.Rect(1, -2*math.Pi*f.Hz*t)
	}
	kernel := hann(max(int(2*b.rate/driftHz), 3))
	var k1, k2 float64
	for _, k := range kernel {
		k1 += k
		k2 += k * k
	}
	half := len(kernel) / 2
	noise := l.fit.NoisePow[i] / float64(rec.N) * k2 / (k1 * k1)
	a := cmplx.Abs(l.fit.Amp[i][l.main])
	end := rec.Lead + min(tau*math.Log(max(a/math.Sqrt(driftSNR*noise), 1e-9)), float64(rec.N-half)/b.rate)
	from := max(int(math.Ceil((driftFromS-rec.Lead)*b.rate)), half)
	if end < driftFromS+driftTaus*tau || end < driftFromS+driftLeast {
		drift.why = sinksTooSoon
		return drift, drift
	}
	var m [3][3]float64
	var v [3]float64
	last := 0.0
	type point struct {
		x      [3]float64
		phi, w float64
	}
	var pts []point
	for n := from; float64(n)/b.rate+rec.Lead < end; n++ {
		var y complex128
		for j, k := range kernel {
			y += complex(k, 0) * alone[n-half+j]
		}
		t := float64(n)/b.rate + rec.Lead
		phi := cmplx.Phase(y)
		if len(pts) > 0 {
			phi += 2 * math.Pi * math.Round((last-phi)/(2*math.Pi))
		}
		last = phi
		pts = append(pts, point{[3]float64{1, t, tau * (1 - math.Exp(-t/tau))}, phi, math.Exp(-2 * t / tau)})
	}
	if len(pts) < driftFew {
		drift.why = ringTooShort
		return drift, drift
	}
	for _, p := range pts {
		for i := range 3 {
			v[i] += p.w * p.x[i] * p.phi
			for j := range 3 {
				m[i][j] += p.w * p.x[i] * p.x[j]
			}
		}
	}
	inv, ok := invert3(m)
	if !ok {
		drift.why = ringTooShort
		return drift, drift
	}
	var c [3]float64
	for i := range 3 {
		for j := range 3 {
			c[i] += inv[i][j] * v[j]
		}
	}
	chi2 := 0.0
	for _, p := range pts {
		off := p.phi - c[0]*p.x[0] - c[1]*p.x[1] - c[2]*p.x[2]
		chi2 += p.w * off * off
	}
	// The phase noise of one filtered sample is noise/(2 |y|^2); neighbours within the
	// kernel's length share it, so each independent one is there k1^2/k2 times. A phase
	// that leaves the curve by more than that, such as one that follows what is left of a
	// hum line, tells less (Birge's ratio).
	noise /= 2 * a * a * math.Exp(2*rec.Lead/tau)
	same := k1 * k1 / k2
	// That is the room's mark, or a law of its own, which other taps have, too.
	more := chi2/noise/max(float64(len(pts))-3*same, 1) - 1
	of := func(i int, unit float64) estimate {
		variance := sqr(unit) * inv[i][i] * noise * same
		return estimate{x: c[i] * unit, sd: math.Sqrt(variance), commonVar: variance * more}
	}
	drift, rest = of(2, driftUnit(f.Hz+l.h.centre(), tau)), of(1, 1/(2*math.Pi))
	rest.x += f.Hz + l.h.centre()
	return drift, rest
}

// invert3 inverts a symmetric positive matrix, of any scale; ok is false where
// rounding leaves nothing of its determinant, which is at most the product of the
// diagonal (Hadamard).
func invert3(m [3][3]float64) (inv [3][3]float64, ok bool) {
	det := 0.0
	for i := range 3 {
		for j := range 3 {
			a, b, c, d := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
			inv[j][i] = m[a][c]*m[b][d] - m[a][d]*m[b][c]
		}
	}
	for i := range 3 {
		det += m[0][i] * inv[i][0]
	}
	if !(det > 1e-12*m[0][0]*m[1][1]*m[2][2]) {
		return inv, false
	}
	for i := range 3 {
		for j := range 3 {
			inv[i][j] /= det
		}
	}
	return inv, true
}

const (
	// glideOdds is how likely it is, before anything is heard, that a ring glides: fewer leave
	// the note of one that does too sure of itself, more make all others too wide.
	glideOdds = 0.09
	glideSure = 0.95 // so likely a glide must be before the pitch follows it
	glideLaw  = 0.2  // relative u of how far: taken for proportional to the ring's strength, it is a third less if it goes as the square
)

// glideCents is by about how much a ring glides if it does: each as likely as the others.
var glideCents = []float64{0.1, 0.3, 1, 3}

// atRest takes a pitch that glides, and of which the fit sees some mean, to where it
// comes to rest: there it is the bar's own, of small vibrations. A glide that may be none
// only adds to the uncertainty, such that two of it hold what they should: a standard
// deviation would make it far too wide for all the rings that do not glide.
func atRest(hz measure.Value, drift, rest estimate) measure.Value {
	v := sqr(drift.u())
	if !drift.known() || !(v > 0) {
		return hz
	}
	pitch := mixture{{math.Log(1 - glideOdds), 0, hz.U}}
	for _, cents := range glideCents {
		most := sqr(cents) + v
		known := sqr(cents) / most
		by := known * (rest.x - hz.X)
		pitch = append(pitch, normal{math.Log(glideOdds/float64(len(glideCents))*math.Sqrt(v/most)) + known*sqr(drift.x)/(2*v),
			by, math.Sqrt(sqr(hz.U) + known*sqr(rest.u()) + sqr(glideLaw*by))})
	}
	if pitch.weights()[0] < 1-glideSure {
		by := pitch[1:].mean()
		hz.X += by
		pitch = pitch.about(by)
	}
	out := measure.Of(hz.X, pitch.standard())
	out.Budget = append(slices.Clone(hz.Budget), measure.Part{Name: ByGlide, U: math.Sqrt(max(sqr(out.U)-sqr(hz.U), 0))})
	slices.SortStableFunc(out.Budget, func(a, b measure.Part) int { return cmp.Compare(b.U, a.U) })
	return out
}
