package bar

import "math"

// Shape is the form of a cross-section.
type Shape string

// The sections the mechanics knows.
const (
	Rectangular Shape = "rectangular"
	Octagonal   Shape = "octagonal" // regular, or one stretched to Height by Width across flats
	Round       Shape = "round"     // a circle, or an oval if Height and Width differ
)

// Plane is the direction in which a bending bar moves.
type Plane int

// The two bending planes.
const (
	HeightPlane Plane = 1 + iota // motion along the height
	WidthPlane                   // motion along the width
)

// Section is the cross-section of a bar at one place; Height and Width in m.
type Section struct {
	Shape         Shape
	Height, Width float64
}

// Octagon across flats d: A = 2 (sqrt2 - 1) d^2, I = (4 sqrt2 - 5)/12 d^4 about every
// axis (elementary); J = 0.107499 d^4 (Saint-Venant torsion solved by a harmonic series
// with collocation; the same computation gives 0.1405770 for the square).
const (
	octagonA = 2 * (math.Sqrt2 - 1)
	octagonI = (4*math.Sqrt2 - 5) / 12
	octagonJ = 0.107499
)

const pi5 = math.Pi * math.Pi * math.Pi * math.Pi * math.Pi

// Area in m2.
func (s Section) Area() float64 {
	a := s.Height * s.Width
	switch s.Shape {
	case Octagonal:
		return octagonA * a
	case Round:
		return math.Pi / 4 * a
	}
	return a
}

// SecondMoment is the second moment of area for bending in the plane p, m4.
func (s Section) SecondMoment(p Plane) float64 {
	h := s.Height
	if p == WidthPlane {
		h = s.Width
	}
	i := s.Height * s.Width * h * h
	switch s.Shape {
	case Octagonal:
		return octagonI * i
	case Round:
		return math.Pi / 64 * i
	}
	return i / 12
}

// PolarMoment is the polar second moment of area about the centre, m4.
func (s Section) PolarMoment() float64 {
	return s.SecondMoment(HeightPlane) + s.SecondMoment(WidthPlane)
}

// TorsionConstant is Saint-Venant's J, m4. Rectangle: J = a b^3/3 [1 - 192 b/(pi^5 a)
// sum tanh(k pi a/2b)/k^5, k odd] (Timoshenko & Goodier, Theory of Elasticity, from
// memory); ellipse with axes h, w: J = pi h^3 w^3 / (16 (h^2 + w^2)); a stretched octagon
// is taken to stiffen with its axes as the ellipse does.
func (s Section) TorsionConstant() float64 {
	h, w := s.Height, s.Width
	switch s.Shape {
	case Octagonal:
		return octagonJ * 2 * cube(h*w) / (h*h + w*w)
	case Round:
		return math.Pi / 16 * cube(h*w) / (h*h + w*w)
	}
	a, b := max(h, w), min(h, w)
	// tanh differs from 1 only in the first terms: sum 1/k^5 over odd k, less the lack.
	x := math.Exp(-math.Pi * a / b)
	x3 := cube(x)
	x5 := x3 * x * x
	sum := 1.0045237627951384 - 2*(x/(1+x)+x3/(1+x3)/243+x5/(1+x5)/3125)
	return a * cube(b) / 3 * (1 - 192/pi5*b/a*sum)
}

// ShearCoefficient is Timoshenko's kappa without Poisson coupling, 5/6 for the
// rectangle and 6/7 for round sections (Cowper, J. Appl. Mech. 33 (1966) 335, with nu =
// 0; from memory). The octagon is taken as round.
func (s Section) ShearCoefficient() float64 {
	if s.Shape == Rectangular || s.Shape == "" {
		return 5.0 / 6
	}
	return 6.0 / 7
}

func cube(x float64) float64 { return x * x * x }
