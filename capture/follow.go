package capture

import (
	"math"
	"slices"

	"ringstock/capture/dsp"
)

// ringLimits are the thresholds by which a ring is followed until enough of it was heard
// to judge it, and until it is over (set on synthetic bars; the dB that a decay has to
// fall are common practice: ISO 3382-2 takes 20 to 30).
var ringLimits = struct {
	LookS, LeastS, CrestS, EnoughDB, TellDB, EnoughT, EnoughS, NoTauS, OverDB, MostS float64
}{
	LookS:    0.15, // s after the strike: which frequencies ring is seen first
	LeastS:   0.8,  // s of ring in a cut, if no other strike ends it
	CrestS:   0.33, // s: the crest of so much; a beat's hollow is not the end
	EnoughDB: 30,   // dB: a ring that fell this far can be judged
	TellDB:   6,    // dB: one that fell less before the noise hides it does not tell its decay
	EnoughT:  2.5,  // time constants of a ring to be heard where noise hides its end,
	NoTauS:   2,    // s where it does not tell its time constant,
	EnoughS:  4,    // s in any case
	OverDB:   40,   // dB: a frequency that fell this far is over
	MostS:    8,    // s: nothing is followed for longer
}

// ringing is a ring that is being followed.
type ringing struct {
	onset  int // sample at which the strike was noticed
	rise   float64
	head   []float64 // of its cut, up to the onset
	joined bool
	bin    int // frequency that stands out best
	ref    float64
	since  float64   // s after the strike at which bin and ref were found
	top    []float64 // power there of late
	until  int       // sample at which enough was heard of it at the latest

	told     bool // it was handed over, but is still followed
	toldTill int  // up to this sample
	lines    []line
	faint    int // spectra in a row in which no line could be heard any more
}

// line is a frequency that rings.
type line struct {
	bin int
	ref float64 // its power at first
}

const shortSpectra = 10 // over which a power is averaged

// follow looks at a ring with each spectrum.
func (l *Listener) follow(now, at int, rise float64) {
	r := l.ring
	switch {
	case at-r.onset <= 6*l.hop*l.every:
		r.rise = max(r.rise, rise)
	case at-r.onset <= l.samples(onsetLimits.DeadS):
		if rise > max(onsetLimits.StrikeDB, r.rise) { // the greater one counts
			r.again(at, rise, l.buf[r.onset-l.base:at-l.base], l.samples(ringLimits.EnoughS))
		}
	case rise > onsetLimits.AlertDB:
		l.cut(at-l.samples(listenLimits.LateS), true)
		l.start(at, rise)
	default:
		over, enough := l.isOver(now), r.told || l.isEnough(now)
		switch {
		case over && enough:
			l.cut(now, false)
		case enough && !r.told:
			l.handOver(r, now, false, true)
		}
	}
}

// start begins to follow the ring of a strike noticed at a sample. The head of its cut is
// the quiet second: the one just before if that was quiet, else the latest one.
func (l *Listener) start(onset int, rise float64) {
	l.tellRoom()
	r := &ringing{onset: onset, rise: rise, bin: -1, until: onset + l.samples(ringLimits.EnoughS)}
	pre := onset - l.samples(listenLimits.PreRollS)
	if l.quietRun >= l.hops(listenLimits.QuietS) || len(l.quiet) == 0 {
		quiet := min(l.samples(listenLimits.QuietS), l.quietRun*l.hop*l.every)
		r.head = slices.Clone(l.buf[max(pre-quiet-l.base, 0) : onset-l.base])
	} else {
		r.joined = true
		seam := l.samples(listenLimits.SeamS)
		join := len(l.quiet)
		r.head = append(slices.Clone(l.quiet), l.buf[pre-l.base:onset-l.base]...)
		// The end of the quiet fades over into what came before the strike.
		for i := range seam {
			w := float64(i+1) / float64(seam+1)
			r.head[join-seam+i] = (1-w)*r.head[join-seam+i] + w*l.buf[pre-l.base-seam+i]
		}
	}
	l.ring = r
	l.quietRun = 0
}

