package wood

import (
	"fmt"
	"math"

	"ringstock/grading/bar"
	"ringstock/spectrum/measure"
)

// worthwhile is the factor by which a further measurement must shrink an interval to be
// recommended.
const worthwhile = 0.85

// next finds the one further measurement that would shrink the interval of the specific modulus, or
// of the density, most. best is the quantity that stands for the specific modulus.
func (m model) next(notes []note, f fit, mass measure.Value) string {
	modulusNow, _ := bestModulus(f, notes)
	now := modulusNow.rel()
	densityNow := m.densityRel(f, mass)
	text, gain := "", worthwhile
	try := func(what string, after model, with []note) {
		g := after.fit(with, freely, f.extra)
		q, _ := bestModulus(g, with)
		if r := q.rel() / now; r < gain {
			gain, text = r, fmt.Sprintf("%s: specific modulus now +-%.2g %%, then +-%.2g %% (95 %%)", what, 200*now, 200*q.rel())
		}
		if densityNow > 0 {
			if d := after.densityRel(g, mass); d/densityNow < gain {
				gain, text = d/densityNow, fmt.Sprintf("%s: density now +-%.2g %%, then +-%.2g %% (95 %%)", what, 200*densityNow, 200*d)
			}
		}
	}
	if count(notes, bar.Longitudinal) == 0 && m.has(bar.Longitudinal, 1) {
		ln, _ := f.predict(m, bar.Longitudinal, 1)
		heard := notes[0].Partial // wood loses about as much lengthwise
		heard.Hz = measure.Of(math.Exp(ln), 0)
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

func (m model) densityRel(f fit, mass measure.Value) float64 {
	if !mass.Known() || m.blank.lacksVolume() != "" {
		return 0
	}
	return f.density(m.blank, mass).rel()
}
