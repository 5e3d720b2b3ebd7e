// Package synth makes recordings whose truth is known: the ring of a struck body,
// given by its modes, in a room, with noise, hum, talk and the faults of a recording
// device.
//
// The signal is built in the order in which it comes about:
//
//	strikes -> modes + thud ─┐
//	                   talk ─┴─> room -> + pink noise -> microphone's high-pass
//	   -> + white noise + hum -> noise suppression -> automatic gain -> clipping -> integers
//
// Amplitudes are relative to full scale, times in seconds, frequencies in hertz. The
// same Scene always gives the same samples, to the rounding of float64.
package synth

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"ringstock/capture"
)

// Scene is all that decides a recording. The zero value of a field leaves its part out.
type Scene struct {
	Name      string  // becomes the recording's source
	Rate      float64 // samples per second
	DurationS float64
	Modes     []Mode // those at or above half the rate are left out
	Strikes   []Strike
	Talk      []Talk
	Room      Room
	Pink      float64    // ambient noise, rms from 10 Hz to half the rate; power density falls as 1/f
	Mic       Microphone // colours all of the above
	White     float64    // noise of the electronics, rms
	Hum       []Line
	Device    Device
	Seed      uint64
}

// Mode is one damped resonance: a unit impulse rings as Gain exp(-pi Hz t/Q) cos(2 pi Hz
// t).
type Mode struct {
	Hz, Q float64
	Gain  float64 // amplitude after a unit impulse; the sign is that of the mode's shape
	// GlideHz is how far the pitch lies above Hz at the strike. The excess shrinks
	// with the mode's amplitude, as a weakly non-linear support makes it.
	GlideHz float64
}

// Tau is the time in which the amplitude falls to 1/e.
func (m Mode) Tau() float64 { return m.Q / (math.Pi * m.Hz) }

// pole is the complex rate of the mode: it rings as the real part of exp(pole t).
func (m Mode) pole() complex128 { return complex(-1/m.Tau(), 2*math.Pi*m.Hz) }

// Strike is one blow. Its force is a half-sine, which rolls off the modes above about
// 1/ContactS. A double strike is two Strikes close together.
type Strike struct {
	AtS      float64   // moment of first contact
	ContactS float64   // how long mallet and wood touch: 0.3 ms hard, 3 ms soft; 0 = an ideal impulse
	Strength float64   // impulse; 1 makes a slow mode ring with its Gain
	Gains    []float64 // by mode: how well this place excites it; nil = 1 for all
	Thud     float64   // rms of the blow's own noise at first contact; it is gone after 15 ms
}

// gain is the factor with which the strike excites a mode.
func (s Strike) gain(mode int) float64 {
	if s.Gains == nil {
		return s.Strength
	}
	return s.Strength * s.Gains[mode]
}

// Line is a tone that does not decay: Amp cos(2 pi Hz t + Phase).
type Line struct{ Hz, Amp, Phase float64 }

// Render computes the recording. A Scene that makes no sense (no rate, no duration, a
// mode without frequency or Q) is a mistake of the program and panics.
func (s Scene) Render() capture.Recording {
	s.mustMakeSense()
	x := make([]float64, int(math.Round(s.DurationS*s.Rate)))
	for k := range s.Modes {
		s.addMode(x, k)
	}
	for k, strike := range s.Strikes {
		s.addThud(x, strike, s.random("thud", k))
	}
	for k, talk := range s.Talk {
		s.addTalk(x, talk, s.random("talk", k))
	}
	x = s.Room.hear(x, s.Rate, s.random("room", 0))
	s.addPink(x, s.random("pink", 0))
	s.Mic.filter(s.Rate).run(x)
	s.addWhite(x, s.random("white", 0))
	s.addHum(x)
	s.Device.record(x, s.Rate)
	return capture.Recording{Source: s.Name, Rate: s.Rate, Tracks: [][]float64{x}, Bits: s.Device.Bits}
}

func (s Scene) mustMakeSense() {
	if !(s.Rate > 0) || !(s.DurationS > 0) || s.Rate*s.DurationS > 1<<31 {
		panic(fmt.Sprintf("synth: rate %v Hz and duration %v s make no recording", s.Rate, s.DurationS))
	}
	for k, m := range s.Modes {
		if !(m.Hz > 0) || !(m.Q > 0) {
			panic(fmt.Sprintf("synth: mode %d has frequency %v Hz and Q %v", k, m.Hz, m.Q))
		}
	}
	for k, strike := range s.Strikes {
		if strike.Gains != nil && len(strike.Gains) != len(s.Modes) {
			panic(fmt.Sprintf("synth: strike %d has %d gains for %d modes", k, len(strike.Gains), len(s.Modes)))
		}
	}
}

// random gives each part its own stream, so that adding one part leaves the others alone.
func (s Scene) random(part string, k int) *rand.Rand {
	stream := uint64(k)
	for _, c := range part {
		stream = stream*0x100000001b3 ^ uint64(c)
	}
	return rand.New(rand.NewPCG(s.Seed, stream))
}

