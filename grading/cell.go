package grading

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Cell is what somebody entered for one column of one blank, in a table or by hand.
type Cell struct {
	Column string
	Text   string
	Number float64 // of a column that holds numbers, in its unit, unless Text is empty
	Note   string  // how the text was read, where it could have been meant otherwise; else empty
	number bool
}

// HasNumber tells whether the cell holds a number.
func (c Cell) HasNumber() bool { return c.number }

// ParseCell reads and checks one entry of one column: decimals after a comma or a point,
// perhaps with a unit, perhaps marked as rough (~750). Every entry goes through it,
// whether it comes from a table, a page, a key or a flag. Empty text takes an entry back.
// What the column can't hold, or what has two meanings, is an error that says what to do.
func ParseCell(column, typed string) (Cell, error) {
	// A control character would make the whole table unreadable.
	typed = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(typed, " "))
	c := Cell{Column: column, Text: strings.Join(strings.Fields(typed), " ")}
	r, isNumber := rangeOf(column)
	switch {
	case words[column] != nil:
		return c, nil
	case column == "shape":
		return c.asShape()
	case !isNumber:
		return c, fmt.Errorf("there is no field %q", column)
	case c.Text == "":
		return c, nil
	}
	text := c.Text
	q, err := parseQuantity(text, r)
	if err != nil {
		return c, err
	}
	if !(q.x >= r.low && q.x <= r.high) {
		if strings.HasSuffix(column, "_u_mm") || strings.HasPrefix(column, "mass_u") || strings.HasPrefix(column, "moisture_u") {
			return c, fmt.Errorf("an uncertainty of %g: give 0 or more, or leave it empty", q.x)
		}
		if column == "price" && q.x < 0 {
			return c, fmt.Errorf("%g is below 0", q.x)
		}
		return c, fmt.Errorf("%s is outside %s: check the value and its unit", unitText(q.x, r.unit), unitText(r.low, "")+" to "+unitText(r.high, r.unit))
	}
	c.Number, c.number, c.Note = q.x, true, q.note
	return c, nil
}

func unitText(x float64, unit string) string {
	return strings.TrimSpace(strconv.FormatFloat(x, 'f', -1, 64) + " " + unit)
}

// columnRange is what a column of numbers may hold, and what it usually holds.
type columnRange struct {
	unit      string
	low, high float64
	usual     [2]float64 // nothing usual is known where both are 0
}

func rangeOf(column string) (r columnRange, ok bool) {
	for _, q := range readings {
		switch column {
		case q.column:
			return columnRange{q.unit, q.min, q.max, usual[column]}, true
		case q.uColumn:
			return columnRange{q.unit, 0, q.max, [2]float64{}}, true
		}
	}
	return columnRange{low: 0, high: 1e9}, column == "price"
}

var shapes = []wood.Shape{wood.Rectangular, wood.Octagonal, wood.Round}

func (c Cell) asShape() (Cell, error) {
	c.Text = strings.ToLower(c.Text)
	if c.Text == "" || slices.Contains(shapes, wood.Shape(c.Text)) {
		return c, nil
	}
	if like := Nearest(c.Text, []string{"rectangular", "octagonal", "round"}); like != "" {
		return c, fmt.Errorf("%q is not known: did you mean %s?", c.Text, like)
	}
	return c, fmt.Errorf("%q is not known: write rectangular, octagonal or round", c.Text)
}

// units are the units that a number may carry, by the unit of its column: x in the given
// unit is factor x + offset in the column's.
var units = map[string]map[string]struct{ factor, offset float64 }{
	"mm": {"mm": {1, 0}, "cm": {10, 0}, "m": {1000, 0}, "in": {25.4, 0}, "inch": {25.4, 0}, "inches": {25.4, 0}, "\"": {25.4, 0}, "″": {25.4, 0}, "zoll": {25.4, 0}, "pouces": {25.4, 0}, "pulgadas": {25.4, 0}, "pollici": {25.4, 0}},
	"g":  {"g": {1, 0}, "gr": {1, 0}, "gram": {1, 0}, "grams": {1, 0}, "gramm": {1, 0}, "grammes": {1, 0}, "grammi": {1, 0}, "gramos": {1, 0}, "kg": {1000, 0}, "oz": {28.349523125, 0}, "lb": {453.59237, 0}, "lbs": {453.59237, 0}},
	"%":  {"%": {1, 0}, "pct": {1, 0}, "percent": {1, 0}, "% rh": {1, 0}, "%rh": {1, 0}},
	"°C": {"°c": {1, 0}, "c": {1, 0}, "celsius": {1, 0}, "º c": {1, 0}, "ºc": {1, 0}, "° c": {1, 0}, "°f": {5.0 / 9, -160.0 / 9}, "f": {5.0 / 9, -160.0 / 9}, "° f": {5.0 / 9, -160.0 / 9}, "fahrenheit": {5.0 / 9, -160.0 / 9}},
}

