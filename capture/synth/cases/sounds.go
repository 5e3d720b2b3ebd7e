package cases

import (
	"math"
	"math/rand/v2"

	"ringstock/capture/synth"
)

// Sound makes a second and a half of a sound at a sampling rate.
type Sound func(rate float64, random *rand.Rand) []float64

// WorkshopSounds are sounds of a workshop that are no taps, invented, by name.
var WorkshopSounds = map[string]Sound{
	"beep of a scale": func(rate float64, random *rand.Rand) []float64 {
		hz, long := []float64{440, 1000, 2000, 2702.7, 4096}[random.IntN(5)], 0.08+0.2*random.Float64()
		return made(rate, func(t float64) float64 {
			fade := math.Min(1, t/0.002)
			if t > long { // the buzzer's own ring
				fade = math.Exp(-(t - long) * math.Pi * hz / 300)
			}
			return fade * (math.Sin(2*math.Pi*hz*t) + 0.1*math.Sin(6*math.Pi*hz*t))
		})
	},
	"keys": func(rate float64, random *rand.Rand) []float64 {
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64()}
		for range 9 {
			s.Modes = append(s.Modes, synth.Mode{Hz: 1800 + 8000*random.Float64(), Q: 100 + 400*random.Float64(), Gain: 0.2})
		}
		for i := range 1 + random.IntN(4) {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: 0.01 + 0.09*float64(i)*random.Float64(), ContactS: 0.0002, Strength: random.Float64() + 0.3})
		}
		return s.Render().Tracks[0]
	},
	"glass": func(rate float64, random *rand.Rand) []float64 {
		hz := 350 + 1500*random.Float64()
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64(), Strikes: []synth.Strike{{AtS: 0.01, ContactS: 0.0004, Strength: 1}}}
		for i, ratio := range []float64{1, 2.32, 4.25, 6.63, 9.38} { // of a wine glass: n^2 with n = 2, 3 ..., about
			s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: 500 + 400*random.Float64(), Gain: 0.6 / float64(i+1)})
		}
		return s.Render().Tracks[0]
	},
	"clap": func(rate float64, random *rand.Rand) []float64 {
		hz := 700 + 900*random.Float64()
		return resonant(made(rate, func(t float64) float64 { return math.Exp(-t/0.004) * random.NormFloat64() }), rate, hz, 4)
	},
	"cough": func(rate float64, random *rand.Rand) []float64 {
		long := 0.15 + 0.15*random.Float64()
		return resonant(made(rate, func(t float64) float64 {
			return math.Min(1, t/0.01) * math.Exp(-t/long) * random.NormFloat64()
		}), rate, 400+400*random.Float64(), 2)
	},
	"speech": func(rate float64, random *rand.Rand) []float64 {
		return synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64(),
			Talk: []synth.Talk{{AtS: 0.05, DurationS: 1.2, Level: 0.2, PitchHz: 90 + 140*random.Float64()}}}.Render().Tracks[0]
	},
	"dropped pencil": func(rate float64, random *rand.Rand) []float64 {
		hz := 900 + 700*random.Float64()
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64()}
		for _, ratio := range []float64{1, 2.7, 5.2} { // it is a bar, too, though a short one
			s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: 30 + 30*random.Float64(), Gain: 0.4})
		}
		for at, gap := 0.01, 0.16; gap > 0.02; at, gap = at+gap, 0.7*gap {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: at, ContactS: 0.0004, Strength: gap / 0.16})
		}
		return s.Render().Tracks[0]
	},
	"tape measure": func(rate float64, random *rand.Rand) []float64 {
		return made(rate, func(t float64) float64 { // it runs in, and stops with a snap
			x := 0.15 * random.NormFloat64() * (1 + math.Sin(2*math.Pi*(60+120*t)*t))
			if t > 0.6 {
				x = math.Exp(-(t-0.6)/0.01) * random.NormFloat64()
			}
			return x
		})
	},
}