// addMode adds the response of one mode to all strikes: during contact the forced
// response in closed form, afterwards the free ring, started with what the blow left.
func (s Scene) addMode(x []float64, k int) {
	m := s.Modes[k]
	if m.Hz >= s.Rate/2 {
		return
	}
	order := make([]int, len(s.Strikes))
	for i := range order {
		order[i] = i
	}
	free := func(i int) int { return after(s.Strikes[i].AtS+s.Strikes[i].ContactS, s.Rate) }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(free(a), free(b)) })

	r := ring{mode: m, rate: s.Rate}
	at := 0
	for _, i := range order {
		strike := s.Strikes[i]
		g := complex(m.Gain*strike.gain(k), 0)
		for n := max(0, after(strike.AtS, s.Rate)); n < min(free(i), len(x)); n++ {
			t := float64(n)/s.Rate - strike.AtS
			x[n] += real(g * forced(m.pole(), strike.ContactS, t))
		}
		n := min(max(free(i), at), len(x))
		r.run(x[at:n])
		at = n
		t := float64(n)/s.Rate - strike.AtS
		r.strike(g * forceSpectrum(m.pole(), strike.ContactS) * cmplx.Exp(m.pole()*complex(t, 0)))
	}
	r.run(x[at:])
}

// after is the first sample at or after t.
func after(t, rate float64) int { return int(math.Ceil(t * rate)) }

// forced is the response of exp(pole t) at time t within a half-sine pulse of unit
// impulse: the solution of y' = pole y + (a/2) sin(a t), y(0) = 0, with a = pi/contact.
func forced(pole complex128, contact, t float64) complex128 {
	a := math.Pi / contact
	p2 := complex(a*a, 0) + pole*pole
	sin, cos := math.Sincos(a * t)
	return complex(a/2, 0) * (complex(a, 0)*(cmplx.Exp(pole*complex(t, 0))-complex(cos, 0)) - pole*complex(sin, 0)) / p2
}

// forceSpectrum is the Laplace transform of the same pulse at the pole: the factor by
// which it excites the mode less than an ideal impulse at first contact would.
func forceSpectrum(pole complex128, contact float64) complex128 {
	if contact == 0 {
		return 1
	}
	a := math.Pi / contact
	return complex(a*a/2, 0) * (1 + cmplx.Exp(-pole*complex(contact, 0))) / (complex(a*a, 0) + pole*pole)
}

// ring is the free motion of one mode.
type ring struct {
	mode   Mode
	rate   float64
	state  complex128 // its real part is the next sample
	excess float64    // what is left of the glide, 1 at a strike
}

func (r *ring) strike(by complex128) {
	r.state += by
	r.excess = 1
}

// inaudible is far below the last bit of any recorder.
const inaudible = 1e-11

// run adds the ring to dst and moves on to its end.
func (r *ring) run(dst []float64) {
	step := cmplx.Exp(r.mode.pole() / complex(r.rate, 0))
	if r.mode.GlideHz == 0 {
		const block = 4096
		for len(dst) > 0 && cmplx.Abs(r.state) > inaudible {
			n := min(block, len(dst))
			r.state = turn(dst[:n], r.state, step)
			dst = dst[n:]
		}
		if len(dst) > 0 {
			r.state = 0
		}
		return
	}
	fade := math.Exp(-1 / (r.mode.Tau() * r.rate))
	for n := range dst {
		dst[n] += real(r.state)
		sin, cos := math.Sincos(2 * math.Pi * r.mode.GlideHz * r.excess / r.rate)
		r.state *= step * complex(cos, sin)
		r.excess *= fade
	}
}

// turn adds the real part of state*step^n to dst[n] and returns state*step^len(dst).
// Four interleaved chains hide the latency of the multiplication.
func turn(dst []float64, state, step complex128) complex128 {
	s0 := state
	s1 := s0 * step
	s2 := s1 * step
	s3 := s2 * step
	step4 := step * step * step * step
	for len(dst) >= 4 {
		dst[0] += real(s0)
		dst[1] += real(s1)
		dst[2] += real(s2)
		dst[3] += real(s3)
		s0, s1, s2, s3 = s0*step4, s1*step4, s2*step4, s3*step4
		dst = dst[4:]
	}
	rest := [4]complex128{s0, s1, s2, s3}
	for n := range dst {
		dst[n] += real(rest[n])
	}
	return rest[len(dst)]
}

// addThud adds the blow's own noise: what mallet and skin radiate without the bar.
func (s Scene) addThud(x []float64, strike Strike, random *rand.Rand) {
	const lasts, fadeS, cornerHz = 0.015, 0.0025, 6000
	if strike.Thud == 0 {
		return
	}
	soften := 1 - math.Exp(-2*math.Pi*cornerHz/s.Rate)
	loud := math.Sqrt((2 - soften) / soften) // undoes the low-pass's loss of power
	soft := 0.0
	for n := max(0, after(strike.AtS, s.Rate)); n < min(after(strike.AtS+lasts, s.Rate), len(x)); n++ {
		t := float64(n)/s.Rate - strike.AtS
		soft += soften * (random.NormFloat64() - soft)
		x[n] += strike.Thud * loud * soft * math.Exp(-t/fadeS)
	}
}
