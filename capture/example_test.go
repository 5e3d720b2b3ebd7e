package capture_test

import (
	"fmt"

	"ringstock/capture"
	"ringstock/capture/synth"
)

// Three taps on a bar, two seconds apart, as a microphone would hear them.
func ExampleFindTaps() {
	recording := synth.Scene{
		Rate: 48000, DurationS: 7, White: 1e-4, Seed: 1, Device: synth.Device{Bits: 16},
		Modes:   []synth.Mode{{Hz: 121, Q: 200, Gain: 0.1}, {Hz: 330, Q: 180, Gain: 0.05}},
		Strikes: []synth.Strike{{AtS: 1, ContactS: 1e-3, Strength: 1}, {AtS: 3, ContactS: 1e-3, Strength: 1}, {AtS: 5, ContactS: 1e-3, Strength: 1}},
	}.Render()

	take := capture.FindTaps(recording)
	for _, tap := range take.Taps {
		fmt.Printf("a strike at %.2f s, its ring lasts %.1f s, usable: %v\n",
			float64(tap.Onset)/take.Rate, float64(tap.End-tap.Onset)/take.Rate, tap.Reason == capture.Accepted)
	}
	// Output:
	// a strike at 1.00 s, its ring lasts 2.0 s, usable: true
	// a strike at 3.00 s, its ring lasts 2.0 s, usable: true
	// a strike at 5.00 s, its ring lasts 2.0 s, usable: true
}
