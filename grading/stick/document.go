package stick

import (
	"fmt"
	"math"

	"ringstock/spectrum/measure"
)

// CardSchema names the JSON document that `ringstock card` prints.
const CardSchema = "ringstock/card/1"

// Fact is a line about a stick, such as where its wood comes from.
type Fact struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// Caution is what to take care of, and how.
type Caution struct {
	Title string `json:"title"`
	Text  string `json:"text"`
}

// Cautions go with every card, plan and piece of work.
var Cautions = []Caution{
	{"Dust", "Dust of hardwoods can harm skin, eyes and airways, and hardwood dust is classed as carcinogenic to humans (IARC Group 1). Use extraction, mask, gloves and eye protection, and follow the rules of your workplace."},
	{"Protected species", "Some bow woods are listed under CITES, and rules differ by country and change. This is a record, not legal advice: ask your CITES management authority before any border crossing or sale abroad."},
	{"Cracks", "Never flex or load a stick that may be cracked, and keep your face away from a stick under load."},
}

// CardStation is a station as a card shows it.
type CardStation struct {
	AtMM     float64       `json:"at_mm"`
	Shape    Shape         `json:"shape"`
	HeightMM float64       `json:"height_mm"`
	WidthMM  float64       `json:"width_mm"`
	WidestMM measure.Value `json:"widest_mm" u:"-"` // of an egg
	CamberMM measure.Value `json:"camber_mm" u:"-"`
}

// MarshalJSON writes what is not known as null.
func (s CardStation) MarshalJSON() ([]byte, error) { return measure.Marshal(s) }

// Card is all that is known of a finished stick.
type Card struct {
	Schema string `json:"schema"`
	ModelSheet
	About      string        `json:"about"`
	Instrument string        `json:"instrument"`
	Date       string        `json:"date"`
	Stations   []CardStation `json:"stations"`
	CalliperU  float64       `json:"calliper_u_mm"`
	// What was weighed and balanced: the bare stick, and the whole bow.
	BareMassG    measure.Value `json:"bare_mass_g" u:"bare_mass_u_g"`
	BareBalance  measure.Value `json:"bare_balance_mm" u:"bare_balance_u_mm"`
	BareHz       measure.Value `json:"bare_hz" u:"bare_hz_u"`
	BareStiff    measure.Value `json:"bare_stiffness_n_m" u:"bare_stiffness_u_n_m"`
	BowMassG     measure.Value `json:"bow_mass_g" u:"bow_mass_u_g"`
	BowBalance   measure.Value `json:"bow_balance_from_nut_mm" u:"bow_balance_u_mm"`
	HeadBlock    Head          `json:"head_block"`
	HeadReadings []Named       `json:"head_readings"`
	FrogReadings []Named       `json:"frog_readings"`
	Strung       *StrungBow    `json:"strung"` // nil: hair or camber are not given
	Origin       []Fact        `json:"origin"` // lot and papers
	Cautions     []Caution     `json:"cautions"`
	Notes        []string      `json:"notes"`
	Questions    []string      `json:"questions"`
}

// MarshalJSON writes the card flat, each value with its uncertainty beside it.
func (c Card) MarshalJSON() ([]byte, error) { return measure.Marshal(c) }

