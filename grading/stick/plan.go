package stick

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Schema names the JSON document that `ringstock plan` prints.
const Schema = "ringstock/plan/1"

// Match is what the new stick shall have in common with its model.
type Match string

// What can be matched.
const (
	MatchStiffness Match = "stiffness"
	MatchMass      Match = "mass"
)

// Wish is what is wanted of a stick.
type Wish struct {
	Match     Match
	MassG     float64 // wanted mass; 0 = the model's
	SagMM     float64 // wanted sag under the load; 0 = the model's
	Load      Load
	Allowance float64  // mm to leave on every diameter, over what is planned
	ShaftOnly bool     // the head is not to be cut from the blank
	Learned   *Learned // what own finished sticks say; nil = nothing
	At12      bool     // wood values at 12 % moisture instead of as measured
}

// Plan is a model, what is wanted, and what each blank would make of it.
type Plan struct {
	Schema     string      `json:"schema"`
	Model      ModelSheet  `json:"model"`
	Target     Target      `json:"target"`
	Candidates []Candidate `json:"candidates"` // those that fit first, the nearest to the wish leading
	Correction *Learned    `json:"correction"` // by own finished sticks; nil: none
	Notes      []string    `json:"notes"`
	Questions  []string    `json:"questions"`
}

// ModelSheet is a model in figures.
type ModelSheet struct {
	Name   string `json:"name"`
	Source string `json:"source"`
	Figures
	Load
	SpanMM       float64       `json:"span_mm"`
	LengthMM     measure.Value `json:"length_mm" u:"length_u_mm"`
	VolumeCM3    measure.Value `json:"volume_cm3" u:"volume_u_cm3"`
	ModesHz      []float64     `json:"modes_hz"` // bending in the height plane, free stick
	ModesU       []float64     `json:"modes_u_hz"`
	WidthModesHz []float64     `json:"width_modes_hz"`
	WidthModesU  []float64     `json:"width_modes_u_hz"`
	TorsionHz    []float64     `json:"torsion_hz"`
	TorsionU     []float64     `json:"torsion_u_hz"`
	CentroidMM   measure.Value `json:"centroid_mm" u:"centroid_u_mm"` // mean height of the centre of area over the middle of the section; negative = lower
	Wood         Wood          `json:"wood"`
}

// Target is what the candidates are scaled to and compared with.
type Target struct {
	Match       Match         `json:"match"`
	MassG       measure.Value `json:"mass_g" u:"mass_u_g"`
	StiffnessNM measure.Value `json:"stiffness_n_m" u:"stiffness_u_n_m"`
	SagMM       measure.Value `json:"sag_mm" u:"sag_u_mm"`
	AllowanceMM float64       `json:"allowance_mm"`
}

// Candidate is what a blank would make.
type Candidate struct {
	Blank    string        `json:"blank"`
	ID       string        `json:"id"`
	Place    string        `json:"place"`
	Lot      string        `json:"lot"`
	State    string        `json:"state"`
	Fits     bool          `json:"fits"`
	Rank     int           `json:"rank"`     // among those that fit, by nearness to the wish; 0 = does not fit
	RankLow  int           `json:"rank_low"` // 95 % interval
	RankHigh int           `json:"rank_high"`
	Scale    measure.Value `json:"scale"` // multiplies every diameter of the model
	Figures
	// How thick the stick gets, by its height at the butt, in the middle and
	// at the shaft's end.
	ButtMM    measure.Value `json:"butt_height_mm" u:"butt_height_u_mm"`
	MiddleMM  measure.Value `json:"middle_height_mm" u:"middle_height_u_mm"`
	HeadEndMM measure.Value `json:"head_end_height_mm" u:"head_end_height_u_mm"`
	// MassOff and StiffnessOff are the stick's mass and stiffness less the wanted ones.
	MassOffG        measure.Value `json:"mass_off_g" u:"mass_off_u_g"`
	StiffnessOffPct measure.Value `json:"stiffness_off_pct" u:"stiffness_off_u_pct"`
	MarginMM        measure.Value `json:"margin_mm" u:"margin_u_mm"` // least wood to spare; negative = too thin there
	MarginAtMM      measure.Value `json:"margin_at_mm" u:"-"`
	MarginSide      string        `json:"margin_side"`
	Spares          []Spare       `json:"spares"`        // at every station
	ShiftMM         float64       `json:"butt_at_mm"`    // where the stick's butt lies in the blank
	HeadMM          measure.Value `json:"head_mm" u:"-"` // height to spare over the head; unknown where no head is asked for
	// The same aim with the model's taper kept: so many mm more in every diameter.
	AddMM      measure.Value `json:"same_taper_add_mm" u:"same_taper_add_u_mm"`
	AddMassG   measure.Value `json:"same_taper_mass_g" u:"same_taper_mass_u_g"`
	AddSpareMM measure.Value `json:"same_taper_margin_mm" u:"-"`

	Quality measure.Value `json:"quality"` // score of its ring
	Front   bool          `json:"front"`   // no other that fits is both nearer to the wish and of better ring
	Reasons []string      `json:"reasons"`
	Lacks   []Lack        `json:"lacks"` // why it does not fit, as codes

	wood *outline // nil: not known
}

