// Package session turns listening into a delivery folder: each good tap becomes a
// recording with its circumstances beside it, each blank a row of delivery.csv.
// At every moment the folder can be graded, and a session that was broken off
// goes on where it stopped.
//
// A tap is on the disk, whole and named in the table, before anybody is told that it is
// good.
package session

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"time"

	"ringstock/capture"
	"ringstock/capture/dsp"
	"ringstock/capture/room"
	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Settings say how a session is to run.
type Settings struct {
	Folder    string
	Blank     string  // to begin with; empty: where the folder leaves off
	Side      Side    // tapped first
	Taps      int     // good taps that make a blank
	Blanks    int     // stop after so many blanks; 0 = no limit
	Seconds   float64 // stop after so much sound; 0 = no limit
	HandsFree bool    // go on to the next blank by itself
	Profile   grading.Profile
	Device    Device
	Air       Air
	Striker   string
	Live      bool // the sound comes from a microphone, which is never exactly silent
	Curves    bool // draw the decay of each tap
	Now       func() time.Time
}

// Device is where the sound comes from.
type Device struct {
	Name    string `json:"device"`
	HostAPI string `json:"host_api"`
	// OwnRateHz is the device's own sampling rate; 0 of a recording.
	OwnRateHz float64 `json:"device_rate_hz,omitempty"`
	// Doubts that the device may change the sound on its way.
	Doubts []string `json:"device_doubts,omitempty"`
}

// Air is that of the room; nil if nobody measured it.
type Air struct {
	TemperatureC *float64 `json:"temperature_c"`
	HumidityPct  *float64 `json:"humidity_pct"`
}

// Side is where a blank is tapped.
type Side string

// The sides.
const (
	Face  Side = "side"  // bending in the height plane
	Width Side = "width" // the other face
	End   Side = "end"   // the end grain
)

// column is where delivery.csv names the recordings of a side.
func (s Side) column() string {
	switch s {
	case Width:
		return "width_file"
	case End:
		return "end_file"
	}
	return "file"
}

func (s Side) strike() spectrum.Strike {
	if s == End {
		return spectrum.EndTap
	}
	return spectrum.SideTap
}

// Event is what a session tells while it runs: RoomHeard, LevelHeard, TapHeard,
// TapsDropped, BlankChosen, BlankDone, HasEnough, Entered or Notice.
type Event any

// RoomHeard comes once, after the first quiet second.
type RoomHeard struct {
	capture.Room
	HumHz []float64 // mains lines that stand out of the noise
}

// LevelHeard comes 20 times per second.
type LevelHeard struct{ capture.Level }

// TapHeard tells of every strike.
type TapHeard struct {
	Blank  string
	Side   Side
	Good   bool
	Asked  bool                // it does not sound like a blank, and counts only if CountIt says so
	Why    string              // what was wrong, and what to do
	File   string              // of a good tap
	Ring   *spectrum.Ring      // of this tap
	Curves [2][]spectrum.Point // level of the fundamental in dB over s after the strike, and the fit
	Count  int                 // good taps of this side so far
	Of     int
	Judged grading.Blank // of the blank so far
}

// TapWhole tells that the rest of a good tap's ring was heard, and what is known with it.
type TapWhole struct {
	Blank  string
	Side   Side
	File   string
	Ring   *spectrum.Ring
	Curves [2][]spectrum.Point
	Judged grading.Blank
}

// BlankChosen tells which blank is to be tapped now.
type BlankChosen struct {
	Blank string
	Side  Side
	Count int // good taps it has already
	Of    int
	Quiet bool // the room is to be heard first: not yet
}

// BlankDone tells that a blank has all its taps.
type BlankDone struct{ Judged grading.Blank }

// TapsDropped tells that good taps were taken back, before BlankChosen.
type TapsDropped struct{ Judged grading.Blank } // the blank without them

// HasEnough tells that a blank has all its taps from an earlier session.
type HasEnough struct {
	Blank string
	Of    int
}

// Notice is anything else worth telling.
type Notice struct{ Text string }

// ErrSilent says that a microphone gives the same sample for ever.
var ErrSilent = errors.New("the microphone gives exact digital silence: it is muted or not permitted; " +
	"allow it for the terminal program in the system's privacy settings, or choose another with --device")

