package wood

import (
	"math"

	"ringstock/spectrum"
	"ringstock/spectrum/bar"
)

// Sound runs along dry wood at 2500 to 6500 m/s (from memory).
const slowestMS, fastestMS = 2500, 6500

// expectSd is how far, in ln f, the note of end taps may well be from what bending says:
// E lengthwise differs a little, wood is uneven, and a slip of the pen in the height
// moves it by as much as itself.
const expectSd = 0.04

// ExpectEnd is where the note of end taps should lie: by the notes of the taps on the
// faces and the form, or, where those say nothing, by the length alone. The zero value
// says that not even the length is known.
func ExpectEnd(r Readings, side, width *spectrum.Ring) spectrum.Expected {
	b, rings := newBlank(r), rings{side: side, width: width}
	if b.lacks(bar.Longitudinal) == "" {
		if m, err := newModel(b, usualEG, rings.wanted(b)); err == nil {
			if notes := m.assign(rings); len(notes) > 0 {
				ln, u := m.fit(notes, alike, unevenUsual).predict(m, bar.Longitudinal, 1)
				return spectrum.Expected{Hz: math.Exp(ln), Rel: math.Hypot(u, expectSd)}
			}
		}
	}
	if !b.known(length) {
		return spectrum.Expected{}
	}
	return spectrum.Expected{Hz: math.Sqrt(slowestMS*fastestMS) / (2 * b.size[length]), Rel: math.Log(float64(fastestMS)/slowestMS) / 4}
}
