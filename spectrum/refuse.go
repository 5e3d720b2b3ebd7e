package spectrum

import (
	"math"
	"math/cmplx"

	"ringstock/capture"
)

// Which taps do not belong with the others. Set on synthetic taps among talk, doors
// and double strikes.
const (
	faintTap  = 0.08  // of the usual amplitude: 22 dB softer than the others no player taps; common practice, no source
	anew      = 1.6   // times what the ring before has left: less is no new strike
	longTaus  = 2.5   // decay times of ring that are enough for a fit
	quietSNR  = 12    // energy over noise density of a fundamental: below it the decay's own sd, sqrt(2/SNR), is over 40 %
	aloneSNR  = 18    // the same for an end tap that no other confirms: in noise alone the best of all lines that are tried has 8 to 12
	shortS    = 0.3   // s of ring: with less,
	shortTaus = 1.2   // and less than so many decay times, a decay is no longer its own
	strayNote = 0.004 // of the note: 7 cents, more than a glide moves it (glideCents)
	straySDs  = 5.0   // and so many of its standard deviations
	roseS     = 0.25  // s over which the fundamental is compared before and after a tap that was refused
	roseFrom  = 0.15  // of the usual amplitude: where less begins it was no strike
)

// refuse marks taps that do not belong with the others, and drops what was no strike at
// all. It tells whether there was any.
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
		case len(each) > 1 && (f.amp[i] < faintTap*typical || f.amp[i] < anew*left):
			// A voice or a door: the fundamental did not start anew. What came before it
			// is clean; if that is too little, the tap before goes on through it.
			if last >= 0 && rings[last].ring < longTaus*f.tau() {
				kept[len(kept)-1].End = t.End
			}
			any = true
			continue
		case f.snr[i] < quietSNR, heard.strike == EndTap && len(each) == 1 && f.snr[i] < aloneSNR:
			t.Reason = capture.TooQuiet
		case ring < shortS && ring < shortTaus*f.tau() && len(each) > 1:
			t.Reason = capture.CutShort
		case math.Abs(one.hz-f.hz) > strayNote*f.hz+straySDs*one.sdHz && len(each) > 1:
			t.Reason = capture.Disturbed
		default:
			last = i
		}
		any = any || t.Reason != capture.Accepted
		kept = append(kept, t)
	}
	return kept, any
}

// rose tells whether a ring of the fundamental began with a tap that was
// refused for other reasons.
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
	return after > roseFrom*typical && after > anew*before
}
