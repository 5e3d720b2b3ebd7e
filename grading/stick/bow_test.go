package stick

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mathext"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// straight is a uniform round stick without camber.
func straight(length, diameter, young float64) Model {
	m := Model{Stick: taper(length, diameter, diameter, Round), Accuracy: Workshop}
	m.Wood = Wood{Density: measure.Of(1000, 0), YoungsModulus: measure.Of(young, 0)}
	for i := range 5 {
		m.Camber = append(m.Camber, Point{length * float64(i) / 4, 0})
	}
	return m
}

// tipLoaded is a clamped limb under a force of fixed direction at its tip, from a
// first guess of the tip.
func tipLoaded(t *testing.T, l limb, force, guess point) (point, float64) {
	t.Helper()
	x := []float64{guess.x, guess.y}
	at := func(x []float64) (point, float64) { return l.bend(force, point{x[0], x[1]}).tip() }
	err := solve(func(x []float64) []float64 {
		p, _ := at(x)
		return []float64{p.x - x[0], p.y - x[1]}
	}, x, []float64{1e-6, 1e-6})
	if err != nil {
		t.Fatal(err)
	}
	return at(x)
}

// The elastica of a cantilever with a load across its tip (K. E. Bisshopp & D. C.
// Drucker, Large deflection of cantilever beams, Quart. Appl. Math. 3 (1945) 272): with
// the tip's slope phi and 2 k^2 = 1 + sin(phi), sin(theta1) = 1/(k sqrt 2), the load is
// PL^2/EI = (K(k) - F(k, theta1))^2 and the deflection 1 - 2 (E(k) - E(k,
// theta1))/sqrt(PL^2/EI) of the length.
func TestElastica(t *testing.T) {
	const length, d, young = 0.7, 0.007, 22.0
	l := newLimb(straight(length, d, young), 1e9*young, 0, 1)
	ei := 1e9 * young * math.Pi / 64 * math.Pow(d, 4)
	for _, deg := range []float64{5, 20, 40, 60, 80} {
		phi := deg * math.Pi / 180
		m := (1 + math.Sin(phi)) / 2
		theta := math.Asin(1 / math.Sqrt(2*m))
		root := mathext.CompleteK(m) - mathext.EllipticF(theta, m)
		drop := 1 - 2*(mathext.CompleteE(m)-mathext.EllipticE(theta, m))/root
		reach := math.Sqrt(2*math.Sin(phi)) / root
		p := root * root * ei / (length * length)
		tip, turn := tipLoaded(t, l, point{0, p}, point{reach * length, drop * length})
		near(t, "slope of the tip", turn, phi, 1e-6)
		near(t, "deflection", tip.y/length, drop, 1e-6)
		near(t, "reach", tip.x/length, reach, 1e-6)
	}
}

// The elastica of a column clamped at its foot and thrust along its axis (S. P.
// Timoshenko & J. M. Gere, Theory of Elastic Stability, 2nd ed., section 2.7, table of
// the elastica: load over the critical one, place of the tip over the length; printed
// values from memory, closed forms by complete elliptic integrals there). Half of a
// clamped-clamped arch between its points of inflection is this column.
func TestColumnElastica(t *testing.T) {
	const length, d, young = 0.7, 0.007, 22.0
	l := newLimb(straight(length, d, young), 1e9*young, 0, 1)
	ei := 1e9 * young * math.Pi / 64 * math.Pow(d, 4)
	critical := math.Pi * math.Pi * ei / (4 * length * length)
	for _, c := range []struct{ deg, load, x, y float64 }{
		{20, 1.015, 0.970, 0.220}, {40, 1.063, 0.881, 0.422}, {60, 1.152, 0.741, 0.593}, {80, 1.293, 0.560, 0.719},
	} {
		m := sq(math.Sin(c.deg / 2 * math.Pi / 180))
		k := mathext.CompleteK(m)
		load, x, y := sq(2*k/math.Pi), 2*mathext.CompleteE(m)/k-1, 2*math.Sqrt(m)/k
		tip, turn := tipLoaded(t, l, point{-load * critical, 0}, point{c.x * length, c.y * length})
		near(t, "slope of the tip", turn*180/math.Pi, c.deg, 1e-5)
		near(t, "x", tip.x/length, x, 1e-5)
		near(t, "y", tip.y/length, y, 1e-5)
		for _, v := range [][2]float64{{load, c.load}, {x, c.x}, {y, c.y}} {
			if math.Abs(v[0]-v[1]) > 1e-3 { // three decimals are printed
				t.Errorf("%g degrees: %.4f, the table has %.3f", c.deg, v[0], v[1])
			}
		}
	}
}

