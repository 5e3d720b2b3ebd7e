package main

import (
	"fmt"
	"math"

	"ringstock/grading"
	"ringstock/spectrum"
)

// noteName is the nearest note of equal temperament with A4 = 440 Hz (ISO 16), and
// the cents from there.
func noteName(hz float64) string {
	if !(hz > 0) {
		return ""
	}
	semitones := 12 * math.Log2(hz/440)
	nearest := math.Round(semitones)
	n := int(nearest) + 57 // from C0
	names := [...]string{"C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"}
	octave := int(math.Floor(float64(n) / 12))
	return fmt.Sprintf("%s%d %+.0f cents", names[n-12*octave], octave, 100*(semitones-nearest))
}

// firstRing is the ring by which a blank is known: of the face, else of the other
// one, else of the end.
func firstRing(b grading.Blank) *spectrum.Ring {
	for _, r := range []*spectrum.Ring{b.Ring, b.WidthRing, b.EndRing} {
		if r != nil {
			return r
		}
	}
	return nil
}
