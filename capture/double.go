package capture

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat"

	"ringstock/capture/dsp"
)

// blowLimits are the thresholds of the search for a second blow. Its click is sought
// in narrow bands, above most of the ring: alone in any of them it may drown in the
// room's noise, in all of them together it does not. Set on synthetic bars in rooms,
// and on recorded bars.
var blowLimits = struct{ RateHz, LeadS, LowHz, HighHz, FrameS, Rise, Weight, Least, Share, Echo float64 }{
	RateHz: 40000,  // Hz: least sampling rate at which it is sought, if there is as much
	LeadS:  0.04,   // s of sound before the strike, for the noise
	LowHz:  3000,   // Hz: below is ring,
	HighHz: 14000,  // Hz: above is the noise of microphones
	FrameS: 0.0025, // s: least length of a spectrum; a blow is as short
	Rise:   4,      // times what was there: a band counts no more than that,
	Weight: 30,     // times: and no more than one in which the first blow stood so far over it
	Least:  2.1,    // standard deviations: evidence that makes a blow (single taps in noise: up to 1.95 in 2000)
	Share:  0.02,   // of the first blow's energy; less is a rattle, or partials that beat (recorded bars: up to 0.006)
	Echo:   0.7,    // standard deviations: median of all taps' evidence after the same time that makes an echo
}

const (
	blowBins   = 3 // Fourier bins of 350 Hz in a band
	blowFewest = 4 // bands that must be there to tell a blow from a partial
	echoTaps   = 3 // that must be there to tell a blow from an echo

	// In frames of half overlap:
	blowStrike = 5  // the first blow lies in the first so many,
	blowAfter  = 9  // a second one is sought from here on;
	blowAround = 7  // it is compared with so many before it and after it,
	blowApart  = 5  // but for those that it may reach into
	blowSettle = 4  // those of the first blow itself
	blowFloor  = .3 // percentile of a band that is its noise
)

// blows is the evidence for a second blow, frame by frame after a strike.
type blows struct {
	evidence []float64 // standard deviations
	strong   []bool    // whether what comes is more than a rattle
}

// blowsAfter looks for second strikes within the dead time: where in most bands at once,
// and for no longer than a blow lasts, the sound comes back as the first strike made it.
func blowsAfter(x []float64, rate float64, onset, end int) (found blows) {
	lead := min(onset, int(blowLimits.LeadS*rate))
	y, low := dsp.Decimate(x[onset-lead:min(end, onset+int(onsetLimits.DeadS*rate))], rate, blowLimits.RateHz)
	bands, hop := blowBands(y, low)
	if len(bands) < blowFewest {
		return found
	}
	n, first := len(bands[0]), max(int(float64(lead)/rate*low)/hop-1, 0)
	if n < first+blowStrike {
		return found
	}
	row := func() []float64 { return make([]float64, len(bands)) }
	strike, floor, evidence, weight, share := row(), row(), row(), row(), row()
	for b, e := range bands {
		strike[b] = slices.Max(e[first : first+blowStrike])
		floor[b] = max(dsp.Percentile(e, blowFloor), 1e-30)
	}
	for i := first + blowAfter; i+blowApart+blowAround <= n; i++ {
		for b, e := range bands {
			now := (e[i] + e[i+1]) / 2
			before := stat.Mean(e[max(i-blowAround, first+blowSettle):i-1], nil)
			after := stat.Mean(e[i+blowApart:i+blowApart+blowAround], nil)
			there := max(before, after, floor[b])
			// Weighted with what the first strike would raise there the sum
			// is the matched one.
			weight[b] = min(strike[b]/there, blowLimits.Weight)
			evidence[b] = weight[b] * min(now/there-1, blowLimits.Rise)
			share[b] = (now - there) / strike[b]
		}
		says := standsOut(evidence, weight)
		found.evidence = append(found.evidence, says)
		found.strong = append(found.strong, says > blowLimits.Least && dsp.Percentile(share, 0.5) > blowLimits.Share)
	}
	return found
}

// near is the most evidence in a frame or those beside it.
func (b blows) near(frame int) float64 {
	from, to := max(frame-1, 0), min(frame+2, len(b.evidence))
	if from >= to {
		return 0
	}
	return slices.Max(b.evidence[from:to])
}

// doubleStrikes tells which taps of a recording have a second blow. What most of
// them have after the same time is no blow but an echo, of a wall far off: no hand
// strikes twice so evenly.
func doubleStrikes(taps []blows) []bool {
	isEcho := func(frame int) bool {
		if len(taps) < echoTaps {
			return false
		}
		var all []float64
		for _, b := range taps {
			all = append(all, b.near(frame))
		}
		return dsp.Percentile(all, 0.5) > blowLimits.Echo
	}
	double := make([]bool, len(taps))
	for k, b := range taps {
		for frame, strong := range b.strong {
			if strong && !isEcho(frame) {
				double[k] = true
				break
			}
		}
	}
	return double
}

// blowBands is the power of a sound in narrow bands, by band and by frame; frames of 2.5
// to 5 ms begin every hop samples, half their length.
func blowBands(x []float64, rate float64) (bands [][]float64, hop int) {
	hop = 8
	for float64(hop) < blowLimits.FrameS/2*rate {
		hop *= 2
	}
	size := 2 * hop
	perBin := rate / float64(size)
	from, to := int(math.Ceil(blowLimits.LowHz/perBin)), int(min(blowLimits.HighHz, 0.42*rate)/perBin)
	frames := max(len(x)/hop-1, 0)
	bands = make([][]float64, max(to-from, 0)/blowBins)
	for b := range bands {
		bands[b] = make([]float64, frames)
	}
	window := dsp.Hann(size)
	turns := make([]complex128, max(to, 0))
	for k := range turns {
		turns[k] = cmplx.Rect(1, -2*math.Pi*float64(k)/float64(size))
	}
	buf := make([]complex128, hop)
	for i := range frames {
		y := x[i*hop : i*hop+size]
		for j := range buf {
			buf[j] = complex(y[2*j]*window[2*j], y[2*j+1]*window[2*j+1])
		}
		dsp.Transform(buf)
		for b, e := range bands {
			for k := from + b*blowBins; k < from+(b+1)*blowBins; k++ {
				e[i] += dsp.Folded(buf, k, turns[k])
			}
		}
	}
	return bands, hop
}

// standsOut sums the evidence of bands relative to its spread in noise, but for the two
// that say most: partials that beat rise in one band or two, a strike in all.
func standsOut(evidence, weight []float64) float64 {
	first, second := -1, -1
	sum, spread := 0.0, 0.0
	for b, e := range evidence {
		sum += e
		spread += weight[b] * weight[b]
		switch {
		case first < 0 || e > evidence[first]:
			first, second = b, first
		case second < 0 || e > evidence[second]:
			second = b
		}
	}
	for _, b := range []int{first, second} {
		if b >= 0 {
			sum -= evidence[b]
			spread -= weight[b] * weight[b]
		}
	}
	return sum / math.Sqrt(max(spread, 1e-30))
}
