package wood

import (
	"fmt"
	"math"
	"slices"

	"ringstock/capture"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Evaluate gets from readings and rings to wood values. Any ring may be nil: side
// are taps on the face whose depth is HeightMM, width those on the other face, end
// those on the end grain. The species, as the maker writes it, only serves the
// plausibility check and may be empty. What can't be computed is an unknown value, and
// its reason is among the returned reasons, each once.
//
// E/rho comes from the notes and the form directly, never from E and density: they share
// the calliper's errors. It is taken lengthwise (c = 2 L f on a plain bar) or from
// bending, whichever has the smaller uncertainty.
func Evaluate(r Readings, species string, side, width, end *spectrum.Ring) (Values, []string, []capture.Warning) {
	e := evaluation{readings: r, blank: newBlank(r), rings: rings{side, width, end}}
	e.v.LossTangent = e.rings.lossTangent()
	e.elastic()
	e.correct()
	return e.v, e.v.missing(), append(e.warnings, literature(e.v, species)...)
}

type evaluation struct {
	readings Readings
	blank    blank
	rings    rings
	v        Values
	warnings []capture.Warning
}

// lossTangent is 1/Q of the fundamental: of the side taps, or else of what there is.
func (r rings) lossTangent() measure.Value {
	v := measure.Unknown("no loss tangent: no tap was accepted")
	for _, ring := range []*spectrum.Ring{r.side, r.width, r.end} {
		if ring == nil {
			continue
		}
		if q := ring.Fundamental.Q; q.Known() && q.X > 0 {
			return measure.Of(1/q.X, q.U/(q.X*q.X))
		} else if q.Why != "" {
			v = measure.Unknown("no loss tangent: " + q.Why)
		}
	}
	return v
}

// elastic fills in density and everything elastic.
func (e *evaluation) elastic() {
	v, r, b := &e.v, e.readings, e.blank
	none := func(why string, vs ...*measure.Value) {
		for _, x := range vs {
			*x = measure.Unknown(why)
		}
	}
	m, notes, f, err := e.fit()
	mass := r.MassG
	rho := f.constant(0)
	switch lacks := b.lacksVolume(); {
	case err != nil:
		none("no density: the dimensions make no bar", &v.Density)
	case !mass.Known() || mass.X <= 0:
		none("no density: the mass is missing", &v.Density)
	case lacks != "":
		none("no density: the "+lacks+" is missing", &v.Density)
	default:
		rho = f.density(b, mass)
		v.Density = rho.value(1)
	}

	q, from := bestModulus(f, notes)
	if from == "" {
		why := "no specific modulus: " + e.whyNoModulus()
		none(why, &v.SpecificModulus, &v.YoungsModulus, &v.SoundSpeed, &v.Impedance, &v.Radiation)
		none("no shear modulus: it takes the three lowest bending notes, or two and the torsion", &v.ShearModulus)
		none("no difference of the planes: it takes taps on both faces", &v.PlaneDifference)
		none(why, &v.SpecificModulusHeight, &v.SpecificModulusWidth)
		v.MeasureNext = e.nextBasic()
		e.hold(m)
		return
	}
	v.SpecificModulus, v.SpecificModulusFrom = q.value(1e6), from
	v.SoundSpeed = q.power(0.5).value(1)
	if v.Density.Known() {
		v.YoungsModulus = q.times(rho, 1).value(1e9)
		v.Impedance = q.power(0.5).times(rho, 1).value(1e6)
		v.Radiation = q.power(0.5).times(rho, -1).value(1)
	} else {
		none(v.Density.Why, &v.YoungsModulus, &v.Impedance, &v.Radiation)
	}
	e.shear(f, notes, rho)
	e.planes(f, notes)
	e.modes(m, f, notes)
	e.hold(m)
	v.MeasureNext = m.next(notes, f, mass)
	if v.MeasureNext == "" && !v.Density.Known() {
		v.MeasureNext = e.nextBasic()
	}
	e.warnings = append(e.warnings, m.contradictions(f, notes)...)
	e.warnings = append(e.warnings, m.strayEnd(f, notes, e.rings)...)
	e.warnings = append(e.warnings, m.otherFace(f, notes, e.rings)...)
	e.warnings = append(e.warnings, m.overtones(f, notes, e.rings)...)
	switch v.Spot = m.locate(notes, freely); {
	case v.Spot != nil:
		e.warnings = append(e.warnings, v.Spot.warning())
	case f.extra > localScatter && f.extra < ragged:
		e.warnings = append(e.warnings, capture.Warning{Code: Local, Text: fmt.Sprintf(
			"the modes do not agree on one modulus (they scatter by %.1f %% in pitch): the wood, or its thickness, varies along the blank; look and measure along it", 100*f.extra)})
	}
	e.assume(f, notes)
}

// fit finds which partial is which mode, and what follows from all of them. The model is
// linear about one ratio E/G, so it is made anew when the notes ask for another.
func (e *evaluation) fit() (m model, notes []note, f fit, err error) {
	eg := usualEG
	for range 4 {
		if m, err = newModel(e.blank, eg, e.rings.wanted(e.blank)); err != nil {
			return m, nil, m.fit(nil, freely, 0), err
		}
		notes = m.assign(e.rings)
		f = m.settled(notes, freely)
		eg = min(max(math.Exp(f.x[lnModulus]-f.x[lnShear]), 4), 60)
		if len(notes) == 0 || math.Abs(math.Log(eg/m.eg)) < 0.03 {
			break
		}
	}
	return m, notes, f, nil
}

// localScatter is the scatter of ln f between modes from which it is mentioned (assumed).
const localScatter = 0.003

// bestModulus is E/rho lengthwise or from bending, whichever is surer, and which it
// is: "" for neither.
func bestModulus(f fit, notes []note) (q quantity, from string) {
	h, w := count(notes, bar.BendingHeight) > 0, count(notes, bar.BendingWidth) > 0
	switch {
	case h && w:
		q, from = f.quantity([firstReading]float64{lnModulus: 1, widthShift: 0.5}), "bending"
	case w:
		q, from = f.quantity([firstReading]float64{lnModulus: 1, widthShift: 1}), "bending"
	case h:
		q, from = f.quantity([firstReading]float64{lnModulus: 1}), "bending"
	}
	if count(notes, bar.Longitudinal) > 0 {
		l := f.quantity([firstReading]float64{lnModulus: 1, lengthwise: 1})
		if from == "" || l.rel() < q.rel() {
			return l, "longitudinal"
		}
	}
	return q, from
}

// whyNoModulus says what stands between the rings and E/rho.
func (e *evaluation) whyNoModulus() string {
	for _, c := range []struct {
		ring *spectrum.Ring
		kind bar.Kind
	}{{e.rings.side, bar.BendingHeight}, {e.rings.width, bar.BendingWidth}, {e.rings.end, bar.Longitudinal}} {
		if c.ring == nil {
			continue
		}
		if lacks := e.blank.lacks(c.kind); lacks != "" {
			return "the " + lacks + " is missing"
		}
		if why := c.ring.Fundamental.Hz.Why; why != "" {
			return why
		}
	}
	if e.rings.side == nil && e.rings.width == nil && e.rings.end == nil {
		return "no tap was accepted"
	}
	return "the dimensions make no bar"
}

// nextBasic is what to measure first when there is no modulus or no density.
func (e *evaluation) nextBasic() string {
	switch {
	case e.rings.side == nil && e.rings.width == nil && e.rings.end == nil:
		return "record taps that can be used"
	case !e.blank.known(length):
		return "measure the length: with end taps it alone gives the sound speed"
	case e.v.SpecificModulus.Known() && !e.readings.MassG.Known():
		return "weigh it: the density is missing"
	case e.v.SpecificModulus.Known() && e.blank.lacksVolume() != "":
		return "measure the " + e.blank.lacksVolume() + ": it gives the density"
	case e.rings.end == nil && !e.blank.known(height):
		return "record end taps, which with the length give the sound speed, or measure the height"
	}
	if lacks := e.blank.lacks(bar.BendingHeight); lacks != "" {
		return "measure the " + lacks
	}
	return ""
}

// shear gives G where the notes tell more about it than the assumption does.
func (e *evaluation) shear(f fit, notes []note, rho quantity) {
	g := f.quantity([firstReading]float64{lnShear: 1})
	bending := max(series(notes, bar.BendingHeight), series(notes, bar.BendingWidth))
	switch torsion := count(notes, bar.Torsion) > 0; {
	case bending < 3 && !torsion:
		e.v.ShearModulus = measure.Unknown("no shear modulus: it takes the three lowest bending notes, or two and the torsion")
	case g.rel() > 0.15:
		e.v.ShearModulus = measure.Unknown("no shear modulus: the notes leave it too uncertain")
	case !e.v.Density.Known():
		e.v.ShearModulus = measure.Unknown("no shear modulus: " + e.v.Density.Why)
	default:
		e.v.ShearModulus = g.times(rho, 1).value(1e9)
	}
}

func (e *evaluation) planes(f fit, notes []note) {
	h, w := count(notes, bar.BendingHeight) > 0, count(notes, bar.BendingWidth) > 0
	e.v.SpecificModulusHeight = measure.Unknown("no modulus in the height plane: it takes side taps with length and height")
	e.v.SpecificModulusWidth = measure.Unknown("no modulus in the width plane: it takes taps on the other face with length and width")
	e.v.PlaneDifference = measure.Unknown("no difference of the planes: it takes taps on both faces, with length, height and width")
	if h {
		e.v.SpecificModulusHeight = f.quantity([firstReading]float64{lnModulus: 1}).value(1e6)
	}
	if w {
		e.v.SpecificModulusWidth = f.quantity([firstReading]float64{lnModulus: 1, widthShift: 1}).value(1e6)
	}
	if h && w {
		// Percent of a ratio near 1: 100 (ratio - 1), whose uncertainty is that of the
		// ratio.
		d := f.quantity([firstReading]float64{widthShift: -1}).value(0.01)
		budget := d.Budget
		d = measure.Of(d.X-100, d.U)
		d.Budget = budget
		e.v.PlaneDifference = d
	}
}

func (e *evaluation) modes(m model, f fit, notes []note) {
	first := len(f.data) - len(notes)
	for i, n := range notes {
		r := f.off(first + i)
		d := f.data[first+i]
		share := 1 - m.modes[n.kind][n.place-1].shear
		mode := Mode{Taps: n.ring, Family: family(n.kind), Order: n.place, Hz: n.Hz,
			ModelHz: n.Hz.X * math.Exp(-r), ResidualPct: 100 * math.Expm1(r)}
		if share > 0.5 {
			shift := 0.0
			switch n.kind {
			case bar.BendingWidth:
				shift = f.x[widthShift]
			case bar.Longitudinal:
				shift = f.x[lengthwise]
			}
			x := math.Exp(f.x[lnModulus]+shift+2*r/share) / 1e6
			mode.SpecificModulus = measure.Of(x, x*2*d.sd/share)
		} else {
			mode.SpecificModulus = measure.Unknown("torsion tells G, not E")
		}
		e.v.Modes = append(e.v.Modes, mode)
	}
}

func family(k bar.Kind) spectrum.Family {
	switch k {
	case bar.Torsion:
		return spectrum.Torsion
	case bar.Longitudinal:
		return spectrum.Longitudinal
	}
	return spectrum.Bending
}

// hold says where the fundamental's nodes are, for holding the blank there.
func (e *evaluation) hold(m model) {
	var nodes []float64
	if m.has(bar.BendingHeight, 1) {
		nodes = m.first.Nodes()
	} else if e.blank.lacks(bar.BendingHeight) == "" {
		if plain, err := newModel(e.blank, usualEG, [4]int{bar.BendingHeight: 1}); err == nil {
			nodes = plain.first.Nodes()
		}
	}
	if nodes == nil && e.blank.known(length) && !e.blank.hasHead() && !e.blank.tapered() {
		nodes = []float64{0.2242 * e.blank.size[length], 0.7758 * e.blank.size[length]}
	}
	for _, x := range nodes {
		e.v.HoldAtMM = append(e.v.HoldAtMM, math.Round(1000*x))
	}
}

// assume lists what went in unmeasured.
func (e *evaluation) assume(f fit, notes []note) {
	say := func(format string, args ...any) {
		e.v.Assumptions = append(e.v.Assumptions, fmt.Sprintf(format, args...))
	}
	if !e.v.ShearModulus.Known() && count(notes, bar.BendingHeight)+count(notes, bar.BendingWidth) > 0 {
		say("E/G = %.0f ± %.0f as in dense hardwoods (from memory)", usualEG, usualEGSd)
	}
	if e.blank.known(height) && e.blank.known(width) {
		say("%.0f %% of the calliper's variance is one error common to all its readings", 100*SharedCalliper)
	}
	switch {
	case f.extra > 0:
		say("the wood varies along the blank: its notes scatter by %.1f %% about those of an even bar; the uncertainties allow for it", 100*f.extra)
	case len(notes) > 0:
		say("the wood may vary along the blank, by %.1f %% in E as far as its notes tell", 100*f.uneven)
	}
}

// correct fills in moisture and the values at 12 %.
func (e *evaluation) correct() {
	v := &e.v
	m, estimated := e.readings.moisture()
	v.MoistureUsed = m
	t := e.readings.TemperatureC
	specific := ofModulus.plus(ofDensity, -1)
	speed := change{}.plus(specific, 0.5)
	v.Density12 = at12(v.Density, m, t, ofDensity)
	v.SpecificModulus12 = at12(v.SpecificModulus, m, t, specific)
	v.YoungsModulus12 = at12(v.YoungsModulus, m, t, ofModulus)
	v.ShearModulus12 = at12(v.ShearModulus, m, t, ofShear)
	v.SoundSpeed12 = at12(v.SoundSpeed, m, t, speed)
	v.Impedance12 = at12(v.Impedance, m, t, speed.plus(ofDensity, 1))
	v.Radiation12 = at12(v.Radiation, m, t, speed.plus(ofDensity, -1))
	v.LossTangent12 = at12(v.LossTangent, m, t, ofDamping)
	if !m.Known() {
		return
	}
	v.Assumptions = append(v.Assumptions, "values at 12 % moisture follow averages of many woods; dense woods rich in extractives take up less water, so read them with their uncertainty")
	if estimated {
		v.Assumptions = append(v.Assumptions, fmt.Sprintf("moisture estimated from the air (Wood Handbook, eq. 4-5): %.1f ± %.1f %%", m.X, m.U))
	}
}

// missing lists why values are unknown, each reason once.
func (v Values) missing() (reasons []string) {
	for _, x := range []measure.Value{
		v.Density, v.SpecificModulus, v.YoungsModulus, v.ShearModulus, v.SoundSpeed, v.Impedance, v.LossTangent,
		v.Radiation, v.PlaneDifference, v.MoistureUsed, v.Density12, v.SpecificModulus12, v.YoungsModulus12,
		v.ShearModulus12, v.SoundSpeed12, v.Impedance12, v.LossTangent12, v.Radiation12,
	} {
		if !x.Known() && x.Why != "" && !slices.Contains(reasons, x.Why) {
			reasons = append(reasons, x.Why)
		}
	}
	return reasons
}
