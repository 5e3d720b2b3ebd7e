package capture

import (
	"math"
	"slices"

	"ringstock/capture/dsp"
)

// Times and levels by which taps are cut out of a stream. Whether a cut holds a tap, and a
// good one, is decided by FindTaps and by what analyses the ring; the stream is only watched for
// what might be one, a little more readily. (Common practice, no source; checked on synthetic
// bars.)
const (
	settleS  = 0.25  // of sound before anything can be told
	floorS   = 6.0   // the noise floor is the usual spectrum of the sound this far back
	upTimes  = 8.0   // a frequency this much over its mean noise is no quiet
	quietS   = 1.0   // of quiet at the head of each cut
	preRollS = 0.045 // of the stream kept before a strike
	lateS    = 0.030 // a strike may have begun this long before it was noticed
	seamS    = 0.010 // cross-fade where quiet and strike were not neighbours
	leastS   = 0.8   // of ring in a cut, if no other strike ends it
	mostS    = 4.0   // of ring in a cut: nothing beyond it is analysed
	enoughDB = 30.0  // a ring that fell this far has been heard
	tellDB   = 6.0   // a ring that fell less before the noise hides it does not tell its decay
	enoughT  = 2.5   // time constants of a ring to be heard where noise hides its end
	keepS    = 12.0  // of the stream in memory at most
	meterS   = 0.05
)

// Level is what a meter shows.
type Level struct {
	Pos     int64   // in the stream
	PeakDB  float64 // dB re full scale
	RMSDB   float64 // of a full-scale square wave
	Clipped bool    // two or more samples in a row at full scale
	Ringing bool    // a ring is being followed
}

// Room is the sound before anybody taps.
type Room struct {
	Samples []float64
	RMSDB   float64 // dB re full scale
	Silent  bool    // every sample is the same: no microphone is that quiet
}

// Cut is a stretch of a stream in which something was struck: up to a second of quiet, then
// the strike and its ring.
type Cut struct {
	Recording Recording
	Onset     int   // about where the strike lies in Recording
	Pos       int64 // about where it lies in the stream
	Joined    bool  // the quiet is an earlier one, not what came just before the strike
	Lost      int   // samples lost inside
	Flags     Flags
	PeakDB    float64
	Next      bool // another strike ended the ring
}

// Whole tells whether no sound is known to be missing in the cut.
func (c Cut) Whole() bool { return c.Lost == 0 && c.Flags == 0 }

// Listener watches a stream and cuts the taps out of it. What it finds depends on the samples
// alone, never on the sizes of the blocks in which they came, nor on a clock.
type Listener struct {
	OnRoom  func(Room)  // the first quiet second, or what there was of it before the first strike
	OnLevel func(Level) // 20 times per second
	OnCut   func(Cut)

	rate    float64
	source  string
	metered meter

	buf    []float64 // the stream, from sample base on
	base   int
	ahead  int64  // samples lost so far: place in the stream less place among those that came
	losses []loss // those that lie in buf

	// The stream decimated, and its short-time spectra as FindTaps sees them.
	*detector
	every   int // samples per decimated one
	halvers []dsp.Halver
	thin    []float64   // the latest frame of decimated samples
	spectra [][]float32 // the latest, at most those of the last floorS
	seen    int         // spectra so far
	noise   []float32   // mean by frequency

	quiet    []float64 // the latest quiet second
	quietRun int       // spectra of quiet in a row, until now
	roomTold bool
	ring     *ringing
	seam     int // spectra to come across a gap, whose click is no strike
}

type loss struct {
	at    int // first sample after it
	lost  int
	flags Flags
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
	until  int       // sample at which it ends at the latest
}

type meter struct {
	sum     float64
	peak    float64
	full    int // samples in a row at full scale
	clipped bool
	n       int
}

// NewListener hears a stream of the given rate; source names it in what is cut out.
func NewListener(rate float64, source string) *Listener {
	l := &Listener{rate: rate, source: source, every: 1}
	low := rate
	for ; low >= 2*onsetLimits.RateHz; low /= 2 {
		l.halvers, l.every = append(l.halvers, dsp.Halver{}), 2*l.every
	}
	l.detector = newDetector(low)
	l.noise = make([]float32, l.bins())
	l.buf = make([]float64, 0, l.samples(keepS)+l.hop*l.every)
	return l
}

func (l *Listener) samples(s float64) int { return int(s * l.rate) }

// Hear takes the next block of the stream.
func (l *Listener) Hear(b Block) {
	if b.Lost > 0 || b.Flags != 0 {
		l.losses = append(l.losses, loss{l.base + len(l.buf), b.Lost, b.Flags})
		l.ahead += int64(b.Lost)
		l.quietRun = 0
		l.seam = frameHops + 1
	}
	for _, x := range b.Samples {
		l.sample(x)
	}
}

