package spectrum

import (
	"math"
	"slices"

	"ringstock/spectrum/damped"
)

// roomFit is what a neighbourhood's fit with a model of the room found: the fundamental, and the lines beside it.
type roomFit struct {
	lines []component
	main  int // index of the fundamental
}

// fitRoom fits the fundamental parts[main] with care: lines that hide beside it are sought, and, where the room
// dies before the ring (waits), what it adds is part of the model. Pure: the neighbourhood is prepared before, and
// what is known stays as it is. ok is false where no such fit holds: then what is known is best.
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
		if cs := h.inRooms(f, recs, which, main); len(cs) > 0 {
			return roomFit{lines: cs}, true
		}
	}
	return roomFit{lines: h.components(f, recs, which), main: main}, true
}

// less leaves away terms of what reaches in of all else, if the data don't ask for them: they hide some of the ring.
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

// heardTaus is for how many decay times a line is listened to even if the band is noise before: in the line's own width
// there is less. What comes later is 1.4 % of what all of it tells of the frequency.
const heardTaus = 4.0

// lateS is how long after the strike the room has mostly died.
const lateS = 0.12

// latest is the line of a fit with the most energy when the room has died, -1 if none rings.
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

// isHum tells whether a line of a fit is what a steady one leaves of itself where it wanders.
func (h neighbourhood) isHum(f *damped.Fit, m int) bool {
	l := f.Lines[m]
	_, sd := f.SD(m)
	return endless(l.Alpha, sd) && slices.ContainsFunc(h.hum, func(hum float64) bool { return math.Abs(l.Hz-hum) < humStrays })
}

// A room answers a ring a exp(s t) with a copy of it, H(s) a exp(s t), which builds up within some tenths of a second:
// until then it lacks a exp(s t) times the integral of h(t') exp(-s t') from t on. Where the room's answer h to a click is noise
// that dies as exp(-beta t) (Polack's model of a diffuse room, from memory), this integral is a random walk in
// u = exp(-2 (beta - alpha) t), with covariance V min(u, u'): as a factor of the ring it is the same for all taps.
type room struct {
	v    float64 // variance of the factor at the strike
	beta float64 // 1/s
}

// The rooms that are tried: V from a faint answer to one that nearly cancels the ring, RT60 of 0.2, 0.33 and 0.55 s.
var (
	roomV    = []float64{0.03, 0.1, 0.3, 1, 3}
	roomBeta = []float64{34.5, 20.9, 12.6}
)

const (
	roomless = 2.0  // how likely it is, before anything is heard, that there is no room, relative to one of those tried
	roomLike = 1.5  // times the uncertainty that the walk gives: a room of few modes is no noise (calibrated on synthetic rooms)
	fastest  = 70.0 // 1/s: what dies faster is no mode of a room
	strays   = 2.0  // Hz by which a line may move from one room to the next: further off it is another
	hopeless = 20.0 // -2 times the logarithm of a probability beside which others need not be counted
)

// A Brownian motion over 0 <= u <= 1 is a sum of the integrals of Legendre polynomials with independent coefficients of
// unit variance; walk holds the coefficients of u, u^2, ... of its first terms. The next one would tell of
// milliseconds, which a band does not let through.
var walk = func() (c [6][6]float64) {
	for k := range c {
		// Shifted to 0..1: sqrt(2k+1) (-1)^k sum_j C(k,j) C(k+j,j) (-u)^j.
		b := math.Sqrt(float64(2*k + 1))
		if k%2 == 1 {
			b = -b
		}
		for j := 0; j <= k; j++ {
			c[k][j] = b / float64(j+1)
			b *= -float64((k-j)*(k+j+1)) / float64((j+1)*(j+1))
		}
	}
	return c
}()