// Session is a session at a folder.
type Session struct {
	Settings
	table    *grading.Amended
	tap      map[string]map[Side][]tapped // of each blank, that were heard or found
	order    []string                     // blanks tapped in this session
	refused  map[string]int
	odd      []tapped // the latest taps in a row, good but far from those before
	asked    *tapped  // the latest that does not sound like a blank
	latest   *place   // of the latest good tap, whose ring may go on
	waits    *place   // of a tap whose ring tells too little until it is over
	notes    map[Side][]float64
	altered  bool // it was told that the device alters the sound
	bent     int  // taps whose sound the device altered, before it was told
	unheard  int  // the latest taps in a row that are blamed on the hands
	recent   recent
	weak     bool // it was told that the microphone's low end is weak
	quit     bool
	hears    bool   // the room was heard
	doubted  string // what was typed last and asked back
	blank    string
	side     Side
	began    time.Time
	rate     float64
	noiseDB  float64
	finished int
	over     bool
	failed   error
	tell     func(Event)
	judged   map[string]grading.Blank
	unread   []string // taps of earlier sessions that can't be read any more, and why
}

// tapped is a good tap.
type tapped struct {
	file   string
	take   capture.Take
	heard  spectrum.Analysis
	record record
	power  float64 // of its ring's beginning; 0 if it was heard in an earlier session
	ringS  float64 // of its ring that is in the file; likewise
}

// Open makes the folder if need be, takes up what a broken-off session left in it, and
// chooses the blank to begin with.
func Open(set Settings) (*Session, error) {
	s := &Session{Settings: set, tap: map[string]map[Side][]tapped{}, refused: map[string]int{}, judged: map[string]grading.Blank{},
		notes: map[Side][]float64{}, side: set.Side, tell: func(Event) {}}
	if s.side == "" {
		s.side = Face
	}
	if err := os.MkdirAll(set.Folder, 0o777); err != nil {
		return nil, fmt.Errorf("the folder can't be made: %w", err)
	}
	if err := s.takeUp(); err != nil {
		return nil, err
	}
	s.began = set.Now()
	return s, nil
}

// Run listens until the source ends, the work is done, or it is told to stop. Commands
// may come at any time; nil is a channel that never brings any.
func (s *Session) Run(ctx context.Context, src capture.Source, commands <-chan Command, tell func(Event)) error {
	s.tell, s.rate, s.hears = tell, src.Rate(), false
	l := capture.NewListener(src.Rate(), s.Device.Name)
	l.OnRoom = s.room
	l.OnLevel = func(v capture.Level) { s.tell(LevelHeard{v}) }
	l.OnCut = s.cut
	s.announceBlank()
	for _, text := range s.unread {
		s.tell(Notice{text})
	}
	if s.complete() {
		return s.failed
	}
	in := intake{l: l, live: s.Live, rate: s.rate, tell: func(text string) { s.tell(Notice{text}) }}
	var b capture.Block
	for s.failed == nil && (!s.over || s.rings(l)) {
		select {
		case <-ctx.Done():
			s.over = true // nothing new counts
			l.Finish()
			return ctx.Err()
		case c := <-commands:
			s.obey(c, l)
			continue
		default:
		}
		err := src.Read(&b)
		if err != nil {
			l.End()
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return errors.Join(s.failed, err)
		}
		s.recent.add(b, s.rate)
		if err := in.hear(b); err != nil {
			return err
		}
		if s.Seconds > 0 && float64(in.heard) >= s.Seconds*s.rate {
			l.End()
			return s.failed
		}
	}
	return s.failed
}

// rings tells whether the ring of the last good tap still goes on.
func (s *Session) rings(l *capture.Listener) bool {
	return !s.quit && (s.latest != nil || s.waits != nil) && l.Ringing()
}

func (s *Session) room(r capture.Room) {
	s.noiseDB = r.RMSDB
	s.tell(RoomHeard{r, room.Hum(r.Samples, s.rate)})
	s.hears = true
	if !s.over {
		s.announceBlank()
	}
}

// cut judges what was cut out of the stream.
func (s *Session) cut(c capture.Cut) {
	waited := s.waits
	s.waits = nil
	switch {
	case !c.Rest:
	case waited == nil:
		if s.failed == nil {
			s.failed = s.lengthen(c)
		}
		return
	case waited.blank != s.blank || waited.side != s.side: // somebody went on meanwhile
		return
	}
	s.latest = nil
	if s.over || s.failed != nil {
		return
	}
	t := TapHeard{Blank: s.blank, Side: s.side, Of: s.Taps}
	good := s.judgeCut(c, &t)
	if s.waits != nil {
		return
	}
	if good != nil {
		s.count(good, &t)
	}
	if s.failed != nil {
		return
	}
	t.Count = len(s.tap[s.blank][s.side])
	switch {
	case t.Good:
		s.tell(t)
		s.complete()
	case t.Asked:
		s.tell(t)
	case t.Why != "":
		s.refused[s.blank]++
		s.tell(t)
	}
}

