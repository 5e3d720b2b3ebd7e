package synth

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/integrate/quad"
)

// oneMode is a scene with a single mode and nothing else.
func oneMode(rate float64, m Mode, strikes ...Strike) Scene {
	return Scene{Rate: rate, DurationS: 2, Modes: []Mode{m}, Strikes: strikes}
}

// full is a scene in which every part is used.
func full() Scene {
	return Scene{
		Name: "everything", Rate: 48000, DurationS: 12, Seed: 7,
		Modes: []Mode{
			{Hz: 141, Q: 220, Gain: 0.1}, {Hz: 144.5, Q: 210, Gain: 0.02}, {Hz: 385, Q: 190, Gain: -0.08},
			{Hz: 394, Q: 190, Gain: 0.01}, {Hz: 742, Q: 170, Gain: 0.06}, {Hz: 760, Q: 170, Gain: 0.01},
			{Hz: 1200, Q: 150, Gain: 0.04}, {Hz: 1228, Q: 150, Gain: 0.01}, {Hz: 1746, Q: 130, Gain: 0.03},
			{Hz: 1790, Q: 130, Gain: 0.01}, {Hz: 800, Q: 90, Gain: 0.02}, {Hz: 3080, Q: 180, Gain: 0.01},
		},
		Strikes: []Strike{
			{AtS: 1, ContactS: 0.001, Strength: 1, Thud: 0.1}, {AtS: 3.1, ContactS: 0.0012, Strength: 0.8, Thud: 0.1},
			{AtS: 5.2, ContactS: 0.0008, Strength: 1.2, Thud: 0.1}, {AtS: 7.4, ContactS: 0.001, Strength: 1, Thud: 0.1},
			{AtS: 9.5, ContactS: 0.001, Strength: 1, Thud: 0.1},
		},
		Talk: []Talk{{AtS: 6, DurationS: 1, Level: 0.01}},
		Room: Room{RT60S: 0.4, TailDB: -12, Modes: []RoomMode{{Hz: 47, RT60S: 0.5, Gain: 0.3}, {Hz: 71, RT60S: 0.4, Gain: 0.3}, {Hz: 118, RT60S: 0.4, Gain: 0.3}, {Hz: 180, RT60S: 0.3, Gain: 0.3}}},
		Pink: 0.001, Mic: Microphone{HighpassHz: 90, Order: 2}, White: 0.0005,
		Hum:    []Line{{50, 0.001, 0}, {100, 0.002, 1}, {150, 0.002, 2}, {200, 0.0005, 3}, {250, 0.0005, 4}, {300, 0.0005, 5}, {350, 0.0002, 6}, {400, 0.0002, 0}},
		Device: Device{Bits: 24},
	}
}

// The response to a half-sine pulse is the convolution integral, here by quadrature.
func TestForcedResponseIsTheConvolution(t *testing.T) {
	for _, hz := range []float64{90, 140, 700, 3085} {
		for _, contact := range []float64{0.0003, 0.001, 0.003} {
			m := Mode{Hz: hz, Q: 180, Gain: 0.7}
			s := oneMode(48000, m, Strike{AtS: 0.10001, ContactS: contact, Strength: 1.3})
			x := s.Render().Tracks[0]
			for _, after := range []float64{-0.001, 0.0001, 0.5 * contact, 0.99 * contact, 1.01 * contact, 0.01, 0.2} {
				n := int(math.Round((0.10001 + after) * s.Rate))
				at := float64(n)/s.Rate - 0.10001
				want := 0.0
				if at > 0 {
					want = quad.Fixed(func(u float64) float64 {
						force := math.Pi / (2 * contact) * math.Sin(math.Pi*u/contact)
						d := at - u
						return 1.3 * 0.7 * force * math.Exp(-math.Pi*hz/180*d) * math.Cos(2*math.Pi*hz*d)
					}, 0, min(at, contact), 60, nil, 0)
				}
				if math.Abs(x[n]-want) > 1e-11 {
					t.Errorf("%v Hz, contact %v s, %v s after: %v, want %v", hz, contact, at, x[n], want)
				}
			}
		}
	}
}

// Amplitude must foretell the ring, also through the microphone's high-pass.
func TestAmplitudeForetellsTheRing(t *testing.T) {
	for order := 0; order <= 4; order++ {
		m := Mode{Hz: 123.4, Q: 150, Gain: 0.3}
		s := oneMode(44100, m, Strike{AtS: 0.05002, ContactS: 0.002, Strength: 0.9})
		s.Modes = append(s.Modes, Mode{Hz: 30000, Q: 100, Gain: 1}) // above half the rate: silent
		if order > 0 {
			s.Mic = Microphone{HighpassHz: 150, Order: order}
		}
		x := s.Render().Tracks[0]
		a := s.Amplitude(0, 0)
		// The filter's own transient is over after 0.2 s: exp(-2 pi 150
		// cos(67.5 deg) 0.2) = 5e-32.
		for n := int(0.3 * s.Rate); n < len(x); n += 997 {
			at := float64(n)/s.Rate - 0.05002
			want := real(a * cmplx.Exp(m.pole()*complex(at, 0)))
			if math.Abs(x[n]-want) > 1e-11 {
				t.Fatalf("order %d, sample %d: %v, want %v", order, n, x[n], want)
			}
		}
	}
}

