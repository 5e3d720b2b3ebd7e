package grading_test

import (
	"context"
	"fmt"
	"testing/fstest"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/grading"
	"ringstock/spectrum"
)

// A folder with a table and two recordings becomes a ranking. Programs pass os.Root's FS
// for the folder and open sound files; here the sound of the two bars is computed.
func ExampleGrade() {
	profile, _ := grading.ProfileText("violin")
	p, err := grading.ParseProfile(profile)
	if err != nil {
		fmt.Println(err)
		return
	}
	folder := fstest.MapFS{
		"delivery.csv": {Data: []byte("blank,file,length_mm,height_mm,width_mm,mass_g\nA1,a1.wav,750,14.0,13.0,136.5\nA2,a2.wav,750,14.0,13.0,131.0\n")},
		"a1.wav":       {}, "a2.wav": {},
	}
	qs := map[string]float64{"a1.wav": 320, "a2.wav": 110}
	graded, err := grading.Grade(context.Background(), grading.Job{
		Folder: folder, Delivery: "invented", Profile: p,
		Hear: func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
			recording := synth.Scene{
				Name: name, Rate: 48000, DurationS: 7, White: 1e-4, Seed: 1, Device: synth.Device{Bits: 16},
				Modes:   []synth.Mode{{Hz: 119.7, Q: qs[name], Gain: 0.1}, {Hz: 326.2, Q: qs[name], Gain: 0.05}},
				Strikes: []synth.Strike{{AtS: 1, ContactS: 1e-3, Strength: 1}, {AtS: 3, ContactS: 1e-3, Strength: 1}, {AtS: 5, ContactS: 1e-3, Strength: 1}},
			}.Render()
			return spectrum.AnalyseNear(capture.FindTaps(recording), strike, note)
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for blank, err := range graded.All() {
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(blank.Blank, blank.Verdict)
	}
	// Output:
	// A1 keep
	// A2 maybe
}
