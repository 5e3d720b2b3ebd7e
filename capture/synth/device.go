package synth

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Microphone is the recording chain's high-pass: Butterworth of the given order.
type Microphone struct {
	HighpassHz float64 // -3 dB; 0 = none
	Order      int     // 1 to 4; 0 means 2
}

// filter is the high-pass by bilinear transform, exact at HighpassHz.
func (m Microphone) filter(rate float64) filter {
	if m.HighpassHz == 0 {
		return nil
	}
	order := m.Order
	if order == 0 {
		order = 2
	}
	w := math.Tan(math.Pi * m.HighpassHz / rate)
	var f filter
	for k := range order / 2 {
		// 1/Q of the k-th pole pair
		d := 2 * math.Sin(math.Pi*(2*float64(k)+1)/(2*float64(order)))
		a0 := 1 + d*w + w*w
		f = append(f, section{b0: 1 / a0, b1: -2 / a0, b2: 1 / a0, a1: 2 * (w*w - 1) / a0, a2: (1 - d*w + w*w) / a0})
	}
	if order%2 == 1 {
		f = append(f, section{b0: 1 / (1 + w), b1: -1 / (1 + w), a1: (w - 1) / (w + 1)})
	}
	return f
}

// Through is a sound as the microphone gives it, in place.
func (m Microphone) Through(x []float64, rate float64) []float64 {
	m.filter(rate).run(x)
	return x
}

// section is a recursive filter of second order,
// (b0 + b1/z + b2/z^2)/(1 + a1/z + a2/z^2); a filter is a chain of them.
type section struct{ b0, b1, b2, a1, a2 float64 }

type filter []section

// run filters x in place, four sections at a time: while one waits for its own last
// value, the others go on.
func (f filter) run(x []float64) {
	for len(f) > 0 {
		four := [4]section{{b0: 1}, {b0: 1}, {b0: 1}, {b0: 1}}
		f = f[copy(four[:], f):]
		s0, s1, s2, s3 := four[0], four[1], four[2], four[3]
		var u0, v0, u1, v1, u2, v2, u3, v3 float64
		for n, in := range x {
			in, u0, v0 = s0.step(in, u0, v0)
			in, u1, v1 = s1.step(in, u1, v1)
			in, u2, v2 = s2.step(in, u2, v2)
			x[n], u3, v3 = s3.step(in, u3, v3)
		}
	}
}

// step is the section's next value, and its state after it: transposed direct form II.
func (s *section) step(in, u, v float64) (out, nextU, nextV float64) {
	out = s.b0*in + u
	return out, s.b1*in - s.a1*out + v, s.b2*in - s.a2*out
}

// response is what the filter does to a sequence z^n.
func (f filter) response(z complex128) complex128 {
	h := complex(1, 0)
	for _, s := range f {
		h *= (complex(s.b0, 0)*z*z + complex(s.b1, 0)*z + complex(s.b2, 0)) /
			(z*z + complex(s.a1, 0)*z + complex(s.a2, 0))
	}
	return h
}

// Device is what a recorder does to the sound, on purpose or not.
type Device struct {
	Suppress Suppress
	AutoGain AutoGain
	ClipAt   float64 // samples beyond are cut off; 0 = only at full scale, if there are Bits
	Bits     int     // resolution of integer samples; 0 = floating point
}

// AutoGain turns the gain down at once when a sample would pass Target and up again at
// the rate of recovery. A slow recovery and MaxGainDB above 0 make an automatic level
// control, a quick one and 0 dB a limiter.
type AutoGain struct {
	Target         float64 // 0 = no automatic gain
	RecoveryDBPerS float64
	MaxGainDB      float64
}

// Suppress is a noise suppressor: a gate by frequency that lowers by ReductionDB what
// does not rise MarginDB above the average of the recording's first half second.
type Suppress struct {
	ReductionDB float64 // 0 = none
	MarginDB    float64
}

func (d Device) record(x []float64, rate float64) {
	d.Suppress.run(x, rate)
	d.AutoGain.run(x, rate)
	clip := d.ClipAt
	if clip == 0 {
		clip = math.Inf(1)
	}
	if d.Bits == 0 {
		for n := range x {
			x[n] = min(max(x[n], -clip), clip)
		}
		return
	}
	full := math.Ldexp(1, d.Bits-1)
	for n := range x {
		x[n] = min(max(math.RoundToEven(min(max(x[n], -clip), clip)*full), -full), full-1) / full
	}
}

func (a AutoGain) run(x []float64, rate float64) {
	if a.Target == 0 {
		return
	}
	most := math.Pow(10, a.MaxGainDB/20)
	rise := math.Pow(10, a.RecoveryDBPerS/20/rate)
	gain := most
	for n := range x {
		gain = min(gain*rise, most)
		if loud := math.Abs(x[n]); loud*gain > a.Target {
			gain = a.Target / loud
		}
		x[n] *= gain
	}
}

func (s Suppress) run(x []float64, rate float64) {
	if s.ReductionDB == 0 {
		return
	}
	size := 2 * int(0.010*rate) // frames of 20 ms, half overlapping, root-of-Hann window twice
	hop := size / 2
	window := make([]float64, size)
	for n := range window {
		window[n] = math.Sin(math.Pi * (float64(n) + 0.5) / float64(size))
	}
	fft := fourier.NewFFT(size)
	frame := make([]float64, size)
	bins := make([]complex128, size/2+1)
	spectrum := func(at int) {
		for n := range frame {
			frame[n] = 0
			if i := at + n; i >= 0 && i < len(x) {
				frame[n] = x[i] * window[n]
			}
		}
		fft.Coefficients(bins, frame)
	}

	noise := make([]float64, len(bins))
	frames := 0
	for at := 0; at+size <= min(int(rate/2), len(x)); at += hop {
		spectrum(at)
		for k, c := range bins {
			noise[k] += real(c * cmplx.Conj(c))
		}
		frames++
	}
	threshold := math.Pow(10, s.MarginDB/10) / float64(max(frames, 1))
	shut := math.Pow(10, -s.ReductionDB/20)

	out := make([]float64, len(x))
	for at := -hop; at < len(x); at += hop {
		spectrum(at)
		for k, c := range bins {
			if real(c*cmplx.Conj(c)) < threshold*noise[k] {
				bins[k] *= complex(shut, 0)
			}
		}
		fft.Sequence(frame, bins)
		for n, v := range frame {
			if i := at + n; i >= 0 && i < len(x) {
				out[i] += v * window[n] / float64(size)
			}
		}
	}
	copy(x, out)
}
