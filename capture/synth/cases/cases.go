// Package cases makes recordings of struck bars that put an analysis to the test, each
// with its truth. A case starts as a plain tapped bar and is made harder step by step:
//
//	c := cases.Bar(seed).HumNear(0.3, -10).SNR(20)
//	recording, truth := c.Render()
//
// Everything follows from the seed. Classes lists the kinds of difficulty by name.
package cases

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/beam"
)

// Case is a recording in the making. Its methods return a changed copy.
type Case struct {
	Scene  synth.Scene
	own    []bool // by mode: is it the bar's
	pair   int    // mode that beats with the fundamental; 0 = none
	again  []int  // strikes that are the second blow of a double strike
	loud   []int  // strikes made to clip
	random *rand.Rand
}

// Truth is what a perfect analysis would find.
type Truth struct {
	Fundamental synth.Mode
	Pair        *synth.Mode  // the other line of the close pair in the fundamental, or nil
	Own         []synth.Mode // the bar's modes, the fundamental first
	Foreign     []synth.Mode // decaying notes that are none of the bar's
	HumHz       []float64
	Taps        []Tap
	PurityPct   float64 // median over the plain taps
	SNRdB       float64 // of the fundamental, median over the plain taps
	Altered     bool    // the recorder changed the decay
}

// Tap is one tap; a double strike counts as one.
type Tap struct {
	AtS        float64
	Double     bool
	ClippedToS float64    // seconds after the strike to the last clipped sample; 0 = none is
	Amplitude  complex128 // of the fundamental, extrapolated to the strike
	PurityPct  float64    // share of the bar's own modes in the modal energy, without the room
	SNRdB      float64    // power of the fundamental at the strike over the noise in its octave
	Talk       bool       // someone speaks within a second after the strike
}

// Render makes the recording and says what is in it.
func (c Case) Render() (capture.Recording, Truth) {
	s := c.Scene
	r := s.Render()
	truth := Truth{
		Fundamental: s.Modes[0],
		Altered:     s.Device.AutoGain.Target > 0 || s.Device.Suppress.ReductionDB > 0,
	}
	for k, m := range s.Modes {
		if c.own[k] {
			truth.Own = append(truth.Own, m)
		} else {
			truth.Foreign = append(truth.Foreign, m)
		}
	}
	if c.pair > 0 {
		truth.Pair = &s.Modes[c.pair]
	}
	for _, line := range s.Hum {
		truth.HumHz = append(truth.HumHz, line.Hz)
	}
	var purity, snr []float64
	for k, strike := range s.Strikes {
		if slices.Contains(c.again, k) {
			continue
		}
		tap := c.tap(k, r)
		truth.Taps = append(truth.Taps, tap)
		if !tap.Double && tap.ClippedToS == 0 && strike.AtS >= 0 {
			purity, snr = append(purity, tap.PurityPct), append(snr, tap.SNRdB)
		}
	}
	truth.PurityPct, truth.SNRdB = median(purity), median(snr)
	return r, truth
}

// tap is the truth about the tap that begins with a strike.
func (c Case) tap(strike int, r capture.Recording) Tap {
	s := c.Scene
	tap := Tap{AtS: s.Strikes[strike].AtS, Amplitude: s.Ringing(strike, 0)}
	next := s.DurationS
	for k, other := range s.Strikes {
		if slices.Contains(c.again, k) {
			tap.Double = tap.Double || other.AtS > tap.AtS && other.AtS < tap.AtS+doubleMostS
		} else if other.AtS > tap.AtS {
			next = min(next, other.AtS)
		}
	}
	for _, talk := range s.Talk {
		tap.Talk = tap.Talk || talk.AtS < tap.AtS+1 && talk.AtS+talk.DurationS > tap.AtS
	}
	ceiling := math.Inf(1)
	if s.Device.ClipAt > 0 {
		ceiling = s.Device.ClipAt
	} else if s.Device.Bits > 0 {
		ceiling = 1 - math.Ldexp(1, 1-s.Device.Bits)
	}
	x := r.Tracks[0]
	for n := max(0, int(tap.AtS*s.Rate)); n < min(int(next*s.Rate), len(x)); n++ {
		if math.Abs(x[n]) >= ceiling {
			tap.ClippedToS = float64(n)/s.Rate - tap.AtS
		}
	}
	own, all := 0.0, 0.0
	for k, m := range s.Modes {
		e := energy(cmplx.Abs(s.Ringing(strike, k)), m.Tau())
		all += e
		if c.own[k] {
			own += e
		}
	}
	tap.PurityPct = 100 * own / all
	a := cmplx.Abs(tap.Amplitude)
	tap.SNRdB = 10 * math.Log10(a*a/2/s.OctaveNoise(s.Modes[0].Hz))
	return tap
}

