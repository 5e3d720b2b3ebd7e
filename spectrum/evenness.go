package spectrum

import (
	"math"
	"slices"

	"ringstock/spectrum/damped"
)

// Unevenness, as it is defined.
const (
	evenFromS = 0.1  // s after the strike, from which on it counts: before, thud and room sound
	evenHz    = 12.0 // Hz to either side of the note
	heardSDs  = 3.0  // of the noise in these bins, which the ring must exceed
)

// lateFit is the fundamental's neighbourhood from 100 ms after the strike on, all lines
// in it fitted, so that hum and neighbours can be taken away from the fundamental.
type lateFit struct {
	h      neighbourhood
	recs   []damped.Record
	record []int // per tap: its record, or -1
	fit    *damped.Fit
	main   int // index of the fundamental's line
}

func (h neighbourhood) lateFit(m modes) (late lateFit, ok bool) {
	lines, main := h.known(m.parts, m.fundamental)
	recs, which := h.records(evenFromS, h.until)
	fit, err := h.fitter(recs).Solve(lines, h.hum, nil)
	if (err != nil || !h.sensible(fit, recs)) && len(lines) > 1 { // of what sounded beside it nothing is left by then
		lines, main = lines[main:main+1], 0
		fit, err = h.fitter(recs).Solve(lines, h.hum, nil)
	}
	if err != nil || !h.sensible(fit, recs) {
		return late, false
	}
	late.h, late.main, late.recs, late.fit = h, main, recs, fit
	late.record = slices.Repeat([]int{-1}, h.taps)
	for i, t := range which {
		if t >= 0 {
			late.record[t] = i
		}
	}
	return late, true
}

// others are the lines of a record within the bins that are not the fundamental,
// hum included. What the fit makes of lines beyond the bins is true of their
// skirts in the bins only.
func (l lateFit) others(rec int) (lines []damped.Line, amp []complex128) {
	for m, line := range l.fit.Lines {
		if m != l.main {
			lines, amp = append(lines, line), append(amp, l.fit.Amp[rec][m])
		}
	}
	for m, hz := range l.fit.Undamped {
		lines, amp = append(lines, damped.Line{Hz: hz}), append(amp, l.fit.Undam[rec][m])
	}
	return lines, amp
}

// hum lists the steady lines of the fit.
func (l lateFit) hum() (lines []damped.Line) {
	for _, hz := range append(slices.Clone(l.fit.Undamped), l.fit.Steady...) {
		lines = append(lines, damped.Line{Hz: hz})
	}
	return lines
}

// unevenness is the energy within evenHz of the fundamental that a single exponential
// leaves over, as a share of the ring's energy there, noise taken off. Hum is part of the
// model; a close companion is not: it is what makes a ring uneven.
func (l lateFit) unevenness(tap int) estimate {
	i := l.record[tap]
	return l.unevennessOf(l.recs[i], l.fit.NoisePow[i])
}

// unevennessOf is the same for any record of the ring, given its noise per bin.
func (l lateFit) unevennessOf(rec damped.Record, noise float64) estimate {
	perBin := l.h.rate() / float64(rec.N)
	f := l.fit.Lines[l.main]
	half, mid := int(evenHz/perBin), int(math.Round(f.Hz/perBin))
	from, to := mid-half-rec.First, mid+half+1-rec.First
	if from < 0 || to > len(rec.Bins) {
		return estimate{why: bandTooNarrow}
	}
	near := damped.Record{First: mid - half, N: rec.N, Bins: rec.Bins[from:to]}
	m := damped.Model{Lines: []damped.Line{f}}
	for _, hum := range l.hum() {
		m.Steady = append(m.Steady, hum.Hz)
	}
	single, err := damped.Solve([]damped.Record{near}, l.h.rate(), m)
	if err != nil {
		return estimate{why: ringTooShort}
	}
	line := damped.Transform(single.Lines, single.Amp[0], l.h.rate(), near.N, near.First, len(near.Bins))
	left, ring := 0.0, 0.0
	for k := range near.Bins {
		left += sq(single.Residual[0][k])
		ring += sq(line[k])
	}
	bins := float64(len(near.Bins))
	left -= noise * (bins - 2 - float64(len(m.Steady))) // amplitudes and two real parameters are used up
	if ring <= heardSDs*noise*math.Sqrt(bins) {
		return estimate{why: weakFrom100ms}
	}
	ring += left
	// What is left is the sum of something and noise, and so is its square.
	return estimate{x: 100 * min(max(left/ring, 0), 1), sd: 100 * math.Sqrt(sqr(noise)*bins+2*noise*max(left, 0)) / ring}
}
