package grading

import (
	"math"
	"strings"
	"testing"

	"ringstock/spectrum/measure"
)

func TestParseCell(t *testing.T) {
	for _, c := range []struct {
		column, typed string
		x             float64
		wrong         string // part of the error; empty if it can be read
	}{
		{"height_mm", "14.05", 14.05, ""},
		{"height_mm", " 14,05 mm", 14.05, ""},
		{"mass_g", "+189.2 g", 189.2, ""},
		{"moisture_pct", "8,5%", 8.5, ""},
		{"price", "120", 120, ""},
		{"length_mm", "", 0, ""},
		{"length_mm", "~750", 750, ""},
		{"length_mm", "ca. 750 mm", 750, ""},
		{"length_mm", "75,0 cm", 750, ""},
		{"length_mm", "0.75 m", 750, ""},
		{"length_mm", "29.5 in", 749.3, ""},
		{"length_mm", "1.050", 1050, ""}, // as 1.05 mm it would be no blank
		{"length_mm", "750.000", 750, ""},
		{"height_mm", "14.050", 14.05, ""},
		{"mass_g", "151.250", 151.25, ""},
		{"mass_g", "1'151.5", 1151.5, ""},
		{"mass_g", "1.151,5", 1151.5, ""},
		{"mass_g", "1 151,5 g", 1151.5, ""},
		{"mass_g", "5.35 oz", 151.669949, ""},
		{"mass_g", "0,1518 kg", 151.8, ""},
		{"temperature_c", "68 °F", 20, ""},
		{"temperature_c", "-3,5 °C", -3.5, ""},
		{"height_u_mm", "0,02", 0.02, ""},
		{"price", "1.250,50", 1250.5, ""},
		{"price", "1.250", 0, "can mean 1.25 or 1250"},
		{"mass_g", "151 mm", 0, "can't be read as a unit here; write it in g"},
		{"height_mm", "14.1 ± 0.1", 0, "write the number alone"},
		{"height_mm", "14.1/14.2", 0, "of several readings their mean"},
		{"height_mm", "14.1-14.2", 0, "of several readings their mean"},
		{"height_mm", "14. Jan", 0, "can't be read as a unit"},
		{"height_mm", "14.05.1", 0, "not a number"},
		{"height_mm", "1,405,0", 0, "not a number"},
		{"height_mm", "NaN", 0, "not a number"},
		{"height_mm", "0x10", 0, "not a number"},
		{"height_mm", "1e999", 0, "not a number"},
		{"height_mm", strings.Repeat("1", 400), 0, "not a number"},
		{"height_u_mm", "-1", 0, "uncertainty of -1"},
		{"height_mm", "-3", 0, "outside"},
		{"price", "-3", 0, "below 0"},
		{"file", "a.wav", 0, "no field"},
		{"../x", "1", 0, "no field"},
	} {
		got, err := ParseCell(c.column, c.typed)
		if c.wrong != "" {
			if err == nil || !strings.Contains(err.Error(), c.wrong) {
				t.Errorf("%s %q: error %v, want %q", c.column, c.typed, err, c.wrong)
			}
			continue
		}
		if err != nil || math.Abs(got.Number-c.x) > 1e-6 {
			t.Errorf("%s %q: %v, %v, want %v", c.column, c.typed, got.Number, err, c.x)
		}
	}
}

func TestDoubt(t *testing.T) {
	row := newRow("A1", nil)
	row.LengthMM, row.HeightMM, row.WidthMM = measure.Of(750, .5), measure.Of(14, .05), measure.Of(14, .05)
	for _, c := range []struct {
		column, typed, want string
	}{
		{"mass_g", "154", ""},         // 1048 kg/m³
		{"mass_g", "420", "density"},  // 2857 kg/m³: no wood
		{"mass_g", "15.4", "unusual"}, // the point slipped
		{"height_mm", "140", "unusual"},
		{"species", "anything", ""},
	} {
		cell, err := ParseCell(c.column, c.typed)
		if err != nil {
			t.Fatal(err)
		}
		if got := cell.Doubt(row); c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s %s: %q, want %q", c.column, c.typed, got, c.want)
		}
	}
}

// What is put is read back, whatever the decimal sign of the table.
func TestPut(t *testing.T) {
	for _, text := range []string{"", "blank,height_mm\nA1,\n", "blank;height_mm\nA1;\n"} {
		a, err := Amend([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		cell, err := ParseCell("height_mm", "14,05")
		if err != nil {
			t.Fatal(err)
		}
		a.Put("A1", cell)
		d, err := parseTable(a.Text())
		if err != nil || len(d.Rows) != 1 || d.Rows[0].HeightMM.X != 14.05 {
			t.Errorf("from %q: %+v, %v", text, d, err)
		}
	}
}
