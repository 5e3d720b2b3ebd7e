package stick

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// WorkSchema names the JSON document that `ringstock work` prints.
const WorkSchema = "ringstock/work/1"

// Work is a stick in the making held against its plan.
type Work struct {
	Schema  string        `json:"schema"`
	Model   string        `json:"model"`
	Stage   string        `json:"stage"`
	Scale   float64       `json:"scale"`
	ToGo    []ToGo        `json:"stations"`
	OffG    measure.Value `json:"to_come_off_g" u:"to_come_off_u_g"` // wood between what is there and the plan
	Planned Figures       `json:"planned"`                           // the stick if finished as planned, by the wood as it now shows itself
	Wood    Wood          `json:"wood"`                              // that wood
	// AsPlanned are the figures if no station were under the plan; the planned ones
	// keep what is there.
	AsPlanned Figures   `json:"-"`
	Checks    []Check   `json:"checks"`
	Now       []Station `json:"-"`
	Plan      []Station `json:"-"`

	Notes     []string `json:"notes"`
	Questions []string `json:"questions"`
}

// ToGo is what is still to come off at a station; negative: already under the plan.
type ToGo struct {
	AtMM        float64       `json:"at_mm"`
	PlanHeight  float64       `json:"plan_height_mm"`
	PlanWidth   float64       `json:"plan_width_mm"`
	NowHeight   float64       `json:"height_mm"`
	NowWidth    float64       `json:"width_mm"`
	HeightToGo  measure.Value `json:"height_to_go_mm" u:"height_to_go_u_mm"`
	WidthToGo   measure.Value `json:"width_to_go_mm" u:"width_to_go_u_mm"`
	UnderHeight bool          `json:"under_height"` // less than planned by more than twice the uncertainty
	UnderWidth  bool          `json:"under_width"`
}

// Check is something measured at this stage against what was foretold.
type Check struct {
	Name     string        `json:"name"`
	Unit     string        `json:"unit"`
	Foretold measure.Value `json:"foretold" u:"foretold_u"`
	Found    measure.Value `json:"found" u:"found_u"`
	Surprise bool          `json:"surprise"` // they differ by more than 2.5 times their joint uncertainty
	Says     string        `json:"says"`
}

func (w Work) MarshalJSON() ([]byte, error)  { return measure.Marshal(w) }
func (t ToGo) MarshalJSON() ([]byte, error)  { return measure.Marshal(t) }
func (c Check) MarshalJSON() ([]byte, error) { return measure.Marshal(c) }

// WorkDown holds the readings on a stick in the making against the model scaled by scale.
// The wood is that of the blank, as far as it is known; where the piece was weighed, or
// its note heard, at this stage, those tell of the wood anew, and a difference beyond the
// uncertainty asks for a look for a fault.
func WorkDown(model Model, scale float64, now Model, blank Wood, l Load, stage string) (Work, error) {
	if !(scale > 0.2 && scale < 5) {
		return Work{}, fmt.Errorf("a scale of %g: give the one of the plan, near 1", scale)
	}
	plan := model
	plan.Stick = model.Scaled(scale)
	if err := l.Check(plan.Stick); err != nil {
		return Work{}, err
	}
	w := Work{Schema: WorkSchema, Model: model.Name, Stage: stage, Scale: scale, ToGo: []ToGo{}, Checks: []Check{}, Notes: []string{}, Questions: append([]string{}, now.Questions...),
		Now: now.Stations, Plan: plan.Stations}
	w.stations(plan.Stick, now)
	if len(w.ToGo) == 0 {
		return Work{}, fmt.Errorf("no station that was read lies on the planned stick, which reaches to %.4g mm", 1000*plan.end())
	}
	piece := now.withBlock()
	switch {
	case !piece.hasHead() && model.hasHead():
		w.Notes = append(w.Notes, noHead+": the readings have none, so mass and note are foretold for the shaft alone. If the piece has its head, give its block under [head] of a card")
	case !piece.hasHead():
		w.Notes = append(w.Notes, noHead)
	}
	here := newForm(piece.Stick, piece.MidSpan(0, 1), now.Accuracy)
	if err := w.judge(piece, here, blank); err != nil {
		return Work{}, err
	}
	finished := newForm(w.finish(plan.Stick), l, now.Accuracy)
	w.Planned = finished.figures(w.Wood.timber(), 1)
	w.AsPlanned = newForm(plan.Stick, l, now.Accuracy).figures(w.Wood.timber(), 1)
	w.OffG = measure.Unknown("the wood's density is not known")
	if rho := w.Wood.Density; rho.Known() {
		over := now.Stick
		volume := over.integrate(max(over.butt(), plan.butt()), min(over.end(), plan.end()), func(x float64, at Section) float64 {
			return at.Area() - plan.Section(x).Area()
		})
		w.OffG = measure.Of(1000*rho.X*volume, 1000*math.Hypot(rho.U*volume, rho.X*here.volume*here.uVolume))
	}
	return w, nil
}

