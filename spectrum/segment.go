package spectrum

import (
	"math"
	"math/bits"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"ringstock/capture"
	"ringstock/spectrum/damped"
)

const (
	leadS    = 0.08  // of sound before the strike kept in a segment
	maxRingS = 3.0   // of ring looked at; no blank rings on for longer to any use
	flatHz   = 40.0  // half width of a band's flat part, about its centre
	skirtHz  = 120.0 // half width of the whole band
	edgeS    = 0.016 // a band's filter smears the segment's ends by this much
	fitHz    = 17.0  // least half width of the bins that a fit looks at,
	fitBins  = 14.0  // and least number of bins on either side, as far as the band is flat
	wideHz   = 1200  // above this frequency all widths grow, and all waits shrink, in proportion:
	//                  the higher a note, the faster it dies and the broader is its line
	maxFitS   = 3.0 // longest record that a fit looks at
	minRecord = 12  // samples of a band: less can't be fitted
)

// pace is how a ring is listened to. The higher a note, the faster it dies and the broader
// is its line: above wideHz all widths grow, and all waits shrink, in proportion.
type pace struct {
	wideHz           float64
	lookFromS, lookS float64 // rings are searched for partials under a window that opens so long after the strike and lasts so long;
	lookRiseS        float64 // it opens within this time, and closes slowly, as a ring does
	waits            bool    // whether the room dies before the ring, so that waiting for it helps
}

// A longitudinal note at 3 kHz is gone before the room is: it has to be caught in its first hundredth of a second.
var paces = map[Strike]pace{
	SideTap: {wideHz: 1200, lookFromS: 0.025, lookS: 0.6, lookRiseS: 0.05, waits: true},
	EndTap:  {wideHz: 500, lookFromS: 0.004, lookS: 0.2, lookRiseS: 0.004},
}

// segment is one tap's stretch of the recording as a spectrum.
type segment struct {
	rate  float64
	n     int          // length of the transform, samples
	lead  float64      // s from the segment's start to the strike
	ring  float64      // s from the strike to the end of the usable ring
	coef  []complex128 // unnormalised DFT, bins 0..n/2
	wide  float64      // Hz, the pace's
	quiet bool         // true for a stretch without a ring
}

// band is the neighbourhood of one frequency as a complex signal: the real signal
// a cos(2 pi f t + phi) becomes a exp(i (2 pi (f - centre) t + phi)).
type band struct {
	y      []complex128
	rate   float64 // samples of y per second
	centre float64 // Hz
	lead   float64 // s from the first sample to the strike
	ring   float64 // s from the strike to the last sample that may be used
	width  float64 // all widths times this, all waits divided by it
	quiet  bool
}

// plans keeps the transforms of one analysis, since making one costs as much as using it.
type plans map[int]*fourier.CmplxFFT

func (p plans) of(n int) *fourier.CmplxFFT {
	if p[n] == nil {
		p[n] = fourier.NewCmplxFFT(n)
	}
	return p[n]
}

// transform is the unnormalised DFT, bins 0..n/2, of real signals that are padded with zeros
// to n samples, a power of two. Two of them go through one transform, as real and imaginary part.
func transform(n int, signals ...[]float64) [][]complex128 {
	out := make([][]complex128, len(signals))
	flat := make([]complex128, len(signals)*(n/2+1))
	for i := range out {
		out[i] = flat[i*(n/2+1) : (i+1)*(n/2+1)]
	}
	buf := make([]complex128, n)
	for i := 0; i < len(signals); i += 2 {
		clear(buf)
		for j, v := range signals[i] {
			buf[j] = complex(v, 0)
		}
		if i+1 < len(signals) {
			for j, v := range signals[i+1] {
				buf[j] += complex(0, v)
			}
		}
		capture.Transform(buf)
		for k := range out[i] {
			z, m := buf[k], buf[(n-k)%n]
			out[i][k] = complex((real(z)+real(m))/2, (imag(z)-imag(m))/2)
			if i+1 < len(signals) {
				out[i+1][k] = complex((imag(z)+imag(m))/2, (real(m)-real(z))/2)
			}
		}
	}
	return out
}

// powerOfTwo is the smallest one that is not less than n.
func powerOfTwo(n int) int { return 1 << bits.Len(uint(max(n, 1)-1)) }