// Lack is something that a blank has not enough of, or that is not known of it.
type Lack string

// What keeps a blank from fitting.
const (
	LacksHead     Lack = "head"     // no wood for the head
	LacksWood     Lack = "wood"     // too thin somewhere
	LacksLength   Lack = "length"   // too short
	LacksReadings Lack = "readings" // its shape is not known
	LacksValues   Lack = "values"   // its density or modulus is not known
)

var lackWords = []struct {
	lack Lack
	says string
}{
	{LacksHead, "without wood for the head"}, {LacksWood, "too thin"}, {LacksLength, "too short"},
	{LacksReadings, "of unknown size"}, {LacksValues, "of unknown density or modulus"},
}

func (c *Candidate) lack(l Lack) {
	c.Fits = false
	if !slices.Contains(c.Lacks, l) {
		c.Lacks = append(c.Lacks, l)
	}
}

// Wood is the section of the blank where the stick has its place atMM, measured
// from the stick's butt.
func (c Candidate) Wood(atMM float64) (Section, bool) {
	if c.wood == nil {
		return Section{}, false
	}
	return c.wood.at((atMM + c.ShiftMM) / 1000)
}

func (m ModelSheet) MarshalJSON() ([]byte, error) { return measure.Marshal(m) }
func (t Target) MarshalJSON() ([]byte, error)     { return measure.Marshal(t) }
func (c Candidate) MarshalJSON() ([]byte, error)  { return measure.Marshal(c) }
func (w Wood) MarshalJSON() ([]byte, error)       { return measure.Marshal(w) }

// Off is how far the stick is from the wish in what is not matched: mass in g, or
// stiffness in per cent.
func (c Candidate) Off(m Match) measure.Value {
	if m == MatchMass {
		return c.StiffnessOffPct
	}
	return c.MassOffG
}

const modesShown = 4

// noHead is what is said of a model without a head wherever one would matter.
const noHead = "no head given: not checked"

// hasHead tells whether the model has a head: its block, or a lump at the end of the
// shaft.
func (m Model) hasHead() bool {
	return m.Head.HeightMM > 0 || slices.ContainsFunc(m.Lumps, func(l Lump) bool { return l.X > m.end()-0.005 })
}

// centroid is the mean height of the centre of area over the middle of the sections, in
// mm. Only the widest lines of eggs make it uncertain.
func (m Model) centroid() measure.Value {
	mean := func(s Stick) float64 {
		return 1000 * s.integrate(s.butt(), s.end(), func(_ float64, at Section) float64 { return at.Centroid() }) / s.Length()
	}
	eggs := 0
	misread := m.each(func(_ int, at Section) Section {
		if at.Shape == Egg {
			eggs++
			at.Widest += m.Accuracy.CalliperMM / 1000 / at.Height
		}
		return at
	})
	if eggs == 0 {
		return measure.Of(mean(m.Stick), 0)
	}
	x := mean(m.Stick)
	return measure.Of(x, math.Abs(mean(misread)-x)*math.Sqrt(sharedCalliper+(1-sharedCalliper)/float64(eggs)))
}

