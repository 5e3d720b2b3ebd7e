package stick

import (
	"math"
	"strings"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/bar/shooting"
	"ringstock/spectrum/measure"
)

// A solid head is a lump beyond the shaft's end, with its moment of inertia: the
// notes are those of a Timoshenko beam that goes on through the head, by
// shooting, within 0.3 %.
func TestSolidHeads(t *testing.T) {
	for _, c := range []struct {
		name               string
		shape              Shape
		butt, tip          float64 // mm
		length             float64
		long, high, wide   float64
		density, young, eg float64
	}{
		{"violin, low head", Round, 8.6, 5.3, 700, 26, 22, 10, 1050, 22, 16},
		{"violin, high head", Octagonal, 8.8, 5.6, 695, 30, 26, 11, 1120, 26, 18},
		{"cello", Oval, 10.6, 7, 680, 32, 32, 13, 980, 20, 14},
	} {
		s := taper(c.length/1000, c.butt/1000, c.tip/1000, c.shape)
		m := Model{Stick: s, Accuracy: Workshop, Head: Head{c.long, c.high, c.wide}}
		volume := c.long * c.high * c.wide * 1e-9
		m.Lumps = []Lump{{Name: "head", X: (c.length + c.long/2) / 1000, M: c.density * volume}}
		if err := m.placeLumps(); err != nil {
			t.Fatal(err)
		}
		w := Wood{Density: measure.Of(c.density, 0), YoungsModulus: measure.Of(c.young, 0), ShearModulus: measure.Of(c.young/c.eg, 0)}
		f := newForm(m.Stick, m.MidSpan(0, 500), m.Accuracy)
		solid := s.bar(bar.HeightPlane)
		head := bar.Section{Shape: bar.Rectangular, Height: c.high / 1000, Width: c.wide / 1000}
		solid.Stations = append(solid.Stations, bar.Station{X: c.length / 1000, Section: head}, bar.Station{X: (c.length + c.long) / 1000, Section: head})
		material := bar.Wood{E: 1e9 * c.young, G: 1e9 * c.young / c.eg, Density: c.density}
		for i, k := range []bar.Kind{bar.BendingHeight, bar.BendingWidth} {
			want, err := shooting.Frequencies(solid, k, material, 3)
			if err != nil {
				t.Fatal(err)
			}
			got, err := f.hz(k, bar.Plane(1+i), w.timber(), c.eg, 3)
			if err != nil {
				t.Fatal(err)
			}
			for j := range want {
				t.Logf("%s, %v %d: %.3f Hz, beam %.3f Hz, %+.3f %%", c.name, k, j+1, got[j], want[j], 100*(got[j]/want[j]-1))
				near(t, c.name, got[j], want[j], 3e-3)
			}
		}
		// The balance is that of shaft and block.
		mass := c.density * (s.Volume() + volume)
		near(t, "balance", f.figures(w.timber(), 1).CentreOfMassMM.X,
			1000*c.density*(s.Volume()*s.middle()+volume*(c.length+c.long/2)/1000)/mass, 1e-9)
	}
}

// A stick bends in the blank's height plane: its scale follows the modulus of that plane.
func TestPlanes(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	b := plainBlank("x", 760, 14, 14, 1000, 24)
	b.Wood.SpecificModulusHeight, b.Wood.SpecificModulusWidth = measure.Of(24*1.025, 0.1), measure.Of(24*0.975, 0.1)
	c := at(t, lay(t, m, Wish{Match: MatchStiffness}, b), "x")
	near(t, "scale", c.Scale.X, math.Pow(22/(24*1.025), 0.25), 1e-9)
	near(t, "stiffness", c.StiffnessNM.X, lay(t, m, Wish{Match: MatchStiffness}, b).Model.StiffnessNM.X, 1e-9)
	near(t, "sideways", c.WidthStiffnessNM.X/c.StiffnessNM.X, 0.975/1.025, 1e-6) // the section is round
	near(t, "uncertainty", b.Timber(false).YoungsModulus.Rel(), b.Wood.YoungsModulus.Rel(), 0.05)
	// As much more at 12 % moisture.
	b.Wood.Density12, b.Wood.YoungsModulus12, b.Wood.SpecificModulus12 = measure.Of(1000, 5), measure.Of(23, 0.2), measure.Of(23, 0.1)
	near(t, "at 12 %", b.Timber(true).YoungsModulus.X, 23*1.025, 1e-9)
}

// A model without a head says so, and what is not known of a head is not called fitting.
func TestHeadNotGiven(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	bare := plainBlank("bar", 760, 14, 14, 1050, 22)
	p := lay(t, m, Wish{Match: MatchStiffness}, bare)
	if !strings.Contains(strings.Join(p.Notes, "; "), "no head given: not checked") || at(t, p, "bar").HeadMM.Why != "no head given: not checked" {
		t.Errorf("a model without a head: %q, %+v", p.Notes, at(t, p, "bar").HeadMM)
	}
	m.Lumps = []Lump{{Name: "head", X: m.end() + 0.012, M: 0.005}}
	if err := m.placeLumps(); err != nil {
		t.Fatal(err)
	}
	p = lay(t, m, Wish{Match: MatchStiffness}, bare)
	if c := at(t, p, "bar"); c.Fits || !strings.Contains(strings.Join(c.Reasons, "; "), "no wood for a head") {
		t.Errorf("a head of unknown height in a bar: fits %v, %q", c.Fits, c.Reasons)
	}
	if strings.Contains(strings.Join(p.Notes, "; "), "no head given") {
		t.Errorf("a model with a head: %q", p.Notes)
	}
}