// quantity is a number as it was meant.
type quantity struct {
	x    float64
	note string
}

var (
	quantityForm = regexp.MustCompile(`^(~|≈|ca\.?|c\.|circa|about)? ?([+-]?)([0-9][0-9.,' \x{00a0}\x{2009}\x{202f}’]*)([eE][+-]?[0-9]{1,2})?(.*)$`)
	plainForm    = regexp.MustCompile(`^[0-9]{1,15}$`)
	onePointForm = regexp.MustCompile(`^[0-9]{1,15}[.,][0-9]{0,15}$`)
	oneGroupForm = regexp.MustCompile(`^[1-9][0-9]{0,2}[.,][0-9]{3}$`)
	groupsForm   = regexp.MustCompile(`^[0-9]{1,3}(?:(\.[0-9]{3})+(,[0-9]*)?|(,[0-9]{3})+(\.[0-9]*)?|(['’ \x{00a0}\x{2009}\x{202f}][0-9]{3})+([.,][0-9]*)?)$`)
)

// parseQuantity reads a number with what people and devices put round it. Where the marks
// in it have two meanings it takes the one that the column can hold.
func parseQuantity(text string, r columnRange) (quantity, error) {
	none := func(format string, a ...any) (quantity, error) {
		return quantity{}, fmt.Errorf("%q is not a number: "+format, append([]any{text}, a...)...)
	}
	m := quantityForm.FindStringSubmatch(text)
	if m == nil || len(text) > 60 {
		return none("write it like 14.05 or 14,05")
	}
	rough, sign, digits, exponent, rest := m[1], m[2], strings.TrimSpace(m[3]), m[4], strings.ToLower(strings.TrimSpace(m[5]))
	unit, note := struct{ factor, offset float64 }{1, 0}, ""
	if rest != "" {
		known := units[r.unit]
		u, ok := known[rest]
		switch {
		case strings.ContainsAny(rest, "±+"):
			return none("write the number alone; its uncertainty has a column of its own")
		case strings.ContainsAny(rest, "/;") || strings.HasPrefix(rest, "-"):
			return none("write one number; of several readings their mean")
		case !ok && known != nil:
			return none("%s can't be read as a unit here; write it in %s", strconv.Quote(rest), r.unit)
		case !ok:
			return none("write the number alone, without %s", strconv.Quote(rest))
		}
		unit = u
	}
	var x float64
	switch {
	case plainForm.MatchString(digits):
		x = parsed(digits + exponent)
	case oneGroupForm.MatchString(digits) && exponent == "":
		// 1.250 may be one and a quarter or one thousand two hundred and fifty.
		point := parsed(strings.Replace(digits, ",", ".", 1))
		thousands := parsed(strings.NewReplacer(".", "", ",", "").Replace(digits))
		fits := func(x float64) (can, usually bool) {
			x = unit.factor*x + unit.offset
			return x >= r.low && x <= r.high, x >= r.usual[0] && x <= r.usual[1]
		}
		pointCan, pointUsual := fits(point)
		thousandsCan, thousandsUsual := fits(thousands)
		switch {
		case r.usual == [2]float64{} && r.unit == "" && pointCan && thousandsCan: // prices
			return quantity{}, fmt.Errorf("%q can mean %g or %g: write it without a mark for thousands, with two decimals or none", text, point, thousands)
		case thousandsCan && (!pointCan || thousandsUsual && !pointUsual):
			x, note = thousands, fmt.Sprintf("was read as %g", thousands)
		default:
			x = point
		}
	case onePointForm.MatchString(digits):
		x = parsed(strings.Replace(digits, ",", ".", 1) + exponent)
	case groupsForm.MatchString(digits) && exponent == "":
		whole, decimals := digits, ""
		if at := strings.LastIndexAny(digits, ".,"); at >= 0 && strings.Count(digits, digits[at:at+1]) == 1 && strings.ContainsAny(digits[:at], ".,'’ \u00a0\u2009\u202f") {
			whole, decimals = digits[:at], "."+digits[at+1:]
		}
		x = parsed(strings.NewReplacer(".", "", ",", "", "'", "", "’", "", " ", "", "\u00a0", "", "\u2009", "", "\u202f", "").Replace(whole) + decimals)
		note = fmt.Sprintf("was read as %s", strconv.FormatFloat(x, 'f', -1, 64))
	case strings.ContainsAny(digits, " \u00a0"):
		return none("write one number; of several readings their mean")
	default:
		return none("write it like 14.05 or 14,05")
	}
	if math.IsNaN(x) {
		return none("write it like 14.05 or 14,05")
	}
	if sign == "-" {
		x = -x
	}
	if unit.factor != 1 || unit.offset != 0 {
		x = unit.factor*x + unit.offset
		x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64) // no dust of the conversion
		note = fmt.Sprintf("was read as %s", unitText(x, r.unit))
	}
	if rough != "" {
		note = fmt.Sprintf("was read as %s; give its uncertainty if it is rough", unitText(x, r.unit))
	}
	return quantity{x, note}, nil
}

