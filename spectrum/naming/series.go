package naming

import (
	"math"

	"ringstock/spectrum/bar"
)

// How the bending series of real bars departs from that of an even slender one. Computed
// with finite elements: bars whose E varies by 8 %, density by 3 % and height by 2 %
// along the length (the most that blanks do; common practice, no source) move f_n/f_1 by
// 1.7-1.9 % rms, 3.3-3.7 % in 95 of 100; E by 5 % and density by 2 % half as much. An
// even taper hardly moves it.
const (
	near      = 0.008  // off by so little, a line is where an even bar has it
	far       = 0.04   // and so far off is the most that honest wood does
	atNear    = 0.7    // what is left of a line's gain at near; at far it is nothing
	unevenSD  = 0.012  // usual sd of ln f_n/f_1
	slendSD   = 1.5e-5 // sd of the slenderness of blanks about the usual one
	maxSlend  = 1.6e-4
	ringsQ    = 60.0 // a lone line of less may be a thump
	lowestHz  = 45.0 // nothing of a blank sounds lower
	unheardBy = 0.5  // by how much a series whose fundamental is not heard must explain more than one with it
	// and how far it may be from a usual one, as a chi squared of five parts: a right one
	// is in 999 of 1000. Without it a foreign note and two modes made a bar three times
	// as thick as any blank, with a note of its own.
	unheardOff = 20.5
	// (rg/L)^2 = (t/L)^2/12 of a violin blank: 14 mm on 760 mm.
	usualSlend = 2.8e-5
	// E/(kappa G) of wood along the grain, about.
	usualEG = 20.0
)

// block is the relative rise of each mode's ratio with a head block of the usual size (14
// x 28 x 30 mm on a 14 mm bar of 760 mm, by the bar's mechanics).
var block = [bar.Orders]float64{0, 0.0113, 0.0195, 0.0261, 0.031, 0.035}

// Series is the bending series of a bar's first plane, as far as it is heard.
type Series struct {
	Hz     float64         // of the fundamental
	S      float64         // (radius of gyration/length)^2
	Block  float64         // head block, of the usual size = 1
	Member [bar.Orders]int // for each order: index of its line, or -1
	score  float64
}

// Ratio is f_n/f_1 of the series, n from 1.
func (s Series) Ratio(n int) float64 { return ratio(n, s.S, s.Block) }

func ratio(n int, s, b float64) float64 { return bar.FreeRatio(n, s, usualEG) * (1 + b*block[n-1]) }

// Count is how many modes of the series are heard.
func (s Series) Count() (n int) {
	for _, m := range s.Member {
		if m >= 0 {
			n++
		}
	}
	return n
}

func (s Series) has(i int) bool {
	for _, m := range s.Member {
		if m == i {
			return true
		}
	}
	return false
}

// Find chooses the bending series that explains most of what sounds. The fundamental is
// thus neither merely the strongest nor the lowest line: a foreign note has no
// partials of its own at the right places. ok is false if no line can be a fundamental.
func Find(lines []Line) (best Series, ok bool) {
	weight := weights(lines)
	lowest := math.Inf(1)
	for _, l := range lines {
		if l.Q() >= wornDecay {
			lowest = min(lowest, l.Hz)
		}
	}
	best.score = math.Inf(-1)
	try := func(hz float64, own int) {
		h := fitSeries(lines, weight, hz, own)
		h.score = h.worth(lines, weight, lowest, own)
		if h.score > best.score {
			best = h
		}
	}
	for i, l := range lines {
		if l.Q() >= wornDecay {
			try(l.Hz, i)
		}
	}
	// A fundamental that can't be heard itself: its second and third partials
	// and one more must be.
	for _, l := range lines {
		for n := 2; n <= 3; n++ {
			hz := l.Hz / ratio(n, usualSlend, 0)
			before := best
			try(hz, -1)
			if best.score == before.score {
				continue
			}
			if hz < lowestHz || best.score < before.score+unheardBy || best.Count() < 3 || best.Member[1] < 0 || best.Member[2] < 0 {
				best = before
			} else if _, off := best.slenderness(lines); off > unheardOff {
				best = before
			}
		}
	}
	best.S, _ = best.slenderness(lines)
	return best, len(lines) > 0 && !math.IsInf(best.score, -1)
}

