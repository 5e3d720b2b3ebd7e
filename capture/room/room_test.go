package room

import (
	"math"
	"strings"
	"testing"

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
