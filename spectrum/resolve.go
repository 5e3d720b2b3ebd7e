package spectrum

import (
	"cmp"
	"math"
	"slices"

	"ringstock/spectrum/damped"
)

// When a further line is believed. Set on synthetic bars in rooms: lines that are there
// are found, and those of rooms are not.
const (
	bicDrop    = 10.0  // a further line must lower the criterion by this much: very strong evidence (Raftery, Sociol. Methodol. 25 (1995) 111)
	maxLines   = 4     // damped lines in one neighbourhood, beyond the peaks seen there
	roomAlpha  = 25.0  // 1/s; first guess of the decay of what the room answers (RT60 0.28 s)
	splitStep  = 0.1   // in units of the first guess of alpha: the raster of frequencies (Hz) on which a pair is sought,
	splitSteps = 10    // and how many of them on either side
	tryFurther = 3     // places at most at which a further line is tried
	loudSDs    = 1.5   // of n exponential variates' mean; the loudest bin is always some way over it, so this asks little
	noiseKnown = 1.3   // the density in the quiet part is known to about 15 %, and
	restSDs    = 3.0   // standard deviations of chi squared are left to chance
	apartFar   = 0.15  // times the sum of both decays: lines so far apart are two,
	apartNear  = 0.075 // nearer than this they are one,
	apartSDs   = 5.0   // and between only where their distance is known so well
	unlikeRate = 0.5   // of that sum, by which decays must differ: a fast line may lie under a slow one
)

// resolve fits lines that start at the given frequencies (Hz relative to the centre) and
// adds further ones while the data ask for them; with care also while the fit leaves more
// than noise. Then, too, a hum that may have gone on through all records is taken as one,
// which tells it from a ring beside it.
func (h neighbourhood) resolve(recs []damped.Record, start []damped.Line, most int, care bool) *damped.Fit {
	fitter := h.fitter(recs)
	best, err := fitter.Solve(start, h.hum, h.humAmp)
	if err != nil {
		return nil
	}
	for len(best.Lines) < most {
		next := h.better(fitter, best, recs, start, care)
		if next == nil {
			break
		}
		best = next
	}
	if care && len(h.hum) > 0 && best.Coherent == nil {
		if f := fitter.Coherent(best); f != nil {
			return f
		}
	}
	return best
}

// better is a fit with a line more than the best so far, which was started from the given
// lines; nil if the data don't ask for one.
func (h neighbourhood) better(fitter *damped.Fitter, best *damped.Fit, recs []damped.Record, start []damped.Line, care bool) (next *damped.Fit) {
	at, loud := loudestResidual(best, recs, h.rate())
	restless := h.restless(best, recs)
	care = care && restless
	if !loud && !care {
		return nil
	}
	try := func(lines []damped.Line) bool {
		f, err := fitter.Solve(lines, best.Undamped, best.Coherent)
		found := err == nil && f.Converged && h.sensible(f, recs) && best.BIC-f.BIC > bicDrop && (next == nil || f.BIC < next.BIC)
		if found {
			next = f
		}
		return found
	}
	for _, l := range h.further(fitter, best, at, care) {
		if try(append(slices.Clone(best.Lines), l)) {
			break
		}
	}
	// Without care pairs are sought only where a fundamental may be.
	if len(best.Lines) == len(start) && len(start) > 0 && restless && (care || h.centre() < blankHz) {
		if pair, ok := h.split(fitter, best, start, at); ok {
			try(pair)
		}
	}
	return next
}

// restless tells whether the fit leaves more than the noise that the quiet part has
// there.
func (h neighbourhood) restless(f *damped.Fit, recs []damped.Record) bool {
	return h.restlessNear(f, recs, 0, math.Inf(1))
}

// restlessNear is the same for the bins within half of a frequency, Hz
// relative to the centre.
func (h neighbourhood) restlessNear(f *damped.Fit, recs []damped.Record, hz, half float64) bool {
	left, free := 0.0, 0.0
	for i, r := range recs {
		if r.Silent {
			continue
		}
		// The fit's unknowns are taken to lie spread over all bins.
		n, power := 0, 0.0
		for k, e := range f.Residual[i] {
			if math.Abs(float64(r.First+k)*h.rate()/float64(r.N)-hz) < half {
				n++
				power += sq(e)
			}
		}
		unknown := float64((len(f.Lines)+f.Background)*n) / float64(len(r.Bins))
		left += power / (2 * h.noise * h.rate() * float64(r.N))
		free += float64(n) - unknown
	}
	return left > free*noiseKnown+restSDs*math.Sqrt(max(free, 1))
}

// split puts a pair in place of that line of a fit that was started nearest to a
// frequency, if that may better it.
func (h neighbourhood) split(fitter *damped.Fitter, f *damped.Fit, start []damped.Line, at float64) (lines []damped.Line, ok bool) {
	m := 0
	for i, l := range start {
		if math.Abs(l.Hz-at) < math.Abs(start[m].Hz-at) {
			m = i
		}
	}
	slow := startAlpha(h.centre())
	for k := -splitSteps; k <= splitSteps; k++ {
		lines = append(lines, damped.Line{Hz: start[m].Hz + splitStep*slow*float64(k), Alpha: slow})
	}
	pair, gain := fitter.Split(f, m, lines)
	return append(slices.Delete(slices.Clone(f.Lines), m, m+1), pair[:]...), gain > 0
}