// again moves the strike that is being followed to a later sample; what lies
// between stays in the cut.
func (r *ringing) again(onset int, rise float64, between []float64, most int) {
	r.head = append(r.head, between...)
	r.onset, r.rise, r.until = onset, rise, onset+most
	r.bin, r.ref, r.top, r.lines = -1, 0, nil, nil
}

// isOver tells whether none of the frequencies that rang at first can be heard any more:
// each has sunk into the noise or fallen far enough.
func (l *Listener) isOver(now int) bool {
	r := l.ring
	t := float64(now-r.onset) / l.rate
	switch {
	case t >= ringLimits.MostS:
		return true
	case t < ringLimits.LookS:
		return false
	case r.lines == nil:
		r.lines = []line{}
		for k, noise := range l.noise {
			if p := l.mean(k, shortSpectra); p > listenLimits.UpTimes*float64(noise) {
				r.lines = append(r.lines, line{k, p})
			}
		}
	}
	fallen := math.Pow(10, -ringLimits.OverDB/10)
	r.faint++
	for _, line := range r.lines {
		if p := l.mean(line.bin, shortSpectra); p > fallen*line.ref && p > 2*float64(l.noise[line.bin]) {
			r.faint = 0
			break
		}
	}
	return t >= ringLimits.LeastS && r.faint > l.hops(ringLimits.CrestS)
}

// isEnough tells whether the ring has been heard for long enough to be judged, by the
// frequency that rings loudest.
func (l *Listener) isEnough(now int) bool {
	r := l.ring
	t := float64(now-r.onset) / l.rate
	if now >= r.until {
		return true
	}
	if t < ringLimits.LookS {
		return false
	}
	if r.bin < 0 {
		r.bin, r.since = 0, t
		for _, line := range r.lines {
			if line.ref > r.ref {
				r.bin, r.ref = line.bin, line.ref
			}
		}
		if r.ref == 0 {
			r.ref = l.mean(0, shortSpectra)
		}
	}
	r.top = append(r.top, l.mean(r.bin, shortSpectra))
	if n := len(r.top) - l.hops(ringLimits.CrestS); n > 0 {
		r.top = r.top[n:]
	}
	if t < ringLimits.LeastS {
		return false
	}
	crest := slices.Max(r.top)
	fall := dsp.Decibel(r.ref) - dsp.Decibel(crest)
	// By how much it has fallen since the strike follows from its fall since the first
	// look at it; in a beat's hollow it only seems to.
	latest := dsp.Decibel(r.ref) - dsp.Decibel(r.top[len(r.top)-1])
	if latest*t/(t-r.since) >= ringLimits.EnoughDB && fall >= ringLimits.EnoughDB/3 {
		return true
	}
	if crest < 2*float64(l.noise[r.bin]) {
		enough := ringLimits.NoTauS
		if fall > ringLimits.TellDB {
			enough = ringLimits.EnoughT * t * 20 * math.Log10(math.E) / fall
		}
		r.until = min(r.until, r.onset+max(l.samples(enough), now-r.onset))
	}
	return now >= r.until
}

// cut hands over the ring that was followed until sample end, and follows it no longer.
func (l *Listener) cut(end int, next bool) {
	r := l.ring
	l.ring = nil
	l.handOver(r, max(end, r.toldTill), next, false)
}

// handOver tells of a ring until sample end; more tells that it is followed further.
func (l *Listener) handOver(r *ringing, end int, next, more bool) {
	sound := l.buf[r.onset-l.base : max(end, r.onset)-l.base]
	c := Cut{
		Recording: Recording{Source: l.source, Rate: l.rate, Tracks: [][]float64{slices.Concat(r.head, sound)}},
		Onset:     len(r.head), Pos: l.pos(r.onset), Joined: r.joined, Next: next, More: more, Rest: r.told,
	}
	peak := 0.0
	for _, x := range sound {
		peak = max(peak, math.Abs(x))
	}
	c.PeakDB = dsp.Decibel(peak * peak)
	for _, lost := range l.losses {
		if lost.at > r.onset-l.samples(listenLimits.PreRollS) && lost.at <= end {
			c.Lost += lost.lost
			c.Flags |= lost.flags
		}
		if lost.at > r.onset {
			c.Pos -= int64(lost.lost)
		}
	}
	r.told, r.toldTill = true, end
	if l.OnCut != nil {
		l.OnCut(c)
	}
}
