package room

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// What is known of rooms before anything is heard: furnished rooms die in 0.2-0.6 s, bare
// ones and stairwells in 1-2 s, halls later (Kuttruff, Room Acoustics). The reverberant
// sound lies some 15 dB below the direct one where the microphone is a hand's breadth
// off, and is as loud at arm's length.
const (
	shortS, longS = 0.12, 4.5 // RT60, s
	outsideLn     = 0.2       // by which these limits are soft
	// Shorter than a furnished room's RT60, s: the beginning of a ring that is left out
	// covers it, and what ends there is a pitch that glides, if it moves the note by so
	// many of the noise's uncertainties.
	briefS, moved = 0.17, 3.0
	// Longer than any room's that blanks are tapped in, s: what ends there explains the
	// ring away, if it moves the note by so many Hz or the decay by so much of itself.
	absurdS, awayHz, awayLn = 6.0, 0.5, 0.4
	usualDB, spreadDB       = -9.0, 7.0 // reverberant over direct energy
	noiseLn                 = 0.2       // relative sd of the noise's variance
	linePower               = 0.1       // of a single mode of the room beside the ring's, on average
	lnThousand              = 6.907755  // RT60 times the amplitude's decay rate
)

// How far a ring may be from where the fit begins.
const (
	strayHz, softHz  = 2.0, 0.3
	slowest, fastest = 0.33, 3.0 // of its decay rate,
	fastestSeen      = 1.3       // or of the one that it seems to have
	softAlphaLn      = 0.15
	sideHz           = 0.4 // of the sampling rate: so far off the ring lies a line at most
	noiseFactorStart = 1.0
	nowhere          = 1e-30
	pursued, kept    = 8.0, 6.0 // logarithms of a probability ratio: how much worse an explanation may be that is pursued, and kept
)

// Ring is what the sound tells of the ring and of the room.
type Ring struct {
	Lines    []Line // the ring, then those beside it that were given
	U        []Line // their standard uncertainties,
	DryU     []Line // and what the noise alone would make of them, were there no room
	T60S     float64
	T60Ln    float64 // standard uncertainty of its logarithm
	AnswerDB float64 // reverberant over direct energy
	Modes    []Line  // of the room
}

// problem is one sound with what is known of it before.
type problem struct {
	filter *filter
	start  Line
	seems  float64 // by which the ring seems to die faster than where the fit begins
	level  float64 // power of the ring at the strike
	own    int     // lines beside the ring that are no room's,
	beside []Line  // and where they were
	been   []place // on the ways uphill so far
}

// place is a point that a way uphill went through.
type place struct {
	x      []float64
	fisher *mat.SymDense
}

// The parameters of a model, in this order; those without a name are frequency and decay
// rate of one line after the other.
const (
	ringHz = iota
	ringAlphaLn
	powerLn
	betaLn
	noiseVarLn
	linesFrom
)

func pack(m state) []float64 {
	x := []float64{m.ring.Hz, math.Log(m.ring.Alpha), math.Log(m.power), math.Log(m.beta), math.Log(m.noise)}
	for _, l := range m.lines {
		x = append(x, l.Hz, math.Log(l.Alpha))
	}
	return x
}

func unpack(x []float64, given []Line) state {
	m := state{ring: Line{x[ringHz], math.Exp(x[ringAlphaLn])}, power: math.Exp(x[powerLn]), beta: math.Exp(x[betaLn]),
		noise: math.Exp(x[noiseVarLn]), given: given}
	for i := linesFrom; i < len(x); i += 2 {
		m.lines = append(m.lines, Line{x[i], math.Exp(x[i+1])})
	}
	return m
}

// soft is the logarithm of a prior that is flat between two limits and falls off
// beyond as a normal one.
func soft(x, low, high, sd float64) float64 {
	d := max(low-x, x-high, 0) / sd
	return -d * d / 2
}

func normal(x, mean, sd float64) float64 { return -(x - mean) * (x - mean) / (2 * sd * sd) }

