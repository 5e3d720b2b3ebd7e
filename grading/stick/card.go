package stick

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Model is the card of a stick: what was measured on it, and of what wood it is.
type Model struct {
	Name       string
	About      string
	Source     string // where the readings come from
	Instrument string // violin, viola, cello or bass; may be empty
	Stick
	Camber []Point // may be empty
	Wood   Wood
	Bare   Bare
	Bow    Bow
	Blank  Origin
	Head   Head
	Hair   Hair // zero: no hair given
	// HeadReadings and FrogReadings are what else was read on head and frog, by name.
	HeadReadings, FrogReadings []Named
	Accuracy                   Accuracy
	// Questions are readings that look wrong, asked back; Notes are what was assumed.
	Questions []string
	Notes     []string
}

// Bare is what was measured on the bare stick as a whole.
type Bare struct {
	MassG     measure.Value
	BalanceMM measure.Value // centre of mass, from the butt
	Hz        measure.Value // lowest bending note of the free stick, height plane
	// StiffnessNM was taken over a gauge, N/m: load over deflection in the middle
	// of the whole length.
	StiffnessNM measure.Value
}

// Bow is what was measured on the whole bow, frog and hair mounted.
type Bow struct {
	MassG     measure.Value
	BalanceMM measure.Value // from the nut
}

// Named is a reading with a name of its own, such as the height of the head's face.
type Named struct {
	Name  string        `json:"name"`
	Value measure.Value `json:"value" u:"value_u"`
	Unit  string        `json:"unit"` // mm, or deg for an angle
}

// MarshalJSON writes value and uncertainty side by side.
func (n Named) MarshalJSON() ([]byte, error) { return measure.Marshal(n) }

// Origin is the blank that a stick was made of: its name in the stock, or its wood
// as it was known then.
type Origin struct {
	Stick string
	Wood  Wood
}

// Head is the block that a blank must have for the head to be cut from it.
type Head struct {
	LengthMM float64 `json:"length_mm"` // 0 = not given
	HeightMM float64 `json:"height_mm"`
	WidthMM  float64 `json:"width_mm"`
}

const (
	cardLimit    = 1 << 20 // bytes
	stationLimit = 1000
	longestMM    = 2000
	thinnestMM   = 0.5
	thickestMM   = 100
)

//go:embed cards/*.toml
var cardFiles embed.FS

// Cards are the names of the built-in models.
func Cards() (names []string) {
	files, err := fs.Glob(cardFiles, "cards/*.toml")
	if err != nil {
		panic("stick: " + err.Error()) // the pattern is a constant
	}
	for _, f := range files {
		names = append(names, strings.TrimSuffix(strings.TrimPrefix(f, "cards/"), ".toml"))
	}
	return names
}

// CardText is a built-in model as the text of a card, to start an own one from.
func CardText(name string) ([]byte, bool) {
	text, err := cardFiles.ReadFile("cards/" + name + ".toml")
	return text, err == nil
}

// ReadModel reads a model, in TOML if the name of its file ends so, else as a table.
func ReadModel(name string, r io.Reader) (Model, error) {
	text, err := io.ReadAll(io.LimitReader(r, cardLimit+1))
	if err != nil {
		return Model{}, err
	}
	if len(text) > cardLimit {
		return Model{}, errors.New("the file is larger than 1 MB: is it a model?")
	}
	var m Model
	if strings.HasSuffix(strings.ToLower(name), ".toml") {
		m, err = parseCard(text)
	} else {
		m, err = parseTable(text)
	}
	if err != nil {
		return Model{}, err
	}
	if m.Name == "" {
		base := name[strings.LastIndexAny(name, `/\`)+1:]
		m.Name, _, _ = strings.Cut(base, ".")
	}
	return m, nil
}

// deriveWood takes what the card does not say of the wood from the bare stick: the
// density from its mass, the modulus from its note.
func (m *Model) deriveWood() error {
	if !m.Wood.Density.Known() && m.Bare.MassG.Known() {
		f := newForm(m.Stick, m.MidSpan(0, 1), m.Accuracy)
		m.Wood.Density = measure.Propagate(func(x []float64) float64 {
			return (x[0]/1000 - f.lumpMass) / (f.volume * (1 + x[1]))
		}, []measure.Input{{Name: "mass", X: m.Bare.MassG.X, U: m.Bare.MassG.U}, {Name: fromDiameters, U: f.uVolume}})
		if !(m.Wood.Density.X > 50) {
			return fmt.Errorf("bare.mass_g = %g: the lumps leave the shaft a density of %.0f kg/m3, which no wood has", m.Bare.MassG.X, m.Wood.Density.X)
		}
		m.Notes = append(m.Notes, "the density comes from the mass of the bare stick over its volume")
	}
	if !m.Wood.YoungsModulus.Known() && m.Bare.Hz.Known() && m.Wood.Density.Known() {
		if err := m.youngFromNote(); err != nil {
			return err
		}
		m.Notes = append(m.Notes, "Young's modulus comes from the note of the bare stick")
	}
	return nil
}

// youngFromNote finds the modulus at which the free stick has the note that was measured.
// At one ratio E/G the note goes as the root of E/density.
func (m *Model) youngFromNote() error {
	f := newForm(m.Stick, m.MidSpan(0, 1), m.Accuracy)
	const guess = 20 // GPa
	t := timber{density: m.Wood.Density, young: measure.Of(guess, 0), eg: m.Wood.timber().eg}
	first, err := f.hz(bar.BendingHeight, bar.HeightPlane, t, t.eg, 1)
	if err != nil || len(first) == 0 {
		return fmt.Errorf("bare.hz: the note of this stick can't be computed: %w", err)
	}
	hz, density := m.Bare.Hz, m.Wood.Density
	specific := func(x []float64) float64 { return guess / density.X * sq(x[0]/(first[0]*(1+x[1]))) }
	in := []measure.Input{{Name: "note", X: hz.X, U: hz.U}, {Name: fromDiameters, U: f.uPitch}}
	young := func(x []float64) float64 { return x[2] * specific(x) }
	// A density that comes from the same diameters moves against their volume, so that of
	// the modulus their stiffness alone is left.
	i := slices.IndexFunc(density.Budget, func(p measure.Part) bool { return p.Name == fromDiameters })
	own := measure.Input{Name: fromDensity, X: density.X, U: density.U}
	inYoung := slices.Clone(in)
	if i >= 0 {
		own.U = math.Sqrt(max(0, sq(density.U)-sq(density.Budget[i].U)))
		inYoung[1].U = f.uStiffness[0] / 2
	}
	m.Wood.YoungsModulus = measure.Propagate(young, append(inYoung, own))
	m.Wood.SpecificModulus = measure.Propagate(func(x []float64) float64 { return 1000 * specific(x) }, in)
	return nil
}
