package stick

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Station is the section at X metres from the butt.
type Station struct {
	X float64
	Section
}

// Lump is a mass without stiffness, such as the head. Its place may lie beyond the shaft:
// it is then carried by the nearer end, rigidly.
type Lump struct {
	Name string
	X, M float64 // place in m from the butt, mass in kg
	// Long, High and Wide are the sides of a block of the same moment of inertia, m; 0 =
	// it is a point in that direction.
	Long, High, Wide float64
}

// inertia about its own centre for bending in plane p, kg m2: that of an even
// block (elementary).
func (l Lump) inertia(p bar.Plane) float64 {
	across := l.High
	if p == bar.WidthPlane {
		across = l.Wide
	}
	return l.M * (sq(l.Long) + sq(across)) / 12
}

// Stick is a shaft with its lumps.
type Stick struct {
	Stations []Station // by X, the first at the butt
	Lumps    []Lump
}

// Wood is the material of a stick. An unknown Value is not known.
type Wood struct {
	Density       measure.Value `json:"density_kg_m3"`
	YoungsModulus measure.Value `json:"youngs_modulus_gpa"` // along the grain, by bending in the height plane where that is known
	// WidthModulus is that by bending in the width plane, where it is known apart.
	WidthModulus measure.Value `json:"youngs_modulus_width_gpa"`
	ShearModulus measure.Value `json:"shear_modulus_gpa"`
	// SpecificModulus is E over density, MJ/kg, where it is known better than by
	// division.
	SpecificModulus measure.Value `json:"specific_modulus_mj_kg"`
}

// Load is how a stick is tested for its sag. No standard exists, so all of it goes with
// every sag: supports, load and its place.
type Load struct {
	FromMM float64 `json:"support_from_mm"` // of the first support, from the butt
	ToMM   float64 `json:"support_to_mm"`
	AtMM   float64 `json:"load_at_mm"`
	Grams  float64 `json:"load_g"`
}

// Gravity is the standard acceleration of free fall, m/s2 (3rd CGPM, 1901).
const Gravity = 9.80665

// MidSpan is a load in the middle of a span that lies in the middle of the stick; a span
// of 0 is the whole length.
func (s Stick) MidSpan(spanMM, grams float64) Load {
	from, to := 1000*s.butt(), 1000*s.end()
	if spanMM > 0 {
		middle := (from + to) / 2
		from, to = middle-spanMM/2, middle+spanMM/2
	}
	return Load{FromMM: from, ToMM: to, AtMM: (from + to) / 2, Grams: grams}
}

// SpanMM is the distance between the supports.
func (l Load) SpanMM() float64 { return l.ToMM - l.FromMM }

// Newton is the weight of the load.
func (l Load) Newton() float64 { return l.Grams / 1000 * Gravity }

// Check finds what is wrong with a load on a stick.
func (l Load) Check(s Stick) error {
	const slack = 1e-6
	switch from, to := 1000*s.butt(), 1000*s.end(); {
	case !(l.FromMM >= from-slack && l.ToMM <= to+slack):
		return fmt.Errorf("supports at %g and %g mm: the stick reaches from %g to %g mm", l.FromMM, l.ToMM, from, to)
	case !(l.FromMM < l.AtMM && l.AtMM < l.ToMM):
		return fmt.Errorf("a load at %g mm is not between the supports at %g and %g mm", l.AtMM, l.FromMM, l.ToMM)
	case !(l.Grams > 0) || math.IsInf(l.Grams, 0):
		return fmt.Errorf("a load of %g g: give the mass that hangs from the stick", l.Grams)
	}
	return nil
}

func (s Stick) butt() float64 { return s.Stations[0].X }
func (s Stick) end() float64  { return s.Stations[len(s.Stations)-1].X }

// Length of the shaft, m.
func (s Stick) Length() float64 { return s.end() - s.butt() }

// check finds what no stick can have.
func (s Stick) check() error {
	if len(s.Stations) < 2 {
		return fmt.Errorf("%d stations: a stick takes two at least, at the butt and at the end", len(s.Stations))
	}
	for i, at := range s.Stations {
		if i > 0 && !(at.X > s.Stations[i-1].X) {
			return fmt.Errorf("the station at %g mm does not lie behind the one at %g mm", 1000*at.X, 1000*s.Stations[i-1].X)
		}
		if !(at.Height > 0 && at.Width > 0) {
			return fmt.Errorf("the section at %g mm has no height or no width", 1000*at.X)
		}
	}
	for _, l := range s.Lumps {
		if !(l.M >= 0) || math.IsInf(l.M+l.X, 0) || math.IsNaN(l.X) {
			return fmt.Errorf("%s: a mass of %g g at %g mm", l.Name, 1000*l.M, 1000*l.X)
		}
	}
	return nil
}

// Scaled has every diameter multiplied by k; lengths and lumps stay.
func (s Stick) Scaled(k float64) Stick {
	return s.each(func(_ int, x Section) Section { return x.scaled(k) })
}

// Thicker has dx metres more in every diameter, which keeps the taper.
func (s Stick) Thicker(dx float64) Stick {
	return s.each(func(_ int, x Section) Section { return x.thicker(dx) })
}

func (s Stick) each(change func(int, Section) Section) Stick {
	s.Stations = slices.Clone(s.Stations)
	for i := range s.Stations {
		s.Stations[i].Section = change(i, s.Stations[i].Section)
	}
	return s
}

