package capture

import (
	"fmt"
	"slices"
)

// tapLimits are the thresholds by which onsets become taps (common practice, no source).
var tapLimits = struct{ MinRingS, GuardS, EditedS, QuietS float64 }{
	MinRingS: 0.12,  // s: less ring than this before the next strike or the end can't be used
	GuardS:   0.010, // s: a ring ends this long before the next strike
	EditedS:  0.05,  // s: the same sample for so long at the end is no sound
	QuietS:   0.1,   // s: less quiet than this tells nothing
}

// Muted is the code of the warning that a recording holds no sound at all.
const Muted = "digital silence"

// FindTaps picks the channel with the best signal-to-noise ratio, finds the strikes
// in it, and says which of their rings can be used. Channels are never summed: two
// microphones hear the same ring with unlike phase.
func FindTaps(rec Recording) Take {
	take := Take{Source: rec.Source, Rate: rec.Rate, Channels: len(rec.Tracks), Warnings: slices.Clone(rec.Warnings)}
	if len(rec.Tracks) == 0 || len(rec.Tracks[0]) == 0 || rec.Rate <= 0 {
		return take
	}
	var best *onsetSearch
	for i, track := range rec.Tracks {
		if s := searchOnsets(sounding(track, rec.Rate), rec.Rate); best == nil || s.snrDB > best.snrDB {
			best, take.Track, take.Samples = s, i, track
		}
	}
	if silent(take.Samples) {
		take.Warnings = append(take.Warnings, Warning{Muted,
			"the recording is exact digital silence: the microphone was muted or not permitted; allow it in the system's privacy settings and record again"})
		return take
	}
	if len(rec.Tracks) > 1 {
		take.Warnings = append(take.Warnings, Warning{"channel chosen",
			fmt.Sprintf("channel %d of %d is used: it has the best signal-to-noise ratio", take.Track+1, len(rec.Tracks))})
	}
	sound := best.sound.Samples
	onsets, clipped := best.onsets(), clippedSamples(take.Samples)
	for i, at := range onsets {
		end := len(sound)
		if i+1 < len(onsets) {
			end = onsets[i+1] - int(tapLimits.GuardS*rec.Rate)
		}
		take.Taps = append(take.Taps, newTap(rec.Rate, Span{at, end}, clipped))
	}
	take.refuseDoubles(sound)
	take.Quiet, take.pyramid = quietBefore(onsets, len(sound), rec.Rate), best.sound
	return take
}

// newTap is the strike at the beginning of a ring, with the reason why it can't be
// used if there is one.
func newTap(rate float64, ring Span, clipped []int) Tap {
	tap := Tap{Onset: ring.From, End: ring.To}
	first, _ := slices.BinarySearch(clipped, ring.From-int(tapLimits.GuardS*rate))
	if last, _ := slices.BinarySearch(clipped, ring.To); last > first {
		tap.ClippedTill = clipped[last-1] + 1
	}
	switch {
	case tap.ClippedTill > 0:
		tap.Reason = Clipped
	case float64(ring.Len()) < tapLimits.MinRingS*rate:
		tap.Reason = CutShort
	}
	return tap
}

// refuseDoubles marks the double strikes among the taps that could be used otherwise.
func (t *Take) refuseDoubles(sound []float64) {
	var seen []blows
	var of []int
	for i, tap := range t.Taps {
		if tap.Reason == Accepted {
			seen, of = append(seen, blowsAfter(sound, t.Rate, tap.Onset, tap.End)), append(of, i)
		}
	}
	for k, double := range doubleStrikes(seen) {
		if double {
			t.Taps[of[k]].Reason = DoubleStrike
		}
	}
}

// sounding is what comes before a silence that an editor put at the end: without noise in
// it, it would make the last ring's noise look smaller than it is.
func sounding(x []float64, rate float64) []float64 {
	n := len(x)
	for n > 0 && x[n-1] == x[len(x)-1] {
		n--
	}
	if float64(len(x)-n) < tapLimits.EditedS*rate {
		return x
	}
	return x[:n]
}

// quietBefore returns the stretches of n samples in which nothing rings: that
// before the first strike.
func quietBefore(onsets []int, n int, rate float64) []Span {
	if len(onsets) > 0 {
		n = onsets[0] - int(2*tapLimits.GuardS*rate)
	}
	if float64(n) < tapLimits.QuietS*rate {
		return nil
	}
	return []Span{{0, n}}
}

// silent tells whether all samples are the same.
func silent(x []float64) bool {
	return !slices.ContainsFunc(x, func(v float64) bool { return v != x[0] })
}
