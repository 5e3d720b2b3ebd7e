package spectrum

import (
	"math"

	"ringstock/spectrum/measure"
)

// estimate is a number with its sd, or why there is none.
type estimate struct {
	x, sd     float64
	commonVar float64 // variance beyond that, as found, which all taps have alike; chance takes it below zero
	why       string
}

// u is the standard uncertainty of s.
func (s estimate) u() float64 { return math.Sqrt(sqr(s.sd) + max(s.commonVar, 0)) }

func (s estimate) value() measure.Value {
	if s.why != "" {
		return measure.Unknown(s.why)
	}
	return measure.Of(s.x, s.u())
}
