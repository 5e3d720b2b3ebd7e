package naming

import (
	"math"
	"slices"

	"ringstock/spectrum/bar"
)

const (
	otherPlaneSD = 0.010 // usual sd of ln f_n beside the other plane's series: E and density are common to both
	planeSpread  = 0.33  // the other plane's series lies within this part of the first
	nearlySquare = 0.025 // or so near that one partial is enough to know it
	louderDB     = 12.0  // by which one mode of the other plane may be louder than the rest, beside the first plane's
	leastApart   = 0.3   // Hz times tau: lines that are nearer can't be told apart
	echoHz       = 25.0  // as near to a note as its echoes from the room
	faint        = 0.03  // of all energy: a tap on a face hardly excites torsion
	audible      = 0.01  // of all energy: below it a line is not worth a name
	twistQ       = 0.8   // of the fundamental's Q: wood loses about twice as much in shear as in bending
	noBetter     = 1.5   // times the fundamental's Q: no higher mode has more
	blurredDecay = 0.03  // relative sd, more than that of a line of wood (calibrated on synthetic rooms)
	Drowned      = 0.3   // the room's share from which on a decay may be the room's as well
	qSD          = 0.35  // of ln Q of one mode beside another's; supports damp them unequally
	levelSD      = 6.0   // dB, of one mode's level in the other plane over that in the first
	secondPlane  = 0.8   // what a line gains as one of the other plane, beside one of the first
	honest       = 6.0   // ln of the odds that a line at the very place of a mode is that mode and not a foreign note
	farUp        = 12.0  // times the fundamental: nothing is told apart there, and hardly any energy is there
)

// All says what each line is in the bar, given the series of its first plane.
func All(lines []Line, s Series) []Name {
	n := namer{lines: lines, s: s, names: make([]Name, len(lines)), weight: weights(lines)}
	for i, l := range lines {
		n.names[i].Family = Other
		n.all += l.Energy
	}
	for k, i := range s.Member {
		if i >= 0 {
			n.bending(i, k+1, 1)
		}
	}
	n.echoes() // of the first plane: none of them is a mode of another kind
	n.planes()
	for i, l := range lines {
		// So near to the fundamental, and as slow, nothing but a plane of the bar's own
		// is likely, even where a second one was found further off.
		if f, ok := n.fundamental(); ok && n.free(i) && l.Beside(f) && math.Abs(l.Hz/s.Hz-1) < 0.1 {
			n.bending(i, 1, 2)
		}
	}
	low, high := s.torsion()
	lossy := math.Inf(1)
	if f, ok := n.fundamental(); ok {
		lossy = twistQ * f.Q()
	}
	if i := n.strongest(low, high, lossy); i >= 0 && lines[i].Energy <= faint*n.all {
		n.names[i] = Name{Family: Torsion, Order: 1, Own: true}
		// The second torsion mode of a bar lies an octave over the first.
		if j := n.strongest(2*(1-far)*lines[i].Hz/s.Hz, 2*(1+far)*lines[i].Hz/s.Hz, lossy); j >= 0 && lines[j].Energy <= faint*n.all {
			n.names[j] = Name{Family: Torsion, Order: 2, Own: true}
		}
	}
	if i := n.strongest(19, 36, math.Inf(1)); i >= 0 {
		n.names[i] = Name{Family: Longitudinal, Order: 1, Own: true}
	}
	for i := range lines {
		if n.free(i) && lines[i].Hz > farUp*s.Hz {
			n.names[i].Own = true
		}
	}
	n.echoes()
	return n.names
}

type namer struct {
	lines  []Line
	weight []float64
	all    float64 // energy
	s      Series
	names  []Name
}

func (n *namer) bending(i, order, plane int) {
	n.names[i] = Name{Family: Bending, Order: order, Plane: plane, Own: true, Echo: n.names[i].Echo}
}

func (n *namer) free(i int) bool { return n.names[i].Family == Other }

