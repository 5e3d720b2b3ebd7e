package spectrum

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"ringstock/capture"
)

// analysis is the state of one recording's way from taps to a ring.
type analysis struct {
	plans  plans
	take   capture.Take
	strike Strike
	taps   []capture.Tap // those that are used
	rings  []segment     // of each tap
	quiet  []segment
	view   view
}

// Analyse measures the ring of one recording: every accepted tap alone, and all together.
func Analyse(take capture.Take, strike Strike) Analysis {
	out := Analysis{
		File: take.Source, SampleRateHz: take.Rate, Channel: take.Track + 1,
		DurationS: float64(len(take.Samples)) / take.Rate,
		Warnings:  slices.Clone(take.Warnings), Taps: []TapResult{},
	}
	a := &analysis{plans: plans{}, take: take.Decimate(workRate), strike: strike}
	taps := a.take.Taps
	var joint *reading
	for range len(taps) + 1 { // a refused tap can have misled the joint fit: once more without it
		a.use(accepted(taps))
		if len(a.taps) == 0 {
			break
		}
		joint = a.read()
		if joint == nil {
			break
		}
		var again bool
		if taps, again = a.refuse(joint, taps); !again {
			break
		}
		if len(taps) > 0 { // what was taken for a strike before the first one had cut the quiet short
			if to := taps[0].Onset - int(0.02*a.take.Rate); len(a.take.Quiet) == 0 || to > 2*a.take.Quiet[0].To {
				a.take.Quiet = []capture.Span{{From: 0, To: max(to, 0)}}
			}
		}
		joint = nil
	}
	if clipped := sinceClipped(taps, a.take.Rate); joint == nil && len(clipped) > 0 {
		a.use(clipped)
		if joint = a.read(); joint != nil {
			joint.clipped()
			out.Warnings = append(out.Warnings, capture.Warning{Code: "clipped strikes", Text: "every tap is clipped at its strike; " +
				"pitch and decay are read from what follows; turn the input level down before the next recording"})
		}
	}
	read := map[int]*reading{} // by the end of its tap
	if joint != nil {
		ring := joint.ring()
		out.Ring = &ring
		out.Warnings = append(out.Warnings, a.altered(joint)...)
		for i, t := range a.taps {
			read[t.End] = joint.each[i]
		}
	}
	for _, t := range taps {
		r := TapResult{AtS: float64(t.Onset) / a.take.Rate, Accepted: t.Reason == capture.Accepted, Reason: t.Reason}
		if one := read[t.End]; one != nil {
			ring := one.ring()
			r.Ring = &ring
		}
		out.Taps = append(out.Taps, r)
	}
	if out.Ring == nil {
		out.Error = new(whyNoRing(taps, out.Warnings))
	}
	return out
}

// workRate is the least sampling rate at which rings are analysed; nothing that matters in a bar lies
// above 10 kHz, and a transform of half the length costs half.
const workRate = 22000

// Where a fundamental below blankHz is heard, a blank's six bending modes are all there is to fit: lookRate is
// enough to hear it, and blankRate to fit it.
const (
	blankHz   = 300
	lookRate  = 11000
	blankRate = 8000
)

func accepted(taps []capture.Tap) []capture.Tap {
	return slices.DeleteFunc(slices.Clone(taps), func(t capture.Tap) bool { return t.Reason != capture.Accepted })
}

// clippedS is how long a tap may be clipped so that what follows can still be used.
const clippedS = 0.02

// sinceClipped lists the rings of taps that were clipped for a short time only, from there on.
func sinceClipped(taps []capture.Tap, rate float64) (out []capture.Tap) {
	for _, t := range taps {
		if t.Reason == capture.Clipped && float64(t.ClippedTill-t.Onset) < clippedS*rate {
			t.Onset = t.ClippedTill
			out = append(out, t)
		}
	}
	return out
}

// clipped takes back what needs the strike itself.
func (r *reading) clipped() {
	r.loud = share{why: "the strike is clipped"}
	for _, one := range r.each {
		one.loud = r.loud
	}
}

// whyNoRing explains in plain words why a recording gives nothing, and what to do.
func whyNoRing(taps []capture.Tap, warnings []capture.Warning) string {
	if len(taps) == 0 {
		for _, w := range warnings {
			if w.Code == capture.Muted {
				return w.Text
			}
		}
		return "no tap was heard: the recording holds no strike that stands out of the noise; tap harder or bring the microphone nearer"
	}
	count := map[capture.Reason]int{}
	for _, t := range taps {
		count[t.Reason]++
	}
	if count[capture.Accepted] > 0 {
		return "no ring was found after the taps: nothing stands out of the noise for long enough; bring the microphone nearer (5-15 cm) and record again"
	}
	var parts []string
	for _, r := range []capture.Reason{capture.Clipped, capture.DoubleStrike, capture.TooQuiet, capture.CutShort, capture.Disturbed} {
		if count[r] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", count[r], r))
		}
	}
	return fmt.Sprintf("none of %d taps could be used (%s): record this blank again", len(taps), strings.Join(parts, ", "))
}

