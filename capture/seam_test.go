package capture_test

import (
	"io"
	"testing"

	"ringstock/capture/faulty"
	"ringstock/capture/synth"
)

// A gap while nothing rings, or in the last of a ring, is no strike: where the sound goes
// on at another phase it clicks.
func TestGapIsNoStrike(t *testing.T) {
	s := synth.Scene{Rate: 48000, DurationS: 8, White: 1e-4, Seed: 5,
		Modes:   []synth.Mode{{Hz: 120, Q: 180, Gain: .2}, {Hz: 330, Q: 170, Gain: .1}},
		Strikes: []synth.Strike{{AtS: 2, ContactS: .001, Strength: 1, Thud: .05}, {AtS: 6, ContactS: .001, Strength: 1, Thud: .05}}}
	x := s.Render().Tracks[0]
	for _, at := range []float64{1.2, 3.9, 4.1, 4.3, 4.45, 5.1} {
		src := &faulty.Source{Samples: x, Hz: 48000, Block: 2048, Faults: []faulty.Fault{{At: int(at * 48000), Lost: 19403}}}
		h, err := hear(t, src)
		if err != io.EOF {
			t.Fatal(err)
		}
		if len(h.cuts) != 2 {
			t.Errorf("gap at %g s: %d cuts, want 2", at, len(h.cuts))
			continue
		}
		if last := h.cuts[1]; !last.Whole() {
			t.Errorf("gap at %g s: the second tap counts as lost", at)
		}
	}

	// One that swallows the strike itself is told of: the ring that goes on
	// after it is not whole.
	for _, at := range []float64{5.7, 5.8, 5.9, 5.98} {
		src := &faulty.Source{Samples: x, Hz: 48000, Block: 2048, Faults: []faulty.Fault{{At: int(at * 48000), Lost: 19403}}}
		h, err := hear(t, src)
		if err != io.EOF {
			t.Fatal(err)
		}
		if len(h.cuts) != 2 || h.cuts[1].Whole() {
			t.Errorf("gap at %g s, over a strike: %d cuts, want 2 with the second not whole", at, len(h.cuts))
		}
	}
}
