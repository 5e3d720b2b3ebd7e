package spectrum

import (
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/stat"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// Altered is the code of the warnings that a recording device changed the sound on its
// way: such a recording's decays are not the wood's.
const Altered = "altered recording"

// ClippedStrikes is the code of the warning that every tap is clipped at its strike.
const ClippedStrikes = "clipped strikes"

// The noise of a room is steady; what a tap leaves of it above the ring's partials tells
// what the device did.
var hissBand = [2]float64{5000, 9500}

const (
	hissEarlyS = 0.5  // s after the strike: the room and the ring are gone from the hiss band
	hissLateS  = 1.1  // and so much later it must still be as loud
	hissSpanS  = 0.25 // of sound that is compared
	pumpDB     = 2.0  // median over taps by which it may have grown
	heldDB     = 8.0  // by which a ring may begin below its own straight line (a room takes up to 7: synthetic)
	beginDB    = 4.0  // and this where the louder taps begin further below:
	squeezed   = 2.0  // dB times dB per dB; a room or a beat takes the same from all taps, a limiter one dB per dB
	endDB      = 4.0  // by which it may end below
	bendSNR    = 300  // energy over noise density of a tap whose amplitude is known to half a dB
	companion  = 1e-3 // of the fundamental's energy: a louder one bends its line by 0.3 dB
	knownLine  = 0.25 // relative sd of a decay that says where its line is
	bendFromS  = 0.04 // s after the strike,
	bendSpanS  = 0.04 // s over which its beginning is a mean;
	endSpanS   = 0.1  // s likewise at its end,
	endLeastS  = 0.3  // s after the strike or later,
	endSpareS  = 0.25 // s before the ring's end or earlier,
	endOver    = 40.0 // square of the amplitude over the noise in the octave: its power then stands 13 dB over that
)

// altered looks for the marks of automatic gain, limiters and noise
// suppression: hiss that grows after each tap, a ring whose beginning was held
// down, a ring that breaks off.
func altered(sound capture.Take, heard tapSpectra, near neighbourhood, m modes, noise float64) []capture.Warning {
	var out []capture.Warning
	warn := func(what string) {
		out = append(out, capture.Warning{Code: Altered, Text: what + ": the recording device altered the decay; " +
			"switch off automatic gain, noise suppression and other enhancements in the system's microphone settings, and record again"})
	}
	if gated(sound) {
		warn("the noise before the taps comes in single grains, with silence between")
	}
	var pumps []float64
	for i, t := range heard.taps {
		until := len(sound.Samples) // what was taken for a tap in between may be the noise that grew
		if i+1 < len(heard.taps) {
			until = heard.taps[i+1].Onset
		}
		early, late := hiss(sound, t.Onset, until, hissEarlyS), hiss(sound, t.Onset, until, hissLateS)
		if early > 0 && late > 0 {
			pumps = append(pumps, 10*math.Log10(late/early))
		}
	}
	if len(pumps) > 0 && median(pumps) > pumpDB {
		warn("the noise grows by " + decibels(median(pumps)) + " while a ring dies")
	}
	if m.inferred == nil {
		switch begin, end, slope := m.bend(near, noise); {
		case begin < -heldDB && m.alone():
			warn("the rings begin " + decibels(-begin) + " softer than their decay says")
		case begin < -beginDB && begin*slope > squeezed:
			warn("the louder a tap, the softer its ring begins: by " + decibels(-begin) + " below its decay")
		case begin > -beginDB && end < -endDB && m.alone():
			warn("the rings break off " + decibels(-end) + " below their decay")
		}
	}
	return out
}

// gated tells whether something closes and opens frequencies one by one: then some
// stand far over their own median in the quiet part, a few at a time and again and
// again. No steady noise does that (a power over 60 medians has a chance of 2^-60); a
// click or a hiss rises at many frequencies at once, a voice for some time only, and
// hardly over its formants.
func gated(sound capture.Take) bool {
	const (
		over     = 60.0
		atOnce   = 4.0 // grains in a frame that has any, on average
		least    = 4   // frames with grains, in each half
		fromHz   = 4000.0
		frameS   = 0.02
		fewestIn = 30 // frames of quiet
	)
	if len(sound.Quiet) == 0 {
		return false
	}
	x := sound.Samples[sound.Quiet[0].From:sound.Quiet[0].To]
	n := powerOfTwo(int(frameS * sound.Rate))
	w := hann(n)
	var frames []stretch
	for at := 0; at+n <= len(x); at += n / 2 {
		frames = append(frames, stretch{x: x[at : at+n], w: w})
	}
	if len(frames) < fewestIn {
		return false
	}
	spectra := densities(n, sound.Rate, frames...)
	grains, hit := 0, make([]bool, len(frames))
	column, other := make([]float64, len(frames)), make([]float64, len(frames))
	for k := int(fromHz * float64(n) / sound.Rate); k < int(0.4*float64(n)); k++ {
		for i, s := range spectra {
			column[i] = s.p[k]
		}
		// Where more than half of all are over a 60th of the greatest, so is the median.
		greatest, most := slices.Max(column), 0
		for _, p := range column {
			if p*over > greatest {
				most++
			}
		}
		if most > len(column)/2 {
			continue
		}
		copy(other, column)
		grain := over * dsp.NthElement(other, len(other)/2)
		for i, p := range column {
			if p > grain {
				grains++
				hit[i] = true
			}
		}
	}
	var frequent [2]int // in the first half and in the second
	for i, h := range hit {
		if h {
			frequent[2*i/len(hit)]++
		}
	}
	return min(frequent[0], frequent[1]) >= least && float64(grains) < atOnce*float64(frequent[0]+frequent[1])
}

// alone tells whether nothing else in the fundamental's neighbourhood makes its
// level anything but a straight line, and its decay is known well enough to say
// where that line is.
func (r modes) alone() bool {
	f := r.parts[r.fundamental]
	for i, p := range r.parts {
		if i != r.fundamental && math.Abs(p.hz-f.hz) < closePairHz && p.energy(nil) > companion*f.energy(nil) {
			return false
		}
	}
	return f.sdAlpha < knownLine*f.alpha
}

// hiss is the mean square in the hiss band for a while from fromS after the strike; 0 if
// its time is over before.
func hiss(sound capture.Take, onset, until int, fromS float64) float64 {
	rate := sound.Rate
	from, n := onset+int(fromS*rate), int(hissSpanS*rate)
	if from+n > until || hissBand[1] > 0.48*rate {
		return 0
	}
	e := dsp.BandEnergy(sound.Samples[from:from+n], rate, hissBand, n/20)
	return median(e[2:]) // the filter has to settle; a click does not count
}

// bend compares the level of the fundamental with its own fitted line, in dB, just
// after the strike and near the end, while it should still stand 10 dB over the
// noise: the medians over taps, and how much the beginnings fall with the loudness of
// the taps, dB per dB.
func (r modes) bend(h neighbourhood, noise float64) (begin, end, slope float64) {
	f := r.parts[r.fundamental].component
	var loud, begins, ends []float64
	for i, b := range h.bands[:h.taps] {
		if f.amp[i] == 0 || f.snr[i] < bendSNR {
			continue
		}
		level := func(at, span float64) (db float64, ok bool) {
			from, to := int((b.lead+at)*b.rate), int((b.lead+at+span)*b.rate)
			if to >= len(b.y) || at+span > b.ring || to-from < 3 {
				return 0, false
			}
			got, want := 0.0, 0.0
			for j := from; j < to; j++ {
				t := float64(j)/b.rate - b.lead
				got += sq(b.y[j])
				want += f.amp[i] * f.amp[i] * math.Exp(-2*f.alpha*t)
			}
			return 10 * math.Log10(got/want), true
		}
		if db, ok := level(bendFromS, bendSpanS); ok {
			begins = append(begins, db)
			loud = append(loud, 20*math.Log10(f.amp[i]))
		}
		over := f.amp[i] * f.amp[i] / (endOver * noise)
		if over > 1 {
			at := math.Min(math.Log(over)/(2*f.alpha), b.ring-endSpareS)
			if at > endLeastS {
				if db, ok := level(at-endSpanS, endSpanS); ok {
					ends = append(ends, db)
				}
			}
		}
	}
	return median(begins), median(ends), falls(loud, begins)
}

// falls is the slope of y over x by least squares, less steep by its own standard error;
// 0 if too little says.
func falls(x, y []float64) float64 {
	if len(x) < 3 {
		return 0
	}
	b, slope := stat.LinearRegression(x, y, nil, false)
	var rest, spread float64
	m := stat.Mean(x, nil)
	for i := range x {
		rest += sqr(y[i] - b - slope*x[i])
		spread += sqr(x[i] - m)
	}
	return slope + math.Sqrt(rest/float64(len(x)-2)/spread)
}

func decibels(x float64) string { return strconv.FormatFloat(x, 'f', 0, 64) + " dB" }
