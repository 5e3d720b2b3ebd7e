package synth

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"ringstock/capture/dsp"
)

// Room is what the microphone hears besides the direct sound: a diffuse tail of
// exponentially decaying noise, and single modes at low frequencies; or an answer that
// was measured or computed elsewhere.
type Room struct {
	RT60S  float64 // time in which the tail falls by 60 dB
	TailDB float64 // the tail's energy relative to the direct sound; used if RT60S > 0
	Modes  []RoomMode
	Answer []float64 // to a click, without the click itself, at the scene's rate
}

// RoomMode is a resonance of the room.
type RoomMode struct {
	Hz, RT60S float64
	Gain      float64 // at its resonance, relative to the direct sound
}

// hear returns what the microphone picks up of a dry sound.
func (r Room) hear(dry []float64, rate float64, random *rand.Rand) []float64 {
	wet := dry
	if len(r.Answer) > 0 {
		h := slices.Clone(r.Answer)
		h[0]++
		wet = convolve(dry, h)
	} else if r.RT60S > 0 {
		wet = convolve(dry, r.impulse(rate, random))
	} else if len(r.Modes) > 0 {
		wet = slices.Clone(dry)
	}
	for _, m := range r.Modes {
		if m.Hz >= rate/2 {
			continue
		}
		step := cmplx.Exp(complex(-math.Log(1000)/m.RT60S, 2*math.Pi*m.Hz) / complex(rate, 0))
		gain := 2 * m.Gain * (1 - cmplx.Abs(step))
		var state complex128
		for n, in := range dry {
			wet[n] += gain * imag(state) // no direct part: the mode answers with a delay
			state = (state + complex(in, 0)) * step
		}
	}
	return wet
}

// impulse is the room's answer to a click: the click itself and, 3 ms later, the tail.
func (r Room) impulse(rate float64, random *rand.Rand) []float64 {
	const delayS, cornerHz = 0.003, 5000
	from := int(delayS * rate)
	h := make([]float64, from+int(r.RT60S*rate))
	soften := 1 - math.Exp(-2*math.Pi*cornerHz/rate)
	fade := math.Exp(-math.Log(1000) / (r.RT60S * rate))
	soft, level, energy := 0.0, 1.0, 0.0
	for n := from; n < len(h); n++ {
		soft += soften * (random.NormFloat64() - soft)
		h[n] = level * soft
		energy += h[n] * h[n]
		level *= fade
	}
	if energy > 0 {
		gain := math.Pow(10, r.TailDB/20) / math.Sqrt(energy)
		for n := range h {
			h[n] *= gain
		}
	}
	h[0]++
	return h
}

// convolve returns the first len(x) samples of x * h, by overlap-add. One complex
// transform carries two blocks, as its real and its imaginary part.
func convolve(x, h []float64) []float64 {
	size := 1 << 10
	for size < 2*len(h) {
		size *= 4 // powers of four are sooner transformed
	}
	hop := size - len(h) + 1
	response, z := make([]complex128, size), make([]complex128, size)
	for n, v := range h {
		response[n] = complex(v/float64(size), 0)
	}
	dsp.Transform(response)
	y := make([]float64, len(x))
	for at := 0; at < len(x); at += 2 * hop {
		first := x[at:min(at+hop, len(x))]
		second := x[min(at+hop, len(x)):min(at+2*hop, len(x))]
		clear(z)
		for n, v := range first {
			z[n] = complex(v, 0)
		}
		for n, v := range second {
			z[n] += complex(0, v)
		}
		dsp.Transform(z)
		for k, v := range z {
			z[k] = cmplx.Conj(v * response[k]) // the transform of the conjugate goes back
		}
		dsp.Transform(z)
		for n, v := range z[:min(size, len(x)-at)] {
			y[at+n] += real(v)
		}
		for n, v := range z[:max(0, min(size, len(x)-at-hop))] {
			y[at+hop+n] -= imag(v)
		}
	}
	return y
}
