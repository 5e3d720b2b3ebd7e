// Package demo invents a delivery of 24 blanks, from the wood to the sound of each tap,
// so that there is something to grade whose truth is known. Nothing in it is measured.
//
// A blank vibrates as a free bar in two planes, twists and stretches; the blow is a
// half-sine force; the microphone hears the bar's acceleration, the room, the mains and
// now and then a voice. The rest is what a delivery is like: some blanks are tapered or
// have a head block, some taps are clipped or doubled, one number was forgotten.
package demo

import (
	"fmt"
	"math"
	"math/rand/v2"

	"ringstock/capture"
	"ringstock/capture/synth"
)

// Seed is that of the delivery which everybody gets.
const Seed = 24

// Count is the number of blanks in the delivery.
const Count = 24

// Fault is what is wrong with a blank, or with its row.
type Fault string

// The faults of the delivery; each but None occurs once.
const (
	None       Fault = ""
	Stray      Fault = "stray note"     // something else rings along
	Beating    Fault = "beat"           // the two planes are nearly in tune, and the tap excites both
	Checked    Fault = "check"          // a drying check: dull and lower
	NotWeighed Fault = "not weighed"    // the mass is missing
	NearHum    Fault = "near the mains" // the fundamental lies beside a hum line
)

// Plane says where the blank is tapped.
type Plane int

// The planes.
const (
	Height Plane = iota // side taps along the height: the recordings every blank has
	Width               // side taps along the width
	End                 // end taps
)

func (p Plane) suffix() string { return [...]string{"", "-width", "-end"}[p] }

// Blank is one stick of the delivery, as it is and as it was read.
type Blank struct {
	Number   string
	Body     Body // the truth
	Moisture float64
	Fault    Fault
	Planes   []Plane // of which there are recordings
	Readings Readings
	Price    float64
	Grade    string // what an invented maker wrote on it

	seed uint64
	tilt float64 // angle between the taps and the plane of bending, radians
}

// Readings are the maker's, each with its error. A missing one is 0.
type Readings struct {
	LengthMM, HeightMM, WidthMM, HeadLengthMM, HeadHeightMM, TipHeightMM, TipWidthMM float64
	MassG, MoisturePct, TemperatureC, HumidityPct                                    float64
}

// SpecificModulus is E/rho along the grain, m2/s2.
func (b Blank) SpecificModulus() float64 { return b.Body.Young / b.Body.Density }

// Blanks invents the delivery.
func Blanks(seed uint64) []Blank {
	random := rand.New(rand.NewPCG(seed, 0))
	quality := random.Perm(Count)
	blanks := make([]Blank, Count)
	for k := range blanks {
		blanks[k] = invent(k, (float64(quality[k])+0.5)/Count, random.Uint64())
	}
	return blanks
}

// invent makes blank k; quality runs from 0 to 1. Density, specific modulus and loss
// follow it only loosely, as they do in wood.
func invent(k int, quality float64, seed uint64) Blank {
	random := rand.New(rand.NewPCG(seed, 1))
	about := func(mean, sd float64) float64 { return mean + sd*random.NormFloat64() }
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }

	b := Blank{Number: fmt.Sprintf("D%02d", k+1), seed: seed, tilt: between(-0.15, 0.15)}
	density := about(960+130*quality, 25)
	young := density * 1e6 * about(18+6.5*quality, 0.5)
	loss := 1 / about(125+150*quality, 8)
	b.Body = Body{
		Shape: Rectangular, Length: between(0.740, 0.760), Height: between(0.0136, 0.0146), Width: between(0.0124, 0.0134),
		Density: density, Young: young, Shear: young / between(14, 20),
		Loss: loss, ShearLoss: loss * between(2, 3),
	}
	b.Moisture = about(9.5, 0.5)
	b.Planes = []Plane{Height}
	if k%3 == 0 {
		b.Planes = append(b.Planes, Width)
	}
	if k%5 < 2 {
		b.Planes = append(b.Planes, End)
	}

	body := &b.Body
	switch k + 1 {
	case 3, 12, 21:
		body.Shape = Octagonal
		body.Width = body.Height * between(0.96, 0.98)
	case 7, 18:
		body.TipHeight, body.TipWidth = body.Height*between(0.86, 0.92), body.Width*between(0.86, 0.92)
	case 4, 15, 23:
		body.HeadLength, body.HeadHeight = between(0.045, 0.055), between(0.022, 0.025)
	case 5:
		b.Fault = Stray
	case 9:
		b.Fault = Beating
		body.Width = body.Height * 0.985
		b.tilt = 0.6
	case 13:
		b.Fault = Checked
		body.CheckAt, body.CheckLength, body.CheckLeaves = 0.44, 0.030, 0.45
		body.Loss *= 3
		body.ShearLoss *= 3
	case 17:
		b.Fault = NotWeighed
	case 20:
		// A thinner blank, whose fundamental comes to lie just above the second
		// harmonic of the mains.
		b.Fault = NearHum
		body.Height *= 2.002 * mainsHz / body.bending(true)[0].hz
	}
	b.read(random)
	b.Price = math.Round(about(45+60*quality, 8))
	b.Grade = [...]string{"C", "B", "A"}[min(max(int(3*about(quality, 0.12)), 0), 2)]
	return b
}

