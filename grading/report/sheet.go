package report

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"html/template"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// sheet is everything the page's template prints, ready made but for what it
// says of each blank.
type sheet struct {
	Style    template.CSS
	Script   template.JS
	Policy   string
	Grading  grading.Grading
	Headline string
	Counts   []count
	Strip    *picture
	Price    string // what all blanks to keep cost together; empty if no price is known
	Map      *picture
	SizeKey  *picture
	Unmapped int
	N        int // blanks
	Settings []setting

	WithSound int // blanks that can be listened to

	page   Page
	sounds map[string]sound // by blank, where there was any
	// Room of the ranking's scores and of its other columns.
	scores  column
	columns []column
	cents   bool  // some price has decimals
	failed  error // what kept Blanks from reading on
}

// sound is what can be heard of a blank, or why it can't.
type sound struct {
	address template.URL
	why     string
}

type count struct {
	N       int
	Verdict grading.Verdict
	Says    string
	Sign    *picture
}

type setting struct{ Name, Value string }

// blankSheet is a blank's line in the ranking, and the head of its article.
type blankSheet struct {
	Index   int
	B       grading.Blank
	Verdict string // one of the four, for the style sheet
	Sign    *picture
	Score   figure
	Long    bool   // its name needs smaller type
	Places  string // after the rank: "of 12; 1 to 4 within uncertainty"
	Price   string
	PriceX  string // for sorting
	Origin  string // species, supplier, lot
	Rank    *picture
	Bar     *picture
	InRow   figure   // the score, aligned
	Row     []figure // the figures of its line in the ranking, as Columns names them

	sheet *sheet
}

// article is all that the page says of one blank.
type article struct {
	blankSheet
	Lead    []namedFigure
	Parts   []partRow
	Figures []figureGroup

	Spectrum, Decay, Heat, Taps, Planes *picture
	NoPictures                          string
	Clip                                template.URL
	NoClip                              string

	Budgets   []budget
	Next      string
	PlaneRows []planeRow
	Partials  []partialRow
	Modes     []modeRow
}

type namedFigure struct {
	Name string
	figure
	Note string
}

type figureGroup struct {
	Name string
	Rows []namedFigure
}

type partRow struct {
	Name   string
	Value  figure
	Wish   string // desirability; its interval is drawn
	Weight string
	Bar    *picture
}

type budget struct {
	Of    string
	Total figure
	Rows  []budgetRow
}

type budgetRow struct {
	Name string
	U    string
	Bar  *picture
}

type planeRow struct {
	Name           string
	Hz, Q, Purity  figure
	Taps           int
	FundamentalWas string
}

type partialRow struct {
	Name, Kind        string
	Hz, Level, Q, T60 figure
	Ratio             string
	Taps              int
	IsFundamental     bool
}

type modeRow struct {
	Name, Taps string
	Hz         figure
	Model, Off string
	Alone      figure
}

// glance is what the head of the page asks of a blank. It is so little that it is kept of
// all.
type glance struct {
	blank               string
	verdict             grading.Verdict
	density, modulus, q measure.Value // without budgets
	price               *float64
	currency            string
}

func glanceAt(b grading.Blank) glance {
	g := glance{b.Blank, b.Verdict, b.Wood.Density, b.Wood.SpecificModulus, measure.Value{}, b.Row.Price, b.Row.Currency}
	if b.Ring != nil {
		g.q = b.Ring.Fundamental.Q
	}
	g.density.Budget, g.modulus.Budget, g.q.Budget = nil, nil, nil
	return g
}

