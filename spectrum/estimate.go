package spectrum

import (
	"math"

	"ringstock/spectrum/measure"
)

// estimate is a number with its sd, or why there is none.
type estimate struct {
	x, sd     float64
	commonVar float64        // variance beyond that, as found, which all taps have alike; chance takes it below zero
	why       measure.Reason // none if it is known
}

// known tells whether there is a number.
func (s estimate) known() bool { return s.why == measure.Reason{} }

// u is the standard uncertainty of s.
func (s estimate) u() float64 { return math.Sqrt(sqr(s.sd) + max(s.commonVar, 0)) }

func (s estimate) value() measure.Value {
	if !s.known() {
		return s.why.Value()
	}
	return measure.Of(s.x, s.u())
}
