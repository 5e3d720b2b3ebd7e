package wood

import (
	"fmt"
	"math"
	"strings"

	"ringstock/capture"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Codes of warnings.
const (
	// Implausible marks inputs that contradict each other or physics: a blank that
	// carries such a warning is judged "maybe" at best.
	Implausible = "implausible"
	// Local marks modes that shift unequally: something local in the wood, or a dimension
	// that varies along it.
	Local = "local"
)

// tension is how far the free fit's planes lie apart, in standard deviations of what
// uncertainty and sound wood allow.
func (f fit) tension(shift int) float64 {
	return f.x[shift] / math.Sqrt(f.cov.At(shift, shift)+alike*alike)
}

// strain is the sum of squared tensions.
func (f fit) strain() float64 {
	w, l := f.tension(widthShift), f.tension(lengthwise)
	return w*w + l*l
}

const (
	tense       = 3.0  // standard deviations from which planes contradict each other
	ragged      = 0.03 // scatter of ln f between modes that no sound bar of the right form has: E varies by 15 %
	swapSuspect = 5.0  // strain from which swapped height and width are tried
)

// contradictions compares bending with longitudinal vibration, the two planes, and the
// modes of one plane.
func (m model) contradictions(f fit, notes []note) []capture.Warning {
	tension := max(math.Abs(f.tension(widthShift)), math.Abs(f.tension(lengthwise)))
	swap := f.strain() > swapSuspect && m.swapHelps(f, notes)
	if tension < tense && f.extra < ragged && !swap {
		return nil
	}
	text := m.culprits(m.fit(notes, alike, f.uneven)) + " looks wrong: "
	if swap {
		text = fmt.Sprintf("height and width look swapped (%s x %s mm would fit)", mm(m.blank.size[width]), mm(m.blank.size[height]))
		if count(notes, bar.BendingWidth) == 0 || count(notes, bar.BendingHeight) == 0 {
			text += ", or " + m.culprits(m.fit(notes, alike, f.uneven)) + " is wrong"
		}
		text += ": "
	}
	return []capture.Warning{{Code: Implausible, Text: text + m.evidence(f, notes) + ": measure again, and check which face was tapped for which recording"}}
}

// swapHelps tells whether the notes would agree if height and width changed places.
func (m model) swapHelps(f fit, notes []note) bool {
	b := m.blank
	if !b.known(height) || !b.known(width) || b.size[height] == b.size[width] {
		return false
	}
	for _, p := range [][2]int{{height, width}, {tipHeight, tipWidth}} {
		b.size[p[0]], b.size[p[1]] = b.size[p[1]], b.size[p[0]]
		b.u[p[0]], b.u[p[1]] = b.u[p[1]], b.u[p[0]]
	}
	var want [4]int
	for k := range m.modes {
		want[k] = len(m.modes[k])
	}
	swapped, err := newModel(b, m.eg, want)
	if err != nil {
		return false
	}
	after := swapped.fit(notes, freely, f.uneven).strain()
	return after < swapSuspect && after < f.strain()-swapSuspect
}

// evidence says in numbers what contradicts what.
func (m model) evidence(f fit, notes []note) string {
	speed := func(shift float64) string {
		return fmt.Sprintf("%.0f m/s", math.Exp((f.x[lnModulus]+shift)/2))
	}
	var parts []string
	for _, c := range []struct {
		taps  string
		kind  bar.Kind
		shift float64
	}{
		{"the side taps", bar.BendingHeight, 0}, {"those on the other face", bar.BendingWidth, f.x[widthShift]},
		{"the end taps", bar.Longitudinal, f.x[lengthwise]},
	} {
		if count(notes, c.kind) > 0 {
			parts = append(parts, c.taps+" say "+speed(c.shift))
		}
	}
	if f.extra > ragged {
		parts = append(parts, fmt.Sprintf("the modes scatter by %.1f %% in pitch", 100*f.extra))
	}
	return strings.Join(parts, ", ")
}

// culprits names the dimensions whose correction would resolve the contradiction
// best (data snooping: Baarda 1968, from memory), with the value that would do
// so if it is only one.
func (m model) culprits(f fit) string {
	w, implied := [dimensions]float64{}, [dimensions]float64{}
	most := 0.0
	for d := range dimensions {
		if !m.blank.known(d) {
			continue
		}
		datum := f.data[priorsBefore+d]
		redundancy := 1 - f.variance(&datum.a)
		if redundancy < 1e-6 {
			continue // no other datum could tell
		}
		r := f.residual(priorsBefore + d)
		w[d] = math.Abs(r) / math.Sqrt(redundancy)
		own, _ := m.blank.errors(d)
		implied[d] = m.blank.size[d] - own*r/redundancy
		most = max(most, w[d])
	}
	var names []string
	last := 0
	for d := range dimensions {
		if w[d] > 0.9*most && implied[d] > 0 {
			names = append(names, dimensionNames[d])
			last = d
		}
	}
	switch len(names) {
	case 0:
		return "a dimension or the assignment of the recordings"
	case 1:
		return fmt.Sprintf("%s (%s mm entered, about %s would fit)", names[0], mm(m.blank.size[last]), mm(implied[last]))
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

func mm(metres float64) string {
	if metres > 0.1 {
		return fmt.Sprintf("%.0f", 1000*metres)
	}
	return fmt.Sprintf("%.1f", 1000*metres)
}

// otherFace checks the width by the second plane that side taps may let sound, where no
// taps on the other face are there to do so.
func (m model) otherFace(f fit, notes []note, r rings) []capture.Warning {
	p, ok := otherPlane(r.side)
	if !ok || r.width != nil || !m.has(bar.BendingWidth, 1) {
		return nil
	}
	ln, u := m.fit(notes, alike, f.uneven).predict(m, bar.BendingWidth, 1)
	if math.Abs(math.Log(p.Hz.X)-ln) < 3*u+slack {
		return nil
	}
	return []capture.Warning{{Code: Implausible, Text: fmt.Sprintf(
		"height or width looks wrong: the blank also rings at %.1f Hz, in the other plane it should be %.1f Hz: measure again, or tap the other face", p.Hz.X, math.Exp(ln))}}
}

// strayEnd tells that the note of the end taps could not be any longitudinal mode.
func (m model) strayEnd(f fit, notes []note, r rings) []capture.Warning {
	if r.end == nil || !audible(r.end.Fundamental) || !m.has(bar.Longitudinal, 1) || count(notes, bar.Longitudinal) > 0 {
		return nil
	}
	ln, _ := f.predict(m, bar.Longitudinal, 1)
	return []capture.Warning{{Code: Implausible, Text: fmt.Sprintf(
		"the end taps ring at %.0f Hz, by the side taps the blank should ring lengthwise at about %.0f Hz; they were not used: record them again, or measure length and height again", r.end.Fundamental.Hz.X, math.Exp(ln))}}
}

// overtones checks the second partial against the form: a head block or taper that was
// not entered shows there.
func (m model) overtones(f fit, notes []note, r rings) (list []capture.Warning) {
	for _, c := range []struct {
		ring *spectrum.Ring
		kind bar.Kind
	}{{r.side, bar.BendingHeight}, {r.width, bar.BendingWidth}} {
		if c.ring == nil || !m.has(c.kind, 2) || count(notes, c.kind) == 0 || hasNote(notes, c.kind, 2) {
			continue
		}
		ln, u := f.predict(m, c.kind, 2)
		for _, p := range c.ring.Partials {
			if p.Family != spectrum.Bending || p.Order != 2 || p.Plane > 1 {
				continue
			}
			if off := math.Abs(math.Log(p.Hz.X) - ln); off > 3*u+slackHinted && off < 0.15 {
				f1 := c.ring.Fundamental.Hz.X
				list = append(list, capture.Warning{Code: Implausible, Text: fmt.Sprintf(
					"the second partial lies at %.2f times the fundamental, the form entered gives %.2f: is there a head block or a taper that was not entered?",
					p.Hz.X/f1, math.Exp(ln)/f1)})
				break
			}
		}
	}
	return list
}

func hasNote(notes []note, k bar.Kind, order int) bool {
	for _, n := range notes {
		if n.kind == k && n.place == order {
			return true
		}
	}
	return false
}

// literature holds the results against what is known of the species, or of any wood.
func literature(v Values, species string) (list []capture.Warning) {
	w, found := windowFor(species)
	of := "any wood"
	if found {
		of = strings.TrimSpace(species)
	}
	check := func(x measure.Value, low, high, unit float64, what, unitName, suspects string) {
		if !x.Known() {
			return
		}
		if x.X+2*x.U >= low/unit && x.X-2*x.U <= high/unit {
			return
		}
		list = append(list, capture.Warning{Code: Implausible, Text: fmt.Sprintf("%s of %.3g %s is outside what is known of %s (%.3g to %.3g %s, %s): check %s",
			what, x.X, unitName, of, low/unit, high/unit, unitName, w.source, suspects)})
	}
	check(v.Density, w.densityLow, w.dense, 1, "a density", "kg/m3", "mass, height, width and length")
	check(v.YoungsModulus, w.modulusLow, w.strong, 1e9, "a modulus", "GPa", "length and height")
	check(v.SoundSpeed, slowestMS, fastestMS, 1, "a sound speed", "m/s", "length and height")
	if eg := v.ratioEG(); eg.Known() && (eg.X+2*eg.U < 6 || eg.X-2*eg.U > 40) {
		list = append(list, capture.Warning{Code: Implausible, Text: fmt.Sprintf("E/G comes out as %.0f, hardwoods have 10 to 25: a dimension is wrong, or a partial was taken for another", eg.X)})
	}
	return list
}

// ratioEG is E/G where G was measured.
func (v Values) ratioEG() measure.Value {
	if !v.ShearModulus.Known() || !v.YoungsModulus.Known() {
		return measure.Unknown("G was not measured")
	}
	eg := v.YoungsModulus.X / v.ShearModulus.X
	return measure.Of(eg, eg*math.Hypot(v.YoungsModulus.Rel(), v.ShearModulus.Rel()))
}

// Overtone is f_n/f_1 of bending in one plane by the form alone, for usual wood:
// what a head or a taper that was not entered shows against. ok is false where
// the form is not known.
func Overtone(r Readings, wide bool, order int) (ratio float64, ok bool) {
	b, kind := newBlank(r), bar.BendingHeight
	if wide {
		kind = bar.BendingWidth
	}
	if b.lacks(kind) != "" {
		return 0, false
	}
	var want [4]int
	want[kind] = order
	m, err := newModel(b, usualEG, want)
	if err != nil || !m.has(kind, order) {
		return 0, false
	}
	return math.Exp(m.modes[kind][order-1].lnHz - m.modes[kind][0].lnHz), true
}

// UsualDensity is the window of a species' density in the literature, kg/m3; ok is false
// where the species is not known.
func UsualDensity(species string) (low, high float64, ok bool) {
	w, ok := windowFor(species)
	return w.densityLow, w.dense, ok
}
