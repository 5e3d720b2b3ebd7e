package stick

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"ringstock/grading/tomlfile"
	"ringstock/spectrum/measure"
)

// card is a model in TOML.
type card struct {
	Name       string  `toml:"name"`
	About      string  `toml:"about"`
	Source     string  `toml:"source"`
	Instrument string  `toml:"instrument"`
	CalliperU  float64 `toml:"calliper_u_mm"`
	LengthU    float64 `toml:"length_u_mm"`
	Wood       struct {
		Density  *float64 `toml:"density_kg_m3"`
		DensityU float64  `toml:"density_u_kg_m3"`
		Young    *float64 `toml:"youngs_modulus_gpa"`
		YoungU   float64  `toml:"youngs_modulus_u_gpa"`
		Shear    *float64 `toml:"shear_modulus_gpa"`
		ShearU   float64  `toml:"shear_modulus_u_gpa"`
	} `toml:"wood"`
	Bare struct {
		Mass       *float64 `toml:"mass_g"`
		MassU      float64  `toml:"mass_u_g"`
		Balance    *float64 `toml:"balance_mm"`
		BalanceU   float64  `toml:"balance_u_mm"`
		Hz         *float64 `toml:"hz"`
		HzU        float64  `toml:"hz_u"`
		Stiffness  *float64 `toml:"stiffness_n_m"`
		StiffnessU float64  `toml:"stiffness_u_n_m"`
	} `toml:"bare"`
	Bow struct {
		Mass     *float64 `toml:"mass_g"`
		MassU    float64  `toml:"mass_u_g"`
		Balance  *float64 `toml:"balance_from_nut_mm"`
		BalanceU float64  `toml:"balance_u_mm"`
	} `toml:"bow"`
	Blank struct {
		Stick    string   `toml:"stick"`
		Density  *float64 `toml:"density_kg_m3"`
		DensityU float64  `toml:"density_u_kg_m3"`
		Young    *float64 `toml:"youngs_modulus_gpa"`
		YoungU   float64  `toml:"youngs_modulus_u_gpa"`
	} `toml:"blank"`
	Head struct {
		Length   float64        `toml:"length_mm"`
		Height   float64        `toml:"height_mm"`
		Width    float64        `toml:"width_mm"`
		Readings map[string]any `toml:"readings"`
	} `toml:"head"`
	Frog struct {
		Readings map[string]any `toml:"readings"`
	} `toml:"frog"`
	Hair struct {
		Butt    float64 `toml:"butt_mm"`
		Head    float64 `toml:"head_mm"`
		From    float64 `toml:"from_mm"`
		Tension float64 `toml:"tension_n"`
		Stretch float64 `toml:"stretch_mm_per_n"`
	} `toml:"hair"`
	Lumps    []cardLump    `toml:"lump"`
	Stations []cardStation `toml:"station"`
}

type cardLump struct {
	Name   string  `toml:"name"`
	At     float64 `toml:"at_mm"`
	Mass   float64 `toml:"mass_g"`
	Length float64 `toml:"length_mm"`
	Height float64 `toml:"height_mm"`
	Width  float64 `toml:"width_mm"`
}

type cardStation struct {
	At        *float64    `toml:"at_mm"`
	Height    *float64    `toml:"height_mm"`
	Width     *float64    `toml:"width_mm"`
	Widest    *float64    `toml:"widest_mm"`
	Camber    *float64    `toml:"camber_mm"`
	Shape     Shape       `toml:"shape"`
	Diameters [][]float64 `toml:"diameters"`
}

// parseCard reads a model as TOML. Keys that it does not know are refused: a misspelt
// reading would otherwise silently be missing.
func parseCard(text []byte) (Model, error) {
	c := card{CalliperU: Workshop.CalliperMM, LengthU: Workshop.LengthMM}
	md, err := tomlfile.Decode(text, &c)
	if err != nil {
		var at toml.ParseError
		if errors.As(err, &at) {
			return Model{}, fmt.Errorf("line %d: %s", at.Position.Line, at.Message+cause(at))
		}
		return Model{}, errors.New(strings.TrimPrefix(err.Error(), "toml: "))
	}
	if unknown := md.Undecoded(); len(unknown) > 0 {
		return Model{}, fmt.Errorf("%s is not a key of a model: is it misspelt? `ringstock card demo-violin --text` prints a card with all of them", unknown[0])
	}
	m := Model{
		Name: c.Name, About: c.About, Source: c.Source, Instrument: c.Instrument,
		Accuracy: Accuracy{c.CalliperU, c.LengthU},
		Blank:    Origin{Stick: c.Blank.Stick},
		Head:     Head{c.Head.Length, c.Head.Height, c.Head.Width},
		Hair:     Hair{ButtMM: c.Hair.Butt, HeadMM: c.Hair.Head, TensionN: c.Hair.Tension, FromMM: c.Hair.From, StretchMM: c.Hair.Stretch},
	}
	for _, step := range []func(*Model) error{c.values, c.sizes, c.named, c.lumps} {
		if err := step(&m); err != nil {
			return Model{}, err
		}
	}
	list, err := c.readings()
	if err != nil {
		return Model{}, err
	}
	return m.take(list)
}

