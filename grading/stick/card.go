package stick

import (
	"bytes"
	"embed"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"

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
	Camber   []Point // may be empty
	Wood     Wood
	Bare     Bare
	Bow      Bow
	Head     Head
	Hair     Hair // zero: no hair given
	Accuracy Accuracy
	// Questions are readings that look wrong, asked back; Notes are what was assumed.
	Questions []string
	Notes     []string
}

// Bare is what was measured on the bare stick as a whole.
type Bare struct {
	MassG     measure.Value
	BalanceMM measure.Value // centre of mass, from the butt
	Hz        measure.Value // lowest bending note of the free stick, height plane
}

// Bow is what was measured on the whole bow, frog and hair mounted.
type Bow struct {
	MassG     measure.Value
	BalanceMM measure.Value // from the nut
}

// Head is the block that a blank must have for the head to be cut from it.
type Head struct{ LengthMM, HeightMM, WidthMM float64 }

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

// reading is one station as it was read, mm.
type reading struct {
	where                             string // in the file
	at, height, width, widest, camber float64
	hasAt, hasHeight, hasWidth        bool
	hasWidest, hasCamber              bool
	shape                             Shape
	diameters                         []Diameter
}

// parseTable reads a model as CSV: a row per station.
func parseTable(text []byte) (Model, error) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	first, _, _ := bytes.Cut(text, []byte("\n"))
	r := csv.NewReader(bytes.NewReader(text))
	r.FieldsPerRecord = -1
	r.TrimLeadingSpace = true
	if bytes.Count(first, []byte(";")) > bytes.Count(first, []byte(",")) {
		r.Comma = ';'
	}
	head, err := r.Read()
	if err != nil {
		return Model{}, errors.New("the table is empty: give a header row with at_mm, height_mm, width_mm and a row for each station")
	}
	m := Model{Accuracy: Workshop}
	column := map[string]int{}
	for i, name := range head {
		name = strings.ToLower(strings.TrimSpace(name))
		if _, twice := column[name]; twice && name != "" {
			return Model{}, fmt.Errorf("header: the column %s is there twice", name)
		}
		column[name] = i
		if !slices.Contains(tableColumns, name) && !diameterColumn.MatchString(name) && name != "" {
			m.Notes = append(m.Notes, fmt.Sprintf("the column %s is not read; known are %s and d45_mm, d135_mm, … for diameters at other angles",
				name, strings.Join(tableColumns, ", ")))
		}
	}
	if _, ok := column["at_mm"]; !ok {
		return Model{}, fmt.Errorf("header: the column at_mm (distance from the butt) is missing; known are %s", strings.Join(tableColumns, ", "))
	}
	var list []reading
	for {
		cells, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var parse *csv.ParseError
			if errors.As(err, &parse) {
				return Model{}, fmt.Errorf("row %d: %w: look for a stray quote", parse.StartLine, parse.Err)
			}
			return Model{}, err
		}
		row, _ := r.FieldPos(0)
		if !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			continue
		}
		if len(list) == stationLimit {
			return Model{}, fmt.Errorf("row %d: more than %d stations", row, stationLimit)
		}
		s := reading{where: fmt.Sprintf("row %d", row)}
		cell := func(name string) string {
			if i, ok := column[name]; ok && i < len(cells) {
				return strings.TrimSpace(cells[i])
			}
			return ""
		}
		number := func(name string) (x float64, ok bool, err error) {
			text := cell(name)
			if text == "" {
				return 0, false, nil
			}
			if r.Comma == ';' {
				text = strings.Replace(text, ",", ".", 1)
			}
			if !plainNumber.MatchString(text) {
				return 0, false, fmt.Errorf("%s, column %s: %q is not a number: write digits only, without unit", s.where, name, cell(name))
			}
			x, err = strconv.ParseFloat(text, 64)
			if err != nil || math.Abs(x) > 1e6 {
				return 0, false, fmt.Errorf("%s, column %s: %q is not a number that can be measured", s.where, name, cell(name))
			}
			return x, true, nil
		}
		for _, c := range []struct {
			name string
			x    *float64
			has  *bool
		}{
			{"at_mm", &s.at, &s.hasAt}, {"height_mm", &s.height, &s.hasHeight}, {"width_mm", &s.width, &s.hasWidth},
			{"widest_mm", &s.widest, &s.hasWidest}, {"camber_mm", &s.camber, &s.hasCamber},
		} {
			if *c.x, *c.has, err = number(c.name); err != nil {
				return Model{}, err
			}
		}
		s.shape = Shape(strings.ToLower(cell("shape")))
		for _, name := range slices.Sorted(maps.Keys(column)) {
			if at := diameterColumn.FindStringSubmatch(name); at != nil {
				x, ok, err := number(name)
				if err != nil {
					return Model{}, err
				}
				if ok {
					deg, _ := strconv.ParseFloat(at[1], 64)
					s.diameters = append(s.diameters, Diameter{deg, x})
				}
			}
		}
		list = append(list, s)
	}
	return m.take(list)
}