// Section is the section x metres from the butt, the end's beyond the ends.
func (s Stick) Section(x float64) Section {
	if x <= s.butt() {
		return s.Stations[0].Section
	}
	i, found := slices.BinarySearchFunc(s.Stations, x, func(at Station, x float64) int { return compare(at.X, x) })
	if found || i == len(s.Stations) {
		return s.Stations[min(i, len(s.Stations)-1)].Section
	}
	b, e := s.Stations[i-1], s.Stations[i]
	return between(b.Section, e.Section, (x-b.X)/(e.X-b.X))
}

// gaussPoints on each stretch between stations sum 1/EI to far better than 1e-6, even
// where a stick gets four times as thin in one stretch.
const gaussPoints = 12

var gauss = func() (g struct{ at, weight [gaussPoints]float64 }) {
	quad.Legendre{}.FixedLocations(g.at[:], g.weight[:], 0, 1)
	return g
}()

// integrate sums f over the shaft from a to b; f must be smooth but at the
// stations and at the breaks.
func (s Stick) integrate(a, b float64, f func(x float64, at Section) float64, breaks ...float64) float64 {
	edges := append([]float64{a, b}, breaks...)
	for _, at := range s.Stations {
		edges = append(edges, at.X)
	}
	edges = slices.DeleteFunc(edges, func(x float64) bool { return x < a || x > b })
	slices.Sort(edges)
	var sum float64
	for i := 1; i < len(edges); i++ { // none if b lies before a
		from, length := edges[i-1], edges[i]-edges[i-1]
		for k, t := range gauss.at {
			if length > 0 {
				x := from + t*length
				sum += length * gauss.weight[k] * f(x, s.Section(x))
			}
		}
	}
	return sum
}

// Volume of the shaft, m3.
func (s Stick) Volume() float64 { return s.volumeIn(s.butt(), s.end()) }

func (s Stick) volumeIn(a, b float64) float64 {
	return s.integrate(a, b, func(_ float64, at Section) float64 { return at.Area() })
}

// middle is the centre of volume of the shaft, m from the butt.
func (s Stick) middle() float64 {
	return s.momentIn(s.butt(), s.end()) / s.Volume()
}

// momentIn is the first moment of volume about the butt's zero, m4.
func (s Stick) momentIn(a, b float64) float64 {
	return s.integrate(a, b, func(x float64, at Section) float64 { return x * at.Area() })
}

// Flexibility is the deflection under a load at its place, per newton, times E: a
// property of the form alone, 1/m. By the unit load method, sum of m(x)^2/I(x)
// with the bending moment m of a load of one newton (Timoshenko, Strength of
// Materials, from memory).
func (s Stick) Flexibility(p bar.Plane, l Load) float64 {
	return s.flexibilityIn(p, l, s.butt(), s.end())
}

// flexibilityIn is what the stretch from a to b contributes.
func (s Stick) flexibilityIn(p bar.Plane, l Load, a, b float64) float64 {
	from, to, at := l.FromMM/1000, l.ToMM/1000, l.AtMM/1000
	return s.integrate(max(a, from), min(b, to), func(x float64, sec Section) float64 {
		m := (x - from) * (to - at) / (to - from)
		if x > at {
			m = (to - x) * (at - from) / (to - from)
		}
		return m * m / sec.SecondMoment(p)
	}, at)
}

// usualEG is Young's modulus over the shear modulus of dense bow wood (12 to 20, from
// memory), taken where the shear modulus is not known.
const (
	usualEG       = 16
	usualSpreadEG = 0.15 // relative standard deviation of E/G, for the range of 12 to 20
)

// densest is how many stations a bar gets: between more, the steps of a calliper's
// reading would look like bends in the outline.
const densest = 60

// thinned has no more stations than the bar's mechanics likes, each the mean over its
// neighbourhood.
func (s Stick) thinned() Stick {
	if len(s.Stations) <= densest {
		return s
	}
	out := Stick{Lumps: s.Lumps}
	step := s.Length() / (densest - 1)
	for i := range densest {
		x := s.butt() + float64(i)*step
		from, to := max(x-step/2, s.butt()), min(x+step/2, s.end())
		at := s.Section(x)
		at.Height = s.integrate(from, to, func(_ float64, a Section) float64 { return a.Height }) / (to - from)
		at.Width = s.integrate(from, to, func(_ float64, a Section) float64 { return a.Width }) / (to - from)
		out.Stations = append(out.Stations, Station{x, at})
	}
	out.Stations[densest-1].X = s.end()
	return out
}

// bar is the stick as a bar that bends in plane p as it does.
func (s Stick) bar(p bar.Plane) bar.Bar {
	s = s.thinned()
	var b bar.Bar
	for i, at := range s.Stations {
		if i > 0 && s.Stations[i-1].Shape != at.Shape { // the shape goes on up to the next station
			before := at.Section
			before.Shape, before.Widest = s.Stations[i-1].Shape, s.Stations[i-1].Widest
			b.Stations = append(b.Stations, bar.Station{X: at.X, Section: before.in(p)})
			if i == len(s.Stations)-1 {
				continue
			}
		}
		b.Stations = append(b.Stations, bar.Station{X: at.X, Section: at.in(p)})
	}
	for _, l := range s.Lumps {
		x := min(max(l.X, s.butt()), s.end())
		b.Masses = append(b.Masses, bar.PointMass{X: x, M: l.M, Arm: l.X - x, Inertia: l.inertia(p)})
	}
	return b
}