// further lists lines that would better the fit, the most promising first: the best, with
// care the best at each of several places.
func (h neighbourhood) further(fitter *damped.Fitter, f *damped.Fit, at float64, care bool) []damped.Line {
	slow := startAlpha(h.centre())
	if len(f.Lines) > 0 {
		slow = max(f.Lines[0].Alpha, 1)
	}
	lines := []damped.Line{{Hz: at, Alpha: slow}, {Hz: at, Alpha: roomAlpha * h.width()}}
	if care {
		lines = append(lines, damped.Line{Hz: at, Alpha: startAlpha(h.centre())})
		for _, l := range f.Lines { // a slow line and a fast one may lie on each other, and look like one
			lines = append(lines, damped.Line{Hz: l.Hz, Alpha: l.Alpha / 4}, damped.Line{Hz: l.Hz, Alpha: l.Alpha * 4})
		}
	}
	gain := map[damped.Line]float64{}
	for i, g := range fitter.Gains(f, lines) {
		gain[lines[i]] = g
	}
	lines = slices.DeleteFunc(lines, func(l damped.Line) bool { return gain[l] < 0 && !care })
	slices.SortStableFunc(lines, func(x, y damped.Line) int { return cmp.Compare(gain[y], gain[x]) })
	var out []damped.Line
	for _, l := range lines { // two lines at one place mostly lead to the same fit
		if (care || len(out) == 0) && len(out) < tryFurther && !slices.ContainsFunc(out, func(o damped.Line) bool { return o.Hz == l.Hz }) {
			out = append(out, l)
		}
	}
	return out
}

// sensible refuses fits in which a line does not decay or two lines have become one.
func (h neighbourhood) sensible(f *damped.Fit, recs []damped.Record) bool {
	for i, l := range f.Lines {
		if l.Alpha < noSlower || !h.holds(h.centre()+l.Hz) {
			return false
		}
		for j, o := range f.Lines[:i] {
			// Of two lines closer than 0.3 alpha only a fit that explains all tells that
			// they are two, and no decay that is none; a far faster one (what the room
			// answers) may lie under a slow one.
			apart, alpha := math.Abs(l.Hz-o.Hz), l.Alpha+o.Alpha
			if apart < apartFar*alpha && math.Abs(l.Alpha-o.Alpha) < unlikeRate*alpha && (apart < apartNear*alpha || apart < apartSDs*f.SDApart(i, j) ||
				h.restlessNear(f, recs, l.Hz, max(2*alpha, 2*h.width()))) {
				return false
			}
		}
	}
	return true
}

// loudestResidual is where what the fit left over stands out most, if it does at all.
func loudestResidual(f *damped.Fit, recs []damped.Record, rate float64) (hz float64, ok bool) {
	longest := 0
	for i, r := range recs {
		if !r.Silent && (recs[longest].Silent || r.N > recs[longest].N) {
			longest = i
		}
	}
	ref := recs[longest]
	sum := make([]float64, len(ref.Bins))
	n := 0.0
	for i, r := range recs {
		if r.Silent {
			continue
		}
		n++
		for k := range sum {
			// The same frequency in a record of another length.
			j := int(math.Round(float64(ref.First+k)*float64(r.N)/float64(ref.N))) - r.First
			j = min(max(j, 0), len(r.Bins)-1)
			e := f.Residual[i][j]
			sum[k] += (real(e)*real(e) + imag(e)*imag(e)) / f.NoisePow[i]
		}
	}
	best := 0
	for k := range sum {
		if sum[k] > sum[best] {
			best = k
		}
	}
	return float64(ref.First+best) * rate / float64(ref.N), sum[best]/max(n, 1) > 1+loudSDs/math.Sqrt(max(n, 1))
}

// components turns the lines of a fit into components.
func (h neighbourhood) components(f *damped.Fit, recs []damped.Record, which []int) []component {
	var out []component
	for m, l := range f.Lines {
		c := component{hz: h.centre() + l.Hz, alpha: l.Alpha, amp: make([]float64, h.taps), snr: make([]float64, h.taps),
			alone: make([]tapEstimate, h.taps)}
		c.sdHz, c.sdAlpha = f.SD(m)
		c.noiseHz, c.noiseAlpha = c.sdHz, c.sdAlpha
		for i, t := range which {
			if t < 0 {
				continue
			}
			a := f.Amp[i][m]
			c.amp[t] = math.Hypot(real(a), imag(a)) * math.Exp(min(l.Alpha*recs[i].Lead, 30))
			if e := f.Each[i]; e.OK && e.Lines[m].Alpha > 0 {
				c.alone[t] = tapEstimate{h.centre() + e.Lines[m].Hz, e.Lines[m].Alpha, e.SD[m].Hz, e.SD[m].Alpha}
			}
			c.snr[t] = sq(a) * lineEnergy(l.Alpha, float64(recs[i].N)/h.rate()) * h.rate() * float64(recs[i].N) / f.NoisePow[i]
		}
		out = append(out, c)
	}
	return out
}
