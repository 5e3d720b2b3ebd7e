package spectrum

import (
	"math"
	"slices"

	"ringstock/spectrum/damped"
	"ringstock/spectrum/measure"
)

const (
	slowQ      = 25.0 // what dies faster is thud and room
	strayDecay = 0.2  // relative sd of a foreign note's decay (calibrated on synthetic rooms: notes have 0.1, echoes more)
	strayShare = 0.01 // of the ring's energy: a foreign note below is not worth a name
)

// part is a component with what it is in the bar.
type part struct {
	component
	family Family
	order  int
	plane  int
	own    bool // one of the bar's own modes
	echo   bool // what the room makes of a louder note beside it
}

// modes is what each line is in the bar.
type modes struct {
	parts       []part
	fundamental int       // index in parts
	inferred    *inferred // the fundamental where it is not heard itself
	room        roomSound
}

// roomSound is what the fundamental tells of the room.
type roomSound struct {
	t60S, t60Ln float64 // reverberation time about it, s, and the standard uncertainty of its logarithm; zero if it is not heard
}

func (s roomSound) t60() measure.Value {
	if s.t60S == 0 {
		return roomUnheard.Value()
	}
	return measure.Of(s.t60S, s.t60S*s.t60Ln)
}

// inferred is a fundamental that was not heard itself.
type inferred struct{ hz, sd float64 }

// nearest is the part nearest to hz and within some hertz of it, but for the fundamental;
// -1 if there is none.
func (m modes) nearest(hz, within float64) int {
	best := -1
	for i, p := range m.parts {
		if d := math.Abs(p.hz - hz); i != m.fundamental && d < within && (best < 0 || d < math.Abs(m.parts[best].hz-hz)) {
			best = i
		}
	}
	return best
}

// tapByTap is what each tap says of the modes.
func (m modes) tapByTap() []modes {
	each := make([]modes, len(m.parts[0].amp))
	for t := range each {
		each[t] = modes{fundamental: m.fundamental, inferred: m.inferred, room: m.room}
		for _, p := range m.parts {
			p.component = p.only(t)
			each[t].parts = append(each[t].parts, p)
		}
	}
	return each
}

// withScatter is the same, the uncertainties widened by how much the taps differ.
func (m modes) withScatter() modes {
	m.parts = slices.Clone(m.parts)
	for i := range m.parts {
		m.parts[i].widen()
	}
	return m
}

// pair finds the close companion of the fundamental.
func (r modes) pair() (part, bool) {
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

// stray tells whether a part is a foreign note: it rings like wood, neither as fast as a
// room nor without end, with a decay that is known, and is none of the bar's modes.
func (p part) stray() bool {
	return !p.own && !p.echo && p.q() > slowQ && p.roomShare() < 1 && p.alpha > steadyHum && p.sdAlpha < strayDecay*p.alpha
}

// known lists the lines of the parts that the neighbourhood holds, and which of
// them is parts[main].
func (h neighbourhood) known(parts []part, main int) (lines []damped.Line, line int) {
	for i, p := range parts {
		if h.holds(p.hz) {
			if i == main {
				line = len(lines)
			}
			lines = append(lines, damped.Line{Hz: p.hz - h.centre(), Alpha: p.alpha})
		}
	}
	return lines, line
}