// energy of a mode from 30 to 530 ms after the strike: the integral of
// (a exp(-t/tau))^2/2.
func energy(a, tau float64) float64 {
	return a * a * tau / 4 * (math.Exp(-0.06/tau) - math.Exp(-1.06/tau))
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[len(v)/2] + v[(len(v)-1)/2]) / 2
}

const (
	level       = 0.05 // amplitude of a fundamental, of full scale
	doubleMostS = 0.15 // the second blow of a double strike comes within this time
)

func (c *Case) between(low, high float64) float64 { return low + (high-low)*c.random.Float64() }

func (c *Case) sign() float64 {
	if c.random.IntN(2) == 0 {
		return -1
	}
	return 1
}

// copied makes the slices of the scene the case's own, so that the case it came from
// stays as it is, and continues its random numbers on a stream of its own.
func (c Case) copied(step uint64) Case {
	c.Scene.Modes = slices.Clone(c.Scene.Modes)
	c.Scene.Strikes = slices.Clone(c.Scene.Strikes)
	for k := range c.Scene.Strikes {
		c.Scene.Strikes[k].Gains = slices.Clone(c.Scene.Strikes[k].Gains)
	}
	c.Scene.Hum = slices.Clone(c.Scene.Hum)
	c.Scene.Talk = slices.Clone(c.Scene.Talk)
	c.own, c.again, c.loud = slices.Clone(c.own), slices.Clone(c.again), slices.Clone(c.loud)
	c.random = rand.New(rand.NewPCG(c.Scene.Seed, step))
	return c
}

// Single is one mode, struck once, in white noise: the case whose Cramér-Rao bound is
// simple. The record ends taus decay times after the strike, which comes after 1 s.
func Single(seed uint64, hz, q, snrDB, taus float64) Case {
	c := Case{own: []bool{true}, random: rand.New(rand.NewPCG(seed, 0))}
	m := synth.Mode{Hz: hz, Q: q, Gain: level}
	at := 1 + c.between(0, 0.01)
	c.Scene = synth.Scene{
		Name: "single", Rate: 48000, DurationS: at + taus*m.Tau(), Seed: seed,
		Modes:   []synth.Mode{m},
		Strikes: []synth.Strike{{AtS: at, ContactS: 0.001, Strength: 1}},
		White:   1,
	}
	return c.SNR(snrDB)
}

// Bar is a bow blank tapped five times, in little noise: six bending modes in the plane
// of the taps, four in the other plane far below them, torsion and longitudinal modes.
// Pitch, damping, section, place and hardness of the taps vary with the seed.
func Bar(seed uint64) Case {
	random := rand.New(rand.NewPCG(seed, 0))
	c := Case{random: random}
	c.Scene.Seed = seed
	hz, q := c.between(88, 190), 100*math.Pow(4, random.Float64())
	heardAt := c.between(0, 0.04)
	slender, stiff := c.between(0.0165, 0.024), c.between(12, 20)
	even := wood{slender: slender, stiff: stiff}.vibrations(beam.AlongHeight, 6)
	first, second := planeModes{hz: hz, modes: even, jitter: 0.002}, planeModes{modes: even[:4], jitter: 0.002}
	return c.struck(q, heardAt, first, func() planeModes {
		second.hz, second.db = hz*(1+c.sign()*c.between(0.05, 0.15)), -c.between(22, 45)
		return second
	})
}

// planeModes are the bending modes of one plane, as they are to be heard.
type planeModes struct {
	hz     float64 // of the lowest
	db     float64 // how loud, about
	jitter float64 // relative sd of the higher modes' places
	modes  []beam.Vibration
}

