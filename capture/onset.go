package capture

import (
	"cmp"
	"math"
	"slices"

	"ringstock/capture/dsp"
)

// onsetLimits are the thresholds of the onset detector. They describe strikes of knuckle,
// mallet or felt hammer on wood (common practice, no source; set on synthetic bars in
// rooms and on recorded bars of metal and wood). TestThresholds tells what halving and
// doubling each does.
var onsetLimits = struct {
	RateHz, FrameS, LowestHz, BeforeS, CountDB, StrikeDB, AlertDB float64
	SkimDB, SwellS, SwellDB, DeadS, MeanOverUsual, DeepestDB      float64
}{
	RateHz:   11000, // Hz: a strike is sought in the sound below half of this
	FrameS:   0.02,  // s: about the length of a spectrum; shorter ones can't tell hum from a ring
	LowestHz: 60,    // Hz: rumble and handling lie below
	BeforeS:  0.064, // s: a spectrum is compared with the mean over this time before it
	CountDB:  6,     // dB: a frequency counts by what it rises beyond this, as noise hardly ever does
	StrikeDB: 40,    // dB: rises summed over all frequencies that make a strike
	AlertDB:  30,    // dB: the same, where a cut out of a stream is looked at more closely later
	SkimDB:   15,    // dB: the same in a first look, where it is worth a closer one
	SwellS:   0.3,   // s: a ring lasts for longer than this,
	SwellDB:  7,     // dB: and stands so much over as long before (20 s of noise: up to 6.2 in 160 trials)
	DeadS:    0.35,  // s: no second tap this soon; a second strike there is a double strike

	MeanOverUsual: 5,  // the mean of a noise power over its 20th percentile (exponential law: 4.5)
	DeepestDB:     70, // dB below the loudest spectrum: exact silence must not make the floor zero
}

const (
	frameHops    = 4   // spectra within the length of one
	floorSpectra = 100 // so many, evenly spread, tell the noise
	skimHops     = 2   // a first look leaves out every second spectrum
)

// detector makes the short-time spectra of a decimated sound and tells how suddenly one
// rises. Files and live listening share it.
type detector struct {
	rate       float64 // of the decimated sound, samples per second
	frame, hop int     // samples of one spectrum, and from one to the next
	first      int     // lowest bin looked at
	window     []float64
	work       []complex128
}

// newDetector is one for sound that was halved in rate down to onsetLimits.RateHz.
func newDetector(rate float64) *detector {
	d := &detector{rate: rate, frame: 8}
	for float64(d.frame) < 0.75*onsetLimits.FrameS*rate {
		d.frame *= 2
	}
	d.hop = d.frame / frameHops
	d.first = int(math.Ceil(onsetLimits.LowestHz * float64(d.frame) / rate))
	d.window = dsp.Hann(d.frame)
	d.work = make([]complex128, d.frame)
	return d
}

func (d *detector) bins() int     { return d.frame/2 - d.first }
func (d *detector) hopS() float64 { return float64(d.hop) / d.rate }

// hops is the number of hops in a time of s seconds.
func (d *detector) hops(s float64) int { return int(math.Round(s / d.hopS())) }

// powers puts the power spectra of two frames into p and q, by one transform, and
// returns their sums.
func (d *detector) powers(x, y []float64, p, q []float32) (sumX, sumY float64) {
	x, y = x[:len(d.window)], y[:len(d.window)]
	for j, w := range d.window {
		d.work[j] = complex(x[j]*w, y[j]*w)
	}
	dsp.Transform(d.work)
	q = q[:len(p)]
	for k := range p {
		a, b := dsp.Pair(d.work, k+d.first)
		p[k], q[k] = float32(a), float32(b)
		sumX += a
		sumY += b
	}
	return sumX, sumY
}

// floor is the mean noise power by frequency, from what is there for most of the time,
// so that hum and rumble don't hide a strike. total is the usual power of all
// frequencies together.
func (d *detector) floor(spectra [][]float32, least float32) (floor []float32, total float64) {
	floor = make([]float32, d.bins())
	column := make([]float32, len(spectra))
	for k := range floor {
		for i, s := range spectra {
			column[i] = s[k]
		}
		usual := dsp.NthElement(column, len(column)/5)
		total += float64(usual)
		floor[k] = max(float32(onsetLimits.MeanOverUsual)*usual, least)
	}
	return floor, total
}

var counts = math.Pow(10, onsetLimits.CountDB/10)

// logFlux is the log spectral flux of a spectrum, in dB: what it rises over the mean of n
// spectra before it, whose sum is before, or over the noise where that is more, beyond
// onsetLimits.CountDB, summed over all frequencies.
func logFlux(s, floor []float32, before []float64, n int) (db float64) {
	each := 1 / float64(max(n, 1))
	floor, before = floor[:len(s)], before[:len(s)]
	for k, p := range s {
		if was := max(float32(before[k]*each), floor[k]); p > float32(counts)*was {
			db += 10*math.Log10(float64(p/was)) - onsetLimits.CountDB
		}
	}
	return db
}

// fluxOf is the log spectral flux of each of a row of spectra, over those from
// long to gap before it.
func fluxOf(spectra [][]float32, floor []float32, long, gap int) []float64 {
	out := make([]float64, len(spectra))
	before := make([]float64, len(floor))
	for i, s := range spectra {
		a, b := max(0, i-long), max(0, i-gap)
		if b > 0 { // the sum slides on by one spectrum
			add(before, spectra[b-1], 1)
		}
		if a > 0 {
			add(before, spectra[a-1], -1)
		}
		out[i] = logFlux(s, floor, before, b-a)
	}
	return out
}