// Finish ends the ring that is being followed here and now, and tells whether there was one.
func (l *Listener) Finish() bool {
	if l.ring == nil {
		return false
	}
	l.cut(l.base+len(l.buf), false)
	return true
}

// End tells that the stream is over.
func (l *Listener) End() {
	l.Finish()
	l.tellRoom()
}

func (l *Listener) sample(x float64) {
	l.buf = append(l.buf, x)
	if y, ok := l.decimate(x); ok {
		l.thin = append(l.thin, y)
		if len(l.thin) == l.frame {
			l.look(l.spectrum())
			l.thin = append(l.thin[:0], l.thin[l.hop:]...)
			l.forget()
		}
	}
	m := &l.metered
	m.sum += x * x
	m.peak = max(m.peak, math.Abs(x))
	if math.Abs(x) >= 0.999 {
		m.full++
		m.clipped = m.clipped || m.full >= 2
	} else {
		m.full = 0
	}
	m.n++
	if m.n >= l.samples(meterS) {
		if l.OnLevel != nil {
			l.OnLevel(Level{l.pos(l.base + len(l.buf)), dsp.Decibel(m.peak * m.peak), dsp.Decibel(m.sum / float64(m.n)), m.clipped, l.ring != nil})
		}
		l.metered = meter{full: m.full}
	}
}

func (l *Listener) pos(i int) int64 { return int64(i) + l.ahead }

// decimate takes a sample and gives the next decimated one, if there is one.
func (l *Listener) decimate(x float64) (y float64, ok bool) {
	for i := range l.halvers {
		if x, ok = l.halvers[i].Next(x); !ok {
			return 0, false
		}
	}
	return x, true
}

// spectrum is that of the latest frame.
func (l *Listener) spectrum() []float32 {
	s := make([]float32, l.bins())
	l.powers(l.thin, l.thin, s, s)
	return s
}

// look decides, with each spectrum, whether something was struck or a ring is over.
func (l *Listener) look(s []float32) {
	now := l.base + len(l.buf)
	rise := l.rise(s)
	if l.seam > 0 {
		l.seam--
		rise = 0
	}
	struck := rise > onsetLimits.AlertDB
	if len(l.spectra) >= l.hops(floorS) {
		l.spectra = slices.Delete(l.spectra, 0, 8)
	}
	l.spectra = append(l.spectra, s)
	if l.seen++; l.seen%32 == 0 || l.seen == l.hops(settleS) {
		l.learn()
	}
	if l.seen <= l.hops(settleS) {
		l.quietRun++
		return
	}
	at := now - l.every*l.frame/2
	if r := l.ring; r != nil {
		switch {
		case at-r.onset <= 6*l.hop*l.every:
			r.rise = max(r.rise, rise)
		case at-r.onset <= l.samples(onsetLimits.DeadS):
			if rise > max(onsetLimits.StrikeDB, r.rise) { // the greater one counts
				r.again(at, rise, l.buf[r.onset-l.base:at-l.base], l.samples(mostS))
			}
		case struck:
			l.cut(at-l.samples(lateS), true)
			l.start(at, rise)
		case l.rangOut(now):
			l.cut(now, false)
		}
		return
	}
	if struck {
		l.start(at, rise)
		return
	}
	if l.up() {
		l.quietRun = 0
	} else {
		l.quietRun++
	}
	if l.quietRun > l.hops(quietS+lateS)+frameHops {
		// The latest hops are left out: a strike may be about to be noticed in them.
		end := len(l.buf) - l.samples(lateS)
		l.quiet = append(l.quiet[:0], l.buf[end-l.samples(quietS):end]...)
		l.tellRoom()
	}
}

// rise is the log spectral flux of a spectrum that comes after those seen.
func (l *Listener) rise(s []float32) float64 {
	n := len(l.spectra)
	latest := l.spectra[max(0, n-l.hops(onsetLimits.BeforeS)):max(0, n-frameHops)]
	if len(latest) == 0 {
		return 0
	}
	before := make([]float64, len(s))
	for _, o := range latest {
		add(before, o, 1)
	}
	return logFlux(s, l.noise, before, len(latest))
}

// learn takes the noise floor from the spectra so far.
func (l *Listener) learn() {
	var some [][]float32
	for i := 0; i < len(l.spectra); i += max(len(l.spectra)/floorSpectra, 1) {
		some = append(some, l.spectra[i])
	}
	l.noise, _ = l.floor(some, 1e-12)
}

// mean is the power of a frequency over the latest n spectra.
func (l *Listener) mean(k, n int) float64 {
	sum := 0.0
	n = min(n, len(l.spectra))
	for _, s := range l.spectra[len(l.spectra)-n:] {
		sum += float64(s[k])
	}
	return sum / float64(n)
}