func newSheet(p Page) (*sheet, error) {
	g := p.Grading
	s := &sheet{
		Style:    template.CSS(style),
		Script:   template.JS(script),
		Policy:   policy(),
		Grading:  g,
		Headline: headline(g),
		N:        g.Len(),
		page:     p,
		sounds:   map[string]sound{},
		columns:  make([]column, len(columnNames)),
	}
	var blanks []glance
	used := 0
	for b, err := range g.All() {
		if err != nil {
			return nil, err
		}
		blanks = append(blanks, glanceAt(b))
		s.scores.take(figureOf(b.Score, ""))
		for i, f := range rowFigures(b) {
			s.columns[i].take(f)
		}
		s.cents = s.cents || b.Row.Price != nil && *b.Row.Price != math.Trunc(*b.Row.Price)
		pictures, err := s.pictures(b.Blank)
		if err != nil {
			return nil, err
		}
		used += s.give(b.Blank, pictures.Portrait, soundBudget-used)
	}
	s.Price, s.Map, s.SizeKey = keepPrice(blanks), mapPicture(blanks, g.Settings), sizeKey(blanks)
	s.Counts, s.Strip = counts(blanks)
	for _, b := range blanks {
		if !b.density.Known() || !b.modulus.Known() {
			s.Unmapped++
		}
	}
	var err error
	s.Settings, err = settings(g.Settings)
	return s, err
}

// give gives a blank its sound, if that takes no more than so many bytes of the page, and
// returns how many it takes.
func (s *sheet) give(blank string, portrait *spectrum.Portrait, most int) int {
	if portrait == nil {
		return 0
	}
	switch address, err := clip(*portrait); {
	case err != nil: // one bad sound must not cost the page
		s.sounds[blank] = sound{why: "No sound in this page: " + err.Error() + "."}
	case len(address) > most:
		s.sounds[blank] = sound{why: "No sound in this page: only the best are kept, so that it stays small."}
	case address != "":
		s.sounds[blank] = sound{address: address}
		s.WithSound++
		return len(address)
	}
	return 0
}

func (s *sheet) pictures(blank string) (Pictures, error) {
	if s.page.Pictures == nil {
		return Pictures{}, nil
	}
	return s.page.Pictures(blank)
}

// Blanks are read anew each time, one by one: thousands of them are never in memory
// together.
func (s *sheet) Blanks() iter.Seq[blankSheet] {
	return func(yield func(blankSheet) bool) {
		i := 0
		for b, err := range s.page.Grading.All() {
			if err != nil {
				s.failed = err
				return
			}
			i++
			if !yield(s.newBlankSheet(i, b)) {
				return
			}
		}
	}
}

// Columns are the ranking's columns of figures.
func (s *sheet) Columns() []string { return columnNames }

var columnNames = []string{"Pitch, Hz", "Q", "Purity, %", "Density, kg/m³", "E/ρ, MJ/kg"}

func headline(g grading.Grading) string {
	switch n := g.Len(); {
	case n == 0:
		return "There is no blank in this delivery."
	case g.Qualified == 0:
		return fmt.Sprintf("None of %d qualifies.", n)
	case g.Qualified == 1:
		return fmt.Sprintf("1 of %d qualifies.", n)
	default:
		return fmt.Sprintf("%d of %d qualify.", g.Qualified, n)
	}
}

func counts(blanks []glance) ([]count, *picture) {
	of := map[string]int{}
	for _, b := range blanks {
		of[verdictClass(b.verdict)]++
	}
	p := &picture{W: 400, H: 14, Class: "strip"}
	x := 0.0
	var out []count
	for _, v := range []grading.Verdict{grading.Keep, grading.Maybe, grading.Leave, grading.Unread} {
		n := of[string(v)]
		if n == 0 && v == grading.Unread {
			continue
		}
		says := map[grading.Verdict]string{
			grading.Keep:   "every limit passed, with 95 % confidence",
			grading.Maybe:  "in between, or not yet decided by what was measured",
			grading.Leave:  "fails a limit",
			grading.Unread: "no tap could be used",
		}[v]
		out = append(out, count{n, v, says, sign(v)})
		if n > 0 {
			w := 400 * float64(n) / float64(len(blanks))
			p.add(mark{Kind: "rect", Class: string(v), X: num(x + 1), Y: 1, W: num(w - 2), H: 12, R: 2})
			x += w
		}
	}
	if len(blanks) == 0 {
		p = nil
	}
	return out, p
}

