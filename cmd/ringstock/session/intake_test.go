package session_test

import (
	"strings"
	"testing"
)

// TestMutedInSession: a microphone that is muted between two taps is told of within 5 s
// and when it hears again, and the first tap after that counts.
func TestMutedInSession(t *testing.T) {
	rec, truth := plainBar(23)
	x := rec.Tracks[0]
	at := int((truth.Taps[1].AtS + 1.2) * rec.Rate)
	quiet := x[:int(1.2*rec.Rate)]
	muted := make([]float64, int(5*rec.Rate))
	rec.Tracks[0] = append(append(append(append([]float64{}, x[:at]...), muted...), quiet...), x[at:]...)
	set := settings(t, t.TempDir())
	set.Blank, set.Live = "A1", true
	_, h, err := listen(t, set, play(rec), nil)
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, n := range h.notices {
		if strings.Contains(n, "silence") || strings.Contains(n, "hears again") {
			told = append(told, n)
		}
	}
	if len(told) != 2 || !strings.Contains(told[0], "silence") || !strings.Contains(told[1], "hears again") {
		t.Errorf("told %q", told)
	}
	if n := len(h.good()); n != len(truth.Taps) {
		for _, tap := range h.taps {
			t.Log(tap.Good, tap.Why)
		}
		t.Errorf("%d of %d taps are good", n, len(truth.Taps))
	}
}