// CardOf is the card of a stick; day and origin are what the model does not know.
func CardOf(m Model, l Load, day string, origin []Fact) (Card, error) {
	sheet, notes, err := m.Sheet(l)
	if err != nil {
		return Card{}, err
	}
	c := Card{
		Schema: CardSchema, ModelSheet: sheet, About: m.About, Instrument: m.Instrument, Date: day, Stations: []CardStation{}, CalliperU: m.Accuracy.CalliperMM,
		BareMassG: m.Bare.MassG, BareBalance: m.Bare.BalanceMM, BareHz: m.Bare.Hz, BareStiff: m.Bare.StiffnessNM, BowMassG: m.Bow.MassG, BowBalance: m.Bow.BalanceMM,
		HeadBlock: m.Head, HeadReadings: append([]Named{}, m.HeadReadings...), FrogReadings: append([]Named{}, m.FrogReadings...),
		Origin: origin, Cautions: Cautions, Notes: append([]string{}, notes...), Questions: append([]string{}, m.Questions...),
	}
	if m.Hair.TensionN > 0 && len(m.Camber) > 0 {
		const light = 1 // N: about the force of playing (common practice, no source)
		strung, err := m.StringUp(m.Hair, light)
		if err != nil {
			c.Notes = append(c.Notes, "the strung bow is left out: "+err.Error())
		} else {
			c.Strung = &strung
		}
	}
	for _, at := range m.Stations {
		mm := func(m float64) float64 { return math.Round(1e9*m) / 1e6 } // without the last bits
		s := CardStation{AtMM: mm(at.X), Shape: at.Shape, HeightMM: mm(at.Height), WidthMM: mm(at.Width),
			WidestMM: measure.Unknown("the section is not an egg"), CamberMM: measure.Unknown("the camber was not read here")}
		if at.Shape == Egg {
			s.WidestMM = measure.Of(1000*at.Widest*at.Height, 0)
		}
		for _, p := range m.Camber {
			if math.Abs(p.X-at.X) < 5e-4 {
				s.CamberMM = measure.Of(1000*p.Y, 0)
			}
		}
		c.Stations = append(c.Stations, s)
	}
	return c, nil
}

// Weighed is what was weighed and balanced as a whole, in words; what was not says so.
func (c Card) Weighed() []Fact {
	word := func(v measure.Value, unit, after string) string {
		if !v.Known() {
			return "not measured"
		}
		return v.Text(unit) + after
	}
	list := []Fact{
		{"Bare stick, weighed", word(c.BareMassG, "g", "")},
		{"Bare stick, balance", word(c.BareBalance, "mm", " from the butt")},
		{"Bare stick, lowest note", word(c.BareHz, "Hz", "")},
		{"Bare stick, stiffness", word(c.BareStiff, "N/m", ", load in the middle of the whole length")},
		{"Whole bow, weighed", word(c.BowMassG, "g", "")},
		{"Whole bow, balance", word(c.BowBalance, "mm", " from the nut")},
	}
	if b := c.Strung; b != nil {
		list = append(list, Fact{"Strung, by the figures", fmt.Sprintf("at %.4g N the gap is %s at %.0f mm", b.TensionN, b.GapMM.Text("mm"), b.GapAtMM)})
	}
	return list
}

// Pair is a reading with a name of its own on two sticks.
type Pair struct {
	Part  string        `json:"part"` // head or frog
	Name  string        `json:"name"`
	Unit  string        `json:"unit"`
	Model measure.Value `json:"model"`
	Copy  measure.Value `json:"copy"`
	Off   measure.Value `json:"off"` // copy less model
}

// MarshalJSON writes each value with its uncertainty beside it.
func (p Pair) MarshalJSON() ([]byte, error) { return measure.Marshal(p) }

// pairs are the named readings of two sticks side by side, those of the model first.
func pairs(model, copy Model) []Pair {
	out := []Pair{}
	for _, part := range []struct {
		name string
		of   [2][]Named
	}{{"head", [2][]Named{model.HeadReadings, copy.HeadReadings}}, {"frog", [2][]Named{model.FrogReadings, copy.FrogReadings}}} {
		first := len(out)
		for which, list := range part.of {
		readings:
			for _, n := range list {
				for i := range out[first:] {
					if p := &out[first+i]; which == 1 && p.Name == n.Name && p.Unit == n.Unit {
						p.Copy = n.Value
						continue readings
					}
				}
				p := Pair{Part: part.name, Name: n.Name, Unit: n.Unit, Model: measure.Unknown("not read on the model"), Copy: measure.Unknown("not read on the copy")}
				*[]*measure.Value{&p.Model, &p.Copy}[which] = n.Value
				out = append(out, p)
			}
		}
	}
	for i := range out {
		p := &out[i]
		if p.Off = measure.Unknown("read on one of the two only"); p.Model.Known() && p.Copy.Known() {
			p.Off = measure.FromParts(p.Copy.X-p.Model.X, []measure.Part{{Name: "copy", U: p.Copy.U}, {Name: "model", U: p.Model.U}})
		}
	}
	return out
}
