package stick

import (
	"fmt"
	"math"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Blank is a piece of wood that might become a stick.
type Blank struct {
	Name     string
	ID       string // in the stock, else empty
	Place    string // rack place
	Lot      string
	Species  string
	State    string
	Readings wood.Readings
	Wood     wood.Values
	Quality  measure.Value // score of its ring, 0-100
}

// Timber is the blank's wood, as measured or at 12 % moisture: with the modulus of the
// plane in which the stick bends, where the blank was tapped in that plane.
func (b Blank) Timber(at12 bool) Wood {
	v := b.Wood
	w := Wood{Density: v.Density, YoungsModulus: v.YoungsModulus, ShearModulus: v.ShearModulus, SpecificModulus: v.SpecificModulus}
	if at12 {
		w = Wood{Density: v.Density12, YoungsModulus: v.YoungsModulus12, ShearModulus: v.ShearModulus12, SpecificModulus: v.SpecificModulus12}
	}
	all := w
	if h := v.SpecificModulusHeight; h.Known() {
		w.YoungsModulus, w.SpecificModulus = all.inPlane(h, v.SpecificModulus)
	}
	w.WidthModulus = measure.Unknown("the blank was not tapped on the other face")
	if s := v.SpecificModulusWidth; s.Known() {
		w.WidthModulus, _ = all.inPlane(s, v.SpecificModulus)
	}
	return w
}

// inPlane is the modulus, and the specific one, of a plane in which the specific
// modulus was measured apart: of it the wood has as much more as the plane has than
// both planes together.
func (w Wood) inPlane(plane, both measure.Value) (young, specific measure.Value) {
	if !both.Known() || !w.YoungsModulus.Known() || !w.SpecificModulus.Known() || !(both.X > 0) {
		return w.YoungsModulus, w.SpecificModulus
	}
	k := plane.X / both.X
	rel := func(v measure.Value) float64 {
		return math.Sqrt(max(sq(plane.Rel()), sq(v.Rel())-sq(both.Rel())+sq(plane.Rel())))
	}
	young = measure.Of(k*w.YoungsModulus.X, k*w.YoungsModulus.X*rel(w.YoungsModulus))
	specific = measure.Of(k*w.SpecificModulus.X, k*w.SpecificModulus.X*rel(w.SpecificModulus))
	return young, specific
}

// outline is the wood of a blank: its sections along the length, the head block apart.
type outline struct {
	Stick
	block float64 // where an uncut head block begins, m; the length if there is none
	u     float64 // standard uncertainty of a diameter, m
}

// newOutline is the real shape of a blank, or what is missing for it.
func newOutline(r wood.Readings) (outline, error) {
	for _, q := range []struct {
		name string
		v    measure.Value
	}{{"length_mm", r.LengthMM}, {"height_mm", r.HeightMM}} {
		if !q.v.Known() || !(q.v.X > 0) {
			return outline{}, fmt.Errorf("its %s is not known", q.name)
		}
	}
	s := Section{Shape: Rectangular}
	switch r.Shape {
	case wood.Octagonal:
		s.Shape = Octagonal
	case wood.Round:
		s.Shape = Round
	}
	width := r.WidthMM
	if !width.Known() {
		if s.Shape == Rectangular {
			return outline{}, fmt.Errorf("its width_mm is not known")
		}
		width = r.HeightMM
	}
	s.Height, s.Width = r.HeightMM.X/1000, width.X/1000
	tip := s
	if r.TipHeightMM.Known() {
		tip.Height = r.TipHeightMM.X / 1000
		tip.Width = s.Width
		if s.Shape != Rectangular {
			tip.Width *= tip.Height / s.Height
		}
	}
	if r.TipWidthMM.Known() {
		tip.Width = r.TipWidthMM.X / 1000
	}
	o := outline{u: max(r.HeightMM.U, width.U) / 1000}
	length := r.LengthMM.X / 1000
	o.block = length
	if r.HeadLengthMM.Known() && r.HeadHeightMM.Known() && r.HeadLengthMM.X > 0 && r.HeadLengthMM.X < r.LengthMM.X {
		o.block = length - r.HeadLengthMM.X/1000
	}
	// The taper ends, and the tip is measured, where the block begins.
	o.Stations = []Station{{0, s}, {o.block, tip}}
	if o.block < length {
		head := Section{Shape: Rectangular, Height: r.HeadHeightMM.X / 1000, Width: tip.Width}
		o.Stations = append(o.Stations, Station{length, head})
	}
	return o, nil
}

// at is the section of the wood x metres from the butt, and whether there is any.
func (o outline) at(x float64) (Section, bool) {
	const slack = 1e-9
	if x < -slack || x > o.end()+slack {
		return Section{}, false
	}
	if x > o.block {
		return o.Stations[len(o.Stations)-1].Section, true
	}
	a, b := o.Stations[0], o.Stations[1]
	return between(a.Section, b.Section, x/b.X), true
}

// Spare is the wood left over at a station: the blank's diameter less the stick's and the
// allowance, in the direction where it is least.
type Spare struct {
	AtMM float64 `json:"at_mm"`
	MM   float64 `json:"spare_mm"` // negative: too thin
	Side string  `json:"side"`     // height, width or edges
}

// spare is what wood leaves of a section. A convex section fits into another about the
// same centre if no calliper finds it wider; that need be asked only across the faces of
// a blank with faces.
func spare(wood, stick Section, allowance float64) (float64, string) {
	least, side := math.Inf(1), ""
	ask := func(deg float64, name string) {
		if d := wood.Across(deg) - stick.Across(deg) - allowance; d < least-1e-12 {
			least, side = d, name
		}
	}
	ask(0, "height")
	ask(90, "width")
	switch wood.Shape {
	case Octagonal:
		slanted := math.Atan2(1/wood.Width, 1/wood.Height) * 180 / math.Pi
		ask(slanted, "edges")
		ask(180-slanted, "edges")
	case Round, Oval:
		for deg := 5.0; deg < 180; deg += 5 {
			ask(deg, "edges")
		}
	}
	return least, side
}

// lay lays a stick into a blank, shift metres from its butt, and finds the wood to spare
// at each station; the least is returned by its index.
func (o outline) lay(s Stick, shift, allowance float64) (spares []Spare, least int) {
	for i, at := range s.Stations {
		x := Spare{AtMM: 1000 * at.X}
		if wood, ok := o.at(at.X - s.butt() + shift); ok {
			x.MM, x.Side = spare(wood, at.Section, allowance)
		} else {
			x.MM, x.Side = -at.Height-allowance, "length"
		}
		x.MM *= 1000
		spares = append(spares, x)
		if x.MM < spares[least].MM-1e-9 {
			least = i
		}
	}
	return spares, least
}
