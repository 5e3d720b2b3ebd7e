package capture

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"ringstock/capture/dsp"
)

// Times and levels of the search for taps. They describe strikes of knuckle, mallet
// or felt hammer on wood (common practice, no source; checked on synthetic and
// on recorded bars).
const (
	earRate   = 11000.0 // a strike is sought in the sound below half of this, Hz
	frameS    = 0.02    // short-time spectra under a Hann window of about this length,
	frameHops = 4       // so many of them within its length
	beforeS   = 0.064   // a spectrum is compared with the mean over this time before it
	countDB   = 6.0     // a frequency counts in a strike by what it rises beyond this
	strikeDB  = 40.0    // rises summed over all frequencies that make a strike
	swellS    = 0.3     // a ring lasts for longer than this,
	swellDB   = 7.0     // and stands so much over what was there for as long before (noise of 20 s: up to 6.2 in 160 trials)
	deadS     = 0.35    // no second tap this soon: a second strike there is a double strike
	minRingS  = 0.12    // less ring than this before the next strike or the end can't be used
	guardS    = 0.010   // a ring ends this long before the next strike
	pinRate   = 4       // a band is looked at at no less than so many times its upper end
	editS     = 0.05    // the same sample for so long at the end is no sound

	usualToMean = 5 // the mean of a noise power over its 20th percentile (exponential: 4.5)
)

// Muted is the code of the warning that a recording holds no sound at all.
const Muted = "digital silence"

// The bands in which the moment of a strike may stand out best, Hz.
var strikeBands = [][2]float64{{60, 350}, {350, 1200}, {1200, 4000}, {4000, 10000}}

// A blow's click is sought again after the strike in narrow bands, above most of the ring: alone
// in any of them it may drown in the room's noise, in all of them together it does not.
const (
	blowRate   = 40000.0 // least sampling rate at which it is sought, if there is as much
	blowLeadS  = 0.04    // of sound before the strike
	blowBins   = 3       // Fourier bins of 350 Hz in a band
	blowFewest = 4       // bands that must be there to tell a blow from a partial
	blowRise   = 4.0     // a band counts no more than a rise by so many times what was there,
	blowWeight = 30.0    // and no more than one in which the first blow stood so far over it
	blowLeast  = 2.1     // evidence that makes a blow (single taps in noise: up to 1.95 in 2000)
	blowShare  = 0.02    // of the first blow's energy; less is a rattle, or partials that beat (recorded bars: up to 0.006)
)