// read takes the maker's readings with the errors of calliper, ruler, scale and meter.
func (b *Blank) read(random *rand.Rand) {
	reading := func(truth, sd, step float64) float64 {
		if truth == 0 {
			return 0
		}
		return math.Round((truth+sd*random.NormFloat64())/step) * step
	}
	body, r := b.Body, &b.Readings
	r.LengthMM = reading(1000*body.Length, 0.4, 0.5)
	r.HeightMM = reading(1000*body.Height, 0.03, 0.01)
	r.WidthMM = reading(1000*body.Width, 0.03, 0.01)
	r.HeadLengthMM = reading(1000*body.HeadLength, 0.4, 0.5)
	r.HeadHeightMM = reading(1000*body.HeadHeight, 0.05, 0.1)
	r.TipHeightMM = reading(1000*body.TipHeight, 0.03, 0.01)
	r.TipWidthMM = reading(1000*body.TipWidth, 0.03, 0.01)
	r.MassG = reading(1000*body.Mass(), 0.06, 0.1)
	r.MoisturePct = reading(b.Moisture, 0.5, 0.5)
	r.TemperatureC = reading(20.5, 0.3, 0.5)
	r.HumidityPct = reading(52, 2, 1)
	if b.Fault == NotWeighed {
		r.MassG = 0
	}
}

const (
	mainsHz   = 49.993
	rate      = 48000
	taps      = 5
	ringLevel = 0.06 // amplitude of a fundamental, of full scale
)

// Mode of the blank that the taps in a plane are about: the lowest bending mode in that
// plane, or for end taps the lowest longitudinal one.
func (b Blank) Mode(plane Plane) synth.Mode {
	return b.modes(plane)[0].Mode
}

// mode is a vibration of the blank as the microphone hears it.
type mode struct {
	synth.Mode
	shape func(x float64) float64 // nil for a foreign note
	lean  float64                 // how well the direction of the taps excites it
}

// modes lists what rings, the wanted mode first.
func (b Blank) modes(plane Plane) []mode {
	high, wide := b.Body.bending(true)[:6], b.Body.bending(false)[:5]
	along, twist := b.Body.longitudinal()[:2], b.Body.torsion()[:2]
	lean, cross := math.Cos(b.tilt), math.Sin(b.tilt)
	var list []mode
	add := func(vibrations []vibration, lean float64) {
		for _, v := range vibrations {
			list = append(list, mode{synth.Mode{Hz: v.hz, Q: 1 / (v.loss + b.support(v))}, v.shape, lean})
		}
	}
	switch plane {
	case Height:
		add(high, lean*lean)
		add(wide, cross*cross)
		add(twist, 0.25)
		add(along, 0.02)
	case Width:
		add(wide, lean*lean)
		add(high, cross*cross)
		add(twist, 0.25)
		add(along, 0.02)
	case End:
		add(along, 1)
		add(high, 0.05)
		add(wide, 0.03)
	}
	if b.Fault == Stray {
		wanted := high[0].hz
		list = append(list, mode{synth.Mode{Hz: 1.87 * wanted, Q: 160}, nil, 1})
	}
	return list
}

// support is the loss that two fingertips at the nodes of the fundamental add: a dashpot
// c at x adds c shape(x)^2/(omega M) to 1/Q.
func (b Blank) support(v vibration) float64 {
	const c = 0.25 // N s/m, a guess
	loss := 0.0
	for _, x := range [...]float64{0.224, 0.776} {
		s := v.shape(x * b.Body.Length)
		loss += c * s * s / (2 * math.Pi * v.hz * b.Body.Mass())
	}
	return loss
}

