package stick

import (
	"math"
	"strings"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.8g, want %.8g within %g %%", what, got, want, 100*rel)
	}
}

func builtIn(t *testing.T, name string) Model {
	t.Helper()
	text, ok := CardText(name)
	if !ok {
		t.Fatalf("no card %q", name)
	}
	m, err := ReadModel(name+".toml", strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// The published graduation (Fétis 1856; Saint-George 1896): figures of the shaft by an
// independent computation, modes after slender-beam theory.
func TestPublishedGraduation(t *testing.T) {
	m := builtIn(t, "published-graduation")
	if len(m.Questions) > 0 {
		t.Errorf("asked back: %v", m.Questions)
	}
	near(t, "volume", m.Volume(), 31.7e-6, 0.005)
	near(t, "middle", m.middle(), 0.303, 0.005)
	m.Wood.Density = measure.Of(1050, 0)
	load := m.MidSpan(700, 500)
	for _, c := range []struct{ gpa, sag float64 }{{18, 11.8}, {20, 10.6}, {22, 9.7}, {25, 8.5}, {28, 7.6}} {
		m.Wood.YoungsModulus = measure.Of(c.gpa, 0)
		f := newForm(m.Stick, load, m.Accuracy).figures(m.Wood.timber(), 1)
		near(t, "mass", f.MassG.X, 33.3, 0.005)
		near(t, "centre of mass", f.CentreOfMassMM.X, 303, 0.005)
		near(t, "sag", f.SagMM.X, c.sag, 0.005)
	}
	m.Wood.YoungsModulus = measure.Of(1050*4800*4800/1e9, 0)
	notes, err := newForm(m.Stick, load, m.Accuracy).notes(m.Wood.timber(), 4)
	if err != nil {
		t.Fatal(err)
	}
	for i, hz := range []float64{71, 188, 361, 592} {
		near(t, "mode", notes.Height[i].X, hz, 0.005)
	}
}

// The rule behind the graduation, as Saint-George tells it: each place lies as far from
// the one before as the line from 110 mm at the butt to 22 mm at 700 mm is high there.
func TestGraduationRule(t *testing.T) {
	m := builtIn(t, "published-graduation")
	x := 0.0
	for i, at := range m.Stations[1:] {
		x += 110 - (110-22)*x/700
		if math.Abs(1000*at.X-x) > 0.06 {
			t.Errorf("station %d at %g mm, the rule gives %.2f mm", i+1, 1000*at.X, x)
		}
		if d := 8.6 - 0.3*float64(i); math.Abs(1000*at.Height-d) > 1e-9 {
			t.Errorf("station %d: %g mm, the rule gives %g mm", i+1, 1000*at.Height, d)
		}
	}
	// The distances form a geometric series.
	q := 1 - (110-22)/700.0
	for i := 2; i < len(m.Stations); i++ {
		step := func(i int) float64 { return m.Stations[i].X - m.Stations[i-1].X }
		if math.Abs(1000*(step(i)-q*step(i-1))) > 0.1 {
			t.Errorf("step %d: %g mm after %g mm is not %g times as long", i, 1000*step(i), 1000*step(i-1), q)
		}
	}
}

func taper(length, butt, tip float64, shape Shape) Stick {
	return Stick{Stations: []Station{
		{0, Section{Shape: shape, Height: butt, Width: butt, Widest: 0.42}},
		{length, Section{Shape: shape, Height: tip, Width: tip, Widest: 0.42}},
	}}
}

// Handbook formulas of three-point bending: P L^3/(48 EI) at mid-span; P a^2 b^2/(3 EI L)
// under a load at a (Roark's Formulas for Stress and Strain, from memory).
func TestUniformBeam(t *testing.T) {
	s := taper(0.7, 0.008, 0.008, Round)
	ei := math.Pi / 64 * math.Pow(0.008, 4)
	near(t, "mid-span", s.Flexibility(bar.HeightPlane, s.MidSpan(0, 500)), cube(0.7)/(48*ei), 1e-12)
	near(t, "short span", s.Flexibility(bar.WidthPlane, s.MidSpan(500, 500)), cube(0.5)/(48*ei), 1e-12)
	a, b := 0.2, 0.5
	near(t, "off the middle", s.Flexibility(bar.HeightPlane, Load{0, 700, 200, 500}), a*a*b*b/(3*ei*0.7), 1e-12)
}

// A linearly tapered round beam has a closed form: with u = d(x)/d0 the integral of
// x^2/u^4 over each half is elementary.
func TestTaperedBeam(t *testing.T) {
	const length, d0, d1 = 0.7, 0.0086, 0.0053
	s := taper(length, d0, d1, Round)
	i0 := math.Pi / 64 * math.Pow(d0, 4)
	// from a to b of (x-c)^2/4 over (1 + k x)^4: substitute u = 1 + k x
	half := func(a, b, c float64) float64 {
		k := (d1/d0 - 1) / length
		p := 1 + k*c // x - c = (u - p)/k
		f := func(x float64) float64 {
			u := 1 + k*x
			return (-1/u + p/(u*u) - p*p/(3*u*u*u)) / (4 * k * k * k)
		}
		return f(b) - f(a)
	}
	want := (half(0, length/2, 0) + half(length/2, length, length)) / i0
	near(t, "tapered", s.Flexibility(bar.HeightPlane, s.MidSpan(0, 1)), want, 1e-9)
}

// Same stiffness in another wood: diameters as E^(-1/4), mass as rho
// E^(-1/2) (elementary).
func TestScaling(t *testing.T) {
	for _, shape := range shapes {
		s := taper(0.7, 0.009, 0.0055, shape)
		f := func(k float64) form { return newForm(s.Scaled(k), s.MidSpan(0, 500), Accuracy{}) }
		k := math.Pow(22.0/27, 0.25)
		near(t, string(shape)+" stiffness", 27*f(k).height, 22*f(1).height, 1e-9)
		near(t, string(shape)+" sideways", 27*f(k).width, 22*f(1).width, 1e-9)
		near(t, string(shape)+" volume", f(k).volume, f(1).volume*math.Sqrt(22.0/27), 1e-9)
		wood := Wood{Density: measure.Of(1000, 0), YoungsModulus: measure.Of(27, 0)}.timber()
		scaled, direct := f(1).figures(wood, k), f(k).figures(wood, 1)
		near(t, string(shape)+" mass", scaled.MassG.X, direct.MassG.X, 1e-9)
		near(t, string(shape)+" stiffness by scale", scaled.StiffnessNM.X, direct.StiffnessNM.X, 1e-9)
	}
}

// Every closed form of a section against a sum over a fine grid of points
// inside its outline.
func TestSections(t *testing.T) {
	inside := map[Shape]func(s Section, x, y float64) bool{ // y from the underside, x from the middle
		Round: func(s Section, x, y float64) bool { return math.Hypot(2*x/s.Width, 2*y/s.Height-1) < 1 },
		Oval:  func(s Section, x, y float64) bool { return math.Hypot(2*x/s.Width, 2*y/s.Height-1) < 1 },
		Octagonal: func(s Section, x, y float64) bool {
			return math.Abs(2*x/s.Width)+math.Abs(2*y/s.Height-1) < math.Sqrt2
		},
		Rectangular: func(s Section, x, y float64) bool { return true },
		Egg: func(s Section, x, y float64) bool {
			under, over := s.Widest*s.Height, (1-s.Widest)*s.Height
			if y < under {
				return math.Hypot(2*x/s.Width, (y-under)/under) < 1
			}
			return math.Hypot(2*x/s.Width, (y-under)/over) < 1
		},
	}
	for _, s := range []Section{
		{Round, 8, 8, 0}, {Oval, 8.6, 8, 0}, {Octagonal, 8, 8, 0}, {Octagonal, 8.4, 8, 0}, {Rectangular, 8, 7, 0},
		{Egg, 8, 7.6, 0.42}, {Egg, 8, 7.6, 0.5}, {Egg, 9, 8, 0.35},
	} {
		// Strips across the height, each as wide as bisection finds the outline.
		const n = 20000
		var a, ay, ayy, axx float64
		for j := range n {
			y := s.Height * (float64(j) + 0.5) / n
			in, out := 0.0, s.Width/2
			for range 40 {
				if x := (in + out) / 2; inside[s.Shape](s, x, y) {
					in = x
				} else {
					out = x
				}
			}
			w := 2 * in
			a, ay, ayy, axx = a+w, ay+w*y, ayy+w*y*y, axx+w*w*w/12
		}
		cell := s.Height / n
		centre := ay / a
		name := string(s.Shape)
		near(t, name+" area", s.Area(), a*cell, 1e-6)
		near(t, name+" height", s.SecondMoment(bar.HeightPlane), (ayy-a*centre*centre)*cell, 1e-6)
		near(t, name+" width", s.SecondMoment(bar.WidthPlane), axx*cell, 1e-6)
		if math.Abs(s.Centroid()-(centre-s.Height/2)) > 1e-5 {
			t.Errorf("%s: centroid %g, want %g", name, s.Centroid(), centre-s.Height/2)
		}
		if p := s.in(bar.HeightPlane); math.Abs(p.Area()-s.Area()) > 1e-12*s.Area() || math.Abs(p.SecondMoment(bar.HeightPlane)/s.SecondMoment(bar.HeightPlane)-1) > 1e-12 {
			t.Errorf("%s: the bar gets another section", name)
		}
		for deg := 0.0; deg < 180; deg += 15 { // a calliper's reading is the extent of the outline
			sin, cos := math.Sincos(deg * math.Pi / 180)
			low, high := math.Inf(1), math.Inf(-1)
			for i := range 300 {
				for j := range 300 {
					x, y := s.Width*((float64(i)+0.5)/300-0.5), s.Height*(float64(j)+0.5)/300
					if inside[s.Shape](s, x, y) {
						p := x*sin + y*cos
						low, high = min(low, p), max(high, p)
					}
				}
			}
			if d := s.Across(deg) - (high - low); d < 0 || d > 0.08 {
				t.Errorf("%s at %g degrees: %g, the outline spans %g", name, deg, s.Across(deg), high-low)
			}
		}
	}
}

// A section must come back from its own diameters, with noise as small as a calliper's.
func TestFitSection(t *testing.T) {
	angles := []float64{0, 22.5, 45, 67.5, 90, 112.5, 135, 157.5}
	for _, s := range []Section{
		{Round, 8e-3, 8e-3, 0}, {Oval, 8.6e-3, 8e-3, 0}, {Octagonal, 8e-3, 8e-3, 0}, {Octagonal, 8.5e-3, 8e-3, 0}, {Egg, 10e-3, 8e-3, 0.3},
	} {
		var list []Diameter
		for _, a := range angles {
			list = append(list, Diameter{a, 1000 * s.Across(a)})
		}
		f, err := FitSection(list, "", 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if f.Shape != s.Shape {
			t.Errorf("%v taken for %s", s, f.Shape)
			continue
		}
		near(t, "height", f.Height, s.Height, 1e-3)
		near(t, "width", f.Width, s.Width, 1e-3)
		if s.Shape == Egg {
			near(t, "widest", f.Widest, s.Widest, 0.02)
		}
	}
	// Across the flats alone an octagon is round, and the answer says that it can't tell.
	f, err := FitSection([]Diameter{{0, 8}, {45, 8}, {90, 8}, {135, 8}}, "", 0.05)
	if err != nil || f.Shape != Round || !strings.Contains(strings.Join(shapeNames(f.Alike), " "), "octagonal") {
		t.Errorf("%v %v", f, err)
	}
}

func shapeNames(list []Shape) (out []string) {
	for _, s := range list {
		out = append(out, string(s))
	}
	return out
}

// A misread station is asked back, named and with its neighbours.
func TestMisread(t *testing.T) {
	text, _ := CardText("published-graduation")
	wrong := strings.Replace(string(text), "at_mm = 428.0, height_mm = 7.4", "at_mm = 428.0, height_mm = 8.4", 1)
	m, err := ReadModel("x.toml", strings.NewReader(wrong))
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Questions) != 1 || !strings.Contains(m.Questions[0], "8.40 mm at 428 mm is 1.02 mm out of line") {
		t.Errorf("%q", m.Questions)
	}
	for _, name := range Cards() {
		if m := builtIn(t, name); len(m.Questions) > 0 {
			t.Errorf("%s: %q", name, m.Questions)
		}
	}
}

// A stick read at many stations is the stick read at few.
func TestManyStations(t *testing.T) {
	few := builtIn(t, "published-graduation").Stick
	many := Stick{}
	for i := range stationLimit {
		x := few.Length() * float64(i) / (stationLimit - 1)
		at := few.Section(x)
		at.Height = math.Round(1e5*at.Height) / 1e5 // the calliper shows hundredths
		at.Width = at.Height
		many.Stations = append(many.Stations, Station{x, at})
	}
	wood := Wood{Density: measure.Of(1050, 0), YoungsModulus: measure.Of(22, 0)}.timber()
	a, b := newForm(few, few.MidSpan(0, 500), Workshop), newForm(many, many.MidSpan(0, 500), Workshop)
	// A hundredth of a millimetre is 1e-3 of a diameter, and 4e-3 of the stiffness there.
	near(t, "volume", b.volume, a.volume, 1e-3)
	near(t, "stiffness", b.height, a.height, 1e-3)
	for i, hz := range mustHz(t, b, wood) {
		near(t, "mode", hz, mustHz(t, a, wood)[i], 1e-3)
	}
	// Independent readings average out, the calliper's own error does not.
	if b.uVolume > a.uVolume || b.uVolume < math.Sqrt(sharedCalliper)*2*0.05/8.6 {
		t.Errorf("uncertainty of the volume %g with many stations, %g with few", b.uVolume, a.uVolume)
	}
}

func mustHz(t *testing.T, f form, w timber) []float64 {
	t.Helper()
	hz, err := f.hz(bar.BendingHeight, bar.HeightPlane, w, usualEG, modesShown)
	if err != nil {
		t.Fatal(err)
	}
	return hz
}

func FuzzReadModel(f *testing.F) {
	for _, name := range Cards() {
		text, _ := CardText(name)
		f.Add(string(text), true)
	}
	f.Add("at_mm,height_mm,width_mm,camber_mm,shape\n0,8.6,8.6,0,round\n350,8,7.9,12,egg\n700,5.3,5.3,0,\n", false)
	f.Add("at_mm;d0_mm;d45_mm;d90_mm;d135_mm\n0;8,6;8,6;8,6;8,6\n700;5,3;5,3;5,3;5,3\n", false)
	f.Fuzz(func(t *testing.T, text string, toml bool) {
		name := "m.csv"
		if toml {
			name = "m.toml"
		}
		m, err := ReadModel(name, strings.NewReader(text))
		if err != nil {
			if err.Error() == "" {
				t.Error("an error without words")
			}
			return
		}
		form := newForm(m.Stick, m.MidSpan(0, 500), m.Accuracy)
		figures := form.figures(m.Wood.timber(), 1)
		if v := m.Volume(); !(v > 0) || math.IsInf(v, 0) {
			t.Errorf("volume %g", v)
		}
		if figures.SagMM.Known() && !(figures.SagMM.X > 0) {
			t.Errorf("sag %g", figures.SagMM.X)
		}
	})
}