// add adds a spectrum, so many times, to a sum.
func add(sum []float64, s []float32, times float64) {
	sum = sum[:len(s)]
	for k, p := range s {
		sum[k] += times * float64(p)
	}
}

// onsetSearch is the search for onsets in one channel of a recording.
type onsetSearch struct {
	*detector
	sound   dsp.Pyramid // at its own rate, and at the halves that were needed
	low     []float64   // at the detector's rate
	spectra [][]float32 // by hop; nil where nobody looked yet
	snrDB   float64     // loudest spectrum over the usual one
	flux    []float64   // dB, by hop; 0 where a first look saw nothing
}

// searchOnsets makes the spectra of a sound and finds where they rise. Where a first look
// at every second spectrum sees no rise, the others are left out.
func searchOnsets(x []float64, rate float64) *onsetSearch {
	s := &onsetSearch{sound: dsp.Pyramid{Samples: x, Rate: rate}, snrDB: math.Inf(-1)}
	low := s.sound.HalveTo(onsetLimits.RateHz)
	s.detector, s.low = newDetector(low.Rate), low.Samples
	n := max((len(s.low)-s.frame)/s.hop, 0)
	s.flux, s.spectra = make([]float64, n), make([][]float32, n)
	loudest := s.look(0, n, skimHops)
	if loudest == 0 {
		return s
	}
	sampled := s.every(max(n/floorSpectra, 1))
	least := loudest * math.Pow(10, -onsetLimits.DeepestDB/10) / float64(s.bins())
	floor, usual := s.floor(sampled, float32(least))
	s.snrDB = 10 * math.Log10(loudest/max(usual, 1e-9*loudest))

	const reach = peakReach + frameHops
	long, next := s.hops(onsetLimits.BeforeS), 0
	for j, db := range fluxOf(s.every(skimHops), floor, long/skimHops, frameHops/skimHops) {
		if to := min(j*skimHops+reach, n); db > onsetLimits.SkimDB && to > next {
			from := max(j*skimHops-reach, next)
			first := max(from-long, 0)
			s.look(first, to, 1)
			copy(s.flux[from:to], fluxOf(s.spectra[first:to], floor, long, frameHops)[from-first:])
			next = to
		}
	}
	return s
}

// every is every step-th spectrum.
func (s *onsetSearch) every(step int) (list [][]float32) {
	s.look(0, len(s.spectra), step)
	for i := 0; i < len(s.spectra); i += step {
		list = append(list, s.spectra[i])
	}
	return list
}

// look makes those of every step-th spectrum of hops [from, to) that are missing, and
// returns the power of the loudest of them.
func (s *onsetSearch) look(from, to, step int) (loudest float64) {
	var missing []int
	for i := from; i < to; i += step {
		if s.spectra[i] == nil {
			missing = append(missing, i)
		}
	}
	bins := s.bins()
	all := make([]float32, len(missing)*bins)
	for m, i := range missing {
		s.spectra[i] = all[m*bins : (m+1)*bins]
	}
	for m := 0; m < len(missing); m += 2 {
		i, j := missing[m], missing[min(m+1, len(missing)-1)]
		a, b := s.powers(s.low[i*s.hop:], s.low[j*s.hop:], s.spectra[i], s.spectra[j])
		loudest = max(loudest, a, b)
	}
	return loudest
}

// onsets returns the samples at which strikes begin.
func (s *onsetSearch) onsets() (at []int) {
	peaks := pickPeaks(s.flux, onsetLimits.StrikeDB, s.hops(onsetLimits.DeadS))
	if len(peaks) == 0 {
		// No strike stands out; of a soft one in noise the ring still may.
		peaks = pickPeaks(s.swell(), onsetLimits.SwellDB, s.hops(onsetLimits.DeadS))
	}
	for _, i := range peaks {
		at = append(at, changePoint(s.sound, (float64(i)+frameHops/2)*s.hopS()))
	}
	return at
}

// swell is by how many dB, per hop, the frequency that rises most is louder for some
// time after than before.
func (s *onsetSearch) swell() []float64 {
	long := s.hops(onsetLimits.SwellS)
	out := make([]float64, len(s.spectra))
	if len(s.spectra) < 3*long {
		return out
	}
	s.look(0, len(s.spectra), 1)
	best := make([]float64, len(out))
	for k := range s.spectra[0] {
		before, after := 0.0, 0.0
		for i := range long {
			before += float64(s.spectra[i][k])
			after += float64(s.spectra[long+i][k])
		}
		for i := long; i+long < len(out); i++ {
			best[i] = max(best[i], after/max(before, 1e-300))
			before += float64(s.spectra[i][k] - s.spectra[i-long][k])
			after += float64(s.spectra[i+long][k] - s.spectra[i][k])
		}
	}
	for i, ratio := range best {
		out[i] = 10 * math.Log10(max(ratio, 1))
	}
	return out
}

// peakReach is the number of hops to either side among which a peak is the greatest.
const peakReach = 5

// pickPeaks returns the hops at which a rise peaks. A voice may rise shortly before a
// strike or after it: of two peaks within the dead time the greater one counts.
func pickPeaks(rise []float64, least float64, dead int) (taken []int) {
	var peaks []int
	for i, r := range rise {
		if r >= least && r == slices.Max(rise[max(i-peakReach, 0):min(i+peakReach+1, len(rise))]) {
			peaks = append(peaks, i)
		}
	}
	slices.SortStableFunc(peaks, func(a, b int) int { return cmp.Compare(rise[b], rise[a]) })
	for _, i := range peaks {
		if !slices.ContainsFunc(taken, func(j int) bool { return i-j < dead && j-i < dead }) {
			taken = append(taken, i)
		}
	}
	slices.Sort(taken)
	return taken
}
