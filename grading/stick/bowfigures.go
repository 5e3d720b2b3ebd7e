package stick

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// BowSchema names the JSON document that `ringstock strung` prints.
const BowSchema = "ringstock/strung/1"

// StrungBow is a stick of a card with its hair drawn, at rest and pressed.
type StrungBow struct {
	Name string `json:"name"`
	Hair
	HairMM   measure.Value `json:"hair_length_mm" u:"hair_length_u_mm"`
	GapMM    measure.Value `json:"gap_mm" u:"gap_u_mm"` // least distance from the hair to the line of centres
	GapAtMM  float64       `json:"gap_at_mm"`
	OpenedMM measure.Value `json:"opened_mm" u:"opened_u_mm"` // how much of its camber the middle of the stick gives up
	TiltDeg  measure.Value `json:"head_tilt_deg" u:"head_tilt_u_deg"`
	// Thrusts between its ends under which the stick gives way, straight and with hinged
	// ends.
	BucklingN     measure.Value `json:"buckling_n" u:"buckling_u_n"`
	SidewaysN     measure.Value `json:"sideways_buckling_n" u:"sideways_buckling_u_n"`
	SidewaysShare measure.Value `json:"tension_over_sideways" u:"tension_over_sideways_u"`
	Pressed       []Pressed     `json:"pressed"`
	Unstrung      []BowPoint    `json:"unstrung"`
	Strung        []BowPoint    `json:"strung"`
	HairLine      []BowPoint    `json:"hair"`
	Assumptions   []string      `json:"assumptions"`

	Model Model `json:"-"`
}

// StrungBows are one strung bow, or two to hold side by side.
type StrungBows struct {
	Schema string      `json:"schema"`
	Bows   []StrungBow `json:"bows"`
}

// BowPoint is a point of the stick's line of centres, or of the hair: along the hair at
// rest from the frog, and over it.
type BowPoint struct {
	AlongMM float64 `json:"along_mm"`
	OverMM  float64 `json:"over_mm"`
}

// Pressed is a bow whose hair is pressed against the stick, the frog held still.
// Everything but the stiffness is under the force.
type Pressed struct {
	Place        string        `json:"place"`
	PartPct      float64       `json:"part_pct"` // of the hair, from the frog
	ForceN       float64       `json:"force_n"`
	DeflectionMM measure.Value `json:"deflection_mm" u:"deflection_u_mm"` // of the hair where it is pressed
	StiffnessNM  measure.Value `json:"stiffness_n_m" u:"stiffness_u_n_m"` // felt there at the first touch
	TiltDeg      measure.Value `json:"head_tilt_deg" u:"head_tilt_u_deg"` // of the head, from its rest
	LiftMM       measure.Value `json:"lift_mm" u:"lift_u_mm"`             // how far the stick lifts off the hair's line between middle and head, at most
	LiftAtMM     float64       `json:"lift_at_mm"`
	TensionN     measure.Value `json:"tension_change_n" u:"tension_change_u_n"`
	ClearanceMM  measure.Value `json:"clearance_mm" u:"clearance_u_mm"` // from the hair to the underside of the stick, least; negative = they touch
	Stick        []BowPoint    `json:"stick"`
	Hair         []BowPoint    `json:"hair"`
}

// MarshalJSON writes each value with its uncertainty beside it.
func (b StrungBow) MarshalJSON() ([]byte, error) { return measure.Marshal(b) }

// MarshalJSON writes each value with its uncertainty beside it.
func (p Pressed) MarshalJSON() ([]byte, error) { return measure.Marshal(p) }

// Where a bow is pressed, as parts of the hair from the frog.
var pressPlaces = []struct {
	name string
	part float64
}{{"frog", 0.1}, {"middle", 0.5}, {"tip", 0.9}}

const (
	// usualStretchMM is taken where the ribbon's is not given: some 170 hairs of 0.18
	// mm and 5 GPa, 650 mm long, give 0.03 mm/N (hairs and modulus from memory); it
	// may be off by a half.
	usualStretchMM  = 0.03
	usualStretchU   = 0.5
	measuredStretch = 0.1 // relative uncertainty of one that is given (assumed)
	camberU         = 0.2 // mm, standard uncertainty of the camber as a whole (assumed)
)