// keepPrice adds up what the blanks to keep would cost, each currency by itself.
func keepPrice(blanks []glance) string {
	sum := map[string]float64{}
	keep, unpriced := 0, 0
	for _, b := range blanks {
		switch {
		case b.verdict != grading.Keep:
			continue
		case b.price == nil || !finite(*b.price):
			unpriced++
		default:
			sum[b.currency] += *b.price
		}
		keep++
	}
	if len(sum) == 0 {
		return ""
	}
	var amounts []string
	for currency, amount := range sum {
		amounts = append(amounts, money(amount, currency))
	}
	slices.Sort(amounts)
	out := fmt.Sprintf("The %d to keep cost %s together", keep, strings.Join(amounts, " and "))
	if keep == 1 {
		out = "The one to keep costs " + amounts[0]
	}
	if unpriced > 0 {
		out += fmt.Sprintf("; %d of them without a price", unpriced)
	}
	return out + "."
}

func (s *sheet) newBlankSheet(index int, b grading.Blank) blankSheet {
	n := s.N
	out := blankSheet{
		sheet:   s,
		Index:   index,
		B:       b,
		Verdict: verdictClass(b.Verdict),
		Sign:    sign(b.Verdict),
		Score:   figureOf(b.Score, ""),
		Rank:    rankPicture(b, n),
		Bar:     scorePicture(b),
	}
	out.Long = len([]rune(b.Blank)) > 8
	out.Places = fmt.Sprintf("of %d", n)
	if b.RankLow >= 1 && b.RankHigh > b.RankLow {
		out.Places = fmt.Sprintf("of %d; %d to %d within uncertainty", n, b.RankLow, b.RankHigh)
	}
	if b.Row.Price != nil && finite(*b.Row.Price) {
		if out.Price = money(*b.Row.Price, b.Row.Currency); s.cents {
			out.Price = strings.TrimSpace(plain(*b.Row.Price, 2) + " " + b.Row.Currency)
		}
		out.PriceX = strconv.FormatFloat(*b.Row.Price, 'g', -1, 64)
	}
	var origin []string
	for _, s := range []string{b.Row.Species, b.Row.Supplier} {
		if s != "" {
			origin = append(origin, s)
		}
	}
	if b.Row.Lot != "" {
		origin = append(origin, "lot "+b.Row.Lot)
	}
	out.Origin = strings.Join(origin, " · ")

	out.Row = rowFigures(b)
	for i, f := range out.Row {
		out.Row[i] = s.columns[i].align(f)
	}
	out.InRow = s.scores.align(out.Score)
	return out
}

// rowFigures are the figures of a blank's line in the ranking.
func rowFigures(b grading.Blank) []figure {
	f, purity := heard(b)
	return []figure{figureOf(f.Hz, ""), figureOf(f.Q, ""), figureOf(purity, ""),
		figureOf(b.Wood.Density, ""), figureOf(b.Wood.SpecificModulus, "")}
}

// Better and Worse are the blanks before and after this one by rank; 0 = none.
func (s blankSheet) Better() int { return s.Index - 1 }

func (s blankSheet) Worse() int {
	if s.Index == s.sheet.N {
		return 0
	}
	return s.Index + 1
}

// heard is the fundamental of a blank and its purity, known or not.
func heard(b grading.Blank) (fundamental spectrum.Partial, purity measure.Value) {
	if b.Ring != nil {
		return b.Ring.Fundamental, b.Ring.PurityPct
	}
	noRing := measure.Unknown("no tap could be used")
	return spectrum.Partial{Hz: noRing, Q: noRing, T60S: noRing}, noRing
}