var (
	tableColumns   = []string{"at_mm", "height_mm", "width_mm", "camber_mm", "shape", "widest_mm"}
	diameterColumn = regexp.MustCompile(`^d(\d{1,3}(?:\.\d)?)_mm$`)
	plainNumber    = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)$`)
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
		Mass     *float64 `toml:"mass_g"`
		MassU    float64  `toml:"mass_u_g"`
		Balance  *float64 `toml:"balance_mm"`
		BalanceU float64  `toml:"balance_u_mm"`
		Hz       *float64 `toml:"hz"`
		HzU      float64  `toml:"hz_u"`
	} `toml:"bare"`
	Bow struct {
		Mass     *float64 `toml:"mass_g"`
		MassU    float64  `toml:"mass_u_g"`
		Balance  *float64 `toml:"balance_from_nut_mm"`
		BalanceU float64  `toml:"balance_u_mm"`
	} `toml:"bow"`
	Head struct {
		Length float64 `toml:"length_mm"`
		Height float64 `toml:"height_mm"`
		Width  float64 `toml:"width_mm"`
	} `toml:"head"`
	Hair struct {
		Butt    float64 `toml:"butt_mm"`
		Head    float64 `toml:"head_mm"`
		Tension float64 `toml:"tension_n"`
	} `toml:"hair"`
	Lumps []struct {
		Name string  `toml:"name"`
		At   float64 `toml:"at_mm"`
		Mass float64 `toml:"mass_g"`
	} `toml:"lump"`
	Stations []struct {
		At        *float64    `toml:"at_mm"`
		Height    *float64    `toml:"height_mm"`
		Width     *float64    `toml:"width_mm"`
		Widest    *float64    `toml:"widest_mm"`
		Camber    *float64    `toml:"camber_mm"`
		Shape     Shape       `toml:"shape"`
		Diameters [][]float64 `toml:"diameters"`
	} `toml:"station"`
}

// parseCard reads a model as TOML. Keys that it does not know are refused: a misspelt
// reading would otherwise silently be missing.
func parseCard(text []byte) (Model, error) {
	c := card{CalliperU: Workshop.CalliperMM, LengthU: Workshop.LengthMM}
	md, err := toml.Decode(string(text), &c)
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
		Head:     Head{c.Head.Length, c.Head.Height, c.Head.Width},
		Hair:     Hair{c.Hair.Butt, c.Hair.Head, c.Hair.Tension},
	}
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
		{"bow.mass_g", c.Bow.Mass, c.Bow.MassU, &m.Bow.MassG, 1, 1000},
		{"bow.balance_from_nut_mm", c.Bow.Balance, c.Bow.BalanceU, &m.Bow.BalanceMM, 0, longestMM},
	} {
		*v.to = measure.Unknown(v.key + " is not given")
		if v.x == nil {
			continue
		}
		if !(*v.x >= v.min && *v.x <= v.max) {
			return Model{}, fmt.Errorf("%s = %g: give a number from %g to %g", v.key, *v.x, v.min, v.max)
		}
		if !(v.u >= 0 && v.u <= v.max) {
			return Model{}, fmt.Errorf("%s: its standard uncertainty of %g is none", v.key, v.u)
		}
		*v.to = measure.Of(*v.x, v.u)
	}
	for _, v := range []struct {
		key string
		x   float64
		max float64
	}{
		{"calliper_u_mm", c.CalliperU, 5}, {"length_u_mm", c.LengthU, 50},
		{"head.length_mm", c.Head.Length, 500}, {"head.height_mm", c.Head.Height, 500}, {"head.width_mm", c.Head.Width, 500},
		{"hair.butt_mm", c.Hair.Butt, 200}, {"hair.head_mm", c.Hair.Head, 200}, {"hair.tension_n", c.Hair.Tension, 1000},
	} {
		if !(v.x >= 0 && v.x <= v.max) {
			return Model{}, fmt.Errorf("%s = %g: give a number from 0 to %g", v.key, v.x, v.max)
		}
	}
	for i, l := range c.Lumps {
		if !(l.Mass >= 0 && l.Mass <= 1000) || !(l.At >= -100 && l.At <= longestMM) {
			return Model{}, fmt.Errorf("lump %d (%s): %g g at %g mm can't be on a stick", i+1, l.Name, l.Mass, l.At)
		}
		m.Lumps = append(m.Lumps, Lump{l.Name, l.At / 1000, l.Mass / 1000})
	}
	if len(c.Stations) > stationLimit {
		return Model{}, fmt.Errorf("more than %d stations", stationLimit)
	}
	var list []reading
	for i, s := range c.Stations {
		r := reading{where: fmt.Sprintf("station %d", i+1), shape: s.Shape}
		for _, v := range []struct {
			from *float64
			x    *float64
			has  *bool
		}{
			{s.At, &r.at, &r.hasAt}, {s.Height, &r.height, &r.hasHeight}, {s.Width, &r.width, &r.hasWidth},
			{s.Widest, &r.widest, &r.hasWidest}, {s.Camber, &r.camber, &r.hasCamber},
		} {
			if v.from != nil {
				*v.x, *v.has = *v.from, true
			}
		}
		for _, d := range s.Diameters {
			if len(d) != 2 {
				return Model{}, fmt.Errorf("%s: a diameter is a pair, [angle from the height in degrees, mm]", r.where)
			}
			r.diameters = append(r.diameters, Diameter{d[0], d[1]})
		}
		list = append(list, r)
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

// take turns readings into stations, and asks back what looks wrong.
func (m Model) take(list []reading) (Model, error) {
	for _, r := range list {
		if !r.hasAt {
			return Model{}, fmt.Errorf("%s: at_mm, the distance from the butt, is missing", r.where)
		}
		if !(r.at >= 0 && r.at <= longestMM) {
			return Model{}, fmt.Errorf("%s, at_mm: %g mm is not on a stick: give a distance from the butt of 0 to %d mm", r.where, r.at, longestMM)
		}
		if r.hasCamber {
			if !(math.Abs(r.camber) <= 200) {
				return Model{}, fmt.Errorf("%s, camber_mm: %g mm is no camber", r.where, r.camber)
			}
			m.Camber = append(m.Camber, Point{r.at / 1000, r.camber / 1000})
		}
		if !r.hasHeight && !r.hasWidth && len(r.diameters) == 0 {
			if r.hasCamber {
				continue
			}
			return Model{}, fmt.Errorf("%s: there is no diameter: give height_mm, width_mm or both", r.where)
		}
		s, err := m.section(r)
		if err != nil {
			return Model{}, err
		}
		if n := len(m.Stations); n > 0 && !(r.at/1000 > m.Stations[n-1].X) {
			return Model{}, fmt.Errorf("%s, at_mm: %g mm does not lie behind the station before it, at %g mm: put the stations in order from the butt, each once",
				r.where, r.at, 1000*m.Stations[n-1].X)
		}
		m.Stations = append(m.Stations, Station{r.at / 1000, s})
	}
	slices.SortStableFunc(m.Camber, func(a, b Point) int { return compare(a.X, b.X) })
	for i := range m.Camber {
		if i > 0 && m.Camber[i].X == m.Camber[i-1].X {
			return Model{}, fmt.Errorf("two cambers at %g mm", 1000*m.Camber[i].X)
		}
	}
	if err := m.check(); err != nil {
		return Model{}, err
	}
	for i, l := range m.Lumps {
		if l.X > m.end()+0.1 {
			return Model{}, fmt.Errorf("lump %d (%s) at %g mm lies more than 100 mm beyond the last station", i+1, l.Name, 1000*l.X)
		}
	}
	if m.Stations[0].X > 0.001 {
		m.Questions = append(m.Questions, fmt.Sprintf("the first station lies %g mm from the butt: is there wood before it? The stick is taken to begin there", 1000*m.Stations[0].X))
	}
	m.ask()
	return m, m.deriveWood()
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// section is what the diameters of one station make.
func (m *Model) section(r reading) (Section, error) {
	if r.shape != "" && !slices.Contains(shapes, r.shape) {
		return Section{}, fmt.Errorf("%s, shape: %q is not one of round, octagonal, oval, egg, rectangular", r.where, r.shape)
	}
	all := slices.Clone(r.diameters)
	if r.hasHeight {
		all = append(all, Diameter{0, r.height})
	}
	if r.hasWidth {
		all = append(all, Diameter{90, r.width})
	}
	for _, d := range all {
		if !(d.MM >= thinnestMM && d.MM <= thickestMM) {
			return Section{}, fmt.Errorf("%s: a diameter of %g mm is none of a stick: give one from %g to %d mm", r.where, d.MM, thinnestMM, thickestMM)
		}
		if !(d.Deg >= -360 && d.Deg <= 360) {
			return Section{}, fmt.Errorf("%s: a direction of %g degrees: give 0 to 180, from the height", r.where, d.Deg)
		}
	}
	if r.hasWidest {
		if r.shape == "" {
			r.shape = Egg
		}
		if r.shape != Egg {
			return Section{}, fmt.Errorf("%s, widest_mm: only an egg-shaped section has its widest line off the middle", r.where)
		}
		if !r.hasHeight || !(r.widest > 0.1*r.height && r.widest < 0.9*r.height) {
			return Section{}, fmt.Errorf("%s, widest_mm: the widest line of an egg %g mm high can't lie %g mm over its underside", r.where, r.height, r.widest)
		}
	}
	if len(r.diameters) == 0 || r.hasWidest {
		if !r.hasHeight {
			r.height = r.width
		}
		if !r.hasWidth {
			r.width = r.height
		}
		s := Section{Shape: r.shape, Height: r.height / 1000, Width: r.width / 1000}
		switch {
		case r.shape == "":
			s.Shape = Oval
		case r.shape == Round && r.height != r.width:
			s.Shape = Oval
		case r.shape == Egg && r.hasWidest:
			s.Widest = r.widest / r.height
		case r.shape == Egg:
			s.Widest = usualWidest
			if note := fmt.Sprintf("where widest_mm is missing, an egg's widest line is taken at %.0f %% of its height (assumed)", 100*usualWidest); !slices.Contains(m.Notes, note) {
				m.Notes = append(m.Notes, note)
			}
		}
		return s, nil
	}
	f, err := FitSection(all, r.shape, max(m.Accuracy.CalliperMM, 0.01))
	if err != nil {
		return Section{}, fmt.Errorf("%s: %w", r.where, err)
	}
	if limit := 4 * max(m.Accuracy.CalliperMM, 0.01); f.RMSmm > limit {
		m.Questions = append(m.Questions, fmt.Sprintf("%s, at %g mm: no section fits its %d diameters: %.2f mm (rms) are left over from the best, %s: is one misread?",
			r.where, r.at, len(all), f.RMSmm, f.Shape))
	}
	return f.Section, nil
}

// usualWidest is where an egg's widest line is taken if it was not measured.
const usualWidest = 0.45

// ask looks for stations that stand out of line by more than their neighbours allow. Each
// diameter is compared with the straight line between its neighbours; what smooth taper and
// reading leave of that, the median of its size tells.
func (m *Model) ask() {
	for _, side := range []struct {
		name string
		of   func(Section) float64
	}{
		{"height", func(s Section) float64 { return s.Height }},
		{"width", func(s Section) float64 { return s.Width }},
	} {
		list := slices.Clone(m.Stations)
		for range len(m.Stations) / 4 {
			worst, excess := -1, 0.0
			var size []float64
			off := func(i int) float64 {
				a, b, c := list[i-1], list[i], list[i+1]
				return side.of(b.Section) - side.of(between(a.Section, c.Section, (b.X-a.X)/(c.X-a.X)))
			}
			for i := 1; i < len(list)-1; i++ {
				size = append(size, math.Abs(off(i)))
			}
			if len(size) < 3 {
				break
			}
			slices.Sort(size)
			// 1.5 and the weights of three readings: sd of such a difference is sqrt(1.5) u.
			allowed := max(5*math.Sqrt(1.5)*m.Accuracy.CalliperMM/1000, 6*size[len(size)/2])
			for i := 1; i < len(list)-1; i++ {
				if x := math.Abs(off(i)); x > allowed && x > excess {
					worst, excess = i, x
				}
			}
			if worst < 0 {
				break
			}
			a, b, c := list[worst-1], list[worst], list[worst+1]
			m.Questions = append(m.Questions, fmt.Sprintf(
				"the %s of %.2f mm at %.4g mm is %.2f mm out of line with its neighbours (%.2f mm at %.4g mm, %.2f mm at %.4g mm): is it misread?",
				side.name, 1000*side.of(b.Section), 1000*b.X, 1000*off(worst), 1000*side.of(a.Section), 1000*a.X, 1000*side.of(c.Section), 1000*c.X))
			list = slices.Delete(list, worst, worst+1)
		}
	}
}

// deriveWood takes what the card does not say of the wood from the bare stick: the density
// from its mass, the modulus from its note.
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
	first, err := f.hz(bar.BendingHeight, bar.HeightPlane, timber{density: m.Wood.Density, young: measure.Of(guess, 0)}, usualEG, 1)
	if err != nil || len(first) == 0 {
		return fmt.Errorf("bare.hz: the note of this stick can't be computed: %w", err)
	}
	hz := m.Bare.Hz
	m.Wood.YoungsModulus = measure.Propagate(func(x []float64) float64 {
		return guess * sq(x[0]/(first[0]*(1+x[2]))) * x[1] / m.Wood.Density.X
	}, []measure.Input{{Name: "note", X: hz.X, U: hz.U}, {Name: fromDensity, X: m.Wood.Density.X, U: m.Wood.Density.U}, {Name: fromDiameters, U: f.uPitch}})
	return nil
}
