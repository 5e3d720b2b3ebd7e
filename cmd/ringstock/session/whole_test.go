package session_test

import (
	"math"
	"path/filepath"
	"slices"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/spectrum"
)

// TestWholeRingIsKept: behind a microphone that takes 14 dB off the fundamental the
// recordings of a session know Q as well as the whole sound of the same tap does.
func TestWholeRingIsKept(t *testing.T) {
	bars := uint64(2)
	if slow() {
		bars = 20
	}
	var worse []float64
	for seed := range bars {
		c := cases.Bar(6400 + seed).InRoom().SNR(38).Highpassed(14).Taps(4)
		for i := range c.Scene.Strikes {
			c.Scene.Strikes[i].AtS = 1.5 + 8*float64(i)
		}
		c.Scene.DurationS = 8*4 + 1
		c.Scene.Device = synth.Device{Bits: 24}
		rec, _ := c.Render()
		set := settings(t, t.TempDir())
		set.Blank = "A1"
		early := map[string]*spectrum.Ring{}
		s, err := session.Open(set)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Run(t.Context(), play(rec), nil, func(e session.Event) {
			if tap, ok := e.(session.TapHeard); ok && tap.Good {
				early[tap.File] = tap.Ring
			}
		}); err != nil {
			t.Fatal(err)
		}
		take := capture.FindTaps(rec)
		for i, tap := range take.Taps {
			from := max(tap.Onset-int(rec.Rate), 0)
			one := capture.Recording{Rate: rec.Rate, Bits: 24, Tracks: [][]float64{rec.Tracks[0][from:tap.End]}}
			whole := spectrum.Analyse(capture.FindTaps(one), spectrum.SideTap)
			name := filepath.Join(set.Folder, "A1-0"+string(rune('1'+i))+".wav")
			kept, err := wavfile.Open(name)
			if err != nil || whole.Ring == nil {
				continue // refused in the session: told there
			}
			live := spectrum.Analyse(capture.FindTaps(kept), spectrum.SideTap)
			if live.Ring == nil || !live.Ring.Fundamental.Q.Known() || !whole.Ring.Fundamental.Q.Known() {
				continue
			}
			worse = append(worse, live.Ring.Fundamental.Q.U/whole.Ring.Fundamental.Q.U)
		}
	}
	slices.Sort(worse)
	if len(worse) < int(bars)*3 {
		t.Fatalf("only %d taps", len(worse))
	}
	median := worse[len(worse)/2]
	t.Logf("%d taps: u of Q live over that of the whole sound: median %.2f, 90 %% %.2f, worst %.2f", len(worse), median, worse[len(worse)*9/10], worse[len(worse)-1])
	if median > 1.15 || math.IsNaN(median) {
		t.Error("too little of the rings is kept")
	}
}