func (a *analysis) use(taps []capture.Tap) {
	a.taps = taps
	if len(taps) == 0 {
		return
	}
	heard, pace := a.take, paces[a.strike]
	heard.Taps = taps
	hum := humLines(heard)
	if a.strike == SideTap {
		if a.view = look(heard.Decimate(lookRate), pace, hum); a.view.soundsLow() {
			body := heard.Decimate(blankRate)
			a.view.top = 0.35 * body.Rate
			a.rings, a.quiet = cut(body, pace)
			return
		}
	}
	a.view = look(heard, pace, hum)
	a.rings, a.quiet = cut(heard, pace)
}

// reading is what was read of one tap or of several together: components, which of
// them is the fundamental, and the measures that need the sound itself.
type reading struct {
	parts       []part
	fundamental int // index in parts
	inferred    *inferred
	near        neighbourhood // of the fundamental, if that is heard itself
	taps        int
	joint       bool
	each        []*reading // the taps one by one
	hum         []float64
	noise       float64 // in the octave about the fundamental, full scale squared
	uneven      share
	drift, rest share
	loud        share
	early       share // how much less even the ring begins than it goes on, %: the room's answer fades
}

// share is a number with its sd, or why there is none.
type share struct {
	x, sd float64
	alike float64 // variance beyond that, as found, which all taps have alike; chance takes it below zero
	why   string
}

// part is a component with what it is in the bar.
type part struct {
	component
	family Family
	order  int
	plane  int
	own    bool // one of the bar's own modes
	echo   bool // what the room makes of a louder note beside it
}

// inferred is a fundamental that was not heard itself.
type inferred struct{ hz, sd float64 }

// read goes from the taps in use to a reading; nil if nothing rings.
func (a *analysis) read() *reading {
	cs := a.refine(a.view.peaks())
	if a.hearHum(cs) {
		cs = a.refine(a.view.peaks())
	}
	if len(cs) == 0 {
		return nil
	}
	r := &reading{taps: len(a.taps), joint: true, hum: a.view.hum}
	if a.strike == EndTap {
		i := longitudinal(cs)
		r.parts, r.fundamental = a.endFamilies(cs, i)
	} else {
		s, ok := findSeries(cs)
		if !ok {
			return nil
		}
		if s.member[0] < 0 {
			if c, found := a.lookFor(s.hz); found { // too weak for a peak, not for a fit
				cs = append(cs, c)
				slices.SortFunc(cs, func(x, y component) int { return cmp.Compare(x.hz, y.hz) })
				s, _ = findSeries(cs)
			}
		}
		r.parts, r.fundamental = families(cs, s)
		if s.member[0] < 0 {
			r.inferred = &inferred{s.hz, 0.01 * s.hz}
		}
	}
	a.settle(r)
	a.measure(r)
	return r
}

// hearHum moves lines on a multiple of 50 or 60 Hz that do not decay from the components to the
// hum: so it is known even where no quiet stretch told of it.
func (a *analysis) hearHum(cs []component) (any bool) {
	for _, c := range cs {
		if nearMains(c.hz) < humStrays && endless(c.alpha, c.sdAlpha) && c.hz < highestHum && !a.view.isHum(c.hz) {
			a.view.hum = append(a.view.hum, c.hz)
			any = true
		}
	}
	slices.Sort(a.view.hum)
	return any
}

// lookFor asks whether a line hides in the noise within 4 % of where a series wants its fundamental.
func (a *analysis) lookFor(hz float64) (component, bool) {
	h := a.around(hz)
	recs, which := h.records(h.skip(), max(h.until, 1))
	f := h.resolve(recs, nil, 1, false)
	if f == nil || len(f.Lines) == 0 {
		return component{}, false
	}
	c := h.components(f, recs, which)[0]
	return c, math.Abs(c.hz/hz-1) < 0.04 && c.q() > 20 && c.alpha > 0.02
}

// settle refits the fundamental with care, then reads every part tap by tap.
func (a *analysis) settle(r *reading) {
	for range a.taps {
		r.each = append(r.each, &reading{taps: 1, fundamental: r.fundamental, inferred: r.inferred, hum: r.hum})
	}
	if r.inferred == nil {
		r.near = a.around(r.parts[r.fundamental].hz)
		if fit, ok := fitRoom(r.near, r.parts, r.fundamental, paces[a.strike].waits); ok {
			r.adopt(fit.lines, fit.main)
			r.near = r.near.about(r.parts[r.fundamental].hz)
		}
	}
	for i := range r.parts {
		p := &r.parts[i]
		for t, one := range r.each {
			alone := *p
			alone.component = p.only(t)
			one.parts = append(one.parts, alone)
		}
		p.widen()
	}
}

