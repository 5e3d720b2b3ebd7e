// Package wood gets from notes and readings to wood values: density, specific
// modulus, Young's modulus, sound speed and what follows from them.
package wood

import (
	"ringstock/capture"
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
	PlaneDifference     measure.Value `json:"plane_difference_pct"`

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

// Implausible is the code of a warning that inputs contradict each other or physics:
// a blank that carries one is judged "maybe" at best.
const Implausible = "implausible"

// Evaluate gets from readings and rings to wood values. Any ring may be nil: side
// are taps on the face whose depth is HeightMM, width those on the other face, end
// those on the end grain. The species, as the maker writes it, only serves the
// plausibility check and may be empty. What can't be computed is an unknown value, and
// its reason is among the returned reasons, each once.
func Evaluate(r Readings, species string, side, width, end *spectrum.Ring) (Values, []string, []capture.Warning) {
	var v Values
	return v, nil, nil
}