// Sheet computes a model's figures.
func (m Model) Sheet(l Load) (ModelSheet, []string, error) {
	if err := l.Check(m.Stick); err != nil {
		return ModelSheet{}, nil, err
	}
	f, t := newForm(m.Stick, l, m.Accuracy), m.Wood.timber()
	s := ModelSheet{
		Name: m.Name, Source: m.Source, Figures: f.figures(t, 1), Load: l, SpanMM: l.SpanMM(),
		LengthMM: measure.Of(1000*m.Length(), m.Accuracy.LengthMM), VolumeCM3: measure.Of(1e6*f.volume, 1e6*f.volume*f.uVolume),
		CentroidMM: m.centroid(), Wood: m.Wood,
	}
	notes := slices.Clone(m.Notes)
	n, err := f.notes(t, modesShown)
	if err != nil {
		return ModelSheet{}, nil, err
	}
	if n.Assumed != "" {
		notes = append(notes, n.Assumed)
	}
	if !m.hasHead() {
		notes = append(notes, noHead+": mass, balance and notes are those of the shaft alone, and no blank is asked for wood for a head. Give [head] and a [[lump]] in a card")
	}
	s.ModesHz, s.ModesU = apart(n.Height)
	s.WidthModesHz, s.WidthModesU = apart(n.Width)
	s.TorsionHz, s.TorsionU = apart(n.Torsion)
	return s, append(notes, m.odd(s.Figures)...), nil
}

func apart(list []measure.Value) (x, u []float64) {
	x, u = []float64{}, []float64{}
	for _, v := range list {
		x, u = append(x, math.Round(1e4*v.X)/1e4), append(u, math.Round(1e4*v.U)/1e4)
	}
	return x, u
}

// Lay plans a stick after a model from each of some blanks.
func Lay(m Model, blanks []Blank, w Wish) (Plan, error) {
	sheet, notes, err := m.Sheet(w.Load)
	if err != nil {
		return Plan{}, err
	}
	p := Plan{Schema: Schema, Model: sheet, Candidates: []Candidate{}, Notes: append([]string{}, notes...), Questions: append([]string{}, m.Questions...)}
	p.Target, err = target(sheet, w)
	if err != nil {
		return Plan{}, err
	}
	if w.Allowance == 0 {
		p.Notes = append(p.Notes, "no allowance is left on the diameters: give --allowance-mm for what finishing takes off and for a blank that is not straight")
	}
	if w.Learned != nil {
		p.Correction = w.Learned
		p.Notes = append(p.Notes, "own finished sticks: "+strings.Join(w.Learned.Says(), " "))
	}
	maker := planner{m: m, w: w, form: newForm(m.Stick, w.Load, m.Accuracy), target: p.Target}
	for _, b := range blanks {
		p.Candidates = append(p.Candidates, maker.candidate(b))
	}
	maker.rank(p.Candidates)
	markFront(p.Candidates, w.Match)
	return p, nil
}

// target is what is wanted, from the model where nothing else is given.
func target(s ModelSheet, w Wish) (Target, error) {
	t := Target{Match: w.Match, MassG: s.MassG, StiffnessNM: s.StiffnessNM, SagMM: s.SagMM, AllowanceMM: w.Allowance}
	if w.MassG > 0 {
		t.MassG = measure.Of(w.MassG, 0)
	}
	if w.SagMM > 0 {
		t.SagMM = measure.Of(w.SagMM, 0)
		t.StiffnessNM = measure.Of(1000*w.Load.Newton()/w.SagMM, 0)
	}
	switch {
	case w.Match == MatchStiffness && !t.StiffnessNM.Known():
		return t, errors.New("the stiffness to match is not known: give --model-modulus, or the wanted sag by --sag-mm")
	case w.Match == MatchMass && !t.MassG.Known():
		return t, errors.New("the mass to match is not known: give --model-density, or the wanted mass by --mass-g")
	case w.Match != MatchStiffness && w.Match != MatchMass:
		return t, fmt.Errorf("%q can't be matched: choose stiffness or mass", w.Match)
	}
	return t, nil
}

type planner struct {
	m      Model
	w      Wish
	form   form
	target Target
}

// The uncertain inputs of a candidate. The model's own wood and form enter every
// candidate alike.
const (
	inDensity = iota
	inYoung
	inModelDensity
	inModelYoung
	inVolume    // relative error of the model's volume
	inStiffness // and of its stiffness
	inputs
)

