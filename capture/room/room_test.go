package room

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"ringstock/capture"
	"ringstock/capture/synth"
)

// clap is a short burst in a room with some hum.
func clap() synth.Scene {
	return synth.Scene{
		Name: "clap", Rate: 48000, DurationS: 5, Seed: 3,
		Modes:   []synth.Mode{{Hz: 1100, Q: 4, Gain: 0.3}, {Hz: 700, Q: 4, Gain: 0.3}, {Hz: 230, Q: 3, Gain: 0.1}},
		Strikes: []synth.Strike{{AtS: 1.6, ContactS: 0.0003, Strength: 1, Thud: 0.2}},
		Room:    synth.Room{RT60S: 0.5, TailDB: 0},
		White:   3e-5, Pink: 1e-4,
	}
}

func TestInspect(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*synth.Scene)
		doubts string
		check  func(Report) bool
	}{
		{"plain", func(*synth.Scene) {}, "", func(r Report) bool {
			return math.Abs(r.RT60S-0.5) < 0.06 && len(r.HumHz) == 0 && math.Abs(r.PumpDB) < 2
		}},
		{"hum", func(s *synth.Scene) { s.Hum = []synth.Line{{Hz: 50, Amp: 0.001}, {Hz: 150, Amp: 0.001}} }, "", func(r Report) bool {
			return len(r.HumHz) == 2 && r.HumHz[0] == 50 && r.HumHz[1] == 150
		}},
		{"long room", func(s *synth.Scene) { s.Room.RT60S = 1.4 }, "reverberant", func(r Report) bool { return math.Abs(r.RT60S-1.4) < 0.2 }},
		{"loud room", func(s *synth.Scene) { s.Pink = 0.02 }, "noisy", func(r Report) bool { return math.Abs(r.NoiseDB+34) < 1.5 }},
		{"automatic gain", func(s *synth.Scene) {
			s.Device.AutoGain = synth.AutoGain{Target: 0.05, RecoveryDBPerS: 10, MaxGainDB: 20}
		}, "altered", func(r Report) bool { return r.PumpDB < -4 }},
		{"noise suppression", func(s *synth.Scene) { s.Device.Suppress = synth.Suppress{ReductionDB: 30, MarginDB: 12} }, "altered", nil},
	} {
		s := clap()
		c.change(&s)
		r, err := Inspect(s.Render())
		if err != nil {
			t.Error(c.name, err)
			continue
		}
		var codes []string
		for _, d := range r.Doubts {
			codes = append(codes, d.Code)
		}
		if got := strings.Join(codes, " "); c.doubts == "" && got != "" || !strings.Contains(got, c.doubts) {
			t.Errorf("%s: doubts %q, want %q", c.name, got, c.doubts)
		}
		if c.check != nil && !c.check(r) {
			t.Errorf("%s: %+v", c.name, r)
		}
	}
}

func TestInspectRefuses(t *testing.T) {
	s := clap()
	s.Strikes = nil
	for name, rec := range map[string]capture.Recording{
		"no clap":         s.Render(),
		"digital silence": {Rate: 48000, Tracks: [][]float64{make([]float64, 96000)}},
		"nothing":         {},
	} {
		if _, err := Inspect(rec); err == nil {
			t.Error(name, "passed")
		}
	}
}

// flatHands is a clap of flat hands an arm's length away, in a room: the pulse of a
// cavity about 1 kHz, as a band-pass makes it, whose skirt falls by 6 dB an octave (9 in
// third octaves), and an echo of a twentieth of its energy. The microphone is a high-pass
// of so many poles, whose own slope over the bands is returned.
func flatHands(seed uint64, poles int) (rec capture.Recording, slope float64) {
	const rate = 48000.0
	random := rand.New(rand.NewPCG(seed, 11))
	hz, q := 900+400*random.Float64(), 1.2+1.5*random.Float64()
	tau, w := q/(math.Pi*hz), 2*math.Pi*hz
	echo := math.Sqrt(0.05 * tau / 2 / (0.4 / 13.8) * hz / rate * 8)
	x := make([]float64, int(4.5*rate))
	at := int(1.6 * rate)
	u, v := 0.0, 0.0 // of the cavity that the echo goes through, too
	for i := at; i < len(x); i++ {
		t := float64(i-at) / rate
		in := echo * math.Exp(-6.9*t/0.4) * random.NormFloat64()
		if i == at {
			in = 1
		}
		u, v = u+(in-v*w/rate-2*u/(tau*rate)), v+u*w/rate // a band-pass, by small steps
		x[i] = u
	}
	filter := func(f float64) float64 { return 1 }
	if poles > 0 {
		const corner = 900.0
		filter = func(f float64) float64 { return 1 / (1 + math.Pow(corner/f, 2*float64(poles))) }
		x = synth.Microphone{HighpassHz: corner, Order: poles}.Through(x, rate)
	}
	top := 0.0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	for i := range x {
		x[i] = 0.5*x[i]/top + 1e-6*random.NormFloat64()
	}
	var octave, level []float64
	for _, f := range lowBands {
		octave, level = append(octave, math.Log2(f)), append(level, 10*math.Log10(filter(f)))
	}
	_, slope = stat.LinearRegression(octave, level, nil, false)
	return capture.Recording{Rate: rate, Tracks: [][]float64{x}}, slope
}

// TestLowEnd: losses at the low end of 0 to 24 dB per octave are told within 3, and
// called weak from 12 on.
func TestLowEnd(t *testing.T) {
	for poles := range 5 {
		for seed := range uint64(6) {
			rec, low := flatHands(seed, poles)
			r, err := Inspect(rec)
			if err != nil {
				t.Fatal(err)
			}
			if why := r.Missing["low_slope_db_per_octave"]; why != "" {
				t.Errorf("%.1f dB per octave: %s", low, why)
				continue
			}
			if math.Abs(r.LowSlope-low) > 3 {
				t.Errorf("%.1f dB per octave was told as %.1f", low, r.LowSlope)
			}
			weak := slices.ContainsFunc(r.Doubts, func(w capture.Warning) bool { return w.Code == "weak low end" })
			if weak != (poles >= 2) {
				t.Errorf("%.1f dB per octave: weak %v", low, weak)
			}
		}
	}
}
