package spectrum

import (
	"cmp"
	"math"
	"slices"

	"ringstock/spectrum/damped"
)

// What is taken for a line of the taps, and what for the same line twice.
const (
	roomTau      = 0.08 // s; what dies faster beside a hum line may be the room (RT60 up to 0.55 s)
	fastestPerHz = 0.35 // of its frequency, 1/s over Hz: a Q of 9
	humToHz      = 600  // rings that hum hides are sought below: above, hum is weak and bars have few modes
	humSeenHz    = 12   // a hum line so near to a peak is in that peak's fit
	sameLineHz   = 0.3  // lines nearer than this, and
	sameLineSDs  = 2.0  // so many of their standard deviations more, are one
	asSlowTimes  = 2.0  // by which an unseen line may die faster than those seen: the room's lines do more
)

// fitLines finds the decaying lines of the taps: each cluster of peaks of the spectra in
// one fit, and beside every hum line a ring that it hides.
func (s tapSpectra) fitLines() []component {
	peaks := s.candidates()
	peaks = append(peaks, s.earlyCandidates(peaks)...)
	slices.Sort(peaks)
	var out []component
	for _, group := range clusters(peaks) {
		out = append(out, s.fitCluster(group)...)
	}
	for _, hum := range s.hum {
		near := slices.ContainsFunc(peaks, func(f float64) bool { return math.Abs(f-hum) < humSeenHz })
		if hum <= humToHz && !near {
			out = append(out, s.fitBeside(hum)...)
		}
	}
	out = slices.DeleteFunc(out, func(c component) bool {
		return !(c.alpha > noSlower) || c.hz < lowestHz || c.alpha > fastestPerHz*c.hz || c.sdAlpha > c.alpha || c.energy(nil) == 0
	})
	slices.SortFunc(out, func(x, y component) int { return cmp.Compare(x.hz, y.hz) })
	return unlike(out)
}

// fitCluster fits the peaks of one neighbourhood together, and a line between them
// that no peak shows.
func (s tapSpectra) fitCluster(peaks []float64) []component {
	h := s.around((peaks[0] + peaks[len(peaks)-1]) / 2)
	recs, which := h.records(h.skip(), h.until)
	var start []damped.Line
	for _, f := range peaks {
		start = append(start, damped.Line{Hz: f - h.centre(), Alpha: startAlpha(f)})
	}
	most := len(start)
	if timings[s.strike].waits { // where the room outlasts the ring, a further line would be the room's
		most++
	}
	f := h.resolve(recs, start, most, false)
	if f == nil {
		return nil
	}
	return asSlow(h.components(f, recs, which), len(start))
}

// fitBeside looks for rings beside a hum line.
func (s tapSpectra) fitBeside(hum float64) []component {
	h := s.around(hum)
	recs, which := h.records(h.skip(), h.until)
	f := h.resolve(recs, nil, 2, false)
	if f == nil {
		return nil
	}
	return slices.DeleteFunc(h.components(f, recs, which), func(c component) bool { return c.alpha >= 1/roomTau })
}

// unlike leaves one of lines, in order of frequency, that two neighbourhoods
// found: the better one.
func unlike(lines []component) (out []component) {
	for _, c := range lines {
		n := len(out)
		if n == 0 || math.Abs(out[n-1].hz-c.hz) >= sameLineHz+sameLineSDs*(c.sdHz+out[n-1].sdHz) {
			out = append(out, c)
		} else if c.sdHz < out[n-1].sdHz {
			out[n-1] = c
		}
	}
	return out
}

// asSlow keeps the first n components, which were seen as peaks, and of the others those
// that decay about as slowly: a fast one is what the room answers, not a mode.
func asSlow(cs []component, n int) []component {
	slowest := math.Inf(1)
	for _, c := range cs[:n] {
		slowest = min(slowest, c.alpha)
	}
	out := slices.Clone(cs[:n])
	for _, c := range cs[n:] {
		if c.alpha < asSlowTimes*slowest {
			out = append(out, c)
		}
	}
	return out
}

// humAmong lists the lines on a multiple of 50 or 60 Hz that do not decay, and are
// not yet known as hum.
func (v spectra) humAmong(lines []component) (hum []float64) {
	for _, c := range lines {
		if nearMains(c.hz) < humStrays && endless(c.alpha, c.sdAlpha) && c.hz < highestHum && !v.isHum(c.hz) {
			hum = append(hum, c.hz)
		}
	}
	return hum
}