// parsed is a number in Go's own notation; NaN if it is none, or greater than any.
func parsed(text string) float64 {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// ParseNumber reads a number as ParseCell does, for what no column of a delivery holds:
// unit is mm, g, %, °C or empty, and the number must lie between low and high.
func ParseNumber(typed, unit string, low, high float64) (float64, error) {
	q, err := parseQuantity(strings.Join(strings.Fields(typed), " "), columnRange{unit: unit, low: low, high: high})
	if err != nil {
		return 0, err
	}
	if !(q.x >= low && q.x <= high) {
		return 0, fmt.Errorf("%s is outside %s", unitText(q.x, unit), unitText(low, "")+" to "+unitText(high, unit))
	}
	return q.x, nil
}

// usual are the values of blanks for bows; beyond them a slip is likelier than such a
// blank (common practice, no source).
var usual = map[string][2]float64{
	"length_mm": {400, 1200}, "height_mm": {6, 60}, "width_mm": {6, 60}, "mass_g": {30, 1500},
	"moisture_pct": {3, 25}, "temperature_c": {-5, 45}, "humidity_pct": {10, 95},
}

// Doubt says why the entry can hardly be right for a blank; empty if nothing speaks
// against it.
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
		meant := ""
		for _, factor := range []float64{10, 0.1, 100, 0.01, 25.4} { // a point in the wrong place, inches
			if x := c.Number * factor; x >= w[0] && x <= w[1] {
				meant = fmt.Sprintf(" Or %s?", strconv.FormatFloat(x, 'g', 6, 64))
				break
			}
		}
		return fmt.Sprintf("a %s of %g %s is unusual (%g to %g %s): is it right?%s", q.name, c.Number, q.unit, w[0], w[1], q.unit, meant)
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

// blankLimit is the length of a blank's number in characters: more is a slip, or a
// file that is no table.
const blankLimit = 60

// ParseBlank reads and checks the number of a blank, which may be any word: without
// control characters, and not endless. It is the same wherever one is typed.
func ParseBlank(typed string) (string, error) {
	name := strings.TrimSpace(typed)
	switch {
	case name == "":
		return "", errors.New("the blank has no number: give one, like A17")
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "", fmt.Errorf("the number %q holds a character that can't be printed: type it anew", name)
	case utf8.RuneCountInString(name) > blankLimit:
		return "", fmt.Errorf("the number has %d characters, the longest may have %d: is it a blank's number?", utf8.RuneCountInString(name), blankLimit)
	}
	return name, nil
}

// Put enters the cell for a blank.
func (a *Amended) Put(blank string, c Cell) {
	if c.number {
		a.SetNumber(blank, c.Column, c.Number)
		return
	}
	a.Set(blank, c.Column, c.Text)
}