// only is the component as a single tap has it: its own pitch and decay if it can tell them,
// and its own amplitude.
func (c component) only(tap int) component {
	one := c
	one.amp, one.snr, one.alone = c.amp[tap:tap+1], c.snr[tap:tap+1], nil
	if e := c.alone[tap]; e.sdAlpha > 0 && e.sdAlpha < 0.5*e.alpha && math.Abs(e.hz-c.hz) < 3 {
		one.hz, one.alpha, one.sdHz, one.sdAlpha = e.hz, e.alpha, e.sdHz, e.sdAlpha
	} else {
		one.sdAlpha = c.alpha // nothing of its own to say
	}
	return one
}

// widen brings the scatter between taps into a joint component's sd: what differs from
// tap to tap by more than the noise explains (Birge's ratio) is not noise alone.
func (p *part) widen() {
	var chiHz, chiAlpha, n float64
	for _, e := range p.alone {
		if e.sdAlpha > 0 && e.sdAlpha < 0.5*e.alpha {
			chiHz += (e.hz - p.hz) * (e.hz - p.hz) / (e.sdHz * e.sdHz)
			chiAlpha += (e.alpha - p.alpha) * (e.alpha - p.alpha) / (e.sdAlpha * e.sdAlpha)
			n++
		}
	}
	if n > 1 {
		p.sdHz *= math.Sqrt(max(1, chiHz/(n-1)))
		p.sdAlpha *= math.Sqrt(max(1, chiAlpha/(n-1)))
	}
}

// refuse marks taps that do not belong with the others, and drops what was no strike at all.
// It tells whether there was any.
func (a *analysis) refuse(r *reading, taps []capture.Tap) (kept []capture.Tap, any bool) {
	if r.inferred != nil {
		return taps, false
	}
	f := r.parts[r.fundamental]
	typical := median(f.amp)
	i, last := -1, -1
	for _, t := range taps {
		if t.Reason != capture.Accepted {
			if t.Reason != capture.Clipped && !a.rose(t, f.component, typical) {
				any = true // a voice: no ring began
				continue
			}
			kept = append(kept, t)
			continue
		}
		i++
		one := r.each[i].parts[r.fundamental].component
		ring := a.rings[i].ring
		left := 0.0
		if last >= 0 {
			left = f.amp[last] * math.Exp(-f.alpha*float64(t.Onset-a.taps[last].Onset)/a.take.Rate)
		}
		switch {
		case len(r.each) > 1 && (f.amp[i] < 0.08*typical || f.amp[i] < 1.6*left):
			// A voice or a door: the fundamental did not start anew. What came before it is
			// clean; if that is too little, the tap before goes on through it.
			if last >= 0 && a.rings[last].ring < 2.5*f.tau() {
				kept[len(kept)-1].End = t.End
			}
			any = true
			continue
		case f.snr[i] < quietSNR:
			t.Reason = capture.TooQuiet
		case ring < 0.3 && ring < 1.2*f.tau() && len(r.each) > 1:
			t.Reason = capture.CutShort
		case math.Abs(one.hz-f.hz) > 0.004*f.hz+5*one.sdHz && len(r.each) > 1:
			t.Reason = capture.Disturbed
		default:
			last = i
		}
		any = any || t.Reason != capture.Accepted
		kept = append(kept, t)
	}
	return kept, any
}

// rose tells whether a ring of the fundamental began with a tap that was refused for other reasons.
func (a *analysis) rose(t capture.Tap, f component, typical float64) bool {
	rate := a.take.Rate
	level := func(from, to int) float64 { // amplitude at the fundamental, under a Hann window
		from, to = max(from, 0), min(to, len(a.take.Samples))
		var sum complex128
		w := hann(max(to-from, 0))
		for i, v := range w {
			sum += complex(v*a.take.Samples[from+i], 0) * cmplx.Rect(1, -2*math.Pi*f.hz*float64(i)/rate)
		}
		return 4 * cmplx.Abs(sum) / float64(max(len(w), 1))
	}
	long := min(roseS, float64(t.End-t.Onset)/rate-firstSkipS)
	if long < roseS/3 {
		return true
	}
	n, skip := int(long*rate), int(firstSkipS*rate)
	after := level(t.Onset+skip, t.Onset+skip+n) * math.Exp(f.alpha*(firstSkipS+long/2))
	before := level(t.Onset-skip-n, t.Onset-skip) * math.Exp(-f.alpha*(firstSkipS+long/2))
	return after > 0.15*typical && after > 1.6*before
}

// roseS is the time over which rose compares before and after.
const roseS = 0.25

// quietSNR is the least energy of a tap's fundamental over the noise density: below it
// the decay's own sd, sqrt(2/SNR), is over 40 %.
const quietSNR = 12