// smooth is the smallest even number >= n without prime factors over 5: transforms
// of other lengths can be thousands of times slower.
func smooth(n int) int {
	for m := max(n+n%2, 2); ; m += 2 {
		r := m
		for _, p := range []int{2, 3, 5} {
			for r%p == 0 {
				r /= p
			}
		}
		if r == 1 {
			return m
		}
	}
}

// cut transforms the rings of the given taps, and the quiet stretches, all to one length.
func cut(take capture.Take, taps []capture.Tap, wide float64) (rings, quiet []segment) {
	type stretch struct{ from, strike, to int }
	var all []stretch
	lead := int(leadS * take.Rate)
	for _, t := range taps {
		to := min(t.End, t.Onset+int(maxRingS*take.Rate))
		all = append(all, stretch{t.Onset - lead, t.Onset, to})
	}
	for _, q := range take.Quiet {
		to := min(q.To, q.From+int(maxRingS*take.Rate))
		all = append(all, stretch{q.From, q.From, to})
	}
	longest := 0
	for _, s := range all {
		longest = max(longest, s.to-s.from)
	}
	n := powerOfTwo(longest)
	signals := make([][]float64, len(all))
	for i, s := range all {
		signals[i] = append(make([]float64, max(-s.from, 0), longest), take.Samples[max(s.from, 0):s.to]...)
	}
	coef := transform(n, signals...)
	for i, s := range all {
		seg := segment{coef: coef[i], rate: take.Rate, n: n, wide: wide, lead: float64(s.strike-s.from) / take.Rate,
			ring: float64(s.to-s.strike) / take.Rate, quiet: i >= len(taps)}
		if seg.quiet {
			quiet = append(quiet, seg)
		} else {
			rings = append(rings, seg)
		}
	}
	return rings, quiet
}

// zoom filters the neighbourhood of a frequency out of the segment: flat within
// flatHz, a cosine's fall to skirtHz (both times the band's width), then decimated to twice that or more.
func (s segment) zoom(hz float64) band {
	perBin := s.rate / float64(s.n)
	width := max(1, hz/s.wide)
	flat, skirt := flatHz*width, skirtHz*width
	m := powerOfTwo(int(math.Ceil(2 * skirt / perBin)))
	k0 := int(math.Round(hz / perBin))
	b := band{y: make([]complex128, m), rate: float64(m) * perBin, centre: float64(k0) * perBin,
		lead: s.lead, ring: s.ring - edgeS/width, width: width, quiet: s.quiet}
	scale := 2 / float64(s.n)
	for i := -m / 2; i < m/2; i++ {
		k := k0 + i
		if k <= 0 || k >= len(s.coef) {
			continue
		}
		d := math.Abs(float64(i)) * perBin
		w := scale
		if d > flat {
			w *= (1 + math.Cos(math.Pi*min((d-flat)/(skirt-flat), 1))) / 2
		}
		b.y[(i+m)%m] = cmplx.Conj(s.coef[k]) * complex(w, 0)
	}
	capture.Transform(b.y) // of the conjugate: the conjugate of the inverse transform
	for i, v := range b.y {
		b.y[i] = cmplx.Conj(v)
	}
	return b
}

// record cuts the part from skip to until (s after the strike) out of the band and
// transforms it: the bins within reach, in Hz, of the centre. ok is false if too little is left.
func (b band) record(p plans, skip, until, reach float64) (r damped.Record, ok bool) {
	if b.quiet {
		skip, until = edgeS/b.width, b.ring
	}
	from := int(math.Ceil((b.lead + skip) * b.rate))
	n := int(math.Floor((b.lead+min(until, b.ring))*b.rate)) - from
	if from < 0 || n < minRecord {
		return r, false
	}
	for smooth(n) != n { // a shorter record of a good length
		n--
		if n < minRecord {
			return r, false
		}
	}
	all := p.of(n).Coefficients(nil, b.y[from:from+n])
	half := int(reach * float64(n) / b.rate)
	r = damped.Record{First: -half, N: n, Silent: b.quiet, Lead: float64(from)/b.rate - b.lead}
	for k := -half; k <= half; k++ {
		r.Bins = append(r.Bins, all[(k+n)%n])
	}
	return r, true
}
