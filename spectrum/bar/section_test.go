package bar

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
)

func within(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !scalar.EqualWithinRel(got, want, rel) {
		t.Errorf("%s: got %.10g, want %.10g, relative difference %.2g is over %g", what, got, want, got/want-1, rel)
	}
}

func TestRectangleTorsion(t *testing.T) {
	// J/(a s^3) against a/s: printed to three places in Roark's Formulas for Stress and
	// Strain (from memory) and in public theory manuals; the digits are the series',
	// summed with 30 digits. Roark's own approximation is good to 0.5 %.
	for _, c := range []struct{ ratio, series float64 }{
		{1, 0.1405770150811956}, {1.2, 0.16611891018386002}, {1.5, 0.19576070895957196}, {2, 0.22868167718259175},
		{2.5, 0.249365}, {3, 0.2633169310435141}, {4, 0.28081295833918785}, {5, 0.2913167542131973}, {10, 0.3123250374698096},
	} {
		s := Section{Rectangular, 0.010 * c.ratio, 0.010}
		j := s.TorsionConstant()
		within(t, "J", j/(c.ratio*1e-8), c.series, 2e-6)
		within(t, "J turned", Section{Rectangular, s.Width, s.Height}.TorsionConstant(), j, 1e-12)
		r := 1 / c.ratio
		roark := 1.0/3 - 0.21*r*(1-math.Pow(r, 4)/12)
		within(t, "Roark's approximation", roark, c.series, 0.005)
	}
}

func TestSections(t *testing.T) {
	const mm = 1e-3
	oct := Section{Octagonal, 10 * mm, 10 * mm}
	circle := Section{Round, 10 * mm, 10 * mm}
	oval := Section{Round, 10 * mm, 12 * mm}
	for _, c := range []struct {
		what       string
		got, want  float64
		tolerances float64
	}{
		// Elementary geometry: pi d^2/4, pi d^4/64, pi d^4/32.
		{"circle A", circle.Area(), 78.53982e-6, 1e-6},
		{"circle I", circle.SecondMoment(HeightPlane), 490.87385e-12, 1e-6},
		{"circle J", circle.TorsionConstant(), 981.74770e-12, 1e-6},
		{"circle J = Ip", circle.TorsionConstant(), circle.PolarMoment(), 1e-12},
		// Ellipse with semi-axes 6 and 5 mm: pi a b, pi a b^3/4, pi a^3 b^3/(a^2+b^2).
		{"oval A", oval.Area(), 94.24778e-6, 1e-6},
		{"oval I height", oval.SecondMoment(HeightPlane), 589.04862e-12, 1e-6},
		{"oval I width", oval.SecondMoment(WidthPlane), 848.23002e-12, 1e-6},
		{"oval J", oval.TorsionConstant(), 1390.54101e-12, 1e-6},
		{"oval Ip", oval.PolarMoment(), 1437.27864e-12, 1e-6},
		// Regular octagon: the square with its corners cut off by c = 0.2928932 a.
		{"octagon A", oct.Area(), corners(10*mm, 0.29289321881*10*mm).a, 1e-8},
		{"octagon I", oct.SecondMoment(WidthPlane), corners(10*mm, 0.29289321881*10*mm).i, 1e-8},
		{"octagon Ip/J", oct.PolarMoment() / oct.TorsionConstant(), 1.01838, 1e-5},
		// 14 x 10 mm and 14 x 14 mm.
		{"14x10 I", Section{Rectangular, 14 * mm, 10 * mm}.SecondMoment(HeightPlane), 2286.667e-12, 1e-6},
		{"14x10 I turned", Section{Rectangular, 14 * mm, 10 * mm}.SecondMoment(WidthPlane), 1166.667e-12, 1e-6},
		{"14x10 J", Section{Rectangular, 14 * mm, 10 * mm}.TorsionConstant(), 2616.656e-12, 1e-6},
		{"14x14 J", Section{Rectangular, 14 * mm, 14 * mm}.TorsionConstant(), 5400.407e-12, 1e-6},
	} {
		within(t, c.what, c.got, c.want, c.tolerances)
	}
	// Saint-Venant's own estimate A^4/(4 pi^2 Ip) is known to be near for compact
	// sections; it bounds a slip in the octagon's constant.
	est := math.Pow(oct.Area(), 4) / (4 * math.Pi * math.Pi * oct.PolarMoment())
	within(t, "octagon J against Saint-Venant's estimate", oct.TorsionConstant(), est, 0.02)
}

// corners is a square of side a without the four right triangles of leg c at its corners.
func corners(a, c float64) (s struct{ a, i float64 }) {
	s.a = a*a - 2*c*c
	s.i = math.Pow(a, 4)/12 - 4*(math.Pow(c, 4)/36+c*c/2*math.Pow(a/2-c/3, 2))
	return s
}

func TestVolume(t *testing.T) {
	cone := Bar{Stations: []Station{{0, Section{Round, 0.02, 0.02}}, {0.3, Section{Round, 0.01, 0.01}}}}
	within(t, "frustum", cone.Volume(), math.Pi*0.3/3*(1e-4+0.5e-4+0.25e-4), 1e-12)
}

// What is gathered at a few places must sum every product of two polynomials as
// the many places did.
func TestGather(t *testing.T) {
	const degree = 17
	sp := span{x0: 0.2, x1: 0.9, degree: degree}
	r := rand.New(rand.NewPCG(1, 2))
	var x []float64
	var given [4][]float64
	for i := range 400 {
		x = append(x, 0.2+0.7*(float64(i)+r.Float64())/400)
		for j := range given {
			given[j] = append(given[j], r.ExpFloat64())
		}
	}
	few, gathered := sp.gather(x, given, 2*degree+1)
	for j := range given {
		sum := func(x, q []float64, k, l int) (y float64) {
			for i := range x {
				y += q[i] * math.Pow(sp.xi(x[i]), float64(k+l))
			}
			return y
		}
		for k := range degree + 1 {
			for l := range k + 1 {
				if got, want := sum(few, gathered[j], k, l), sum(x, given[j], k, l); math.Abs(got-want) > 1e-12*sum(x, given[j], 0, 0) {
					t.Errorf("degrees %d and %d: got %g, want %g", k, l, got, want)
				}
			}
		}
	}
}

func TestGaussRules(t *testing.T) {
	for n := 1; n < 80; n++ {
		x, w := gauss(n)
		for k := 0; k < 2*n; k += 3 {
			var sum float64
			for i := range x {
				sum += w[i] * math.Pow(x[i], float64(k))
			}
			within(t, "integral of a power", sum, 1/float64(k+1), 1e-11)
		}
	}
}
