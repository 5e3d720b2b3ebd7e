package cases

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"ringstock/capture/synth"
	"ringstock/capture/synth/beam"
)

// wood is a bar of length 1 whose dimensions and wood vary along it by
// factors; a nil factor is 1.
type wood struct {
	slender, stiff                float64 // height over length, E/G
	ratio                         float64 // width over height; 0 = 1
	young, density, height, width func(x float64) float64
}

func (w wood) bar() beam.Bar {
	factor := func(f func(float64) float64, x float64) float64 {
		if f == nil {
			return 1
		}
		return f(x)
	}
	ratio := w.ratio
	if ratio == 0 {
		ratio = 1
	}
	return beam.Bar{Length: 1, At: func(x float64) beam.Section {
		s := beam.Rectangle(w.slender*factor(w.height, x), w.slender*ratio*factor(w.width, x))
		e := factor(w.young, x)
		s.Young, s.Shear, s.Density = w.stiff*e, e, factor(w.density, x)
		return s
	}}
}

func (w wood) vibrations(k beam.Kind, n int) []beam.Vibration { return w.bar().Vibrations(k, n) }

// Unevenness is by how much a bar varies along its length: relative standard deviations.
// Real blanks vary by a few per cent (common practice, no source).
type Unevenness struct {
	Young, Density, Section float64
	Planes                  float64 // the planes' notes lie at most so far apart, relatively
	CorrelationM            float64 // over a length of 0.75 m
}

// wander is a factor with mean 1 that varies along a bar of length 1:
// exponentially correlated noise.
func wander(random *rand.Rand, sd, correlation float64) func(x float64) float64 {
	const steps = 150
	g := make([]float64, steps+1)
	keep := math.Exp(-1 / (steps * correlation))
	mean := 0.0
	for i := range g {
		if g[i] = random.NormFloat64(); i > 0 {
			g[i] = keep*g[i-1] + math.Sqrt(1-keep*keep)*g[i]
		}
		mean += g[i] / float64(len(g))
	}
	return func(x float64) float64 {
		at := x * steps
		i := min(int(at), steps-1)
		t := at - float64(i)
		return 1 + sd*((1-t)*g[i]+t*g[i+1]-mean)
	}
}

// UnevenBar is a bow blank like Bar whose wood and section vary along it; the two planes'
// modes are those of one body.
func UnevenBar(seed uint64, u Unevenness) Case {
	random := rand.New(rand.NewPCG(seed, 20))
	c := Case{random: random}
	c.Scene.Seed = seed
	hz, q := c.between(88, 190), 100*math.Pow(4, random.Float64())
	heardAt := c.between(0, 0.04)
	w := wood{slender: c.between(0.0165, 0.024), stiff: c.between(12, 20), ratio: 1 + c.sign()*c.between(0, u.Planes)}
	along := u.CorrelationM / 0.75
	w.young, w.density = wander(random, u.Young, along), wander(random, u.Density, along)
	w.height, w.width = wander(random, u.Section, along), wander(random, u.Section, along)
	high, wide := w.vibrations(beam.AlongHeight, 6), w.vibrations(beam.AlongWidth, 5)
	c = c.struck(q, heardAt, planeModes{hz: hz, modes: high}, func() planeModes {
		return planeModes{hz: hz * wide[0].Hz / high[0].Hz, modes: wide, db: -c.between(8, 40)}
	})
	// Hard mallets let the higher modes sound as loud as the fundamental.
	hard := c.between(0.2, 1)
	unit := cmplx.Abs(c.Scene.Amplitude(0, 0))
	for k := range c.Scene.Strikes {
		c.Scene.Strikes[k].ContactS *= hard
	}
	unit /= cmplx.Abs(c.Scene.Amplitude(0, 0))
	peak := 0.0 // of the loudest strike, so that none clips
	for strike := range c.Scene.Strikes {
		sum := 0.0
		for k := range c.Scene.Modes {
			sum += cmplx.Abs(c.Scene.Amplitude(strike, k)) * unit
		}
		peak = max(peak, sum)
	}
	for k := range c.Scene.Modes {
		c.Scene.Modes[k].Gain *= unit * min(1, 0.7/peak)
	}
	return c.SNR(45)
}

// EndTaps is a bow blank struck on its end four times: the lengthwise note of Q q with
// two overtones, and of each plane ten bending modes, which ring on when the note is long
// gone. Noise is set for the note.
func EndTaps(seed uint64, q float64) Case {
	c := Case{random: rand.New(rand.NewPCG(seed, 40))}
	hz := c.between(2600, 3600)
	w := wood{slender: c.between(0.0165, 0.024), stiff: c.between(12, 20), ratio: 1 + c.sign()*c.between(0, 0.1)}
	along := w.vibrations(beam.Lengthwise, 3)
	c.Scene = synth.Scene{Name: "end taps", Rate: 48000, Seed: seed, Pink: 1, White: 0.1, Device: synth.Device{Bits: 24}}
	heardAt := c.between(0.96, 1)
	add := func(modes []beam.Vibration, q, lean float64) {
		for n, m := range modes {
			c.Scene.Modes = append(c.Scene.Modes, synth.Mode{
				Hz: hz * m.Hz / along[0].Hz, Q: q / (1 + 0.06*float64(n) + 0.05*c.random.Float64()),
				Gain: lean * m.Hz / along[0].Hz * m.Shape(0) * m.Shape(heardAt),
			})
			c.own = append(c.own, true)
		}
	}
	add(along, q*1.02, 1)
	c.Scene.Modes[0].Q = q
	bendingQ := 100 * math.Pow(4, c.random.Float64())
	add(w.vibrations(beam.AlongHeight, 10), bendingQ, math.Pow(10, -c.between(14, 34)/20))
	add(w.vibrations(beam.AlongWidth, 10), bendingQ, math.Pow(10, -c.between(20, 40)/20))
	at, contact := c.between(1, 1.3), c.between(0.0001, 0.0002)
	for range 4 {
		strength := math.Pow(10, c.between(-2, 2)/20)
		c.Scene.Strikes = append(c.Scene.Strikes, synth.Strike{
			AtS: at, ContactS: contact * c.between(0.9, 1.1), Strength: strength, Gains: nil, Thud: level * c.between(0.3, 1.2) * strength,
		})
		for range c.Scene.Modes {
			k := len(c.Scene.Strikes) - 1
			c.Scene.Strikes[k].Gains = append(c.Scene.Strikes[k].Gains, 1)
		}
		at += 0.8 * c.between(0.95, 1.15)
	}
	c.Scene.DurationS = at
	unit := level / cmplx.Abs(c.Scene.Amplitude(0, 0))
	for k := range c.Scene.Modes {
		c.Scene.Modes[k].Gain *= unit
	}
	return c.SNR(c.between(27, 40))
}
