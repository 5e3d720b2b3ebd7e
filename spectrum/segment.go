package spectrum

import (
	"math"
	"math/cmplx"

	"ringstock/capture"
	"ringstock/capture/dsp"
	"ringstock/spectrum/damped"
)

// Stretches and bands. Widths are at low notes; see timing.
const (
	leadS    = 0.08  // s of sound before the strike kept in a segment
	maxRingS = 3.0   // s of ring looked at; no blank rings on for longer to any use
	flatHz   = 40.0  // Hz; half width of a band's flat part, about its centre
	skirtHz  = 120.0 // Hz; half width of the whole band
	edgeS    = 0.016 // s by which a band's filter smears the segment's ends
	fitHz    = 17.0  // Hz; least half width of the bins that a fit looks at: ten widths of a line of Q 150 at 250 Hz,
	fitBins  = 14.0  // and least number of bins on either side, as far as the band is flat
	wideHz   = 1200  // Hz; above this frequency all widths grow, and all waits shrink, in proportion:
	//                  the higher a note, the faster it dies and the broader is its line
	maxFitS   = 3.0  // s; longest record that a fit looks at
	minRecord = 12   // samples of a band: less can't be fitted
	sparedEnd = 0.05 // of the longest segment is given up if that halves the transforms
)

// timing is how a ring is listened to. The higher a note, the faster it dies and the
// broader is its line: above wideHz all widths grow, and all waits shrink, in proportion.
type timing struct {
	wideHz           float64
	lookFromS, lookS float64 // rings are searched for partials under a window that opens so long after the strike and lasts so long;
	lookRiseS        float64 // it opens within this time, and closes slowly, as a ring does
	waits            bool    // whether the room dies before the ring, so that waiting for it helps
}

// A longitudinal note at 3 kHz is gone before the room is: it has to be caught in its
// first hundredth of a second.
var timings = map[Strike]timing{
	SideTap: {wideHz: 1200, lookFromS: 0.025, lookS: 0.6, lookRiseS: 0.05, waits: true},
	EndTap:  {wideHz: 500, lookFromS: 0.004, lookS: 0.2, lookRiseS: 0.004},
}

// segment is one tap's stretch of the recording as a spectrum.
type segment struct {
	rate  float64
	n     int          // length of the transform, samples
	at    float64      // s from the recording's start to the segment's
	lead  float64      // s from the segment's start to the strike
	ring  float64      // s from the strike to the end of the usable ring
	coef  []complex128 // unnormalised DFT, bins 0..n/2
	wide  float64      // Hz, the timing's
	quiet bool         // true for a stretch without a ring
}

// band is the neighbourhood of one frequency as a complex signal: the real signal
// a cos(2 pi f t + phi) becomes a exp(i (2 pi (f - centre) t + phi)).
type band struct {
	y      []complex128
	rate   float64 // samples of y per second
	centre float64 // Hz
	at     float64 // s from the recording's start to the first sample; phases are those of an oscillator that goes on all the time
	lead   float64 // s from the first sample to the strike
	ring   float64 // s from the strike to the last sample that may be used
	width  float64 // all widths times this, all waits divided by it
	perBin float64 // Hz, of the segment's transform
	quiet  bool
}

