package stick

import (
	"fmt"
	"math"

	"ringstock/spectrum/measure"
)

// window is what is usual: low to high.
type window struct{ low, high float64 }

// The usual masses and balance points (common practice: workshop texts; bare sticks from
// memory). They are plausibility windows, never pass marks.
var (
	bareMass = map[string]window{"violin": {36, 40}}                                       // g, stick with its head
	bowMass  = map[string]window{"violin": {55, 65}, "viola": {66, 74}, "cello": {76, 90}} // g, whole bow
	// mm from the nut, whole bow; "about 190 mm" for the violin is read as within 10 mm.
	bowBalance = map[string]window{"violin": {180, 200}, "cello": {175, 180}}
)

// odd lists what looks odd in the figures of a model.
func (m Model) odd(f Figures) (notes []string) {
	for _, c := range []struct {
		name          string
		read, reckons measure.Value
		unit          string
	}{{"mass", m.Bare.MassG, f.MassG, "g"}, {"balance point", m.Bare.BalanceMM, f.CentreOfMassMM, "mm"}} {
		if !c.read.Known() || !c.reckons.Known() {
			continue
		}
		if off := c.read.X - c.reckons.X; math.Abs(off) > 2*math.Hypot(c.read.U, c.reckons.U) {
			notes = append(notes, fmt.Sprintf("the %s was read as %s, the stations and the wood give %s: look at stations, lumps and density",
				c.name, c.read.Text(c.unit), c.reckons.Text(c.unit)))
		}
	}
	mass := f.MassG
	if m.Bare.MassG.Known() {
		mass = m.Bare.MassG
	}
	if len(m.Lumps) == 0 { // a shaft without a lump has no head yet
		mass = measure.Value{}
	}
	for _, c := range []struct {
		what   string
		v      measure.Value
		unit   string
		usual  map[string]window
		source string
	}{
		{"the bare stick's mass", mass, "g", bareMass, "common practice, from memory"},
		{"the whole bow's mass", m.Bow.MassG, "g", bowMass, "common practice"},
		{"the whole bow's balance point", m.Bow.BalanceMM, "mm from the nut", bowBalance, "common practice"},
	} {
		w, ok := c.usual[m.Instrument]
		if ok && c.v.Known() && (c.v.X < w.low-2*c.v.U || c.v.X > w.high+2*c.v.U) {
			notes = append(notes, fmt.Sprintf("%s, %s, is outside the %g to %g %s usual for the %s (%s)",
				c.what, c.v.Text(c.unit), w.low, w.high, c.unit, m.Instrument, c.source))
		}
	}
	return notes
}
