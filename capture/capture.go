// Package capture turns sound from any source into taps: where each strike lies,
// where its ring ends, and whether it can be used.
package capture

import (
	"encoding/json"
	"math"
	"slices"

	"ringstock/capture/dsp"
)

// Recording is sound from one source, all channels.
type Recording struct {
	Source   string      // file name or device, for messages
	Rate     float64     // samples per second
	Tracks   [][]float64 // one slice per channel, equal lengths, full scale is +-1
	Bits     int         // resolution of integer samples; 0 for floating point
	Warnings []Warning
}

// Duration in seconds.
func (r Recording) Duration() float64 {
	if len(r.Tracks) == 0 || r.Rate <= 0 {
		return 0
	}
	return float64(len(r.Tracks[0])) / r.Rate
}

// Warning is a doubt that travels with the data it concerns. In JSON it is its text.
type Warning struct {
	Code string // stable short name, for programs
	Text string // plain words, for people: what was found and what to do
}

// Warnings are written to JSON as their texts; their codes stand beside, where
// measure.Marshal writes them.
type Warnings []Warning

// Codes are the codes of the warnings, in their order.
func (ws Warnings) Codes() []string {
	var codes []string
	for _, w := range ws {
		codes = append(codes, w.Code)
	}
	return codes
}

// SetCodes gives the warnings, read from their texts, the codes that stood beside.
func (ws Warnings) SetCodes(codes []string) {
	for i := range min(len(ws), len(codes)) {
		ws[i].Code = codes[i]
	}
}

func (w Warning) String() string               { return w.Text }
func (w Warning) MarshalJSON() ([]byte, error) { return json.Marshal(w.Text) }
func (w *Warning) UnmarshalJSON(b []byte) error {
	w.Code = ""
	return json.Unmarshal(b, &w.Text)
}

// Reason says why a tap was refused; the empty Reason means it was accepted.
type Reason string

// The reasons for which a tap is refused.
const (
	Accepted     Reason = ""
	Clipped      Reason = "clipped"
	DoubleStrike Reason = "double strike"
	TooQuiet     Reason = "too quiet"
	CutShort     Reason = "cut short"
	Disturbed    Reason = "disturbed"
)

// Span is a run of samples [From, To).
type Span struct{ From, To int }

// Len is the number of samples in the span.
func (s Span) Len() int { return s.To - s.From }

// Tap is one strike and the ring that follows it.
type Tap struct {
	Onset       int    // sample of the strike
	End         int    // one past the last sample of its ring: the next strike, or the end
	Reason      Reason // why it can't be used, or Accepted
	ClippedTill int    // one past the last clipped sample; 0 if none was clipped
}

// Take is the channel of a recording that will be analysed, with its taps.
type Take struct {
	Source   string
	Rate     float64 // samples per second
	Channels int     // of the recording
	Track    int     // index of the channel
	Samples  []float64
	Taps     []Tap
	Quiet    []Span // stretches without a ring: what is in them is noise and hum
	Warnings []Warning
	pyramid  dsp.Pyramid // the samples, at the lower rates that the search for taps made
}

// Decimate is the take at a lower rate, as dsp.Decimate makes it, with its taps
// and quiet stretches.
func (t Take) Decimate(want float64) Take {
	p := t.pyramid
	p.Samples, p.Rate = t.Samples, t.Rate
	p = p.Decimate(want)
	scale := p.Rate / t.Rate
	at := func(i int) int { return min(int(math.Round(float64(i)*scale)), len(p.Samples)) }
	out := t
	out.Samples, out.Rate, out.pyramid = p.Samples, p.Rate, p
	out.Taps, out.Quiet = slices.Clone(t.Taps), slices.Clone(t.Quiet)
	for i, tap := range out.Taps {
		out.Taps[i].Onset, out.Taps[i].End, out.Taps[i].ClippedTill = at(tap.Onset), at(tap.End), at(tap.ClippedTill)
	}
	for i, q := range out.Quiet {
		out.Quiet[i] = Span{at(q.From), at(q.To)}
	}
	return out
}