func (n *namer) fundamental() (Line, bool) {
	if i := n.s.Member[0]; i >= 0 {
		return n.lines[i], true
	}
	return Line{}, false
}

// strongest is the strongest line without a name in a range of ratios that rings no
// better than Q q, or -1.
func (n *namer) strongest(low, high, q float64) int {
	best := -1
	for i, l := range n.lines {
		if n.free(i) && !n.names[i].Echo && l.Q() < q && l.Hz > low*n.s.Hz && l.Hz < high*n.s.Hz && (best < 0 || l.Energy > n.lines[best].Energy) {
			best = i
		}
	}
	return best
}

// echoes marks what the room makes of a strong note: lines within its width, which
// nothing tells from it, and near it those that die faster or are no clean exponential:
// the room's answer is made of many modes, and fades with the square of the distance.
func (n *namer) echoes() {
	for i, l := range n.lines {
		own, blurred, matters := n.names[i].Own, l.SDAlpha > blurredDecay*l.Alpha, l.Energy > audible*n.all
		for j, loud := range n.lines {
			apart, width := math.Abs(l.Hz-loud.Hz), (l.Alpha+loud.Alpha)/(2*math.Pi)
			if apart > echoHz {
				continue
			}
			share := l.Energy / loud.Energy
			weak := share < 0.16
			if weak && l.Alpha > 1.4*loud.Alpha && l.Energy < faint*n.all ||
				!own && n.names[j].Own && (apart < width && share < 4 ||
					blurred && matters && (weak || share < sqr(width/apart)) ||
					blurred && share < 2 && l.Room > Drowned) {
				n.names[i].Echo = true
			}
		}
	}
}

// planes names the bending modes of both planes at once. The second plane's series is
// like the first, all of it higher or lower by one factor. Two of its modes must be
// heard, or its lowest, faint or very near to the first plane's.
func (n *namer) planes() {
	s := n.s
	best, bestGain, _ := n.assign(0)
	// Planes so near to each other that nothing would tell them apart in the fundamental.
	unseen := math.Inf(1)
	f, heard := n.fundamental()
	if heard {
		unseen = leastApart * f.Alpha / s.Hz
	}
	for i, l := range n.lines {
		if i == s.Member[0] || n.names[i].Echo {
			continue
		}
		for order := 1; order <= bar.Orders; order++ {
			w := l.Hz / (s.Hz * s.Ratio(order))
			if math.Abs(w-1) > planeSpread {
				continue
			}
			got, gain, count := n.assign(w)
			lowest := order == 1 && n.slow(i) && (math.Abs(l.Hz-s.Hz) < ClosePairHz && math.Abs(w-1) < 0.1 || l.Energy < faint*n.all)
			if (count >= 2 || lowest || count == 1 && math.Abs(w-1) < min(nearlySquare, unseen)) && gain > bestGain {
				best, bestGain = got, gain
			}
		}
	}
	n.take(best)
}

// take gives the modes of a pairing their names.
func (n *namer) take(p pairing) {
	s := n.s
	for i := range n.names {
		if i != s.Member[0] {
			n.names[i] = Name{Family: Other, Echo: n.names[i].Echo}
		}
	}
	for plane, lines := range p {
		for k, i := range lines {
			if i >= 0 && i != s.Member[0] {
				n.bending(i, k+1, plane+1)
			}
		}
	}
}

// slow tells whether a line lives as long as a mode of the other plane.
func (n *namer) slow(i int) bool {
	l := n.lines[i]
	f, heard := n.fundamental()
	if heard && math.Abs(l.Hz-n.s.Hz) < ClosePairHz {
		return l.Beside(f)
	}
	bestQ := math.Inf(1)
	if heard {
		bestQ = noBetter * f.Q()
	}
	return l.Q() > wornDecay && l.Q()*(1-2*l.SDAlpha/l.Alpha) < bestQ
}

// pairing is which line each bending mode has, by plane (from 0) and order (from 0), or
// -1.
type pairing [2][bar.Orders]int

