package spectrum

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"strconv"

	"ringstock/capture"
	"ringstock/capture/dsp"
	"ringstock/spectrum/damped"
	"ringstock/spectrum/measure"
)

const (
	slowQ      = 25.0 // what dies faster is thud and room
	evenFromS  = 0.1
	evenHz     = 12.0
	driftFromS = 0.15
	strayDecay = 0.2  // relative sd of a foreign note's decay (calibrated on synthetic rooms: notes have 0.1, echoes more)
	strayShare = 0.01 // of the ring's energy: a foreign note below is not worth a name
)

// measure takes from the sound what the components alone don't tell.
func (a *analysis) measure(r *reading) {
	f := &r.parts[r.fundamental].component
	centre := f.hz
	if r.inferred != nil {
		centre = r.inferred.hz
	}
	r.noise = a.view.noise.mean(centre/math.Sqrt2, centre*math.Sqrt2) * centre * (math.Sqrt2 - 1/math.Sqrt2)
	for i, one := range r.each {
		one.noise = r.noise
		one.loud = a.loudness(a.taps[i])
	}
	r.loud = pool(r.each, func(o *reading) share { return o.loud })
	if r.inferred != nil {
		why := share{why: "the fundamental is too weak to be measured"}
		r.uneven, r.drift = why, why
		for _, one := range r.each {
			one.uneven, one.drift = why, why
		}
		return
	}
	late, ok := r.near.lateFit(r)
	for i, one := range r.each {
		if !ok || late.record[i] < 0 {
			short := share{why: "the ring is too short"}
			one.uneven, one.drift, one.rest, one.early = short, short, short, short
			continue
		}
		one.uneven = late.unevenness(i)
		one.drift, one.rest = late.driftOf(i)
		one.early = late.early(i, one.uneven)
	}
	r.early = pool(r.each, func(o *reading) share { return o.early })
	room, answer := r.early.room()
	for _, one := range r.each {
		one.early = r.early // it is the same room
		one.uneven.alike += room * sqr(100*roomUneven*answer)
		one.drift.alike += room * answer * sqr(roomDrift*driftUnit(f.hz, f.tau())/f.tau())
		one.rest.alike += room * answer * sqr(roomRest/(2*math.Pi*f.tau()))
	}
	r.uneven = pool(r.each, func(o *reading) share { return o.uneven })
	r.drift = pool(r.each, func(o *reading) share { return o.drift })
	r.rest = pool(r.each, func(o *reading) share { return o.rest })
	// A companion is taken away from the fundamental; of a strong one that the filter lets pass too much may be left.
	if p, paired := r.pair(); paired && math.Abs(p.hz-f.hz) < driftHz/2 && p.energy(nil) > 0.01*f.energy(nil) {
		why := share{why: "two close lines beat in the fundamental"}
		r.drift = why
		for _, one := range r.each {
			one.drift = why
		}
	}
}

// pool is the median over taps; its sd comes from their scatter, or from a lone tap's own. What all taps have alike does
// not become less.
func pool(each []*reading, get func(*reading) share) share {
	var xs, sds []float64
	alike := 0.0
	why := "no tap gave it"
	for _, one := range each {
		s := get(one)
		if s.why != "" {
			why = s.why
			continue
		}
		xs = append(xs, s.x)
		sds = append(sds, s.sd)
		alike += s.alike
	}
	if len(xs) == 0 {
		return share{why: why}
	}
	m := median(xs)
	n := math.Sqrt(float64(len(xs)))
	return share{x: m, sd: max(scatter(xs, m), median(sds)) / n, alike: alike / float64(len(xs))}
}

// scatter is a robust sd: 1.4826 times the median distance from m, for few values the plain one.
func scatter(xs []float64, m float64) float64 {
	if len(xs) < 2 {
		return 0
	}
	sum := 0.0
	d := make([]float64, len(xs))
	for i, x := range xs {
		d[i] = math.Abs(x - m)
		sum += d[i] * d[i]
	}
	if len(xs) < 5 {
		return math.Sqrt(sum / float64(len(xs)-1))
	}
	return 1.4826 * median(d)
}

