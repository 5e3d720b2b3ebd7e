package spectrum

import (
	"math"
	"slices"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// density is a one-sided power density (full scale squared per Hz) on a regular grid of frequencies.
type density struct {
	perBin float64 // Hz
	p      []float64
}

func (d density) at(hz float64) float64 {
	if len(d.p) == 0 {
		return 0
	}
	return d.p[min(max(int(math.Round(hz/d.perBin)), 0), len(d.p)-1)]
}

// mean over [lo, hi) Hz.
func (d density) mean(lo, hi float64) float64 {
	a := min(max(int(lo/d.perBin), 0), len(d.p))
	b := min(max(int(hi/d.perBin), a), len(d.p))
	if b == a {
		return d.at(lo)
	}
	s := 0.0
	for _, v := range d.p[a:b] {
		s += v
	}
	return s / float64(b-a)
}

// background replaces each value by the median over +-half Hz, corrected to the mean
// of noise that was averaged over runs periodograms: lines drop out, the noise under them stays.
func (d density) background(half float64, runs int) density {
	w := max(int(half/d.perBin), 2)
	step := max(w/2, 1)
	// Of so many values a median is as good as of more: neighbours say almost the same.
	stride := max(2*w/40, 1)
	out := density{d.perBin, make([]float64, len(d.p))}
	// The median of a chi-square variate with 2 runs degrees of freedom over its mean
	// (Wilson & Hilferty 1931).
	k := 2 * float64(runs)
	bias := math.Pow(1-2/(9*k), 3)
	var knots, v []float64
	for i := 0; i < len(d.p)+step; i += step {
		a, b := max(min(i, len(d.p)-1)-w, 0), min(i+w+1, len(d.p))
		v = v[:0]
		for ; a < b; a += stride {
			v = append(v, d.p[a])
		}
		knots = append(knots, dsp.NthElement(v, len(v)/2)/bias)
	}
	for i := range out.p {
		j, f := i/step, float64(i%step)/float64(step)
		out.p[i] = knots[j]*(1-f) + knots[min(j+1, len(knots)-1)]*f
	}
	return out
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

// add adds a share of another density on the same grid.
func (d density) add(o density, share float64) {
	for i, v := range o.p {
		d.p[i] += share * v
	}
}

// view is what the ears of the analysis see at once: ring, noise and hum.
type view struct {
	ring   density // typical over the taps
	noise  density // background without lines
	quiet  density // noise with its lines; empty if nothing was quiet
	hum    []float64
	steady []steady // what the quiet stretches say of the hum
	top    float64  // Hz, nothing is sought above
}

// look forms the view of a take, in whose quiet the given lines were found, through the look window.
func look(take capture.Take, at pace, lines []steady) view {
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
		if to := min(from+long, t.End); to-from >= int(0.03*take.Rate) {
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
	v := view{steady: lines, ring: typical(blank(), ds[:rings]), quiet: blank(), top: min(highestHz, 0.45*take.Rate)}
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
		v.noise = between.background(40, runs)
	} else {
		v.noise = v.ring.background(60, max(rings, 1))
	}
	return v
}

// typical is the density of a usual one of the rings, loud and soft ones brought to one level.
func typical(out density, each []density) density {
	var gain []float64
	for _, d := range each {
		gain = append(gain, max(d.mean(50, 8000), 1e-300))
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

const highestHum = 2500.0 // Hz

// humLines finds the steady lines in a take's quiet stretches.
func humLines(take capture.Take) (out []steady) {
	for _, q := range take.Quiet {
		to := min(q.To, q.From+int(maxRingS*take.Rate))
		out = append(out, steadyLines(dsp.Decimate(take.Samples[q.From:to], take.Rate, 3*highestHum))...)
	}
	return out
}

// steadyLines finds multiples of 50 or 60 Hz if they stand 12 dB over the noise beside them, any other line
// if it stands 20 dB over it.
func steadyLines(x []float64, rate float64) []steady {
	if float64(len(x)) < 0.25*rate {
		return nil
	}
	d := densities(powerOfTwo(2*len(x)), rate, stretch{x: x, w: hann(len(x))})[0]
	under := d.background(30, 1)
	resolution := rate / float64(len(x))
	var out []steady
	for k := 2; k < min(len(d.p)-2, int(highestHum/d.perBin)); k++ {
		if d.p[k] < d.p[k-1] || d.p[k] <= d.p[k+1] || d.p[k] < 16*under.p[k] {
			continue
		}
		hz := (float64(k) + peakShift(d.p[k-1], d.p[k], d.p[k+1])) * d.perBin
		if hz < 35 {
			continue
		}
		// What lies on the skirts of a much stronger line is its side lobe.
		near := int(6 * resolution / d.perBin)
		if d.p[k] < 3e-3*slices.Max(d.p[max(k-near, 0):min(k+near+1, len(d.p))]) {
			continue
		}
		if d.p[k] > 100*under.p[k] || nearMains(hz) < 0.25+0.15*resolution {
			// Of the phase's slope under a Hann window, times 3/2 for the density's peak over the line's.
			sd := 0.49 * resolution * math.Sqrt(under.p[k]/d.p[k])
			out = append(out, steady{hz, sd})
		}
	}
	return out
}

// mainsAt is where the other harmonics of the mains want the one near hz, and its sd: all are exact multiples of one
// frequency, which wanders little. ok is false if they don't say.
func (v view) mainsAt(hz float64) (at, sd float64, ok bool) {
	for _, base := range []float64{50, 60} {
		n := math.Round(hz / base)
		if n < 1 || math.Abs(hz/(n*base)-1) > mainsStrays {
			continue
		}
		harmonic := func(l steady) float64 { // 0 if it is none, or is the line itself
			k := math.Round(l.hz / base)
			if math.Abs(l.hz-hz) < 3 || k < 1 || math.Abs(l.hz/(k*base)-1) > mainsStrays {
				return 0
			}
			return k
		}
		var weight, sum, chi float64
		lines := 0.0
		for _, l := range v.steady {
			if k := harmonic(l); k > 0 {
				w := sqr(k / l.sd)
				weight += w
				sum += w * l.hz / k
				lines++
			}
		}
		if lines < 2 {
			continue
		}
		for _, l := range v.steady {
			if k := harmonic(l); k > 0 {
				chi += sqr((l.hz - k*sum/weight) / l.sd)
			}
		}
		if chi > lines-1+3*math.Sqrt(2*(lines-1)) {
			continue // something else is among them
		}
		return n * sum / weight, math.Hypot(n/math.Sqrt(weight), mainsWanders*hz), true
	}
	return 0, 0, false
}

const (
	mainsStrays  = 0.004 // of its frequency from the nominal one; grids keep within 1 %, mostly 0.2 %
	mainsWanders = 5e-5  // of its frequency within seconds
)

// steady is a line of a quiet stretch, with the sd of its frequency.
type steady struct{ hz, sd float64 }

const (
	steadyHum = 0.2 // 1/s: what decays more slowly is hum
	humStrays = 0.3 // Hz by which it is off where it is expected
)

// endless tells whether a decay rate, as far as it is known, is that of hum.
func endless(alpha, sd float64) bool { return alpha < max(steadyHum, 2*sd) }

// nearMains is the distance in Hz to the nearest multiple of 50 or 60 Hz.
func nearMains(hz float64) float64 {
	return min(math.Abs(hz-50*math.Round(hz/50)), math.Abs(hz-60*math.Round(hz/60)))
}

// peakShift is the vertex of the parabola through three log powers, in bins from the middle.
func peakShift(a, b, c float64) float64 {
	la, lb, lc := math.Log(a+1e-300), math.Log(b+1e-300), math.Log(c+1e-300)
	den := la - 2*lb + lc
	if den >= 0 {
		return 0
	}
	return min(max((la-lc)/(2*den), -0.5), 0.5)
}

func median(x []float64) float64 { return middle(slices.Clone(x)) }

// middle is the median of values whose order does not matter any more.
func middle(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	m := len(x) / 2
	high := dsp.NthElement(x, m)
	if len(x)%2 == 1 {
		return high
	}
	return (slices.Max(x[:m]) + high) / 2
}