// checkHair finds what a strung bow lacks.
func (m Model) checkHair(h Hair) error {
	switch {
	case len(m.Camber) < 3:
		return errors.New("the strung bow needs the camber: give camber_mm at three stations at least, or trace it")
	case !(h.TensionN > 0) || math.IsInf(h.TensionN, 0):
		return errors.New("the strung bow needs the hair's tension: give --hair-tension in newtons, or tension_n under [hair]")
	case !(h.ButtMM > 0 && h.HeadMM > 0):
		return errors.New("the hair's distance from the stick is missing: give --hair-mm, or butt_mm and head_mm under [hair]")
	case !(h.FromMM >= 0 && m.butt()+h.FromMM/1000 < m.end()-0.1):
		return fmt.Errorf("hair.from_mm = %g: the frog does not stand on the stick there", h.FromMM)
	case !m.Wood.YoungsModulus.Known():
		return errors.New("the strung bow needs Young's modulus of the wood: give --model-modulus, or it under [wood]")
	}
	return nil
}

// StringUp strings a stick with its hair and presses it with a force at frog, middle and
// tip. The stick is a slender beam that may bend far, clamped in the frog; hair, frog and
// head are as the assumptions say.
func (m Model) StringUp(h Hair, forceN float64) (StrungBow, error) {
	if err := m.checkHair(h); err != nil {
		return StrungBow{}, err
	}
	if !(forceN > 0 && forceN <= 100) {
		return StrungBow{}, fmt.Errorf("a force of %g N on the hair: give one up to 100 N", forceN)
	}
	b := StrungBow{Name: m.Name, Hair: h, Model: m}
	stretch, uStretch := h.StretchMM, measuredStretch
	given := "as given"
	if stretch == 0 {
		stretch, uStretch, given = usualStretchMM, usualStretchU, "assumed"
	}
	b.StretchMM = stretch
	b.Assumptions = []string{
		"the stick is a slender beam that keeps its length; its wood is the same everywhere, and set by no former bending",
		"the frog is held still; frog and head are rigid, and stand across the unstrung stick",
		fmt.Sprintf("the ribbon stretches by %.3g mm/N (%s, ± %.0f %%), slides freely over what presses it, and has no stiffness of its own", stretch, given, 100*uStretch),
		fmt.Sprintf("the camber as a whole is known to %.2g mm (assumed)", camberU),
		"buckling loads are those of the straight stick with hinged ends; twisting, which lowers the sideways one by some per cent, is left out",
	}
	if first, last := m.Camber[0].X, m.Camber[len(m.Camber)-1].X; first > m.butt()+1e-3 || last < m.end()-1e-3 {
		b.Assumptions = append(b.Assumptions, fmt.Sprintf("the camber was read from %.4g to %.4g mm only; beyond, the stick is taken as level", 1000*first, 1000*last))
	}
	t := m.Wood.timber()
	f := newForm(m.Stick, m.MidSpan(0, 1), m.Accuracy)
	deepest := 0.001
	for _, p := range m.Camber {
		deepest = max(deepest, math.Abs(p.Y))
	}
	in := []measure.Input{
		{Name: "stiffness of the stick", X: 0, U: math.Hypot(t.young.Rel(), f.uStiffness[0])},
		{Name: "camber", X: 1, U: camberU / 1000 / deepest},
		{Name: "hair", X: stretch / 1000, U: uStretch * stretch / 1000},
	}
	solveAt := func(x []float64) (tuned, error) { return tuneAll(m, h, 1e9*t.young.X*(1+x[0]), x[1], x[2], forceN) }
	all := propagateAll(in, solveAt)
	if all.err != nil {
		return StrungBow{}, all.err
	}
	best := all.best
	b.GapAtMM = best.gapAt
	for i, to := range []*measure.Value{&b.HairMM, &b.GapMM, &b.OpenedMM, &b.TiltDeg} {
		*to = all.values[i]
	}
	b.Unstrung, b.Strung, b.HairLine = best.unstrung, best.rest, best.hair
	for i, p := range pressPlaces {
		q := best.pressed[i]
		values := all.values[4+pressFigures*i:]
		b.Pressed = append(b.Pressed, Pressed{Place: p.name, PartPct: 100 * p.part, ForceN: forceN, LiftAtMM: q.liftAt, Stick: q.stick, Hair: q.hair,
			DeflectionMM: values[0], StiffnessNM: values[1], TiltDeg: values[2], LiftMM: values[3], TensionN: values[4], ClearanceMM: values[5]})
	}
	for i, to := range []*measure.Value{&b.BucklingN, &b.SidewaysN} {
		young := []measure.Value{t.young, t.sideways}[i]
		n := newColumn(m.Stick, 1e9*young.X, bar.Plane(1+i)).buckling()
		*to = measure.FromParts(n, []measure.Part{{Name: fromModulus, U: n * young.Rel()}, {Name: fromDiameters, U: n * f.uStiffness[i]}})
	}
	b.SidewaysShare = measure.Of(h.TensionN/b.SidewaysN.X, h.TensionN/b.SidewaysN.X*b.SidewaysN.Rel())
	return b, nil
}

