package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"ringstock/grading"
)

// quantity is a number on the command line with its bounds, read as a cell of a table is:
// decimals after a comma or a point, perhaps with a unit. What is not a number within the
// bounds is refused where it stands.
type quantity struct {
	x         *float64
	unit      string
	low, high float64
}

// quantityVar defines a flag that takes a number from low to high, in the unit
// that ends its name.
func quantityVar(f *pflag.FlagSet, x *float64, name string, usual, low, high float64, usage string) {
	*x = usual
	f.Var(quantity{x, unitIn(name), low, high}, name, usage)
}

// unitIn is the unit that the name of a flag ends with, or names.
func unitIn(name string) string {
	for ending, unit := range map[string]string{"-mm": "mm", "-g": "g", "temperature": "°C", "humidity": "%"} {
		if strings.HasSuffix(name, ending) {
			return unit
		}
	}
	return ""
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
	x, err := grading.ParseNumber(text, q.unit, q.low, q.high)
	if err == nil {
		*q.x = x
	}
	return err
}

// count is a whole number on the command line with its bounds.
type count struct {
	n         *int
	low, high int
}

// countVar defines a flag that takes a whole number from low to high.
func countVar(f *pflag.FlagSet, n *int, name string, usual, low, high int, usage string) {
	*n = usual
	f.Var(count{n, low, high}, name, usage)
}

func (c count) String() string {
	if c.n == nil {
		return "0"
	}
	return strconv.Itoa(*c.n)
}

// Type is that of a plain whole number.
func (c count) Type() string { return "int" }

func (c count) Set(text string) error {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || n < c.low || n > c.high {
		return fmt.Errorf("give a whole number from %d to %d", c.low, c.high)
	}
	*c.n = n
	return nil
}
