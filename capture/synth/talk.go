package synth

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// Talk is someone speaking nearby: syllables of voiced sound with formants, and hisses
// between them.
type Talk struct {
	AtS, DurationS float64
	Level          float64 // rms over its duration
	PitchHz        float64 // of the voice; 0 means 120
}

// addTalk adds a voice after the source-filter picture of speech: a pulse train at the
// pitch through three resonances that move from syllable to syllable.
func (s Scene) addTalk(x []float64, talk Talk, random *rand.Rand) {
	from := max(0, after(talk.AtS, s.Rate))
	to := min(after(talk.AtS+talk.DurationS, s.Rate), len(x))
	if from >= to || talk.Level == 0 {
		return
	}
	pitch := talk.PitchHz
	if pitch == 0 {
		pitch = 120
	}
	voice := make([]float64, to-from)
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for at := 0; at < len(voice); {
		n := min(int(between(0.10, 0.26)*s.Rate), len(voice)-at)
		syllable := voice[at : at+n]
		if random.Float64() < 0.2 {
			s.hiss(syllable, random)
		} else {
			hz := pitch * between(0.9, 1.15)
			s.vowel(syllable, hz, hz*between(0.85, 1.1),
				[3]float64{between(280, 800), between(900, 2200), between(2300, 3200)}, random)
		}
		for i := range syllable {
			sin := math.Sin(math.Pi * (float64(i) + 0.5) / float64(n))
			syllable[i] *= sin * sin
		}
		at += n + int(between(0, 0.06)*s.Rate)
	}
	power := 0.0
	for _, v := range voice {
		power += v * v
	}
	if power == 0 {
		return
	}
	gain := talk.Level / math.Sqrt(power/float64(len(voice)))
	for n, v := range voice {
		x[from+n] += gain * v
	}
}

// vowel fills dst with pulses gliding from one pitch to another, through formants.
func (s Scene) vowel(dst []float64, fromHz, toHz float64, formants [3]float64, random *rand.Rand) {
	pulses := make([]float64, len(dst))
	phase := random.Float64()
	for n := range pulses {
		phase += (fromHz + (toHz-fromHz)*float64(n)/float64(len(dst))) / s.Rate
		if phase >= 1 {
			phase--
			pulses[n] = 1 + 0.05*random.NormFloat64()
		}
	}
	for k, hz := range formants {
		if hz >= s.Rate/2 {
			continue
		}
		step := cmplx.Exp(complex(-math.Pi*(60+0.03*hz), 2*math.Pi*hz) / complex(s.Rate, 0))
		gain := math.Pow(0.5, float64(k))
		var state complex128
		for n, in := range pulses {
			state = (state + complex(in, 0)) * step
			dst[n] += gain * imag(state)
		}
	}
}

// hiss fills dst with noise of which the low frequencies are taken away.
func (s Scene) hiss(dst []float64, random *rand.Rand) {
	for n := range dst {
		dst[n] = 0.1 * random.NormFloat64()
	}
	Microphone{HighpassHz: min(3000, 0.2*s.Rate), Order: 2}.filter(s.Rate).run(dst)
}
