package cases

import (
	"math"
	"math/rand/v2"
	"slices"

	"ringstock/capture/synth"
)

// Heard puts the bar into a room that answers a click so (sampled at the case's rate),
// with the answer's energy so many dB below the direct sound's: 10-20 dB where the
// microphone is 5-15 cm from the blank, 0-6 dB at arm's length.
func (c Case) Heard(answer []float64, underDB float64) Case {
	gain := math.Pow(10, -(underDB+synth.AnswerDB(answer, c.Scene.Rate))/20)
	c.Scene.Room = synth.Room{Answer: slices.Clone(answer)}
	for i := range c.Scene.Room.Answer {
		c.Scene.Room.Answer[i] *= gain
	}
	return c
}

// Box draws a rectangular room of about a reverberation time: a small one for a short, a
// hall for a long one. Its walls differ by up to a factor of six in what they take, as a
// carpet and a bare wall do.
func Box(seed uint64, rt60S float64) synth.Box {
	random := rand.New(rand.NewPCG(seed, 300))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	volume := 30 * math.Pow(rt60S/0.4, 2) * math.Pow(2, between(-1, 1))
	b := synth.Box{SizeM: [3]float64{between(0.9, 1.7), between(0.7, 1.2), between(0.6, 0.9)}}
	scale := math.Cbrt(volume / (b.SizeM[0] * b.SizeM[1] * b.SizeM[2]))
	var take [6]float64
	for i := range take {
		take[i] = math.Pow(6, between(-0.5, 0.5))
	}
	for i := range 3 {
		b.SizeM[i] *= scale
		b.From[i], b.To[i] = b.SizeM[i]*between(0.1, 0.9), b.SizeM[i]*between(0.1, 0.9)
	}
	low, high := 0.0, 0.9/slices.Max(take[:])
	for range 40 {
		mid := (low + high) / 2
		for i := range take {
			b.Absorb[i] = mid * take[i]
		}
		if b.RT60() > rt60S {
			low = mid
		} else {
			high = mid
		}
	}
	return b
}
