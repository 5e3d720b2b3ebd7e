// Package measure holds the one idea of a number that the whole project shares:
// a value with its standard uncertainty, or the reason why it is not known.
package measure

import (
	"fmt"
	"math"
)

// Value is a measured number. The zero Value is "not known, no reason given";
// use Of and Unknown to make one.
type Value struct {
	X      float64 // best estimate, in the unit its field's name states
	U      float64 // standard uncertainty (k = 1), same unit; 0 only for exact numbers
	Why    string  // for an unknown value: the reason, in plain words
	Code   string  // and its short stable name, where programs decide on it; else ""
	Budget []Part  // what makes up U, largest first; may be empty

	known bool
}

// Source names what a contribution to an uncertainty stems from. It is an identifier as
// well as what people read: programs compare it with constants, never look into it.
type Source string

// Part is one contribution to a value's standard uncertainty, in the value's own unit.
type Part struct {
	Name Source  `json:"name"`
	U    float64 `json:"u"`
}

// MarshalJSON writes the part with the same nine digits as values.
func (p Part) MarshalJSON() ([]byte, error) {
	return fmt.Appendf(nil, `{"name":%q,"u":%s}`, p.Name, number(p.U)), nil
}

// Of is a known value x with standard uncertainty u. A number that is not
// finite never passes: it becomes an unknown value.
func Of(x, u float64) Value {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return Unknown("could not be computed")
	}
	if math.IsNaN(u) || math.IsInf(u, 0) || u < 0 {
		return Unknown("its uncertainty could not be computed")
	}
	return Value{X: x, U: u, known: true}
}

// Unknown is a value that could not be had, with the reason in plain words.
func Unknown(why string) Value { return Value{Why: why} }

// Reason says why a value is not known. Code is its stable short name, on which programs
// decide; Text, in plain words, may be reworded any time.
type Reason struct{ Code, Text string }

// Value is a value that is not known for this reason.
func (r Reason) Value() Value { return Value{Why: r.Text, Code: r.Code} }

// Is tells whether v is not known for this reason.
func (v Value) Is(r Reason) bool { return !v.known && r.Code != "" && v.Code == r.Code }

// Known tells whether there is a number at all.
func (v Value) Known() bool { return v.known }

// Rel is the relative standard uncertainty U/|X|; 0 where X is 0.
func (v Value) Rel() float64 {
	if v.X == 0 {
		return 0
	}
	return math.Abs(v.U / v.X)
}

// Scale is the value in another unit, k times as many of them.
func (v Value) Scale(k float64) Value {
	if !v.known {
		return v
	}
	out := Of(k*v.X, math.Abs(k)*v.U)
	for _, p := range v.Budget {
		out.Budget = append(out.Budget, Part{p.Name, math.Abs(k) * p.U})
	}
	return out
}