// Article is drawn when its turn comes to be printed.
func (s blankSheet) Article() (article, error) {
	pictures, err := s.sheet.pictures(s.B.Blank)
	if err != nil {
		return article{}, err
	}
	b, w := s.B, s.B.Wood
	portrait, noPictures := spectrum.Portrait{}, "No recording of this blank could be drawn."
	if pictures.Portrait != nil {
		portrait, noPictures = *pictures.Portrait, ""
	}
	sound := s.sheet.sounds[b.Blank]
	out := article{
		blankSheet: s,
		NoPictures: noPictures,
		Clip:       sound.address,
		NoClip:     cmp.Or(sound.why, "No sound in this page."),
		Spectrum:   spectrumPicture(b, portrait),
		Decay:      decayPicture(b, portrait),
		Heat:       heatPicture(portrait),
		Taps:       tapsPicture(b, pictures.Taps),
		Planes:     planesPicture(b),
		Figures:    figureGroups(b),
		Budgets:    budgets(b),
		Next:       w.MeasureNext,
	}
	f, purity := heard(b)
	out.Lead = []namedFigure{
		{"Pitch", figureOf(f.Hz, "Hz"), ""},
		{"Q", figureOf(f.Q, ""), ""},
		{"60 dB decay", figureOf(f.T60S, "s"), ""},
		{"Purity", figureOf(purity, "%"), ""},
		{"Density", figureOf(w.Density, "kg/m³"), ""},
		{"E/ρ", figureOf(w.SpecificModulus, "MJ/kg"), ""},
	}
	for _, part := range b.Parts {
		row := partRow{Name: part.Name, Value: figureOf(part.Value, part.Unit), Wish: "–",
			Weight: strconv.FormatFloat(part.Weight, 'g', 3, 64), Bar: barPicture("wish", measure.Of(0, 0))}
		if part.Desirability.Known() {
			row.Bar, row.Wish = barPicture("wish", part.Desirability), plain(part.Desirability.X, 2)
		}
		out.Parts = append(out.Parts, row)
	}
	for _, m := range w.Modes {
		out.Modes = append(out.Modes, modeRow{fmt.Sprint(m.Family, " ", m.Order), m.Taps, figureOf(m.Hz, ""), plain(m.ModelHz, 1),
			plain(m.ResidualPct, 2), figureOf(m.SpecificModulus, "")})
	}
	for _, r := range []struct {
		name string
		ring *spectrum.Ring
	}{{"height plane", b.Ring}, {"width plane", b.WidthRing}, {"end tap", b.EndRing}} {
		if r.ring == nil {
			continue
		}
		row := planeRow{Name: r.name, Hz: figureOf(r.ring.Fundamental.Hz, "Hz"), Q: figureOf(r.ring.Fundamental.Q, ""),
			Purity: figureOf(r.ring.PurityPct, "%"), Taps: r.ring.TapsUsed}
		out.PlaneRows = append(out.PlaneRows, row)
		for _, q := range r.ring.Partials {
			out.Partials = append(out.Partials, partialRow{
				Name: partialName(q), Kind: r.name, Hz: figureOf(q.Hz, "Hz"), Level: figureOf(q.LevelDB, "dB"), Q: figureOf(q.Q, ""),
				T60: figureOf(q.T60S, "s"), Ratio: plain(q.Ratio, 3), Taps: q.Taps,
				IsFundamental: q.Hz.Known() && r.ring.Fundamental.Hz.Known() && q.Hz.X == r.ring.Fundamental.Hz.X,
			})
		}
	}
	return out, nil
}