// OtherSounds are of the same kinds, made in other ways: no threshold was set on them.
var OtherSounds = map[string]Sound{
	"buzzer": func(rate float64, random *rand.Rand) []float64 { // a square wave, once to three times
		hz, pips, long := 300+3500*random.Float64(), 1+random.IntN(3), 0.06+0.1*random.Float64()
		x := made(rate, func(t float64) float64 {
			if at := math.Mod(t, 0.3); t > 0.3*float64(pips) || at > long {
				return 0
			}
			return math.Copysign(1, math.Sin(2*math.Pi*hz*t))
		})
		return resonant(x, rate, 2.5*hz, 3)
	},
	"keys on a bench": func(rate float64, random *rand.Rand) []float64 { // they clink, and the top of the bench thumps
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64()}
		for range 4 {
			s.Modes = append(s.Modes, synth.Mode{Hz: 1200 + 5000*random.Float64(), Q: 80 + 200*random.Float64(), Gain: 0.15})
		}
		s.Modes = append(s.Modes, synth.Mode{Hz: 90 + 200*random.Float64(), Q: 6 + 8*random.Float64(), Gain: 1})
		for at := 0.01; at < 0.4; at += 0.02 + 0.1*random.Float64() {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: at, ContactS: 0.0005, Strength: math.Exp(-at / 0.1)})
		}
		return s.Render().Tracks[0]
	},
	"bottle": func(rate float64, random *rand.Rand) []float64 { // the bending modes of a ring, each a close pair
		hz := 280 + 900*random.Float64()
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64(), Strikes: []synth.Strike{{AtS: 0.01, ContactS: 0.0006, Strength: 1}}}
		for n := 2.0; n < 6; n++ { // (Rayleigh, Theory of Sound, section 233: n (n^2 - 1) / sqrt(n^2 + 1))
			at := hz * n * (n*n - 1) / math.Sqrt(n*n+1) / (6 / math.Sqrt(5))
			for _, split := range []float64{-0.003, 0.003} {
				s.Modes = append(s.Modes, synth.Mode{Hz: at * (1 + split), Q: 150 + 500*random.Float64(), Gain: (0.2 + random.Float64()) / n})
			}
		}
		return s.Render().Tracks[0]
	},
	"hands": func(rate float64, random *rand.Rand) []float64 { // two claps; the hollow of the hands sounds
		apart := 0.25 + 0.3*random.Float64()
		x := made(rate, func(t float64) float64 {
			if t > apart {
				t -= apart
			}
			return math.Min(1, t/0.0005) * math.Exp(-t/0.006) * random.NormFloat64()
		})
		return sum(resonant(x, rate, 350+500*random.Float64(), 2), resonant(x, rate, 1800+900*random.Float64(), 3))
	},
	"two coughs": func(rate float64, random *rand.Rand) []float64 { // a burst of air, then the voice, through a throat
		pitch, next := 110+120*random.Float64(), 0.35+0.2*random.Float64()
		x := made(rate, func(t float64) float64 {
			if t > next {
				t -= next
			}
			air := math.Min(1, t/0.004) * math.Exp(-t/0.05) * random.NormFloat64()
			voice := math.Max(0, t-0.06) * 8 * math.Exp(-t/0.08)
			return air + voice*(math.Mod(t*pitch, 1)-0.5)
		})
		return throat(x, rate, random)
	},
	"vowels": func(rate float64, random *rand.Rand) []float64 { // syllables of a pulse train through a throat
		pitch, long := 80+170*random.Float64(), 0.12+0.15*random.Float64()
		phase := 0.0
		x := made(rate, func(t float64) float64 {
			phase += pitch * (1 + 0.15*math.Sin(2*math.Pi*1.3*t)) / rate
			open := math.Sin(math.Pi * math.Mod(t, long) / long)
			pulse := 0.0
			if phase >= 1 {
				phase--
				pulse = 30
			}
			return open * (pulse + 0.05*random.NormFloat64())
		})
		return throat(x, rate, random)
	},
	"pencil on a bench": func(rate float64, random *rand.Rand) []float64 { // it rolls, and the bench's top answers
		hz := 600 + 900*random.Float64()
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64()}
		for i, ratio := range []float64{1, 2.6, 4.9} {
			s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: 20 + 40*random.Float64(), Gain: 0.5 / float64(i+1)})
		}
		for range 5 { // of a top of boards on trestles, with what lies on it
			s.Modes = append(s.Modes, synth.Mode{Hz: 70 + 500*random.Float64(), Q: 8 + 12*random.Float64(), Gain: 0.3})
		}
		for at := 0.01; at < 1; at += 0.04 + 0.12*random.Float64() {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: at, ContactS: 0.0006, Strength: math.Exp(-at/0.4) * (0.5 + random.Float64())})
		}
		return s.Render().Tracks[0]
	},
	"steel tape": func(rate float64, random *rand.Rand) []float64 { // the blade buckles a few times, and rattles in
		s := synth.Scene{Rate: rate, DurationS: 1.5, Seed: random.Uint64()}
		for range 6 {
			s.Modes = append(s.Modes, synth.Mode{Hz: 250 + 3000*random.Float64(), Q: 20 + 60*random.Float64(), Gain: 0.3})
		}
		for at, gap := 0.01, 0.25; gap > 0.004; at, gap = at+gap, gap*(0.55+0.35*random.Float64()) {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: at, ContactS: 0.0003, Strength: 0.3 + random.Float64()})
		}
		return s.Render().Tracks[0]
	},
}

// throat sends a sound through the three resonances of a vowel.
func throat(x []float64, rate float64, random *rand.Rand) []float64 {
	first := resonant(x, rate, 300+500*random.Float64(), 5)
	second := resonant(x, rate, 900+1200*random.Float64(), 9)
	third := resonant(x, rate, 2500+400*random.Float64(), 12)
	return sum(first, second, third)
}

func sum(list ...[]float64) []float64 {
	total := make([]float64, len(list[0]))
	for _, x := range list {
		for i, v := range x {
			total[i] += v
		}
	}
	return total
}

func made(rate float64, f func(t float64) float64) []float64 {
	x := make([]float64, int(1.5*rate))
	for i := range x {
		x[i] = f(float64(i) / rate)
	}
	return x
}

// resonant sends a sound through one resonance.
func resonant(x []float64, rate, hz, q float64) []float64 {
	w := 2 * math.Pi * hz / rate
	r := math.Exp(-w / (2 * q))
	out := make([]float64, len(x))
	y1, y2 := 0.0, 0.0
	for i, v := range x {
		y := v*(1-r) + 2*r*math.Cos(w)*y1 - r*r*y2
		out[i], y1, y2 = y, y, y1
	}
	return out
}

// Loud brings a sound to a peak.
func Loud(x []float64, peak float64) []float64 {
	top := 1e-9
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	for i := range x {
		x[i] *= peak / top
	}
	return x
}