// A slight pull off centre by e opens the middle of an even straight stick by e (sec u -
// 1), u = L/2 sqrt(T/EI) (Timoshenko & Gere, section 1.11, from memory): the
// large-deflection stick tends to it as e does to 0.
func TestOffCentrePull(t *testing.T) {
	const length, d, young, e = 0.7, 0.007, 22.0, 2e-5
	m := straight(length, d, young)
	ei := 1e9 * young * math.Pi / 64 * math.Pow(d, 4)
	r := newRig(m, Hair{ButtMM: 1000 * e, HeadMM: 1000 * e}, 1e9*young, 1, 0)
	for _, pull := range []float64{5, 20, 40} {
		s, err := r.tune(pull)
		if err != nil {
			t.Fatal(err)
		}
		along := s.head.minus(r.frog).times(1 / s.length)
		most := 0.0
		for _, p := range s.at {
			most = max(most, math.Abs(along.cross(p.minus(r.frog))))
		}
		u := length / 2 * math.Sqrt(pull/ei)
		near(t, "opened", most, e/math.Cos(u), 1e-4)
	}
	// Beyond the thrust at which it buckles there is no such rest.
	if _, err := r.tune(1.02 * math.Pi * math.Pi * ei / (length * length)); err == nil {
		t.Error("a pull beyond buckling finds a rest")
	}
}

// The published graduation in closed form: the rule's ordinates shrink by one factor at
// each step of 0.3 mm, so the diameter is a logarithm, -6.22 + 5.14 log10(x + 175) mm, x
// mm from the head (C. E. Gough, The violin bow: Taper, camber and flexibility, J.
// Acoust. Soc. Am. 130 (2011) 4105, re-examines that expression of Vuillaume's; its
// numbers are from memory, and follow from the rule as below).
func TestTaperFormula(t *testing.T) {
	const fall = (110 - 22) / 700.0
	near(t, "factor", 0.3/-math.Log10(1-fall), 5.14, 1e-3)
	near(t, "shift", 22/fall, 175, 1e-9)
	m := builtIn(t, "published-graduation")
	for _, s := range m.Stations[1:] {
		if d := -6.22 + 5.14*math.Log10(700-1000*s.X+175); math.Abs(d-1000*s.Height) > 0.012 {
			t.Errorf("at %.1f mm: %.3f mm, the graduation has %.1f", 1000*s.X, d, 1000*s.Height)
		}
	}
}

// The ends of a tensioned bow are pressed together about as much as buckles the stick
// sideways (Gough, as above, abstract: forces comparable in strength to critical buckling
// loads); a violin's hair pulls some 60 N (common practice, no source). The modulus is
// that of good wood (Schimleck et al. 2009: 18.9 to 25.2 GPa).
func TestTensionNearBuckling(t *testing.T) {
	m := builtIn(t, "published-graduation")
	for _, young := range []float64{18.9, 25.2} {
		n := newColumn(m.Stick, 1e9*young, bar.WidthPlane).buckling()
		t.Logf("%.1f GPa: %.1f N", young, n)
		if n < 45 || n > 90 {
			t.Errorf("%g GPa: gives way at %.1f N, not comparable with a pull of 60 N", young, n)
		}
	}
}

// A stick with less camber opens a wider gap, and one that pulls less opens less.
func TestBowTendencies(t *testing.T) {
	m := builtIn(t, "demo-violin")
	bow := func(m Model, tension float64) StrungBow {
		h := m.Hair
		h.TensionN = tension
		b, err := m.StringUp(h, 1)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	flat := m
	flat.Camber = nil
	for _, p := range m.Camber {
		flat.Camber = append(flat.Camber, Point{p.X, 0.8 * p.Y})
	}
	a, b, soft := bow(m, 40), bow(flat, 40), bow(m, 30)
	if !(b.GapMM.X > a.GapMM.X+2 && soft.OpenedMM.X < a.OpenedMM.X && soft.GapMM.X < a.GapMM.X) {
		t.Errorf("gaps %g, %g, %g; opened %g, %g", a.GapMM.X, b.GapMM.X, soft.GapMM.X, a.OpenedMM.X, soft.OpenedMM.X)
	}
	for _, p := range a.Pressed {
		if !(p.DeflectionMM.X > 0 && p.TensionN.X > 0 && p.ClearanceMM.X < a.GapMM.X) || p.DeflectionMM.U <= 0 {
			t.Errorf("%s: %+v", p.Place, p)
		}
	}
	if p := a.Pressed; !(p[0].StiffnessNM.X > p[1].StiffnessNM.X && p[1].StiffnessNM.X > p[2].StiffnessNM.X) {
		t.Error("the hair is not stiffest at the frog and softest at the tip")
	}
	if len(a.Assumptions) < 5 {
		t.Errorf("assumptions: %q", a.Assumptions)
	}
	none := m
	none.Camber = nil
	if _, err := none.StringUp(m.Hair, 1); err == nil || !strings.Contains(err.Error(), "needs the camber") {
		t.Errorf("without camber: %v", err)
	}
	if _, err := m.StringUp(Hair{ButtMM: 21, HeadMM: 21, TensionN: 400}, 1); err == nil {
		t.Error("a pull of 400 N goes through")
	}
}