// worth is what speaks for a series whose fundamental is line own, -1 if that is not
// heard: what it explains, less what it leaves unexplained, but for what lies far over
// the lowest line that rings.
func (s Series) worth(lines []Line, weight []float64, lowest float64, own int) float64 {
	explained, foreign := 0.0, 0.0
	for _, i := range s.Member {
		if i >= 0 {
			explained += weight[i]
		}
	}
	for i, l := range lines {
		if !s.has(i) && l.Hz < 12*lowest {
			foreign += weight[i]
		}
	}
	if own >= 0 {
		// A thump of the hand or the table has no overtones of its own, and hardly rings.
		worth := weight[own]
		if s.Count() == 1 {
			worth *= min(lines[own].Q()/ringsQ, 1)
			explained = worth
		}
		explained += 0.7 * worth
	}
	return explained - 0.5*foreign
}

// slenderness is what the members of the series say of it, more finely than the search,
// and off how far they and it then are from what is usual: a chi squared.
func (s Series) slenderness(lines []Line) (at, off float64) {
	best, at := math.Inf(1), s.S
	for x := 0.0; x <= maxSlend; x += 1e-6 {
		off := sqr((x - usualSlend) / slendSD)
		for n, i := range s.Member {
			if i >= 0 && n > 0 {
				off += sqr(math.Log(lines[i].Hz/(s.Hz*ratio(n+1, x, s.Block))) / unevenSD)
			}
		}
		if off < best {
			best, at = off, x
		}
	}
	return at, best
}

// closeness is what a line so far off its place, relatively, still counts.
func closeness(off float64) float64 {
	if off = math.Abs(off); off < near {
		return 1 - (1-atNear)*off/near
	}
	return atNear * (far - off) / (far - near)
}

// fitSeries finds slenderness and head block with which most lines fall into place above
// hz. own is the fundamental's line, -1 if it is not among them.
func fitSeries(lines []Line, weight []float64, hz float64, own int) Series {
	best := Series{Hz: hz, score: math.Inf(-1)}
	try := func(s, b float64) {
		h := Series{Hz: hz, S: s, Block: b}
		h.Member[0] = own
		for n := 2; n <= bar.Orders; n++ {
			h.Member[n-1] = -1
			want := hz * ratio(n, s, b)
			gain := 0.0
			for i, l := range lines {
				if i == own || math.Abs(l.Hz/want-1) > far {
					continue
				}
				if g := weight[i] * closeness(l.Hz/want-1); g > gain {
					gain, h.Member[n-1] = g, i
				}
			}
			h.score += gain
		}
		h.score -= 0.02*b + 500*math.Abs(s-usualSlend) // the plain bar first, as slender as blanks are
		if h.score > best.score {
			best = h
		}
	}
	const stepS, stepB = 1e-5, 0.5
	for s := 0.0; s <= maxSlend; s += stepS {
		for b := 0.0; b <= 4; b += stepB {
			try(s, b)
		}
	}
	s, b := best.S, best.Block
	for i := -3.0; i <= 3; i++ {
		for j := -3.0; j <= 3; j++ {
			try(max(s+i*stepS/4, 0), max(b+j*stepB/4, 0))
		}
	}
	return best
}

// torsion is the range of ratios to the fundamental in which the first torsion mode
// of a nearly square bar may lie: f_t/f_1 = 0.918 pi (L/t) sqrt(12 G/E)/lam_1^2, and
// shear lowers the higher bending modes by the same E/G (L/t)^-2, which the series tells.
func (s Series) torsion() (low, high float64) {
	if s.Count() < 4 || s.S < 1e-5 {
		return 4.4, 8.6
	}
	slender := 1 / math.Sqrt(12*s.S)
	at := 0.918 * math.Pi * slender * math.Sqrt(12/(usualEG*5/6)) / bar.Lam2(1)
	return 0.85 * at, 1.18 * at
}

func sqr(x float64) float64 { return x * x }