// inputs of a candidate and their correlations.
func (p planner) inputs(t timber) ([]measure.Input, func(i, j int) float64) {
	model := p.m.Wood
	in := make([]measure.Input, inputs)
	in[inDensity] = measure.Input{Name: fromDensity, X: t.density.X, U: t.density.U}
	in[inYoung] = measure.Input{Name: fromModulus, X: t.young.X, U: t.young.U}
	in[inModelDensity] = measure.Input{Name: fromModelDensity, X: model.Density.X, U: model.Density.U}
	in[inModelYoung] = measure.Input{Name: fromModelYoung, X: model.YoungsModulus.X, U: model.YoungsModulus.U}
	in[inVolume] = measure.Input{Name: fromModelVolume, U: p.form.uVolume}
	in[inStiffness] = measure.Input{Name: fromModelStiffness, U: p.form.uStiffness[0]}
	return in, func(i, j int) float64 {
		switch {
		case i == inDensity && j == inYoung:
			return t.r
		case i == inVolume && j == inStiffness:
			return p.form.rVolumeStiffness[0]
		}
		return 0
	}
}

// made is a stick out of a piece of wood, by plain numbers.
type made struct{ scale, mass, stiffness, massOff, stiffnessOff float64 } // g, N/m, g, %

// make works out the scale, and with it the stick.
func (p planner) make(x []float64) made {
	f := p.form
	volume, perModulus := f.volume*(1+x[inVolume]), f.height*(1+x[inStiffness])
	wantStiffness, wantMass := p.target.StiffnessNM.X, p.target.MassG.X
	if p.w.SagMM == 0 {
		wantStiffness = 1e9 * x[inModelYoung] * perModulus
	}
	if p.w.MassG == 0 {
		wantMass = 1000 * (x[inModelDensity]*volume + f.lumpMass)
	}
	var s made
	if p.w.Match == MatchStiffness {
		s.scale = math.Pow(wantStiffness/(1e9*x[inYoung]*perModulus), 0.25)
	} else {
		s.scale = math.Sqrt((wantMass/1000 - f.lumpMass) / (x[inDensity] * volume))
	}
	s.mass = 1000 * (x[inDensity]*volume*sq(s.scale) + f.lumpMass)
	s.stiffness = 1e9 * x[inYoung] * perModulus * sq(sq(s.scale))
	s.massOff = s.mass - wantMass
	s.stiffnessOff = 100 * (s.stiffness/wantStiffness - 1)
	return s
}

