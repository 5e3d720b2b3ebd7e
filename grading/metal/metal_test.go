package metal

import (
	"math"
	"strings"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// A slender rod by the formula of Euler and Bernoulli, f = lambda^2/(2 pi L^2) sqrt(E
// I/(rho A)) with lambda = 4.7300 (Thomson, Theory of Vibration with Applications); for a
// rectangle I/A = h^2/12, for a circle d^2/16.
func TestMeasure(t *testing.T) {
	for _, c := range []struct {
		metal string
		shape bar.Shape
		l, h  float64
		over  float64
	}{
		{"aluminium", bar.Rectangular, 1.0, 0.010, 12}, {"steel", bar.Round, 0.8, 0.008, 16}, {"brass", bar.Round, 0.9, 0.008, 16},
	} {
		m, err := Find(c.metal)
		if err != nil {
			t.Fatal(err)
		}
		e, rho := (m.E[0]+m.E[1])/2, (m.Density[0]+m.Density[1])/2
		f := 4.7300407 * 4.7300407 / (2 * math.Pi * c.l * c.l) * c.h * math.Sqrt(e/rho/c.over)
		section := bar.Section{Shape: c.shape, Height: c.h, Width: c.h}
		b := Bar{c.shape, measure.Of(c.l, 0.0005), measure.Of(c.h, 0.00002), measure.Of(c.h, 0.00002), measure.Of(rho*section.Area()*c.l, 0.0001)}
		r, err := m.Measure(b, measure.Of(f, 0.01))
		if err != nil {
			t.Fatal(err)
		}
		// Shear and rotary inertia, which the formula leaves out, lower f by about 6
		// (h/L)^2.
		if math.Abs(r.E.X*1e9/e-1) > 20*c.h*c.h/c.l/c.l+1e-4 || math.Abs(r.Density.X/rho-1) > 1e-9 {
			t.Errorf("%s: E %v, want %g; density %v, want %g", c.metal, r.E, e/1e9, r.Density, rho)
		}
		if u := 2 * 0.00002 / c.h * r.E.X; r.E.U < 0.5*u || r.E.U > 3*u {
			t.Errorf("%s: u of E %v, its thickness alone makes %v", c.metal, r.E.U, u)
		}
		if ok, text := m.Judge(b, r); !ok {
			t.Error(text)
		}
		// A bar taken for another metal, or with its faces confused, is found out.
		b.Height = measure.Of(1.2*c.h, 0.00002)
		if r, err = m.Measure(b, measure.Of(f, 0.01)); err != nil {
			t.Fatal(err)
		}
		if ok, _ := m.Judge(b, r); ok {
			t.Error(c.metal, "a wrong thickness passed")
		}
	}
	if _, err := Find("cheese"); err == nil {
		t.Error("cheese is a metal")
	}
	if _, err := Metals[0].Measure(Bar{}, measure.Of(1, 0)); err == nil {
		t.Error("a bar without measures was measured")
	}
}

// TestExplain: of a bar with one wrong reading that reading is named, with about its
// right value; a bar of another metal, and one tapped on its other face, are named, too.
func TestExplain(t *testing.T) {
	steel, _ := Find("steel")
	right := Bar{bar.Rectangular, measure.Of(0.6, 0.0005), measure.Of(0.010, 0.00002), measure.Of(0.02, 0.00002), measure.Of(7830*0.6*0.01*0.02, 0.0001)}
	rod := bar.Uniform(0.6, bar.Section{Shape: bar.Rectangular, Height: 0.01, Width: 0.02})
	modes, err := rod.Modes(bar.BendingHeight, bar.Wood{E: 208e9, G: 208e9 / 2.58, Density: 7830}, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, want string
		change     func(*Bar)
	}{
		{"length", "a length of 60", func(b *Bar) { b.Length.X *= 1.08 }},
		{"mass", "a mass of 9", func(b *Bar) { b.Mass.X *= 1.15 }},
		{"height", "a height of ", func(b *Bar) { b.Height.X *= 0.9 }},
		{"width", "a width of ", func(b *Bar) { b.Width.X *= 1.1 }},
		{"faces", "the other face", func(b *Bar) { b.Height, b.Width = b.Width, b.Height }},
	} {
		b := right
		c.change(&b)
		r, err := steel.Measure(b, measure.Of(modes[0].Hz, 0.01))
		if err != nil {
			t.Fatal(err)
		}
		if ok, text := steel.Judge(b, r); ok || !strings.Contains(text, c.want) {
			t.Errorf("wrong %s: %v %s", c.name, ok, text)
		}
	}
	brass, _ := Find("brass")
	r, err := brass.Measure(right, measure.Of(modes[0].Hz, 0.01))
	if err != nil {
		t.Fatal(err)
	}
	if ok, text := brass.Judge(right, r); ok || !strings.Contains(text, "it may be steel") {
		t.Errorf("steel taken for brass: %v %s", ok, text)
	}
}
