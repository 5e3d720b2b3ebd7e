package session_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/cmd/ringstock/session"
)

// withForeign is a bar tapped a few times, and a foreign sound before.
func withForeign(seed uint64, sound []float64, taps int) (capture.Recording, cases.Truth) {
	c := cases.Bar(seed).InRoom().SNR(36).Starting(7).Taps(taps)
	c.Scene.Device = synth.Device{Bits: 24}
	rec, truth := c.Render()
	x := rec.Tracks[0]
	top := 0.0
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	for i, v := range cases.Loud(sound, 0.7*top) {
		x[int(1.5*rec.Rate)+i] += v
	}
	return rec, truth
}

// TestForeignSounds: none of the workshop's sounds counts as a first tap without a
// question, and the first tap of wood after it does.
func TestForeignSounds(t *testing.T) {
	each := uint64(3)
	if slow() {
		each = 8
	}
	foreignSounds(t, cases.WorkshopSounds, 7100, each)
}

// TestOtherForeignSounds: nor does one that nothing was set on.
func TestOtherForeignSounds(t *testing.T) {
	if !slow() {
		t.Skip("slow: set RINGSTOCK_SLOW=1")
	}
	foreignSounds(t, cases.OtherSounds, 8200, 8)
	foreignSounds(t, cases.OtherSounds, 15200, 8)
}

func foreignSounds(t *testing.T, kinds map[string]cases.Sound, from, each uint64) {
	t.Helper()
	sounds, counted, taps, good, asked := 0, 0, 0, 0, 0
	for seed := range each {
		// A tap that does not count without a foreign sound before it tells nothing.
		rec, _ := withForeign(from+seed, nil, 1)
		if _, h, err := listen(t, settings(t, t.TempDir()), play(rec), nil); err != nil || len(h.good()) == 0 {
			t.Logf("bar %d is left out: %v %+v", from+seed, err, h.taps)
			continue
		}
		for name, sound := range kinds {
			random := rand.New(rand.NewPCG(seed, from/1000))
			rec, truth := withForeign(from+seed, sound(48000, random), 1)
			set := settings(t, t.TempDir())
			set.Blank = "A1"
			_, h, err := listen(t, set, play(rec), nil)
			if err != nil {
				t.Fatal(err)
			}
			sounds++
			taps++
			for _, tap := range h.taps {
				if tap.Asked {
					asked++
				}
				if !tap.Good {
					continue
				}
				if math.Abs(tap.Ring.Fundamental.Hz.X/truth.Fundamental.Hz-1) < 0.01 {
					good++
				} else {
					counted++
					t.Errorf("%s %d counts: %.1f Hz, Q %.0f", name, seed, tap.Ring.Fundamental.Hz.X, tap.Ring.Fundamental.Q.X)
				}
			}
			if len(h.good()) == 0 {
				for _, tap := range h.taps {
					t.Errorf("%s %d: the tap of wood did not count: %s", name, seed, tap.Why)
				}
			}
		}
	}
	if taps < 7*len(kinds)*int(each)/8 {
		t.Errorf("only %d taps", taps)
	}
	t.Logf("%d of %d foreign sounds counted, %d asked about; %d of %d taps of wood after them good", counted, sounds, asked, good, taps)
}

// TestAskedAdvice: a first tap that is asked about is told what would settle it: sizes
// where they would, and no size that has been entered.
func TestAskedAdvice(t *testing.T) {
	dull := func() capture.Recording {
		rec, _ := cases.Bar(7101).Damped(40).SNR(38).Starting(3).Taps(1).Render()
		return rec
	}
	beep := cases.WorkshopSounds["beep of a scale"](48000, rand.New(rand.NewPCG(1, 1)))
	alone := capture.Recording{Rate: 48000, Bits: 24, Tracks: [][]float64{make([]float64, 5*48000)}}
	random := rand.New(rand.NewPCG(1, 2))
	for i := range alone.Tracks[0] {
		alone.Tracks[0][i] = 1e-4 * random.NormFloat64()
	}
	for i, v := range cases.Loud(beep, 0.5) {
		alone.Tracks[0][3*48000+i] += v
	}
	for _, c := range []struct {
		name, table string
		rec         capture.Recording
		want        string
	}{
		{"dull, no sizes", "", dull(), "(it dies too soon for wood); if it is one, tap again"},
		{"dull, sizes", "blank,length_mm,height_mm\nA1,750,14\n", dull(), "(it dies too soon for wood); if it is one, tap again"},
		{"beep, no sizes", "", alone, "if it is one, enter its length and height and tap again"},
		{"beep, sizes", "blank,length_mm,height_mm\nA1,750,14\n", alone, "Hz); if it is one, tap again"},
	} {
		folder := t.TempDir()
		if c.table != "" {
			if err := os.WriteFile(filepath.Join(folder, "delivery.csv"), []byte(c.table), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		set := settings(t, folder)
		set.Blank = "A1"
		_, h, err := listen(t, set, play(c.rec), nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(h.taps) != 1 || !h.taps[0].Asked || !strings.HasSuffix(h.taps[0].Why, c.want) {
			for _, tap := range h.taps {
				t.Logf("%v %s", tap.Asked, tap.Why)
			}
			t.Errorf("%s: %d taps", c.name, len(h.taps))
		}
	}
}

// TestBeepsBeforeSticks: hands-free, a scale that beeps five times before each stick does
// not move the numbers of the sticks.
func TestBeepsBeforeSticks(t *testing.T) {
	set := settings(t, t.TempDir())
	set.Blank, set.HandsFree, set.Taps, set.Blanks = "A1", true, 3, 5
	var hands person
	var notes []float64
	for stick := range uint64(5) {
		beeps := make([]float64, 4*48000)
		for i := range 5 {
			random := rand.New(rand.NewPCG(stick, uint64(i)))
			copy(beeps[i*38000:], cases.WorkshopSounds["beep of a scale"](48000, random)[:30000])
		}
		rec, truth := withForeign(7300+stick, beeps, 6)
		hands.blanks = append(hands.blanks, rec)
		notes = append(notes, truth.Fundamental.Hz)
	}
	s, err := session.Open(set)
	if err != nil {
		t.Fatal(err)
	}
	h := &told{}
	if err := s.Run(t.Context(), &hands, nil, func(e session.Event) {
		h.tell(e)
		if _, done := e.(session.BlankDone); done {
			hands.next()
		}
	}); err != nil {
		t.Fatal(err)
	}
	for _, tap := range h.taps {
		stick := int(tap.Blank[1] - '1')
		if tap.Good && math.Abs(tap.Ring.Fundamental.Hz.X/notes[stick]-1) > 0.01 {
			t.Errorf("blank %s has a tap of %.1f Hz; its note is %.1f Hz", tap.Blank, tap.Ring.Fundamental.Hz.X, notes[stick])
		}
	}
	if got := fmt.Sprint(h.done); got != "[A1 A2 A3 A4 A5]" {
		t.Errorf("done: %s", got)
	}
}