// struck is the bar with these modes tapped five times; second is asked for when its turn
// in the random numbers has come.
func (c Case) struck(q, heardAt float64, first planeModes, second func() planeModes) Case {
	c.Scene = synth.Scene{
		Name: "bar", Rate: 48000, Seed: c.Scene.Seed, Pink: 1, White: 0.15,
		Device: synth.Device{Bits: 24},
	}
	var shapes []func(x float64) float64
	add := func(hz, q, gain float64, shape func(float64) float64) {
		c.Scene.Modes = append(c.Scene.Modes, synth.Mode{Hz: hz, Q: q, Gain: gain})
		c.own = append(c.own, true)
		shapes = append(shapes, shape)
	}
	plane := func(p planeModes) {
		for n, mode := range p.modes {
			ratio := mode.Hz / p.modes[0].Hz * (1 + p.jitter*float64(min(n, 1))*c.random.NormFloat64())
			loss := 1 + 0.06*float64(n) + 0.05*c.random.NormFloat64()
			if n == 0 {
				loss = 1
			}
			// The microphone hears the acceleration, which grows with the frequency.
			gain := math.Pow(10, p.db/20) * ratio * mode.Shape(heardAt)
			add(p.hz*ratio, q/loss, gain, mode.Shape)
		}
	}
	hz := first.hz
	plane(first)
	plane(second())
	even := func(float64) float64 { return 1 }
	twist := hz * c.between(5, 7)
	add(twist, q*c.between(0.4, 0.6), c.sign()*math.Pow(10, -c.between(8, 25)/20), even)
	add(twist*2.01, q*c.between(0.4, 0.6), c.sign()*math.Pow(10, -c.between(10, 30)/20), even)
	add(hz*c.between(24, 29), q, math.Pow(10, -c.between(25, 45)/20), even)

	// Near the middle, or near an end.
	strikeAt, contact := c.between(0.42, 0.47), c.between(0.0012, 0.0024)
	if c.random.IntN(3) == 0 {
		strikeAt, contact = c.between(0.02, 0.06), c.between(0.0006, 0.0014)
	}
	thud := level * math.Pow(10, c.between(-6, 3)/20)
	at := c.between(1.0, 1.5)
	apart := max(1.6, 2.6*c.Scene.Modes[0].Tau())
	for range 5 {
		strength := math.Pow(10, c.between(-3, 3)/20)
		place := strikeAt + 0.005*c.random.NormFloat64()
		gains := make([]float64, len(shapes))
		for k, shape := range shapes {
			gains[k] = shape(place)
		}
		c.Scene.Strikes = append(c.Scene.Strikes, synth.Strike{
			AtS: at, ContactS: contact * c.between(0.9, 1.1), Strength: strength, Gains: gains, Thud: thud * strength,
		})
		at += apart * c.between(0.95, 1.15)
	}
	c.Scene.DurationS = at
	unit := level / cmplx.Abs(c.Scene.Amplitude(0, 0))
	for k := range c.Scene.Modes {
		c.Scene.Modes[k].Gain *= unit
	}
	return c.SNR(45)
}

// plain is the first strike that is as it should be; levels refer to it.
func (c Case) plain() int {
	for k := range c.Scene.Strikes {
		if !slices.Contains(c.loud, k) && !slices.Contains(c.again, k) {
			return k
		}
	}
	return 0
}

// SNR sets the noise so that the fundamental has the given signal-to-noise ratio at the
// first plain strike. Call it after what changes the fundamental's level.
func (c Case) SNR(db float64) Case {
	c.Scene = c.Scene.WithSNR(c.plain(), 0, db)
	return c
}

// InWhiteNoise replaces the noise by white noise of the same signal-to-noise ratio.
func (c Case) InWhiteNoise() Case {
	db := c.Scene.SNRdB(c.plain(), 0)
	c.Scene.Pink, c.Scene.White = 0, 1
	return c.SNR(db)
}

// At sets the sampling rate. The noise in the octave of the fundamental stays as it was.
func (c Case) At(rate float64) Case {
	db := c.Scene.SNRdB(c.plain(), 0)
	c.Scene.Rate = rate
	return c.SNR(db)
}

// Taps keeps the first n taps, or repeats them until there are n. Call it before what
// changes single taps.
func (c Case) Taps(n int) Case {
	c = c.copied(13)
	s := &c.Scene
	given := len(s.Strikes)
	apart := (s.DurationS - s.Strikes[0].AtS) / float64(given)
	for k := given; k < n; k++ {
		again := s.Strikes[k-given]
		again.Gains = slices.Clone(again.Gains)
		again.AtS += apart * float64(given)
		s.Strikes = append(s.Strikes, again)
	}
	s.Strikes = s.Strikes[:n]
	s.DurationS = s.Strikes[n-1].AtS + apart
	return c
}

