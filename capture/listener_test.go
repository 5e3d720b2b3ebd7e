package capture_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"testing"

	"ringstock/capture"
	"ringstock/capture/faulty"
	"ringstock/capture/synth/cases"
)

// heard is what a listener told of a stream.
type heard struct {
	rooms  []capture.Room
	cuts   []capture.Cut
	levels int
	clips  int
}

func hear(t *testing.T, s capture.Source) (h heard, err error) {
	t.Helper()
	l := capture.NewListener(s.Rate(), "test")
	l.OnRoom = func(r capture.Room) { h.rooms = append(h.rooms, r) }
	l.OnCut = func(c capture.Cut) {
		if c.Rest {
			before := h.cuts[len(h.cuts)-1]
			if n := len(before.Recording.Tracks[0]); before.Pos != c.Pos || !slices.Equal(before.Recording.Tracks[0], c.Recording.Tracks[0][:n]) {
				t.Errorf("the rest of the tap at %d does not begin like it", before.Pos)
			}
			h.cuts[len(h.cuts)-1] = c
			return
		}
		h.cuts = append(h.cuts, c)
	}
	l.OnLevel = func(v capture.Level) {
		h.levels++
		if v.Clipped {
			h.clips++
		}
	}
	var b capture.Block
	for {
		if err := s.Read(&b); err != nil {
			l.End()
			return h, err
		}
		l.Hear(b)
	}
}

func bar(seed uint64) (capture.Recording, cases.Truth) {
	return cases.Bar(seed).InRoom().Mains().SNR(30).Render()
}

func TestSameTapsWhateverTheBlockSize(t *testing.T) {
	rec, truth := bar(3)
	var first heard
	for _, block := range []int{417, 1, 7, 4096, len(rec.Tracks[0])} {
		h, err := hear(t, capture.Play(rec.Tracks[0], rec.Rate, block))
		if err != io.EOF {
			t.Fatal(err)
		}
		if first.cuts == nil {
			first = h
			if len(h.cuts) != len(truth.Taps) {
				t.Fatalf("%d cuts, want %d", len(h.cuts), len(truth.Taps))
			}
			continue
		}
		if len(h.cuts) != len(first.cuts) || h.levels != first.levels {
			t.Fatalf("blocks of %d: %d cuts and %d levels, with blocks of 417 %d and %d", block, len(h.cuts), h.levels, len(first.cuts), first.levels)
		}
		for i, c := range h.cuts {
			f := first.cuts[i]
			if !slices.Equal(c.Recording.Tracks[0], f.Recording.Tracks[0]) || c.Pos != f.Pos || c.Onset != f.Onset {
				t.Errorf("blocks of %d: cut %d differs", block, i)
			}
		}
	}
}

// Every tap that is found in a recording as a whole is cut out of the stream once, at its
// place, with enough of its ring.
func TestCutsHoldTheTaps(t *testing.T) {
	for _, class := range cases.Classes() {
		seeds := 1
		if slow() {
			seeds = 2
		}
		for seed := range uint64(seeds) {
			t.Run(fmt.Sprint(class.Name, seed), func(t *testing.T) {
				rec, truth := class.Case(seed).Render()
				if truth.Altered {
					t.Skip("a recorder that alters the sound makes strikes of its own")
				}
				h, _ := hear(t, capture.Play(rec.Tracks[0], rec.Rate, 417))
				found := capture.FindTaps(rec).Taps
				for i, tap := range truth.Taps {
					if !slices.ContainsFunc(found, func(f capture.Tap) bool {
						return math.Abs(float64(f.Onset)/rec.Rate-tap.AtS) < 0.01
					}) {
						continue
					}
					var mine []capture.Cut
					for _, c := range h.cuts {
						// Something may have sounded up to 0.35 s before the strike; then
						// the strike lies inside.
						if d := tap.AtS - float64(c.Pos)/rec.Rate; d > -0.1 && d < 0.36 {
							mine = append(mine, c)
						}
					}
					if len(mine) != 1 {
						t.Errorf("tap %d at %.2f s is in %d cuts", i, tap.AtS, len(mine))
						continue
					}
					c := mine[0]
					x := c.Recording.Tracks[0]
					ring := float64(len(x)-c.Onset) / rec.Rate
					if tau := truth.Fundamental.Tau(); ring < min(2*tau, 0.8) && !c.Next && i < len(truth.Taps)-1 {
						t.Errorf("tap %d: %.2f s of ring, time constant %.2f s", i, ring, tau)
					}
					// The ring itself is untouched.
					for n := range len(x) - c.Onset {
						if x[c.Onset+n] != rec.Tracks[0][int(c.Pos)+n] {
							t.Fatalf("tap %d: sample %d after the strike differs", i, n)
						}
					}
				}
			})
		}
	}
}

