package spectrum

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"ringstock/spectrum/damped"
)

const (
	overNoise  = 20.0  // a peak counts from 13 dB over the noise density
	overNear   = 6.0   // and 8 dB over the hollows beside it
	maxPeaks   = 24    // strongest ones kept
	lowestHz   = 45.0  // nothing of a blank sounds lower
	highestHz  = 16000 // or is of use higher
	bicDrop    = 10.0  // a further line must lower the criterion by this much
	maxLines   = 4     // damped lines in one neighbourhood, beyond the peaks seen there
	startQ     = 180.0 // first guess of a decay
	roomTau    = 0.08  // s; what dies faster beside a hum line may be the room (RT60 up to 0.55 s)
	roomAlpha  = 25.0  // 1/s; first guess of the decay of what the room answers (RT60 0.28 s)
	firstSkipS = 0.016 // partials are fitted from here on after the strike
	splitStep  = 0.1   // in units of the first guess of alpha: the raster of frequencies (Hz) on which a pair is sought,
	splitSteps = 10    // and how many of them on either side
)

// component is a decaying line found in a set of taps.
type component struct {
	hz, alpha     float64 // Hz, 1/s
	sdHz, sdAlpha float64 // from the fit's noise, widened by the scatter between taps
	noiseHz       float64 // from the fit's noise alone
	noiseAlpha    float64
	amp           []float64 // per tap, amplitude extrapolated to the strike; 0 where not fitted
	snr           []float64 // per tap: energy of the line in the fit over the noise density there
	alone         []estimate
	room          float64 // the room's share in the uncertainty of alpha, where its fit was made so that it shows; else 0
	roomHz        float64 // and its part in that of the frequency
}

// estimate is what a single tap says of a component; the zero value says nothing.
type estimate struct{ hz, alpha, sdHz, sdAlpha float64 }

func (c component) tau() float64 { return 1 / c.alpha }
func (c component) q() float64   { return math.Pi * c.hz / c.alpha }

// energy is the component's energy between 30 and 530 ms after the strike,
// A^2 tau/4 (exp(-0.06/tau) - exp(-1.06/tau)), the median over the taps of each tap's
// strength relative to ref; with ref nil the median of the plain energies.
func (c component) energy(ref *component) float64 {
	var e []float64
	for i, a := range c.amp {
		v := a * a
		if ref != nil {
			if ref.amp[i] == 0 {
				continue
			}
			v /= ref.amp[i] * ref.amp[i]
		}
		e = append(e, v)
	}
	return median(e) * decayEnergy(c.alpha)
}

// lineEnergy is the integral of exp(-2 alpha t) over a record.
func lineEnergy(alpha, duration float64) float64 {
	if 2*alpha*duration < 1e-6 {
		return duration
	}
	return -math.Expm1(-2*alpha*duration) / (2 * alpha)
}

func decayEnergy(alpha float64) float64 {
	if alpha < 1e-3 {
		return 0.25
	}
	return (math.Exp(-0.06*alpha) - math.Exp(-1.06*alpha)) / (4 * alpha)
}

// peaks lists the frequencies at which the ring stands out of the noise, hum lines excepted.
func (v view) peaks() []float64 {
	type peak struct{ hz, power float64 }
	var found []peak
	s, per := v.ring.p, v.ring.perBin
	near := v.ring.background(60, 1)
	for k := max(int(lowestHz/per), 2); k < min(len(s)-2, int(v.top/per)); k++ {
		if s[k] < s[k-1] || s[k] <= s[k+1] || s[k] < overNoise*v.noise.p[k] || s[k] < overNear*near.p[k] {
			continue
		}
		hz := (float64(k) + peakShift(s[k-1], s[k], s[k+1])) * per
		if v.isHum(hz) && s[k] < 4*v.quiet.at(hz) {
			continue
		}
		// A side lobe or a ripple on the skirt of a stronger line is no peak: there
		// must be a hollow on both sides before anything stronger.
		hollow := func(step int) bool {
			for j, lowest := k, s[k]; j > 0 && j < len(s) && math.Abs(float64(j-k))*per < 25; j += step {
				lowest = min(lowest, s[j])
				if s[j] > s[k] {
					return s[k] > overNear*lowest
				}
			}
			return true
		}
		if hollow(1) && hollow(-1) {
			found = append(found, peak{hz, s[k]})
		}
	}
	slices.SortFunc(found, func(a, b peak) int { return cmp.Compare(b.power, a.power) })
	var out []float64
	for _, f := range found[:min(len(found), maxPeaks)] {
		out = append(out, f.hz)
	}
	slices.Sort(out)
	return out
}

