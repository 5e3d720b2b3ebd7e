package spectrum

import "math"

const (
	planeSpread    = 0.33  // the other plane's series lies within this part of the first
	nearlySquare   = 0.025 // or so near that one partial is enough to know it
	planeTolerance = 0.012 // shear differs between the planes
	planeLouderDB  = 12.0  // by which one mode of the other plane may be louder than the rest, beside the first plane's
	leastApart     = 0.3   // Hz times tau: lines that are nearer can't be told apart
	echoHz         = 25.0  // as near to a note as its echoes from the room
	faint          = 0.03  // of all energy: a tap on a face hardly excites torsion
	twistQ         = 0.8   // of the fundamental's Q: wood loses about twice as much in shear as in bending
	noBetter       = 1.5   // times the fundamental's Q: no higher mode has more
	blurredDecay   = 0.03  // relative sd, more than that of a line of wood (calibrated on synthetic rooms)
)

// families says what each component is in the bar, given the series of its first plane.
func families(cs []component, s series) ([]part, int) {
	parts := make([]part, len(cs))
	for i, c := range cs {
		parts[i] = part{component: c, family: Other}
	}
	for n, i := range s.member {
		if i >= 0 {
			parts[i] = part{component: parts[i].component, family: Bending, order: n + 1, plane: 1, own: true}
		}
	}
	echoes(parts) // of the first plane: none of them is a mode of another kind
	otherPlane(parts, s)
	for i, p := range parts {
		// So near to the fundamental, and as slow, nothing but a plane of the bar's own is likely,
		// even where a second one was found further off.
		if f := s.member[0]; p.family == Other && f >= 0 && p.beside(cs[f]) && math.Abs(p.hz/s.hz-1) < 0.1 {
			parts[i] = part{component: p.component, family: Bending, order: 1, plane: 2, own: true}
		}
	}
	low, high := s.torsion()
	lossy := math.Inf(1)
	if f := s.member[0]; f >= 0 {
		lossy = twistQ * cs[f].q()
	}
	oneOf(parts, Torsion, low, high, faint, lossy, s.hz)
	oneOf(parts, Longitudinal, 19, 36, 1, math.Inf(1), s.hz)
	for i := range parts {
		// So far up the series can't be told apart from anything else, and hardly
		// any energy is there.
		if parts[i].family == Other && parts[i].hz > 12*s.hz {
			parts[i].own = true
		}
	}
	echoes(parts)
	return parts, max(s.member[0], 0)
}

// echoes marks what the room makes of a strong note: lines within its width, which nothing tells from it, and near it
// those that die faster or are no clean exponential: the room's answer is made of many modes, and fades with the
// square of the distance.
func echoes(parts []part) {
	all, energy := 0.0, make([]float64, len(parts))
	for i, p := range parts {
		energy[i] = p.energy(nil)
		all += energy[i]
	}
	for i, p := range parts {
		blurred, matters := p.sdAlpha > blurredDecay*p.alpha, energy[i] > strayShare*all
		for j, loud := range parts {
			apart, width := math.Abs(p.hz-loud.hz), (p.alpha+loud.alpha)/(2*math.Pi)
			if apart > echoHz {
				continue
			}
			share := energy[i] / energy[j]
			weak := share < 0.16
			if weak && p.alpha > 1.4*loud.alpha && energy[i] < faint*all ||
				!p.own && loud.own && (apart < width && share < 4 ||
					blurred && matters && (weak || share < sqr(width/apart)) ||
					blurred && share < 2 && p.roomShare() > roomDrowns) {
				parts[i].echo = true
			}
		}
	}
}

// otherPlane finds the bending modes of the second plane: a series like the first, all of
// it higher or lower by one factor. Two of its modes must be heard, or its lowest, faint or very near
// to the first plane's.
func otherPlane(parts []part, s series) {
	strongest, all := 0.0, 0.0
	for _, p := range parts {
		strongest = max(strongest, p.energy(nil))
		all += p.energy(nil)
	}
	bestQ := math.Inf(1)
	if f := s.member[0]; f >= 0 {
		bestQ = noBetter * parts[f].q()
	}
	slow := func(p part) bool {
		if f := s.member[0]; f >= 0 && math.Abs(p.hz-s.hz) < closePairHz {
			return p.beside(parts[f].component)
		}
		return p.q() > 20 && p.q()*(1-2*p.sdAlpha/p.alpha) < bestQ
	}
	// members lists for each order the strongest unclaimed part at factor w.
	members := func(w float64) (m [6]int, count int, weight float64) {
		for n := range m {
			m[n] = -1
			best := 0.0
			for i, p := range parts {
				off := math.Abs(p.hz/(w*s.hz*bendingRatio(n+1, s.s, s.b)) - 1)
				if p.family == Other && slow(p) && off < planeTolerance && p.energy(nil) > best && (n == 0 || !p.echo) {
					m[n], best = i, p.energy(nil)
				}
			}
			if m[n] >= 0 {
				count++
				weight += weightOf(best, strongest)
			}
		}
		// Both planes' modes have one shape along the bar, so a tap excites them in one proportion:
		// a line that is much louder than that is none of them.
		over := func(n int) (db float64, ok bool) {
			if m[n] < 0 || s.member[n] < 0 {
				return 0, false
			}
			return 10 * math.Log10(parts[m[n]].energy(nil)/parts[s.member[n]].energy(nil)), true
		}
		for n := range m {
			var others []float64
			for k := range m {
				if db, ok := over(k); ok && k != n {
					others = append(others, db)
				}
			}
			if db, ok := over(n); ok && len(others) > 0 && db > median(others)+planeLouderDB {
				count--
				weight -= weightOf(parts[m[n]].energy(nil), strongest)
				m[n] = -1
			}
		}
		return m, count, weight
	}
	// Planes so near to each other that nothing would tell them apart in the fundamental.
	unseen := math.Inf(1)
	if f := s.member[0]; f >= 0 {
		unseen = leastApart * parts[f].alpha / s.hz
	}
	var found [6]int
	bestWeight := 0.0
	for _, p := range parts {
		for n := 1; n <= len(freeBar) && p.family == Other; n++ {
			w := p.hz / (s.hz * bendingRatio(n, s.s, s.b))
			if math.Abs(w-1) > planeSpread {
				continue
			}
			m, count, weight := members(w)
			lowest := n == 1 && slow(p) && (math.Abs(p.hz-s.hz) < closePairHz && math.Abs(w-1) < 0.1 || p.energy(nil) < faint*all)
			if (count >= 2 || lowest || count == 1 && math.Abs(w-1) < min(nearlySquare, unseen)) && weight > bestWeight {
				found, bestWeight = m, weight
			}
		}
	}
	if bestWeight == 0 {
		return
	}
	for n, i := range found {
		if i >= 0 {
			parts[i] = part{component: parts[i].component, family: Bending, order: n + 1, plane: 2, own: true}
		}
	}
}

// oneOf takes the strongest unassigned part in a range of ratios for the one mode of its family
// there that rings no better than Q q, if it has no more than a share of all energy.
func oneOf(parts []part, f Family, low, high, share, q, hz float64) {
	best, total := -1, 0.0
	for i, p := range parts {
		total += p.energy(nil)
		if p.family == Other && !p.echo && p.q() < q && p.hz > low*hz && p.hz < high*hz && (best < 0 || p.energy(nil) > parts[best].energy(nil)) {
			best = i
		}
	}
	if best >= 0 && parts[best].energy(nil) <= share*total {
		parts[best] = part{component: parts[best].component, family: f, order: 1, plane: 0, own: true}
	}
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