// stations enters what is to come off where the piece was read.
func (w *Work) stations(plan Stick, now Model) {
	u := now.Accuracy.CalliperMM
	for _, at := range now.Stations {
		if at.X > plan.end()+1e-9 || at.X < plan.butt()-1e-9 {
			continue
		}
		p := plan.Section(at.X)
		mm := func(m float64) float64 { return math.Round(1e9*m) / 1e6 } // without the last bits
		t := ToGo{AtMM: mm(at.X), PlanHeight: mm(p.Height), PlanWidth: mm(p.Width), NowHeight: mm(at.Height), NowWidth: mm(at.Width)}
		t.HeightToGo, t.WidthToGo = measure.Of(mm(at.Height-p.Height), u), measure.Of(mm(at.Width-p.Width), u)
		t.UnderHeight, t.UnderWidth = t.HeightToGo.X < -2*u, t.WidthToGo.X < -2*u
		w.ToGo = append(w.ToGo, t)
	}
}

// finish is the planned stick less what the piece already lacks where it was read, by
// more than its readings leave uncertain: wood does not grow on again. Between the places
// read, what lacks runs straight.
func (w Work) finish(plan Stick) Stick {
	lacks := Stick{}
	places := make([]float64, 0, len(plan.Stations)+len(w.ToGo))
	for _, s := range plan.Stations {
		places = append(places, s.X)
	}
	for _, t := range w.ToGo {
		var s Section
		if t.UnderHeight {
			s.Height = t.HeightToGo.X / 1000
		}
		if t.UnderWidth {
			s.Width = t.WidthToGo.X / 1000
		}
		lacks.Stations = append(lacks.Stations, Station{t.AtMM / 1000, s})
		near := func(x float64) bool { return math.Abs(1000*x-t.AtMM) < 1e-3 }
		if !slices.ContainsFunc(places, near) {
			places = append(places, t.AtMM/1000)
		}
	}
	slices.Sort(places)
	out := Stick{Lumps: plan.Lumps}
	for _, x := range places {
		at, less := plan.Section(x), lacks.Section(x)
		at.Height, at.Width = at.Height+less.Height, at.Width+less.Width
		out.Stations = append(out.Stations, Station{x, at})
	}
	return out
}

// withBlock is a piece whose head is still a block, named under [head] without a lump:
// the block then is part of the piece's wood.
func (m Model) withBlock() Model {
	solid := m.Head.LengthMM > 0 && m.Head.HeightMM > 0 && m.Head.WidthMM > 0
	if !solid || slices.ContainsFunc(m.Lumps, func(l Lump) bool { return l.X > m.end()-0.005 }) {
		return m
	}
	const step = 1e-6 // m; the block begins with a step
	end, block := m.end(), Section{Shape: Rectangular, Height: m.Head.HeightMM / 1000, Width: m.Head.WidthMM / 1000}
	last := m.Stations[len(m.Stations)-1].Section
	m.Stations = append(slices.Clone(m.Stations[:len(m.Stations)-1]), Station{end, last}, Station{end + step, block}, Station{end + m.Head.LengthMM/1000, block})
	return m
}