// Starting lets the recording begin the given time before the first strike, or after it
// if the time is negative.
func (c Case) Starting(beforeS float64) Case {
	c = c.copied(14)
	shift := beforeS - c.Scene.Strikes[0].AtS
	for k := range c.Scene.Strikes {
		c.Scene.Strikes[k].AtS += shift
	}
	for k := range c.Scene.Talk {
		c.Scene.Talk[k].AtS += shift
	}
	c.Scene.DurationS += shift
	return c
}

// Damped sets the Q of the fundamental, and of the other modes in proportion.
func (c Case) Damped(q float64) Case {
	c = c.copied(1)
	scale := q / c.Scene.Modes[0].Q
	for k := range c.Scene.Modes {
		c.Scene.Modes[k].Q *= scale
	}
	return c
}

// HumNear adds a hum line at a distance from the fundamental, with a level relative to
// the fundamental at the first plain strike.
func (c Case) HumNear(apartHz, db float64) Case {
	c = c.copied(2)
	c.hum(c.Scene.Modes[0].Hz+apartHz, db)
	return c
}

// MainsNear puts the fundamental at a distance above the nearest even harmonic of the
// mains, and adds the mains. The bar keeps its ratios.
func (c Case) MainsNear(apartHz, db float64) Case {
	c = c.copied(3)
	mains := [...]float64{50, 60}[c.random.IntN(2)] * (1 + 0.0004*c.random.NormFloat64())
	harmonic := 2 * max(1, math.Round(c.Scene.Modes[0].Hz/(2*mains)))
	scale := (harmonic*mains + apartHz) / c.Scene.Modes[0].Hz
	for k := range c.Scene.Modes {
		c.Scene.Modes[k].Hz *= scale
	}
	for n := 1.0; n <= 9; n++ {
		if n == harmonic {
			c.hum(n*mains, db)
		} else {
			c.hum(n*mains, db-c.between(0, 15))
		}
	}
	return c
}

// Mains adds eight harmonics of a mains frequency near 50 or 60 Hz, each between -30 and
// -5 dB of the fundamental.
func (c Case) Mains() Case {
	c = c.copied(4)
	mains := [...]float64{50, 60}[c.random.IntN(2)] * (1 + 0.0004*c.random.NormFloat64())
	for n := 1.0; n <= 8; n++ {
		c.hum(n*mains, c.between(-30, -5))
	}
	return c
}

func (c *Case) hum(hz, db float64) {
	amp := cmplx.Abs(c.Scene.Amplitude(c.plain(), 0)) * math.Pow(10, db/20)
	c.Scene.Hum = append(c.Scene.Hum, synth.Line{Hz: hz, Amp: amp, Phase: c.between(0, 2*math.Pi)})
}

// Pair adds a second line beside the fundamental, as a nearly square blank has it.
func (c Case) Pair(apartHz, db float64) Case {
	c = c.copied(5)
	first := c.Scene.Modes[0]
	c.pair = c.add(synth.Mode{
		Hz: first.Hz + apartHz, Q: first.Q * c.between(0.9, 1.1), Gain: c.sign() * first.Gain * math.Pow(10, db/20),
	}, true)
	return c
}

// Foreign adds a note that is not the bar's, at a ratio to the fundamental, with a share
// of the modal energy of the first plain tap.
func (c Case) Foreign(ratio, sharePct float64) Case {
	c = c.copied(6)
	first := c.Scene.Modes[0]
	m := synth.Mode{Hz: ratio * first.Hz, Q: c.between(80, 250), Gain: c.sign()}
	k := c.add(m, false)
	total := 0.0
	for k, own := range c.own {
		if own {
			total += energy(cmplx.Abs(c.Scene.Amplitude(c.plain(), k)), c.Scene.Modes[k].Tau())
		}
	}
	want := total * sharePct / (100 - sharePct)
	c.Scene.Modes[k].Gain *= math.Sqrt(want / energy(cmplx.Abs(c.Scene.Amplitude(c.plain(), k)), m.Tau()))
	return c
}

