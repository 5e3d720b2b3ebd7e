package grading

import (
	"fmt"
	"slices"

	"ringstock/capture"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Heard is what the recordings of one blank say, by where it was tapped.
type Heard struct {
	Side, Width, End []spectrum.Analysis
}

// Hear goes from the name of a sound file, and what is known of its note, to what its
// taps say. A file that can't be used has an Error.
type Hear func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis

// Listen hears all recordings of a blank, those of its faces first.
func Listen(row Row, hear Hear) Heard {
	all := func(names []string, strike spectrum.Strike, note spectrum.Expected) (list []spectrum.Analysis) {
		for _, name := range names {
			list = append(list, hear(name, strike, note))
		}
		return list
	}
	h := Heard{
		Side:  all(row.File, spectrum.SideTap, spectrum.Expected{}),
		Width: all(row.WidthFile, spectrum.SideTap, spectrum.Expected{}),
	}
	if len(row.EndFile) > 0 { // what bends tells about where the lengthwise note is
		h.End = all(row.EndFile, spectrum.EndTap, wood.ExpectEnd(row.Readings, ring(h.Side), ring(h.Width)))
	}
	return h
}

// Judge goes from what is known of one blank to its verdict. It depends on nothing else:
// not on the other blanks, nor on the order in which they came.
func Judge(p Profile, row Row, heard Heard) Blank {
	b := Blank{
		Blank: row.Blank, Row: row, Warnings: heard.warnings(),
		Ring: ring(heard.Side), WidthRing: ring(heard.Width), EndRing: ring(heard.End),
	}
	var doubts []capture.Warning
	b.Wood, b.Missing, doubts = wood.Evaluate(row.Readings, row.Species, b.Ring, b.WidthRing, b.EndRing)
	b.Warnings = append(b.Warnings, doubts...)
	missing := []string{}
	for _, u := range row.Unused {
		missing = append(missing, u.Reason)
	}
	b.Missing = append(missing, b.Missing...)
	b.Suspect = b.ownSuspects()
	b.own = len(b.Suspect)
	b.Parts = assess(p, b.Ring, b.Wood, b.Suspect)
	if b.Ring == nil && b.WidthRing == nil && b.EndRing == nil {
		b.Score = measure.Unknown("no tap could be used")
		b.Verdict, b.Reasons = Unread, heard.whyUnread()
		return b
	}
	b.setScore(p, nil)
	b.Verdict, b.Reasons = decide(p, b.Parts, b.Score, b.Wood, b.Suspect, b.Warnings, b.Ring)
	return b
}

// setScore makes the score of the parts.
func (b *Blank) setScore(p Profile, m *memo) {
	b.Score, b.scores = score(p, b.Parts, m)
	b.ScoreLow, b.ScoreHigh = nil, nil
	if b.Score.Known() {
		low, high := b.ScoreInterval()
		b.ScoreLow, b.ScoreHigh = &low, &high
	}
}

// doubt adds suspects that only the rest of the delivery tells, and decides anew. The
// score stays as it is: it never depends on other blanks.
func (b *Blank) doubt(p Profile, more []Suspect) (changed bool) {
	for _, s := range more {
		switch i := slices.IndexFunc(b.Suspect, func(o Suspect) bool { return o.Column == s.Column }); {
		case i < 0:
			b.Suspect, changed = append(b.Suspect, s), true
		case recordings[s.Column] != nil && b.Suspect[i].Why != s.Why:
			// The delivery says of which blank a recording is; the blank alone only
			// that it is not its own.
			b.Suspect[i], changed = s, true
		}
	}
	if changed && b.Verdict != Unread {
		b.Verdict, b.Reasons = decide(p, b.Parts, b.Score, b.Wood, b.Suspect, b.Warnings, b.Ring)
	}
	return changed
}

// ring is what all recordings of one kind of tap say together; nil if none can be used.
func ring(list []spectrum.Analysis) *spectrum.Ring {
	var rings []spectrum.Ring
	for _, a := range list {
		if a.Ring != nil {
			rings = append(rings, *a.Ring)
		}
	}
	if len(rings) == 0 {
		return nil
	}
	together := spectrum.Combine(rings)
	return &together
}

func (h Heard) all() []spectrum.Analysis { return slices.Concat(h.Side, h.Width, h.End) }

// warnings gathers the doubts about the recordings, each with the file it concerns.
func (h Heard) warnings() []capture.Warning {
	list := []capture.Warning{}
	for _, a := range h.all() {
		for _, w := range a.Warnings {
			list = append(list, capture.Warning{Code: w.Code, Text: a.File + ": " + w.Text})
		}
	}
	return list
}

func (h Heard) whyUnread() []string {
	reasons := []string{}
	for _, a := range h.all() {
		if a.Error != nil {
			reasons = append(reasons, fmt.Sprintf("%s: %s", a.File, a.Error.Text))
		}
	}
	if len(reasons) == 0 {
		reasons = append(reasons, "no recording is named: give one in the column file")
	}
	return reasons
}
