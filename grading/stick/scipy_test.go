package stick

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// A dozen sticks by SciPy (adaptive quadrature, DOP853 with shooting, solve_bvp); the script beside
// the file makes it anew.
func TestAgainstSciPy(t *testing.T) {
	text, err := os.ReadFile("../../testdata/scipy/stick.json")
	if err != nil {
		t.Fatal(err)
	}
	type at struct {
		AtMM     float64 `json:"at_mm"`
		HeightMM float64 `json:"height_mm"`
		WidthMM  float64 `json:"width_mm"`
		MassG    float64 `json:"mass_g"`
		Widest   float64 `json:"widest"`
	}
	var cases []struct {
		Name     string  `json:"name"`
		Shape    Shape   `json:"shape"`
		Stations []at    `json:"stations"`
		Lumps    []at    `json:"lumps"`
		Density  float64 `json:"density_kg_m3"`
		Young    float64 `json:"young_gpa"`
		Shear    float64 `json:"shear_gpa"`
		Load     struct {
			From  float64 `json:"from_mm"`
			To    float64 `json:"to_mm"`
			At    float64 `json:"at_mm"`
			Grams float64 `json:"grams"`
		} `json:"load"`
		Hair *struct {
			Hair
			CamberMM float64 `json:"camber_mm"`
		} `json:"hair"`
		Want struct {
			MassG      float64   `json:"mass_g"`
			BalanceMM  float64   `json:"centre_of_mass_mm"`
			SagMM      float64   `json:"sag_mm"`
			WidthSagMM float64   `json:"width_sag_mm"`
			Modes      []float64 `json:"modes_hz"`
			WidthModes []float64 `json:"width_modes_hz"`
			Strung     *struct {
				OpenedMM  float64 `json:"opened_mm"`
				Stiffness float64 `json:"stiffness_n_m"`
			} `json:"strung"`
		} `json:"want"`
	}
	if err := json.Unmarshal(text, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) != 12 {
		t.Fatalf("%d sticks, want 12", len(cases))
	}
	strung := 0
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			var m Model
			for _, s := range c.Stations {
				m.Stations = append(m.Stations, Station{s.AtMM / 1000, Section{c.Shape, s.HeightMM / 1000, s.WidthMM / 1000, s.Widest}})
			}
			for _, l := range c.Lumps {
				m.Lumps = append(m.Lumps, Lump{Name: "lump", X: l.AtMM / 1000, M: l.MassG / 1000})
			}
			m.Wood = Wood{Density: measure.Of(c.Density, 0), YoungsModulus: measure.Of(c.Young, 0), ShearModulus: measure.Of(c.Shear, 0)}
			load := Load{c.Load.From, c.Load.To, c.Load.At, c.Load.Grams}
			f := newForm(m.Stick, load, Accuracy{})
			got := f.figures(m.Wood.timber(), 1)
			near(t, "mass", got.MassG.X, c.Want.MassG, 1e-6)
			near(t, "balance", got.CentreOfMassMM.X, c.Want.BalanceMM, 1e-6)
			near(t, "sag", got.SagMM.X, c.Want.SagMM, 1e-5)
			near(t, "sideways", 1e3*load.Newton()/got.WidthStiffnessNM.X, c.Want.WidthSagMM, 1e-5)
			for i, k := range []bar.Kind{bar.BendingHeight, bar.BendingWidth} {
				want := [][]float64{c.Want.Modes, c.Want.WidthModes}[i]
				hz, err := f.hz(k, bar.Plane(1+i), m.Wood.timber(), c.Young/c.Shear, len(want))
				if err != nil {
					t.Fatal(err)
				}
				for j := range want {
					near(t, "mode", hz[j], want[j], 2e-4)
				}
			}
			if c.Hair == nil {
				return
			}
			strung++
			for i := range 15 {
				x := m.Length() * float64(i) / 14
				u := x / m.Length()
				m.Camber = append(m.Camber, Point{x, 4 * c.Hair.CamberMM / 1000 * u * (1 - u)})
			}
			s, err := m.Strung(c.Hair.Hair, m.MidSpan(0, 500))
			if err != nil {
				t.Fatal(err)
			}
			near(t, "opened", s.OpenedMM.X, c.Want.Strung.OpenedMM, 1e-4)
			near(t, "strung stiffness", s.StiffnessNM.X, c.Want.Strung.Stiffness, 1e-4)
		})
	}
	if strung < 3 {
		t.Errorf("%d strung sticks", strung)
	}
}

// A uniform beam-column has closed forms (Timoshenko & Gere, Theory of Elastic Stability, ch. 1, from
// memory): buckling at pi^2 EI/L^2; a load in the middle sags P L^3/(48 EI) * 3 (tan u - u)/u^3,
// u = L/2 sqrt(T/EI); a thrust off centre by e opens e (sec u - 1).
func TestBeamColumn(t *testing.T) {
	m := Model{Stick: taper(0.7, 0.007, 0.007, Round)}
	m.Wood = Wood{Density: measure.Of(1000, 0), YoungsModulus: measure.Of(22, 0)}
	for i := range 9 {
		m.Camber = append(m.Camber, Point{0.7 * float64(i) / 8, 0})
	}
	ei := 22e9 * math.Pi / 64 * math.Pow(0.007, 4)
	for _, pull := range []float64{1, 20, 40} {
		s, err := m.Strung(Hair{ButtMM: 20, HeadMM: 20, TensionN: pull}, m.MidSpan(0, 500))
		if err != nil {
			t.Fatal(err)
		}
		u := 0.35 * math.Sqrt(pull/ei)
		near(t, "buckling", s.BucklingN.X, math.Pi*math.Pi*ei/0.49, 1e-5)
		near(t, "opened", s.OpenedMM.X, 20*(1/math.Cos(u)-1), 1e-5)
		near(t, "stiffness", s.StiffnessNM.X, 48*ei/cube(0.7)/(3*(math.Tan(u)-u)/cube(u)), 1e-5)
	}
	if _, err := m.Strung(Hair{ButtMM: 20, HeadMM: 20, TensionN: 1000}, m.MidSpan(0, 500)); err == nil {
		t.Error("a pull beyond buckling went through")
	}
}