// figureGroups lists every measure of a blank, known or not.
func figureGroups(b grading.Blank) []figureGroup {
	var out []figureGroup
	if r := b.Ring; r != nil {
		f := r.Fundamental
		from := ""
		if r.FundamentalFrom == "series" {
			from = "inferred from the higher partials: too weak to measure itself"
		}
		rows := []namedFigure{
			{"Fundamental", figureOf(f.Hz, "Hz"), from},
			{"Q", figureOf(f.Q, ""), ""},
			{"Decay time, amplitude to 1/e", figureOf(f.TauS, "s"), ""},
			{"Decay by 60 dB", figureOf(f.T60S, "s"), ""},
			{"Logarithmic decrement", figureOf(f.LogDecrement, ""), ""},
			{"Loss tangent of the ring", figureOf(f.LossTangent, ""), ""},
			{"Purity", figureOf(r.PurityPct, "%"), ""},
			{"Fundamental alone", figureOf(r.FundamentalPct, "%"), ""},
			{"Unevenness", figureOf(r.UnevennessPct, "%"), ""},
			{"Drift of pitch", figureOf(r.DriftCents, "cents"), ""},
			{"Loudness", figureOf(r.LoudnessDB, "dB"), "comparable within one session only"},
			{"Signal over noise", figureOf(r.SNRDB, "dB"), ""},
		}
		beat := figure{Known: true, X: "none found"}
		if r.Beat != nil {
			beat = figure{Known: true, X: plain(r.Beat.Hz, 2), Unit: "Hz, " + plain(r.Beat.DepthDB, 1) + " dB deep"}
		}
		rows = append(rows, namedFigure{"Beat", beat, ""},
			namedFigure{"Stray notes", figure{Known: true, X: strays(r.Stray)}, ""},
			namedFigure{"Hum", figure{Known: true, X: hums(r.HumHz)}, ""},
			namedFigure{"Taps used", figure{Known: true, X: fmt.Sprint(r.TapsUsed)}, ""})
		out = append(out, figureGroup{"Ring", rows})
	}
	w := b.Wood
	from := ""
	if w.SpecificModulusFrom != "" {
		from = "from the " + w.SpecificModulusFrom + " mode"
	}
	out = append(out, figureGroup{"Wood, as measured", []namedFigure{
		{"Density", figureOf(w.Density, "kg/m³"), ""},
		{"Specific modulus E/ρ", figureOf(w.SpecificModulus, "MJ/kg"), from},
		{"Young's modulus", figureOf(w.YoungsModulus, "GPa"), ""},
		{"Shear modulus", figureOf(w.ShearModulus, "GPa"), ""},
		{"Sound speed", figureOf(w.SoundSpeed, "m/s"), ""},
		{"Impedance", figureOf(w.Impedance, "MRayl"), ""},
		{"Loss tangent", figureOf(w.LossTangent, ""), ""},
		{"Radiation coefficient", figureOf(w.Radiation, "m⁴/(kg s)"), ""},
		{"E/ρ in the height plane alone", figureOf(w.SpecificModulusHeight, "MJ/kg"), ""},
		{"E/ρ in the width plane alone", figureOf(w.SpecificModulusWidth, "MJ/kg"), ""},
		{"E in height over E in width, less 1", figureOf(w.PlaneDifference, "%"), ""},
	}})
	if len(w.HoldAtMM) > 0 {
		var at []string
		for _, mm := range w.HoldAtMM {
			at = append(at, plain(mm, 0))
		}
		wood := &out[len(out)-1]
		wood.Rows = append(wood.Rows, namedFigure{"Hold at, from the butt", figure{Known: true, X: strings.Join(at, " and "), Unit: "mm"}, "nodes of the fundamental"})
	}
	at12 := []namedFigure{
		{"Density", figureOf(w.Density12, "kg/m³"), ""},
		{"Specific modulus E/ρ", figureOf(w.SpecificModulus12, "MJ/kg"), ""},
		{"Young's modulus", figureOf(w.YoungsModulus12, "GPa"), ""},
		{"Shear modulus", figureOf(w.ShearModulus12, "GPa"), ""},
		{"Sound speed", figureOf(w.SoundSpeed12, "m/s"), ""},
		{"Impedance", figureOf(w.Impedance12, "MRayl"), ""},
		{"Loss tangent", figureOf(w.LossTangent12, ""), ""},
		{"Radiation coefficient", figureOf(w.Radiation12, "m⁴/(kg s)"), ""},
	}
	if slices.ContainsFunc(at12, func(f namedFigure) bool { return f.Known }) {
		out = append(out, figureGroup{"Wood, at 12 % moisture", at12})
	}
	r := b.Row
	var readings []namedFigure
	for _, f := range []struct {
		name string
		v    measure.Value
		unit string
	}{{"Length", r.LengthMM, "mm"}, {"Height", r.HeightMM, "mm"}, {"Width", r.WidthMM, "mm"}, {"Height at the tip", r.TipHeightMM, "mm"},
		{"Width at the tip", r.TipWidthMM, "mm"}, {"Length of the head block", r.HeadLengthMM, "mm"}, {"Height of the head block", r.HeadHeightMM, "mm"},
		{"Mass", r.MassG, "g"}, {"Moisture", r.MoisturePct, "%"}, {"Temperature", r.TemperatureC, "°C"}, {"Humidity", r.HumidityPct, "%"}} {
		if f.v.Known() {
			readings = append(readings, namedFigure{f.name, figureOf(f.v, f.unit), ""})
		}
	}
	if len(readings) > 0 {
		out = append(out, figureGroup{"Readings", readings})
	}
	return out
}