// soundsLow tells whether a good part of the ring, hum aside, lies where a blank's fundamental does.
func (v view) soundsLow() bool {
	strongest, low := 0.0, 0.0
	for k := int(lowestHz / v.ring.perBin); k < len(v.ring.p); k++ {
		hz := float64(k) * v.ring.perBin
		if v.isHum(hz) {
			continue
		}
		strongest = max(strongest, v.ring.p[k])
		if hz < blankHz && v.ring.p[k] > 4*overNoise*v.noise.p[k] {
			low = max(low, v.ring.p[k])
		}
	}
	return low > 1e-3*strongest
}

func (v view) isHum(hz float64) bool {
	for _, h := range v.hum {
		if math.Abs(hz-h) < 3 {
			return true
		}
	}
	return false
}

// clusters groups frequencies that must be fitted together.
func clusters(hz []float64) [][]float64 {
	var out [][]float64
	for i, f := range hz {
		if i > 0 && f-hz[i-1] < 16 && len(out[len(out)-1]) < 4 {
			out[len(out)-1] = append(out[len(out)-1], f)
		} else {
			out = append(out, []float64{f})
		}
	}
	return out
}

// neighbourhood is a band of every tap, and of the quiet stretches where a steady line sounds in it.
type neighbourhood struct {
	p        plans
	bands    []band
	taps     int
	hum      []float64      // steady lines within the fit's bins, Hz relative to the centre
	humKnown []damped.Known // what the mains' other harmonics say of them
	humAmp   []complex128   // what they are in all bands, once it is known
	far      []float64      // steady lines beside them, whose skirts reach in
	noise    float64        // one-sided density in the quiet part, or beside the lines
	reach    float64        // Hz, half width of the fit's bins
	until    float64        // s after the strike: the ring is in the noise from here on
	smooth   int            // terms of what reaches in of all else
}

func (a *analysis) around(hz float64) neighbourhood {
	h := neighbourhood{p: a.plans, taps: len(a.rings), smooth: 3}
	for _, s := range a.rings {
		h.add(s.zoom(hz))
	}
	centre := h.centre()
	h.noise = a.view.noise.at(centre)
	h.until = min(h.audible(), h.longest())
	h.reach = min(max(fitHz*h.width(), fitBins/(h.until-h.skip())), flatHz*h.width()-2)
	for _, f := range a.view.hum {
		switch d := math.Abs(f - centre); {
		case d < h.reach-2:
			known := damped.Known{}
			if at, sd, ok := a.view.mainsAt(f); ok {
				f, known = at, damped.Known{Hz: at - centre, SD: sd}
			}
			h.hum, h.humKnown = append(h.hum, f-centre), append(h.humKnown, known)
		case d < flatHz*h.width()+20:
			h.far = append(h.far, f-centre)
		}
	}
	if len(h.hum) > 0 { // a steady line is the louder the later one listens: it has to be fitted, not awaited
		h.until = h.longest()
		for _, s := range a.quiet {
			h.add(s.zoom(hz))
		}
	}
	return h
}

// add adds a band, about the centre of those before: that of a shorter stretch lies on a coarser raster.
func (h *neighbourhood) add(b band) {
	if len(h.bands) > 0 {
		b.about(h.centre())
	}
	h.bands = append(h.bands, b)
}

// about is the same neighbourhood about another centre some hertz off, to the next bin of the first segment.
func (h neighbourhood) about(hz float64) neighbourhood {
	centre := h.bands[0].onRaster(hz)
	off := centre - h.centre()
	if off == 0 {
		return h
	}
	h.bands = slices.Clone(h.bands)
	for i := range h.bands {
		h.bands[i].y = slices.Clone(h.bands[i].y)
		h.bands[i].about(centre)
	}
	h.hum, h.humKnown, h.far = slices.Clone(h.hum), slices.Clone(h.humKnown), slices.Clone(h.far)
	for i := range h.hum {
		h.hum[i] -= off
		h.humKnown[i].Hz -= off
	}
	for i := range h.far {
		h.far[i] -= off
	}
	return h
}

func (h neighbourhood) centre() float64 { return h.bands[0].centre }

// longest is the time after the strike at which the last of the taps ends.
func (h neighbourhood) longest() float64 {
	longest := 0.0
	for _, b := range h.bands[:h.taps] {
		longest = max(longest, b.ring)
	}
	return longest
}