// prior is the logarithm of what is known before, but for a constant.
func (p *problem) prior(m state) float64 {
	inRoom := func(alpha float64) float64 {
		return soft(math.Log(lnThousand/alpha), math.Log(shortS), math.Log(longS), outsideLn)
	}
	l := inRoom(m.beta) + normal(10*math.Log10(m.power/(2*m.beta*p.level)), usualDB, spreadDB)
	l += soft(math.Log(m.ring.Alpha/p.start.Alpha), math.Log(slowest), math.Log(max(fastest, fastestSeen*p.seems)), softAlphaLn)
	l += soft(m.ring.Hz-p.start.Hz, -p.strays(), p.strays(), softHz)
	l += normal(math.Log(m.noise), 0, noiseLn)
	reach := sideHz * p.filter.s.Rate
	for i, line := range m.lines {
		if i < p.own {
			l += soft(math.Log(line.Alpha/p.beside[i].Alpha), math.Log(slowest), math.Log(fastest), softAlphaLn)
			l += soft(line.Hz-p.beside[i].Hz, -p.strays(), p.strays(), softHz)
			continue
		}
		l += soft(line.Hz, -reach, reach, 1)
		// A line of the room may be anywhere, die as any room does, and is about so loud.
		l += inRoom(line.Alpha) - math.Log(2*reach*math.Log(longS/shortS)*p.level*linePower)
		if line.Alpha > lnThousand/shortS {
			return math.Inf(-1)
		}
	}
	return l
}

// known are the variances that stand in for the prior's where Fisher's
// matrix is inverted.
func (p *problem) known(i int) float64 {
	switch {
	case i == ringHz:
		return 4
	case i == noiseVarLn:
		return noiseLn * noiseLn
	case i == powerLn:
		return math.Pow(spreadDB*math.Ln10/10, 2)
	case i >= linesFrom && (i-linesFrom)%2 == 0:
		return 100
	}
	return 1
}

// peak is a maximum of the probability: one way to explain the sound.
type peak struct {
	m      state
	cov    *mat.SymDense
	weight float64 // logarithm of its probability, all parameters integrated (Laplace)
}

func (k peak) sd(i int) float64 { return math.Sqrt(k.cov.At(i, i)) }

// climber goes uphill from a model.
type climber struct {
	p      *problem
	given  []Line
	x      []float64
	value  float64
	now    scored
	beside scored      // a step aside
	step   []float64   // of the differences
	slopes [][]float64 // see derive
	fisher *mat.SymDense
	grad   *mat.VecDense
}

// at is the value at x; to tells what the model there says of the sound.
func (c *climber) at(x []float64, to *scored) float64 {
	m := unpack(x, c.given)
	before := c.p.prior(m)
	if to.ok = !math.IsInf(before, -1); !to.ok {
		return before
	}
	c.p.filter.score(m, to)
	return to.logL + before
}

// derive forms gradient and Fisher's matrix, by differences of the innovations and
// of their variances.
func (c *climber) derive() bool {
	n, samples := len(c.x), c.p.filter.n
	// A complex innovation counts twice, its variance once: slopes of the real parts, the
	// imaginary ones, the variances.
	slopes, s, x := c.slopes, &c.beside, slices.Clone(c.x)
	for i := range n {
		x[i] += c.step[i]
		v := c.at(x, s)
		if !s.ok {
			return false
		}
		x[i] = c.x[i]
		per := 1 / c.step[i]
		c.grad.SetVec(i, (v-c.value)*per)
		re, im, growth := slopes[i][:samples], slopes[i][samples:2*samples], slopes[i][2*samples:]
		for k := range samples {
			root := s.sd[k] * c.now.inv[k]
			re[k] = (s.resid[k]*root - c.now.resid[k]) * per
			im[k] = (s.resid[samples+k]*root - c.now.resid[samples+k]) * per
			growth[k] = (root*root - 1) * per / math.Sqrt2
		}
	}
	for i := range n {
		for j := i; j < n; j++ {
			sum := 2 * floats.Dot(slopes[i], slopes[j])
			if i == j {
				sum += 1 / c.p.known(i)
			}
			c.fisher.SetSym(i, j, sum)
		}
	}
	return true
}

