package bench

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// What a page gets of the state: ready-made texts and curves.

type stateView struct {
	Delivery  string      `json:"delivery"`
	Blank     string      `json:"blank"`
	Face      Face        `json:"face"`
	Good      int         `json:"good"`
	HandsFree int         `json:"hands_free"`
	Room      string      `json:"room"`
	RoomPoor  bool        `json:"room_poor"`
	Notice    string      `json:"notice"`
	Trouble   string      `json:"trouble"`
	Unsaved   []string    `json:"unsaved"`
	Looking   string      `json:"looking"`
	Last      *tapView    `json:"last"`
	Best      *curveView  `json:"best"`
	Verdict   string      `json:"verdict"`
	Score     string      `json:"score"`
	Reasons   []string    `json:"reasons"`
	Figures   []figure    `json:"figures"`
	Fields    []fieldView `json:"fields"`
	Doubts    []string    `json:"doubts"`
	Next      string      `json:"measure_next"`
	Blanks    []blankView `json:"blanks"`
}

type tapView struct {
	Serial  int        `json:"serial"`
	Blank   string     `json:"blank"`
	Face    Face       `json:"face"`
	Good    bool       `json:"good"`
	Asked   bool       `json:"asked,omitempty"`
	Say     string     `json:"say"`
	Note    string     `json:"note"` // name in equal temperament
	Cents   string     `json:"cents"`
	Figures []figure   `json:"figures"`
	Curve   *curveView `json:"curve"`
}

// figure is a number with its name. Without one, Why says why not.
type figure struct {
	Name string `json:"name"`
	X    string `json:"x"`
	U    string `json:"u"`
	Unit string `json:"unit"`
	Why  string `json:"why"`
	Word string `json:"word,omitempty"` // of the manual, that explains it
}

// MarshalJSON gives the word as the id of what the page shows.
func (f figure) MarshalJSON() ([]byte, error) {
	type plain figure
	if f.Word != "" {
		f.Word = wordID(f.Word)
	}
	return json.Marshal(plain(f))
}

type curveView struct {
	Blank string       `json:"blank"`
	Decay [][2]float64 `json:"decay"`
	Fit   [][2]float64 `json:"fit"`
	Floor float64      `json:"floor"`
}

type fieldView struct {
	Name  string `json:"name"` // as in delivery.csv
	Label string `json:"label"`
	Unit  string `json:"unit"`
	Text  string `json:"text"`
}

type blankView struct {
	Blank   string `json:"blank"`
	Rank    int    `json:"rank"`
	Verdict string `json:"verdict"`
	Score   figure `json:"score"`
	Note    figure `json:"note"`
	Sustain figure `json:"sustain"`
	Now     bool   `json:"now"`
}

func view(st State) stateView {
	now := st.Now
	v := stateView{
		Delivery: st.Delivery, Blank: now.Blank, Face: st.Face, Good: st.Good, HandsFree: st.HandsFree,
		Room: st.Room, RoomPoor: st.RoomPoor, Notice: st.Notice, Trouble: st.Trouble, Unsaved: st.Unsaved, Looking: st.Looking, Best: viewCurve(st.Best),
		Verdict: string(now.Verdict), Reasons: now.Reasons, Next: now.Wood.MeasureNext,
		Fields: viewFields(now.Row), Doubts: []string{}, Blanks: []blankView{},
	}
	if now.Verdict == "" {
		v.Verdict = string(grading.Unread)
	}
	if v.Reasons == nil {
		v.Reasons = []string{}
	}
	if now.Score.Known() {
		v.Score = now.Score.Text("")
	}
	v.Figures = append(ringFigures(now.Ring),
		figureOf("density", now.Wood.Density, "kg/m³"), figureOf("E/ρ", now.Wood.SpecificModulus, "MJ/kg"))
	v.Doubts = append(v.Doubts, st.Rig...)
	for _, w := range now.Warnings {
		v.Doubts = append(v.Doubts, w.Text)
	}
	if t := st.Last; t != nil {
		tap := tapView{Serial: t.Serial, Blank: t.Blank, Face: t.Face, Good: t.Good, Asked: t.Asked, Say: t.Say,
			Curve: viewCurve(t.Curve), Figures: ringFigures(t.Ring)}
		tap.Note, tap.Cents, _ = strings.Cut(t.Note, " ")
		v.Last = &tap
	}
	for _, b := range st.Blanks {
		row := blankView{Blank: b.Blank, Rank: b.Rank, Verdict: string(b.Verdict), Score: figureOf("score", b.Score, ""),
			Note: figure{Name: "note", Unit: "Hz"}, Sustain: figure{Name: "sustain Q"}, Now: b.Blank == now.Blank}
		if b.Ring != nil {
			row.Note = coarse(figureOf("note", b.Ring.Fundamental.Hz, "Hz"), b.Ring.Fundamental.Hz, 1)
			row.Sustain = coarse(figureOf("sustain Q", b.Ring.Fundamental.Q, ""), b.Ring.Fundamental.Q, 0)
		}
		v.Blanks = append(v.Blanks, row)
	}
	return v
}

