package spectrum

import (
	"math"
	"slices"
)

// fitFundamental is what is known of the modes after the fundamental was fitted anew,
// with the room, in its neighbourhood, which later stages use too.
func (s tapSpectra) fitFundamental(m modes) (modes, neighbourhood) {
	if m.inferred != nil {
		return m, neighbourhood{}
	}
	near := s.around(m.parts[m.fundamental].hz)
	fit, ok := fitRoom(near, m.parts, m.fundamental, timings[s.strike].waits)
	if !ok {
		return m, near
	}
	m = m.withFundamental(fit)
	m.room = fit.sound
	return m, near.about(m.parts[m.fundamental].hz)
}

// withFundamental is the same with a fit of the fundamental in its place, and with the
// lines that this fit resolved beside it.
func (m modes) withFundamental(fit roomFit) modes {
	m.parts = slices.Clone(m.parts)
	c := fit.lines[fit.main]
	// Of a pair this fit may have taken the other line for the fundamental.
	for i := range m.parts {
		if p, f := &m.parts[i].component, &m.parts[m.fundamental].component; math.Abs(p.hz-c.hz) < math.Abs(f.hz-c.hz) {
			*p, *f = *f, *p
		}
	}
	m.parts[m.fundamental].component = c
	for i, beside := range fit.lines {
		if i == fit.main || beside.q() < slowQ || beside.sdAlpha > 0.5*beside.alpha {
			continue
		}
		if known := m.nearest(beside.hz, 1); known >= 0 {
			m.parts[known].component = beside
		} else if beside.beside(c) && beside.energy(nil) > 1e-3*c.energy(nil) {
			m.parts = append(m.parts, part{component: beside, family: Bending, order: 1, plane: 2, own: true})
		}
	}
	return m
}
