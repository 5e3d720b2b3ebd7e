package session

import (
	"fmt"
	"math"
	"slices"

	"ringstock/spectrum"
)

// blankLimits say what a first tap must be like to be taken for one on a blank. What is
// not is asked, never counted: a beep of the scale, keys or a glass ring, too. (Sizes of
// blanks and billets: common practice, no source; E/density of hard woods along the
// grain: Kretschmann, Wood Handbook FPL-GTR-282 (2021), table 5-3: 12 to 28 MJ/kg.)
var blankLimits = struct{ LowHz, HighHz, LowEndHz, HighEndHz, SlowM, FastM, Slack, Session, LeastQ, Octave float64 }{
	// Hz: where nothing is known of its size. Long and thin, 900 by 8 mm, it rings at 40
	// Hz; short and thick, 700 by 20 mm for the bass or 600 by 14 mm for a child, at 230
	// Hz. Wine glasses begin at 350 Hz.
	LowHz: 35, HighHz: 270,
	LowEndHz: 1500, HighEndHz: 6500, // Hz: the same along the length
	SlowM: 3300, FastM: 6300, // m/s: the speed of sound along the grain
	Slack:   1.25, // times: tapers, heads and octagons move the note by that
	Session: 2,    // times: blanks of one session lie no farther from those before
	// Of a first tap: air-dry wood has a loss tangent of up to 0.02 (from memory, of the 98
	// wood types of Brémaud et al., Annals of Forest Science 69 (2012) 373; not found in
	// public text). Hot or moist wood damps more, and is asked about.
	LeastQ: 50,
	Octave: 0.01, // from twice the note, relative to it, is an octave
}

// unlike says why a first tap on a side can hardly be that of a blank, or nothing.
func (s *Session) unlike(r *spectrum.Ring) string {
	if len(s.tap[s.blank][s.side]) > 0 {
		return "" // it is compared with those before
	}
	f := r.Fundamental
	low, high, from, missing := s.noteRange()
	why, way := "", "tap again"
	switch {
	case f.Hz.X < low || f.Hz.X > high:
		why = fmt.Sprintf("%s would ring at %.0f to %.0f Hz", from, low, high)
		if missing != "" {
			way = "enter its " + missing + " and tap again"
		}
	case f.Q.Known() && f.Q.X < blankLimits.LeastQ:
		why = "it dies too soon for wood"
	case s.side != End && !slices.ContainsFunc(r.Partials, nextOf(f)):
		why = "the higher notes of a bar are missing"
	case s.side != End && slices.ContainsFunc(r.Partials, octave(f.Hz.X)):
		why = "it has a note at twice the lowest, as a voice has and no bar"
	default:
		return ""
	}
	return fmt.Sprintf("not counted: %.1f Hz does not sound like a blank (%s); if it is one, %s", f.Hz.X, why, way)
}

// nextOf tells of a partial that is the second or third bending note in the plane of the
// lowest. Multiples of a voice pass for notes of the other plane.
func nextOf(lowest spectrum.Partial) func(spectrum.Partial) bool {
	return func(p spectrum.Partial) bool {
		return p.Family == spectrum.Bending && p.Plane == lowest.Plane && (p.Order == 2 || p.Order == 3)
	}
}

// octave tells of a partial that is none of a bar's and lies at twice a note.
func octave(hz float64) func(spectrum.Partial) bool {
	return func(p spectrum.Partial) bool {
		return p.Family == spectrum.Other && math.Abs(p.Hz.X/hz-2) < blankLimits.Octave
	}
}

// noteRange is where the fundamental of the blank may lie on the side that is tapped, in
// Hz, from what that is known, and which sizes would tell it better, if any.
func (s *Session) noteRange() (low, high float64, from, missing string) {
	row := s.row(s.blank)
	length, across, sizes := row.Readings.LengthMM.X/1e3, row.Readings.HeightMM.X/1e3, "length and height" // 0 where unknown
	switch s.side {
	case Width:
		across, sizes = row.Readings.WidthMM.X/1e3, "length and width"
	case End:
		sizes = "length"
	}
	const free = 1.028 // 4.730^2/(2 pi sqrt 12): the lowest bending mode of a slender free bar is at this times c h/L^2
	lim := blankLimits
	switch {
	case s.side == End && length > 0:
		return lim.SlowM / (2 * length) / lim.Slack, lim.FastM / (2 * length) * lim.Slack, "one of its " + sizes, ""
	case s.side == End:
		low, high = lim.LowEndHz, lim.HighEndHz
	case length > 0 && across > 0:
		at := free * across / (length * length)
		return at * lim.SlowM / lim.Slack, at * lim.FastM * lim.Slack, "one of its " + sizes, ""
	default:
		low, high = lim.LowHz, lim.HighHz
	}
	from = "a blank for a bow"
	if notes := s.notes[s.side]; len(notes) > 0 {
		a, b := slices.Min(notes)/lim.Session, slices.Max(notes)*lim.Session
		if a > low || b < high {
			from = "one like those before"
		}
		low, high = math.Max(low, a), math.Min(high, b)
		// What was counted before is possible, whatever it was.
		low, high = math.Min(low, slices.Min(notes)), math.Max(high, slices.Max(notes))
	}
	return low, high, from, sizes
}

// countAsked counts the latest sound that was asked about.
func (s *Session) countAsked() {
	if s.asked == nil {
		s.tell(Notice{"there is nothing that was asked about"})
		return
	}
	t := TapHeard{Blank: s.blank, Side: s.side, Of: s.Taps}
	s.count(s.asked, &t)
	if s.failed != nil {
		return
	}
	t.Count = len(s.tap[s.blank][s.side])
	s.tell(t)
	s.complete()
}
