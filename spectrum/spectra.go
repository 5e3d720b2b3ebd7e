package spectrum

import (
	"math"
	"slices"

	"ringstock/capture"
)

// What is looked at. Rates are the least ones; the sound is decimated by whole numbers.
const (
	lowestHz   = 45.0   // Hz; nothing of a blank sounds lower: 1 m of 10 mm at 3500 m/s has 36 Hz, a usual blank 80 to 180
	highestHz  = 16000  // Hz; nothing of use sounds higher
	overNoise  = 20.0   // a peak counts from 13 dB over the noise density: noise alone has so much once in 5e8 bins (exponential law)
	workRate   = 22000  // samples/s at which rings are analysed: nothing that matters in a bar lies above 10 kHz
	blankHz    = 300    // Hz; where a fundamental below it is heard, a blank's six bending modes are all there is to fit:
	lookRate   = 11000  // samples/s are enough to hear it,
	blankRate  = 8000   // samples/s to fit it
	blankTop   = 0.35   // of that rate, up to which its decimation leaves all as it is
	plainTop   = 0.45   // of any other rate, likewise
	fewestLook = 0.03   // s of ring; in less no partial is told from another
	coarseHz   = 40.0   // Hz to either side over which the noise between lines is a median; 60 where only the ring tells of it:
	ringHz     = 60.0   // a ring's partials are broader than hum
	clearly    = 4.0    // times overNoise: so much a low note must stand out to be what sounds
	lowShare   = 1e-3   // of the strongest line's density: 30 dB, which a microphone may take from a low note
	levelFrom  = 50.0   // Hz, and
	levelTo    = 8000.0 // Hz, between which taps are brought to one level
)

// spectra is what the taps in use have in common: ring, noise and hum.
type spectra struct {
	ring   density // typical over the taps
	noise  density // background without lines
	quiet  density // noise with its lines; empty if nothing was quiet
	hum    []float64
	steady []steady // what the quiet stretches say of the hum
	top    float64  // Hz, nothing is sought above
	early  density  // of the first hundredths of a second of end taps, in which their note sounds
}

// tapSpectra is all that later stages see of the sound: each ring and quiet stretch as a
// spectrum, and what they have in common.
type tapSpectra struct {
	spectra
	strike Strike
	taps   []usedTap
	rings  []segment // of each tap
	quiets []segment
	plans  plans
}

// spectraOf transforms the rings of the taps in use, and the quiet stretches.
func spectraOf(sound capture.Take, strike Strike, taps []usedTap) tapSpectra {
	sound.Taps = nil
	for _, t := range taps {
		sound.Taps = append(sound.Taps, t.Tap)
	}
	out := tapSpectra{strike: strike, taps: taps, plans: plans{}}
	at, hum := timings[strike], humLines(sound)
	if strike == SideTap {
		if out.spectra = look(sound.Decimate(lookRate), at, hum); out.soundsLow() {
			sound = sound.Decimate(blankRate)
			out.top = blankTop * sound.Rate
			out.rings, out.quiets = cut(sound, at)
			return out
		}
	}
	out.spectra = look(sound, at, hum)
	if strike == EndTap {
		out.early = earlyRing(sound)
	}
	out.rings, out.quiets = cut(sound, at)
	return out
}

// The first part of an end tap's ring, without the blow itself: a lengthwise note of Q 80
// at 3 kHz falls by 20 dB in it.
const earlyFromS, earlyS = 0.003, 0.03

// earlyRing is the density of the first part of the rings.
func earlyRing(take capture.Take) density {
	n := powerOfTwo(int(2 * earlyS * take.Rate))
	long := int(earlyS * take.Rate)
	window := lookWindow(long, take.Rate, 0.002)
	var seen []stretch
	for _, t := range take.Taps {
		from := t.Onset + int(earlyFromS*take.Rate)
		if from+long <= min(t.End, len(take.Samples)) {
			seen = append(seen, stretch{x: take.Samples[from : from+long], w: window})
		}
	}
	return typical(density{take.Rate / float64(n), make([]float64, n/2+1)}, densities(n, take.Rate, seen...))
}

