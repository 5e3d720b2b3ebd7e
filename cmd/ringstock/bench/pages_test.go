package bench

import (
	"strconv"
	"strings"
	"testing"

	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

// TestCurvesShowTheRest: behind the masses of a drying stick lies where it comes to rest,
// below the last; a wide guess would only hide them.
func TestCurvesShowTheRest(t *testing.T) {
	var l stock.Life
	for i, day := range []stock.Date{"2026-01-01", "2026-03-01", "2026-06-01"} {
		l.Readings = append(l.Readings, stock.LifeReading{Reading: stock.Reading{ID: string(day), Date: day, Quantity: "mass_g", Value: []float64{155, 152, 150}[i], U: .1}})
	}
	for _, c := range []struct {
		left measure.Value
		says string
	}{{measure.Of(1, 0.2), "148.5 ± 0.3 g"}, {measure.Of(1, 3), ""}, {measure.Unknown("needs two weighings at least"), ""}} {
		l.Settled.Remaining = c.left
		list := curves(l)
		if len(list) != 1 {
			t.Fatalf("%d curves", len(list))
		}
		b := list[0].Band
		if (b != nil) != (c.says != "") {
			t.Errorf("%v: %+v", c.left, b)
		}
		if b == nil {
			continue
		}
		top, err := strconv.ParseFloat(b.Y, 64)
		last, err2 := strconv.ParseFloat(list[0].Dots[2].Y, 64)
		if err != nil || err2 != nil || top <= last || !strings.HasSuffix(b.Says, c.says) {
			t.Errorf("band %+v below %v", b, list[0].Dots[2])
		}
	}
}
