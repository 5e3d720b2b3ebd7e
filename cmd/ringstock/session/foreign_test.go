package session_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/cmd/ringstock/session"
)

// foreign are sounds of a workshop that are no taps, invented: by name, a second and a half at a rate, peak about 1.
var foreign = map[string]func(rate float64, random *rand.Rand) []float64{
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
	y1, y2 := 0.0, 0.0
	for i, v := range x {
		y := v*(1-r) + 2*r*math.Cos(w)*y1 - r*r*y2
		x[i], y1, y2 = y, y, y1
	}
	return x
}

// loud brings a sound to a peak.
func loud(x []float64, peak float64) []float64 {
	top := 1e-9
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	for i := range x {
		x[i] *= peak / top
	}
	return x
}

// withForeign is a bar tapped a few times, and a foreign sound before.
func withForeign(seed uint64, sound []float64, taps int) (capture.Recording, cases.Truth) {
	c := cases.Bar(seed).InRoom().SNR(36).Starting(7).Taps(taps)
	c.Scene.Device = synth.Device{Bits: 24}
	rec, truth := c.Render()
	x := rec.Tracks[0]
	top := 0.0
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	for i, v := range loud(sound, 0.7*top) {
		x[int(1.5*rec.Rate)+i] += v
	}
	return rec, truth
}

// TestForeignSounds: none of the workshop's sounds counts as a first tap without a question, and the first tap of wood
// after it does.
func TestForeignSounds(t *testing.T) {
	each := uint64(3)
	if os.Getenv("RINGSTOCK_SLOW") != "" {
		each = 16
	}
	sounds, counted, taps, good, asked := 0, 0, 0, 0, 0
	for name, sound := range foreign {
		for seed := range each {
			random := rand.New(rand.NewPCG(seed, 7))
			rec, truth := withForeign(7100+seed, sound(48000, random), 1)
			set := settings(t, t.TempDir())
			set.Blank = "A1"
			_, h, err := listen(t, set, play(rec), nil)
			if err != nil {
				t.Fatal(err)
			}
			sounds++
			taps++
			for _, tap := range h.taps {
				if tap.Asked {
					asked++
				}
				if !tap.Good {
					continue
				}
				if math.Abs(tap.Ring.Fundamental.Hz.X/truth.Fundamental.Hz-1) < 0.01 {
					good++
				} else {
					counted++
					t.Errorf("%s %d counts: %.1f Hz, Q %.0f", name, seed, tap.Ring.Fundamental.Hz.X, tap.Ring.Fundamental.Q.X)
				}
			}
			if len(h.good()) == 0 {
				for _, tap := range h.taps {
					t.Errorf("%s %d: the tap of wood did not count: %s", name, seed, tap.Why)
				}
			}
		}
	}
	t.Logf("%d of %d foreign sounds counted, %d asked about; %d of %d taps of wood after them good", counted, sounds, asked, good, taps)
}

// TestBeepsBeforeSticks: hands-free, a scale that beeps five times before each stick does not move the numbers of the
// sticks.
func TestBeepsBeforeSticks(t *testing.T) {
	set := settings(t, t.TempDir())
	set.Blank, set.HandsFree, set.Taps, set.Blanks = "A1", true, 3, 5
	var hands person
	var notes []float64
	for stick := range uint64(5) {
		beeps := make([]float64, 4*48000)
		for i := range 5 {
			random := rand.New(rand.NewPCG(stick, uint64(i)))
			copy(beeps[i*38000:], foreign["beep of a scale"](48000, random)[:30000])
		}
		rec, truth := withForeign(7300+stick, beeps, 6)
		hands.blanks = append(hands.blanks, rec)
		notes = append(notes, truth.Fundamental.Hz)
	}
	s, err := session.Open(set)
	if err != nil {
		t.Fatal(err)
	}
	h := &told{}
	if err := s.Run(t.Context(), &hands, nil, func(e session.Event) {
		h.tell(e)
		if _, done := e.(session.BlankDone); done {
			hands.next()
		}
	}); err != nil {
		t.Fatal(err)
	}
	for _, tap := range h.taps {
		stick := int(tap.Blank[1] - '1')
		if tap.Good && math.Abs(tap.Ring.Fundamental.Hz.X/notes[stick]-1) > 0.01 {
			t.Errorf("blank %s has a tap of %.1f Hz; its note is %.1f Hz", tap.Blank, tap.Ring.Fundamental.Hz.X, notes[stick])
		}
	}
	if got := fmt.Sprint(h.done); got != "[A1 A2 A3 A4 A5]" {
		t.Errorf("done: %s", got)
	}
}
