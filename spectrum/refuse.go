package spectrum

import (
	"math"
	"math/cmplx"

	"ringstock/capture"
)

// refuse marks taps that do not belong with the others, and drops what was no strike at all.
// It tells whether there was any.
func refuse(sound capture.Take, heard tapSpectra, all modes, each []modes) (kept []capture.Tap, any bool) {
	if all.inferred != nil {
		return sound.Taps, false
	}
	f := all.parts[all.fundamental]
	rings := heard.rings
	typical := median(f.amp)
	i, last := -1, -1
	for _, t := range sound.Taps {
		if t.Reason != capture.Accepted {
			if t.Reason != capture.Clipped && !rose(sound, t, f.component, typical) {
				any = true // a voice: no ring began
				continue
			}
			kept = append(kept, t)
			continue
		}
		i++
		one := each[i].parts[all.fundamental].component
		ring := rings[i].ring
		left := 0.0
		if last >= 0 {
			left = f.amp[last] * math.Exp(-f.alpha*float64(t.Onset-heard.taps[last].Onset)/sound.Rate)
		}
		switch {
		case len(each) > 1 && (f.amp[i] < 0.08*typical || f.amp[i] < 1.6*left):
			// A voice or a door: the fundamental did not start anew. What came before it is
			// clean; if that is too little, the tap before goes on through it.
			if last >= 0 && rings[last].ring < 2.5*f.tau() {
				kept[len(kept)-1].End = t.End
			}
			any = true
			continue
		case f.snr[i] < quietSNR:
			t.Reason = capture.TooQuiet
		case ring < 0.3 && ring < 1.2*f.tau() && len(each) > 1:
			t.Reason = capture.CutShort
		case math.Abs(one.hz-f.hz) > 0.004*f.hz+5*one.sdHz && len(each) > 1:
			t.Reason = capture.Disturbed
		default:
			last = i
		}
		any = any || t.Reason != capture.Accepted
		kept = append(kept, t)
	}
	return kept, any
}

// rose tells whether a ring of the fundamental began with a tap that was refused for other reasons.
func rose(sound capture.Take, t capture.Tap, f component, typical float64) bool {
	rate := sound.Rate
	level := func(from, to int) float64 { // amplitude at the fundamental, under a Hann window
		from, to = max(from, 0), min(to, len(sound.Samples))
		var sum complex128
		w := hann(max(to-from, 0))
		for i, v := range w {
			sum += complex(v*sound.Samples[from+i], 0) * cmplx.Rect(1, -2*math.Pi*f.hz*float64(i)/rate)
		}
		return 4 * cmplx.Abs(sum) / float64(max(len(w), 1))
	}
	long := min(roseS, float64(t.End-t.Onset)/rate-firstSkipS)
	if long < roseS/3 {
		return true
	}
	n, skip := int(long*rate), int(firstSkipS*rate)
	after := level(t.Onset+skip, t.Onset+skip+n) * math.Exp(f.alpha*(firstSkipS+long/2))
	before := level(t.Onset-skip-n, t.Onset-skip) * math.Exp(-f.alpha*(firstSkipS+long/2))
	return after > 0.15*typical && after > 1.6*before
}

// roseS is the time over which rose compares before and after.
const roseS = 0.25

// quietSNR is the least energy of a tap's fundamental over the noise density: below it
// the decay's own sd, sqrt(2/SNR), is over 40 %.
const quietSNR = 12