// ringFigures are note, sustain, the time to fall by 60 dB, and purity.
func ringFigures(r *spectrum.Ring) []figure {
	if r == nil {
		r = &spectrum.Ring{}
	}
	f := r.Fundamental
	return []figure{figureOf("note", f.Hz, "Hz"), figureOf("sustain Q", f.Q, ""), figureOf("60 dB in", f.T60S, "s"), figureOf("purity", r.PurityPct, "%")}
}

// pitchKept is how finely, in Hz, a wooden blank keeps its pitch from one hour to the
// next.
const pitchKept = 0.001

func figureOf(name string, v measure.Value, unit string) figure {
	f := figure{Name: name, Unit: unit, Word: wordsOf[name]}
	if !v.Known() {
		f.Why = v.Why
		return f
	}
	if unit == "Hz" && v.U < pitchKept {
		f.X, f.U = strconv.FormatFloat(v.X, 'f', 3, 64), strconv.FormatFloat(pitchKept, 'f', 3, 64)
		return f
	}
	f.X, f.U = v.Rounded()
	return f
}

// coarse writes a figure with fewer decimals, for a list in which only what
// differs much counts.
func coarse(f figure, v measure.Value, decimals int) figure {
	if f.X != "" {
		f.X = strconv.FormatFloat(v.X, 'f', decimals, 64)
	}
	return f
}

// viewCurve thins nothing: a drawn decay has few enough points.
func viewCurve(c *Curve) *curveView {
	if c == nil {
		return nil
	}
	return &curveView{c.Blank, pairs(c.Decay), pairs(c.Fit), round(c.FloorDB)}
}

func pairs(points []spectrum.Point) [][2]float64 {
	out := make([][2]float64, len(points))
	for i, p := range points {
		out[i] = [2]float64{math.Round(p.X*1e4) / 1e4, round(p.Y)}
	}
	return out
}

// viewFields are what can be measured or said at the bench, in the order in which one
// does.
func viewFields(row grading.Row) []fieldView {
	number := func(v measure.Value) string {
		if !v.Known() {
			return ""
		}
		return strconv.FormatFloat(v.X, 'f', -1, 64)
	}
	price := ""
	if row.Price != nil {
		price = strconv.FormatFloat(*row.Price, 'f', -1, 64)
	}
	return []fieldView{
		{"length_mm", "Length", "mm", number(row.LengthMM)},
		{"height_mm", "Height", "mm", number(row.HeightMM)},
		{"width_mm", "Width", "mm", number(row.WidthMM)},
		{"mass_g", "Mass", "g", number(row.MassG)},
		{"moisture_pct", "Moisture", "%", number(row.MoisturePct)},
		{"price", "Price", row.Currency, price},
		{"maker_grade", "Your grade", "", row.MakerGrade},
		{"species", "Species", "", row.Species},
		{"note", "Note", "", row.Note},
	}
}