// look forms the spectra of a take, in whose quiet the given lines were found,
// through the look window.
func look(take capture.Take, at timing, lines []steady) spectra {
	long := int(at.lookS * take.Rate)
	// Rings and lines are looked at through the look window; the noise between the lines
	// through one with low side lobes.
	windows := map[int][]float64{}
	through := func(n int) []float64 {
		if windows[n] == nil {
			windows[n] = lookWindow(n, take.Rate, at.lookRiseS)
		}
		return windows[n]
	}
	var seen []stretch
	for _, t := range take.Taps {
		from := t.Onset + int(at.lookFromS*take.Rate)
		if to := min(from+long, t.End); to-from >= int(fewestLook*take.Rate) {
			seen = append(seen, stretch{x: take.Samples[from:to], w: through(to - from)})
		}
	}
	rings := len(seen)
	for _, q := range take.Quiet {
		length := min(long, q.Len())
		low := hann(length)
		for from := q.From; from+length <= q.To; from += max(length/2, 1) {
			x := take.Samples[from : from+length]
			seen = append(seen, stretch{x: x, w: through(length)}, stretch{x: x, w: low})
		}
	}
	n := powerOfTwo(long)
	ds := densities(n, take.Rate, seen...)

	blank := func() density { return density{take.Rate / float64(n), make([]float64, n/2+1)} }
	v := spectra{steady: lines, ring: typical(blank(), ds[:rings]), quiet: blank(), top: min(highestHz, plainTop*take.Rate)}
	for _, l := range lines {
		v.hum = append(v.hum, l.hz)
	}
	slices.Sort(v.hum)
	v.hum = slices.CompactFunc(v.hum, func(a, b float64) bool { return math.Abs(a-b) < 1 })
	if runs := (len(ds) - rings) / 2; runs > 0 {
		between := blank()
		for i := rings; i < len(ds); i += 2 {
			v.quiet.add(ds[i], 1/float64(runs))
			between.add(ds[i+1], 1/float64(runs))
		}
		v.noise = between.background(coarseHz, runs)
	} else {
		v.noise = v.ring.background(ringHz, max(rings, 1))
	}
	return v
}

// lookWindow is the window under which rings are searched for partials.
func lookWindow(n int, rate, riseS float64) []float64 {
	w := make([]float64, n)
	rise := min(int(riseS*rate), n/4)
	for i := range w {
		if i < rise {
			w[i] = (1 - math.Cos(math.Pi*(float64(i)+0.5)/float64(rise))) / 2
		} else {
			w[i] = (1 + math.Cos(math.Pi*(float64(i-rise)+0.5)/float64(n-rise))) / 2
		}
	}
	return w
}

// typical is the density of a usual one of the rings, loud and soft ones
// brought to one level.
func typical(out density, each []density) density {
	var gain []float64
	for _, d := range each {
		gain = append(gain, max(d.mean(levelFrom, levelTo), 1e-300))
	}
	usual := median(gain)
	row := make([]float64, len(each))
	for k := range out.p {
		for i, d := range each {
			row[i] = d.p[k] / gain[i] * usual
		}
		// With three taps or more the median keeps out what only one of them heard.
		if len(row) >= 3 {
			out.p[k] = middle(row)
		} else {
			for _, x := range row {
				out.p[k] += x / float64(len(row))
			}
		}
	}
	return out
}

// soundsLow tells whether a good part of the ring, hum aside, lies where a
// blank's fundamental does.
func (v spectra) soundsLow() bool {
	strongest, low := 0.0, 0.0
	for k := int(lowestHz / v.ring.perBin); k < len(v.ring.p); k++ {
		hz := float64(k) * v.ring.perBin
		if v.isHum(hz) {
			continue
		}
		strongest = max(strongest, v.ring.p[k])
		if hz < blankHz && v.ring.p[k] > clearly*overNoise*v.noise.p[k] {
			low = max(low, v.ring.p[k])
		}
	}
	return low > lowShare*strongest
}

func (v spectra) isHum(hz float64) bool {
	for _, h := range v.hum {
		if math.Abs(hz-h) < sameHumHz {
			return true
		}
	}
	return false
}

// withHum is the same with further hum lines.
func (s tapSpectra) withHum(more []float64) tapSpectra {
	s.hum = slices.Sorted(slices.Values(append(slices.Clone(s.hum), more...)))
	return s
}
