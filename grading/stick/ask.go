package stick

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// What of a diameter's reading is asked back, in standard uncertainties of one calliper
// reading. Set so that a sound stick of four to eight stations is asked about in less
// than one of a hundred (see the test), at 0.05 mm.
const (
	askOffLine  = 5 * 1.2247 // of a diameter against the line between its neighbours, whose sd is sqrt(3/2)
	askRises    = 5 * math.Sqrt2
	askAgainst  = 7   // of height less width against the other stations
	askRatio    = 2.2 // a diameter over the median of the others
	shortTable  = 9   // stations under which the spread of a table does not tell what is usual in it
	shortestMM  = 200
	usuallyOver = 2.0 // mm; a stick all thinner than that is in other units
)

// side is height or width of a row of stations, mm.
type side struct {
	name  string
	x, mm []float64
}

func (m Model) sides() []side {
	h, w := side{name: "height"}, side{name: "width"}
	for _, s := range m.Stations {
		h.x, h.mm = append(h.x, 1000*s.X), append(h.mm, 1000*s.Height)
		w.x, w.mm = append(w.x, 1000*s.X), append(w.mm, 1000*s.Width)
	}
	return []side{h, w}
}

// off is how far a diameter lies over the line between its neighbours, mm.
func (s side) off(i int) float64 {
	t := (s.x[i] - s.x[i-1]) / (s.x[i+1] - s.x[i-1])
	return s.mm[i] - s.mm[i-1] - t*(s.mm[i+1]-s.mm[i-1])
}

// bulge is by how much a stick's outline may lie over that line without being misread.
// The published graduation thins as 5.14 log10(x + 175), x mm from the head (the
// geometric rule that Saint-George quotes, in closed form); twice its curvature is
// allowed. Its handle is even, so a kink is allowed too.
func (s side) bulge(i int) float64 {
	const step, shift, kink = 5.14 / math.Ln10, 175.0, 0.0036
	fromHead := (s.x[len(s.x)-1] - s.x[i]) * 700 / (s.x[len(s.x)-1] - s.x[0])
	a, b := s.x[i]-s.x[i-1], s.x[i+1]-s.x[i]
	return a*b*step/sq(fromHead+shift) + kink*a*b/(a+b)
}

// without leaves out a station.
func (s side) without(i int) side {
	s.x, s.mm = slices.Delete(slices.Clone(s.x), i, i+1), slices.Delete(slices.Clone(s.mm), i, i+1)
	return s
}

// oddities are what was noticed while the stations were read.
type oddities struct {
	octagons []string // places, mm, whose diameters would fit an octagon as well
	unround  []int    // stations said to be round of which height and width differ
}

// ask looks for readings that can't all be right and asks them back.
func (m *Model) ask(odd oddities) {
	say := func(format string, a ...any) { m.Questions = append(m.Questions, fmt.Sprintf(format, a...)) }
	u := m.Accuracy.CalliperMM
	if len(odd.octagons) > 0 {
		say("at %s mm the diameters fit an octagon across its flats as well as another section; the octagon weighs 5 %% more and is 12 %% stiffer: read across the edges too, or name the shape", strings.Join(odd.octagons, ", "))
	}
	if m.Stations[0].X > 0.001 {
		say("the first station lies %g mm from the butt: is there wood before it? The stick is taken to begin there", 1000*m.Stations[0].X)
	}
	if length := 1000 * m.Length(); length < shortestMM {
		say("the stick is %.4g mm long: are the places in cm? They must be in mm", length)
	}
	asked := map[float64]bool{} // places already asked about
	odds := outlineSD.Odds
	if slices.ContainsFunc(m.Stations, func(s Station) bool { return s.Height != s.Width }) {
		odds = outlineSD.OddsBoth
	}
	for _, s := range m.sides() {
		if slices.Max(s.mm) < usuallyOver {
			say("no %s is over %.2g mm: are the diameters in cm? They must be in mm", s.name, slices.Max(s.mm))
			continue
		}
		s = askOutliers(s, asked, say)
		s = askLine(s, u, asked, say)
		askTaper(s, u, odds, asked, say)
		askShape(s, u, asked, say)
	}
	for _, i := range odd.unround {
		if s := m.Stations[i]; !asked[1000*s.X] {
			say("at %.4g mm the stick is said to be round, but it is %.2f mm high and %.2f mm wide: is one misread? It is taken as oval", 1000*s.X, 1000*s.Height, 1000*s.Width)
			asked[1000*s.X] = true
		}
	}
	m.askDifferences(asked, say)
}

