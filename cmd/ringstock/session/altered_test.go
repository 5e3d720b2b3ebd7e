package session_test

import (
	"os"
	"strings"
	"testing"

	"ringstock/capture/synth/cases"
)

// TestAlteredIsToldOnce: a gain control or a limiter brings one line that says so, soon,
// and after it no tap is blamed on the hands. A plain device, also in noise, brings none.
func TestAlteredIsToldOnce(t *testing.T) {
	bars := uint64(1)
	if slow() {
		bars = 6
	}
	altering, found := 0, 0
	for seed := range bars {
		bar := cases.Bar(6700 + seed).InRoom().SNR(32).Starting(1.5)
		for name, c := range map[string]cases.Case{
			"plain": bar, "noise": bar.SNR(14), "automatic gain": bar.AutoGain(), "limiter": bar.Limited(),
		} {
			rec, truth := c.Taps(8).Render()
			set := settings(t, t.TempDir())
			set.Taps = 8
			_, h, err := listen(t, set, play(rec), nil)
			if err != nil {
				t.Fatal(err)
			}
			lines, nodes := 0, 0
			for _, n := range h.notices {
				if strings.Contains(n, "the recording device altered the decay") {
					lines++
				}
			}
			for _, tap := range h.taps {
				if strings.Contains(tap.Why, "nodes") {
					nodes++
				}
			}
			switch {
			case !truth.Altered && lines > 0, lines > 1, lines == 1 && nodes > 3:
				t.Errorf("%s %d: told in %d lines, %d taps blamed on the hands: %q", name, seed, lines, nodes, h.notices)
			case truth.Altered:
				altering++
				found += lines
			}
		}
	}
	t.Logf("%d of %d altering devices told of", found, altering)
	if float64(found) < 0.7*float64(altering) {
		t.Error("too few altering devices are told of")
	}
}

func slow() bool { return os.Getenv("RINGSTOCK_SLOW") != "" }