// met tells whether a point lies so near to one that an earlier way uphill went through
// that both lead to one maximum.
func (p *problem) met(x []float64) bool {
	for _, b := range p.been {
		if len(b.x) != len(x) {
			continue
		}
		d := mat.NewVecDense(len(x), nil)
		for i := range x {
			d.SetVec(i, x[i]-b.x[i])
		}
		if mat.Inner(d, b.fisher, d) < metSq {
			return true
		}
	}
	return false
}

// climb goes from a model to the maximum nearest to it, by Fisher's scoring
// with Marquardt's damping. ok is false where it leads to none, or to where
// an earlier one led.
func (p *problem) climb(from state, most int) (out peak, ok bool) {
	c := climber{p: p, given: from.given, x: pack(from)}
	n := len(c.x)
	c.fisher, c.grad, c.step = mat.NewSymDense(n, nil), mat.NewVecDense(n, nil), slices.Repeat([]float64{1e-3}, n)
	c.step[ringHz] = 1e-4
	c.slopes = make([][]float64, n)
	for i := range n {
		c.slopes[i] = make([]float64, 3*p.filter.n)
	}
	if c.value = c.at(c.x, &c.now); !c.now.ok || !c.derive() {
		return out, false
	}
	var way []place
	lambda := 1e-3
	for range most {
		x, gain, ok := c.uphill(lambda)
		if !ok {
			return out, false
		}
		if v := c.at(x, &c.beside); v > c.value {
			if p.met(x) {
				p.been = append(p.been, way...)
				return out, false
			}
			c.x, c.value = x, v
			c.now, c.beside = c.beside, c.now
			lambda = max(lambda/6, 1e-6)
			for i := range n { // differences a fiftieth of a standard deviation wide
				c.step[i] = min(0.02/math.Sqrt(c.fisher.At(i, i)), 0.05)
			}
			if !c.derive() {
				return out, false
			}
			way = append(way, place{x, mat.NewSymDense(n, slices.Clone(c.fisher.RawSymmetric().Data))})
		} else if lambda = max(lambda, 1e-3) * 8; lambda > 1e6 {
			break
		}
		if gain < 0.02 {
			p.been = append(p.been, way...)
			break
		}
	}
	return c.peak()
}

// uphill is the next point, and what it promises.
func (c *climber) uphill(lambda float64) (x []float64, gain float64, ok bool) {
	n := len(c.x)
	damped := mat.NewSymDense(n, nil)
	damped.CopySym(c.fisher)
	for i := range n {
		damped.SetSym(i, i, c.fisher.At(i, i)*(1+lambda))
	}
	var chol mat.Cholesky
	var step mat.VecDense
	if !chol.Factorize(damped) || chol.SolveVecTo(&step, c.grad) != nil {
		return nil, 0, false
	}
	x = slices.Clone(c.x)
	for i := range n {
		d := step.AtVec(i)
		x[i] += min(max(d, -1), 1)
		gain += d * c.grad.AtVec(i)
	}
	return x, gain, true
}

func (c *climber) peak() (out peak, ok bool) {
	var chol mat.Cholesky
	out.cov = mat.NewSymDense(len(c.x), nil)
	if !chol.Factorize(c.fisher) || chol.InverseTo(out.cov) != nil {
		return out, false
	}
	out.m = unpack(c.x, c.given)
	if c.p.usurped(out.m, c.now.amp) || c.p.away(out.m) {
		return out, false
	}
	out.weight = c.value + (float64(len(c.x))*math.Log(2*math.Pi)-chol.LogDet())/2
	return out, true
}

// strays is how far the ring's frequency, Hz, may be from where the fit begins.
func (p *problem) strays() float64 { return strayHz * (1 + p.start.Alpha) }

