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

// families says what each component is in the bar, given the series of its first plane, and which is the fundamental.
func families(cs []component, s naming.Series) ([]part, int) {
	parts := make([]part, len(cs))
	for i, n := range naming.All(asLines(cs), s) {
		parts[i] = part{component: cs[i], family: n.Family, order: n.Order, plane: n.Plane, own: n.Own, echo: n.Echo}
	}
	return parts, max(s.Member[0], 0)
}

// weightOf says how much a component counts in the choice of a note: 1 for the strongest, 0 from 50 dB below.
func weightOf(energy, strongest float64) float64 {
	if energy <= 0 || strongest <= 0 {
		return 0
	}
	return max(0, 1+10*math.Log10(energy/strongest)/50)
}

// lowestEndHz is below the longitudinal note of any blank: sound at 3500 m/s on 0.95 m.
const lowestEndHz = 1800

// longitudinal chooses the lowest longitudinal mode among the components of an end
// tap: the strongest line over lowestEndHz, helped by its own octave and twelfth.
func longitudinal(cs []component) int {
	best, score := 0, math.Inf(-1)
	strongest := 0.0
	for _, c := range cs {
		strongest = max(strongest, c.energy(nil))
	}
	for i, c := range cs {
		if c.q() < 20 {
			continue
		}
		s := weightOf(c.energy(nil), strongest)
		if c.hz < lowestEndHz {
			s -= 1
		}
		for n := 2.0; n <= 3; n++ {
			for _, o := range cs {
				if math.Abs(o.hz/(n*c.hz)-1) < 0.015 {
					s += 0.4 * weightOf(o.energy(nil), strongest)
				}
			}
		}
		if s > score {
			best, score = i, s
		}
	}
	return best
}

// endFamilies names the parts of an end tap: harmonics of the longitudinal fundamental, and the rest.
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