// loudness is the energy from 30 to 130 ms over that of the first 20 ms after the strike, 80-1000 Hz.
func (a *analysis) loudness(t capture.Tap) share {
	rate := a.take.Rate
	hop := max(int(0.001*rate), 1)
	from := max(t.Onset-int(0.05*rate), 0)
	to := min(t.Onset+int(0.131*rate), len(a.take.Samples))
	lead := (t.Onset - from) / hop
	e := dsp.BandEnergy(a.take.Samples[from:to], rate, [2]float64{80, 1000}, hop)
	if len(e) < lead+130 {
		return share{why: "the ring is shorter than 130 ms"}
	}
	sum := func(x []float64) float64 {
		s := 0.0
		for _, v := range x {
			s += v
		}
		return s
	}
	early, late := sum(e[lead:lead+20]), sum(e[lead+30:lead+130])
	if early <= 0 || late <= 0 {
		return share{why: "no energy between 80 and 1000 Hz"}
	}
	// 1.4 dB: how much it scatters from tap to tap of one blank (own simulation).
	return share{x: 10 * math.Log10(late/early), sd: 1.4}
}

// lateFit is the fundamental's neighbourhood from 100 ms after the strike on, all lines in it
// fitted, so that hum and neighbours can be taken away from the fundamental.
type lateFit struct {
	h      neighbourhood
	recs   []damped.Record
	record []int // per tap: its record, or -1
	fit    *damped.Fit
	main   int // index of the fundamental's line
}

func (h neighbourhood) lateFit(r *reading) (late lateFit, ok bool) {
	lines, main := h.known(r.parts, r.fundamental)
	recs, which := h.records(evenFromS, h.until)
	fit, err := h.fitter(recs).Solve(lines, h.hum, nil)
	if (err != nil || !h.sensible(fit, recs)) && len(lines) > 1 { // of what sounded beside it nothing is left by then
		lines, main = lines[main:main+1], 0
		fit, err = h.fitter(recs).Solve(lines, h.hum, nil)
	}
	if err != nil || !h.sensible(fit, recs) {
		return late, false
	}
	late.h, late.main, late.recs, late.fit = h, main, recs, fit
	late.record = slices.Repeat([]int{-1}, h.taps)
	for i, t := range which {
		if t >= 0 {
			late.record[t] = i
		}
	}
	return late, true
}

// others are the lines of a record within the bins that are not the fundamental, hum included. What the fit makes of
// lines beyond the bins is true of their skirts in the bins only.
func (l lateFit) others(rec int) (lines []damped.Line, amp []complex128) {
	for m, line := range l.fit.Lines {
		if m != l.main {
			lines, amp = append(lines, line), append(amp, l.fit.Amp[rec][m])
		}
	}
	for m, hz := range l.fit.Undamped {
		lines, amp = append(lines, damped.Line{Hz: hz}), append(amp, l.fit.Undam[rec][m])
	}
	return lines, amp
}

// hum lists the steady lines of the fit.
func (l lateFit) hum() (lines []damped.Line) {
	for _, hz := range append(slices.Clone(l.fit.Undamped), l.fit.Steady...) {
		lines = append(lines, damped.Line{Hz: hz})
	}
	return lines
}

// unevenness is the energy within evenHz of the fundamental that a single exponential leaves over,
// as a share of the ring's energy there, noise taken off. Hum is part of the model; a
// close companion is not: it is what makes a ring uneven.
func (l lateFit) unevenness(tap int) share {
	i := l.record[tap]
	return l.unevennessOf(l.recs[i], l.fit.NoisePow[i])
}