// usurped tells whether a line took the ring's place: then what is called the
// ring is something else.
func (p *problem) usurped(m state, amp []complex128) bool {
	late := func(l Line, a complex128) float64 { return sq(a) / l.Alpha * math.Exp(-2*l.Alpha*lateS) }
	for i, l := range m.lines {
		if math.Abs(l.Hz-p.start.Hz) < p.strays() && late(l, amp[1+i]) > late(m.ring, amp[0]) {
			return true
		}
		if i < p.own && (math.Abs(l.Hz-p.beside[i].Hz) > p.strays() || math.Abs(math.Log(l.Alpha/p.beside[i].Alpha)) > math.Log(fastest)) {
			return true
		}
	}
	return false
}

// unexplained is a ring whose every explanation takes it away: it stays as it was found
// without a room, and is known no better than what counts as away.
func unexplained(ring Line, beside, dryU []Line) Ring {
	r := Ring{Lines: append([]Line{ring}, beside...), DryU: dryU, U: slices.Clone(dryU), T60S: absurdS, T60Ln: 1}
	r.U[0] = Line{math.Hypot(dryU[0].Hz, awayHz), math.Hypot(dryU[0].Alpha, awayLn*ring.Alpha)}
	return r
}

// away tells whether a room that is none took the ring's place.
func (p *problem) away(m state) bool {
	return lnThousand/m.beta > absurdS &&
		(math.Abs(m.ring.Hz-p.start.Hz) > awayHz || math.Abs(math.Log(m.ring.Alpha/p.start.Alpha)) > awayLn)
}

// lateS is how long after the strike a usual room has mostly died.
const lateS = 0.12

// same tells whether two explanations are one.
func (k peak) same(o peak) bool {
	return len(k.m.lines) == len(o.m.lines) &&
		math.Abs(math.Log(k.m.ring.Alpha/o.m.ring.Alpha)) < 0.02+0.3*o.sd(ringAlphaLn) &&
		math.Abs(math.Log(k.m.beta/o.m.beta)) < 0.3 && math.Abs(k.m.ring.Hz-o.m.ring.Hz) < 0.02+0.5*o.sd(ringHz)
}

// explanations are all that were found so far.
type explanations []peak

// add tells whether the explanation is a new one; of two that are the same the better
// stays.
func (e *explanations) add(k peak) bool {
	for i, o := range *e {
		if k.same(o) {
			if k.weight > o.weight {
				(*e)[i] = k
			}
			return false
		}
	}
	*e = append(*e, k)
	return true
}

func (e explanations) best() peak {
	return slices.MaxFunc(e, func(a, b peak) int { return cmp.Compare(a.weight, b.weight) })
}

// Fit tells the ring that a fit without a room found from the room: beside lists other
// lines of the bar, given those, steady ones among them, whose frequency and decay are
// known well enough. A decay rate over the usual one may be the room's: the fit begins at
// the usual one, and at the one that was found. Many rooms and decays are begun with,
// since each may have a maximum of its own; then as many single modes of the room are
// added as the sound asks for. What is found is the mean over all explanations by their
// probabilities. ok is false where no fit can begin.
func Fit(s Sound, ring Line, usual float64, beside, given []Line) (r Ring, ok bool) {
	seen := ring
	ring.Alpha = min(ring.Alpha, usual)
	p := &problem{filter: newFilter(s), start: ring, seems: seen.Alpha / ring.Alpha, own: len(beside), beside: beside}
	dry := state{ring: ring, power: nowhere, beta: 10, noise: noiseFactorStart, lines: beside, given: given}
	var first scored
	if p.filter.score(dry, &first); !first.ok {
		return r, false
	}
	p.level = sq(first.amp[0])
	p.filter.own, p.filter.power = p.own, p.level*linePower
	var found explanations
	dryU, ok := p.dryU(dry, first)
	if !ok {
		return r, false
	}
	begin := func(b beginning) (anew bool) {
		k, ok := p.climb(p.from(dry, b), maxSteps)
		return ok && found.add(k)
	}
	for _, b := range beginnings {
		begin(b)
		if p.seems > fast {
			begin(beginning{p.seems, b.rt60, b.db})
		}
	}
	if len(found) == 0 || found.best().sd(ringAlphaLn) >= max(sure, noiseOnly*dryU[0].Alpha/ring.Alpha) {
		one := len(found) <= 1
		for _, b := range others {
			if anew := begin(b); anew || !one { // there is more than one explanation: the other loudness too
				begin(beginning{b.faster, b.rt60, loud + quiet - b.db})
			}
		}
	} // else there is hardly a room to be heard
	for i := 0; len(found) == 0 && i < len(beginnings); i++ { // a mode of the room may be what is missing
		m := p.from(dry, beginnings[i])
		for _, l := range p.further(m) {
			with := m.clone()
			with.lines = append(with.lines, l)
			if k, ok := p.climb(with, maxSteps+3); ok {
				found.add(k)
			}
		}
	}
	if len(found) == 0 {
		return unexplained(seen, beside, dryU), true
	}
	for range maxModes {
		if !p.addModes(&found) {
			break
		}
	}
	r = p.mean(found)
	r.widen(dryU)
	// So short a room that moves the note is none.
	return r, r.T60S > briefS || math.Abs(r.Lines[0].Hz-ring.Hz) < moved*r.DryU[0].Hz
}

