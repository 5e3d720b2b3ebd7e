package wood

import (
	"math"
	"testing"

	"ringstock/spectrum/measure"
)

// Wood Handbook, FPL-GTR-190, Table 4-2: moisture in % at equilibrium, from memory and
// confirmed by the handbook's equation 4-5, which the table was computed
// with. Printed to 0.1.
func TestEquilibriumMoisture(t *testing.T) {
	rh := []float64{5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95}
	for _, row := range []struct {
		celsius float64
		percent []float64
	}{
		{-1.1, []float64{1.4, 2.6, 3.7, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5, 10.4, 11.3, 12.4, 13.5, 14.9, 16.5, 18.5, 21.0, 24.3}},
		{10, []float64{1.4, 2.6, 3.6, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5, 10.3, 11.2, 12.3, 13.4, 14.8, 16.4, 18.4, 20.9, 24.3}},
		{21.1, []float64{1.3, 2.5, 3.5, 4.5, 5.4, 6.2, 6.9, 7.7, 8.5, 9.2, 10.1, 11.0, 12.0, 13.1, 14.4, 16.0, 17.9, 20.5, 23.9}},
		{26.7, []float64{1.3, 2.4, 3.5, 4.4, 5.3, 6.1, 6.8, 7.6, 8.3, 9.1, 9.9, 10.8, 11.7, 12.9, 14.2, 15.7, 17.7, 20.2, 23.6}},
		{37.8, []float64{1.2, 2.3, 3.3, 4.2, 5.0, 5.8, 6.5, 7.2, 7.9, 8.7, 9.5, 10.3, 11.2, 12.3, 13.6, 15.1, 17.0, 19.5, 22.9}},
	} {
		for i, want := range row.percent {
			if got := EquilibriumMoisture(row.celsius, rh[i]); math.Abs(got-want) > 0.06 {
				t.Errorf("%g deg C, %g %%: %.2f, table says %.1f", row.celsius, rh[i], got, want)
			}
		}
	}
}

// The property-moisture equation, P = P12 (P12/Pg)^((12-M)/(Mp-12)), Mp = 25 and P12/Pg =
// 1.25: P/P12 at M (Wood Handbook eq. 5-3; from memory).
func TestModulusAt12(t *testing.T) {
	for m, ratio := range map[float64]float64{4: 1.1472, 6: 1.1085, 8: 1.0711, 10: 1.0349, 14: 0.9663, 16: 0.9336, 20: 0.8717} {
		got := at12(measure.Of(22*ratio, 0), measure.Of(m, 0), measure.Value{}, ofModulus)
		if math.Abs(got.X/22-1) > 5e-4 {
			t.Errorf("E at 12 %% from %g %%: %.3f, want 22", m, got.X)
		}
		if got.U == 0 && m != 12 {
			t.Errorf("correction from %g %% costs no certainty", m)
		}
	}
	// Table 5-15 at 12 %: E at +50 deg C is 7 % under that at 20 deg C, at -50
	// deg C 17 % over it.
	for celsius, e := range map[float64]float64{50: 0.93, -50: 1.17} {
		if got := at12(measure.Of(e, 0), measure.Of(12, 0), measure.Of(celsius, 0), ofModulus); math.Abs(got.X-1) > 0.01 {
			t.Errorf("E at 20 deg C from %g: %.3f, want 1.00", celsius, got.X)
		}
	}
	// What is not known of the moisture moves E by its slope, beside all
	// else that is not known.
	sure, unsure := at12(measure.Of(20, 0.1), measure.Of(8, 0), measure.Value{}, ofModulus), at12(measure.Of(20, 0.1), measure.Of(8, 1.5), measure.Value{}, ofModulus)
	if got, want := math.Sqrt(unsure.U*unsure.U-sure.U*sure.U), 1.5*0.0172*sure.X; math.Abs(got/want-1) > 0.01 {
		t.Errorf("1.5 %% of moisture is %.3f of E's uncertainty, want %.3f", got, want)
	}
	// Density at a fixed dry mass and volume moves 0.89 % per %, swelling
	// takes some of it back.
	rho := at12(measure.Of(1000, 1), measure.Of(8, 1), measure.Value{}, ofDensity)
	if rho.X < 1010 || rho.X > 1036 {
		t.Errorf("density at 12 %% from 1000 at 8 %%: %.0f", rho.X)
	}
	// E/rho falls 1.6 to 2.9 % per % (the two together).
	c := ofModulus.plus(ofDensity, -1)
	if c.moisture > -0.016 || c.moisture < -0.029 {
		t.Errorf("E/rho moves %.4f per %%", c.moisture)
	}
}

func TestMoistureReading(t *testing.T) {
	v := func(x float64) measure.Value { return measure.Of(x, 0) }
	m, estimated := Readings{MoisturePct: measure.Of(9, 1), TemperatureC: v(20), HumidityPct: v(65)}.moisture()
	if m.X != 9 || estimated {
		t.Errorf("measured moisture is %v, estimated %v", m, estimated)
	}
	m, estimated = Readings{TemperatureC: v(20), HumidityPct: v(65)}.moisture()
	if math.Abs(m.X-11.9963) > 1e-3 || !estimated || m.U < 1 {
		t.Errorf("estimated moisture is %+v, estimated %v", m, estimated)
	}
	for name, r := range map[string]Readings{
		"nothing": {}, "no humidity": {TemperatureC: v(20)}, "no temperature": {HumidityPct: v(50)},
		"steam": {TemperatureC: v(120), HumidityPct: v(50)}, "soaked": {TemperatureC: v(20), HumidityPct: v(100)},
	} {
		if m, _ := r.moisture(); m.Known() || m.Why == "" {
			t.Errorf("%s: moisture %+v", name, m)
		}
	}
	if x := at12(measure.Of(1, 0.1), v(30), measure.Value{}, ofModulus); x.Known() {
		t.Error("corrected from 30 % moisture, where the equation does not hold")
	}
}
