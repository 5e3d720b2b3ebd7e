package spectrum

import (
	"ringstock/capture"
)

// usedTap is a tap in use.
type usedTap struct {
	capture.Tap
	of      int  // index among the take's taps
	clipped bool // heard only from where its clipping ends
}

func accepted(taps []capture.Tap) (use []usedTap) {
	for i, t := range taps {
		if t.Reason == capture.Accepted {
			use = append(use, usedTap{Tap: t, of: i})
		}
	}
	return use
}

const (
	clippedS   = 0.02 // s for which a tap may be clipped so that what follows can still be used
	beforeTapS = 0.02 // s before a strike that are not quiet: its onset is known to 2 ms, and windows smear
)

// sinceClipped lists the rings of taps that were clipped for a short time
// only, from there on.
func sinceClipped(taps []capture.Tap, rate float64) (use []usedTap) {
	for i, t := range taps {
		if t.Reason == capture.Clipped && float64(t.ClippedTill-t.Onset) < clippedS*rate {
			t.Onset = t.ClippedTill
			use = append(use, usedTap{Tap: t, of: i, clipped: true})
		}
	}
	return use
}

// without is the sound with the taps that are left of its own.
func without(sound capture.Take, kept []capture.Tap) capture.Take {
	sound.Taps = kept
	if len(kept) > 0 { // what was taken for a strike before the first one had cut the quiet short
		if to := kept[0].Onset - int(beforeTapS*sound.Rate); len(sound.Quiet) == 0 || to > 2*sound.Quiet[0].To {
			sound.Quiet = []capture.Span{{From: 0, To: max(to, 0)}}
		}
	}
	return sound
}