// add appends a mode that every strike excites as it does the fundamental.
func (c *Case) add(m synth.Mode, own bool) int {
	c.Scene.Modes = append(c.Scene.Modes, m)
	c.own = append(c.own, own)
	for k, strike := range c.Scene.Strikes {
		if strike.Gains != nil {
			c.Scene.Strikes[k].Gains = append(strike.Gains, strike.Gains[0])
		}
	}
	return len(c.Scene.Modes) - 1
}

// Glide lets the fundamental start high (or low) by the given hertz and come to rest.
func (c Case) Glide(hz float64) Case {
	c = c.copied(7)
	c.Scene.Modes[0].GlideHz = hz
	return c
}

// InRoom puts the bar into a room with reverberation of 0.2 to 0.5 s and four modes
// between 40 and 190 Hz.
func (c Case) InRoom() Case {
	c = c.copied(8)
	c.Scene.Room = synth.Room{RT60S: c.between(0.2, 0.5), TailDB: c.between(-18, -8)}
	for range 4 {
		c.Scene.Room.Modes = append(c.Scene.Room.Modes, synth.RoomMode{
			Hz: c.between(40, 190), RT60S: c.between(0.2, 0.5), Gain: c.between(0.1, 0.5),
		})
	}
	return c
}

// Highpassed lets the microphone take the given decibels, a positive number, off the
// fundamental. The hum, which enters behind the microphone, keeps its distance from the
// fundamental only if it is added afterwards.
func (c Case) Highpassed(db float64) Case {
	// |H|^2 = 1/(1 + (fc/f)^2n) of a Butterworth filter.
	c = c.copied(9)
	order := 2 + c.random.IntN(3)
	fc := c.Scene.Modes[0].Hz * math.Pow(math.Pow(10, db/10)-1, 1/(2*float64(order)))
	c.Scene.Mic = synth.Microphone{HighpassHz: fc, Order: order}
	return c
}

// Talking lets someone speak during one or two of the taps.
func (c Case) Talking() Case {
	c = c.copied(10)
	at := c.Scene.Strikes[c.random.IntN(len(c.Scene.Strikes))].AtS + c.between(-0.5, 0.8)
	c.Scene.Talk = append(c.Scene.Talk, synth.Talk{
		AtS: at, DurationS: c.between(0.6, 2), Level: level * math.Pow(10, c.between(-20, -3)/20), PitchHz: c.between(95, 230),
	})
	return c
}

// Clipped makes a tap so loud that the recorder clips its beginning.
func (c Case) Clipped(tap int) Case {
	c = c.copied(11)
	peak := 0.0
	for k := range c.Scene.Modes {
		peak += cmplx.Abs(c.Scene.Amplitude(tap, k))
	}
	strike := &c.Scene.Strikes[tap]
	louder := c.between(1.5, 5) / max(peak, 2*strike.Thud)
	strike.Strength *= louder
	strike.Thud *= louder
	c.loud = append(c.loud, tap)
	return c
}

// Doubled lets the mallet bounce: a second blow 30 to 120 ms after the first.
func (c Case) Doubled(tap int) Case {
	c = c.copied(12)
	second := c.Scene.Strikes[tap]
	second.Gains = slices.Clone(second.Gains)
	second.AtS += c.between(0.03, 0.12)
	part := c.between(0.3, 0.9)
	second.Strength *= part
	second.Thud *= part
	c.again = append(c.again, len(c.Scene.Strikes))
	c.Scene.Strikes = append(c.Scene.Strikes, second)
	return c
}

// AutoGain records with a compressor that recovers by 10 dB/s.
func (c Case) AutoGain() Case {
	c.Scene.Device.AutoGain = synth.AutoGain{Target: 1.2 * level, RecoveryDBPerS: 10, MaxGainDB: 12}
	return c
}

// Limited records with a limiter that cuts into the ring.
func (c Case) Limited() Case {
	c.Scene.Device.AutoGain = synth.AutoGain{Target: level / 3, RecoveryDBPerS: 100}
	return c
}

// Suppressed records with a noise suppressor.
func (c Case) Suppressed() Case {
	c.Scene.Device.Suppress = synth.Suppress{ReductionDB: 18, MarginDB: 8}
	return c
}

// Bits sets the resolution of the recording; 0 means floating point.
func (c Case) Bits(bits int) Case {
	c.Scene.Device.Bits = bits
	return c
}