func TestQuietSecond(t *testing.T) {
	c := cases.Bar(5).InWhiteNoise().SNR(30).Starting(1.5)
	rec, _ := c.Render()
	h, _ := hear(t, capture.Play(rec.Tracks[0], rec.Rate, 480))
	if len(h.rooms) != 1 {
		t.Fatalf("the room was told of %d times", len(h.rooms))
	}
	want := 20 * math.Log10(c.Scene.White)
	if got := h.rooms[0].RMSDB; math.Abs(got-want) > 0.2 {
		t.Errorf("noise %.2f dB, want %.2f", got, want)
	}
	if n := len(h.rooms[0].Samples); n != int(rec.Rate) {
		t.Errorf("%d samples of quiet, want one second", n)
	}
	for i, cut := range h.cuts {
		quiet := cut.Recording.Tracks[0][:cut.Onset-int(0.03*rec.Rate)]
		sum := 0.0
		for _, x := range quiet[:int(0.9*rec.Rate)] {
			sum += x * x
		}
		if got := 10 * math.Log10(sum/(0.9*rec.Rate)); math.Abs(got-want) > 1 {
			t.Errorf("cut %d: %.2f dB in its quiet second, want %.2f", i, got, want)
		}
	}
}

func TestLossesStayWithTheirTap(t *testing.T) {
	rec, truth := bar(7)
	x := rec.Tracks[0]
	at := func(s float64) int { return int(s * rec.Rate) }
	inTap := at(truth.Taps[1].AtS + 0.2)
	between := at(truth.Taps[3].AtS - 0.2)
	s := &faulty.Source{Samples: x, Hz: rec.Rate, Block: 417, Faults: []faulty.Fault{
		{At: inTap, Lost: 48},
		{At: at(truth.Taps[2].AtS + 0.3), Flags: capture.Overflow},
		{At: between, Stall: 5},
	}}
	h, err := hear(t, s)
	if err != io.EOF {
		t.Fatal(err)
	}
	for i, tap := range truth.Taps {
		for _, c := range h.cuts {
			d := float64(c.Pos)/rec.Rate - tap.AtS
			if d < -0.02 || d > 0.1 {
				continue
			}
			if whole := i != 1 && i != 2; c.Whole() != whole {
				t.Errorf("tap %d: lost %d, flags %v", i, c.Lost, c.Flags)
			}
			if i == 1 && c.Lost != 48 || i == 2 && c.Flags != capture.Overflow {
				t.Errorf("tap %d: lost %d, flags %v", i, c.Lost, c.Flags)
			}
		}
	}
	if len(h.cuts) < len(truth.Taps) {
		t.Errorf("%d cuts of %d taps", len(h.cuts), len(truth.Taps))
	}
}

func TestDisconnectEndsTheRing(t *testing.T) {
	rec, truth := bar(7)
	broken := errors.New("unplugged")
	at := int((truth.Taps[2].AtS + 0.5) * rec.Rate)
	s := &faulty.Source{Samples: rec.Tracks[0], Hz: rec.Rate, Block: 1, Faults: []faulty.Fault{{At: at, Err: broken}}}
	h, err := hear(t, s)
	if err != broken {
		t.Fatal(err)
	}
	last := h.cuts[len(h.cuts)-1]
	if end := int(last.Pos) + len(last.Recording.Tracks[0]) - last.Onset; len(h.cuts) != 3 || end != at {
		t.Errorf("%d cuts, the last ends at %d, the stream at %d", len(h.cuts), end, at)
	}
}

