package report

import (
	"math"
	"strconv"
	"strings"

	"ringstock/spectrum/measure"
)

// A figure is a number ready for print: rounded to what its uncertainty lets one
// know, or the reason why there is none.
type figure struct {
	Known bool
	X     string // the number
	U     string // its standard uncertainty; empty for an exact number
	Unit  string
	Why   string
	Raw   string // unrounded, for sorting
}

func figureOf(v measure.Value, unit string) figure {
	if !v.Known() {
		why := v.Why
		if why == "" {
			why = "not known"
		}
		return figure{Why: why, Unit: unit}
	}
	f := figure{Known: true, Unit: unit, Raw: strconv.FormatFloat(v.X, 'g', 9, 64)}
	if v.U == 0 {
		f.X = signed(strconv.FormatFloat(v.X, 'g', 5, 64))
		if math.Abs(v.X) >= 1e4 && math.Abs(v.X) < 1e9 {
			f.X = signed(strconv.FormatFloat(v.X, 'f', 0, 64))
		}
		return f
	}
	f.X, f.U = rounded(v.X, v.U)
	return f
}

// String is the figure on one line.
func (f figure) String() string {
	if !f.Known {
		return "unknown: " + f.Why
	}
	s := f.X
	if f.U != "" {
		s += " ± " + f.U
	}
	if f.Unit != "" {
		s += " " + f.Unit
	}
	return s
}

// rounded writes x and u to the last digit that u lets one know: one digit of u,
// two where the first is a 1 or a 2. (GUM, JCGM 100:2008, 7.2.6: at most two.)
func rounded(x, u float64) (string, string) {
	place := int(math.Floor(math.Log10(u)))
	if u/math.Pow10(place) < 2.95 {
		place--
	}
	if place < -9 {
		place = -9
	}
	unit := math.Pow10(place)
	u = math.Round(u/unit) * unit
	if place >= 0 {
		x = math.Round(x/unit) * unit
	}
	decimals := max(0, -place)
	return signed(strconv.FormatFloat(x, 'f', decimals, 64)), strconv.FormatFloat(u, 'f', decimals, 64)
}

// signed gives a negative number a true minus sign and takes it from a zero.
func signed(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// plain is a number without uncertainty, to n decimals.
func plain(v float64, n int) string { return signed(strconv.FormatFloat(v, 'f', n, 64)) }

// money is a price; whole amounts go without decimals.
func money(amount float64, currency string) string {
	n := 2
	if amount == math.Trunc(amount) {
		n = 0
	}
	return strings.TrimSpace(plain(amount, n) + " " + currency)
}
