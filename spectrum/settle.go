package spectrum

import (
	"math"
	"slices"

	"ringstock/spectrum/damped"
	"ringstock/spectrum/room"
)

// roomFit is what a neighbourhood's fit with a model of the room found: the fundamental,
// and the lines beside it.
type roomFit struct {
	lines []component
	main  int // index of the fundamental
	sound roomSound
}

// fitRoom fits the fundamental parts[main] with care: lines that hide beside it are
// sought, and, where the room dies before the ring (waits), what it adds is part of the
// model. Pure: the neighbourhood is prepared before, and what is known stays as it is. ok
// is false where no such fit holds: then what is known is best.
func fitRoom(h neighbourhood, parts []part, fundamental int, waits bool) (found roomFit, ok bool) {
	was := parts[fundamental].component
	start, main := h.known(parts, fundamental)
	for i, l := range start {
		if i != main && math.Abs(l.Hz-start[main].Hz) < closePairHz && l.Alpha < pairFaster*start[main].Alpha {
			h.until = h.longest() // the longer two lines are heard, the better they are told apart
		}
	}
	h.until = min(max(h.until, h.skip()+heardTaus*was.tau()), h.longest())
	recs, which := h.records(h.skip(), h.until)
	most := len(start)
	if waits {
		most = max(maxLines, most)
	}
	f := h.resolve(recs, start, most, waits)
	if f == nil {
		return found, false
	}
	if waits {
		f = h.less(f, recs)
	}
	main = h.latest(f, recs)
	if main < 0 || math.Abs((h.centre()+f.Lines[main].Hz)/was.hz-1) > 0.02 {
		return found, false
	}
	if waits {
		if found, ok := h.inRoom(f, recs, which, parts, main); ok {
			return found, true
		}
	}
	return roomFit{lines: h.components(f, recs, which), main: main}, true
}

// less leaves away terms of what reaches in of all else, if the data don't ask for them:
// they hide some of the ring.
func (h *neighbourhood) less(f *damped.Fit, recs []damped.Record) *damped.Fit {
	for h.smooth > 0 {
		fewer := *h
		fewer.smooth--
		fitter := fewer.fitter(recs)
		fitter.Roughly()
		g, err := fitter.Solve(f.Lines, f.Undamped, f.Coherent)
		if err != nil || !g.Converged || g.BIC > f.BIC {
			break
		}
		f, h.smooth = g, fewer.smooth
	}
	return f
}

// heardTaus is for how many decay times a line is listened to even if the band is noise
// before: in the line's own width there is less. What comes later is 1.4 % of what all of
// it tells of the frequency.
const heardTaus = 4.0

// lateS is how long after the strike the room has mostly died.
const lateS = 0.12

// latest is the line of a fit with the most energy when the room has died, -1 if none
// rings.
func (h neighbourhood) latest(f *damped.Fit, recs []damped.Record) int {
	best := -1
	for m, l := range f.Lines {
		if l.Alpha > 0.02 && math.Pi*(h.centre()+l.Hz) > 10*l.Alpha && !h.isHum(f, m) &&
			(best < 0 || h.late(f, recs, m) > h.late(f, recs, best)) {
			best = m
		}
	}
	return best
}

// late is the energy of a fit's line when the room has died, of all taps together.
func (h neighbourhood) late(f *damped.Fit, recs []damped.Record, m int) (sum float64) {
	for i, amp := range f.Amp {
		if len(amp) > 0 {
			sum += sq(amp[m]) * math.Exp(-2*f.Lines[m].Alpha*(lateS/h.width()-recs[i].Lead)) / f.Lines[m].Alpha
		}
	}
	return sum
}

// isHum tells whether a line of a fit is what a steady one leaves of itself where it
// wanders.
func (h neighbourhood) isHum(f *damped.Fit, m int) bool {
	l := f.Lines[m]
	_, sd := f.SD(m)
	return endless(l.Alpha, sd) && slices.ContainsFunc(h.hum, func(hum float64) bool { return math.Abs(l.Hz-hum) < humStrays })
}

// ringFirst orders the lines of a fit: the fundamental, then the ring's other lines,
// then what dies faster.
func ringFirst(f *damped.Fit, main int) (order []int, ring int) {
	order = []int{main}
	for _, slow := range []bool{true, false} {
		for i, l := range f.Lines {
			if i != main && slow == (l.Alpha <= pairFaster*f.Lines[main].Alpha) {
				order = append(order, i)
			}
		}
		if slow {
			ring = len(order)
		}
	}
	return order, ring
}