// audible is the time after the strike at which the band has sunk into its noise, with some
// of the noise after it, which tells the fit how much noise there is.
func (h neighbourhood) audible() float64 {
	frame := 0.05 / h.width()
	var level []float64
	for i := 0; ; i++ {
		from, to := h.skip()+frame*float64(i), h.skip()+frame*float64(i+1)
		if to > maxFitS {
			break
		}
		sum, n := 0.0, 0
		for _, b := range h.bands[:h.taps] {
			if to > b.ring {
				continue
			}
			for j := int((b.lead + from) * b.rate); j < int((b.lead+to)*b.rate); j++ {
				sum += real(b.y[j])*real(b.y[j]) + imag(b.y[j])*imag(b.y[j])
				n++
			}
		}
		if n == 0 {
			break
		}
		level = append(level, sum/float64(n))
	}
	// The band's noise: its filter's cosine falls let 3/8 of their power through.
	floor := 2 * h.noise * 2 * (flatHz + 3.0/8*(skirtHz-flatHz)) * h.width()
	for i := range level {
		// Two lines that beat are silent between, but not for long.
		if floats.Sum(level[i:min(i+4, len(level))]) < 1.5*floor*float64(min(4, len(level)-i)) {
			return max(h.skip()+frame*float64(i)*1.3+0.1/h.width(), 0.4/h.width())
		}
	}
	return maxFitS
}

// records cuts the same stretch out of every band; which tells the tap of each, -1 for quiet ones.
func (h neighbourhood) records(skip, until float64) (recs []damped.Record, which []int) {
	for i, b := range h.bands {
		if r, ok := b.record(h.p, skip, until, h.reach); ok {
			recs = append(recs, r)
			if i >= h.taps {
				i = -1
			}
			which = append(which, i)
		}
	}
	return recs, which
}

func (h neighbourhood) width() float64 { return h.bands[0].width }

// skip is how long after the strike the first fit begins.
func (h neighbourhood) skip() float64 { return firstSkipS / h.width() }

// holds tells whether a line at hz belongs into the neighbourhood's model.
func (h neighbourhood) holds(hz float64) bool {
	return math.Abs(hz-h.centre()) < h.reach+5
}

// known lists the lines of the parts that the neighbourhood holds, and which of them is parts[main].
func (h neighbourhood) known(parts []part, main int) (lines []damped.Line, line int) {
	for i, p := range parts {
		if h.holds(p.hz) {
			if i == main {
				line = len(lines)
			}
			lines = append(lines, damped.Line{Hz: p.hz - h.centre(), Alpha: p.alpha})
		}
	}
	return lines, line
}

func (h neighbourhood) rate() float64 { return h.bands[0].rate }

// fitter fits models of the neighbourhood: with steady lines beyond the bins, and what reaches in of all else.
func (h neighbourhood) fitter(recs []damped.Record) *damped.Fitter {
	f := damped.NewFitter(recs, h.rate(), h.far, h.smooth)
	f.Expect(h.humKnown)
	return f
}

// resolve fits lines that start at the given frequencies (Hz relative to the centre) and adds
// further ones while the data ask for them; with care also while the fit leaves more than noise. Then, too, a hum
// that may have gone on through all records is taken as one, which tells it from a ring beside it.
func (h neighbourhood) resolve(recs []damped.Record, start []damped.Line, most int, care bool) *damped.Fit {
	fitter := h.fitter(recs)
	best, err := fitter.Solve(start, h.hum, h.humAmp)
	if err != nil {
		return nil
	}
	for len(best.Lines) < most {
		at, loud := loudestResidual(best, recs, h.rate())
		restless := h.restless(best, recs)
		care := care && restless
		if !loud && !care {
			break
		}
		var next *damped.Fit
		try := func(lines []damped.Line) bool {
			f, err := fitter.Solve(lines, best.Undamped, best.Coherent)
			better := err == nil && f.Converged && h.sensible(f, recs) && best.BIC-f.BIC > bicDrop && (next == nil || f.BIC < next.BIC)
			if better {
				next = f
			}
			return better
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

// restless tells whether the fit leaves more than the noise that the quiet part has there.
func (h neighbourhood) restless(f *damped.Fit, recs []damped.Record) bool {
	return h.restlessNear(f, recs, 0, math.Inf(1))
}

// restlessNear is the same for the bins within half of a frequency, Hz relative to the centre.
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
	// The density in the quiet part is known to about 15 %.
	return left > free*1.3+3*math.Sqrt(max(free, 1))
}

// split puts a pair in place of that line of a fit that was started nearest to a frequency, if that may better it.
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

// further lists lines that would better the fit, the most promising first: the best, with care the best at each of
// several places.
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
		if (care || len(out) == 0) && len(out) < 3 && !slices.ContainsFunc(out, func(o damped.Line) bool { return o.Hz == l.Hz }) {
			out = append(out, l)
		}
	}
	return out
}

func startAlpha(hz float64) float64 { return math.Pi * hz / startQ }