type sayer func(format string, a ...any)

// askOutliers asks for diameters that are of another size than all others,
// and leaves them out.
func askOutliers(s side, asked map[float64]bool, say sayer) side {
	for i := len(s.mm) - 1; i >= 0 && len(s.mm) > 2; i-- {
		rest := s.without(i)
		usual := median(rest.mm)
		if r := s.mm[i] / usual; r > askRatio || r < 1/askRatio {
			say("the %s of %.4g mm at %.4g mm is %.2g times what the others are (%.3g mm in the middle): is it misread, or in another unit?", s.name, s.mm[i], s.x[i], r, usual)
			asked[s.x[i]] = true
			s = rest
		}
	}
	return s
}

// askLine asks for diameters that stand out of the line of their neighbours by more than
// curvature and reading allow, the worst first, and leaves them out. In a long table the
// median of what lies off the line tells what is usual.
func askLine(s side, u float64, asked map[float64]bool, say sayer) side {
	for range max(1, len(s.mm)/4) {
		worst, excess := -1, 0.0
		var size []float64
		for i := 1; i < len(s.mm)-1; i++ {
			size = append(size, math.Abs(s.off(i)))
		}
		if len(size) == 0 {
			break
		}
		usual := 6 * median(size)
		for i := 1; i < len(s.mm)-1; i++ {
			x := s.off(i)
			allowed := askOffLine * u
			if len(s.mm) >= shortTable {
				allowed = max(allowed, usual)
			} else if x > 0 {
				allowed += s.bulge(i)
			}
			if over := math.Abs(x) - allowed; over > excess {
				worst, excess = i, over
			}
		}
		if worst < 0 {
			break
		}
		i := worst
		if asked[s.x[i]] {
			s = s.without(i)
			continue
		}
		if x := s.off(i); x > 0 || len(s.mm) >= shortTable {
			say("the %s of %.2f mm at %.4g mm is %.2f mm out of line with its neighbours (%.2f mm at %.4g mm, %.2f mm at %.4g mm): is it misread?",
				s.name, s.mm[i], s.x[i], x, s.mm[i-1], s.x[i-1], s.mm[i+1], s.x[i+1])
			asked[s.x[i]] = true
			s = s.without(i)
			continue
		}
		// A hollow may be one reading too small or a neighbour too large.
		say("the %s of %.2f mm at %.4g mm lies %.2f mm under the line of its neighbours (%.2f mm at %.4g mm, %.2f mm at %.4g mm), where a stick bulges: is one of the three misread?",
			s.name, s.mm[i], s.x[i], -s.off(i), s.mm[i-1], s.x[i-1], s.mm[i+1], s.x[i+1])
		for _, j := range []int{i - 1, i, i + 1} {
			asked[s.x[j]] = true
		}
		break
	}
	return s
}

// outlineSD is how unlike sticks are in their outlines (common practice, no source, but
// for the two shapes: a straight taper, and that of the published graduation).
var outlineSD = struct{ ThicknessMM, TaperMM, Mixture, WaveMM, WaveLength, Odds, OddsBoth float64 }{
	ThicknessMM: 3,   // of the handle, about 8.6 mm: violin to bass
	TaperMM:     0.5, // of handle less head, about 3.3 mm
	Mixture:     0.5, // of the share of the published taper, about 0.5; the rest is straight
	WaveMM:      0.1, // what else a maker's plane leaves,
	WaveLength:  0.4, // which changes over so much of the length
	Odds:        8,   // of one misread diameter against none, from which it is asked,
	OddsBoth:    50,  // and where height and width are both given: most show in their difference
}

// misreadMM is by how much a diameter is misread that matters, least and most.
var misreadMM = [2]float64{0.5, 3}

