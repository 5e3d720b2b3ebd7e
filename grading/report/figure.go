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

	// What stands unseen about the number and its uncertainty, so that all figures of a
	// column have their points under one another.
	Before, After, BeforeU, AfterU string
}

// column is the room that the figures of one column take, in digits.
type column struct{ value, u room }

type room struct{ whole, decimals int }

func (r *room) take(s string) {
	whole, decimals, _ := strings.Cut(s, ".")
	r.whole, r.decimals = max(r.whole, len([]rune(whole))), max(r.decimals, len(decimals))
}

// about is what is missing before and after a number.
func (r room) about(s string) (before, after string) {
	whole, decimals, point := strings.Cut(s, ".")
	before = strings.Repeat("0", r.whole-len([]rune(whole)))
	after = strings.Repeat("0", r.decimals-len(decimals))
	if !point && r.decimals > 0 {
		after = "." + after
	}
	return before, after
}

func (c *column) take(f figure) {
	if f.Known {
		c.value.take(f.X)
		if f.U != "" {
			c.u.take(f.U)
		}
	}
}

// align gives a figure what it lacks to fill its column.
func (c column) align(f figure) figure {
	if !f.Known {
		f.X = ""
	}
	f.Before, f.After = c.value.about(f.X)
	if f.BeforeU, f.AfterU = c.u.about(f.U); f.U == "" {
		f.BeforeU, f.AfterU = "", f.BeforeU+f.AfterU
	}
	return f
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