// A glide moves the pitch, not the decay: the instantaneous frequency is Hz +
// GlideHz exp(-t/tau).
func TestGlide(t *testing.T) {
	m := Mode{Hz: 140, Q: 200, Gain: 0.5, GlideHz: 0.8}
	s := oneMode(48000, m, Strike{AtS: 0, Strength: 1})
	x := s.Render().Tracks[0]
	for n := 0; n < len(x); n += 1009 {
		at := float64(n) / s.Rate
		phase := 2 * math.Pi * (140*at + 0.8*m.Tau()*(1-math.Exp(-at/m.Tau())))
		want := 0.5 * math.Exp(-at/m.Tau()) * math.Cos(phase)
		// The rotation is stepped by samples; its phase is off by at most
		// half a sample of glide.
		if math.Abs(x[n]-want) > 0.5*2*math.Pi*0.8/s.Rate {
			t.Fatalf("sample %d: %v, want %v", n, x[n], want)
		}
	}
}

func TestStrikesSuperpose(t *testing.T) {
	a := Strike{AtS: 0.2, ContactS: 0.001, Strength: 1}
	b := Strike{AtS: 0.2007, ContactS: 0.002, Strength: -0.6} // within the contact of a
	m := Mode{Hz: 140, Q: 200, Gain: 0.5}
	both := oneMode(48000, m, b, a).Render().Tracks[0]
	first := oneMode(48000, m, a).Render().Tracks[0]
	second := oneMode(48000, m, b).Render().Tracks[0]
	for n := range both {
		if math.Abs(both[n]-first[n]-second[n]) > 1e-12 {
			t.Fatalf("sample %d: %v is not %v + %v", n, both[n], first[n], second[n])
		}
	}
}

func TestSameSceneSameSamples(t *testing.T) {
	a, b := full().Render().Tracks[0], full().Render().Tracks[0]
	other := full()
	other.Seed++
	c := other.Render().Tracks[0]
	differ := false
	for n := range a {
		if a[n] != b[n] {
			t.Fatalf("sample %d: %v and %v", n, a[n], b[n])
		}
		differ = differ || a[n] != c[n]
	}
	if !differ {
		t.Error("another seed gives the same recording")
	}
}

// Adding one part must not change another: the parts add up.
func TestPartsAreIndependent(t *testing.T) {
	all := full()
	all.Device = Device{}
	bare := all
	bare.Talk = nil
	talk := all
	talk.Modes, talk.Pink, talk.White, talk.Hum = nil, 0, 0, nil
	talk.Strikes = nil
	x, y, z := all.Render().Tracks[0], bare.Render().Tracks[0], talk.Render().Tracks[0]
	for n := range x {
		if math.Abs(x[n]-y[n]-z[n]) > 1e-12 {
			t.Fatalf("sample %d: %v is not %v + %v", n, x[n], y[n], z[n])
		}
	}
}

// The noise has the density that NoiseDensity states, octave by octave.
func TestNoiseDensity(t *testing.T) {
	s := Scene{Rate: 48000, DurationS: 20, White: 0.002, Pink: 0.01, Mic: Microphone{HighpassHz: 120, Order: 3}, Seed: 3}
	power := spectrum(s.Render().Tracks[0])
	for hz := 40.0; hz < 15000; hz *= 2 {
		got, bins := 0.0, 0.0
		for k := int(hz / math.Sqrt2 * 20); k < int(hz*math.Sqrt2*20); k++ {
			got += power[k]
			bins++
		}
		want := s.OctaveNoise(hz)
		// A sum over independent bins scatters by 1/sqrt(bins).
		if math.Abs(got/want-1) > 4/math.Sqrt(bins) {
			t.Errorf("octave about %.0f Hz: power %.3g, stated %.3g", hz, got, want)
		}
	}
}

// Pink noise has density proportional to 1/f and the stated rms.
func TestPinkNoise(t *testing.T) {
	s := Scene{Rate: 48000, DurationS: 1, Pink: 0.01}
	for hz := 20.0; hz < s.Rate/5; hz *= 1.3 {
		want := s.Pink * s.Pink / (hz * math.Log(24000/10.0))
		if got := s.NoiseDensity(hz); math.Abs(10*math.Log10(got/want)) > 0.3 {
			t.Errorf("%.0f Hz: %.2f dB off 1/f", hz, 10*math.Log10(got/want))
		}
	}
}