// sensible refuses fits in which a line does not decay or two lines have become one.
func (h neighbourhood) sensible(f *damped.Fit, recs []damped.Record) bool {
	for i, l := range f.Lines {
		if l.Alpha < 0.02 || !h.holds(h.centre()+l.Hz) {
			return false
		}
		for j, o := range f.Lines[:i] {
			// Of two lines closer than 0.3 alpha only a fit that explains all tells that they are two, and no
			// decay that is none; a far faster one (what the room answers) may lie under a slow one.
			apart, alpha := math.Abs(l.Hz-o.Hz), l.Alpha+o.Alpha
			if apart < 0.15*alpha && math.Abs(l.Alpha-o.Alpha) < 0.5*alpha && (apart < 0.075*alpha || apart < 5*f.SDApart(i, j) ||
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
	// Of n exponential variates the mean; the loudest bin is always some way over it, so this asks little.
	return float64(ref.First+best) * rate / float64(ref.N), sum[best]/max(n, 1) > 1+1.5/math.Sqrt(max(n, 1))
}

// components turns the lines of a fit into components.
func (h neighbourhood) components(f *damped.Fit, recs []damped.Record, which []int) []component {
	var out []component
	for m, l := range f.Lines {
		c := component{hz: h.centre() + l.Hz, alpha: l.Alpha, amp: make([]float64, h.taps), snr: make([]float64, h.taps),
			alone: make([]estimate, h.taps)}
		c.sdHz, c.sdAlpha = f.SD(m)
		c.noiseHz, c.noiseAlpha = c.sdHz, c.sdAlpha
		for i, t := range which {
			if t < 0 {
				continue
			}
			a := f.Amp[i][m]
			c.amp[t] = math.Hypot(real(a), imag(a)) * math.Exp(min(l.Alpha*recs[i].Lead, 30))
			if e := f.Each[i]; e.OK && e.Lines[m].Alpha > 0 {
				c.alone[t] = estimate{h.centre() + e.Lines[m].Hz, e.Lines[m].Alpha, e.SD[m].Hz, e.SD[m].Alpha}
			}
			c.snr[t] = sq(a) * lineEnergy(l.Alpha, float64(recs[i].N)/h.rate()) * h.rate() * float64(recs[i].N) / f.NoisePow[i]
		}
		out = append(out, c)
	}
	return out
}

// beside tells whether c lies so near to a fundamental, and dies so little faster, as its other plane does.
func (c component) beside(f component) bool {
	return math.Abs(c.hz-f.hz) < closePairHz && c.alpha < pairFaster*f.alpha
}

// asSlow keeps the first n components, which were seen as peaks, and of the others those that
// decay about as slowly: a fast one is what the room answers, not a mode.
func asSlow(cs []component, n int) []component {
	slowest := math.Inf(1)
	for _, c := range cs[:n] {
		slowest = min(slowest, c.alpha)
	}
	out := slices.Clone(cs[:n])
	for _, c := range cs[n:] {
		if c.alpha < 2*slowest {
			out = append(out, c)
		}
	}
	return out
}

// refine turns the peaks of the view into components, each cluster in one fit, and looks
// beside every hum line for a ring that it hides.
func (a *analysis) refine(peaks []float64) []component {
	var out []component
	for _, group := range clusters(peaks) {
		h := a.around((group[0] + group[len(group)-1]) / 2)
		recs, which := h.records(h.skip(), h.until)
		var start []damped.Line
		for _, f := range group {
			start = append(start, damped.Line{Hz: f - h.centre(), Alpha: startAlpha(f)})
		}
		more := 0
		if paces[a.strike].waits { // where the room outlasts the ring, a further line would be the room's
			more = 1
		}
		if f := h.resolve(recs, start, len(start)+more, false); f != nil {
			out = append(out, asSlow(h.components(f, recs, which), len(start))...)
		}
	}
	for _, hum := range a.view.hum {
		if hum > 600 || slices.ContainsFunc(peaks, func(f float64) bool { return math.Abs(f-hum) < 12 }) {
			continue // the fit of that peak has this hum line in its model
		}
		h := a.around(hum)
		recs, which := h.records(h.skip(), h.until)
		if f := h.resolve(recs, nil, 2, false); f != nil {
			for _, c := range h.components(f, recs, which) {
				if c.alpha < 1/roomTau {
					out = append(out, c)
				}
			}
		}
	}
	out = slices.DeleteFunc(out, func(c component) bool {
		return !(c.alpha > 0.02) || c.hz < lowestHz || c.alpha > 0.35*c.hz || c.sdAlpha > c.alpha || c.energy(nil) == 0
	})
	slices.SortFunc(out, func(x, y component) int { return cmp.Compare(x.hz, y.hz) })
	// Two neighbourhoods may have found the same line: the better one stays.
	var unique []component
	for _, c := range out {
		if n := len(unique); n > 0 && math.Abs(unique[n-1].hz-c.hz) < 0.3+2*(c.sdHz+unique[n-1].sdHz) {
			if c.sdHz < unique[n-1].sdHz {
				unique[n-1] = c
			}
			continue
		}
		unique = append(unique, c)
	}
	return unique
}
