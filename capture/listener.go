package capture

import (
	"math"
	"slices"

	"ringstock/capture/dsp"
)

// listenLimits are the times and levels by which taps are cut out of a stream. Whether a
// cut holds a tap, and a good one, is decided by FindTaps and by what analyses the ring;
// the stream is only watched for what might be one, a little more readily (common
// practice, no source; set on synthetic bars).
var listenLimits = struct{ SettleS, FloorS, UpTimes, QuietS, PreRollS, LateS, SeamS, KeepS, MeterS float64 }{
	SettleS:  0.25,  // s of sound before anything can be told
	FloorS:   6,     // s: the noise is the usual spectrum of so much sound, without the ends of long rings
	UpTimes:  8,     // times its mean noise: a frequency above that is no quiet
	QuietS:   1,     // s of quiet at the head of each cut
	PreRollS: 0.045, // s of the stream kept before a strike
	LateS:    0.030, // s: a strike may have begun this long before it was noticed
	SeamS:    0.010, // s of cross-fade where quiet and strike were not neighbours
	KeepS:    16,    // s of the stream in memory at most
	MeterS:   0.05,  // s from one level to the next
}

// Level is what a meter shows.
type Level struct {
	Pos     int64   // in the stream
	PeakDB  float64 // dB re full scale
	RMSDB   float64 // of a full-scale square wave
	Clipped bool    // two or more samples in a row at full scale
	Ringing bool    // a ring is being followed of which nothing was told yet
}

// Room is the sound before anybody taps.
type Room struct {
	Samples []float64
	RMSDB   float64 // dB re full scale
	Silent  bool    // every sample is the same: no microphone is that quiet
}

// Cut is a stretch of a stream in which something was struck: up to a second of quiet,
// then the strike and its ring.
type Cut struct {
	Recording Recording
	Onset     int   // about where the strike lies in Recording
	Pos       int64 // about where it lies in the stream
	Joined    bool  // the quiet is an earlier one, not what came just before the strike
	Lost      int   // samples lost inside
	Flags     Flags
	PeakDB    float64
	Next      bool // another strike ended the ring
	More      bool // the ring goes on: it comes once more, as Rest, when it is over
	Rest      bool // the cut before once more, with all of its ring
}

// RingS is how much of the ring is in the cut, s.
func (c Cut) RingS() float64 {
	return float64(len(c.Recording.Tracks[0])-c.Onset) / c.Recording.Rate
}

// Whole tells whether no sound is known to be missing in the cut.
func (c Cut) Whole() bool { return c.Lost == 0 && c.Flags == 0 }

// Listener watches a stream and cuts the taps out of it. What it finds depends on the
// samples alone, never on the sizes of the blocks in which they came, nor on a clock.
type Listener struct {
	OnRoom  func(Room)  // the first quiet second, or what there was of it before the first strike; again after exact silence
	OnLevel func(Level) // 20 times per second
	// OnCut comes as soon as enough of a ring was heard to judge it, and where it rings
	// on once more, with Rest, when all of it was heard.
	OnCut func(Cut)

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
	spectra [][]float32 // the latest
	still   [][]float32 // the latest without the ends of long rings: the usual among them is noise
	seen    int         // spectra so far
	noise   []float32   // mean by frequency

	quiet    []float64 // the latest quiet second
	quietRun int       // spectra of quiet in a row, until now
	awake    bool      // anything but exact silence was heard
	roomTold bool
	ring     *ringing
	seam     int // spectra to come across a gap, whose click is no strike
}

type loss struct {
	at    int // first sample after it
	lost  int
	flags Flags
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
	l.buf = make([]float64, 0, l.samples(listenLimits.KeepS)+l.hop*l.every)
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

// Finish ends the ring that is being followed here and now, and tells whether there was
// one of which nothing had been told yet.
func (l *Listener) Finish() bool {
	if l.ring == nil {
		return false
	}
	told := l.ring.told
	l.cut(l.base+len(l.buf), false)
	return !told
}

// Ringing tells whether a ring is being followed.
func (l *Listener) Ringing() bool { return l.ring != nil }

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
	if m.n >= l.samples(listenLimits.MeterS) {
		if l.OnLevel != nil {
			l.OnLevel(Level{l.pos(l.base + len(l.buf)), dsp.Decibel(m.peak * m.peak), dsp.Decibel(m.sum / float64(m.n)), m.clipped, l.ring != nil && !l.ring.told})
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
	if !l.awake && slices.ContainsFunc(s, func(p float32) bool { return p > 0 }) {
		// Some microphones give exact silence at first, which tells nothing of the room.
		l.awake = true
		l.still, l.quiet, l.quietRun, l.roomTold = nil, nil, 0, false
	}
	struck := rise > onsetLimits.AlertDB
	l.spectra = kept(l.spectra, s, latestSpectra)
	if l.ring == nil || now < l.ring.onset+l.samples(ringLimits.EnoughS) {
		l.still = kept(l.still, s, l.hops(listenLimits.FloorS))
	}
	if l.seen++; l.seen%32 == 0 || l.seen == l.hops(listenLimits.SettleS) {
		l.learn()
	}
	if l.seen <= l.hops(listenLimits.SettleS) {
		l.quietRun++
		return
	}
	at := now - l.every*l.frame/2
	if l.ring != nil {
		l.follow(now, at, rise)
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
	if l.quietRun > l.hops(listenLimits.QuietS+listenLimits.LateS)+frameHops {
		// The latest hops are left out: a strike may be about to be noticed in them.
		end := len(l.buf) - l.samples(listenLimits.LateS)
		l.quiet = append(l.quiet[:0], l.buf[end-l.samples(listenLimits.QuietS):end]...)
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

// latestSpectra are those that a listener remembers whatever rings: for the flux, and for
// the mean of a ring.
const latestSpectra = 32

// kept is a list with one more spectrum, and without some of the first where that
// makes more than most.
func kept(list [][]float32, s []float32, most int) [][]float32 {
	if len(list) >= most {
		list = slices.Delete(list, 0, 8)
	}
	return append(list, s)
}

// learn takes the noise floor from the sound so far.
func (l *Listener) learn() {
	var some [][]float32
	for i := 0; i < len(l.still); i += max(len(l.still)/floorSpectra, 1) {
		some = append(some, l.still[i])
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
		if l.mean(k, 20) > listenLimits.UpTimes*float64(f) {
			return true
		}
	}
	return false
}

// tellRoom tells once what the quiet is like.
func (l *Listener) tellRoom() {
	if l.roomTold || l.OnRoom == nil || len(l.buf) == 0 {
		return
	}
	x := l.quiet
	if len(x) == 0 {
		end := max(len(l.buf)-l.samples(listenLimits.LateS), 1)
		x = l.buf[max(end-l.samples(listenLimits.QuietS), 0):end]
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
	if len(l.buf) < l.samples(listenLimits.KeepS) {
		return
	}
	drop := len(l.buf) - l.samples(listenLimits.QuietS+ringLimits.MostS+1)
	l.buf = append(l.buf[:0], l.buf[drop:]...)
	l.base += drop
	l.losses = slices.DeleteFunc(l.losses, func(x loss) bool { return x.at < l.base })
}