// up tells whether anything stands out of the noise.
func (l *Listener) up() bool {
	for k, f := range l.noise {
		if l.mean(k, 20) > upTimes*float64(f) {
			return true
		}
	}
	return false
}

// start begins to follow the ring of a strike noticed at a sample. The head of its cut is the
// quiet second: the one just before if that was quiet, else the latest one.
func (l *Listener) start(onset int, rise float64) {
	l.tellRoom()
	r := &ringing{onset: onset, rise: rise, bin: -1, until: onset + l.samples(mostS)}
	pre := onset - l.samples(preRollS)
	if l.quietRun >= l.hops(quietS) || len(l.quiet) == 0 {
		quiet := min(l.samples(quietS), l.quietRun*l.hop*l.every)
		r.head = slices.Clone(l.buf[max(pre-quiet-l.base, 0) : onset-l.base])
	} else {
		r.joined = true
		seam := l.samples(seamS)
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

// again moves the strike that is being followed to a later sample; what lies between stays in the cut.
func (r *ringing) again(onset int, rise float64, between []float64, most int) {
	r.head = append(r.head, between...)
	r.onset, r.rise, r.until = onset, rise, onset+most
	r.bin, r.ref, r.top = -1, 0, nil
}

// rangOut tells whether the ring has been heard for long enough.
func (l *Listener) rangOut(now int) bool {
	r := l.ring
	t := float64(now-r.onset) / l.rate
	if now >= r.until {
		return true
	}
	if t < 0.15 {
		return false
	}
	const short = 10 // spectra
	if r.bin < 0 {
		r.bin, r.since = 0, t
		for k, f := range l.noise {
			if p := l.mean(k, short); p > r.ref && p > upTimes*float64(f) {
				r.bin, r.ref = k, p
			}
		}
		if r.ref == 0 {
			r.ref = l.mean(0, short)
		}
	}
	// The crest of the last third of a second: a beat's hollow is not the end.
	r.top = append(r.top, l.mean(r.bin, short))
	if n := len(r.top) - l.hops(0.33); n > 0 {
		r.top = r.top[n:]
	}
	if t < leastS {
		return false
	}
	crest := slices.Max(r.top)
	fall := dsp.Decibel(r.ref) - dsp.Decibel(crest)
	// By how much it has fallen since the strike follows from its fall since the first look at it; in a beat's
	// hollow it only seems to.
	if now := dsp.Decibel(r.ref) - dsp.Decibel(r.top[len(r.top)-1]); now*t/(t-r.since) >= enoughDB && fall >= enoughDB/3 {
		return true
	}
	if crest < 2*float64(l.noise[r.bin]) {
		enough := 2.0
		if fall > tellDB {
			tau := t * 20 * math.Log10(math.E) / fall
			enough = enoughT * tau
		}
		r.until = min(r.until, r.onset+max(l.samples(enough), now-r.onset))
	}
	return now >= r.until
}

// cut hands over the ring that was followed until sample end.
func (l *Listener) cut(end int, next bool) {
	r := l.ring
	l.ring = nil
	sound := l.buf[r.onset-l.base : max(end, r.onset)-l.base]
	c := Cut{
		Recording: Recording{Source: l.source, Rate: l.rate, Tracks: [][]float64{append(r.head, sound...)}},
		Onset:     len(r.head), Pos: l.pos(r.onset), Joined: r.joined, Next: next,
	}
	peak := 0.0
	for _, x := range sound {
		peak = max(peak, math.Abs(x))
	}
	c.PeakDB = dsp.Decibel(peak * peak)
	for _, lost := range l.losses {
		if lost.at > r.onset-l.samples(preRollS) && lost.at <= end {
			c.Lost += lost.lost
			c.Flags |= lost.flags
		}
		if lost.at > r.onset {
			c.Pos -= int64(lost.lost)
		}
	}
	if l.OnCut != nil {
		l.OnCut(c)
	}
}

// tellRoom tells once what the quiet is like.
func (l *Listener) tellRoom() {
	if l.roomTold || l.OnRoom == nil || len(l.buf) == 0 {
		return
	}
	x := l.quiet
	if len(x) == 0 {
		end := max(len(l.buf)-l.samples(lateS), 1)
		x = l.buf[max(end-l.samples(quietS), 0):end]
	}
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	l.roomTold = true
	l.OnRoom(Room{slices.Clone(x), dsp.Decibel(sum / float64(len(x))), silent(x)})
}

// forget drops what lies too far back to be of use.
func (l *Listener) forget() {
	if len(l.buf) < l.samples(keepS) {
		return
	}
	drop := len(l.buf) - l.samples(quietS+mostS+1)
	l.buf = append(l.buf[:0], l.buf[drop:]...)
	l.base += drop
	l.losses = slices.DeleteFunc(l.losses, func(x loss) bool { return x.at < l.base })
}