// judgeCut returns the tap of a cut if it counts; else t says why not, or nothing where
// it was no tap. Where more of its ring may tell what its beginning does not, the session
// waits for it.
func (s *Session) judgeCut(c capture.Cut, t *TapHeard) *tapped {
	if !c.Whole() {
		t.Why = lossText(c)
		return nil
	}
	take, heard, result := analyse(c, s.side.strike())
	if result == nil {
		return nil // a noise, but no tap
	}
	if c.More && tooLittle(result, heard.Ring) {
		s.waits = &place{blank: s.blank, side: s.side}
		return nil
	}
	s.watchDevice(heard)
	good := tapped{take: take, heard: heard, record: s.record(c, heard), ringS: c.RingS()}
	if result.Accepted && heard.Ring != nil {
		good.power = power(take, heard)
		if s.echo(&good) {
			return nil
		}
		t.Why = vague(heard.Ring)
		if t.Why != "" {
			t.Why = s.blameHands(cmp.Or(s.dull(heard.Ring), t.Why))
		}
	} else {
		switch t.Why = advice(result.Reason); result.Reason {
		case capture.Accepted:
			t.Why = s.blameHands(t.Why)
		case capture.Clipped:
		default:
			t.Why = s.blame(t.Why)
		}
	}
	if t.Why != "" {
		return nil
	}
	if why := s.unlike(heard.Ring); why != "" {
		s.asked, t.Asked, t.Why = &good, true, why
		return nil
	}
	if t.Why = s.otherwise(&good); t.Why != "" {
		return nil
	}
	return &good
}

// count puts a good tap on the disk and tells what the blank is with it.
func (s *Session) count(good *tapped, t *TapHeard) {
	if s.failed == nil {
		s.failed = s.keep(good)
	}
	if s.failed != nil {
		return
	}
	s.asked, s.unheard = nil, 0
	s.notes[s.side] = append(s.notes[s.side], good.heard.Ring.Fundamental.Hz.X)
	s.latest = &place{s.blank, s.side, good.file, good.ringS}
	t.Good, t.Asked, t.Why, t.File, t.Ring = true, false, "", good.file, good.heard.Ring
	t.Curves = s.curves(good.take, good.heard)
	t.Judged = s.judge(s.blank)
	s.tellWeakLow()
}

// tellWeakLow tells once that the fundamental lies too far under its series
// for a whole low end.
func (s *Session) tellWeakLow() {
	// None of 12 synthetic blanks reached this; behind a low end that takes 24 dB of the
	// fundamental 11 of 12 did.
	const taps, most = 3, 18.0 // dB
	list := s.tap[s.blank][Face]
	if s.weak || s.side != Face || len(list) < taps {
		return
	}
	least := math.Inf(1)
	for _, t := range list[len(list)-taps:] {
		above := math.Inf(-1)
		for _, p := range t.heard.Ring.Partials {
			if p.Family == spectrum.Bending && p.Order > 1 && p.LevelDB.Known() {
				above = math.Max(above, p.LevelDB.X)
			}
		}
		least = math.Min(least, above)
	}
	if least > most {
		s.weak = true
		s.tell(Notice{fmt.Sprintf("the fundamental lies %.0f dB under its higher notes: the microphone's low end is weak, or it stands at a node; its sustain is less certain so. Use a USB or measuring microphone if you can; \"ringstock check\" measures it", least)})
	}
}

// curves draws the decay of a tap, where that is wanted.
func (s *Session) curves(take capture.Take, heard spectrum.Analysis) (c [2][]spectrum.Point) {
	if s.Curves {
		if p, ok := spectrum.Draw(take, heard); ok {
			c = [2][]spectrum.Point{p.Decay, p.Fit}
		}
	}
	return c
}

// place is where a good tap is kept.
type place struct {
	blank string
	side  Side
	file  string
	ringS float64 // of its ring that is in the file
}

// longerRing is how many times longer a whole ring must be than its
// beginning to be looked at.
const longerRing = 1.1