// offOutline is how far each diameter lies over what the others foretell, mm, with its
// standard deviation: outlines are a Gaussian process, of which each station in turn is
// left out (Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), p.
// 117). u is that of a reading.
func (s side) offOutline(u float64) (off, sd []float64, ok bool) {
	n := len(s.mm)
	begin, end := s.x[0], s.x[n-1]
	straight, mixed, at := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, x := range s.x {
		at[i] = (x - begin) / (end - begin)
		straight[i] = at[i]
		published := math.Log10(765/(min(590, 700*(1-at[i]))+175)) / math.Log10(765.0/175)
		mixed[i] = (published - straight[i]) / 2
	}
	k, rest := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		rest.SetVec(i, s.mm[i]-(8.6-3.3*(straight[i]+mixed[i])))
		for j := i; j < n; j++ {
			v := sq(outlineSD.ThicknessMM) +
				sq(outlineSD.TaperMM)*(straight[i]+mixed[i])*(straight[j]+mixed[j]) +
				sq(2*3.3*outlineSD.Mixture)*mixed[i]*mixed[j] +
				sq(outlineSD.WaveMM)*math.Exp(-sq((at[i]-at[j])/outlineSD.WaveLength)/2)
			if i == j {
				v += sq(u)
			}
			k.SetSym(i, j, v)
		}
	}
	var factor mat.Cholesky
	if !factor.Factorize(k) {
		return nil, nil, false
	}
	var inverse mat.SymDense
	if factor.InverseTo(&inverse) != nil {
		return nil, nil, false
	}
	var weighed mat.VecDense
	weighed.MulVec(&inverse, rest)
	for i := range n {
		off = append(off, weighed.AtVec(i)/inverse.At(i, i))
		sd = append(sd, 1/math.Sqrt(inverse.At(i, i)))
	}
	return off, sd, true
}

// misreadOdds is how much likelier a deviation is of a diameter that is misread by as
// much as misreadMM, up or down, than of a right one.
func misreadOdds(off, sd float64) float64 {
	within := distuv.Normal{Sigma: sd}
	least, most := misreadMM[0], misreadMM[1]
	if math.Abs(off) > most {
		return math.Inf(1)
	}
	misread := func(off float64) float64 { return within.CDF(off-least) - within.CDF(off-most) }
	return (misread(off) + misread(-off)) / (2 * (most - least) * within.Prob(off))
}

// askTaper asks for the one diameter of a short table that can hardly belong to a stick:
// where one misread is likelier than none by least or more.
func askTaper(s side, u, least float64, asked map[float64]bool, say sayer) {
	if len(s.mm) < 4 || len(s.mm) >= shortTable {
		return
	}
	off, sd, ok := s.offOutline(u)
	if !ok {
		return
	}
	mean, worst, most := 0.0, 0, 0.0
	for i := range off {
		odds := misreadOdds(off[i], sd[i])
		mean += odds / float64(len(off))
		if odds > most {
			worst, most = i, odds
		}
	}
	if mean < least || asked[s.x[worst]] {
		return
	}
	say("the %s of %.2f mm at %.4g mm is %+.2f mm off what the other stations foretell of an evenly graduated stick: is it misread?",
		s.name, s.mm[worst], s.x[worst], off[worst])
	asked[s.x[worst]] = true
}

// askShape asks for a stick that gets thicker towards its head.
func askShape(s side, u float64, asked map[float64]bool, say sayer) {
	for i := 1; i < len(s.mm); i++ {
		if asked[s.x[i]] || asked[s.x[i-1]] {
			continue
		}
		if d := s.mm[i] - s.mm[i-1]; d > askRises*u {
			say("the %s rises from %.2f mm at %.4g mm to %.2f mm at %.4g mm, where a stick thins: is one misread, or are the places not from the butt?",
				s.name, s.mm[i-1], s.x[i-1], s.mm[i], s.x[i])
			asked[s.x[i]], asked[s.x[i-1]] = true, true
		}
	}
}

// askDifferences asks where height and width lie apart as at no other station: neither
// what the others have in the middle nor a straight line through them comes near.
func (m Model) askDifferences(asked map[float64]bool, say sayer) {
	h, w := m.sides()[0], m.sides()[1]
	if len(h.mm) < 4 {
		return
	}
	d := side{x: h.x, mm: make([]float64, len(h.mm))}
	for i := range d.mm {
		d.mm[i] = h.mm[i] - w.mm[i]
	}
	for i, x := range d.x {
		if asked[x] {
			continue
		}
		rest := d.without(i)
		var points []Point
		for j := range rest.x {
			points = append(points, Point{rest.x[j], rest.mm[j]})
		}
		at0, slope := line(points)
		middle := median(rest.mm)
		off := min(math.Abs(d.mm[i]-middle), math.Abs(d.mm[i]-at0-slope*x))
		if off > askAgainst*m.Accuracy.CalliperMM {
			say("at %.4g mm the stick is %.2f mm high and %.2f mm wide, %+.2f mm; at the other stations the two differ by %+.2f mm: is one misread?",
				x, h.mm[i], w.mm[i], d.mm[i], middle)
			asked[x] = true
		}
	}
}

func median(list []float64) float64 {
	list = slices.Sorted(slices.Values(list))
	return (list[(len(list)-1)/2] + list[len(list)/2]) / 2
}
