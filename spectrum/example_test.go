package spectrum_test

import (
	"fmt"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/spectrum"
)

// From sound to note, decay and purity. The bar's truth is 121 Hz with Q 200.
func ExampleAnalyse() {
	recording := synth.Scene{
		Rate: 48000, DurationS: 7, White: 2e-3, Seed: 1, Device: synth.Device{Bits: 16},
		Modes:   []synth.Mode{{Hz: 121, Q: 200, Gain: 0.1}, {Hz: 330, Q: 180, Gain: 0.05}},
		Strikes: []synth.Strike{{AtS: 1, ContactS: 1e-3, Strength: 1}, {AtS: 3, ContactS: 1e-3, Strength: 1}, {AtS: 5, ContactS: 1e-3, Strength: 1}},
	}.Render()

	heard := spectrum.Analyse(capture.FindTaps(recording), spectrum.SideTap)
	if heard.Error != nil {
		fmt.Println("not usable:", heard.Error)
		return
	}
	note := heard.Ring.Fundamental
	fmt.Println("note", note.Hz.Text("Hz"))
	fmt.Println("Q", note.Q.Text(""))
	fmt.Println("taps", heard.Ring.TapsUsed)
	// Output:
	// note 121.00002 ± 0.00016 Hz
	// Q 199.99 ± 0.14
	// taps 3
}
