package measure

import "testing"

// The rule is that of JCGM 100:2008, 7.2.6; which of its one or two digits is ours to
// choose.
func TestText(t *testing.T) {
	for _, c := range []struct {
		v          Value
		unit, want string
	}{
		{Of(231.4, 6.2), "", "231 ± 6"},
		{Of(96.23, 0.81), "%", "96.2 ± 0.8 %"},
		{Of(100.02147, 0.00036), "g", "100.0215 ± 0.0004 g"},
		{Of(131.4213, 0.0021), "Hz", "131.4213 ± 0.0021 Hz"},
		{Of(1088.4, 14.6), "kg/m³", "1088 ± 15 kg/m³"},
		{Of(1088.4, 146), "kg/m³", "1090 ± 150 kg/m³"},
		{Of(0.95, 0.296), "", "0.9 ± 0.3"},
		{Of(0.95, 0.294), "", "0.95 ± 0.29"},
		{Of(-0.001, 0.5), "cents", "0.0 ± 0.5 cents"},
		{Of(-3.2, 0.5), "cents", "-3.2 ± 0.5 cents"},
		{Of(0, 0), "", "0"},
		{Of(750, 0), "mm", "750 mm"},
		{Unknown("mass_g is empty"), "g", "not known: mass_g is empty"},
		{Value{}, "g", "not known"},
	} {
		if got := c.v.Text(c.unit); got != c.want {
			t.Errorf("%v: %q, want %q", c.v, got, c.want)
		}
	}
}