// Scene is the recording of a blank's taps, before it is rendered.
func (b Blank) Scene(plane Plane) synth.Scene {
	random := rand.New(rand.NewPCG(b.seed, 2+uint64(plane)))
	about := func(mean, sd float64) float64 { return mean + sd*random.NormFloat64() }
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }

	apart, contact := 1.6, between(0.0013, 0.0019)
	strikeAt, heardAt := between(0.44, 0.47), between(0.01, 0.03)
	if plane == End {
		apart, contact = 0.8, between(0.0001, 0.00016)
		strikeAt, heardAt = 0, 1
	}

	list := b.modes(plane)
	wanted := list[0]
	s := synth.Scene{
		Name: b.Number + plane.suffix() + ".wav", Rate: rate, Seed: b.seed + uint64(plane),
		Device: synth.Device{Bits: 24}, Mic: synth.Microphone{HighpassHz: 70, Order: 1},
	}
	// The bar's acceleration after a unit impulse, relative to that of the wanted mode.
	heard := func(m mode, at float64) float64 {
		if m.shape == nil {
			return m.lean
		}
		return m.lean * m.Hz / wanted.Hz * m.shape(at*b.Body.Length) * m.shape(heardAt*b.Body.Length)
	}
	for _, m := range list {
		m.Gain = 1
		s.Modes = append(s.Modes, m.Mode)
	}
	strike := func(at, strength float64) {
		place := about(strikeAt, 0.004)
		if plane == End {
			place = 0
		}
		gains := make([]float64, len(list))
		for k, m := range list {
			gains[k] = heard(m, place)
		}
		s.Strikes = append(s.Strikes, synth.Strike{
			AtS: at, ContactS: about(contact, 0.05*contact), Strength: strength,
			Gains: gains, Thud: 0.8 * strength * ringLevel,
		})
	}
	at := about(1.1, 0.05)
	for range taps {
		strike(at, math.Pow(10, about(0, 1.5)/20))
		at += about(apart, 0.04*apart)
	}
	s.DurationS = at

	// A level that leaves headroom: the wanted mode as loud as ringLevel.
	level := ringLevel / math.Hypot(real(s.Amplitude(0, 0)), imag(s.Amplitude(0, 0)))
	for k := range s.Modes {
		s.Modes[k].Gain *= level
	}
	s.Pink, s.White = 1, 0.1
	s = s.WithSNR(0, 0, between(27, 40))
	for k, harmonic := range []float64{1, 2, 3, 4, 5, 6, 7, 9} {
		db := about([...]float64{-24, -20, -24, -36, -30, -38, -34, -40}[k], 3)
		s.Hum = append(s.Hum, synth.Line{Hz: harmonic * mainsHz, Amp: ringLevel * math.Pow(10, db/20), Phase: between(0, 2*math.Pi)})
	}
	s.Room = synth.Room{RT60S: 0.35, TailDB: -14}
	for _, hz := range [...]float64{43, 68, 97, 131} {
		s.Room.Modes = append(s.Room.Modes, synth.RoomMode{Hz: hz, RT60S: 0.4, Gain: between(0.05, 0.25)})
	}
	if plane == Height {
		b.spoil(&s)
	}
	return s
}

// spoil adds what goes wrong with single taps and around them.
func (b Blank) spoil(s *synth.Scene) {
	clip := func(tap int) {
		s.Strikes[tap].Strength *= 8
		s.Strikes[tap].Thud *= 8
	}
	double := func(tap int, laterS float64) {
		again := s.Strikes[tap]
		again.AtS += laterS
		again.Strength *= 0.6
		again.Thud *= 0.6
		s.Strikes = append(s.Strikes, again)
	}
	switch b.Number {
	case "D02", "D10":
		s.Talk = []synth.Talk{{AtS: s.Strikes[2].AtS + 0.3, DurationS: 1, Level: 0.2 * ringLevel}}
	case "D03":
		clip(1)
	case "D08":
		double(3, 0.07)
	case "D11":
		clip(0)
	case "D14":
		double(2, 0.05)
	case "D16":
		s.Talk = []synth.Talk{{AtS: 0.2, DurationS: 0.7, Level: 0.1 * ringLevel, PitchHz: 205}}
	case "D19":
		clip(1)
		double(4, 0.09)
	}
}

// Recording is the sound of a blank's taps.
func (b Blank) Recording(plane Plane) capture.Recording { return b.Scene(plane).Render() }