func strays(list []spectrum.Stray) string {
	var out []string
	for _, s := range list {
		out = append(out, plain(s.Hz, 1)+" Hz ("+plain(s.LevelDB, 0)+" dB)")
	}
	if len(out) == 0 {
		return "none found"
	}
	return strings.Join(out, ", ")
}

func hums(list []float64) string {
	var out []string
	for _, hz := range list {
		out = append(out, plain(hz, 1)+" Hz")
	}
	if len(out) == 0 {
		return "none found"
	}
	return strings.Join(out, ", ")
}

// budgets shows what the uncertainty of the values that decide is made of.
func budgets(b grading.Blank) []budget {
	const most = 5
	var out []budget
	for _, v := range []struct {
		of   string
		v    measure.Value
		unit string
	}{{"Specific modulus", b.Wood.SpecificModulus, "MJ/kg"}, {"Density", b.Wood.Density, "kg/m³"}} {
		if !v.v.Known() || len(v.v.Budget) == 0 {
			continue
		}
		row := budget{Of: v.of, Total: figure{Known: true, X: significant(v.v.U), Unit: v.unit}}
		largest := 0.0
		for _, part := range v.v.Budget {
			largest = math.Max(largest, part.U)
		}
		for i, part := range v.v.Budget {
			if i == most || largest <= 0 {
				break
			}
			row.Rows = append(row.Rows, budgetRow{string(part.Name), significant(part.U) + " " + v.unit, barPicture("part", measure.Of(part.U/largest, 0))})
		}
		out = append(out, row)
	}
	return out
}

// significant is an uncertainty by itself, rounded as beside its value.
func significant(u float64) string {
	if !(u > 0) || !finite(u) {
		return "0"
	}
	_, s := measure.Of(u, u).Rounded()
	return s
}

// settings lists all limits and weights in force, whatever the profile holds.
func settings(p grading.Profile) ([]setting, error) {
	raw, err := json.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("settings: %w", err)
	}
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	var tree any
	if err := decoder.Decode(&tree); err != nil {
		return nil, fmt.Errorf("settings: %w", err)
	}
	var out []setting
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			keys := make([]string, 0, len(v))
			for k := range v {
				keys = append(keys, k)
			}
			slices.Sort(keys)
			for _, k := range keys {
				walk(strings.TrimPrefix(path+" › "+k, " › "), v[k])
			}
		case []any:
			for i, e := range v {
				if m, ok := e.(map[string]any); ok {
					if name, ok := m["name"].(string); ok && name != "" {
						walk(path+" › "+name, e)
						continue
					}
				}
				walk(fmt.Sprintf("%s › %d", path, i+1), e)
			}
		case nil:
		default:
			if s := fmt.Sprint(v); s != "" {
				out = append(out, setting{path, s})
			}
		}
	}
	walk("", tree)
	return out, nil
}