// tuned are the figures of a strung bow by plain numbers.
type tuned struct {
	figures              []float64 // hair's length, gap, opened, tilt; then those of each press
	gapAt                float64   // mm from the butt
	unstrung, rest, hair []BowPoint
	pressed              []press
}

type press struct {
	liftAt      float64
	stick, hair []BowPoint
}

// pressFigures is how many figures a press has.
const pressFigures = 6

// tuneAll strings and presses a stick of one set of numbers.
func tuneAll(m Model, h Hair, young, camber, stretch, force float64) (tuned, error) {
	r := newRig(m, h, young, camber, stretch)
	rest, err := r.tune(h.TensionN)
	if err != nil {
		return tuned{}, fmt.Errorf("%w: %g N", err, h.TensionN)
	}
	along := rest.head.minus(r.frog).times(1 / rest.length)
	place := func(p point) BowPoint {
		q := p.minus(r.frog)
		return BowPoint{1000 * along.dot(q), 1000 * along.cross(q)}
	}
	line := func(b bent) (out []BowPoint) {
		for _, p := range b.at {
			out = append(out, place(p))
		}
		return out
	}
	free := r.bend(point{}, point{})
	out := tuned{unstrung: line(free), rest: line(rest.bent), hair: []BowPoint{place(r.frog), place(rest.head)}}
	gap, at := math.Inf(1), 0
	for i, p := range out.rest {
		if p.OverMM < gap {
			gap, at = p.OverMM, i
		}
	}
	out.gapAt = 1000 * r.place(at)
	_, turn := rest.tip()
	out.figures = []float64{1000 * rest.length, gap, 1000 * (sagitta(free.at) - sagitta(rest.at)), turn * 180 / math.Pi}
	for _, p := range pressPlaces {
		const touch = 0.01 // N: what a stiffness at the first touch is taken with
		light, err := r.press(rest, p.part, touch)
		if err != nil {
			return tuned{}, err
		}
		d, err := r.press(rest, p.part, force)
		if err != nil {
			return tuned{}, err
		}
		q := press{stick: line(d.bent), hair: []BowPoint{place(r.frog), place(d.pressed), place(d.head)}}
		lift := 0.0
		for i := range q.stick {
			x := q.stick[i].OverMM - out.rest[i].OverMM
			if 2*i >= len(q.stick) && math.Abs(x) > math.Abs(lift) {
				lift, q.liftAt = x, 1000*r.place(i)
			}
		}
		_, tilted := d.tip()
		out.figures = append(out.figures, place(d.pressed).OverMM, 1000*touch/place(light.pressed).OverMM, (tilted-turn)*180/math.Pi, lift,
			d.tension-rest.tension, clearance(m, r, q))
		out.pressed = append(out.pressed, q)
	}
	return out, nil
}

// place is where point i of a limb's shape lies along the straight stick, m from the
// butt.
func (l limb) place(i int) float64 {
	if i == len(l.x) {
		return l.x[i-1] + l.dx[i-1]
	}
	return l.x[i]
}

// sagitta is how far a line's points lie to the hair's side of the line
// through its ends, at most.
func sagitta(list []point) float64 {
	chord := list[len(list)-1].minus(list[0])
	most := math.Inf(-1)
	for _, p := range list {
		most = max(most, -chord.cross(p.minus(list[0]))/chord.long())
	}
	return most
}

// clearance is the least distance between hair and underside, mm.
func clearance(m Model, r rig, q press) float64 {
	least := math.Inf(1)
	for i, p := range q.stick {
		at := slices.IndexFunc(q.hair[1:], func(h BowPoint) bool { return p.AlongMM <= h.AlongMM })
		if at < 0 {
			continue
		}
		a, b := q.hair[at], q.hair[at+1]
		hair := a.OverMM + (b.OverMM-a.OverMM)*(p.AlongMM-a.AlongMM)/(b.AlongMM-a.AlongMM)
		least = min(least, p.OverMM-hair-500*m.Section(r.place(i)).Height)
	}
	return least
}

