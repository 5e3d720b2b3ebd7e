package stick

import (
	"fmt"
	"math"

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
	Checks  []Check       `json:"checks"`
	Now     []Station     `json:"-"`
	Plan    []Station     `json:"-"`

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
	Surprise bool          `json:"surprise"` // they differ by more than twice their joint uncertainty
	Says     string        `json:"says"`
}

func (w Work) MarshalJSON() ([]byte, error)  { return measure.Marshal(w) }
func (t ToGo) MarshalJSON() ([]byte, error)  { return measure.Marshal(t) }
func (c Check) MarshalJSON() ([]byte, error) { return measure.Marshal(c) }

// WorkDown holds the readings on a stick in the making against the model scaled by scale. The
// wood is that of the blank, as far as it is known; where the piece was weighed, or its note
// heard, at this stage, those tell of the wood anew, and a difference beyond the uncertainty
// asks for a look for a fault.
func WorkDown(model Model, scale float64, now Model, blank Wood, l Load, stage string) (Work, error) {
	if !(scale > 0.2 && scale < 5) {
		return Work{}, fmt.Errorf("a scale of %g: give the one of the plan, near 1", scale)
	}
	plan := model
	plan.Stick = model.Scaled(scale)
	if err := l.check(plan.Stick); err != nil {
		return Work{}, err
	}
	w := Work{Schema: WorkSchema, Model: model.Name, Stage: stage, Scale: scale, ToGo: []ToGo{}, Checks: []Check{}, Notes: []string{}, Questions: append([]string{}, now.Questions...),
		Now: now.Stations, Plan: plan.Stations}
	u := now.Accuracy.CalliperMM
	for _, at := range now.Stations {
		if at.X > plan.end()+1e-9 || at.X < plan.butt()-1e-9 {
			continue
		}
		p := plan.Section(at.X)
		t := ToGo{AtMM: 1000 * at.X, PlanHeight: 1000 * p.Height, PlanWidth: 1000 * p.Width, NowHeight: 1000 * at.Height, NowWidth: 1000 * at.Width}
		t.HeightToGo, t.WidthToGo = measure.Of(t.NowHeight-t.PlanHeight, u), measure.Of(t.NowWidth-t.PlanWidth, u)
		t.UnderHeight, t.UnderWidth = t.HeightToGo.X < -2*u, t.WidthToGo.X < -2*u
		w.ToGo = append(w.ToGo, t)
	}
	if len(w.ToGo) == 0 {
		return Work{}, fmt.Errorf("no station that was read lies on the planned stick, which reaches to %.4g mm", 1000*plan.end())
	}
	here := newForm(now.Stick, now.MidSpan(0, 1), now.Accuracy)
	w.Wood = blank
	if found := now.Bare.MassG; found.Known() {
		density := measure.Propagate(func(x []float64) float64 { return (x[0]/1000 - here.lumpMass) / (here.volume * (1 + x[1])) },
			[]measure.Input{{Name: "mass", X: found.X, U: found.U}, {Name: fromDiameters, U: here.uVolume}})
		if blank.Density.Known() {
			foretold := here.figures(timber{density: blank.Density}, 1).MassG
			w.Checks = append(w.Checks, check("mass of the piece", "g", foretold, found,
				"heavier or lighter than its volume and the blank's density foretell: look for a misread station, then for a hollow, a knot or a change of moisture"))
		}
		w.Wood.Density = density
	}
	if found := now.Bare.Hz; found.Known() {
		if blank.Density.Known() && blank.YoungsModulus.Known() {
			foretold, err := here.shearedNote(blank.timber())
			if err != nil {
				return Work{}, err
			}
			w.Checks = append(w.Checks, check("lowest bending note", "Hz", foretold, found,
				"the note is not the one foretold: look for a check, a hidden knot or run-out, and for a misread station; tap both faces"))
		}
		if w.Wood.Density.Known() {
			piece := now
			piece.Wood = Wood{Density: w.Wood.Density}
			if err := piece.youngFromNote(); err != nil {
				return Work{}, err
			}
			w.Wood.YoungsModulus = piece.Wood.YoungsModulus
		}
	}
	form := newForm(plan.Stick, l, model.Accuracy)
	w.Planned = form.figures(w.Wood.timber(), 1)
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

func check(name, unit string, foretold, found measure.Value, says string) Check {
	c := Check{Name: name, Unit: unit, Foretold: foretold, Found: found}
	off, u := found.X-foretold.X, math.Hypot(found.U, foretold.U)
	if c.Surprise = math.Abs(off) > 2*u; c.Surprise {
		c.Says = fmt.Sprintf("%+.1f %% against what was foretold (%.1f times the joint uncertainty): %s", 100*off/foretold.X, math.Abs(off)/u, says)
	} else {
		c.Says = "as foretold, within the uncertainty"
	}
	return c
}

// shearedNote is the lowest bending note with shear, by the usual E/G where G is not known.
func (f form) shearedNote(t timber) (measure.Value, error) {
	hz, err := f.hz(bar.BendingHeight, bar.HeightPlane, t, t.eg, 1)
	if err != nil || len(hz) == 0 {
		return measure.Value{}, fmt.Errorf("the note of the piece can't be computed: %w", err)
	}
	return measure.Of(hz[0], hz[0]*math.Hypot(t.uPitch(), f.uPitch)), nil
}