// tooLittle tells whether a ring is refused for what more of it may tell.
func tooLittle(result *spectrum.TapResult, r *spectrum.Ring) bool {
	switch result.Reason {
	case capture.Accepted:
		return r == nil || vague(r) != ""
	case capture.TooQuiet, capture.CutShort:
		return true
	}
	return false
}

// lengthen puts the whole ring of the latest good tap in the place of its beginning.
func (s *Session) lengthen(c capture.Cut) error {
	at := s.latest
	if s.latest = nil; at == nil || !c.Whole() || c.RingS() < longerRing*at.ringS {
		return nil
	}
	list := s.tap[at.blank][at.side]
	i := slices.IndexFunc(list, func(t tapped) bool { return t.file == at.file })
	if i < 0 {
		return nil
	}
	take, heard, result := analyse(c, at.side.strike())
	if result == nil || !result.Accepted || heard.Ring == nil || vague(heard.Ring) != "" {
		return nil // somebody spoke into the end of it: its beginning is what counts
	}
	t := tapped{file: at.file, take: take, heard: heard, record: list[i].record, power: list[i].power}
	if !tellsMore(heard, list[i].heard) {
		return nil
	}
	t.record.Ring = heard.Ring
	if err := s.save(&t); err != nil {
		return err
	}
	t.take = capture.Take{}
	list[i] = t
	s.tell(TapWhole{at.blank, at.side, at.file, heard.Ring, s.curves(take, heard), s.judge(at.blank)})
	return nil
}

// tellsMore tells whether a whole ring is worth more than its beginning: the
// two agree, and it knows Q better. A blank that was put down after the verdict
// was damped by a hand.
func tellsMore(whole, begun spectrum.Analysis) bool {
	const agree = 2.5 // standard uncertainties of the beginning, which holds part of the same sound
	if slices.ContainsFunc(whole.Warnings, func(w capture.Warning) bool { return w.Code == spectrum.Altered }) {
		return false
	}
	now, was := whole.Ring.Fundamental, begun.Ring.Fundamental
	if !now.Q.Known() || !was.Q.Known() {
		return now.Q.Known()
	}
	return now.Q.U < was.Q.U && math.Abs(now.Q.X-was.Q.X) <= agree*was.Q.U && math.Abs(now.Hz.X-was.Hz.X) <= agree*math.Max(was.Hz.U, 1e-4*was.Hz.X)
}

func lossText(c capture.Cut) string {
	const way = "close other programs, or plug the laptop in"
	switch {
	case c.Flags&capture.Gap != 0:
		return "again: the computer slept or stood still during the tap; " + way
	case c.Lost == 0:
		return "again: the device lost sound during the tap; " + way
	}
	return fmt.Sprintf("again: sound was lost during the tap (%d samples); %s", c.Lost, way)
}

// vague tells what to do about a ring whose Q is not known well enough. A tap that knows
// it no better adds nothing; one without any may be that of a dull blank, whose decay is
// lost in the room's echo, but then its note is clear.
func vague(r *spectrum.Ring) string {
	const vagueQ, vagueHz = 0.25, 0.001
	switch f := r.Fundamental; {
	case f.Q.Known() && f.Q.Rel() > vagueQ && r.Room.Limits:
		return "again: the room rings on beside the wood; bring the microphone to 5-15 cm, or go to another corner"
	case f.Q.Known() && f.Q.Rel() > vagueQ:
		return advice(capture.Disturbed)
	case !f.Q.Known() && (f.Q.Is(spectrum.LostInNoise) || f.Hz.Rel() > vagueHz):
		return advice("")
	}
	return ""
}

// dull tells of a ring that is too short for its Q to be known that those before it were
// longer; empty if they were not.
func (s *Session) dull(r *spectrum.Ring) string {
	list := s.tap[s.blank][s.side]
	if len(list) == 0 || r.Fundamental.Q.Known() || r.Fundamental.Q.Is(spectrum.LostInNoise) {
		return ""
	}
	was := list[len(list)-1].heard.Ring.Fundamental.Q
	if !was.Known() {
		return ""
	}
	return fmt.Sprintf("again: far from the sustain before (too short to be told from the room's echo, Q was %.0f); hold the blank at its nodes, and wait until nobody speaks", was.X)
}

