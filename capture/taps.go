package capture

import (
	"fmt"
	"math"
	"slices"
)

// Times and levels of the search for taps. They describe strikes of knuckle, mallet
// or felt hammer on wood (common practice, no source; checked on synthetic and
// on recorded bars).
const (
	frameS    = 0.002 // energy frames
	riseS     = 0.006 // a strike's energy is summed over this time ...
	beforeS   = 0.064 // ... and compared with the mean over this time before it
	riseDB    = 9.0   // least step between the two
	overDB    = 10.0  // least level over the band's own floor
	deadS     = 0.35  // no second tap this soon: a second strike there is a double strike
	minRingS  = 0.12  // less ring than this before the next strike or the end can't be used
	guardS    = 0.010 // a ring ends this long before the next strike
	onsetPart = 0.15  // the strike is where the sound first reaches this part of its first peak
)

// The bands in which a strike may stand out, Hz.
var strikeBands = [][2]float64{{350, 1200}, {1200, 4000}, {4000, 10000}}

// bounceBand holds what is left of a strike's click but no ring: a second burst
// there is a second strike.
var bounceBand = [2]float64{6000, 14000}

// FindTaps picks the channel with the best signal-to-noise ratio, finds the strikes
// in it, and says which of their rings can be used. Channels are never summed: two
// microphones hear the same ring with unlike phase.
func FindTaps(rec Recording) Take {
	take := Take{Source: rec.Source, Rate: rec.Rate, Warnings: slices.Clone(rec.Warnings)}
	if len(rec.Tracks) == 0 || len(rec.Tracks[0]) == 0 || rec.Rate <= 0 {
		return take
	}
	best := math.Inf(-1)
	var ear hearing
	for i, track := range rec.Tracks {
		h := listen(track, rec.Rate)
		if h.snr > best {
			best, ear, take.Track, take.Samples = h.snr, h, i, track
		}
	}
	if silent(take.Samples) {
		take.Warnings = append(take.Warnings, Warning{"digital silence",
			"the recording is exact digital silence: the microphone was muted or not permitted; allow it in the system's privacy settings"})
		return take
	}
	if len(rec.Tracks) > 1 {
		take.Warnings = append(take.Warnings, Warning{"channel chosen",
			fmt.Sprintf("channel %d of %d is used: it has the best signal-to-noise ratio", take.Track+1, len(rec.Tracks))})
	}
	clipped := clippedSamples(take.Samples)
	onsets := ear.onsets()
	for i, at := range onsets {
		end := len(take.Samples)
		if i+1 < len(onsets) {
			end = onsets[i+1] - int(guardS*rec.Rate)
		}
		tap := Tap{Onset: at, End: end}
		for _, c := range clipped {
			if c >= at-int(guardS*rec.Rate) && c < end {
				tap.ClippedTill = c + 1
				tap.Reason = Clipped
			}
		}
		switch {
		case tap.Reason != Accepted:
		case float64(end-at) < minRingS*rec.Rate:
			tap.Reason = CutShort
		case ear.bounces(at, end):
			tap.Reason = DoubleStrike
		}
		take.Taps = append(take.Taps, tap)
	}
	take.Quiet = ear.quiet(onsets)
	return take
}

// hearing is a channel as energies in frames of frameS.
type hearing struct {
	rate    float64
	hop     int
	samples []float64
	bands   [][]float64 // mean square per frame in strikeBands
	floor   []float64   // of each band
	click   []float64   // mean square per frame in bounceBand; nil if the rate is too low
	snr     float64     // dB, loudest strike over the floor in the best band
}

func listen(x []float64, rate float64) hearing {
	h := hearing{rate: rate, hop: max(int(math.Round(frameS*rate)), 1), samples: x}
	for _, b := range strikeBands {
		if b[0] > 0.4*rate {
			break
		}
		e := BandEnergy(x, rate, b, h.hop)
		f := percentile(e, 0.2)
		h.bands = append(h.bands, e)
		// Exact silence before or after a strike must not make the floor zero.
		h.floor = append(h.floor, max(f, 1e-7*slices.Max(e), 1e-16))
		h.snr = max(h.snr, 10*math.Log10(slices.Max(e)/h.floor[len(h.floor)-1]))
	}
	if bounceBand[0] < 0.4*rate {
		h.click = BandEnergy(x, rate, bounceBand, h.hop)
	}
	return h
}

// onsets returns the samples at which strikes begin.
func (h hearing) onsets() []int {
	n := 0
	if len(h.bands) > 0 {
		n = len(h.bands[0])
	}
	short, long := max(int(riseS/frameS), 1), int(beforeS/frameS)
	// score is by how many dB a strike beginning at frame i stands over what came before.
	score := make([]float64, n)
	for b, e := range h.bands {
		var sum []float64 = prefix(e)
		for i := range n {
			now := mean(sum, i, i+short)
			if now < h.floor[b]*math.Pow(10, overDB/10) {
				continue
			}
			// The pre-strike level: what was there, or the floor where the file begins.
			was := h.floor[b]
			if i > 0 {
				was = max(was, mean(sum, max(0, i-long), i))
			}
			score[i] = max(score[i], 10*math.Log10(now/was))
		}
	}
	dead := int(deadS / frameS)
	var out []int
	for i := 0; i < n; i++ {
		if score[i] < riseDB {
			continue
		}
		// The strongest step within the next 20 ms is the strike.
		best := i
		for j := i; j < min(n, i+10); j++ {
			if score[j] > score[best] {
				best = j
			}
		}
		out = append(out, h.pin(best))
		i = best + dead
	}
	return out
}