// unevennessOf is the same for any record of the ring, given its noise per bin.
func (l lateFit) unevennessOf(rec damped.Record, noise float64) share {
	perBin := l.h.rate() / float64(rec.N)
	f := l.fit.Lines[l.main]
	half, mid := int(evenHz/perBin), int(math.Round(f.Hz/perBin))
	from, to := mid-half-rec.First, mid+half+1-rec.First
	if from < 0 || to > len(rec.Bins) {
		return share{why: "the band is too narrow"}
	}
	near := damped.Record{First: mid - half, N: rec.N, Bins: rec.Bins[from:to]}
	m := damped.Model{Lines: []damped.Line{f}}
	for _, hum := range l.hum() {
		m.Steady = append(m.Steady, hum.Hz)
	}
	single, err := damped.Solve([]damped.Record{near}, l.h.rate(), m)
	if err != nil {
		return share{why: "the ring is too short"}
	}
	line := damped.Transform(single.Lines, single.Amp[0], l.h.rate(), near.N, near.First, len(near.Bins))
	left, ring := 0.0, 0.0
	for k := range near.Bins {
		left += sq(single.Residual[0][k])
		ring += sq(line[k])
	}
	bins := float64(len(near.Bins))
	left -= noise * (bins - 2 - float64(len(m.Steady))) // amplitudes and two real parameters are used up
	if ring <= 3*noise*math.Sqrt(bins) {
		return share{why: "the fundamental is too weak from 100 ms on"}
	}
	ring += left
	// What is left is the sum of something and noise, and so is its square.
	return share{x: 100 * min(max(left/ring, 0), 1), sd: 100 * math.Sqrt(sqr(noise)*bins+2*noise*max(left, 0)) / ring}
}

// early is by how much a tap's ring is less even from its beginning on than it is later: what the room answers fades, what
// is the wood's stays.
func (l lateFit) early(tap int, later share) share {
	rec, ok := l.h.bands[tap].record(l.h.p, l.h.skip(), l.h.until, l.h.reach)
	if !ok || later.why != "" {
		return share{why: "the ring is too short"}
	}
	i := l.record[tap]
	s := l.unevennessOf(rec, l.fit.NoisePow[i]*float64(rec.N)/float64(l.recs[i].N))
	s.x -= later.x
	return s
}

// How much less even rooms make a ring early, %: each value is as likely as the others (calibrated, as what follows from it, on
// synthetic rooms of RT60 0.2-0.5 s).
var roomEarly = []float64{0.03, 0.07, 0.13, 0.22, 0.35, 0.55, 0.9, 1.5, 3.5}

const (
	roomColour = 0.65 // relative u of one note's energy beside another's in any room: 3 dB; squared it grows
	roomLouder = 40   // by so many times the share that is heard of the room
	roomUneven = 0.4  // u of the unevenness over that share
	roomDrift  = 1.0  // u of a glide's phase over the square root of that share
	roomRest   = 0.5  // u of the phase that the ring gathers in tau, likewise
)

// room tells how likely there is a room, even odds before anything is heard, and which share of the ring is its answer.
func (s share) room() (likely, answer float64) {
	if s.why != "" {
		return 1, median(slices.Clone(roomEarly)) / 100
	}
	odds := 0.0
	for _, x := range roomEarly {
		odds += math.Exp(x*(2*s.x-x)/(2*sqr(s.sd))) / float64(len(roomEarly))
	}
	return 1 / (1 + 1/odds), max(s.x, 0) / 100
}

// colour is the relative uncertainty of the energy of one note beside another's that is the room's.
func (s share) colour() float64 {
	likely, answer := s.room()
	return math.Sqrt(likely * (sqr(roomColour) + roomLouder*answer))
}

