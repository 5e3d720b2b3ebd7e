package spectrum

import (
	"math"

	"ringstock/spectrum/measure"
)

// purity is who has which part of the ring's modal energy between 30 and 530 ms: the
// bar's own modes, and the fundamental alone, %, and the foreign notes. each is what the
// taps say alone; the room colours all of them alike.
func (m modes) purity(each []modes, roomExcess estimate) (own, fundamental measure.Value, strays []Stray) {
	f := m.parts[m.fundamental]
	var why measure.Reason
	switch {
	case m.inferred != nil:
		why = notComparable
	case f.family == Longitudinal:
		why = fromEndTaps
	}
	if why.Code != "" {
		return why.Value(), why.Value(), []Stray{}
	}
	ownEnergy, all, first := m.energies()
	strays = []Stray{}
	for _, p := range m.parts {
		if e := p.energy(&f.component); p.stray() && e > strayShare*all {
			strays = append(strays, Stray{Hz: p.hz, LevelDB: 10 * math.Log10(e/f.energy(&f.component))})
		}
	}
	share := func(pct func(own, all, first float64) float64) measure.Value {
		var xs []float64
		for _, one := range each {
			xs = append(xs, pct(one.energies()))
		}
		noise := 2 * f.sdAlpha / f.alpha
		x := pct(ownEnergy, all, first)
		// What the room makes louder or softer it does in all taps alike.
		common := byFactor(x/100, noise+roomExcess.colour()) + 0.2
		return measure.Of(x, math.Hypot(scatter(xs, median(xs))/math.Sqrt(float64(max(len(xs), 1))), common))
	}
	own = share(func(own, all, _ float64) float64 { return 100 * own / all })
	fundamental = share(func(_, all, first float64) float64 { return 100 * first / all })
	return own, fundamental, strays
}

// byFactor is by how many per cent a share falls if the rest becomes louder by a factor,
// given its logarithm, or rises if softer, whichever is more.
func byFactor(share, log float64) float64 {
	more := math.Expm1(min(log, 9))
	return 100 * share * (1 - share) * more / (1 + min(share, 1-share)*more)
}

func (r modes) energies() (own, all, first float64) {
	f := r.parts[r.fundamental]
	for _, p := range r.parts {
		if !p.own && !p.stray() {
			continue
		}
		e := p.energy(&f.component)
		all += e
		if p.own {
			own += e
		}
		if p.family == Bending && p.order == 1 {
			first += e
		}
	}
	return own, all, first
}