func TestClippingShowsOnTheMeter(t *testing.T) {
	rec, _ := cases.Bar(9).InRoom().Clipped(1).SNR(30).Render()
	top := slices.Max(rec.Tracks[0])
	for i, x := range rec.Tracks[0] { // to full scale, as a converter clips
		rec.Tracks[0][i] = max(-1, min(1, 1.5*x/top))
	}
	h, _ := hear(t, capture.Play(rec.Tracks[0], rec.Rate, 7))
	if h.clips == 0 {
		t.Error("no level is marked as clipped")
	}
}

// Nothing is found where nothing was struck; a step in the noise is soon the new floor;
// exact silence is told of.
func TestNoTaps(t *testing.T) {
	c := cases.Bar(11).InRoom().Mains().SNR(20)
	c.Scene.Strikes = nil
	rec := c.Scene.Render()
	x := rec.Tracks[0]
	if h, _ := hear(t, capture.Play(x, rec.Rate, 417)); len(h.cuts) != 0 {
		t.Errorf("%d cuts in hum and noise", len(h.cuts))
	}
	rise := len(x) / 3
	for i := rise; i < len(x); i++ {
		x[i] *= 10
	}
	x = slices.Concat(x, x[rise:], x[rise:])
	louder, _ := hear(t, capture.Play(x, rec.Rate, 417))
	for _, c := range louder.cuts {
		// The floor follows within six seconds.
		if s := float64(c.Pos-int64(rise)) / rec.Rate; s > 7 {
			t.Errorf("a cut %.1f s after the noise rose", s)
		}
	}
	h, _ := hear(t, capture.Play(make([]float64, 96000), 48000, 417))
	if len(h.rooms) != 1 || !h.rooms[0].Silent || len(h.cuts) != 0 {
		t.Errorf("exact silence: %d rooms, %d cuts", len(h.rooms), len(h.cuts))
	}
}

// The memory of a listener does not grow.
func TestLongListening(t *testing.T) {
	rec, truth := bar(13)
	l := capture.NewListener(rec.Rate, "test")
	cuts := 0
	l.OnCut = func(c capture.Cut) {
		if !c.Rest {
			cuts++
		}
	}
	rounds := 8
	for range rounds {
		l.Hear(capture.Block{Samples: rec.Tracks[0]})
	}
	if want := rounds * len(truth.Taps); cuts < want-rounds || cuts > want+rounds {
		t.Errorf("%d cuts, want about %d", cuts, want)
	}
	if n := l.Kept(); n > int(16.1*rec.Rate) {
		t.Errorf("%d samples kept", n)
	}
}

// TestWholeRing: a ring is handed over once when it can be judged, and once more when its
// fundamental has fallen 40 dB or is lost in the noise, also where a weak low end makes
// it the faintest line.
func TestWholeRing(t *testing.T) {
	taps, short, bars := 0, 0, 2
	if slow() {
		bars = 5
	}
	for seed := range uint64(bars) {
		for _, weak := range []float64{0, 14} {
			c := cases.Bar(900 + seed).SNR(38)
			if weak > 0 {
				c = c.Highpassed(weak)
			}
			for i := range c.Scene.Strikes {
				c.Scene.Strikes[i].AtS = 1.5 + 9*float64(i)
			}
			c.Scene.DurationS = 9 * 5
			rec, truth := c.Render()
			h, _ := hear(t, capture.Play(rec.Tracks[0], rec.Rate, 480))
			if len(h.cuts) != len(truth.Taps) {
				t.Errorf("bar %d: %d cuts of %d taps", seed, len(h.cuts), len(truth.Taps))
				continue
			}
			tau := truth.Fundamental.Tau()
			for i, cut := range h.cuts {
				// A spectrum's noise scatters by half: 6 dB over it a line is
				// not lost in it yet.
				whole := min(40, truth.Taps[i].SNRdB-6) / 20 * math.Ln10 * tau
				ring := float64(len(cut.Recording.Tracks[0])-cut.Onset) / rec.Rate
				taps++
				if ring < min(whole, 7.9) {
					short++
					t.Logf("bar %d, %g dB weak: tap %d has %.2f s of its ring of %.2f s", seed, weak, i, ring, whole)
				}
			}
		}
	}
	// The noise that is known at the strike scatters, too: one in a hundred
	// ends a little early.
	if short > 2 {
		t.Errorf("%d of %d rings are not whole", short, taps)
	}
}