// ringFirst puts the fundamental before the ring's other lines, and those before what dies faster. A decay that is far from
// usual may be the room's: as a starting value it is brought nearer.
func (h neighbourhood) ringFirst(f *damped.Fit, main int) (g *damped.Fit, ring int) {
	order := []int{main}
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
	g = &damped.Fit{Model: f.Model, Amp: slices.Clone(f.Amp)}
	g.Lines = nil
	for _, i := range order {
		l := f.Lines[i]
		if len(g.Lines) < ring {
			l.Alpha = min(l.Alpha, 1.5*startAlpha(h.centre()))
		}
		g.Lines = append(g.Lines, l)
	}
	for i, amp := range f.Amp {
		if len(amp) == 0 {
			continue // silent
		}
		g.Amp[i] = nil
		for _, m := range order {
			g.Amp[i] = append(g.Amp[i], amp[m])
		}
	}
	return g, ring
}

// answers are the terms of the walk times the ring that a fit found, bins of each record: the ring's lines are
// the fit's first ones, the fundamental its very first.
func (h neighbourhood) answers(r room, f *damped.Fit, ring int, recs []damped.Record) [][][]complex128 {
	out := make([][][]complex128, len(recs))
	fall := 2 * max(r.beta-f.Lines[0].Alpha, 0.5)
	for i, rec := range recs {
		if rec.Silent {
			continue
		}
		out[i] = rows[complex128](len(walk), len(rec.Bins))
		for m := range walk { // the ring times u^(m+1) is a sum of faster lines
			faster := fall * float64(m+1)
			lines, amp := slices.Clone(f.Lines[:ring]), slices.Clone(f.Amp[i][:ring])
			for l := range lines {
				lines[l].Alpha += faster
				amp[l] *= complex(math.Sqrt(r.v)*math.Exp(-faster*rec.Lead), 0)
			}
			power := damped.Transform(lines, amp, h.rate(), rec.N, rec.First, len(rec.Bins))
			for k := m; k < len(walk); k++ {
				for b, p := range power {
					out[i][k][b] += complex(walk[k][m], 0) * p
				}
			}
		}
	}
	return out
}

// heard is a fit with a model of what the room adds.
type heard struct {
	fit    *damped.Fit
	score  float64 // -2 times the logarithm of its probability, but for a constant
	weight float64 // its probability over the best one's
}

// inRooms fits the ring's lines of a fit anew in rooms of many kinds, with and without its faster lines (single strong modes of
// the room), and takes the mean over all, each weighted with its probability. The ring's lines come first, the fundamental
// as the very first; nil if nothing fits.
func (h neighbourhood) inRooms(f *damped.Fit, recs []damped.Record, which []int, main int) []component {
	f, ring := h.ringFirst(f, main)
	var rooms []heard
	best := heard{score: math.Inf(1)}
	for _, lines := range slices.Compact([]int{len(f.Lines), ring}) {
		for _, v := range h.inRoom(f, recs, lines, ring, best.score) {
			if rooms = append(rooms, v); v.score < best.score {
				best = v
			}
		}
	}
	if len(rooms) == 0 {
		return nil
	}
	sum := 0.0
	for i := range rooms {
		rooms[i].weight = math.Exp((best.score - rooms[i].score) / 2)
		sum += rooms[i].weight
	}
	cs := h.components(best.fit, recs, which)
	for m := range cs[:ring] {
		var mean, noise, all damped.Line // the last two are variances
		for _, v := range rooms {
			w, l := v.weight/sum, v.fit.Lines[m]
			mean.Hz += w * l.Hz
			mean.Alpha += w * l.Alpha
		}
		for _, v := range rooms {
			w, l := v.weight/sum, v.fit.Lines[m]
			hz, alpha := v.fit.SD(m)
			all.Hz += w * (sqr(hz) + sqr(l.Hz-mean.Hz))
			all.Alpha += w * (sqr(alpha) + sqr(l.Alpha-mean.Alpha))
			hz, alpha = v.fit.NoiseSD(m)
			noise.Hz += w * sqr(hz)
			noise.Alpha += w * sqr(alpha)
		}
		c := &cs[m]
		c.move(mean.Hz-best.fit.Lines[m].Hz, mean.Alpha-best.fit.Lines[m].Alpha)
		c.noiseHz, c.noiseAlpha = math.Sqrt(noise.Hz), math.Sqrt(noise.Alpha)
		c.sdHz, c.sdAlpha = c.noiseHz, c.noiseAlpha
		least := roomLeast * c.rate()
		c.room = math.Hypot(least, roomLike*math.Sqrt(max(all.Alpha-noise.Alpha, 0))) / c.rate()
		c.roomHz = math.Hypot(least/(2*math.Pi), roomLike*math.Sqrt(max(all.Hz-noise.Hz, 0)))
	}
	return cs
}

