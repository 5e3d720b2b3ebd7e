package spectrum

import (
	"cmp"
	"math"
	"slices"

	"ringstock/spectrum/naming"
)

// identify says, knowing perhaps where the note of end taps lies, which mode of the bar
// each line is, if any; ok is false if no line can be the fundamental.
func (s tapSpectra) identify(lines []component, note Expected) (m modes, ok bool) {
	if len(lines) == 0 {
		return m, false
	}
	if s.strike == EndTap {
		f := lengthwise(lines, note)
		if f < 0 {
			return m, false
		}
		m.parts, m.fundamental = endFamilies(lines, f)
		return m, true
	}
	found, ok := naming.Find(asLines(lines))
	if !ok {
		return m, false
	}
	if found.Member[0] < 0 {
		if c, heard := s.lookFor(found.Hz); heard { // too weak for a peak, not for a fit
			lines = append(slices.Clone(lines), c)
			slices.SortFunc(lines, func(x, y component) int { return cmp.Compare(x.hz, y.hz) })
			found, _ = naming.Find(asLines(lines))
		}
	}
	m.parts, m.fundamental = families(lines, found)
	if found.Member[0] < 0 {
		m.inferred = &inferred{found.Hz, 0.01 * found.Hz}
	}
	return m, true
}

// lookFor asks whether a line hides in the noise within 4 % of where a series
// wants its fundamental.
func (a tapSpectra) lookFor(hz float64) (component, bool) {
	h := a.around(hz)
	recs, which := h.records(h.skip(), max(h.until, 1))
	f := h.resolve(recs, nil, 1, false)
	if f == nil || len(f.Lines) == 0 {
		return component{}, false
	}
	c := h.components(f, recs, which)[0]
	return c, math.Abs(c.hz/hz-1) < 0.04 && c.q() > 20 && c.alpha > 0.02
}
