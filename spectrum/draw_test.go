package spectrum_test

import (
	"math"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/spectrum"
)

// What is drawn of a ring shows its note in a narrow column, and its decay as it would
// be without the hum.
func TestDraw(t *testing.T) {
	const hz, q = 126.3, 210.0
	draw := func(hum ...synth.Line) spectrum.Portrait {
		t.Helper()
		take := capture.FindTaps(synth.Scene{
			Rate: 48000, DurationS: 5, White: 1e-4, Seed: 5, Hum: hum,
			// Bending modes of a free bar.
			Modes:   []synth.Mode{{Hz: hz, Q: q, Gain: .2}, {Hz: 2.726 * hz, Q: q, Gain: .1}, {Hz: 5.256 * hz, Q: q, Gain: .06}},
			Strikes: []synth.Strike{{AtS: 1.5, ContactS: .001, Strength: 1}},
		}.Render())
		p, ok := spectrum.Draw(take, spectrum.Analyse(take, spectrum.SideTap))
		if !ok {
			t.Fatal("there is nothing to draw")
		}
		return p
	}
	clear, hummed := draw(), draw(synth.Line{Hz: 100.02, Amp: .01}, synth.Line{Hz: 150.03, Amp: .01})

	top := spectrum.Point{Y: math.Inf(-1)}
	for i, p := range clear.Spectrum {
		if i > 0 && p.X <= clear.Spectrum[i-1].X {
			t.Fatalf("%.2f Hz comes after %.2f Hz", p.X, clear.Spectrum[i-1].X)
		}
		if p.Y > top.Y {
			top = p
		}
	}
	// A column is 1.2 % wide, a bin of the look through which rings are drawn about 2 Hz.
	if n := len(clear.Spectrum); n > 500 || n < 250 || math.Abs(top.X-hz) > .012*hz+2 {
		t.Errorf("%d points, the highest at %.2f Hz, want %d at most and %.1f Hz", n, top.X, 500, hz)
	}

	// The hum is as strong as what is left of the ring at -26 dB. Known to 0.01 Hz, it is
	// out of step with what is taken out by a tenth at the ends of three seconds, which
	// is 20 dB less: 0.9 dB there.
	if len(hummed.Decay) == 0 || len(clear.Decay) != len(hummed.Decay) {
		t.Fatalf("%d points of decay, with hum %d", len(clear.Decay), len(hummed.Decay))
	}
	for i, p := range clear.Decay {
		if p.X > .1 && p.Y > -26 && math.Abs(hummed.Decay[i].Y-p.Y) > .9 {
			t.Errorf("after %.2f s at %.1f dB, with hum %.1f dB", p.X, p.Y, hummed.Decay[i].Y)
		}
	}
}