// cause is what an error of the TOML reader says beyond its message.
func cause(e toml.ParseError) string {
	if e.Message != "" {
		return ""
	}
	return strings.TrimPrefix(e.Error(), "toml: ")
}

// values takes what the card gives with an uncertainty of its own.
func (c card) values(m *Model) error {
	for _, v := range []struct {
		key      string
		x        *float64
		u        float64
		to       *measure.Value
		min, max float64
	}{
		{"wood.density_kg_m3", c.Wood.Density, c.Wood.DensityU, &m.Wood.Density, 50, 3000},
		{"wood.youngs_modulus_gpa", c.Wood.Young, c.Wood.YoungU, &m.Wood.YoungsModulus, 0.1, 1000},
		{"wood.shear_modulus_gpa", c.Wood.Shear, c.Wood.ShearU, &m.Wood.ShearModulus, 0.01, 500},
		{"bare.mass_g", c.Bare.Mass, c.Bare.MassU, &m.Bare.MassG, 0.1, 10000},
		{"bare.balance_mm", c.Bare.Balance, c.Bare.BalanceU, &m.Bare.BalanceMM, 0, longestMM},
		{"bare.hz", c.Bare.Hz, c.Bare.HzU, &m.Bare.Hz, 1, 20000},
		{"bare.stiffness_n_m", c.Bare.Stiffness, c.Bare.StiffnessU, &m.Bare.StiffnessNM, 1, 1e6},
		{"blank.density_kg_m3", c.Blank.Density, c.Blank.DensityU, &m.Blank.Wood.Density, 50, 3000},
		{"blank.youngs_modulus_gpa", c.Blank.Young, c.Blank.YoungU, &m.Blank.Wood.YoungsModulus, 0.1, 1000},
		{"bow.mass_g", c.Bow.Mass, c.Bow.MassU, &m.Bow.MassG, 1, 1000},
		{"bow.balance_from_nut_mm", c.Bow.Balance, c.Bow.BalanceU, &m.Bow.BalanceMM, 0, longestMM},
	} {
		*v.to = measure.Unknown(v.key + " is not given")
		if v.x == nil {
			continue
		}
		if !(*v.x >= v.min && *v.x <= v.max) {
			return fmt.Errorf("%s = %g: give a number from %g to %g", v.key, *v.x, v.min, v.max)
		}
		if !(v.u >= 0 && v.u <= v.max) {
			return fmt.Errorf("%s: its standard uncertainty of %g is none", v.key, v.u)
		}
		*v.to = measure.Of(*v.x, v.u)
	}
	return nil
}

// sizes checks the plain numbers of the card.
func (c card) sizes(*Model) error {
	type size struct {
		key    string
		x, max float64
	}
	list := []size{
		{"calliper_u_mm", c.CalliperU, 5}, {"length_u_mm", c.LengthU, 50},
		{"head.length_mm", c.Head.Length, 500}, {"head.height_mm", c.Head.Height, 500}, {"head.width_mm", c.Head.Width, 500},
		{"hair.butt_mm", c.Hair.Butt, 200}, {"hair.head_mm", c.Hair.Head, 200}, {"hair.tension_n", c.Hair.Tension, 1000},
		{"hair.stretch_mm_per_n", c.Hair.Stretch, 10}, {"hair.from_mm", c.Hair.From, 300},
	}
	for i, l := range c.Lumps {
		of := fmt.Sprintf("lump %d (%s): ", i+1, l.Name)
		list = append(list, size{of + "length_mm", l.Length, 500}, size{of + "height_mm", l.Height, 500}, size{of + "width_mm", l.Width, 500})
	}
	for _, v := range list {
		if !(v.x >= 0 && v.x <= v.max) {
			return fmt.Errorf("%s = %g: give a number from 0 to %g", v.key, v.x, v.max)
		}
	}
	return nil
}