// beginning is where a way uphill begins: how much faster the ring dies than it seems to,
// and the room's RT60, s, and loudness, reverberant over direct energy in dB.
type beginning struct{ faster, rt60, db float64 }

// from is the model in which a way uphill begins.
func (p *problem) from(dry state, b beginning) state {
	m := dry.clone()
	m.ring.Alpha *= b.faster
	m.beta = lnThousand / b.rt60
	m.power = 2 * m.beta * p.level * math.Pow(10, b.db/10)
	return m
}

const quiet, loud = -18.0, -4.0

var (
	beginnings = []beginning{{1, 0.35, quiet}, {1, 0.35, loud}, {1, 1, quiet}, {1, 1, loud}, {1, 2.5, quiet}, {1, 2.5, loud}}
	// Where these lead to one explanation, others seldom lead to another (8 of 86
	// recordings, each time from one of these).
	others = []beginning{{0.6, 0.35, quiet}, {0.6, 1, quiet}, {0.6, 2.5, quiet}, {1.7, 0.35, loud}, {1.7, 1, quiet}, {1.7, 2.5, loud}}
)

const (
	fast      = 1.7 // by which a ring dies faster at most where the others begin
	maxSteps  = 12
	maxModes  = 3     // of the room, near the note
	metSq     = 0.03  // squared distance of two points, in standard uncertainties, that lie on one way
	sure      = 0.008 // relative uncertainty of a decay below which there is one explanation,
	noiseOnly = 1.2   // or below so many times what the noise alone leaves open
)

// A room of few modes is no noise, and the less so the longer it goes on beside the ring:
// by so much, at most, is the model's uncertainty too small (set on boxes by their modes
// and by mirrored sources).
const margin = 0.8

// widen makes the room's part of the uncertainties larger by the margin.
func (r *Ring) widen(dry []Line) {
	wider := 1 + margin*min(r.T60S/lnThousand*r.Lines[0].Alpha, 1)
	by := func(u, dry *float64) {
		*dry = min(*dry, *u)
		*u = math.Hypot(*dry, wider*math.Sqrt(*u**u-*dry**dry))
	}
	for i := range r.U {
		by(&r.U[i].Hz, &dry[i].Hz)
		by(&r.U[i].Alpha, &dry[i].Alpha)
	}
	r.DryU = dry
}

// dryU are the standard uncertainties that the noise alone leaves to the ring's lines,
// were the room not there.
func (p *problem) dryU(dry state, first scored) (u []Line, ok bool) {
	const step = 1e-3
	x := pack(dry)
	free := []int{ringHz, ringAlphaLn}
	for i := linesFrom; i < len(x); i++ {
		free = append(free, i)
	}
	slopes := make([][]float64, len(free))
	var s scored
	for j, i := range free {
		y := slices.Clone(x)
		y[i] += step
		if p.filter.score(unpack(y, dry.given), &s); !s.ok {
			return u, false
		}
		for k, e := range s.resid {
			slopes[j] = append(slopes[j], (e-first.resid[k])/step)
		}
	}
	fisher := mat.NewSymDense(len(free), nil)
	for i := range free {
		for j := i; j < len(free); j++ {
			fisher.SetSym(i, j, 2*floats.Dot(slopes[i], slopes[j]))
		}
	}
	var chol mat.Cholesky
	var cov mat.SymDense
	if !chol.Factorize(fisher) || chol.InverseTo(&cov) != nil {
		return u, false
	}
	for i, l := range append([]Line{dry.ring}, dry.lines...) {
		u = append(u, Line{math.Sqrt(cov.At(2*i, 2*i)), l.Alpha * math.Sqrt(cov.At(2*i+1, 2*i+1))})
	}
	return u, true
}