// pin finds the sample at which the strike near a frame begins.
func (h hearing) pin(frame int) int {
	from, to := max((frame-3)*h.hop, 0), min((frame+4)*h.hop, len(h.samples))
	// The first difference favours the strike's click over ring and hum.
	diff := func(i int) float64 {
		if i == 0 {
			return 0
		}
		return math.Abs(h.samples[i] - h.samples[i-1])
	}
	peak, noise := 0.0, 0.0
	for i := from; i < to; i++ {
		peak = max(peak, diff(i))
	}
	for i := max(from-2*h.hop, 0); i < from; i++ {
		noise = max(noise, diff(i))
	}
	level := max(onsetPart*peak, min(1.5*noise, 0.7*peak))
	for i := from; i < to; i++ {
		if diff(i) >= level {
			return max(i-1, 0)
		}
	}
	return from
}

// bounces tells whether a second strike follows within the dead time.
func (h hearing) bounces(onset, end int) bool {
	e := h.click
	if e == nil {
		e = h.bands[len(h.bands)-1]
	}
	first := onset / h.hop
	last := min((end-1)/h.hop, first+int(deadS/frameS), len(e))
	if last-first < 12 {
		return false
	}
	floor := max(percentile(e, 0.2), 1e-16)
	strike := slices.Max(e[first:min(first+4, last)])
	for i := first + 5; i+2 <= last; i++ {
		now := (e[i] + e[i+1]) / 2
		// The click dies within a few frames. What comes back by 8 dB over
		// the quietest of the frames between, is a good part of the first strike and
		// stands well over the floor, is another one.
		was := math.Inf(1)
		for j := max(first+2, i-6); j < i-1; j++ {
			was = min(was, (e[j]+e[j+1])/2)
		}
		if now > 6.3*was && now > 0.004*strike && now > 16*floor {
			return true
		}
	}
	return false
}

// quiet returns the stretches in which nothing rings: before the first strike.
func (h hearing) quiet(onsets []int) []Span {
	first := len(h.samples)
	if len(onsets) > 0 {
		first = onsets[0] - int(2*guardS*h.rate)
	}
	if float64(first) < 0.1*h.rate {
		return nil
	}
	return []Span{{0, first}}
}

// clippedSamples finds samples at which the converter or an amplifier was at its
// end: two or more in a row at full scale, or flat tops at the recording's own maximum.
func clippedSamples(x []float64) []int {
	top := 0.0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	var out []int
	flat := make(map[int]int) // flat tops: first sample -> length
	for i := 0; i < len(x); {
		j := i + 1
		a := math.Abs(x[i])
		switch {
		case a >= 0.999:
			for j < len(x) && math.Abs(x[j]) >= 0.999 && (x[j] > 0) == (x[i] > 0) {
				j++
			}
			if j-i >= 2 {
				for k := i; k < j; k++ {
					out = append(out, k)
				}
			}
		case a >= 0.97*top && a > 0.05:
			for j < len(x) && x[j] == x[i] {
				j++
			}
			if j-i >= 3 {
				flat[i] = j - i
			}
		}
		i = j
	}
	if len(flat) >= 2 {
		for i, n := range flat {
			for k := i; k < i+n; k++ {
				out = append(out, k)
			}
		}
		slices.Sort(out)
	}
	return out
}

func silent(x []float64) bool {
	for _, v := range x {
		if v != x[0] {
			return false
		}
	}
	return true
}

// BandEnergy is the mean square in frames of hop samples after a Butterworth
// high-pass and low-pass of second order at the band's edges.
func BandEnergy(x []float64, rate float64, band [2]float64, hop int) []float64 {
	hp := highpass(band[0], rate)
	lp := lowpass(min(band[1], 0.45*rate), rate)
	out := make([]float64, 0, len(x)/hop+1)
	dc := x[0] // starting at the first value keeps an offset from sounding like a strike
	for i := 0; i < len(x); i += hop {
		n := min(hop, len(x)-i)
		sum := 0.0
		for _, v := range x[i : i+n] {
			y := lp.next(hp.next(v - dc))
			sum += y * y
		}
		out = append(out, sum/float64(n))
	}
	return out
}

// biquad is a second-order section in transposed direct form II.
type biquad struct{ b0, b1, b2, a1, a2, s1, s2 float64 }

func (q *biquad) next(x float64) float64 {
	y := q.b0*x + q.s1
	q.s1 = q.b1*x - q.a1*y + q.s2
	q.s2 = q.b2*x - q.a2*y
	return y
}

// lowpass is a Butterworth section by the bilinear transform (Oppenheim & Schafer,
// Discrete-Time Signal Processing, ch. 7, from memory).
func lowpass(hz, rate float64) biquad {
	k := math.Tan(math.Pi * hz / rate)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return biquad{b0: k * k * n, b1: 2 * k * k * n, b2: k * k * n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

// highpass is its mirror image.
func highpass(hz, rate float64) biquad {
	k := math.Tan(math.Pi * hz / rate)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return biquad{b0: n, b1: -2 * n, b2: n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

func percentile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[int(p*float64(len(s)-1))]
}

func prefix(x []float64) []float64 {
	s := make([]float64, len(x)+1)
	for i, v := range x {
		s[i+1] = s[i] + v
	}
	return s
}

func mean(sum []float64, from, to int) float64 {
	to = min(to, len(sum)-1)
	if to <= from {
		return 0
	}
	return (sum[to] - sum[from]) / float64(to-from)
}
