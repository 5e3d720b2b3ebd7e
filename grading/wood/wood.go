// Package wood gets from notes and readings to wood values: density, specific
// modulus, Young's modulus, sound speed and what follows from them.
package wood

import (
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Shape is the section of a blank.
type Shape string

// The sections a delivery may name.
const (
	Rectangular Shape = "rectangular"
	Octagonal   Shape = "octagonal"
	Round       Shape = "round"
)

// Readings is what was measured on a blank. An unknown Value was not measured.
// For a tapered bar height and width are those of the thick end.
type Readings struct {
	LengthMM     measure.Value `json:"length_mm" u:"length_u_mm"`
	HeightMM     measure.Value `json:"height_mm" u:"height_u_mm"`
	WidthMM      measure.Value `json:"width_mm" u:"width_u_mm"`
	HeadLengthMM measure.Value `json:"head_length_mm" u:"-"`
	HeadHeightMM measure.Value `json:"head_height_mm" u:"-"`
	TipHeightMM  measure.Value `json:"tip_height_mm" u:"-"`
	TipWidthMM   measure.Value `json:"tip_width_mm" u:"-"`
	Shape        Shape         `json:"shape"`
	MassG        measure.Value `json:"mass_g" u:"mass_u_g"`
	MoisturePct  measure.Value `json:"moisture_pct" u:"moisture_u_pct"`
	TemperatureC measure.Value `json:"temperature_c" u:"-"`
	HumidityPct  measure.Value `json:"humidity_pct" u:"-"`
}

// Values are the wood values of one blank, as measured; the fields that end in 12
// are the same at 12 % moisture.
type Values struct {
	Density             measure.Value `json:"density_kg_m3"`
	SpecificModulus     measure.Value `json:"specific_modulus_mj_kg"` // E/rho along the grain, 1 MJ/kg = 1e6 m2/s2
	SpecificModulusFrom string        `json:"specific_modulus_from"`  // "longitudinal" or "bending"
	YoungsModulus       measure.Value `json:"youngs_modulus_gpa"`
	ShearModulus        measure.Value `json:"shear_modulus_gpa"`
	SoundSpeed          measure.Value `json:"sound_speed_m_s"`
	Impedance           measure.Value `json:"impedance_mrayl"`
	LossTangent         measure.Value `json:"loss_tangent"`
	Radiation           measure.Value `json:"radiation_m4_kg_s"`
	PlaneDifference     measure.Value `json:"plane_difference_pct"` // E in the height plane over E in the width plane, less 1

	SpecificModulusHeight measure.Value `json:"specific_modulus_height_mj_kg"` // by bending in the height plane alone
	SpecificModulusWidth  measure.Value `json:"specific_modulus_width_mj_kg"`
	Modes                 []Mode        `json:"modes"`        // partials taken for modes of the bar
	HoldAtMM              []float64     `json:"hold_at_mm"`   // nodes of the fundamental, from the butt
	MeasureNext           string        `json:"measure_next"` // the measurement that would tell most
	Spot                  *Spot         `json:"spot"`         // something at one place along the blank; null if its modes tell of none
	Assumptions           []string      `json:"assumptions"`  // what went in without being measured

	MoistureUsed measure.Value `json:"moisture_used_pct"` // measured, or estimated from the air

	Density12         measure.Value `json:"density_kg_m3_12"`
	SpecificModulus12 measure.Value `json:"specific_modulus_mj_kg_12"`
	YoungsModulus12   measure.Value `json:"youngs_modulus_gpa_12"`
	ShearModulus12    measure.Value `json:"shear_modulus_gpa_12"`
	SoundSpeed12      measure.Value `json:"sound_speed_m_s_12"`
	Impedance12       measure.Value `json:"impedance_mrayl_12"`
	LossTangent12     measure.Value `json:"loss_tangent_12"`
	Radiation12       measure.Value `json:"radiation_m4_kg_s_12"`
}

func (r Readings) MarshalJSON() ([]byte, error)  { return measure.Marshal(r) }
func (r *Readings) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, r) }
func (v Values) MarshalJSON() ([]byte, error)    { return measure.Marshal(v) }
func (v *Values) UnmarshalJSON(b []byte) error   { return measure.Unmarshal(b, v) }

// Mode is a partial taken for a mode of the bar, with what the model makes of it.
type Mode struct {
	Taps        string          `json:"taps"` // "side", "width" or "end"
	Family      spectrum.Family `json:"family"`
	Order       int             `json:"order"`
	Hz          measure.Value   `json:"hz"`
	ModelHz     float64         `json:"model_hz"` // of the bar that fits all notes best
	ResidualPct float64         `json:"residual_pct"`
	// SpecificModulus by this mode alone, MJ/kg: where it differs between modes by more
	// than its uncertainty, something in the wood is local. Its uncertainty leaves out
	// what all modes share, the dimensions.
	SpecificModulus measure.Value `json:"specific_modulus_mj_kg"`
}

func (m Mode) MarshalJSON() ([]byte, error)  { return measure.Marshal(m) }
func (m *Mode) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, m) }