func (p planner) candidate(b Blank) Candidate {
	c := Candidate{Blank: b.Name, ID: b.ID, Place: b.Place, Lot: b.Lot, State: b.State, Quality: b.Quality, Reasons: []string{}, Spares: []Spare{}, Lacks: []Lack{}}
	wood := b.Timber(p.w.At12)
	if p.w.Learned != nil {
		wood = p.w.Learned.Correct(wood)
	}
	t := wood.timber()
	no := func(why string) Candidate {
		c.Reasons = append(c.Reasons, why)
		c.lack(LacksValues)
		u := measure.Unknown(why)
		for _, v := range []*measure.Value{&c.ButtMM, &c.MiddleMM, &c.HeadEndMM, &c.Scale, &c.MassG, &c.CentreOfMassMM, &c.StiffnessNM, &c.WidthStiffnessNM, &c.SagMM, &c.MassOffG, &c.StiffnessOffPct, &c.MarginMM, &c.MarginAtMM, &c.HeadMM, &c.AddMM, &c.AddMassG, &c.AddSpareMM} {
			*v = u
		}
		return c
	}
	switch {
	case !t.density.Known():
		return no(orElse(t.density.Why, "its density is not known"))
	case !t.young.Known():
		return no(orElse(t.young.Why, "its Young's modulus is not known"))
	case !(t.density.X > 0 && t.young.X > 0):
		return no("its density or Young's modulus is not positive")
	}
	in, r := p.inputs(t)
	get := func(of func(made) float64) measure.Value {
		return measure.PropagateCorrelated(func(x []float64) float64 { return of(p.make(x)) }, in, r)
	}
	c.Scale = get(func(s made) float64 { return s.scale })
	if !c.Scale.Known() {
		return no("the lumps of the model alone are heavier than the wanted mass")
	}
	scale := c.Scale.X
	c.Figures = p.form.figures(t, scale)
	for x, v := range map[float64]*measure.Value{p.m.butt(): &c.ButtMM, (p.m.butt() + p.m.end()) / 2: &c.MiddleMM, p.m.end(): &c.HeadEndMM} {
		*v = get(func(s made) float64 { return 1000 * p.m.Section(x).Height * s.scale })
	}
	c.MassG = get(func(s made) float64 { return s.mass })
	c.StiffnessNM = get(func(s made) float64 { return s.stiffness })
	c.SagMM = sagUnder(p.w.Load, c.StiffnessNM)
	c.MassOffG, c.StiffnessOffPct = measure.Unknown("the model's mass is not known"), measure.Unknown("the model's stiffness is not known")
	if p.target.MassG.Known() {
		c.MassOffG = get(func(s made) float64 { return s.massOff })
	}
	if p.target.StiffnessNM.Known() {
		c.StiffnessOffPct = get(func(s made) float64 { return s.stiffnessOff })
	}
	o, err := newOutline(b.Readings)
	if err != nil {
		c.lack(LacksReadings)
		c.Reasons = append(c.Reasons, "whether there is wood enough can't be told: "+err.Error())
		u := measure.Unknown(err.Error())
		c.MarginMM, c.MarginAtMM, c.HeadMM = u, u, u
		p.sameTaper(&c, t, nil)
		return c
	}
	c.wood = &o
	p.fit(&c, o)
	p.sameTaper(&c, t, &o)
	return c
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// fit lays the scaled stick into the blank, at its butt or as near to its far end as it
// goes, whichever leaves more.
func (p planner) fit(c *Candidate, o outline) {
	s := p.m.Scaled(c.Scale.X)
	spares, least, shift := p.best(o, s)
	c.Spares, c.ShiftMM = spares, 1000*shift
	c.MarginSide = spares[least].Side
	at := s.Stations[least]
	size := max(at.Height, at.Width) * 1000
	c.MarginMM = measure.FromParts(spares[least].MM, []measure.Part{{Name: "scale", U: size * c.Scale.U}, {Name: "blank's diameters", U: 1000 * o.u}})
	c.MarginAtMM = measure.Of(spares[least].AtMM, 0)
	c.Fits = true
	need := p.needs()
	if spare := o.end() - need; spare < -1e-9 {
		c.lack(LacksLength)
		c.Reasons = append(c.Reasons, fmt.Sprintf("%.4g mm too short: the stick needs %.4g mm, the blank has %.4g mm", -1000*spare, 1000*need, 1000*o.end()))
	}
	switch x := spares[least]; {
	case x.Side == "length":
		c.lack(LacksLength)
	case x.MM < -1e-9:
		c.lack(LacksWood)
		why := fmt.Sprintf("%.2g mm too thin at %.4g mm (%s)", -x.MM, x.AtMM, x.Side)
		if n := tooThin(spares); n > 1 {
			why += fmt.Sprintf(", and at %d more of %d stations", n-1, len(spares))
		}
		if u := c.MarginMM.U; x.MM > -2*u {
			why += fmt.Sprintf("; by ± %.2f mm it is not sure: measure the blank there", u)
		}
		c.Reasons = append(c.Reasons, why)
	case x.MM < 2*c.MarginMM.U:
		c.Reasons = append(c.Reasons, fmt.Sprintf("fits by %s only, at %.4g mm (%s): within the uncertainty it may not", c.MarginMM.Text("mm"), x.AtMM, x.Side))
	}
	p.fitHead(c, o, shift)
	if c.Fits && len(c.Reasons) == 0 {
		c.Reasons = append(c.Reasons, fmt.Sprintf("fits with %s to spare at %.4g mm (%s)", c.MarginMM.Text("mm"), c.MarginAtMM.X, c.MarginSide))
	}
}

// usualHeadMM is the least height of a violin family head (common practice, no source),
// for models with a head whose size is not given.
const usualHeadMM = 20

// fitHead finds out whether the blank has wood for the head, where the stick has its butt
// shift metres from the blank's.
func (p planner) fitHead(c *Candidate, o outline, shift float64) {
	head := p.m.Head
	switch {
	case p.w.ShaftOnly:
		c.HeadMM = measure.Unknown("the head is not to be cut from the blank")
		return
	case !p.m.hasHead():
		c.HeadMM = measure.Unknown(noHead)
		return
	}
	no := func(format string, a ...any) {
		c.lack(LacksHead)
		c.Reasons = append(c.Reasons, fmt.Sprintf(format, a...))
	}
	wood, _ := o.at(min(o.end(), shift+p.m.Length()+head.LengthMM/1000))
	high := 1000 * wood.Height
	if head.HeightMM == 0 {
		c.HeadMM = measure.Unknown("the model has a head, but no height_mm under [head]")
		if high < usualHeadMM+p.w.Allowance {
			no("no wood for a head: the blank has %.4g mm of height at that end, a head takes %d mm at least (common practice); the model gives no height_mm under [head]", high, usualHeadMM)
		}
		return
	}
	c.HeadMM = measure.Of(high-head.HeightMM-p.w.Allowance, 0)
	blockLong := 1000 * (o.end() - o.block)
	switch across := 1000*wood.Width - head.WidthMM - p.w.Allowance; {
	case c.HeadMM.X < 0:
		no("no wood for the head: it takes %g mm of height, %.3g mm are there", head.HeightMM+p.w.Allowance, high)
	case blockLong > 0 && blockLong < head.LengthMM && 1000*o.Stations[1].Height < head.HeightMM+p.w.Allowance:
		no("the head block is %.4g mm long, the head takes %g mm", blockLong, head.LengthMM)
	case across < 0:
		no("no wood for the head: it takes %g mm of width, %.3g mm are there", head.WidthMM+p.w.Allowance, 1000*wood.Width)
	}
}

// needs is the length of blank that the stick takes, m.
func (p planner) needs() float64 {
	need := p.m.Length()
	if !p.w.ShaftOnly {
		need += p.m.Head.LengthMM / 1000
	}
	return need
}

// best is where the stick lies best. What is spare at a station changes evenly as the
// stick is moved along a taper, so one of the two ends is best.
func (p planner) best(o outline, s Stick) (spares []Spare, least int, shift float64) {
	spares, least = o.lay(s, 0, p.w.Allowance/1000)
	rest := o.end() - p.needs()
	if rest <= 0 {
		return spares, least, 0
	}
	far, farLeast := o.lay(s, rest, p.w.Allowance/1000)
	hasHead := p.m.hasHead() && !p.w.ShaftOnly && o.block < o.end()
	if hasHead || far[farLeast].MM > spares[least].MM+1e-9 {
		return far, farLeast, rest
	}
	return spares, least, 0
}

func tooThin(spares []Spare) (n int) {
	for _, s := range spares {
		if s.MM < 0 {
			n++
		}
	}
	return n
}

// sameTaper finds the other way to the same aim: so much more in every diameter,
// which keeps the taper.
func (p planner) sameTaper(c *Candidate, t timber, o *outline) {
	reach := func(x []float64) float64 {
		thin := math.Inf(1)
		for _, s := range p.m.Stations {
			thin = min(thin, s.Height, s.Width)
		}
		off := func(dx float64) float64 {
			s := p.m.Thicker(dx)
			if p.w.Match == MatchMass {
				return s.Volume() - sq(x[0])*p.form.volume
			}
			return 1/s.Flexibility(bar.HeightPlane, p.w.Load) - sq(sq(x[0]))*p.form.height
		}
		lo, hi := -0.9*thin, 4*thin
		if off(lo) > 0 || off(hi) < 0 {
			return math.NaN()
		}
		for range 50 {
			if mid := (lo + hi) / 2; off(mid) < 0 {
				lo = mid
			} else {
				hi = mid
			}
		}
		return 1000 * (lo + hi) / 2
	}
	c.AddMM = measure.Propagate(reach, []measure.Input{{Name: "scale", X: c.Scale.X, U: c.Scale.U}})
	if !c.AddMM.Known() {
		why := measure.Unknown("no such stick keeps the model's taper")
		c.AddMM, c.AddMassG, c.AddSpareMM = why, why, why
		return
	}
	s := p.m.Thicker(c.AddMM.X / 1000)
	mass := func(s Stick) float64 { return 1000 * (t.density.X*s.Volume() + p.form.lumpMass) }
	// A gram of uncertainty is one here as there: both sticks have nearly the same
	// volume.
	c.AddMassG = measure.Of(mass(s), c.MassG.U)
	c.AddSpareMM = measure.Unknown("the shape of the blank is not known")
	if o != nil {
		spares, least, _ := p.best(*o, s)
		c.AddSpareMM = measure.Of(spares[least].MM, 0)
	}
}

const (
	rankTrials = 1000
	rankSeed   = 5
)

// rank orders candidates: those that fit first, the nearest to the wish leading; then by
// the blank's number. Between which ranks each lies with 95 % probability is found by
// Monte Carlo over the wood of each and over the model, which is common to all.
func (p planner) rank(list []Candidate) {
	off := func(c Candidate) float64 { return math.Abs(c.Off(p.w.Match).X) }
	slices.SortStableFunc(list, func(a, b Candidate) int {
		ka, kb := a.Off(p.w.Match).Known(), b.Off(p.w.Match).Known()
		return cmp.Or(first(a.Fits, b.Fits), first(ka, kb), func() int {
			if a.Fits {
				return cmp.Compare(off(a), off(b))
			}
			return cmp.Or(first(a.MarginMM.Known(), b.MarginMM.Known()), cmp.Compare(b.MarginMM.X, a.MarginMM.X))
		}(), grading.NumberOrder(a.Blank, b.Blank))
	})
	n := 0
	for i := range list {
		if list[i].Fits {
			n++
			list[i].Rank, list[i].RankLow, list[i].RankHigh = i+1, i+1, i+1
		}
	}
	if n == 0 || !list[0].Off(p.w.Match).Known() {
		for i := range n {
			list[i].RankLow, list[i].RankHigh = 1, n
		}
		return
	}
	// What the model's uncertainty shares out to all candidates moves them together.
	rng := rand.New(rand.NewPCG(rankSeed, 0))
	ranks := make([][]int, n)
	type draw struct {
		off float64
		i   int
	}
	draws := make([]draw, n)
	for range rankTrials {
		common := rng.NormFloat64()
		for i := range n {
			v := list[i].Off(p.w.Match)
			var shared float64
			for _, part := range v.Budget {
				if slices.Contains(fromModel, part.Name) {
					shared += sq(part.U)
				}
			}
			own := math.Sqrt(max(0, sq(v.U)-shared))
			draws[i] = draw{math.Abs(v.X + math.Sqrt(shared)*common + own*rng.NormFloat64()), i}
		}
		slices.SortFunc(draws, func(a, b draw) int { return cmp.Compare(a.off, b.off) })
		for place, d := range draws {
			ranks[d.i] = append(ranks[d.i], place+1)
		}
	}
	for i, r := range ranks {
		slices.Sort(r)
		list[i].RankLow = min(r[int(0.025*rankTrials)], list[i].Rank)
		list[i].RankHigh = max(r[int(0.975*rankTrials)], list[i].Rank)
	}
}

func first(a, b bool) int {
	switch {
	case a && !b:
		return -1
	case b && !a:
		return 1
	}
	return 0
}

// markFront marks the Pareto front: candidates that fit and that no other which fits
// beats both in ring and in nearness to the wish.
func markFront(list []Candidate, m Match) {
	comparable := func(c Candidate) bool { return c.Fits && c.Quality.Known() && c.Off(m).Known() }
	for i := range list {
		a := &list[i]
		if !comparable(*a) {
			continue
		}
		a.Front = !slices.ContainsFunc(list, func(b Candidate) bool {
			if !comparable(b) {
				return false
			}
			nearer, further := math.Abs(b.Off(m).X), math.Abs(a.Off(m).X)
			return nearer <= further && b.Quality.X >= a.Quality.X && (nearer < further || b.Quality.X > a.Quality.X)
		})
	}
}

// Fitting is how many candidates fit; they come first.
func (p Plan) Fitting() int {
	n := 0
	for n < len(p.Candidates) && p.Candidates[n].Fits {
		n++
	}
	return n
}