// inRoom fits the first lines of a fit, of which some are the ring's, without a room and in one after the other of those
// beside the best so far, unless a score that others have reached is out of reach.
func (h neighbourhood) inRoom(f *damped.Fit, recs []damped.Record, lines, ring int, beat float64) (out []heard) {
	fitter := h.fitter(recs)
	fitter.Roughly()
	f = &damped.Fit{Model: f.Model, Amp: f.Amp}
	f.Lines = f.Lines[:lines]
	fit := func(columns [][][]complex128, likely float64) (v heard, ok bool) {
		fitter.Share(columns)
		g, err := fitter.Solve(f.Lines, f.Undamped, f.Coherent)
		if err != nil || !g.Converged {
			return v, false
		}
		if !h.same(g, f, ring, recs) {
			return v, false
		}
		v = heard{fit: g, score: g.Marginal - 2*math.Log(likely)}
		// A further line is anywhere within the bins, dies by any rate, and is about as loud as the ring.
		for range lines - ring {
			v.score += 2 * math.Log(2*h.reach*roomBeta[0]/math.Pi)
			for _, amp := range g.Amp {
				if len(amp) > 0 {
					v.score += 2 * math.Log(sq(amp[0])/2)
				}
			}
		}
		out = append(out, v)
		return v, true
	}
	best := math.Inf(1)
	if v, ok := fit(nil, roomless); ok {
		best = v.score
	}
	tried := map[[2]int]bool{}
	at := [2]int{len(roomV) / 2, len(roomBeta) / 2}
	for moved := true; moved; {
		moved = false
		for _, step := range [][2]int{{}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			to := [2]int{at[0] + step[0], at[1] + step[1]}
			if to[0] < 0 || to[1] < 0 || to[0] >= len(roomV) || to[1] >= len(roomBeta) || tried[to] {
				continue
			}
			tried[to] = true
			if v, ok := fit(h.answers(room{roomV[to[0]], roomBeta[to[1]]}, f, ring, recs), 1); ok && v.score < best {
				best, at, f, moved = v.score, to, v.fit, true
			}
		}
		if best > beat+hopeless {
			break
		}
	}
	return out
}

// same tells whether the lines of a fit still are what they were in another, the first ones the ring's.
func (h neighbourhood) same(f, was *damped.Fit, ring int, recs []damped.Record) bool {
	for m, l := range f.Lines {
		if m < ring {
			if l.Alpha < 0.02 || math.Abs(l.Hz-was.Lines[m].Hz) > strays*h.width() {
				return false
			}
		} else if l.Alpha > fastest*h.width() || !h.holds(h.centre()+l.Hz) || h.late(f, recs, m) > h.late(f, recs, 0) {
			return false // what was a line of the room must not have become the ring
		}
	}
	return true
}

// move shifts a component to another frequency and decay, and what its taps say alone with it.
func (c *component) move(hz, alpha float64) {
	c.hz += hz
	c.alpha += alpha
	for i := range c.alone {
		if c.alone[i].sdAlpha > 0 {
			c.alone[i].hz += hz
			c.alone[i].alpha += alpha
		}
	}
}
