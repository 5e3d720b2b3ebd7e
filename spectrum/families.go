package spectrum

import (
	"math"

	"ringstock/spectrum/naming"
)

// asLines is what naming the components needs to know of them.
func asLines(cs []component) []naming.Line {
	out := make([]naming.Line, len(cs))
	for i, c := range cs {
		out[i] = naming.Line{Hz: c.hz, Alpha: c.alpha, SDAlpha: c.sdAlpha, Energy: c.energy(nil), Room: c.roomShare()}
	}
	return out
}

// families says what each component is in the bar, given the series of its first plane,
// and which is the fundamental.
func families(cs []component, s naming.Series) ([]part, int) {
	parts := make([]part, len(cs))
	for i, n := range naming.All(asLines(cs), s) {
		parts[i] = part{component: cs[i], family: n.Family, order: n.Order, plane: n.Plane, own: n.Own, echo: n.Echo}
	}
	return parts, max(s.Member[0], 0)
}

const (
	endWeightDB   = 40.0  // a line so far below the strongest at the strike counts nothing
	octaveHelps   = 0.4   // of its weight each overtone adds to a lengthwise note
	octaveStrays  = 0.015 // by so much overtones are off, relatively
	surelyNot     = 3.5   // times what is known, from which on a line is not the expected note
	expectationIs = 0.5   // weight of the expectation beside loudness, at one standard uncertainty off
)

// lengthwise chooses the lowest lengthwise mode among the components of an end tap, -1 if
// none can be it: the strongest at the strike, since it dies long before bending does,
// helped by its own octave and twelfth, and near to what is expected if anything is.
// Where nothing is expected and nothing sounds where a blank's note can be, any line may
// be it: bars differ.
func lengthwise(cs []component, note Expected) int {
	strongest := 0.0
	level := make([]float64, len(cs))
	for i, c := range cs {
		level[i] = median(c.amp)
		if c.hz > lowestEndHz {
			strongest = max(strongest, level[i])
		}
	}
	weight := func(i int) float64 {
		if level[i] <= 0 || strongest == 0 {
			return level[i]
		}
		return max(0, 1+20*math.Log10(level[i]/strongest)/endWeightDB)
	}
	best, score := -1, math.Inf(-1)
	for i, c := range cs {
		if c.hz < lowestEndHz && (strongest > 0 || note.Hz > 0) || c.q() < 20 {
			continue
		}
		s := weight(i)
		for j, o := range cs {
			if o.overtone(c.hz) {
				s += octaveHelps * weight(j)
			}
		}
		if note.Hz > 0 {
			off := math.Abs(math.Log(c.hz/note.Hz)) / note.Rel
			if off > surelyNot {
				continue
			}
			s -= expectationIs * off * off / 2
		}
		if s > score {
			best, score = i, s
		}
	}
	return best
}

// overtone tells whether a component is the octave or the twelfth of a note.
func (c component) overtone(hz float64) bool {
	return math.Abs(c.hz/(2*hz)-1) < octaveStrays || math.Abs(c.hz/(3*hz)-1) < octaveStrays
}

// endFamilies names the parts of an end tap: harmonics of the longitudinal
// fundamental, and the rest.
func endFamilies(cs []component, f int) ([]part, int) {
	parts := make([]part, len(cs))
	for i, c := range cs {
		n := math.Round(c.hz / cs[f].hz)
		parts[i] = part{component: c, family: Other}
		if n >= 1 && math.Abs(c.hz/(n*cs[f].hz)-1) < 0.01 {
			parts[i] = part{component: c, family: Longitudinal, order: int(n), plane: 0, own: true}
		}
	}
	return parts, f
}