func TestWithSNR(t *testing.T) {
	for _, s := range []Scene{full(), oneMode(44100, Mode{Hz: 100, Q: 200, Gain: 0.1}, Strike{Strength: 1})} {
		noisy := s.WithSNR(0, 0, 23)
		if got := noisy.SNRdB(0, 0); math.Abs(got-23) > 1e-9 {
			t.Errorf("signal-to-noise ratio %v dB, want 23", got)
		}
	}
	// For white noise the octave holds (sqrt2 - 1/sqrt2) f of its density.
	s := oneMode(48000, Mode{Hz: 100, Q: 200, Gain: 0.2}, Strike{Strength: 1})
	s.White = 0.01
	want := 10 * math.Log10(0.2*0.2/2/(0.01*0.01/24000*100/math.Sqrt2))
	if got := s.SNRdB(0, 0); math.Abs(got-want) > 1e-3 {
		t.Errorf("signal-to-noise ratio %v dB, want %v", got, want)
	}
}

// The gain of a Butterworth filter of order n is 1/sqrt(1 + (fc/f)^2n); the bilinear
// transform maps f to tan(pi f/rate).
func TestMicrophone(t *testing.T) {
	const rate = 48000
	for order := 1; order <= 4; order++ {
		f := Microphone{HighpassHz: 100, Order: order}.filter(rate)
		for _, hz := range []float64{10, 50, 100, 150, 1000, 10000} {
			warp := math.Tan(math.Pi*100/rate) / math.Tan(math.Pi*hz/rate)
			want := 1 / math.Sqrt(1+math.Pow(warp, float64(2*order)))
			if got := cmplx.Abs(f.response(turnOf(hz, rate))); math.Abs(got-want) > 1e-9 {
				t.Errorf("order %d at %v Hz: gain %v, want %v", order, hz, got, want)
			}
		}
	}
}

// The tail falls by 60 dB in RT60 (backward integration after Schroeder, J. Acoust. Soc.
// Am. 37 (1965) 409) and has the stated energy.
func TestRoomTail(t *testing.T) {
	s := Scene{Rate: 48000}
	room := Room{RT60S: 0.4, TailDB: -9}
	h := room.impulse(s.Rate, s.random("room", 0))
	if h[0] != 1 {
		t.Fatalf("direct sound %v, want 1", h[0])
	}
	left := make([]float64, len(h)+1)
	for n := len(h) - 1; n > 0; n-- {
		left[n] = left[n+1] + h[n]*h[n]
	}
	if got := 10 * math.Log10(left[1]); math.Abs(got+9) > 1e-9 {
		t.Errorf("tail energy %v dB, want -9", got)
	}
	from, to := 0.01, 0.21 // half of RT60 apart: 30 dB
	got := 10 * math.Log10(left[int(from*s.Rate)]/left[int(to*s.Rate)])
	if math.Abs(got-30) > 1 { // the energy of 4000 independent samples scatters by 0.1 dB
		t.Errorf("fell by %.2f dB in half the reverberation time, want 30", got)
	}
}

func TestRoomMode(t *testing.T) {
	s := Scene{Rate: 48000}
	room := Room{Modes: []RoomMode{{Hz: 80, RT60S: 0.4, Gain: 0.5}}}
	tone := make([]float64, 48000*2)
	turn(tone, 1, turnOf(80, s.Rate))
	wet := room.hear(tone, s.Rate, s.random("room", 0))
	peak := 0.0
	for n := 48000; n < len(wet); n++ { // 1 s = 2.5 RT60: settled within 1e-7
		peak = max(peak, math.Abs(wet[n]-tone[n]))
	}
	// The mirror image at -80 Hz contributes about the mode's half width over 2 f:
	// (ln 1000/(2 pi 0.4))/160 = 1.7 %.
	if math.Abs(peak-0.5) > 0.5*0.018 {
		t.Errorf("gain at resonance %v, want 0.5", peak)
	}
}

func TestConvolve(t *testing.T) {
	s := Scene{Rate: 48000}
	random := s.random("test", 0)
	x, h := make([]float64, 5000), make([]float64, 300)
	for n := range x {
		x[n] = random.NormFloat64()
	}
	for n := range h {
		h[n] = random.NormFloat64()
	}
	y := convolve(x, h)
	for n := range x {
		want := 0.0
		for k := range min(n+1, len(h)) {
			want += h[k] * x[n-k]
		}
		if math.Abs(y[n]-want) > 1e-11 {
			t.Fatalf("sample %d: %v, want %v", n, y[n], want)
		}
	}
}

