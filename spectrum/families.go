package spectrum

import "math"

const (
	closePairHz = 15.0 // lines this near to the fundamental are its other plane
	planeSpread = 0.33 // the other plane's fundamental lies within this part of the first
)

// families says what each component is in the bar, given the series of its first plane.
func families(cs []component, s series) ([]part, int) {
	parts := make([]part, len(cs))
	for i, c := range cs {
		parts[i] = part{component: c, family: Other}
	}
	for n, i := range s.member {
		if i >= 0 {
			parts[i] = part{parts[i].component, Bending, n + 1, 1, true}
		}
	}
	otherPlane(parts, s)
	oneOf(parts, Torsion, 4.4, 8.6, s.hz)
	oneOf(parts, Longitudinal, 19, 36, s.hz)
	for i := range parts {
		// So far up the series can't be told apart from anything else, and hardly
		// any energy is there.
		if parts[i].family == Other && parts[i].hz > 12*s.hz {
			parts[i].own = true
		}
	}
	return parts, max(s.member[0], 0)
}

// otherPlane finds the bending modes of the second plane: close neighbours of the
// first plane's modes, or a series of its own whose second partial is heard too.
func otherPlane(parts []part, s series) {
	best, bestWeight := -1, 0.0
	for i, p := range parts {
		if p.family != Other || math.Abs(p.hz/s.hz-1) > planeSpread {
			continue
		}
		support := 0.0
		if math.Abs(p.hz-s.hz) < closePairHz && math.Abs(p.hz/s.hz-1) < 0.1 {
			support = p.energy(nil)
		}
		for n := 2; n <= 3; n++ {
			want := p.hz * bendingRatio(n, s.s, s.b)
			for _, o := range parts {
				if o.family == Other && math.Abs(o.hz/want-1) < 1.5*seriesTolerance {
					support += p.energy(nil)
				}
			}
		}
		if support > bestWeight {
			best, bestWeight = i, support
		}
	}
	if best < 0 {
		return
	}
	hz := parts[best].hz
	parts[best] = part{parts[best].component, Bending, 1, 2, true}
	for n := 2; n <= len(freeBar); n++ {
		want := hz * bendingRatio(n, s.s, s.b)
		for i, p := range parts {
			if p.family == Other && math.Abs(p.hz/want-1) < 1.5*seriesTolerance {
				parts[i] = part{p.component, Bending, n, 2, true}
			}
		}
	}
}

// oneOf takes the strongest unassigned part in a range of ratios for the one mode of its family there.
func oneOf(parts []part, f Family, low, high, hz float64) {
	best := -1
	for i, p := range parts {
		if p.family == Other && p.hz > low*hz && p.hz < high*hz && (best < 0 || p.energy(nil) > parts[best].energy(nil)) {
			best = i
		}
	}
	if best >= 0 {
		parts[best] = part{parts[best].component, f, 1, 0, true}
	}
}

// longitudinal chooses the lowest longitudinal mode among the components of an end
// tap: the strongest line over 1 kHz, helped by its own octave and twelfth.
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
		if c.hz < 1000 {
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
func (a *analysis) endFamilies(cs []component, f int) ([]part, int) {
	parts := make([]part, len(cs))
	for i, c := range cs {
		n := math.Round(c.hz / cs[f].hz)
		parts[i] = part{component: c, family: Other}
		if n >= 1 && math.Abs(c.hz/(n*cs[f].hz)-1) < 0.01 {
			parts[i] = part{c, Longitudinal, int(n), 0, true}
		}
	}
	return parts, f
}
