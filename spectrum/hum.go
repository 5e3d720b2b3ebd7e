package spectrum

import (
	"math"
	"slices"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// Hum: what sounds on and on. Set on synthetic mains of 50 and 60 Hz with up to ten
// harmonics.
const (
	highestHum   = 2500.0 // Hz; no hum was seen above, and a lower rate than 3 times this would weaken it
	lowestHum    = 35.0   // Hz; under it is rumble
	fewestS      = 0.25   // s of quiet, less does not resolve the mains from a note
	humOver      = 16.0   // 12 dB over the noise beside it, where mains are expected: noise alone has so much once in 10^7 bins (exponential law)
	lineOver     = 100.0  // 20 dB, anywhere else: there are far more places
	sideLobes    = 3e-3   // of a stronger line's power: a Hann window's first side lobe is 7e-4, and its skirts
	sideLobeBins = 6.0    // resolutions to either side on which they lie
	onMainsHz    = 0.25   // Hz by which mains may be off, and
	onMainsBins  = 0.15   // resolutions more
	phaseSlope   = 0.49   // resolutions: sd of a line's frequency under a Hann window at power ratio 1, times 3/2 for the density's peak over the line's
	backgroundHz = 30.0   // Hz to either side over which the noise beside a line is the median
	sameHumHz    = 3.0    // Hz within which a line is the same hum; a quiet second resolves 2
	mainsStrays  = 0.004  // of its frequency from the nominal one; grids keep within 1 %, mostly 0.2 %
	mainsWanders = 5e-5   // of its frequency within seconds; common practice of grids, no source
	steadyHum    = 0.2    // 1/s: what decays more slowly is hum: T60 of 35 s, ten times a blank's
	humStrays    = 0.3    // Hz by which it is off where it is expected
	misfitSDs    = 3.0    // of chi squared about its mean: something else is among the harmonics
)

// steady is a line of a quiet stretch, with the sd of its frequency.
type steady struct{ hz, sd float64 }

// humLines finds the steady lines in a take's quiet stretches.
func humLines(take capture.Take) (out []steady) {
	for _, q := range take.Quiet {
		to := min(q.To, q.From+int(maxRingS*take.Rate))
		out = append(out, steadyLines(dsp.Decimate(take.Samples[q.From:to], take.Rate, 3*highestHum))...)
	}
	return out
}

// steadyLines finds multiples of 50 or 60 Hz if they stand 12 dB over the noise beside
// them, any other line if it stands 20 dB over it.
func steadyLines(x []float64, rate float64) []steady {
	if float64(len(x)) < fewestS*rate {
		return nil
	}
	d := densities(powerOfTwo(2*len(x)), rate, stretch{x: x, w: hann(len(x))})[0]
	under := d.background(backgroundHz, 1)
	resolution := rate / float64(len(x))
	var out []steady
	for k := 2; k < min(len(d.p)-2, int(highestHum/d.perBin)); k++ {
		if d.p[k] < d.p[k-1] || d.p[k] <= d.p[k+1] || d.p[k] < humOver*under.p[k] {
			continue
		}
		hz := (float64(k) + peakShift(d.p[k-1], d.p[k], d.p[k+1])) * d.perBin
		if hz < lowestHum {
			continue
		}
		// What lies on the skirts of a much stronger line is its side lobe.
		near := int(sideLobeBins * resolution / d.perBin)
		if d.p[k] < sideLobes*slices.Max(d.p[max(k-near, 0):min(k+near+1, len(d.p))]) {
			continue
		}
		if d.p[k] > lineOver*under.p[k] || nearMains(hz) < onMainsHz+onMainsBins*resolution {
			sd := phaseSlope * resolution * math.Sqrt(under.p[k]/d.p[k])
			out = append(out, steady{hz, sd})
		}
	}
	return out
}

// mainsAt is where the other harmonics of the mains want the one near hz, and
// its sd: all are exact multiples of one frequency, which wanders little. ok is
// false if they don't say.
func mainsAt(lines []steady, hz float64) (at, sd float64, ok bool) {
	for _, base := range []float64{50, 60} {
		n := math.Round(hz / base)
		if n < 1 || math.Abs(hz/(n*base)-1) > mainsStrays {
			continue
		}
		harmonic := func(l steady) float64 { // 0 if it is none, or is the line itself
			k := math.Round(l.hz / base)
			if math.Abs(l.hz-hz) < sameHumHz || k < 1 || math.Abs(l.hz/(k*base)-1) > mainsStrays {
				return 0
			}
			return k
		}
		var weight, sum, chi float64
		known := 0.0
		for _, l := range lines {
			if k := harmonic(l); k > 0 {
				w := sqr(k / l.sd)
				weight += w
				sum += w * l.hz / k
				known++
			}
		}
		if known < 2 {
			continue
		}
		for _, l := range lines {
			if k := harmonic(l); k > 0 {
				chi += sqr((l.hz - k*sum/weight) / l.sd)
			}
		}
		if chi > known-1+misfitSDs*math.Sqrt(2*(known-1)) {
			continue // something else is among them
		}
		return n * sum / weight, math.Hypot(n/math.Sqrt(weight), mainsWanders*hz), true
	}
	return 0, 0, false
}

// endless tells whether a decay rate, as far as it is known, is that of hum.
func endless(alpha, sd float64) bool { return alpha < max(steadyHum, 2*sd) }

// nearMains is the distance in Hz to the nearest multiple of 50 or 60 Hz.
func nearMains(hz float64) float64 {
	return min(math.Abs(hz-50*math.Round(hz/50)), math.Abs(hz-60*math.Round(hz/60)))
}
