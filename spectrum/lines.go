package spectrum

import (
	"cmp"
	"math"
	"slices"

	"ringstock/spectrum/damped"
)

const roomTau = 0.08 // s; what dies faster beside a hum line may be the room (RT60 up to 0.55 s)

// fitLines finds the decaying lines of the taps: each cluster of peaks of the spectra in one fit, and beside every hum line a
// ring that it hides.
func (a tapSpectra) fitLines() []component {
	peaks := a.candidates()
	peaks = append(peaks, a.earlyCandidates(peaks)...)
	slices.Sort(peaks)
	var out []component
	for _, group := range clusters(peaks) {
		h := a.around((group[0] + group[len(group)-1]) / 2)
		recs, which := h.records(h.skip(), h.until)
		var start []damped.Line
		for _, f := range group {
			start = append(start, damped.Line{Hz: f - h.centre(), Alpha: startAlpha(f)})
		}
		more := 0
		if timings[a.strike].waits { // where the room outlasts the ring, a further line would be the room's
			more = 1
		}
		if f := h.resolve(recs, start, len(start)+more, false); f != nil {
			out = append(out, asSlow(h.components(f, recs, which), len(start))...)
		}
	}
	for _, hum := range a.hum {
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

// humAmong lists the lines on a multiple of 50 or 60 Hz that do not decay, and are not yet known as hum.
func (v spectra) humAmong(lines []component) (hum []float64) {
	for _, c := range lines {
		if nearMains(c.hz) < humStrays && endless(c.alpha, c.sdAlpha) && c.hz < highestHum && !v.isHum(c.hz) {
			hum = append(hum, c.hz)
		}
	}
	return hum
}
