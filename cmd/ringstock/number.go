package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/pflag"
)

// quantity is a number on the command line with its bounds. A decimal comma is read as a point; what is
// not a number within the bounds is refused where it stands.
type quantity struct {
	x         *float64
	low, high float64
}

// quantityVar defines a flag that takes a number from low to high.
func quantityVar(f *pflag.FlagSet, x *float64, name string, usual, low, high float64, usage string) {
	*x = usual
	f.Var(quantity{x, low, high}, name, usage)
}

// String gives the number back; Type names it in the help.
func (q quantity) String() string {
	if q.x == nil {
		return "0"
	}
	return strconv.FormatFloat(*q.x, 'g', -1, 64)
}

// Type is that of a plain number.
func (q quantity) Type() string { return "number" }

// Set reads the number.
func (q quantity) Set(text string) error {
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || x < q.low || x > q.high {
		return fmt.Errorf("give a number from %g to %g", q.low, q.high)
	}
	*q.x = x
	return nil
}