// analyse hears a cut as a file would be heard. It returns the tap for which it
// was cut out, or nil if there is none. If a voice or another strike follows in
// it, the cut ends before.
func analyse(c capture.Cut, strike spectrum.Strike) (capture.Take, spectrum.Analysis, *spectrum.TapResult) {
	rec := quantised(c.Recording)
	take := capture.FindTaps(rec)
	for i, t := range take.Taps {
		if math.Abs(float64(t.Onset-c.Onset)) > 0.4*rec.Rate {
			if t.Onset < c.Onset {
				continue
			}
			break
		}
		if i+1 < len(take.Taps) {
			end := take.Taps[i+1].Onset - int(0.02*rec.Rate)
			rec.Tracks = [][]float64{rec.Tracks[0][:end]}
			take = capture.FindTaps(rec)
		}
		a := spectrum.Analyse(take, strike)
		for j, r := range a.Taps {
			if math.Abs(r.AtS*rec.Rate-float64(t.Onset)) < 0.05*rec.Rate {
				return take, a, &a.Taps[j]
			}
		}
		return take, a, nil
	}
	return take, spectrum.Analysis{}, nil
}

// quantised is the recording as its file will hold it, so that live and from the file the
// very same is heard.
func quantised(rec capture.Recording) capture.Recording {
	const full = 1 << 23
	x := slices.Clone(rec.Tracks[0])
	for i, v := range x {
		x[i] = min(max(math.RoundToEven(v*full), -full), full-1) / full
	}
	rec.Tracks, rec.Bits = [][]float64{x}, 24
	return rec
}

func advice(r capture.Reason) string {
	switch r {
	case capture.Clipped:
		return "again: clipped; turn the input level down, tap more softly, or move the microphone away"
	case capture.DoubleStrike:
		return "again: double strike; let the mallet bounce off freely"
	case capture.TooQuiet:
		return "again: too quiet; tap harder, or bring the microphone to 5-15 cm"
	case capture.CutShort:
		return "again: cut short; let the ring die before the next tap"
	case capture.Disturbed:
		return "again: disturbed; wait until nobody speaks"
	}
	return "again: no ring stands out of the noise for long enough; hold the blank at its nodes, and bring the microphone to 5-15 cm"
}

// echo tells whether what was taken for a tap is the ring of the one before it, into
// which somebody spoke: the fundamental did not start anew.
func (s *Session) echo(t *tapped) bool {
	list := s.tap[s.blank][s.side]
	if len(list) == 0 {
		return false
	}
	const anew, faint = 2.5, 160 // energy over what is left of the ring before; that tap's over this
	last := list[len(list)-1]
	tau := last.heard.Ring.Fundamental.TauS
	passed := t.record.AtS - last.record.AtS
	if last.power == 0 || passed < 0 || !tau.Known() {
		return false
	}
	left := last.power * math.Exp(-2*passed/tau.X)
	return t.power < anew*left || t.power < last.power/faint
}

// power is that of the octave about the fundamental, in the fifth of a second
// after the blow has died.
func power(take capture.Take, a spectrum.Analysis) float64 {
	const skip, long = 0.03, 0.2 // s
	if len(take.Taps) == 0 {
		return 0
	}
	hz := a.Ring.Fundamental.Hz.X
	from := take.Taps[0].Onset + int(skip*take.Rate)
	to := min(from+int(long*take.Rate), len(take.Samples))
	if from >= to {
		return 0
	}
	return dsp.BandEnergy(take.Samples[from:to], take.Rate, [2]float64{hz / math.Sqrt2, hz * math.Sqrt2}, to-from)[0]
}

// odd tells in what a tap is far from another one of the same blank and side: a voice, a
// hand, another blank.
func odd(t, before *tapped) string { return cmp.Or(oddNote(t, before), oddDecay(t, before)) }

// far tells whether two values differ by more than their uncertainties, and an
// allowance, explain.
func far(a, b measure.Value, most, sigmas float64) bool {
	return a.Known() && b.Known() && math.Abs(a.X-b.X) > most+sigmas*math.Hypot(a.U, b.U)
}

func oddNote(t, before *tapped) string {
	hz, was := t.heard.Ring.Fundamental.Hz, before.heard.Ring.Fundamental.Hz
	if far(hz, was, 0.004*was.X, 5) {
		return fmt.Sprintf("again: another note (%.1f Hz) than before (%.1f Hz); is it the same blank, tapped on the same face?", hz.X, was.X)
	}
	return ""
}