// addModes adds one more single mode of the room to what explains the sound, and tells
// whether that is worth it.
func (p *problem) addModes(found *explanations) (any bool) {
	best := found.best()
	for _, k := range slices.Clone(*found) {
		if k.weight < best.weight-pursued || len(k.m.lines) < len(best.m.lines) {
			continue
		}
		for _, l := range p.further(k.m) {
			m := k.m.clone()
			m.lines = append(m.lines, l)
			if q, ok := p.climb(m, maxSteps+3); ok && q.weight > best.weight-kept && found.add(q) {
				any = true
			}
		}
	}
	return any
}

// further lists the lines that would better a model most, nothing else changed.
func (p *problem) further(m state) (out []Line) {
	base := p.filter.likelihood(m) + math.Log(p.level*linePower)
	gain := map[Line]float64{}
	var lines []Line
	for _, t60 := range []float64{0.6, 2} {
		for hz := -sideHz * p.filter.s.Rate; hz <= sideHz*p.filter.s.Rate; hz++ {
			n := m.clone()
			l := Line{hz, lnThousand / t60}
			n.lines = append(n.lines, l)
			lines, gain[l] = append(lines, l), p.filter.likelihood(n)-base
		}
	}
	slices.SortFunc(lines, func(a, b Line) int { return cmp.Compare(gain[b], gain[a]) })
	for _, l := range lines {
		if len(out) < 2 && gain[l] > 2 && !slices.ContainsFunc(out, func(o Line) bool { return math.Abs(o.Hz-l.Hz) < 2 }) {
			out = append(out, l)
		}
	}
	return out
}

// mean is the mean over all explanations, each weighted by its probability.
func (p *problem) mean(found explanations) (r Ring) {
	best := found.best()
	r.Lines, r.U = make([]Line, 1+p.own), make([]Line, 1+p.own)
	var sum, t60, t602 float64
	for _, k := range found {
		sum += math.Exp(k.weight - best.weight)
	}
	line := func(m state, i int) Line {
		if i == 0 {
			return m.ring
		}
		return m.lines[i-1]
	}
	for _, k := range found {
		w := math.Exp(k.weight-best.weight) / sum
		for i := range r.Lines {
			r.Lines[i].Hz += w * line(k.m, i).Hz
			r.Lines[i].Alpha += w * line(k.m, i).Alpha
		}
		ln := math.Log(lnThousand / k.m.beta)
		t60 += w * ln
		t602 += w * (ln*ln + k.cov.At(betaLn, betaLn))
	}
	for _, k := range found {
		w := math.Exp(k.weight-best.weight) / sum
		for i := range r.Lines {
			at := ringHz
			if i > 0 {
				at = linesFrom + 2*(i-1)
			}
			l := line(k.m, i)
			r.U[i].Hz += w * (k.cov.At(at, at) + math.Pow(l.Hz-r.Lines[i].Hz, 2))
			r.U[i].Alpha += w * (k.cov.At(at+1, at+1)*l.Alpha*l.Alpha + math.Pow(l.Alpha-r.Lines[i].Alpha, 2))
		}
	}
	for i, v := range r.U {
		r.U[i] = Line{math.Sqrt(v.Hz), math.Sqrt(v.Alpha)}
	}
	r.T60S, r.T60Ln = math.Exp(t60), math.Sqrt(max(t602-t60*t60, 0))
	r.AnswerDB = 10 * math.Log10(best.m.power/(2*best.m.beta*p.level))
	r.Modes = best.m.lines[p.own:]
	return r
}

func sq(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
