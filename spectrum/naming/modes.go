// Package naming says which mode of a bar each line of a ring is, or that it is none of
// them. The ear asks it with the lines of a ring and knows nothing of the bar; the wood
// asks it with the bar's dimensions.
//
// Every function is pure. Frequencies in Hz, decay rates in 1/s.
package naming

import "math"

// Family says which kind of motion a mode is.
type Family string

// The families of a free bar's modes.
const (
	Bending      Family = "bending"
	Longitudinal Family = "longitudinal"
	Torsion      Family = "torsion"
	Other        Family = "other"
)

// Line is a decaying line of a ring.
type Line struct {
	Hz, Alpha float64
	SDAlpha   float64
	Energy    float64 // from 30 to 530 ms after the strike, in any unit that all lines share
	Room      float64 // share of its decay rate that the room leaves uncertain
}

// Q = pi f/alpha.
func (l Line) Q() float64 { return math.Pi * l.Hz / l.Alpha }

// Name is what a line is in the bar.
type Name struct {
	Family Family
	Order  int  // 1 = lowest, 0 = unknown
	Plane  int  // 1 = that of the fundamental, 2 = the other one, 0 = none
	Own    bool // one of the bar's own modes
	Echo   bool // what the room makes of a louder line beside it
}

// Beside tells whether l lies so near to a fundamental, and dies so little faster, as
// its other plane does.
func (l Line) Beside(f Line) bool {
	return math.Abs(l.Hz-f.Hz) < ClosePairHz && l.Alpha < PairFaster*f.Alpha
}

const (
	ClosePairHz  = 15.0 // lines this near to the fundamental are its other plane,
	PairFaster   = 1.8  // if they die at most so much faster: the room's lines do
	wornDecay    = 20.0 // Q below which nothing is a fundamental
	weightSpanDB = 50.0 // a line so far below the strongest counts nothing
)

// weights say how much each line counts: 1 for the strongest, falling with the level.
func weights(lines []Line) []float64 {
	strongest := 0.0
	for _, l := range lines {
		strongest = max(strongest, l.Energy)
	}
	w := make([]float64, len(lines))
	for i, l := range lines {
		if l.Energy > 0 {
			w[i] = max(0, 1+10*math.Log10(l.Energy/strongest)/weightSpanDB)
		}
	}
	return w
}
