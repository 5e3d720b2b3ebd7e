package wood

import (
	"fmt"
	"math"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// worthwhile is the factor by which a further measurement must shrink an interval to be
// recommended.
const worthwhile = 0.85

// lengthwiseRel is what to expect of the pitch of end taps, relative: they die as fast
// as the room, which leaves it uncertain by up to its half-width 1/2Q. Wood loses about
// as much lengthwise as in bending; of wood that rings longer the room leaves no more
// than of usual wood.
func lengthwiseRel(bending measure.Value) float64 {
	const usualQ = 180
	if !bending.Known() || !(bending.X > 0) {
		return 1 / (2 * usualQ)
	}
	return 1 / (2 * min(bending.X, usualQ))
}

// next finds the one further measurement that would shrink the interval of the
// specific modulus, or of the density, most. best is the quantity that stands for
// the specific modulus.
func (m model) next(notes []note, f fit, mass measure.Value) string {
	modulusNow, _ := bestModulus(f, notes)
	now := modulusNow.rel()
	densityNow := m.densityRel(f, mass)
	text, gain := "", worthwhile
	try := func(what string, after model, with []note) {
		g := after.fit(with, freely, f.uneven)
		q, _ := bestModulus(g, with)
		if r := q.rel() / now; r < gain {
			gain, text = r, what+": specific modulus "+narrows(now, q.rel())
		}
		if densityNow > 0 {
			if d := after.densityRel(g, mass); d/densityNow < gain {
				gain, text = d/densityNow, what+": density "+narrows(densityNow, d)
			}
		}
	}
	if count(notes, bar.Longitudinal) == 0 && m.has(bar.Longitudinal, 1) {
		ln, _ := f.predict(m, bar.Longitudinal, 1)
		heard := notes[0].Partial
		heard.Hz = measure.Of(math.Exp(ln), math.Exp(ln)*lengthwiseRel(heard.Q))
		try("record end taps", m, append(notes[:len(notes):len(notes)], note{"end", bar.Longitudinal, 1, heard}))
	}
	for d := range dimensions {
		if !m.blank.known(d) || m.blank.u[d] == 0 {
			continue
		}
		after := m
		after.blank.u[d] /= 2 // the mean of four readings
		what := "measure the " + dimensionNames[d] + " at three more places"
		if !calliper(d) {
			what = "measure the " + dimensionNames[d] + " three times more"
		}
		try(what, after, notes)
	}
	return text
}

// narrows says what a relative standard uncertainty would become, both as 95 % intervals.
func narrows(now, then float64) string {
	pct := func(rel float64) string {
		if x := 200 * rel; x >= 10 {
			return fmt.Sprintf("±%.0f %%", x)
		}
		return fmt.Sprintf("±%.2g %%", 200*rel)
	}
	return "now " + pct(now) + ", then " + pct(then) + " (95 %)"
}

func (m model) densityRel(f fit, mass measure.Value) float64 {
	if !mass.Known() || m.blank.lacksVolume() != "" {
		return 0
	}
	return f.density(m.blank, mass).rel()
}