func (c card) lumps(m *Model) error {
	for i, l := range c.Lumps {
		if !(l.Mass >= 0 && l.Mass <= 1000) || !(l.At >= -100 && l.At <= longestMM) {
			return fmt.Errorf("lump %d (%s): %g g at %g mm can't be on a stick", i+1, l.Name, l.Mass, l.At)
		}
		m.Lumps = append(m.Lumps, Lump{Name: l.Name, X: l.At / 1000, M: l.Mass / 1000, Long: l.Length / 1000, High: l.Height / 1000, Wide: l.Width / 1000})
	}
	return nil
}

// named takes the readings with names of their own: a number, or a number and its
// standard uncertainty. They are in mm, or in degrees where the name ends in _deg.
func (c card) named(m *Model) error {
	for _, part := range []struct {
		key  string
		read map[string]any
		to   *[]Named
	}{{"head.readings", c.Head.Readings, &m.HeadReadings}, {"frog.readings", c.Frog.Readings, &m.FrogReadings}} {
		for _, name := range slices.SortedFunc(maps.Keys(part.read), compareNames) {
			n, err := namedReading(name, part.read[name], m.Accuracy.CalliperMM)
			if err != nil {
				return fmt.Errorf("%s.%q: %w", part.key, name, err)
			}
			*part.to = append(*part.to, n)
		}
	}
	return nil
}

// usualNames are the readings most cards have, in the order they are shown in.
var usualNames = []string{"height", "height_with_plate", "width", "face_width", "length", "bevel", "mortise_length", "mortise_width", "mortise_depth",
	"ferrule_width", "ferrule_height", "ferrule_length", "slide_length", "eye", "button_length"}

func compareNames(a, b string) int {
	place := func(s string) int {
		if i := slices.Index(usualNames, strings.TrimSuffix(strings.TrimSuffix(s, "_mm"), "_deg")); i >= 0 {
			return i
		}
		return len(usualNames)
	}
	return cmp.Or(cmp.Compare(place(a), place(b)), cmp.Compare(a, b))
}

func namedReading(name string, v any, usualU float64) (Named, error) {
	out := Named{Name: strings.ReplaceAll(strings.TrimSuffix(name, "_mm"), "_", " "), Unit: "mm"}
	u := usualU
	if plain, ok := strings.CutSuffix(name, "_deg"); ok {
		out.Name, out.Unit, u = strings.ReplaceAll(plain, "_", " "), "deg", usualAngleU
	}
	pair, ok := v.([]any)
	if !ok {
		pair = []any{v}
	}
	var x []float64
	for _, e := range pair {
		switch e := e.(type) {
		case float64:
			x = append(x, e)
		case int64:
			x = append(x, float64(e))
		}
	}
	if len(x) != len(pair) || len(x) < 1 || len(x) > 2 {
		return out, errors.New("give a number, or [number, standard uncertainty]")
	}
	if len(x) == 2 {
		u = x[1]
	}
	if !(math.Abs(x[0]) <= 500) || !(u >= 0 && u <= 500) {
		return out, fmt.Errorf("%g ± %g %s is no reading of a head or frog", x[0], u, out.Unit)
	}
	out.Value = measure.Of(x[0], u)
	return out, nil
}

// usualAngleU is the standard uncertainty of an angle where none is given, degrees
// (assumed).
const usualAngleU = 0.5

func (c card) readings() (list []reading, err error) {
	if len(c.Stations) > stationLimit {
		return nil, fmt.Errorf("more than %d stations", stationLimit)
	}
	for i, s := range c.Stations {
		r := reading{where: fmt.Sprintf("station %d", i+1), shape: s.Shape, atMM: s.At, height: s.Height, width: s.Width, widest: s.Widest, camber: s.Camber}
		for _, d := range s.Diameters {
			if len(d) != 2 {
				return nil, fmt.Errorf("%s: a diameter is a pair, [angle from the height in degrees, mm]", r.where)
			}
			r.diameters = append(r.diameters, Diameter{d[0], d[1]})
		}
		list = append(list, r)
	}
	return list, nil
}