// propagated are all figures of a bow with their uncertainties.
type propagated struct {
	best   tuned
	values []measure.Value
	err    error
}

// propagateAll solves once for the best estimates and twice for each input, and makes of
// that what [measure.Propagate] makes for each figure alone.
func propagateAll(in []measure.Input, at func(x []float64) (tuned, error)) (out propagated) {
	x := make([]float64, len(in))
	for i, v := range in {
		x[i] = v.X
	}
	if out.best, out.err = at(x); out.err != nil {
		return out
	}
	parts := make([][]measure.Part, len(out.best.figures))
	for i, v := range in {
		if v.U == 0 {
			continue
		}
		var sides [2]tuned
		for s, sign := range []float64{1, -1} {
			moved := slices.Clone(x)
			moved[i] += sign * v.U / 4 // near enough to be straight, far enough from rounding
			if sides[s], out.err = at(moved); out.err != nil {
				return out
			}
		}
		for k := range parts {
			parts[k] = append(parts[k], measure.Part{Name: v.Name, U: 2 * (sides[0].figures[k] - sides[1].figures[k])})
		}
	}
	for k, v := range out.best.figures {
		out.values = append(out.values, measure.FromParts(v, parts[k]))
	}
	return out
}

// Says is the answer in sentences.
func (s StrungBows) Says() (list []string) {
	for _, b := range s.Bows {
		says := fmt.Sprintf("%s at %.3g N: gap %s at %.0f mm, opened by %s", b.Name, b.TensionN, b.GapMM.Text("mm"), b.GapAtMM, b.OpenedMM.Text("mm"))
		if p := b.Pressed; len(p) == len(pressPlaces) {
			says += fmt.Sprintf("; the hair feels %s at the frog, %s in the middle, %s at the tip", p[0].StiffnessNM.Text("N/m"), p[1].StiffnessNM.Text("N/m"), p[2].StiffnessNM.Text("N/m"))
		}
		list = append(list, says+".")
	}
	for _, b := range s.Bows {
		if b.SidewaysShare.X > sidewaysCare {
			list = append(list, fmt.Sprintf("%s: the pull is %.0f %% of what buckles it sideways: it must be very straight.", b.Name, 100*b.SidewaysShare.X))
		}
		for _, p := range b.Pressed {
			if p.ClearanceMM.X < 0 {
				list = append(list, fmt.Sprintf("%s: pressed with %.3g N at the %s, the stick touches the hair.", b.Name, p.ForceN, p.Place))
			}
		}
	}
	return list
}

// sidewaysCare is the share of the sideways buckling load from which a pull is told of
// (assumed: an off-straight stick then bends five times further than without the pull).
const sidewaysCare = 0.8

// BowFigures are the figures of a strung bow in words, in the order they are shown in.
func BowFigures(b StrungBow) []Fact {
	out := []Fact{
		{"hair tension", fmt.Sprintf("%.4g N", b.TensionN)},
		{"hair length", b.HairMM.Text("mm")},
		{"least gap, hair to line of centres", b.GapMM.Text("mm") + fmt.Sprintf(" at %.0f mm", b.GapAtMM)},
		{"opened by the pull", b.OpenedMM.Text("mm")},
		{"head tilted by the pull (− towards the hair)", b.TiltDeg.Text("°")},
		{"gives way at", b.BucklingN.Text("N")},
		{"gives way sideways at", b.SidewaysN.Text("N")},
	}
	for _, p := range b.Pressed {
		at := " at the " + p.Place
		if p.Place == "middle" {
			at = " in the middle"
		}
		under := fmt.Sprintf(", %.3g N", p.ForceN)
		out = append(out,
			Fact{"hair stiffness felt" + at, p.StiffnessNM.Text("N/m")},
			Fact{"hair gives" + at + under, p.DeflectionMM.Text("mm")},
			Fact{"head tilts" + under + at, p.TiltDeg.Text("°")},
			Fact{"stick lifts" + under + at, p.LiftMM.Text("mm") + fmt.Sprintf(" at %.0f mm", p.LiftAtMM)},
			Fact{"tension grows" + under + at, p.TensionN.Text("N")},
			Fact{"clearance under the stick" + under + at, p.ClearanceMM.Text("mm")})
	}
	return out
}
