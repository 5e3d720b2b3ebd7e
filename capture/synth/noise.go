package synth

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

func (s Scene) addWhite(x []float64, random *rand.Rand) {
	if s.White == 0 {
		return
	}
	for n := range x {
		x[n] += s.White * random.NormFloat64()
	}
}

func (s Scene) addPink(x []float64, random *rand.Rand) {
	if s.Pink == 0 {
		return
	}
	shape, gain := s.pinkFilter()
	noise := make([]float64, len(x))
	for n := range noise {
		noise[n] = gain * random.NormFloat64()
	}
	shape.run(noise)
	for n := range x {
		x[n] += noise[n]
	}
}

// pinkFilter gives the filter that makes pink noise from white, and the rms of the
// white noise that goes in. Poles and zeros alternate in equal steps of log frequency,
// which holds the slope of -10 dB per decade within 0.3 dB up to a fifth of the rate.
func (s Scene) pinkFilter() (shape filter, gain float64) {
	const fromHz, anchorHz, step = 4.0, 200.0, 2.8
	for hz := fromHz; hz < 0.45*s.Rate; hz *= step {
		pole := math.Exp(-2 * math.Pi * hz / s.Rate)
		zero := math.Exp(-2 * math.Pi * hz * math.Sqrt(step) / s.Rate)
		shape = append(shape, section{b0: 1, b1: -zero, a1: -pole})
	}
	want := s.Pink * s.Pink / (anchorHz * math.Log(s.Rate/2/10)) // density of true pink noise there
	power := cmplx.Abs(shape.response(turnOf(anchorHz, s.Rate)))
	return shape, math.Sqrt(want*s.Rate/2) / power
}

func (s Scene) addHum(x []float64) {
	for _, line := range s.Hum {
		turn(x, cmplx.Rect(line.Amp, line.Phase), turnOf(line.Hz, s.Rate))
	}
}

// turnOf is the point of the unit circle that belongs to a frequency.
func turnOf(hz, rate float64) complex128 { return cmplx.Rect(1, 2*math.Pi*hz/rate) }