var blowHz = [2]float64{3000, 14000}

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
		h := listen(sounding(track, rec.Rate), rec.Rate)
		if h.snr > best {
			best, ear, take.Track, take.Samples = h.snr, h, i, track
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
	clipped := clippedSamples(take.Samples)
	onsets := ear.onsets()
	for i, at := range onsets {
		end := len(ear.samples)
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
	take.Quiet, take.pyramid = ear.quiet(onsets), ear.pyramid
	return take
}

// sounding is what comes before a silence that an editor put at the end: without noise in
// it, it would make the last ring's noise look smaller than it is.
func sounding(x []float64, rate float64) []float64 {
	n := len(x)
	for n > 0 && x[n-1] == x[len(x)-1] {
		n--
	}
	if float64(len(x)-n) < editS*rate {
		return x
	}
	return x[:n]
}

// hearing is a channel as the sudden rises in its short-time spectra.
type hearing struct {
	rate    float64
	samples []float64
	rise    []float64 // dB, per hop: rises beyond countDB summed over all frequencies
	spectra [][]float32
	pyramid dsp.Pyramid
	hop     float64 // s
	snr     float64 // dB, loudest spectrum over the quietest
}

// listen whitens short-time spectra by what is there for most of the time, so that hum
// and rumble don't hide a strike, and measures how suddenly each one rises.
func listen(x []float64, rate float64) hearing {
	h := hearing{rate: rate, samples: x}
	h.pyramid = dsp.Pyramid{Samples: x, Rate: rate}
	ear := h.pyramid.HalveTo(earRate)
	low, lowRate := ear.Samples, ear.Rate
	frame, hop := earFrame(lowRate)
	h.hop = float64(hop) / lowRate
	from, to := int(math.Ceil(60*float64(frame)/lowRate)), frame/2
	window := dsp.Hann(frame)
	n := max((len(low)-frame)/hop, 0)
	spectra := make([][]float32, n)
	flat := make([]float32, n*(to-from))
	for i := range spectra {
		spectra[i] = flat[i*(to-from) : (i+1)*(to-from)]
	}
	// Two frames go through one transform, as real and imaginary part.
	buf := make([]complex128, frame)
	loudest := 0.0
	for i := 0; i < n; i += 2 {
		second := min(i+1, n-1)
		for j, w := range window {
			buf[j] = complex(low[i*hop+j]*w, low[second*hop+j]*w)
		}
		dsp.Transform(buf)
		var sums [2]float64
		for k := from; k < to; k++ {
			p, q := dsp.Pair(buf, k)
			spectra[i][k-from], spectra[second][k-from] = float32(p), float32(q)
			sums[0] += p
			sums[1] += q
		}
		loudest = max(loudest, sums[0], sums[1])
	}
	h.rise, h.spectra = make([]float64, n), spectra
	if n == 0 || loudest == 0 {
		return h
	}
	floor, total := usual(spectra)
	h.snr = 10 * math.Log10(loudest/max(total, 1e-9*loudest))
	// Exact silence before or after a strike must not make the floor zero.
	for k := range floor {
		floor[k] = max(usualToMean*floor[k], float32(1e-7*loudest/float64(to-from)))
	}
	before := make([]float64, to-from)
	long, gap := int(math.Round(beforeS/h.hop)), frameHops
	for i, s := range spectra {
		a, b := max(0, i-long), max(0, i-gap)
		if b > 0 { // the sum slides on by one spectrum
			for k, p := range spectra[b-1] {
				before[k] += float64(p)
			}
		}
		if a > 0 {
			for k, p := range spectra[a-1] {
				before[k] -= float64(p)
			}
		}
		each := 1 / float64(max(b-a, 1))
		for k, p := range s {
			if was := max(float32(before[k]*each), floor[k]); p > 4*was {
				h.rise[i] += 10*math.Log10(float64(p/was)) - countDB
			}
		}
	}
	return h
}

// earFrame is the length of a short-time spectrum and the step to the next, in samples.
func earFrame(rate float64) (frame, hop int) {
	frame = 8
	for float64(frame) < 0.75*frameS*rate {
		frame *= 2
	}
	return frame, frame / frameHops
}

// usual is the 20th percentile of each frequency over time, and of their sum.
func usual(spectra [][]float32) (floor []float32, total float64) {
	step := max(len(spectra)/100, 1)
	floor = make([]float32, len(spectra[0]))
	var col []float32
	for k := range floor {
		col = col[:0]
		for i := 0; i < len(spectra); i += step {
			col = append(col, spectra[i][k])
		}
		floor[k] = dsp.NthElement(col, len(col)/5)
		total += float64(floor[k])
	}
	return floor, total
}

// onsets returns the samples at which strikes begin.
func (h hearing) onsets() []int {
	if strikes := h.outstanding(h.rise, strikeDB); len(strikes) > 0 {
		return strikes
	}
	// No strike stands out; of a soft one in noise the ring still may.
	return h.outstanding(h.swell(), swellDB)
}

// swell is by how many dB, per hop, the frequency that rises most is louder for some time after than before.
func (h hearing) swell() []float64 {
	long := int(math.Round(swellS / h.hop))
	out := make([]float64, len(h.spectra))
	if len(h.spectra) < 3*long {
		return out
	}
	best := make([]float64, len(out))
	for k := range h.spectra[0] {
		before, after := 0.0, 0.0
		for i := range long {
			before += float64(h.spectra[i][k])
			after += float64(h.spectra[long+i][k])
		}
		for i := long; i+long < len(out); i++ {
			best[i] = max(best[i], after/max(before, 1e-300))
			before += float64(h.spectra[i][k] - h.spectra[i-long][k])
			after += float64(h.spectra[i+long][k] - h.spectra[i][k])
		}
	}
	for i, ratio := range best {
		out[i] = 10 * math.Log10(max(ratio, 1))
	}
	return out
}

// outstanding returns the samples at which the peaks of a rise begin. A voice may rise shortly before a
// strike or after it: of two within the dead time the greater one counts.
func (h hearing) outstanding(rise []float64, least float64) []int {
	dead := int(math.Round(deadS / h.hop))
	var peaks []int
	for i, r := range rise {
		if r >= least && r == slices.Max(rise[max(i-5, 0):min(i+6, len(rise))]) {
			peaks = append(peaks, i)
		}
	}
	slices.SortStableFunc(peaks, func(a, b int) int { return cmp.Compare(rise[b], rise[a]) })
	var taken []int
	for _, i := range peaks {
		if !slices.ContainsFunc(taken, func(j int) bool { return i-j < dead && j-i < dead }) {
			taken = append(taken, i)
		}
	}
	slices.Sort(taken)
	var out []int
	for _, i := range taken {
		out = append(out, h.pin((float64(i)+frameHops/2)*h.hop))
	}
	return out
}

// pin finds the sample at which the strike near a time begins: where, in the band in
// which it stands out best, the variance before and after differ most (the maximum-likelihood
// change point of a Gaussian sequence).
func (h hearing) pin(at float64) int {
	bestGain, bestAt := 0.0, max(int((at-0.03)*h.rate), 0)
	for _, b := range strikeBands {
		if b[0] > 0.4*h.rate {
			break
		}
		band := h.pyramid.Remembered(pinRate * b[1]) // what is left of a low band is enough
		x, rate := band.Samples, band.Rate
		from, to := max(int((at-0.03)*rate), 0), min(int((at+0.025)*rate), len(x))
		if to-from < 16 {
			break
		}
		warm := max(from-int(0.02*rate), 0)
		hp, lp := dsp.Highpass(b[0], rate), dsp.Lowpass(min(b[1], 0.45*rate), rate)
		y := make([]float64, 0, to-from)
		total := 0.0
		for i := warm; i < to; i++ {
			v := lp.Next(hp.Next(x[i] - x[warm]))
			if i >= from {
				y = append(y, v*v)
				total += v * v
			}
		}
		// Neighbouring samples of a narrow band say the same: count independent ones.
		share := min(2*(b[1]-b[0])/rate, 1)
		n, tiny := len(y), 1e-9*total/float64(len(y))
		if from == 0 {
			// Silence may have been before the file began.
			if g := share * float64(n) * 0.5; g > bestGain && y[0] > 0.1*total/float64(n) {
				bestGain, bestAt = g, 0
			}
		}
		sum, whole := 0.0, float64(n)*math.Log(total/float64(n)+tiny)
		for i := 1; i < n-8; i++ {
			sum += y[i-1]
			if i < 8 {
				continue
			}
			before, after := sum/float64(i)+tiny, (total-sum)/float64(n-i)+tiny
			if after <= before {
				continue
			}
			g := share * 0.5 * (whole - float64(i)*math.Log(before) - float64(n-i)*math.Log(after))
			if g > bestGain { // it begins between a sample and the one before
				bestGain, bestAt = g, int((float64(from+i)-0.5)*h.rate/rate+0.5)
			}
		}
	}
	return bestAt
}

// bounces tells whether a second strike follows within the dead time: whether in most bands at once, and
// for no longer than a blow lasts, the sound comes back as the first strike made it.
func (h hearing) bounces(onset, end int) bool {
	lead := min(onset, int(blowLeadS*h.rate))
	x, rate := dsp.Decimate(h.samples[onset-lead:min(end, onset+int(deadS*h.rate))], h.rate, blowRate)
	bands, hop := blowBands(x, rate)
	if len(bands) < blowFewest {
		return false
	}
	n, first := len(bands[0]), max(int(float64(lead)/h.rate*rate)/hop-1, 0)
	if n < first+5 {
		return false
	}
	row := func() []float64 { return make([]float64, len(bands)) }
	strike, floor, evidence, weight, share := row(), row(), row(), row(), row()
	for b, e := range bands {
		strike[b] = slices.Max(e[first : first+5])
		floor[b] = dsp.Percentile(e, 0.3)
	}
	for i := first + 9; i+12 <= n; i++ {
		for b, e := range bands {
			now := (e[i] + e[i+1]) / 2
			ref := max(stat.Mean(e[max(i-7, first+4):i-1], nil), stat.Mean(e[i+5:i+12], nil), floor[b], 1e-30)
			// Weighted with what the first strike would raise there the sum is the matched one.
			weight[b] = min(strike[b]/ref, blowWeight)
			evidence[b] = weight[b] * min(now/ref-1, blowRise)
			share[b] = (now - ref) / strike[b]
		}
		if standsOut(evidence, weight) > blowLeast && dsp.Percentile(share, 0.5) > blowShare {
			return true
		}
	}
	return false
}

// blowBands is the energy of a sound in narrow bands, by band and by frame; frames of 2.5 to 5 ms
// begin every hop samples, half their length.
func blowBands(x []float64, rate float64) (bands [][]float64, hop int) {
	hop = 8
	for float64(hop) < 0.00125*rate {
		hop *= 2
	}
	size := 2 * hop
	perBin := rate / float64(size)
	from, to := int(math.Ceil(blowHz[0]/perBin)), int(min(blowHz[1], 0.42*rate)/perBin)
	frames := max(len(x)/hop-1, 0)
	bands = make([][]float64, max(to-from, 0)/blowBins)
	for b := range bands {
		bands[b] = make([]float64, frames)
	}
	window := dsp.Hann(size)
	buf := make([]complex128, size)
	for i := 0; i < frames; i += 2 { // two frames go through one transform, as real and imaginary part
		second := min(i+1, frames-1)
		for j, w := range window {
			buf[j] = complex(x[i*hop+j]*w, x[second*hop+j]*w)
		}
		dsp.Transform(buf)
		for b, e := range bands {
			p, q := 0.0, 0.0
			for k := from + b*blowBins; k < from+(b+1)*blowBins; k++ {
				first, other := dsp.Pair(buf, k)
				p += first
				q += other
			}
			e[i], e[second] = p, q
		}
	}
	return bands, hop
}

// standsOut sums the evidence of bands relative to its spread in noise, but for the two that say most:
// partials that beat rise in one band or two, a strike in all.
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
	// Few blocks need a look at every sample.
	const block = 256
	top, tops := 0.0, make([]float64, 0, len(x)/block+1)
	for some := range slices.Chunk(x, block) {
		high := 0.0
		for _, v := range some {
			if a := math.Abs(v); a > high {
				high = a
			}
		}
		tops, top = append(tops, high), max(top, high)
	}
	var out []int
	flat := make(map[int]int) // flat tops: first sample -> length
	least := max(min(0.97*top, 0.999), 0.05)
	for i := 0; i < len(x); {
		if tops[i/block] < least {
			i = (i/block + 1) * block
			continue
		}
		if v := x[i]; v < least && v > -least {
			i++
			continue
		}
		a := math.Abs(x[i])
		j := i + 1
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
		default:
			for j < len(x) && x[j] == x[i] {
				j++
			}
			if j-i >= 3 {
				flat[i] = j - i
			}
		}
		i = j
	}
	longest := 0
	for _, n := range flat {
		longest = max(longest, n)
	}
	if len(flat) >= 2 || longest >= 6 { // one short run may be chance
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