func TestTalk(t *testing.T) {
	s := Scene{Rate: 48000, DurationS: 3, Talk: []Talk{{AtS: 1, DurationS: 1.5, Level: 0.02, PitchHz: 190}}, Seed: 5}
	x := s.Render().Tracks[0]
	power := 0.0
	for n, v := range x {
		if inside := n >= 48000 && n < 120000; !inside && v != 0 {
			t.Fatalf("sound at %v s", float64(n)/s.Rate)
		}
		power += v * v
	}
	if got := math.Sqrt(power / 72000); math.Abs(got-0.02) > 1e-9 {
		t.Errorf("rms %v, want 0.02", got)
	}
}

func TestIntegersAndClipping(t *testing.T) {
	s := oneMode(48000, Mode{Hz: 140, Q: 200, Gain: 1.5}, Strike{AtS: 0.1, Strength: 1})
	for _, c := range []struct {
		device Device
		most   float64
	}{
		{Device{Bits: 16}, 32767.0 / 32768},
		{Device{Bits: 24}, 8388607.0 / 8388608},
		{Device{Bits: 16, ClipAt: 0.5}, 0.5},
		{Device{ClipAt: 0.7}, 0.7},
		{Device{}, 1.5},
	} {
		s.Device = c.device
		peak, clean := 0.0, 0
		for _, v := range s.Render().Tracks[0] {
			peak = max(peak, v)
			if step := math.Ldexp(v, max(c.device.Bits-1, 0)); c.device.Bits > 0 && step != math.Trunc(step) {
				clean++
			}
		}
		if math.Abs(peak-c.most) > 0.001*c.most || peak > c.most || clean > 0 {
			t.Errorf("%+v: peak %v, want %v; %d samples between the steps", c.device, peak, c.most, clean)
		}
	}
}

// After a loud burst the level of a steady tone comes back at the rate of recovery.
func TestAutoGain(t *testing.T) {
	x := make([]float64, 48000*3)
	turn(x, 0.01, turnOf(1000, 48000))
	turn(x[48000:49000], 1, turnOf(1000, 48000))
	AutoGain{Target: 0.1, RecoveryDBPerS: 10, MaxGainDB: 12}.run(x, 48000)
	level := func(from int) float64 {
		peak := 0.0
		for _, v := range x[from : from+480] {
			peak = max(peak, math.Abs(v))
		}
		return 20 * math.Log10(peak/0.01)
	}
	if got := level(40000); math.Abs(got-12) > 0.1 {
		t.Errorf("%v dB before the burst, want 12", got)
	}
	if peak := level(48000); peak > 20.001 {
		t.Errorf("burst passes the target by %v dB", peak-20)
	}
	if got := level(110000) - level(62000); math.Abs(got-10) > 0.1 {
		t.Errorf("recovers %v dB in a second, want 10", got)
	}
}

func TestSuppress(t *testing.T) {
	s := oneMode(48000, Mode{Hz: 1000, Q: 3000, Gain: 0.3}, Strike{AtS: 1, Strength: 1})
	s.White = 0.001
	s.Device.Suppress = Suppress{ReductionDB: 20, MarginDB: 9}
	x := s.Render().Tracks[0]
	quiet := 0.0
	for _, v := range x[1000:40000] {
		quiet += v * v / 39000
	}
	// 9 dB over the mean is passed by exp(-7.9) of the bins: nearly all is lowered.
	if got := 10 * math.Log10(quiet/1e-6); math.Abs(got+20) > 1.5 {
		t.Errorf("noise lowered by %v dB, want 20", -got)
	}
	bare := s
	bare.Device, bare.White = Device{}, 0
	want := bare.Render().Tracks[0]
	for n := 60000; n < 90000; n += 501 {
		if math.Abs(x[n]-want[n]) > 0.005 {
			t.Fatalf("sample %d: the tone became %v, want %v", n, x[n], want[n])
		}
	}
}

func TestNonsensePanics(t *testing.T) {
	for name, s := range map[string]Scene{
		"no rate":     {DurationS: 1},
		"no duration": {Rate: 48000},
		"no Q":        oneMode(48000, Mode{Hz: 100}),
		"gains":       oneMode(48000, Mode{Hz: 100, Q: 100}, Strike{Gains: []float64{1, 2}}),
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			s.Render()
		}()
	}
}

// spectrum is the one-sided power per bin of x.
func spectrum(x []float64) []float64 {
	bins := fourier.NewFFT(len(x)).Coefficients(nil, x)
	power := make([]float64, len(bins))
	for k, c := range bins {
		power[k] = 2 * real(c*cmplx.Conj(c)) / float64(len(x)) / float64(len(x))
	}
	return power
}

func BenchmarkRender(b *testing.B) {
	for _, rate := range []float64{48000, 192000} {
		b.Run(fmt.Sprintf("%.0f", rate), func(b *testing.B) {
			s := full()
			s.Rate = rate
			for b.Loop() {
				s.Render()
			}
		})
	}
}
