package spectrum

import (
	"math"
	"testing"
)

// A torsion mode is known where it stands alone; what the room makes of a bending mode beside it is none, and no
// foreign note either. (Pitches and decays of a synthetic blank in a room.)
func TestTorsionBesideEcho(t *testing.T) {
	line := func(hz, q, amp float64) component {
		alpha := math.Pi * hz / q
		return component{hz: hz, alpha: alpha, sdHz: 0.01, sdAlpha: 0.08 * alpha, amp: []float64{amp}, snr: []float64{1e4}}
	}
	bar := []component{line(188.09, 157, 1), line(513.54, 124, 0.43), line(988.73, 110, 0.12)}
	read := func(last component) part {
		cs := append(bar[:3:3], last)
		s, ok := findSeries(cs)
		if !ok || s.count() != 3 || s.member[2] != 2 {
			t.Fatalf("the series is %v", s.member)
		}
		parts, _ := families(cs, s)
		return parts[3]
	}
	if p := read(line(1040, 72, 0.18)); p.family != Torsion {
		t.Errorf("a mode of its own is called %s", p.family)
	}
	if p := read(line(1000.1, 72, 0.18)); p.family != Other || p.stray() {
		t.Errorf("an echo is called %s, foreign %v", p.family, p.stray())
	}
}
