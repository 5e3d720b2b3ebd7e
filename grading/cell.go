package grading

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Cell is what somebody typed for one column of a delivery.
type Cell struct {
	Column string
	Text   string
	Number float64 // of a column that holds numbers, unless Text is empty
	number bool
}

// ParseCell reads what was typed by hand, or by callipers or scales that type: decimals after a
// comma or a point, perhaps with the unit. Empty text takes an entry back. What the column can't
// hold is an error.
func ParseCell(column, typed string) (Cell, error) {
	c := Cell{Column: column, Text: strings.Join(strings.Fields(typed), " ")}
	i := slices.IndexFunc(readings, func(q reading) bool { return q.column == column })
	switch {
	case words[column] != nil:
		return c, nil
	case i < 0 && column != "price":
		return c, fmt.Errorf("there is no field %q", column)
	case c.Text == "":
		return c, nil
	}
	low, high, unit := 0.0, 1e9, ""
	if i >= 0 {
		low, high, unit = readings[i].min, readings[i].max, readings[i].unit
	}
	bare := strings.TrimSpace(strings.TrimSuffix(c.Text, unit))
	x, err := strconv.ParseFloat(strings.Replace(bare, ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || strings.ContainsAny(bare, "xX_pP") {
		return c, fmt.Errorf("%q is no number: write it like 14.05 or 14,05", c.Text)
	}
	if x < low || x > high {
		return c, fmt.Errorf("%g %s is outside %g to %g %s: check the value and its unit", x, unit, low, high, unit)
	}
	c.Number, c.number = x, true
	return c, nil
}

// usual are the values of blanks for bows; beyond them a slip is likelier than such a blank
// (common practice, no source).
var usual = map[string][2]float64{
	"length_mm": {400, 1200}, "height_mm": {6, 60}, "width_mm": {6, 60}, "mass_g": {30, 1500},
	"moisture_pct": {3, 25}, "temperature_c": {-5, 45}, "humidity_pct": {10, 95},
}

// Doubt says why the entry can hardly be right for a blank; empty if nothing speaks against it.
func (c Cell) Doubt(r Row) string {
	if !c.number {
		return ""
	}
	i := slices.IndexFunc(readings, func(q reading) bool { return q.column == c.Column })
	if i < 0 {
		return ""
	}
	q := readings[i]
	if w, ok := usual[c.Column]; ok && (c.Number < w[0] || c.Number > w[1]) {
		return fmt.Sprintf("a %s of %g %s is unusual (%g to %g %s): is it right?", q.name, c.Number, q.unit, w[0], w[1], q.unit)
	}
	before, _, already := wood.Evaluate(r.Readings, r.Species, nil, nil, nil)
	*q.of(&r) = measure.Of(c.Number, q.u)
	after, _, doubts := wood.Evaluate(r.Readings, r.Species, nil, nil, nil)
	if before.Density.Known() && len(already) > 0 || !after.Density.Known() {
		return ""
	}
	for _, d := range doubts {
		if d.Code == wood.Implausible {
			return d.Text
		}
	}
	return ""
}

// Put enters the cell for a blank.
func (a *Amended) Put(blank string, c Cell) {
	if c.number {
		a.SetNumber(blank, c.Column, c.Number)
		return
	}
	a.Set(blank, c.Column, c.Text)
}
