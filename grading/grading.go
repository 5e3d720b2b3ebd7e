// Package grading judges blanks: from the ring and the wood of each blank to a
// score with reasons, and from a delivery to its ranking.
package grading

import (
	"ringstock/capture"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Schema names the JSON document that `ringstock grade` prints.
const Schema = "ringstock/grading/1"

// Verdict is what to do with a blank.
type Verdict string

// The verdicts.
const (
	Keep   Verdict = "keep"
	Maybe  Verdict = "maybe"
	Leave  Verdict = "leave"
	Unread Verdict = "unread" // no accepted tap: nothing can be said
)

// Part is one property's share in the score.
type Part struct {
	Name         string        `json:"name"`
	Key          string        `json:"key"` // of its limits in the profile
	Value        measure.Value `json:"value" u:"u"`
	Unit         string        `json:"unit"`
	Desirability measure.Value `json:"desirability" u:"desirability_u"` // 0-1
	Weight       float64       `json:"weight"`                          // 0: shown, not judged
}

// Blank is one graded stick.
type Blank struct {
	Blank     string           `json:"blank"`
	Rank      int              `json:"rank"`
	RankLow   int              `json:"rank_low"` // 95 % interval of the rank
	RankHigh  int              `json:"rank_high"`
	Score     measure.Value    `json:"score"`     // 0-100
	ScoreLow  *float64         `json:"score_low"` // 95 % interval of the score; the order is by its lower end
	ScoreHigh *float64         `json:"score_high"`
	Verdict   Verdict          `json:"verdict"`
	Reasons   []string         `json:"reasons"`
	Parts     []Part           `json:"parts"`
	Ring      *spectrum.Ring   `json:"ring"`
	WidthRing *spectrum.Ring   `json:"width_ring"`
	EndRing   *spectrum.Ring   `json:"end_ring"`
	Wood      wood.Values      `json:"wood"`
	Missing   []string         `json:"missing"`
	Warnings  capture.Warnings `json:"warnings" codes:"warning_codes"`
	Suspect   []Suspect        `json:"suspect"` // entries that do not fit; at most a "maybe" with them
	Row       Row              `json:"row"`

	// What a blank that was read from JSON has not.
	scores []float32 // draws of the score
	own    int       // so many of Suspect are known of the blank alone, the others by the rest of the delivery
}

// Unused is an input that could not be used, and why.
type Unused struct {
	File   string `json:"file"`
	Reason string `json:"reason"`
	Row    int    `json:"row,omitempty"` // of the table, as a spreadsheet counts; none for a recording
	Column string `json:"column,omitempty"`
	Blank  string `json:"blank,omitempty"`
}

// Grading is a judged delivery.
type Grading struct {
	Schema    string   `json:"schema"`
	Method    string   `json:"method"`
	Delivery  string   `json:"delivery"`
	Profile   string   `json:"profile"`
	Settings  Profile  `json:"settings"`
	Qualified int      `json:"qualified"`
	Unused    []Unused `json:"unused"`
	Notes     []string `json:"notes"`  // what was assumed, and what looks odd, in plain words
	Blanks    []Blank  `json:"blanks"` // by rank; none if they are laid by: All has them either way

	laid *laid
}

func (p Part) MarshalJSON() ([]byte, error)   { return measure.Marshal(p) }
func (p *Part) UnmarshalJSON(b []byte) error  { return measure.Unmarshal(b, p) }
func (b Blank) MarshalJSON() ([]byte, error)  { return measure.Marshal(b) }
func (b *Blank) UnmarshalJSON(j []byte) error { return measure.Unmarshal(j, b) }
