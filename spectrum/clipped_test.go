package spectrum_test

import (
	"math"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
)

// TestClippedStrikes: where every tap is clipped at its strike only, pitch and
// decay are still read.
func TestClippedStrikes(t *testing.T) {
	read := 0
	for seed := uint64(600); seed < 660; seed++ {
		c := cases.Bar(seed).Taps(1).SNR(35)
		plain, _ := c.Render()
		for _, v := range plain.Tracks[0][int((c.Scene.Strikes[0].AtS+0.012)*plain.Rate):] {
			c.Scene.Device.ClipAt = max(c.Scene.Device.ClipAt, 1.02*math.Abs(v))
		}
		rec, truth := c.Render()
		held := 0
		for i, v := range rec.Tracks[0] {
			if math.Abs(v) >= c.Scene.Device.ClipAt {
				held++
			}
			rec.Tracks[0][i] *= 0.9 / c.Scene.Device.ClipAt
		}
		if held < 20 { // a sample or two at a top, which no one can tell, and which does no harm
			continue
		}
		a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
		if a.Taps[0].Reason != capture.Clipped || a.Taps[0].Accepted {
			t.Errorf("bar %d: clipped for %.0f ms and not refused: %+v", seed, 1000*truth.Taps[0].ClippedToS, a.Taps[0])
		}
		if a.Ring == nil {
			t.Errorf("bar %d: clipped for %.0f ms only, and nothing was read: %s", seed, 1000*truth.Taps[0].ClippedToS, a.Error.Text)
			continue
		}
		read++
		f := a.Ring.Fundamental
		if math.Abs(f.Hz.X-truth.Fundamental.Hz) > 4*f.Hz.U || math.Abs(f.Q.X-truth.Fundamental.Q) > 4*f.Q.U {
			t.Errorf("bar %d: %v Hz, Q %v; true %.3f, %.1f", seed, f.Hz, f.Q, truth.Fundamental.Hz, truth.Fundamental.Q)
		}
		if a.Ring.LoudnessDB.Known() || a.Taps[0].Ring == nil || len(a.Warnings) == 0 || !strings.Contains(a.Warnings[len(a.Warnings)-1].Text, "clipped") {
			t.Errorf("bar %d: loudness %v, warnings %v", seed, a.Ring.LoudnessDB, a.Warnings)
		}
	}
	if read < 5 {
		t.Errorf("only %d recordings were clipped so shortly", read)
	}
}