func oddDecay(t, before *tapped) string {
	now, was := t.heard.Ring, before.heard.Ring
	q, qWas := now.Fundamental.Q, was.Fundamental.Q
	switch {
	case far(q, qWas, 0, 4) && min(q.X, qWas.X) < max(q.X, qWas.X)/2:
		return fmt.Sprintf("again: far from the sustain before (Q %.0f, was %.0f); hold the blank at its nodes, and wait until nobody speaks", q.X, qWas.X)
	case far(now.PurityPct, was.PurityPct, 30, 2):
		return fmt.Sprintf("again: far from the purity before (%.0f %%, was %.0f %%); wait until nobody speaks", now.PurityPct.X, was.PurityPct.X)
	}
	return ""
}

// otherwise tells what to do about a tap that is far from the taps before it.
// When more taps in a row agree with one another than there were before, those
// before it are taken out.
func (s *Session) otherwise(t *tapped) string {
	list := s.tap[s.blank][s.side]
	if len(list) == 0 {
		s.odd = nil
		return ""
	}
	before := &list[len(list)-1]
	why := cmp.Or(oddNote(t, before), s.blameHands(oddDecay(t, before)))
	if why == "" {
		s.odd = nil
		return ""
	}
	if len(s.odd) > 0 && odd(t, &s.odd[0]) != "" {
		s.odd = nil
	}
	if len(s.odd)+1 <= len(list) {
		s.odd = append(s.odd, *t)
		return why
	}
	for range list {
		if s.failed = s.drop(); s.failed != nil {
			return ""
		}
	}
	for i := range s.odd {
		if s.failed = s.keep(&s.odd[i]); s.failed != nil {
			return ""
		}
	}
	s.tell(Notice{fmt.Sprintf("the first taps of blank %s (%d) were otherwise than those since (%d): they were taken out, and these count",
		s.blank, len(list), len(s.odd)+1)})
	s.odd = nil
	return ""
}

// complete goes on when the blank has all its taps. It tells whether the session is over.
func (s *Session) complete() bool {
	n := len(s.tap[s.blank][s.side])
	if s.Taps <= 0 || n < s.Taps { // with none wanted, one goes on by hand
		return s.over
	}
	if _, now := s.judged[s.blank]; !now {
		s.tell(HasEnough{s.blank, s.Taps})
		if s.HandsFree {
			s.choose(s.next())
		} else {
			s.over = s.Blanks > 0
		}
		return s.over
	}
	if n > s.Taps { // one more for good measure
		return s.over
	}
	s.finished++
	s.tell(BlankDone{s.judged[s.blank]})
	switch {
	case s.Blanks > 0 && s.finished >= s.Blanks:
		s.over = true
	case s.HandsFree:
		s.choose(s.next())
	}
	return s.over
}

// choose turns to a blank.
func (s *Session) choose(blank string) {
	s.blank, s.odd, s.asked = blank, nil, nil
	s.announceBlank()
}

func (s *Session) announceBlank() {
	s.tell(BlankChosen{s.blank, s.side, len(s.tap[s.blank][s.side]), s.Taps, !s.hears})
}

// judge says what is known of a blank so far.
func (s *Session) judge(blank string) grading.Blank {
	row := s.row(blank)
	list := func(side Side) (as []spectrum.Analysis) {
		for _, t := range s.tap[blank][side] {
			as = append(as, t.heard)
		}
		return as
	}
	b := grading.Judge(s.Profile, row, grading.Heard{Side: list(Face), Width: list(Width), End: list(End)})
	s.judged[blank] = b
	if !slices.Contains(s.order, blank) {
		s.order = append(s.order, blank)
	}
	return b
}

// Summary is what came of a session.
type Summary struct {
	Blanks  []grading.Blank // tapped in this session, by rank
	Refused map[string]int  // taps of each blank that could not be used
	Short   []string        // blanks with fewer good taps than wanted
}

// Summary of the session so far.
func (s *Session) Summary() Summary {
	sum := Summary{Refused: s.refused}
	for _, blank := range s.order {
		sum.Blanks = append(sum.Blanks, s.judged[blank])
		if len(s.tap[blank][s.Side]) < s.Taps {
			sum.Short = append(sum.Short, blank)
		}
	}
	grading.Rank(sum.Blanks)
	return sum
}

// Unread is the number of files of the folder that could not be used; a Notice names
// each.
func (s *Session) Unread() int { return len(s.unread) }

// Heard is the number of blanks that were tapped in this session, or were found complete.
func (s *Session) Heard() int {
	n := len(s.order)
	if n == 0 && len(s.tap[s.blank][s.side]) >= s.Taps {
		n = 1
	}
	return n
}
