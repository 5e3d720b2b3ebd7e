package stick

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// plainBlank is an invented blank of plain section.
func plainBlank(name string, length, height, width, density, young float64) Blank {
	var b Blank
	b.Name = name
	b.Readings.LengthMM, b.Readings.HeightMM, b.Readings.WidthMM = measure.Of(length, 0.5), measure.Of(height, 0.05), measure.Of(width, 0.05)
	// Density and E/density do not know of each other.
	b.Wood.Density, b.Wood.SpecificModulus = measure.Of(density, 6), measure.Of(1000*young/density, 0.1)
	b.Wood.YoungsModulus = measure.Of(young, young*math.Hypot(b.Wood.Density.Rel(), b.Wood.SpecificModulus.Rel()))
	b.Quality = measure.Of(50, 2)
	return b
}

func modelOf(t *testing.T, text string, density, young float64) Model {
	t.Helper()
	m, err := ReadModel("model.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	m.Wood.Density, m.Wood.YoungsModulus = measure.Of(density, 0), measure.Of(young, 0)
	return m
}

func lay(t *testing.T, m Model, w Wish, blanks ...Blank) Plan {
	t.Helper()
	w.Load = m.MidSpan(0, 500)
	p, err := Lay(m, blanks, w)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func at(t *testing.T, p Plan, name string) Candidate {
	t.Helper()
	for _, c := range p.Candidates {
		if c.Blank == name {
			return c
		}
	}
	t.Fatalf("no candidate %s", name)
	return Candidate{}
}

const published = "at_mm,height_mm,width_mm,shape\n0,8.6,8.6,round\n110,8.6,8.6,round\n400,7.55,7.55,round\n700,5.3,5.3,round\n"

// A model fed back as its own blank gives scale 1 and no deviation at all,
// whatever its section.
func TestOwnBlank(t *testing.T) {
	for _, shape := range []Shape{Rectangular, Octagonal, Round} {
		m := modelOf(t, fmt.Sprintf("at_mm,height_mm,width_mm,shape\n0,12,12,%s\n350,11,11,%s\n700,10,10,%s\n", shape, shape, shape), 1050, 22)
		b := plainBlank("own", 700, 12, 12, 1050, 22)
		b.Readings.Shape = wood.Shape(shape)
		b.Readings.TipHeightMM, b.Readings.TipWidthMM = measure.Of(10, 0), measure.Of(10, 0)
		for _, match := range []Match{MatchStiffness, MatchMass} {
			c := at(t, lay(t, m, Wish{Match: match}, b), "own")
			for what, v := range map[string]float64{
				"scale": c.Scale.X - 1, "mass": c.MassOffG.X, "stiffness": c.StiffnessOffPct.X, "same taper": c.AddMM.X, "margin": c.MarginMM.X,
			} {
				if math.Abs(v) > 1e-9 {
					t.Errorf("%s, %s: %s is %g, want 0", shape, match, what, v)
				}
			}
			if !c.Fits {
				t.Errorf("%s: does not fit: %v", shape, c.Reasons)
			}
		}
	}
}

// Same stiffness: diameters as (E0/E)^(1/4), mass as rho/rho0 sqrt(E0/E); same mass:
// diameters as sqrt(rho0/rho), stiffness as E/E0 (rho0/rho)^2 (elementary).
func TestScale(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	m.Accuracy = Accuracy{} // the blank's wood alone
	b := plainBlank("x", 760, 14, 14, 980, 25)
	c := at(t, lay(t, m, Wish{Match: MatchStiffness}, b), "x")
	p := lay(t, m, Wish{Match: MatchStiffness}, b)
	near(t, "scale", c.Scale.X, math.Pow(22.0/25, 0.25), 1e-9)
	near(t, "mass", c.MassG.X, p.Model.MassG.X*980/1050*math.Sqrt(22.0/25), 1e-9)
	near(t, "stiffness", c.StiffnessNM.X, p.Model.StiffnessNM.X, 1e-9)
	near(t, "u of scale", c.Scale.U, c.Scale.X*b.Wood.YoungsModulus.Rel()/4, 1e-3)
	// E and density share an error: mass goes as sqrt(density/(E/density)).
	near(t, "u of mass off", c.MassOffG.U, c.MassG.X*math.Hypot(b.Wood.Density.Rel(), b.Wood.SpecificModulus.Rel())/2, 1e-3)
	c = at(t, lay(t, m, Wish{Match: MatchMass}, b), "x")
	near(t, "scale", c.Scale.X, math.Sqrt(1050.0/980), 1e-9)
	near(t, "stiffness off", c.StiffnessOffPct.X, 100*(25.0/22*sq(1050.0/980)-1), 1e-9)
	// A sag asked for outright.
	c = at(t, lay(t, m, Wish{Match: MatchStiffness, SagMM: 10}, b), "x")
	near(t, "sag", c.SagMM.X, 10, 1e-9)
	// Adding the same everywhere reaches the same stiffness.
	s := m.Thicker(c.AddMM.X / 1000)
	near(t, "same taper", 25e9/s.Flexibility(1, m.MidSpan(0, 500)), 500e-3*Gravity/10e-3, 1e-6)
}

// The margin is the least spare wood, and its station is named.
func TestMargin(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	tapered := plainBlank("tapered", 700, 12, 12, 1050, 22)
	tapered.Readings.TipHeightMM, tapered.Readings.TipWidthMM = measure.Of(5, 0), measure.Of(9, 0)
	block := plainBlank("block", 750, 8.5, 12, 1050, 22)
	block.Readings.HeadLengthMM, block.Readings.HeadHeightMM = measure.Of(50, 0), measure.Of(24, 0)
	octagon := plainBlank("octagon", 700, 9, 9, 1050, 22)
	octagon.Readings.Shape = wood.Octagonal
	short := plainBlank("short", 690, 12, 12, 1050, 22)
	unmeasured := plainBlank("unmeasured", 700, 12, 12, 1050, 22)
	unmeasured.Readings.WidthMM = measure.Unknown("")
	p := lay(t, m, Wish{Match: MatchStiffness}, plainBlank("plain", 700, 12, 9, 1050, 22), tapered, block, octagon, short, unmeasured)
	for _, c := range []struct {
		name   string
		margin float64
		at     float64
		fits   bool
		says   string
	}{
		{"plain", 0.4, 0, true, "to spare at 0 mm (width)"},
		{"tapered", -0.3, 700, false, "0.3 mm too thin at 700 mm (height)"},
		{"block", -0.1, 0, false, "0.1 mm too thin at 0 mm (height), and at 1 more of 4 stations; by ± 0.05 mm it is not sure"},
		{"octagon", 0.4, 0, true, "to spare at 0 mm"},
		{"short", -5.3, 700, false, "10 mm too short"},
	} {
		got := at(t, p, c.name)
		if math.Abs(got.MarginMM.X-c.margin) > 1e-9 || got.MarginAtMM.X != c.at || got.Fits != c.fits || !strings.Contains(strings.Join(got.Reasons, "; "), c.says) {
			t.Errorf("%s: margin %g at %g, fits %v, %q", c.name, got.MarginMM.X, got.MarginAtMM.X, got.Fits, got.Reasons)
		}
	}
	if c := at(t, p, "unmeasured"); c.Fits || c.MarginMM.Known() || !c.MassG.Known() {
		t.Errorf("unmeasured: %+v", c)
	}
	if why := strings.Join(at(t, p, "short").Reasons, "; "); strings.Contains(why, "thin") {
		t.Errorf("a blank that is short only is called thin: %s", why)
	}
	// An allowance comes off; a square stick's edges do not fit into a round blank.
	if c := at(t, lay(t, m, Wish{Match: MatchStiffness, Allowance: 0.5}, plainBlank("plain", 700, 12, 9, 1050, 22)), "plain"); c.Fits || math.Abs(c.MarginMM.X+0.1) > 1e-9 {
		t.Errorf("allowance: %v %g", c.Fits, c.MarginMM.X)
	}
	round := plainBlank("round", 700, 10, 10, 1050, 22)
	round.Readings.Shape = wood.Round
	square := modelOf(t, "at_mm,height_mm,shape\n0,8,rectangular\n700,6,rectangular\n", 1050, 22)
	if c := at(t, lay(t, square, Wish{Match: MatchStiffness}, round), "round"); c.Fits || math.Abs(c.MarginMM.X-(10-8*math.Sqrt2)) > 1e-9 {
		t.Errorf("square in round: %v %g", c.Fits, c.MarginMM.X)
	}
}

// The head is cut from the blank's end: without a block there is no wood for it.
func TestHead(t *testing.T) {
	m := builtIn(t, "demo-violin")
	bare := plainBlank("bar", 760, 14, 14, 1070, 26)
	block := bare
	block.Name = "block"
	block.Readings.HeadLengthMM, block.Readings.HeadHeightMM = measure.Of(50, 0), measure.Of(26, 0)
	p := lay(t, m, Wish{Match: MatchStiffness}, bare, block)
	if c := at(t, p, "block"); !c.Fits || math.Abs(c.HeadMM.X-2) > 1e-9 || math.Abs(c.ShiftMM-(760-695-26)) > 1e-9 {
		t.Errorf("block: %v %v %g", c.Fits, c.HeadMM, c.ShiftMM)
	}
	if c := at(t, p, "bar"); c.Fits || !strings.Contains(c.Reasons[0], "no wood for the head") {
		t.Errorf("bar: %v %q", c.Fits, c.Reasons)
	}
	if c := at(t, lay(t, m, Wish{Match: MatchStiffness, ShaftOnly: true}, bare), "bar"); !c.Fits {
		t.Errorf("shaft only: %q", c.Reasons)
	}
}

// Order, ties and the front.
func TestRanking(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	blank := func(name string, density, quality float64) Blank {
		b := plainBlank(name, 760, 14, 14, density, 22)
		b.Quality = measure.Of(quality, 1)
		return b
	}
	thin := plainBlank("thin", 760, 7, 7, 1050, 22)
	mute := plainBlank("mute", 760, 14, 14, 1050, 22)
	mute.Wood = wood.Values{Density: measure.Unknown("the mass is missing"), YoungsModulus: measure.Unknown("the mass is missing")}
	p := lay(t, m, Wish{Match: MatchStiffness}, thin, mute, blank("10", 1120, 90), blank("2", 1051, 40), blank("3", 1049, 60), blank("4", 1200, 80))
	var order []string
	for _, c := range p.Candidates {
		order = append(order, c.Blank)
	}
	if got := strings.Join(order[2:], " "); got != "10 4 thin mute" || p.Fitting() != 4 {
		t.Errorf("order %v, %d fit", order, p.Fitting())
	}
	a, b := p.Candidates[0], p.Candidates[1]
	if a.RankLow != 1 || a.RankHigh != 2 || b.RankLow != 1 || b.RankHigh != 2 {
		t.Errorf("two blanks alike are no tie: %d-%d, %d-%d", a.RankLow, a.RankHigh, b.RankLow, b.RankHigh)
	}
	if c := at(t, p, "4"); c.RankLow != 4 || c.RankHigh != 4 {
		t.Errorf("the far one: %d-%d", c.RankLow, c.RankHigh)
	}
	for name, want := range map[string]bool{"3": true, "10": true, "4": false, "thin": false} {
		if c := at(t, p, name); c.Front != want {
			t.Errorf("front of %s: %v", name, c.Front)
		}
	}
	again := lay(t, m, Wish{Match: MatchStiffness}, blank("4", 1200, 80), blank("3", 1049, 60), blank("2", 1051, 40), blank("10", 1120, 90), mute, thin)
	one, _ := json.Marshal(p)
	two, _ := json.Marshal(again)
	if string(one) != string(two) {
		t.Error("the plan depends on the order of the blanks")
	}
}

// Fields that others rely on.
func TestPlanJSON(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	raw, err := json.Marshal(lay(t, m, Wish{Match: MatchStiffness}, plainBlank("7", 760, 14, 14, 1000, 21)))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Schema     string
		Model      map[string]any
		Candidates []map[string]any
	}
	if err := json.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Schema != "ringstock/plan/1" {
		t.Error(doc.Schema)
	}
	for _, f := range []string{"mass_g", "centre_of_mass_mm", "stiffness_n_m", "sag_mm", "span_mm", "load_g"} {
		if _, ok := doc.Model[f].(float64); !ok {
			t.Errorf("model has no number %s", f)
		}
	}
	if list, ok := doc.Model["modes_hz"].([]any); !ok || len(list) != modesShown {
		t.Errorf("modes_hz: %v", doc.Model["modes_hz"])
	}
	for _, f := range []string{"scale", "mass_g", "mass_u_g", "centre_of_mass_mm", "stiffness_n_m", "sag_mm", "margin_mm", "margin_at_mm"} {
		if _, ok := doc.Candidates[0][f].(float64); !ok {
			t.Errorf("candidate has no number %s", f)
		}
	}
	for _, f := range []string{"blank", "fits", "reasons"} {
		if doc.Candidates[0][f] == nil {
			t.Errorf("candidate has no %s", f)
		}
	}
}

// A stick compared with itself differs in nothing; a shifted, tilted camber is no
// deviation.
func TestCompare(t *testing.T) {
	m := builtIn(t, "demo-violin")
	c, err := Compare(m, m, m.MidSpan(0, 500), 0.1)
	if err != nil {
		t.Fatal(err)
	}
	if c.RMSmm != 0 || c.LargestMM.X != 0 || c.MassOffG.X != 0 || c.StiffOffPct.X != 0 || c.Camber.LargestMM > 1e-9 || len(c.Outside) > 0 {
		t.Errorf("a stick differs from itself: %+v", c)
	}
	moved := m
	moved.Camber = nil
	for _, p := range m.Camber {
		moved.Camber = append(moved.Camber, Point{p.X, p.Y + 0.002 + 0.004*p.X})
	}
	moved.Stick = m.each(func(i int, s Section) Section {
		if i == 4 {
			s.Height += 0.0003
		}
		return s
	})
	c, err = Compare(m, moved, m.MidSpan(0, 500), 0.1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shift", c.Camber.ShiftMM, -2, 1e-9)
	near(t, "tilt", c.Camber.TiltMMPerM, -4, 1e-9)
	if math.Abs(c.Camber.LargestMM) > 1e-9 || c.Camber.BandMM > 1e-9 || c.Camber.RMSmm > 1e-9 {
		t.Errorf("a rigid motion is left over: %+v", c.Camber)
	}
	near(t, "largest", c.LargestMM.X, 0.3, 1e-9)
	if c.LargestAtMM != 300 || c.LargestSide != "height" || len(c.Outside) != 1 {
		t.Errorf("%g %s %v", c.LargestAtMM, c.LargestSide, c.Outside)
	}
	// One bump of 1 mm on a straight line: the minimum zone is 1 mm high,
	// however it is tilted.
	bump := []Point{{0, 0}, {0.2, 0.0005}, {0.3, 0.00075 + 0.001}, {0.7, 0.00175}}
	if b := band(bump); math.Abs(b-0.001) > 1e-12 {
		t.Errorf("band %g", b)
	}
}

// Readings that follow the plan are no surprise; a note 3 % off is.
func TestWorkDown(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	blank := Wood{Density: measure.Of(1000, 3), YoungsModulus: measure.Of(21, 0.1), SpecificModulus: measure.Of(21, 0.05)}
	const scale = 1.01
	rough := m
	rough.Stick = m.Scaled(scale).Thicker(0.001)
	form := newForm(rough.Stick, rough.MidSpan(0, 1), rough.Accuracy)
	note, err := form.shearedNote(blank.timber())
	if err != nil {
		t.Fatal(err)
	}
	rough.Bare.MassG = measure.Of(1e6*rough.Volume(), 0.1)
	for _, c := range []struct {
		off      float64
		surprise bool
	}{{0, false}, {-0.03, true}} {
		rough.Bare.Hz = measure.Of(note.X*(1+c.off), 0.05)
		w, err := WorkDown(m, scale, rough, blank, m.MidSpan(0, 500), "round")
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range w.ToGo {
			if math.Abs(s.HeightToGo.X-1) > 1e-9 || s.UnderHeight {
				t.Errorf("to go at %g mm: %g", s.AtMM, s.HeightToGo.X)
			}
		}
		near(t, "mass if finished", w.Planned.MassG.X, 1e6*m.Scaled(scale).Volume(), 1e-6)
		near(t, "to come off", w.OffG.X, 1e6*(rough.Volume()-m.Scaled(scale).Volume()), 1e-6)
		near(t, "modulus by the note", w.Wood.YoungsModulus.X, 21*sq(1+c.off), 1e-6)
		if w.Checks[0].Surprise || w.Checks[1].Surprise != c.surprise {
			t.Errorf("off %g: %+v", c.off, w.Checks)
		}
	}
	thin := rough
	thin.Stick = m.Scaled(scale).Thicker(-0.0002)
	thin.Bare = Bare{}
	w, err := WorkDown(m, scale, thin, blank, m.MidSpan(0, 500), "")
	if err != nil || !w.ToGo[0].UnderHeight {
		t.Errorf("under the plan: %v %+v", err, w.ToGo)
	}
}

// The usual windows (common practice) make a note, never more.
func TestOdd(t *testing.T) {
	text, _ := CardText("demo-violin")
	for _, c := range []struct{ was, now, want string }{
		{"", "", ""},
		{"mass_g = 61.5", "mass_g = 71.5", "the whole bow's mass, 71.50 ± 0.10 g, is outside the 55 to 65 g usual for the violin (common practice)"},
		{"nut_mm = 191", "nut_mm = 160", "balance point, 160.0 ± 1.0 mm from the nut, is outside the 180 to 200"},
		{"mass_g = 39.2", "mass_g = 46", "the mass was read as 46.00 ± 0.10 g, the stations and the wood give"},
	} {
		m, err := ReadModel("m.toml", strings.NewReader(strings.Replace(string(text), c.was, c.now, 1)))
		if err != nil {
			t.Fatal(err)
		}
		_, notes, err := m.Sheet(m.MidSpan(0, 500))
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(notes, "; "); (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.now, got, c.want)
		}
	}
}

// What the reader says of bad cards: where, what, and what to do.
func TestBadModels(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"m.csv", "", "the table is empty"},
		{"m.csv", "height_mm\n8\n", "at_mm (distance from the butt) is missing"},
		{"m.csv", "at_mm,height_mm\n0,8\n", "1 stations"},
		{"m.csv", "at_mm,height_mm\n0,8\n100,x\n", `row 3, column height_mm: "x" is not a number`},
		{"m.csv", "at_mm,height_mm\n0,8\n100,7\n50,6\n", "row 4, column at_mm: 50 mm does not lie behind"},
		{"m.csv", "at_mm,height_mm\n0,86\n100,700\n", "a diameter of 700 mm is none of a stick"},
		{"m.csv", "at_mm,height_mm,shape\n0,8,hexagon\n100,7,\n", `"hexagon" is not one of round`},
		{"m.csv", "at_mm,height_mm,height_mm\n", "height_mm is there twice"},
		{"m.csv", "at_mm,height_mm\n0,\"8\n", "stray quote"},
		{"m.csv", "at_mm,height_mm\n0,-8\n", "row 2, column height_mm: a diameter of -8 mm is none of a stick"},
		{"m.csv", "at_mm,height_mm,width_mm\n0,8,6,8,5\n", "row 2: 5 cells under a header of 3 columns: with decimal commas"},
		{"m.csv", "at_mm,d45_mm\n0,-8\n", "row 2, column d45_mm: a diameter of -8 mm"},
		{"m.toml", "[head.readings]\nheight = \"high\"\n", "head.readings.\"height\": give a number, or [number, standard uncertainty]"},
		{"m.csv", "at_mm,height_mm\n,8\n", "row 2: at_mm, the distance from the butt, is missing"},
		{"m.toml", "hieght = 3\n", "hieght is not a key of a model"},
		{"m.toml", "[wood]\ndensity_kg_m3 = 5\n", "wood.density_kg_m3 = 5: give a number from 50 to 3000"},
		{"m.toml", "name = \n", "line 1"},
		{"m.toml", "[[station]]\nat_mm = 0\nheight_mm = 8\ndiameters = [[1]]\n", "a diameter is a pair"},
	} {
		_, err := ReadModel(c.name, strings.NewReader(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
	m, err := ReadModel("old stick.csv", strings.NewReader("\ufeffat_mm;height_mm;width_mm;colour\n0;8,6;8,5;red\n700;5,3;5,2;\n"))
	if err != nil || m.Name != "old stick" || math.Abs(m.Stations[0].Width-0.0085) > 1e-12 || m.Stations[0].Shape != Oval || !strings.Contains(strings.Join(m.Notes, " "), "colour is not read") {
		t.Errorf("%+v %v", m, err)
	}
	// The wood follows from the bare stick's mass and note.
	text := "[bare]\nmass_g = 33.33\nhz = 67.2\n[[station]]\nat_mm = 0\nheight_mm = 8\nshape = \"round\"\n[[station]]\nat_mm = 700\nheight_mm = 7\nshape = \"round\"\n"
	m, err = ReadModel("m.toml", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "density", m.Wood.Density.X, 33.33e-3/m.Volume(), 1e-9)
	f := newForm(m.Stick, m.MidSpan(0, 1), m.Accuracy)
	note, err := f.shearedNote(m.Wood.timber())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "note", note.X, 67.2, 1e-6)
}