// judge holds mass and note of the piece against what the blank's wood foretells, and
// takes the wood from them.
func (w *Work) judge(piece Model, here form, blank Wood) error {
	w.Wood = blank
	if found := piece.Bare.MassG; found.Known() {
		density := measure.Propagate(func(x []float64) float64 { return (x[0]/1000 - here.lumpMass) / (here.volume * (1 + x[1])) },
			[]measure.Input{{Name: "mass", X: found.X, U: found.U}, {Name: fromDiameters, U: here.uVolume}})
		if blank.Density.Known() {
			foretold := here.figures(timber{density: blank.Density}, 1).MassG
			w.Checks = append(w.Checks, check("mass of the piece", "g", foretold, found,
				"heavier or lighter than its volume and the blank's density foretell: look for a misread station, then for a hollow, a knot or a change of moisture"))
		}
		w.Wood.Density = density
	}
	found := piece.Bare.Hz
	if !found.Known() {
		return nil
	}
	if blank.Density.Known() && blank.YoungsModulus.Known() {
		foretold, err := here.shearedNote(blank.timber())
		if err != nil {
			return err
		}
		w.Checks = append(w.Checks, check("lowest bending note", "Hz", foretold, found,
			"the note is not the one foretold: look for a check, a hidden knot or run-out, and for a misread station; tap both faces"))
	}
	if w.Wood.Density.Known() {
		piece.Wood = Wood{Density: w.Wood.Density, ShearModulus: blank.ShearModulus}
		if err := piece.youngFromNote(); err != nil {
			return err
		}
		w.Wood.YoungsModulus, w.Wood.SpecificModulus = piece.Wood.YoungsModulus, piece.Wood.SpecificModulus
	}
	return nil
}

// surprising is by how many joint standard uncertainties a reading must miss
// what was foretold to ask for a look: two readings of a sound piece then ask in
// 2.5 % of all pieces.
const surprising = 2.5

func check(name, unit string, foretold, found measure.Value, says string) Check {
	c := Check{Name: name, Unit: unit, Foretold: foretold, Found: found}
	off, u := found.X-foretold.X, math.Hypot(found.U, foretold.U)
	if c.Surprise = math.Abs(off) > surprising*u; c.Surprise {
		c.Says = fmt.Sprintf("%+.1f %% against what was foretold (%.1f times the joint uncertainty): %s", 100*off/foretold.X, math.Abs(off)/u, says)
	} else {
		c.Says = "as foretold, within the uncertainty"
	}
	return c
}

// shearedNote is the lowest bending note with shear, by the usual E/G where G is not
// known.
func (f form) shearedNote(t timber) (measure.Value, error) {
	hz, err := f.hz(bar.BendingHeight, bar.HeightPlane, t, t.eg, 1)
	if err != nil || len(hz) == 0 {
		return measure.Value{}, fmt.Errorf("the note of the piece can't be computed: %w", err)
	}
	return measure.Of(hz[0], hz[0]*math.Hypot(t.uPitch(), f.uPitch)), nil
}

// Surprises is how many readings of this stage are not what was foretold.
func (w Work) Surprises() (n int) {
	for _, c := range w.Checks {
		if c.Surprise {
			n++
		}
	}
	return n
}

// Says is the answer in sentences: what is to come off, what is under the plan and what
// that does, and whether a reading surprises.
func (w Work) Says() (list []string) {
	var under []string
	most, where := 0.0, 0.0
	for _, t := range w.ToGo {
		if t.UnderHeight || t.UnderWidth {
			under = append(under, fmt.Sprintf("%.4g", t.AtMM))
		}
		if x := max(t.HeightToGo.X, t.WidthToGo.X); x > most {
			most, where = x, t.AtMM
		}
	}
	if w.OffG.Known() {
		list = append(list, fmt.Sprintf("%s still to come off, most at %.4g mm (%.2f mm).", w.OffG.Text("g"), where, most))
	} else {
		list = append(list, fmt.Sprintf("Still to come off: %.2f mm at most, at %.4g mm.", most, where))
	}
	if len(under) > 0 {
		says := fmt.Sprintf("Already under the plan at %s mm;", strings.Join(under, ", "))
		if now, then := w.Planned.StiffnessNM, w.AsPlanned.StiffnessNM; now.Known() && then.Known() {
			says += fmt.Sprintf(" finished, it is %.1f %% less stiff than planned.", 100*(1-now.X/then.X))
		} else {
			says += " it will be less stiff there than planned."
		}
		list = append(list, says)
	}
	if n := w.Surprises(); n > 0 {
		list = append(list, "A reading is not what was foretold: "+w.surprise())
	}
	return list
}

func (w Work) surprise() string {
	for _, c := range w.Checks {
		if c.Surprise {
			return fmt.Sprintf("%s %s, foretold %s: look before you go on.", c.Name, c.Found.Text(c.Unit), c.Foretold.Text(c.Unit))
		}
	}
	return ""
}
