package wood

import (
	"math"
	"slices"

	"ringstock/spectrum"
	"ringstock/spectrum/bar"
)

// rings are the taps on the height face, on the width face and on the end grain; any may
// be nil.
type rings struct{ side, width, end *spectrum.Ring }

var tapNames = map[string]string{"side": "side taps", "width": "taps on the other face", "end": "end taps"}

// fundamentals are the notes whose mode is known from the way of tapping.
func (r rings) fundamentals(b blank) (notes []note) {
	add := func(name string, ring *spectrum.Ring, k bar.Kind) {
		if ring != nil && audible(ring.Fundamental) && b.lacks(k) == "" {
			notes = append(notes, note{name, k, 1, ring.Fundamental})
		}
	}
	add("side", r.side, bar.BendingHeight)
	add("width", r.width, bar.BendingWidth)
	add("end", r.end, bar.Longitudinal)
	return notes
}

// octave puts the note of the end taps an octave or a twelfth up if bending says so:
// the lowest longitudinal mode can be too weak to be heard. It drops the note if it
// fits no mode even roughly.
func (m model) octave(notes []note) []note {
	i := slices.IndexFunc(notes, func(n note) bool { return n.kind == bar.Longitudinal })
	if i < 0 || len(notes) == 1 {
		return notes
	}
	f := m.fit(slices.Delete(slices.Clone(notes), i, i+1), alike, unevenUsual)
	ln, _ := f.predict(m, bar.Longitudinal, 1)
	nearest := math.Round(notes[i].Hz.X / math.Exp(ln))
	place := int(max(1, nearest))
	if !m.has(bar.Longitudinal, place) || math.Abs(math.Log(notes[i].Hz.X/float64(place))-ln) > farOff {
		return slices.Delete(notes, i, i+1)
	}
	notes[i].place = place
	return notes
}

const (
	// slack is how far from its prediction, beyond the uncertainty, a partial is still
	// taken for a mode (assumed): more if the ring's own analysis puts it there too,
	// since local faults shift modes by percents.
	slack       = 0.008
	slackHinted = 0.025
	// farOff, in ln f, is what neither a slip of ten percent in length nor one in height
	// makes of the note of the end taps against bending.
	farOff = 0.38
)

// wanted says how many modes of each kind can occur among the partials.
func (r rings) wanted(b blank) (want [4]int) {
	count := func(ring *spectrum.Ring, k bar.Kind) {
		if ring == nil || b.lacks(k) != "" {
			return
		}
		top := 1.0
		for _, p := range ring.Partials {
			if audible(p) && audible(ring.Fundamental) {
				top = max(top, p.Hz.X/ring.Fundamental.Hz.X)
			}
		}
		n := 1
		for n < bar.Orders && bar.FreeRatio(n+1, 0, 0) < 1.1*top {
			n++
		}
		want[k] = max(want[k], n)
	}
	count(r.side, bar.BendingHeight)
	count(r.width, bar.BendingWidth)
	if r.side != nil && r.width == nil && b.lacks(bar.BendingWidth) == "" {
		want[bar.BendingWidth] = 1 // for otherFace
	}
	if want[bar.BendingHeight]+want[bar.BendingWidth] > 0 && b.lacks(bar.Torsion) == "" {
		want[bar.Torsion] = 1
	}
	if b.lacks(bar.Longitudinal) == "" {
		want[bar.Longitudinal] = 3
	}
	return want
}

// nearest is the partial that lies nearest to where the notes before foretell a
// mode, at the logarithm ln within u, -1 if none can be it. A hint lets it lie
// further off, and goes before.
func nearest(partials []spectrum.Partial, ln, u float64, taken map[float64]bool, hinted func(spectrum.Partial) bool, needHint bool) int {
	best, bestScore := -1, math.Inf(1)
	for i, p := range partials {
		if !audible(p) || taken[p.Hz.X] {
			continue
		}
		off := math.Abs(math.Log(p.Hz.X) - ln)
		hint, room := hinted(p), 3*u+slack
		if hint {
			room = 3*u + slackHinted
		}
		if off > room || (needHint && !hint) || (!hint && p.Family != spectrum.Other) {
			continue
		}
		if !hint {
			off += 3*u + slackHinted
		}
		if off < bestScore {
			best, bestScore = i, off
		}
	}
	return best
}

// assign takes partials for modes one by one, each where the notes before it foretell the
// mode. What the ring's own analysis took a partial for is a hint that breaks ties.
func (m model) assign(r rings) []note {
	notes := m.octave(r.fundamentals(m.blank))
	taken := map[float64]bool{}
	for _, n := range notes {
		taken[n.Hz.X] = true
	}
	try := func(name string, ring *spectrum.Ring, k bar.Kind, order int, hinted func(spectrum.Partial) bool, needHint bool) {
		if ring == nil || !m.has(k, order) {
			return
		}
		ln, u := m.fit(notes, 2*alike, unevenUsual).predict(m, k, order)
		best := nearest(ring.Partials, ln, u, taken, hinted, needHint)
		if best >= 0 {
			taken[ring.Partials[best].Hz.X] = true
			notes = append(notes, note{name, k, order, ring.Partials[best]})
		}
	}
	// The second plane that a tap on one face lets sound is left alone: other
	// things ring near it.
	bends := func(order int) func(spectrum.Partial) bool {
		return func(p spectrum.Partial) bool {
			return p.Family == spectrum.Bending && p.Order == order && p.Plane != 2
		}
	}
	is := func(f spectrum.Family) func(spectrum.Partial) bool {
		return func(p spectrum.Partial) bool { return p.Family == f }
	}
	for order := 2; order <= bar.Orders; order++ {
		try("side", r.side, bar.BendingHeight, order, bends(order), false)
		try("width", r.width, bar.BendingWidth, order, bends(order), false)
	}
	// Anything may lie where the usual G puts the torsion; the two lowest bending
	// modes must vouch for it.
	for _, c := range []struct {
		name string
		ring *spectrum.Ring
		kind bar.Kind
	}{{"side", r.side, bar.BendingHeight}, {"width", r.width, bar.BendingWidth}} {
		if series(notes, c.kind) >= 2 && count(notes, bar.Torsion) == 0 {
			try(c.name, c.ring, bar.Torsion, 1, is(spectrum.Torsion), true)
		}
	}
	return notes
}

// otherPlane is the fundamental of the second plane in a ring, if two
// overtones bear it out.
func otherPlane(ring *spectrum.Ring) (first spectrum.Partial, ok bool) {
	if ring == nil {
		return first, false
	}
	var heard [4]bool
	for _, p := range ring.Partials {
		if p.Family == spectrum.Bending && p.Plane == 2 && audible(p) && p.Order >= 1 && p.Order <= 3 {
			heard[p.Order] = true
			if p.Order == 1 {
				first = p
			}
		}
	}
	return first, heard[1] && heard[2] && heard[3]
}

// audible tells whether a partial has a frequency that means anything.
func audible(p spectrum.Partial) bool {
	return p.Hz.Known() && p.Hz.X > 1 && p.Hz.X < 1e6 && p.Hz.Rel() < 0.1
}

// series is how many of the lowest modes of a kind follow each other without a gap.
func series(notes []note, k bar.Kind) (n int) {
	for hasNote(notes, k, n+1) {
		n++
	}
	return n
}

func count(notes []note, k bar.Kind) (n int) {
	for _, x := range notes {
		if x.kind == k {
			n++
		}
	}
	return n
}
