package synth

import (
	"math"
	"math/cmplx"
)

// Amplitude is the mode's complex amplitude in the recording, extrapolated back to the
// strike: the mode is the real part of Amplitude exp(-pi Hz t/Q + 2 pi i Hz t), t counted
// from first contact. It covers gain, force pulse and microphone, but not the room, a
// glide, an altering device, or what still rings from the strike before.
func (s Scene) Amplitude(strike, mode int) complex128 {
	m, blow := s.Modes[mode], s.Strikes[strike]
	if m.Hz >= s.Rate/2 {
		return 0
	}
	return complex(m.Gain*blow.gain(mode), 0) * forceSpectrum(m.pole(), blow.ContactS) *
		s.Mic.filter(s.Rate).response(cmplx.Exp(m.pole()/complex(s.Rate, 0)))
}

// Ringing is Amplitude together with what still rings from earlier strikes.
func (s Scene) Ringing(strike, mode int) complex128 {
	var sum complex128
	pole := s.Modes[mode].pole()
	for k, earlier := range s.Strikes {
		if t := s.Strikes[strike].AtS - earlier.AtS; t >= 0 {
			sum += s.Amplitude(k, mode) * cmplx.Exp(pole*complex(t, 0))
		}
	}
	return sum
}

// NoiseDensity is the one-sided power density, per hertz, that the white and pink noise
// have in the recording at a frequency.
func (s Scene) NoiseDensity(hz float64) float64 {
	density := s.White * s.White
	if s.Pink > 0 {
		shape, gain := s.pinkFilter()
		z := turnOf(hz, s.Rate)
		h := cmplx.Abs(shape.response(z)*s.Mic.filter(s.Rate).response(z)) * gain
		density += h * h
	}
	return density / (s.Rate / 2)
}

// OctaveNoise is the power of the noise from hz/sqrt2 to hz*sqrt2.
func (s Scene) OctaveNoise(hz float64) float64 {
	// Simpson's rule in log frequency, where the density is smooth.
	const steps = 16
	sum := 0.0
	for k := range steps + 1 {
		weight := float64(2 + 2*(k%2))
		if k == 0 || k == steps {
			weight = 1
		}
		f := hz * math.Exp2(float64(k)/steps-0.5)
		sum += weight * f * s.NoiseDensity(f)
	}
	return sum * math.Ln2 / steps / 3
}

// SNRdB is the signal-to-noise ratio of a mode: its power extrapolated to the strike,
// |Amplitude|^2/2, over the noise in the octave about it, in dB. Hum is not noise.
func (s Scene) SNRdB(strike, mode int) float64 {
	a := cmplx.Abs(s.Amplitude(strike, mode))
	return 10 * math.Log10(a*a/2/s.OctaveNoise(s.Modes[mode].Hz))
}

// WithSNR returns the scene with its noise, white and pink alike, scaled so that the mode
// has the given signal-to-noise ratio at the strike. A scene without noise gets white
// noise.
func (s Scene) WithSNR(strike, mode int, db float64) Scene {
	if s.White == 0 && s.Pink == 0 {
		s.White = 1
	}
	scale := math.Pow(10, (s.SNRdB(strike, mode)-db)/20)
	s.White *= scale
	s.Pink *= scale
	return s
}
