package naming_test

import (
	"math"
	"testing"

	"ringstock/spectrum/naming"
)

// A torsion mode is known where it stands alone; what the room makes of a bending
// mode beside it is none, and no foreign note either. (Pitches and decays of a
// synthetic blank in a room.)
func TestTorsionBesideEcho(t *testing.T) {
	line := func(hz, q, amp float64) naming.Line {
		alpha := math.Pi * hz / q
		energy := amp * amp * (math.Exp(-0.06*alpha) - math.Exp(-1.06*alpha)) / (4 * alpha)
		return naming.Line{Hz: hz, Alpha: alpha, SDAlpha: 0.08 * alpha, Energy: energy, Room: min(0.018*alpha, 1)}
	}
	bar := []naming.Line{line(188.09, 157, 1), line(513.54, 124, 0.43), line(988.73, 110, 0.12)}
	name := func(last naming.Line) naming.Name {
		ls := append(bar[:3:3], last)
		s, ok := naming.Find(ls)
		if !ok || s.Count() != 3 || s.Member[2] != 2 {
			t.Fatalf("the series is %v", s.Member)
		}
		return naming.All(ls, s)[3]
	}
	if n := name(line(1040, 72, 0.18)); n.Family != naming.Torsion {
		t.Errorf("a mode of its own is called %s", n.Family)
	}
	if n := name(line(1000.1, 72, 0.18)); n.Family != naming.Other || !n.Echo {
		t.Errorf("an echo is called %s, echo %v", n.Family, n.Echo)
	}
}

// A thump below the note is not the note: it has no overtones, and hardly rings. (A
// struck metal bar on a toy's frame.)
func TestThumpBelowTheNote(t *testing.T) {
	line := func(hz, q, energy float64) naming.Line {
		return naming.Line{Hz: hz, Alpha: math.Pi * hz / q, SDAlpha: 0.02 * math.Pi * hz / q, Energy: energy}
	}
	for _, thump := range []float64{0.3, 1, 3} {
		ls := []naming.Line{line(63, 21, thump), line(1765, 900, 1)}
		if s, ok := naming.Find(ls); !ok || s.Hz != 1765 {
			t.Errorf("thump of %g: the note is %.0f Hz", thump, s.Hz)
		}
	}
	// A dull blank whose only note is heard is still one.
	if s, ok := naming.Find([]naming.Line{line(130, 40, 1)}); !ok || s.Hz != 130 {
		t.Errorf("a dull note alone is %.0f Hz", s.Hz)
	}
}

// A foreign note below two modes of a blank is not the second mode of a bar three times
// as thick as any blank, whose own note nobody hears. (Lines of an uneven bar.)
func TestForeignNoteMakesNoBar(t *testing.T) {
	line := func(hz, q, energy float64) naming.Line {
		return naming.Line{Hz: hz, Alpha: math.Pi * hz / q, SDAlpha: 0.1 * math.Pi * hz / q, Energy: energy}
	}
	for _, foreign := range []float64{1, 3, 10, 30} {
		ls := []naming.Line{line(154.9, 118, 1), line(268.7, 148, foreign), line(427.4, 106, 1.5)}
		if s, ok := naming.Find(ls); !ok || s.Hz < 150 {
			t.Errorf("foreign note of %g: the note is %.2f Hz", foreign, s.Hz)
		}
	}
	// A weak note that is not heard is still told from its series.
	ls := []naming.Line{line(427.4, 106, 1), line(831, 100, 1), line(1365, 95, 1)}
	if s, ok := naming.Find(ls); !ok || math.Abs(s.Hz/154.9-1) > 0.03 {
		t.Errorf("the note of a series without it is %.2f Hz", s.Hz)
	}
}