// assign pairs all lines with the bending modes of the first plane and of a second one at
// w times its frequencies (0 = none), such that most of what sounds is explained, each at
// the place where it is likeliest. For each order the lines of both planes are chosen
// together: wood's unevenness moves both alike, so that they lie w apart, and a tap
// excites them in one proportion. It returns what is gained, and how many modes of the
// second plane are heard.
func (n *namer) assign(w float64) (best pairing, gain float64, second int) {
	var level []float64 // of the second plane over the first, dB
	for pass := range 2 {
		taken := make([]bool, len(n.lines))
		if i := n.s.Member[0]; i >= 0 {
			taken[i] = true
		}
		expected := math.NaN()
		if len(level) > 0 {
			expected = median(level)
		}
		if pass == 1 && math.IsNaN(expected) {
			break
		}
		gain, second, level = 0, 0, nil
		for k := range bar.Orders {
			i, j, g := n.order(k+1, w, expected, taken)
			best[0][k], best[1][k] = i, j
			gain += g
			if i >= 0 {
				taken[i] = true
			}
			if j >= 0 {
				taken[j] = true
				second++
				if i >= 0 {
					level = append(level, decibels(n.lines[j].Energy/n.lines[i].Energy))
				}
			}
			if k == 0 && len(level) == 1 {
				expected = level[0] // of the fundamentals, which are surest
			}
		}
	}
	return best, gain, second
}

// order chooses the lines of both planes for the modes of one order.
func (n *namer) order(order int, w, level float64, taken []bool) (first, second int, gain float64) {
	first, second = -1, -1
	at := n.s.Hz * n.s.Ratio(order)
	other := func(i int) (int, float64) {
		if w == 0 {
			return -1, 0
		}
		return n.other(i, order, w*at, level, taken)
	}
	if i := n.s.Member[0]; order == 1 && i >= 0 {
		second, gain = other(i)
		return i, second, gain
	}
	second, gain = other(-1)
	for i := range n.lines {
		if taken[i] || n.names[i].Echo && !n.s.has(i) {
			continue
		}
		g := n.worth(i, at, unevenSD)
		if g <= 0 {
			continue
		}
		j, more := other(i)
		if g+more > gain {
			first, second, gain = i, j, g+more
		}
	}
	return first, second, gain
}

// other is the best line of the second plane beside line i of the first, or alone (-1)
// where it should lie near hz.
func (n *namer) other(i, order int, hz, level float64, taken []bool) (best int, gain float64) {
	best = -1
	sd := unevenSD
	if i >= 0 {
		hz, sd = hz*n.lines[i].Hz/(n.s.Hz*n.s.Ratio(order)), otherPlaneSD
	}
	for j, l := range n.lines {
		if j == i || taken[j] || !n.slow(j) || n.names[j].Echo && order > 1 {
			continue
		}
		g := secondPlane * n.worth(j, hz, sd)
		if i >= 0 && !math.IsNaN(level) {
			over := decibels(l.Energy/n.lines[i].Energy) - level
			if over > louderDB {
				continue
			}
			g -= n.weight[j] * sqr(over/levelSD) / 2 / honest
		}
		if g > gain {
			best, gain = j, g
		}
	}
	return best, gain
}

// worth is what is gained by taking line i for a mode that should lie within sd of hz.
func (n *namer) worth(i int, hz, sd float64) float64 {
	return n.weight[i] * (1 - (sqr(math.Log(n.lines[i].Hz/hz)/sd)+n.unlike(i))/2/honest)
}

// unlike is by how much a line's Q differs from the fundamental's, squared, in what is
// usual for modes of one piece of wood.
func (n *namer) unlike(i int) float64 {
	f, heard := n.fundamental()
	if !heard {
		return 0
	}
	return min(sqr(math.Log(n.lines[i].Q()/f.Q())/qSD), honest)
}

func decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return (x[len(x)/2] + x[(len(x)-1)/2]) / 2
}