// cut transforms the rings of a take's taps, and its quiet stretches.
func cut(take capture.Take, at timing) (rings, quiet []segment) {
	lead, long := int(leadS*take.Rate), int(maxRingS*take.Rate)
	byLength := map[int][]*segment{}
	stretches := map[int][]stretch{}
	put := func(s *segment, from, strike, to int) {
		n := max(powerOfTwo(to-from), 2)
		if n > minRecord && float64(to-from) < (1+sparedEnd)*float64(n)/2 {
			n /= 2
			to = from + n
		}
		*s = segment{rate: take.Rate, n: n, wide: at.wideHz, at: float64(from) / take.Rate,
			lead: float64(strike-from) / take.Rate, ring: float64(to-strike) / take.Rate}
		late := max(-from, 0)
		byLength[n] = append(byLength[n], s)
		stretches[n] = append(stretches[n], stretch{x: take.Samples[from+late : to], late: late})
	}
	rings, quiet = make([]segment, len(take.Taps)), make([]segment, len(take.Quiet))
	for i, t := range take.Taps {
		put(&rings[i], t.Onset-lead, t.Onset, min(t.End, t.Onset+long))
	}
	for i, q := range take.Quiet {
		put(&quiet[i], q.From, q.From, min(q.To, q.From+long))
		quiet[i].quiet = true
	}
	for n, segments := range byLength {
		for i, coef := range transforms(n, stretches[n]...) {
			segments[i].coef = coef
		}
	}
	return rings, quiet
}

// zoom filters the neighbourhood of a frequency out of the segment: flat within
// flatHz, a cosine's fall to skirtHz (both times the band's width), then decimated to
// twice that or more.
func (s segment) zoom(hz float64) band {
	perBin := s.rate / float64(s.n)
	width := max(1, hz/s.wide)
	flat, skirt := flatHz*width, skirtHz*width
	m := powerOfTwo(int(math.Ceil(2 * skirt / perBin)))
	b := band{y: make([]complex128, m), rate: float64(m) * perBin, perBin: perBin,
		at: s.at, lead: s.lead, ring: s.ring - edgeS/width, width: width, quiet: s.quiet}
	b.centre = b.onRaster(hz)
	k0 := int(math.Round(b.centre / perBin))
	put := func(i int, w float64) {
		if k := k0 + i; k > 0 && k < len(s.coef) {
			b.y[(i+m)%m] = cmplx.Conj(s.coef[k]) * complex(w, 0)
		}
	}
	for i := range min(int(skirt/perBin), m/2-1) + 1 {
		w := 2 / float64(s.n)
		if d := float64(i) * perBin; d > flat {
			w *= (1 + math.Cos(math.Pi*(d-flat)/(skirt-flat))) / 2
		}
		put(i, w)
		put(-i, w)
	}
	dsp.Transform(b.y) // of the conjugate: the conjugate of the inverse transform
	turn := cmplx.Rect(1, -2*math.Pi*math.Mod(b.centre*s.at, 1))
	for i, v := range b.y {
		b.y[i] = cmplx.Conj(v) * turn
	}
	return b
}

// onRaster is the frequency of the segment's bin next to hz.
func (b band) onRaster(hz float64) float64 { return math.Round(hz/b.perBin) * b.perBin }

// about moves the band's centre.
func (b *band) about(centre float64) {
	if off := centre - b.centre; off != 0 {
		for i := range b.y {
			b.y[i] *= cmplx.Rect(1, -2*math.Pi*math.Mod(off*(b.at+float64(i)/b.rate), 1))
		}
		b.centre = centre
	}
}

// record cuts the part from skip to until (s after the strike) out of the band and
// transforms it: the bins within reach, in Hz, of the centre. ok is false if
// too little is left.
func (b band) record(p plans, skip, until, reach float64) (r damped.Record, ok bool) {
	if b.quiet {
		skip, until = edgeS/b.width, b.ring
	}
	from := int(math.Ceil((b.lead + skip) * b.rate))
	n := int(math.Floor((b.lead+min(until, b.ring))*b.rate)) - from
	if from < 0 || n < minRecord {
		return r, false
	}
	for n -= n % 2; !smooth(n); n -= 2 { // a shorter record of a good length
	}
	all := p.of(n).Coefficients(nil, b.y[from:from+n])
	half := int(reach * float64(n) / b.rate)
	r = damped.Record{First: -half, N: n, Silent: b.quiet, Lead: float64(from)/b.rate - b.lead,
		At: b.at + float64(from)/b.rate}
	for k := -half; k <= half; k++ {
		r.Bins = append(r.Bins, all[(k+n)%n])
	}
	return r, true
}
