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
	x, u := v.Rounded()
	return figure{Known: true, X: minus(x), U: u, Unit: unit, Raw: strconv.FormatFloat(v.X, 'g', 9, 64)}
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

// minus gives a negative number a true minus sign.
func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

// plain is a number without uncertainty, to n decimals.
func plain(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return minus(s)
}

// money is a price; whole amounts go without decimals.
func money(amount float64, currency string) string {
	n := 2
	if amount == math.Trunc(amount) {
		n = 0
	}
	return strings.TrimSpace(plain(amount, n) + " " + currency)
}