func sq(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// driftHz is the half width of the filter through which the phase is followed.
const driftHz = 12.0

// driftUnit is the drift in cents of a ring that begins 1/s above its pitch at rest.
func driftUnit(hz, tau float64) float64 {
	return -math.Exp(-driftFromS/tau) / (2 * math.Pi * hz) * 1200 / math.Ln2
}

// driftOf measures how the pitch moves while the ring dies: least squares on the unwrapped phase,
// weighted by power, with the terms 1, t and tau (1 - exp(-t/tau)): the last is a
// pitch that glides in proportion to the amplitude, from driftFromS on until it comes to rest, at so many Hz.
func (l lateFit) driftOf(tap int) (drift, rest share) {
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
	end := rec.Lead + min(tau*math.Log(max(a/math.Sqrt(10*noise), 1e-9)), float64(rec.N-half)/b.rate)
	from := max(int(math.Ceil((driftFromS-rec.Lead)*b.rate)), half)
	if end < driftFromS+0.3*tau || end < driftFromS+0.1 {
		drift.why = "the fundamental sinks into the noise too soon"
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
	if len(pts) < 8 {
		drift.why = "the ring is too short"
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
		drift.why = "the ring is too short"
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
	// The phase noise of one filtered sample is noise/(2 |y|^2); neighbours within the kernel's
	// length share it, so each independent one is there k1^2/k2 times. A phase that leaves the curve by more
	// than that, such as one that follows what is left of a hum line, tells less (Birge's ratio).
	noise /= 2 * a * a * math.Exp(2*rec.Lead/tau)
	same := k1 * k1 / k2
	// That is the room's mark, or a law of its own, which other taps have, too.
	more := chi2/noise/max(float64(len(pts))-3*same, 1) - 1
	of := func(i int, unit float64) share {
		variance := sqr(unit) * inv[i][i] * noise * same
		return share{x: c[i] * unit, sd: math.Sqrt(variance), alike: variance * more}
	}
	drift, rest = of(2, driftUnit(f.Hz+l.h.centre(), tau)), of(1, 1/(2*math.Pi))
	rest.x += f.Hz + l.h.centre()
	return drift, rest
}

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
	if math.Abs(det) < 1e-300 {
		return inv, false
	}
	for i := range 3 {
		for j := range 3 {
			inv[i][j] /= det
		}
	}
	return inv, true
}

// pair finds the close companion of the fundamental.
func (r *reading) pair() (part, bool) {
	f := r.parts[r.fundamental]
	best, ok := part{}, false
	for i, p := range r.parts {
		if i != r.fundamental && p.family == Bending && p.order == 1 && math.Abs(p.hz-f.hz) < closePairHz &&
			p.energy(nil) > 1e-3*f.energy(nil) && p.alpha < 2.5*f.alpha && (!ok || p.energy(nil) > best.energy(nil)) {
			best, ok = p, true
		}
	}
	return best, ok
}

// ring puts a reading into the form that the world sees.
func (r *reading) ring() Ring {
	f := r.parts[r.fundamental]
	out := Ring{Method: Method, TapsUsed: r.taps, FundamentalFrom: "peak", Stray: []Stray{}, HumHz: []float64{}, Partials: []Partial{}}
	base := f.hz
	if r.inferred != nil {
		base = r.inferred.hz
	}
	for i, p := range r.parts {
		partial := r.partial(p, base)
		if i == r.fundamental && r.inferred == nil {
			partial.Hz = r.atRest(partial.Hz)
			out.Fundamental = partial
		}
		if p.own || !p.echo && p.q() > slowQ { // the rest is thud and room
			out.Partials = append(out.Partials, partial)
		}
	}
	slices.SortFunc(out.Partials, func(a, b Partial) int { return cmp.Compare(a.Hz.X, b.Hz.X) })
	if r.inferred != nil {
		out.FundamentalFrom = "series"
		out.Fundamental = r.unheard()
		out.Partials = slices.Insert(out.Partials, 0, out.Fundamental)
	}
	r.shares(&out)
	if p, ok := r.pair(); ok && r.inferred == nil {
		ratio := ampRatio(p, f)
		ratio = min(ratio, 1/ratio)
		out.Beat = &Beat{Hz: math.Abs(p.hz - f.hz), DepthDB: min(20*math.Log10((1+ratio)/(1-min(ratio, 0.98))), 40)}
	}
	out.UnevennessPct = r.uneven.value()
	out.DriftCents = r.drift.value()
	out.LoudnessDB = r.loud.value()
	if r.inferred != nil {
		out.SNRDB = measure.Unknown("the fundamental is too weak to be measured")
	} else {
		power := median(f.amp)
		out.SNRDB = measure.Of(10*math.Log10(power*power/2/max(r.noise, 1e-30)), 0)
	}
	for _, h := range r.hum {
		out.HumHz = append(out.HumHz, math.Round(h*100)/100)
	}
	return out
}

const (
	glideCents = 3.0 // by about so much a ring glides, if it does; before anything is heard, that is as likely as not
	glideSure  = 0.95
	glideLaw   = 0.2 // relative u of how far: taken for proportional to the ring's strength, it is a third less if it goes as the square
)

// atRest takes a pitch that glides, and of which the fit sees some mean, to where it comes to rest: there it is the bar's own,
// of small vibrations. A glide that may be none only adds to the uncertainty.
func (r *reading) atRest(hz measure.Value) measure.Value {
	v := sqr(r.drift.u())
	if r.drift.why != "" || !(v > 0) {
		return hz
	}
	most := sqr(glideCents) + v
	known := sqr(glideCents) / most
	likely := 1 / (1 + math.Exp(-known*sqr(r.drift.x)/(2*v))/math.Sqrt(v/most))
	by := known * (r.rest.x - hz.X)
	u := math.Sqrt(likely * (known*sqr(r.rest.u()) + sqr(by))) // of a pitch that is left where it is
	if likely > glideSure {
		hz.X += by
		u = math.Sqrt(likely*known*sqr(r.rest.u()) + (1-likely)*sqr(by) + sqr(glideLaw*by))
	}
	out := measure.Of(hz.X, math.Hypot(hz.U, u))
	out.Budget = append(slices.Clone(hz.Budget), measure.Part{Name: "pitch glides", U: u})
	slices.SortStableFunc(out.Budget, func(a, b measure.Part) int { return cmp.Compare(b.U, a.U) })
	return out
}

// u is the standard uncertainty of s.
func (s share) u() float64 { return math.Sqrt(sqr(s.sd) + max(s.alike, 0)) }

func (s share) value() measure.Value {
	if s.why != "" {
		return measure.Unknown(s.why)
	}
	return measure.Of(s.x, s.u())
}

func ampRatio(p, ref part) float64 {
	var v []float64
	for i, a := range p.amp {
		if ref.amp[i] > 0 {
			v = append(v, a/ref.amp[i])
		}
	}
	return median(v)
}

// The room answers a ring with one of its own, which no fit tells apart from it for sure. The
// share of it that is left in a fit moves the decay rate by that share, and the frequency by
// that share of alpha/2 pi. Where rooms of many kinds were tried, it shows in how far they may
// move the decay; elsewhere it grows with how much faster the ring dies than a room (all calibrated on
// synthetic rooms of RT60 0.2-0.5 s).
const (
	roomLeast  = 0.003
	roomS      = 0.018 // s: the tau of a ring that the room drowns
	roomDrowns = 0.3   // a share from which on a decay may be the room's as well
)

// roomShare is the room's share in the uncertainty of the component's decay rate.
func (c component) roomShare() float64 {
	if c.room > 0 {
		return c.room
	}
	return min(roomS*c.rate(), 1)
}

// roomShift is the room's part in the uncertainty of the component's frequency.
func (c component) roomShift() float64 {
	if c.room > 0 {
		return c.roomHz
	}
	return c.roomShare() * c.rate() / (2 * math.Pi)
}

// rate is the decay rate, or that of usual wood if it is less: a decay that the room has
// lengthened must not vouch for itself.
func (c component) rate() float64 { return max(c.alpha, startAlpha(c.hz)) }

// byRoom is the name of the room's part in a budget.
const byRoom = "room"

// uncertain gives the value its uncertainty and what it is made of.
func uncertain(x, noise, sd, room float64) measure.Value {
	spread := math.Sqrt(max(sd*sd-noise*noise, 0))
	v := measure.Of(x, math.Hypot(sd, room))
	for _, p := range []measure.Part{{Name: "noise", U: noise}, {Name: "taps differ", U: spread}, {Name: byRoom, U: room}} {
		if p.U > 0 && v.Known() {
			v.Budget = append(v.Budget, p)
		}
	}
	slices.SortStableFunc(v.Budget, func(a, b measure.Part) int { return cmp.Compare(b.U, a.U) })
	return v
}

// partial puts a part into the form that the world sees.
func (r *reading) partial(p part, base float64) Partial {
	f := r.parts[r.fundamental]
	room := p.roomShare()
	out := Partial{Hz: uncertain(p.hz, p.noiseHz, p.sdHz, p.roomShift()), Ratio: p.hz / base, Family: p.family, Order: p.order, Plane: p.plane}
	for _, a := range p.amp {
		if a > 0 {
			out.Taps++
		}
	}
	q := p.q()
	if v := uncertain(q, q*p.noiseAlpha/p.alpha, q*p.sdAlpha/p.alpha, q*room); v.Known() && v.U < 0.5*q {
		out.setDecay(v)
	} else if room > roomDrowns {
		out.setDecay(measure.Unknown("it dies as fast as the room's echo: its decay is not the wood's alone"))
	} else {
		out.setDecay(measure.Unknown("its decay is lost in the noise"))
	}
	if ratio := ampRatio(p, f); ratio > 0 && r.inferred == nil {
		var db []float64
		for i, a := range p.amp {
			if a > 0 && f.amp[i] > 0 {
				db = append(db, 20*math.Log10(a/f.amp[i]))
			}
		}
		noise := 8.69 * math.Hypot(p.sdAlpha/p.alpha, f.sdAlpha/f.alpha)
		if p.hz == f.hz {
			noise = 0
		}
		out.LevelDB = measure.Of(20*math.Log10(ratio), max(scatter(db, median(db))/math.Sqrt(float64(max(len(db), 1))), noise))
	} else {
		out.LevelDB = measure.Unknown("the fundamental is too weak to compare with")
	}
	return out
}

// unheard is a fundamental known from its series only.
func (r *reading) unheard() Partial {
	why := measure.Unknown("the fundamental is too weak to be measured; its pitch is inferred from the higher partials")
	p := Partial{Hz: measure.Of(r.inferred.hz, r.inferred.sd), LevelDB: why, Ratio: 1, Family: Bending, Order: 1, Plane: 1}
	p.setDecay(why)
	return p
}

// shares fills in who has which part of the ring's modal energy between 30 and 530 ms.
func (r *reading) shares(out *Ring) {
	f := r.parts[r.fundamental]
	why := ""
	switch {
	case r.inferred != nil:
		why = "the fundamental is too weak to compare with"
	case f.family == Longitudinal:
		why = "not judged from end taps"
	}
	if why != "" {
		out.PurityPct, out.FundamentalPct = measure.Unknown(why), measure.Unknown(why)
		return
	}
	own, all, first := r.energies()
	for _, p := range r.parts {
		if e := p.energy(&f.component); p.stray() && e > strayShare*all {
			out.Stray = append(out.Stray, Stray{Hz: p.hz, LevelDB: 10 * math.Log10(e/f.energy(&f.component))})
		}
	}
	u := func(get func(own, all, first float64) float64) float64 {
		var xs []float64
		for _, one := range r.each {
			o, a, fst := one.energies()
			xs = append(xs, get(o, a, fst))
		}
		noise := 2 * f.sdAlpha / f.alpha
		s := get(own, all, first)
		// What the room makes louder or softer it does in all taps alike.
		return math.Hypot(scatter(xs, median(xs))/math.Sqrt(float64(max(len(xs), 1))), byFactor(s/100, noise+r.early.colour())+0.2)
	}
	purity := func(own, all, _ float64) float64 { return 100 * own / all }
	alone := func(_, all, first float64) float64 { return 100 * first / all }
	out.PurityPct = measure.Of(purity(own, all, first), u(purity))
	out.FundamentalPct = measure.Of(alone(own, all, first), u(alone))
}

// byFactor is by how many per cent a share falls if the rest becomes louder by a factor, given its logarithm, or rises if softer,
// whichever is more.
func byFactor(share, log float64) float64 {
	more := math.Expm1(min(log, 9))
	return 100 * share * (1 - share) * more / (1 + min(share, 1-share)*more)
}

// stray tells whether a part is a foreign note: it rings like wood, neither as fast as a room nor without end, with a
// decay that is known, and is none of the bar's modes.
func (p part) stray() bool {
	return !p.own && !p.echo && p.q() > slowQ && p.roomShare() < 1 && p.alpha > steadyHum && p.sdAlpha < strayDecay*p.alpha
}

func (r *reading) energies() (own, all, first float64) {
	f := r.parts[r.fundamental]
	for _, p := range r.parts {
		if !p.own && !p.stray() {
			continue
		}
		e := p.energy(&f.component)
		all += e
		if p.own {
			own += e
		}
		if p.family == Bending && p.order == 1 {
			first += e
		}
	}
	return own, all, first
}

func decibels(x float64) string { return strconv.FormatFloat(x, 'f', 0, 64) + " dB" }