// inRoom fits the ring's lines of a fit anew with a model of the room. The
// fundamental comes first.
func (h neighbourhood) inRoom(f *damped.Fit, recs []damped.Record, which []int, parts []part, main int) (found roomFit, ok bool) {
	order, ring := ringFirst(f, main)
	var lines []room.Line
	for _, m := range order[:ring] {
		lines = append(lines, room.Line{Hz: f.Lines[m].Hz, Alpha: f.Lines[m].Alpha})
	}
	var taps []room.Tap
	for i, t := range which {
		if t >= 0 {
			b := h.bands[t]
			taps = append(taps, room.Tap{Y: b.without(f, i, recs[i]), Factor: f.Amp[i][main], LeadS: b.lead, RingS: b.ring})
		}
	}
	lines, given := h.alsoHeard(lines, f.Undamped, parts)
	sound, ok := room.Together(taps, h.rate(), h.width(), h.noise, h.until, lines, given)
	if !ok {
		return found, false
	}
	told, ok := room.Fit(sound, lines[0], 1.5*startAlpha(h.centre()), lines[1:], given)
	if !ok {
		return found, false
	}
	all := h.components(f, recs, which)
	for i, m := range order[:ring] {
		c := all[m]
		was, is, u, dry := f.Lines[m], told.Lines[i], told.U[i], told.DryU[i]
		c.move(is.Hz-was.Hz, is.Alpha-was.Alpha)
		c.noiseHz, c.noiseAlpha = dry.Hz, dry.Alpha
		c.sdHz, c.sdAlpha = c.noiseHz, c.noiseAlpha
		c.room = math.Sqrt(sqr(u.Alpha)-sqr(dry.Alpha)) / c.alpha
		c.roomHz = math.Sqrt(sqr(u.Hz) - sqr(dry.Hz))
		c.roomKnown = true
		found.lines = append(found.lines, c)
	}
	if told.T60Ln < t60HeardLn {
		found.sound = roomSound{told.T60S, told.T60Ln}
	}
	return found, true
}

// alsoHeard adds to a fit's lines what the room's sound has beside them: lines that lie
// beyond the bins of that fit, and as given ones steady lines, and what is weakened since
// it lies beyond that sound's own band.
func (h neighbourhood) alsoHeard(lines []room.Line, steady []float64, parts []part) (all, given []room.Line) {
	for _, hz := range steady {
		given = append(given, room.Line{Hz: hz})
	}
	perS := room.SamplesPerS(h.rate(), h.width())
	add := func(l room.Line) {
		switch {
		case math.Abs(l.Hz) > room.ReachHz(perS):
		case l.Alpha > 0 && math.Abs(l.Hz) < room.BandHz*h.width():
			lines = append(lines, l)
		case room.Apart(l, lines, perS, h.until) && room.Apart(l, given, perS, h.until):
			given = append(given, l)
		}
	}
	for _, hz := range h.far {
		add(room.Line{Hz: hz})
	}
	for _, p := range parts {
		if !h.holds(p.hz) {
			add(room.Line{Hz: p.hz - h.centre(), Alpha: p.alpha})
		}
	}
	return lines, given
}

// without is the band without the steady lines that a fit found in its record i.
func (b band) without(f *damped.Fit, i int, rec damped.Record) []complex128 {
	if len(f.Undamped) == 0 {
		return b.y
	}
	y := slices.Clone(b.y)
	var lines []damped.Line
	for _, hz := range f.Undamped {
		lines = append(lines, damped.Line{Hz: hz})
	}
	first := int(math.Round((b.lead + rec.Lead) * b.rate))
	for n := range y {
		y[n] -= damped.Sample(lines, f.Undam[i][:len(lines)], b.rate, n-first)
	}
	return y
}

// t60HeardLn is the relative uncertainty from which on a reverberation time is none.
const t60HeardLn = 0.5

// move shifts a component to another frequency and decay, and what its taps say alone
// with it. The amplitude that was found stays where most of the ring's energy lies, and
// so changes at the strike.
func (c *component) move(hz, alpha float64) {
	c.hz += hz
	c.alpha += alpha
	c.amp = slices.Clone(c.amp)
	for i := range c.amp {
		c.amp[i] *= math.Exp(min(max(alpha/(2*c.alpha), -1), 1))
	}
	for i := range c.alone {
		if c.alone[i].sdAlpha > 0 {
			c.alone[i].hz += hz
			c.alone[i].alpha += alpha
		}
	}
}
