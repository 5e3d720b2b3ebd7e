package spectrum

import "math"

// Ratios of the bending modes of a free bar. For a slender uniform bar they are
// (lam_n/lam_1)^2 with cos(lam) cosh(lam) = 1 (Thomson, Theory of Vibration with
// Applications, App. D, more digits computed). Shear and rotary inertia lower them:
// f_n^2 is divided by 1 + (rg/L)^2 (F1_n + F2_n E/(kappa G)), first order in Timoshenko's
// theory (Goens 1931; Hearmon 1958; from memory). A head block raises them.
var (
	freeBar = []float64{22.373285448, 61.672822868, 120.903391727, 199.859448091, 298.555535375, 416.990786057}
	rotary  = []float64{49.48082, 108.92459, 186.86671, 284.68314, 402.22805, 539.51290} // F1_n
	shear   = []float64{12.30262, 46.05012, 98.90480, 171.58566, 263.99798, 376.15008}   // F2_n
	// block is the relative rise of each mode's ratio with a head block of the usual
	// size (14 x 28 x 30 mm on a 14 mm bar of 760 mm, computed with Timoshenko beams).
	block = []float64{0, 0.0113, 0.0195, 0.0261, 0.031, 0.035}
)

const (
	shearOverRotary = 20.0 // E/(kappa G) of wood along the grain, about
	seriesTolerance = 0.008
	// By how much a series whose fundamental is not heard must explain more than one with it.
	unheardMargin = 0.5
	// (rg/L)^2 = (t/L)^2/12 of a violin blank: 14 mm on 760 mm.
	usualSlenderness = 2.8e-5
)

// bendingRatio is f_n/f_1 (n from 1) for a slenderness s = (rg/L)^2 and b head blocks of the usual size.
func bendingRatio(n int, s, b float64) float64 {
	stiff := func(i int) float64 { return 1 + s*(rotary[i]+shearOverRotary*shear[i]) }
	i := n - 1
	return freeBar[i] / freeBar[0] * math.Sqrt(stiff(0)/stiff(i)) * (1 + b*block[i])
}

// series is a hypothesis: this fundamental, this slenderness and head block explain these components.
type series struct {
	hz     float64
	s, b   float64
	member []int // for each order from 1: index of the component, or -1
	score  float64
}

// weightOf says how much a component counts in the choice of a series: 1 for the strongest, 0 from 50 dB below.
func weightOf(energy, strongest float64) float64 {
	if energy <= 0 || strongest <= 0 {
		return 0
	}
	return max(0, 1+10*math.Log10(energy/strongest)/50)
}

// findSeries chooses the bending series that explains most of what sounds. The fundamental is
// thus neither merely the strongest nor the lowest line: a foreign note has no
// partials of its own at the right places.
func findSeries(cs []component) (best series, ok bool) {
	strongest := 0.0
	for _, c := range cs {
		strongest = max(strongest, c.energy(nil))
	}
	weight := make([]float64, len(cs))
	lowest := math.Inf(1)
	for i, c := range cs {
		weight[i] = weightOf(c.energy(nil), strongest)
		if c.q() >= 20 {
			lowest = min(lowest, c.hz)
		}
	}
	best.score = math.Inf(-1)
	try := func(hz float64, own int) {
		h := matchSeries(cs, weight, hz, own)
		explained, foreign := 0.0, 0.0
		for _, i := range h.member {
			if i >= 0 {
				explained += weight[i]
			}
		}
		for i, c := range cs {
			// What is left unexplained speaks against a hypothesis, but for what lies far up.
			if !h.has(i) && c.hz < 12*lowest {
				foreign += weight[i]
			}
		}
		h.score = explained - 0.5*foreign
		if own >= 0 {
			h.score += 0.7 * weight[own]
		}
		if h.score > best.score {
			best = h
		}
	}
	for i, c := range cs {
		if c.q() >= 20 {
			try(c.hz, i)
		}
	}
	// A fundamental that can't be heard itself: its second and third partials and one more must be.
	for _, c := range cs {
		for n := 2; n <= 3; n++ {
			hz := c.hz / bendingRatio(n, usualSlenderness, 0)
			before := best
			try(hz, -1)
			if best.score != before.score && (hz < lowestHz || best.score < before.score+unheardMargin ||
				best.count() < 3 || best.member[1] < 0 || best.member[2] < 0) {
				best = before
			}
		}
	}
	best = best.refined(cs)
	return best, len(cs) > 0 && !math.IsInf(best.score, -1)
}

// torsion is the range of ratios to the fundamental in which the first torsion mode
// of a nearly square bar may lie: f_t/f_1 = 0.918 pi (L/t) sqrt(12 G/E)/lam_1^2, and
// shear lowers the higher bending modes by the same E/G (L/t)^-2, which the series tells.
func (h series) torsion() (low, high float64) {
	if h.count() < 4 || h.s < 1e-5 {
		return 4.4, 8.6
	}
	slender := 1 / math.Sqrt(12*h.s)
	at := 0.918 * math.Pi * slender * math.Sqrt(12/(shearOverRotary*5/6)) / freeBar[0]
	return 0.85 * at, 1.18 * at
}

// refined fits the slenderness of a found series to its members, more finely than the search.
func (h series) refined(cs []component) series {
	best := math.Inf(1)
	out := h
	for s := 0.0; s <= 1.6e-4; s += 1e-6 {
		off := 0.0
		for n, i := range h.member {
			if i >= 0 && n > 0 {
				d := cs[i].hz/(h.hz*bendingRatio(n+1, s, h.b)) - 1
				off += d * d
			}
		}
		if off < best {
			best, out.s = off, s
		}
	}
	return out
}

func (h series) has(i int) bool {
	for _, m := range h.member {
		if m == i {
			return true
		}
	}
	return false
}

func (h series) count() int {
	n := 0
	for _, m := range h.member {
		if m >= 0 {
			n++
		}
	}
	return n
}

// matchSeries finds slenderness and head block with which most components fall into place above hz.
// own is the fundamental's component, -1 if it is not among them.
func matchSeries(cs []component, weight []float64, hz float64, own int) series {
	best := series{hz: hz, score: math.Inf(-1)}
	try := func(s, b, tolerance float64) {
		h := series{hz: hz, s: s, b: b, member: make([]int, len(freeBar))}
		h.member[0] = own
		for n := 2; n <= len(freeBar); n++ {
			h.member[n-1] = -1
			want := hz * bendingRatio(n, s, b)
			gain := 0.0
			for i, c := range cs {
				off := math.Abs(c.hz/want - 1)
				if i == own || off > tolerance {
					continue
				}
				if g := weight[i] * (1 - 0.3*off/tolerance); g > gain {
					gain, h.member[n-1] = g, i
				}
			}
			h.score += gain
		}
		h.score -= 0.02*b + 500*math.Abs(s-usualSlenderness) // the plain bar first, as slender as blanks are
		if h.score > best.score {
			best = h
		}
	}
	tolerance := seriesTolerance
	if own < 0 {
		tolerance *= 2
	}
	// In half a step a high partial moves by the tolerance: look twice as far, then between the steps.
	const stepS, stepB = 1e-5, 0.5
	for s := 0.0; s <= 1.6e-4; s += stepS {
		for b := 0.0; b <= 4; b += stepB {
			try(s, b, 2*tolerance)
		}
	}
	s, b := best.s, best.b
	best.score = math.Inf(-1)
	for i := -3.0; i <= 3; i++ {
		for j := -3.0; j <= 3; j++ {
			try(max(s+i*stepS/4, 0), max(b+j*stepB/4, 0), tolerance)
		}
	}
	return best
}
