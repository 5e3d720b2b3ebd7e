package spectrum

import (
	"math"
	"slices"
)

// excess is by how much a tap's ring is less even from its beginning on than it is later:
// what the room answers fades, what is the wood's stays.
func (l lateFit) excess(tap int, later estimate) estimate {
	rec, ok := l.h.bands[tap].record(l.h.p, l.h.skip(), l.h.until, l.h.reach)
	if !ok || !later.known() {
		return estimate{why: ringTooShort}
	}
	i := l.record[tap]
	s := l.unevennessOf(rec, l.fit.NoisePow[i]*float64(rec.N)/float64(l.recs[i].N))
	s.x -= later.x
	return s
}

// How much less even rooms make a ring early, %: each value is as likely as the others
// (calibrated, as what follows from it, on synthetic rooms of RT60 0.2-0.5 s).
var roomEarly = []float64{0.03, 0.07, 0.13, 0.22, 0.35, 0.55, 0.9, 1.5, 3.5}

const (
	roomColour = 0.65 // relative u of one note's energy beside another's in any room: 3 dB; squared it grows
	roomLouder = 40   // by so many times the share that is heard of the room
	roomUneven = 0.4  // u of the unevenness over that share
	roomDrift  = 1.0  // u of a glide's phase over the square root of that share
	roomRest   = 0.5  // u of the phase that the ring gathers in tau, likewise
)

// room tells how likely there is a room, even odds before anything is heard, and which
// share of the ring is its answer.
func (s estimate) room() (likely, answer float64) {
	if !s.known() {
		return 1, median(slices.Clone(roomEarly)) / 100
	}
	odds := 0.0
	for _, x := range roomEarly {
		odds += math.Exp(x*(2*s.x-x)/(2*sqr(s.sd))) / float64(len(roomEarly))
	}
	return 1 / (1 + 1/odds), max(s.x, 0) / 100
}

// colour is the relative uncertainty of the energy of one note beside another's
// that is the room's.
func (s estimate) colour() float64 {
	likely, answer := s.room()
	return math.Sqrt(likely * (sqr(roomColour) + roomLouder*answer))
}
