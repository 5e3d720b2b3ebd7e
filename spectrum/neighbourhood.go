package spectrum

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"ringstock/spectrum/damped"
)

// The stretch of a ring that a fit looks at. Times are at low notes: they
// shrink as widths grow.
const (
	firstSkipS = 0.016 // s after the strike, from which on lines are fitted: the blow is over, and the band's filter smears by edgeS
	frameS     = 0.05  // s over which the level is a mean
	silentOver = 1.5   // times the noise: a level below is silence,
	silentFor  = 4     // if so many frames are: two lines that beat are silent between, but not for long
	afterwards = 1.3   // times the time until then, and
	noiseS     = 0.1   // s more are looked at: they tell the fit how much noise there is
	leastFitS  = 0.4   // s at least
	farHz      = 20.0  // Hz beyond a band's flat part: a steady line's skirts still reach in
	insideHz   = 2.0   // Hz from the edge of the bins: a line nearer is one beside them
	outsideHz  = 5.0   // Hz beyond the bins to which a fitted line may go
)

// neighbourhood is a band of every tap, and of the quiet stretches where a
// steady line sounds in it.
type neighbourhood struct {
	p        plans
	bands    []band
	taps     int
	hum      []float64      // steady lines within the fit's bins, Hz relative to the centre
	humKnown []damped.Known // what the mains' other harmonics say of them
	humAmp   []complex128   // what they are in all bands, once it is known
	far      []float64      // steady lines beside them, whose skirts reach in
	noise    float64        // one-sided density in the quiet part, or beside the lines
	reach    float64        // Hz, half width of the fit's bins
	until    float64        // s after the strike: the ring is in the noise from here on
	smooth   int            // terms of what reaches in of all else
}

// around is the neighbourhood of a frequency.
func (a tapSpectra) around(hz float64) neighbourhood {
	h := neighbourhood{p: a.plans, taps: len(a.rings), smooth: 3}
	for _, s := range a.rings {
		h.add(s.zoom(hz))
	}
	centre := h.centre()
	h.noise = a.noise.at(centre)
	h.until = min(h.audible(), h.longest())
	h.reach = min(max(fitHz*h.width(), fitBins/(h.until-h.skip())), flatHz*h.width()-insideHz)
	for _, f := range a.hum {
		switch d := math.Abs(f - centre); {
		case d < h.reach-insideHz:
			known := damped.Known{}
			if at, sd, ok := mainsAt(a.steady, f); ok {
				f, known = at, damped.Known{Hz: at - centre, SD: sd}
			}
			h.hum, h.humKnown = append(h.hum, f-centre), append(h.humKnown, known)
		case d < flatHz*h.width()+farHz:
			h.far = append(h.far, f-centre)
		}
	}
	if len(h.hum) > 0 { // a steady line is the louder the later one listens: it has to be fitted, not awaited
		h.until = h.longest()
		for _, s := range a.quiets {
			h.add(s.zoom(hz))
		}
	}
	return h
}

// add adds a band, about the centre of those before: that of a shorter stretch lies
// on a coarser raster.
func (h *neighbourhood) add(b band) {
	if len(h.bands) > 0 {
		b.about(h.centre())
	}
	h.bands = append(h.bands, b)
}

// about is the same neighbourhood about another centre some hertz off, to the next bin
// of the first segment.
func (h neighbourhood) about(hz float64) neighbourhood {
	centre := h.bands[0].onRaster(hz)
	off := centre - h.centre()
	if off == 0 {
		return h
	}
	h.bands = slices.Clone(h.bands)
	for i := range h.bands {
		h.bands[i].y = slices.Clone(h.bands[i].y)
		h.bands[i].about(centre)
	}
	h.hum, h.humKnown, h.far = slices.Clone(h.hum), slices.Clone(h.humKnown), slices.Clone(h.far)
	for i := range h.hum {
		h.hum[i] -= off
		h.humKnown[i].Hz -= off
	}
	for i := range h.far {
		h.far[i] -= off
	}
	return h
}

func (h neighbourhood) centre() float64 { return h.bands[0].centre }

// longest is the time after the strike at which the last of the taps ends.
func (h neighbourhood) longest() float64 {
	longest := 0.0
	for _, b := range h.bands[:h.taps] {
		longest = max(longest, b.ring)
	}
	return longest
}

// audible is the time after the strike at which the band has sunk into its noise, with
// some of the noise after it, which tells the fit how much noise there is.
func (h neighbourhood) audible() float64 {
	frame := frameS / h.width()
	var level []float64
	for i := 0; ; i++ {
		from, to := h.skip()+frame*float64(i), h.skip()+frame*float64(i+1)
		if to > maxFitS {
			break
		}
		sum, n := 0.0, 0
		for _, b := range h.bands[:h.taps] {
			if to > b.ring {
				continue
			}
			for j := int((b.lead + from) * b.rate); j < int((b.lead+to)*b.rate); j++ {
				sum += real(b.y[j])*real(b.y[j]) + imag(b.y[j])*imag(b.y[j])
				n++
			}
		}
		if n == 0 {
			break
		}
		level = append(level, sum/float64(n))
	}
	// The band's noise: its filter's cosine falls let 3/8 of their power through.
	floor := 2 * h.noise * 2 * (flatHz + 3.0/8*(skirtHz-flatHz)) * h.width()
	for i := range level {
		if floats.Sum(level[i:min(i+silentFor, len(level))]) < silentOver*floor*float64(min(silentFor, len(level)-i)) {
			return max(h.skip()+frame*float64(i)*afterwards+noiseS/h.width(), leastFitS/h.width())
		}
	}
	return maxFitS
}

// records cuts the same stretch out of every band; which tells the tap of
// each, -1 for quiet ones.
func (h neighbourhood) records(skip, until float64) (recs []damped.Record, which []int) {
	for i, b := range h.bands {
		if r, ok := b.record(h.p, skip, until, h.reach); ok {
			recs = append(recs, r)
			if i >= h.taps {
				i = -1
			}
			which = append(which, i)
		}
	}
	return recs, which
}

func (h neighbourhood) width() float64 { return h.bands[0].width }

// skip is how long after the strike the first fit begins.
func (h neighbourhood) skip() float64 { return firstSkipS / h.width() }

// holds tells whether a line at hz belongs into the neighbourhood's model.
func (h neighbourhood) holds(hz float64) bool {
	return math.Abs(hz-h.centre()) < h.reach+outsideHz
}

func (h neighbourhood) rate() float64 { return h.bands[0].rate }

// fitter fits models of the neighbourhood: with steady lines beyond the bins, and what
// reaches in of all else.
func (h neighbourhood) fitter(recs []damped.Record) *damped.Fitter {
	f := damped.NewFitter(recs, h.rate(), h.far, h.smooth)
	f.Expect(h.humKnown)
	return f
}
