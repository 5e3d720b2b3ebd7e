package spectrum

import (
	"math"

	"ringstock/capture"
)

// beatsFrom is the share of the fundamental's energy from which on a companion's rest in
// the filter moves the phase.
const beatsFrom = 0.01

// measures is what the lines alone don't tell.
type measures struct {
	noise      float64  // in the octave about the fundamental, full scale squared
	loudness   estimate // dB
	unevenness estimate // %
	drift      estimate // cents
	rest       estimate // Hz: the pitch that a gliding ring comes to
	roomExcess estimate // %: by how much less even the ring begins than it goes on; the room's answer fades
}

// measure takes from the sound what the lines alone don't tell: of all taps
// together, and of each.
func (s tapSpectra) measure(sound capture.Take, near neighbourhood, m modes) (all measures, each []measures) {
	f := m.parts[m.fundamental].component
	centre := f.hz
	if m.inferred != nil {
		centre = m.inferred.hz
	}
	all.noise = s.noise.mean(centre/math.Sqrt2, centre*math.Sqrt2) * centre * (math.Sqrt2 - 1/math.Sqrt2)
	each = make([]measures, len(s.taps))
	for i, t := range s.taps {
		each[i].noise = all.noise
		each[i].loudness = loudness(sound, t)
	}
	if m.inferred != nil {
		weak := estimate{why: tooWeak}
		for i := range each {
			each[i].unevenness, each[i].drift = weak, weak
		}
	} else {
		near.follow(m, each)
	}
	all.loudness = pool(each, func(o measures) estimate { return o.loudness })
	all.unevenness = pool(each, func(o measures) estimate { return o.unevenness })
	all.drift = pool(each, func(o measures) estimate { return o.drift })
	all.rest = pool(each, func(o measures) estimate { return o.rest })
	if len(each) > 0 {
		all.roomExcess = each[0].roomExcess // it is the same room
	}
	return all, each
}

// follow measures how evenly the fundamental dies in each tap, and how its
// pitch moves meanwhile.
func (h neighbourhood) follow(m modes, each []measures) {
	f := m.parts[m.fundamental].component
	late, ok := h.lateFit(m)
	for i := range each {
		one := &each[i]
		if !ok || late.record[i] < 0 {
			short := estimate{why: ringTooShort}
			one.unevenness, one.drift, one.rest, one.roomExcess = short, short, short, short
			continue
		}
		one.unevenness = late.unevenness(i)
		one.drift, one.rest = late.driftOf(i)
		one.roomExcess = late.excess(i, one.unevenness)
	}
	excess := pool(each, func(o measures) estimate { return o.roomExcess })
	likely, answer := excess.room()
	// A companion is taken away from the fundamental; of a strong one that the filter
	// lets pass too much may be left.
	p, paired := m.pair()
	beats := paired && math.Abs(p.hz-f.hz) < driftHz/2 && p.energy(nil) > beatsFrom*f.energy(nil)
	for i := range each {
		one := &each[i]
		one.roomExcess = excess // it is the same room
		one.unevenness.commonVar += likely * sqr(100*roomUneven*answer)
		one.drift.commonVar += likely * answer * sqr(roomDrift*driftUnit(f.hz, f.tau())/f.tau())
		one.rest.commonVar += likely * answer * sqr(roomRest/(2*math.Pi*f.tau()))
		if beats {
			one.drift = estimate{why: linesBeat}
		}
	}
}

// pool is the median over taps; its sd comes from their scatter, or from a lone tap's
// own. What all taps have alike does not become less.
func pool(each []measures, get func(measures) estimate) estimate {
	var xs, sds []float64
	commonVar := 0.0
	why := noTapGaveIt
	for _, one := range each {
		s := get(one)
		if !s.known() {
			why = s.why
			continue
		}
		xs = append(xs, s.x)
		sds = append(sds, s.sd)
		commonVar += s.commonVar
	}
	if len(xs) == 0 {
		return estimate{why: why}
	}
	m := median(xs)
	n := math.Sqrt(float64(len(xs)))
	return estimate{x: m, sd: max(scatter(xs, m), median(sds)) / n, commonVar: commonVar / float64(len(xs))}
}
