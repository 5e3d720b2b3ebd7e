package stick

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// A dozen sticks by SciPy (adaptive quadrature, DOP853 with shooting, solve_bvp); the
// script beside the file makes it anew.
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
		Want struct {
			MassG      float64   `json:"mass_g"`
			BalanceMM  float64   `json:"centre_of_mass_mm"`
			SagMM      float64   `json:"sag_mm"`
			WidthSagMM float64   `json:"width_sag_mm"`
			Modes      []float64 `json:"modes_hz"`
			WidthModes []float64 `json:"width_modes_hz"`
		} `json:"want"`
	}
	if err := json.Unmarshal(text, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) != 12 {
		t.Fatalf("%d sticks, want 12", len(cases))
	}
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
		})
	}
}

// A dozen strung bows by SciPy, whose method is collocation: at rest, and
// pressed at three places.
func TestBowsAgainstSciPy(t *testing.T) {
	text, err := os.ReadFile("../../testdata/scipy/bow.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Name     string
		Stations []struct {
			AtMM     float64 `json:"at_mm"`
			HeightMM float64 `json:"height_mm"`
		}
		Young    float64 `json:"young_gpa"`
		CamberMM float64 `json:"camber_mm"`
		Skew     float64
		Hair     Hair
		Force    float64 `json:"force_n"`
		Want     struct {
			HairMM  float64 `json:"hair_length_mm"`
			GapMM   float64 `json:"gap_mm"`
			Tilt    float64 `json:"head_tilt_deg"`
			Pressed []struct {
				DeflectionMM float64 `json:"deflection_mm"`
				Tension      float64 `json:"tension_change_n"`
				Tilt         float64 `json:"head_tilt_deg"`
			}
		}
	}
	if err := json.Unmarshal(text, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) != 12 {
		t.Fatalf("%d bows, want 12", len(cases))
	}
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			var m Model
			for _, s := range c.Stations {
				m.Stations = append(m.Stations, Station{s.AtMM / 1000, Section{Shape: Round, Height: s.HeightMM / 1000, Width: s.HeightMM / 1000}})
			}
			for i := range 15 {
				u := float64(i) / 14
				m.Camber = append(m.Camber, Point{u * m.Length(), 4 * c.CamberMM / 1000 * u * (1 - u) * (1 + c.Skew*(u-0.5))})
			}
			m.Wood = Wood{Density: measure.Of(1000, 0), YoungsModulus: measure.Of(c.Young, 0)}
			b, err := m.StringUp(c.Hair, c.Force)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "hair", b.HairMM.X, c.Want.HairMM, 1e-6)
			near(t, "gap", b.GapMM.X, c.Want.GapMM, 1e-4) // SciPy's on a grid of 0.2 mm
			near(t, "tilt", b.TiltDeg.X, c.Want.Tilt, 1e-5)
			for i, p := range c.Want.Pressed {
				near(t, "deflection", b.Pressed[i].DeflectionMM.X, p.DeflectionMM, 1e-4)
				near(t, "tension", b.Pressed[i].TensionN.X, p.Tension, 1e-4)
				if d := b.TiltDeg.X + b.Pressed[i].TiltDeg.X - p.Tilt; math.Abs(d) > 1e-4 {
					t.Errorf("tilt under the press: %g deg off", d)
				}
			}
		})
	}
}

// An even column with hinged ends buckles at pi^2 EI/L^2 (Timoshenko & Gere,
// ch. 2, from memory).
func TestBuckling(t *testing.T) {
	ei := 22e9 * math.Pi / 64 * math.Pow(0.007, 4)
	s := taper(0.7, 0.007, 0.007, Round)
	near(t, "buckling", newColumn(s, 22e9, bar.HeightPlane).buckling(), math.Pi*math.Pi*ei/0.49, 1e-5)
	s.Stations[0].Width, s.Stations[1].Width = 0.0063, 0.0063
	s.Stations[0].Shape, s.Stations[1].Shape = Oval, Oval
	near(t, "sideways", newColumn(s, 22e9, bar.WidthPlane).buckling(), math.Pi*math.Pi*ei*cube(0.9)/0.49, 1e-5)
}
