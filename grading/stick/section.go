package stick

import (
	"math"

	"ringstock/spectrum/bar"
)

// Shape is the form of a stick's section.
type Shape string

// The sections a model may name.
const (
	Round       Shape = "round"
	Oval        Shape = "oval" // an ellipse
	Octagonal   Shape = "octagonal"
	Egg         Shape = "egg" // two half ellipses on one widest line, the narrower side up
	Rectangular Shape = "rectangular"
)

var shapes = []Shape{Round, Oval, Octagonal, Egg, Rectangular}

// Section is a cross-section as a calliper reads it.
type Section struct {
	Shape         Shape
	Height, Width float64 // m; of an octagon across the flats
	// Widest is the height of the widest line of an egg over its underside, as a part of
	// Height: 1/2 is the ellipse, less makes the upper side the narrower one.
	Widest float64
}

// plain is the section of the same area and the same stiffness in the width plane that
// the bar's mechanics knows. Only the egg is not one of them: its two halves are together
// as large, and as stiff sideways, as the ellipse with the same axes.
func (s Section) plain() bar.Section {
	p := bar.Section{Shape: bar.Round, Height: s.Height, Width: s.Width}
	switch s.Shape {
	case Octagonal:
		p.Shape = bar.Octagonal
	case Rectangular:
		p.Shape = bar.Rectangular
	}
	return p
}

// in is the section that bends in plane p as this one does: for the height plane of an
// egg the ellipse of the same area and second moment.
func (s Section) in(p bar.Plane) bar.Section {
	plain := s.plain()
	if s.Shape == Egg && p == bar.HeightPlane {
		h := 4 * math.Sqrt(s.SecondMoment(p)/s.Area())
		plain.Width *= plain.Height / h
		plain.Height = h
	}
	return plain
}

// Area in m2.
func (s Section) Area() float64 { return s.plain().Area() }

// halves are the heights of an egg under and over its widest line, m.
func (s Section) halves() (under, over float64) {
	return s.Widest * s.Height, (1 - s.Widest) * s.Height
}

// Centroid is the height of the centre of area over the middle of the section's
// height, m: negative for an egg, 0 for the others. A half ellipse of height b has
// its centre 4b/(3 pi) from the straight side (elementary), and the halves' areas
// are as their heights.
func (s Section) Centroid() float64 {
	if s.Shape != Egg {
		return 0
	}
	under, over := s.halves()
	return (under-over)/2 + 4/(3*math.Pi)*(over-under)
}

// SecondMoment is the second moment of area about the centroid for bending in plane p,
// m4. For an egg in the height plane: both halves about the widest line, pi w (u^3 +
// o^3)/16, less the shift to the centroid (Steiner's theorem).
func (s Section) SecondMoment(p bar.Plane) float64 {
	if s.Shape != Egg || p != bar.HeightPlane {
		return s.plain().SecondMoment(p)
	}
	under, over := s.halves()
	shift := 4 / (3 * math.Pi) * (over - under)
	return math.Pi/16*s.Width*(cube(under)+cube(over)) - s.Area()*shift*shift
}

// Across is what a calliper reads whose jaws close in the direction deg degrees from the
// height, m: 0 is the height, 90 the width.
func (s Section) Across(deg float64) float64 {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	sin, cos = math.Abs(sin), math.Abs(cos)
	h, w := s.Height*cos, s.Width*sin
	switch s.Shape {
	case Rectangular:
		return h + w
	case Octagonal:
		const t = math.Sqrt2 - 1
		return max(h+t*w, t*h+w)
	case Egg:
		under, over := s.halves()
		return math.Hypot(under*cos, w/2) + math.Hypot(over*cos, w/2)
	}
	return math.Hypot(h, w)
}

// scaled has every diameter multiplied by k.
func (s Section) scaled(k float64) Section {
	s.Height, s.Width = s.Height*k, s.Width*k
	return s
}

// thicker has dx metres more in every diameter.
func (s Section) thicker(dx float64) Section {
	s.Height, s.Width = s.Height+dx, s.Width+dx
	return s
}

func between(s, e Section, t float64) Section {
	s.Height += t * (e.Height - s.Height)
	s.Width += t * (e.Width - s.Width)
	if s.Shape == Egg && e.Shape == Egg {
		s.Widest += t * (e.Widest - s.Widest)
	}
	return s
}

func cube(x float64) float64 { return x * x * x }
