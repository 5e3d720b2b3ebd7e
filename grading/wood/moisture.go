package wood

import (
	"math"

	"ringstock/spectrum/measure"
)

// EquilibriumMoisture is the moisture content in % that wood takes on in air of
// temperature t in deg C and relative humidity rh in %: Wood Handbook, FPL-GTR-190
// (2010), eq. 4-5 with the coefficients for deg C. It is an average of species without
// sorption hysteresis; dense woods rich in extractives, as most bow woods are, sit lower.
func EquilibriumMoisture(t, rh float64) float64 {
	h := rh / 100
	w := 349 + 1.29*t + 0.0135*t*t
	k := 0.805 + 0.000736*t - 0.00000273*t*t
	k1 := 6.27 - 0.00938*t - 0.000303*t*t
	k2 := 1.91 + 0.0407*t - 0.000293*t*t
	kh := k * h
	return 1800 / w * (kh/(1-kh) + (k1*kh+2*k1*k2*kh*kh)/(1+k1*kh+k1*k2*kh*kh))
}

// estimatedMoistureU is the standard uncertainty of a moisture content that was estimated
// from the air, in % moisture (from memory).
const estimatedMoistureU = 1.5

// moisture is the moisture content in %, measured or else estimated from the air.
func (r Readings) moisture() (m measure.Value, estimated bool) {
	if r.MoisturePct.Known() {
		return r.MoisturePct, false
	}
	t, h := r.TemperatureC, r.HumidityPct
	switch {
	case !t.Known() && !h.Known():
		return measure.Unknown("moisture is not known: enter moisture_pct, or humidity_pct and temperature_c of the air where the wood lay"), false
	case !t.Known():
		return measure.Unknown("moisture is not known: humidity_pct is there, temperature_c is missing"), false
	case !h.Known():
		return measure.Unknown("moisture is not known: temperature_c is there, humidity_pct is missing"), false
	case h.X < 0 || h.X > 98 || t.X < -10 || t.X > 60:
		return measure.Unknown("moisture is not known: the equation for it holds from -10 to 60 °C and up to 98 % humidity"), true
	}
	return measure.Of(EquilibriumMoisture(t.X, h.X), estimatedMoistureU), true
}

// change is how ln of a property moves per % moisture and per kelvin, with the standard
// uncertainties of these two numbers.
type change struct{ moisture, moistureU, kelvin, kelvinU float64 }

// The changes near 12 % and 20 deg C.
//
// E follows P = P12 (P12/Pg)^((12-M)/(Mp-12)) with Mp = 25 and P12/Pg = 1.25 +- 0.07
// (Wood Handbook, FPL-GTR-190, eq. 5-3; from memory), that is -1.72 +- 0.43 % per %; G as
// E, less surely. Density at a fixed mass of dry wood gains 1/(100+M) per % and loses
// 0.35 +- 0.15 % to swelling (assumed). Damping moves three times as fast as E/rho
// (Brémaud & Gril 2020, abstract). E loses 0.22 +- 0.03 % per K (Wood Handbook, table
// 5-15); G perhaps 0.3 (from memory).
var (
	ofModulus = change{-0.0172, 0.0043, -0.0022, 0.0003}
	ofShear   = change{-0.0172, 0.006, -0.003, 0.0015}
	ofDensity = change{1.0/112 - 0.0035, 0.0015, 0, 0}
	ofDamping = change{3 * (0.0172 + 1.0/112 - 0.0035), 0.03, 0, 0.002}
)

// plus is the change of a product in which o has the given power. The slopes' errors are
// taken as independent.
func (c change) plus(o change, power float64) change {
	return change{
		c.moisture + power*o.moisture, math.Hypot(c.moistureU, power*o.moistureU),
		c.kelvin + power*o.kelvin, math.Hypot(c.kelvinU, power*o.kelvinU),
	}
}

// at12 corrects a value from moisture m to 12 % and, where the temperature is
// known, to 20 deg C.
func at12(v, m, celsius measure.Value, c change) measure.Value {
	switch {
	case !v.Known():
		return measure.Unknown(v.Why)
	case !m.Known():
		return measure.Unknown(m.Why)
	case m.X < 4 || m.X > 22:
		return measure.Unknown("moisture is outside 4 to 22 %, where the correction to 12 % holds")
	}
	dm := 12 - m.X
	ln := c.moisture * dm
	parts := []measure.Part{
		{Name: "moisture", U: c.moisture * m.U},
		{Name: "correction to 12 %", U: c.moistureU * dm},
	}
	if celsius.Known() {
		dt := 20 - celsius.X
		ln += c.kelvin * dt
		parts = append(parts, measure.Part{Name: "correction to 20 °C", U: c.kelvinU * dt})
	}
	x := v.X * math.Exp(ln)
	for i := range parts {
		parts[i].U *= x
	}
	before := v.Scale(x / v.X)
	if len(before.Budget) == 0 {
		before.Budget = []measure.Part{{Name: "as measured", U: before.U}}
	}
	return measure.FromParts(x, append(parts, before.Budget...))
}
