// Package spectrum turns the taps of a recording into the measures of a ring:
// partials with frequency and decay, purity, evenness, drift and loudness.
//
// Every function is pure: samples in, values out. Frequencies are in hertz,
// times in seconds, amplitudes relative to full scale.
package spectrum

import (
	"encoding/json"
	"math"

	"ringstock/capture"
	"ringstock/spectrum/measure"
	"ringstock/spectrum/naming"
)

// Schema names the JSON document that `ringstock analyse` prints.
const Schema = "ringstock/analysis/1"

// Method names this way of getting from samples to measures. Values of different
// methods are never compared without saying so.
const Method = "ringstock-varpro/4"

// Family says which kind of motion a partial belongs to.
type Family = naming.Family

// The families of partials of a free bar.
const (
	Bending      = naming.Bending
	Longitudinal = naming.Longitudinal
	Torsion      = naming.Torsion
	Other        = naming.Other
)

// Partial is one decaying component of a ring.
type Partial struct {
	Hz           measure.Value `json:"hz" u:"hz_u"`
	Q            measure.Value `json:"q"` // Q = pi f tau
	TauS         measure.Value `json:"tau_s"`
	T60S         measure.Value `json:"t60_s"` // ln(1000) tau
	LogDecrement measure.Value `json:"log_decrement"`
	LossTangent  measure.Value `json:"loss_tangent"`
	LevelDB      measure.Value `json:"level_db"` // amplitude at the strike, relative to the fundamental
	Ratio        float64       `json:"ratio"`    // frequency relative to the fundamental
	Family       Family        `json:"family"`
	Order        int           `json:"order"` // 1 = lowest, 0 = unknown
	Plane        int           `json:"plane"` // 1 = the plane of the fundamental, 2 = the other one, 0 = unknown or none
	Taps         int           `json:"taps"`  // in how many taps it was found
}

// Stray is an interfering note: a decaying component that is none of the bar's own modes.
type Stray struct {
	Hz      float64 `json:"hz"`
	LevelDB float64 `json:"level_db"` // energy relative to the fundamental
}

// Beat describes the close pair in the fundamental.
type Beat struct {
	Hz      float64 `json:"hz"`       // distance of the two lines
	DepthDB float64 `json:"depth_db"` // swing of the envelope between its crests and hollows
}

// Room is what the sound tells of the room.
type Room struct {
	T60S   measure.Value `json:"t60_s"`  // reverberation time about the fundamental
	Limits bool          `json:"limits"` // whether the room, not the wood, sets how well the fundamental's Q is known
}

// Ring is what one tap, or all accepted taps of a blank together, say about the wood's
// ring.
type Ring struct {
	Method          string        `json:"method"`
	TapsUsed        int           `json:"taps_used"`
	Fundamental     Partial       `json:"fundamental"`
	FundamentalFrom string        `json:"fundamental_from"` // "peak" or "series"
	Partials        []Partial     `json:"partials"`
	PurityPct       measure.Value `json:"purity_pct" u:"purity_u_pct"`
	FundamentalPct  measure.Value `json:"fundamental_pct" u:"fundamental_u_pct"`
	Stray           []Stray       `json:"stray"`
	Beat            *Beat         `json:"beat"`
	UnevennessPct   measure.Value `json:"unevenness_pct" u:"unevenness_u_pct"`
	DriftCents      measure.Value `json:"drift_cents" u:"drift_u_cents"`
	Room            Room          `json:"room"`
	LoudnessDB      measure.Value `json:"loudness_db" u:"loudness_u_db"`
	SNRDB           measure.Value `json:"snr_db" u:"-"`
	HumHz           []float64     `json:"hum_hz"`
}

// TapResult is one tap as the analysis saw it.
type TapResult struct {
	AtS      float64        `json:"at_s"` // onset, seconds from the start of the recording
	Accepted bool           `json:"accepted"`
	Reason   capture.Reason `json:"reason"`
	Ring     *Ring          `json:"ring"`
}

// Analysis is everything learnt from one recording.
type Analysis struct {
	File         string           `json:"file"`
	SampleRateHz float64          `json:"sample_rate_hz"`
	Channels     int              `json:"channels"`
	Channel      int              `json:"channel"` // the one used, counted from 1
	DurationS    float64          `json:"duration_s"`
	Warnings     capture.Warnings `json:"warnings" codes:"warning_codes"` // never nil
	Taps         []TapResult      `json:"taps"`                           // never nil
	Ring         *Ring            `json:"ring"`
	Error        *Failure         `json:"error"`
}

// Strike says how the bar was tapped, which decides what its fundamental is.
type Strike int

// The ways to tap a blank.
const (
	SideTap Strike = iota // on a face: the fundamental is the lowest bending mode
	EndTap                // on the end grain: the fundamental is the lowest longitudinal mode
)

// Failure says why a recording gives no ring. In JSON it is its text.
type Failure struct {
	Code FailureCode
	Text string // plain words: what was found and what to do
}

// FailureCode is the stable name of a failure.
type FailureCode string

// Why a recording gives no ring.
const (
	Unreadable  FailureCode = "unreadable"    // the sound could not be read at all
	Silent      FailureCode = "silent"        // it is exact digital silence
	NoTap       FailureCode = "no tap"        // no strike stands out
	NoRing      FailureCode = "no ring"       // nothing rings after the taps
	NoUsableTap FailureCode = "no usable tap" // every tap was refused
)

// Unread is the analysis of a recording that could not be read, and why.
func Unread(file string, why string) Analysis {
	return Analysis{File: file, Warnings: capture.Warnings{}, Taps: []TapResult{}, Error: &Failure{Unreadable, why}}
}

func (f *Failure) Error() string                { return f.Text }
func (f *Failure) MarshalJSON() ([]byte, error) { return json.Marshal(f.Text) }
func (f *Failure) UnmarshalJSON(b []byte) error { return json.Unmarshal(b, &f.Text) }

func (a Analysis) MarshalJSON() ([]byte, error)  { return measure.Marshal(a) }
func (a *Analysis) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, a) }

// Expected is what is known of a note before it is heard: the pitch, and its relative
// standard uncertainty. The zero value knows nothing.
type Expected struct{ Hz, Rel float64 }

func (p Partial) MarshalJSON() ([]byte, error)  { return measure.Marshal(p) }
func (p *Partial) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, p) }
func (r Room) MarshalJSON() ([]byte, error)     { return measure.Marshal(r) }
func (r *Room) UnmarshalJSON(b []byte) error    { return measure.Unmarshal(b, r) }
func (r Ring) MarshalJSON() ([]byte, error)     { return measure.Marshal(r) }
func (r *Ring) UnmarshalJSON(b []byte) error    { return measure.Unmarshal(b, r) }

// setDecay gives the partial everything that follows from its Q (small damping, one
// mode): tau = Q/(pi f), T60 = ln(1000) tau, log decrement = pi/Q, loss tangent = 1/Q.
func (p *Partial) setDecay(q measure.Value) {
	p.Q = q
	if !q.Known() {
		p.TauS, p.T60S, p.LogDecrement, p.LossTangent = q, q, q, q
		return
	}
	tau := q.X / (math.Pi * p.Hz.X)
	of := func(x float64) measure.Value { return measure.Of(x, x*q.Rel()) }
	p.TauS, p.T60S = of(tau), of(math.Log(1000)*tau)
	p.LogDecrement, p.LossTangent = of(math.Pi/q.X), of(1/q.X)
}
