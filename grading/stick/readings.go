package stick

import (
	"fmt"
	"math"
	"slices"
)

// reading is one station as it was read, mm; nil = not read.
type reading struct {
	where                               string // in the file: row 3, station 2
	column                              string // what stands before the name of a field
	atMM, height, width, widest, camber *float64
	shape                               Shape
	diameters                           []Diameter
}

// field is one number of a reading by its name in the file.
type field struct {
	name string
	x    **float64
}

func (r *reading) fields() []field {
	return []field{{"at_mm", &r.atMM}, {"height_mm", &r.height}, {"width_mm", &r.width}, {"widest_mm", &r.widest}, {"camber_mm", &r.camber}}
}

// at is where a field of the reading stands.
func (r reading) at(name string) string { return r.where + ", " + r.column + name }

// around are all diameters of the station.
func (r reading) around() []Diameter {
	all := slices.Clone(r.diameters)
	if r.height != nil {
		all = append(all, Diameter{0, *r.height})
	}
	if r.width != nil {
		all = append(all, Diameter{90, *r.width})
	}
	return all
}

// check finds what no station can have; last is the place of the station before.
func (r reading) check(last float64) error {
	switch {
	case r.atMM == nil:
		return fmt.Errorf("%s: at_mm, the distance from the butt, is missing", r.where)
	case !(*r.atMM >= 0 && *r.atMM <= longestMM):
		return fmt.Errorf("%s: %g mm is not on a stick: give a distance from the butt of 0 to %d mm", r.at("at_mm"), *r.atMM, longestMM)
	case r.camber != nil && !(math.Abs(*r.camber) <= 200):
		return fmt.Errorf("%s: %g mm is no camber", r.at("camber_mm"), *r.camber)
	case r.shape != "" && !slices.Contains(shapes, r.shape):
		return fmt.Errorf("%s: %q is not one of round, octagonal, oval, egg, rectangular", r.at("shape"), r.shape)
	}
	for _, f := range r.fields()[1:3] {
		if d := *f.x; d != nil && !(*d >= thinnestMM && *d <= thickestMM) {
			return fmt.Errorf("%s: a diameter of %g mm is none of a stick: give one from %g to %d mm", r.at(f.name), *d, thinnestMM, thickestMM)
		}
	}
	for _, d := range r.diameters {
		if !(d.Deg >= -360 && d.Deg <= 360) {
			return fmt.Errorf("%s: a direction of %g degrees: give 0 to 180, from the height", r.where, d.Deg)
		}
		if !(d.MM >= thinnestMM && d.MM <= thickestMM) {
			return fmt.Errorf("%s: a diameter of %g mm is none of a stick: give one from %g to %d mm", r.at(fmt.Sprintf("d%g_mm", d.Deg)), d.MM, thinnestMM, thickestMM)
		}
	}
	if len(r.around()) > 0 && !(*r.atMM > last) {
		return fmt.Errorf("%s: %g mm does not lie behind the station before it, at %g mm: put the stations in order from the butt, each once",
			r.at("at_mm"), *r.atMM, last)
	}
	return r.checkWidest()
}

func (r reading) checkWidest() error {
	switch {
	case r.widest == nil:
	case r.shape != Egg && r.shape != "":
		return fmt.Errorf("%s: only an egg-shaped section has its widest line off the middle", r.at("widest_mm"))
	case r.height == nil || !(*r.widest > 0.1**r.height && *r.widest < 0.9**r.height):
		height := "of unread height"
		if r.height != nil {
			height = fmt.Sprintf("%g mm high", *r.height)
		}
		return fmt.Errorf("%s: the widest line of an egg %s can't lie %g mm over its underside", r.at("widest_mm"), height, *r.widest)
	}
	return nil
}

// take turns readings into stations, and asks back what looks wrong.
func (m Model) take(list []reading) (Model, error) {
	last := math.Inf(-1)
	var odd oddities
	for _, r := range list {
		if err := r.check(last); err != nil {
			return Model{}, err
		}
		x := *r.atMM / 1000
		if r.camber != nil {
			m.Camber = append(m.Camber, Point{x, *r.camber / 1000})
		}
		if len(r.around()) == 0 {
			if r.camber == nil {
				return Model{}, fmt.Errorf("%s: there is no diameter: give height_mm, width_mm or both", r.where)
			}
			continue
		}
		s, alike, err := m.section(r, &odd)
		if err != nil {
			return Model{}, err
		}
		if slices.Contains(alike, Octagonal) || s.Shape == Octagonal && len(alike) > 0 {
			odd.octagons = append(odd.octagons, fmt.Sprintf("%.4g", *r.atMM))
		}
		m.Stations = append(m.Stations, Station{x, s})
		last = *r.atMM
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
	if err := m.placeLumps(); err != nil {
		return Model{}, err
	}
	m.ask(odd)
	return m, m.deriveWood()
}

// placeLumps checks where the lumps lie, and gives those beyond the end of the shaft
// their extent: where the card does not say it, that of the head's block, and its length
// if need be from the fact that it begins where the shaft ends.
func (m *Model) placeLumps() error {
	m.Lumps = slices.Clone(m.Lumps)
	for i := range m.Lumps {
		l := &m.Lumps[i]
		over := l.X - m.end()
		if over > 0.1 {
			return fmt.Errorf("lump %d (%s) at %g mm lies more than 100 mm beyond the last station", i+1, l.Name, 1000*l.X)
		}
		if over <= 0 || l.Long+l.High+l.Wide > 0 {
			continue
		}
		l.Long, l.High, l.Wide = m.Head.LengthMM/1000, m.Head.HeightMM/1000, m.Head.WidthMM/1000
		if l.Long == 0 {
			l.Long = 2 * over
			m.Head.LengthMM = 1000 * l.Long
			m.Notes = append(m.Notes, fmt.Sprintf("%s: its length is taken as twice the %.4g mm by which its middle lies beyond the last station, its height as nothing; give length_mm, height_mm and width_mm under [head]", name(*l, i), 1000*over))
		}
	}
	return nil
}

func name(l Lump, i int) string {
	if l.Name != "" {
		return l.Name
	}
	return fmt.Sprintf("lump %d", i+1)
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

// section is what the diameters of one station make, and what other shapes fit them as
// well.
func (m *Model) section(r reading, odd *oddities) (Section, []Shape, error) {
	if len(r.diameters) == 0 || r.widest != nil {
		return m.plainSection(r, odd), nil, nil
	}
	u := max(m.Accuracy.CalliperMM, 0.01)
	f, err := FitSection(r.around(), r.shape, u)
	if err != nil {
		return Section{}, nil, fmt.Errorf("%s: %w", r.where, err)
	}
	if f.RMSmm > 4*u {
		m.Questions = append(m.Questions, fmt.Sprintf("%s, at %g mm: no section fits its %d diameters: %.2f mm (rms) are left over from the best, %s: is one misread?",
			r.where, *r.atMM, len(r.around()), f.RMSmm, f.Shape))
	}
	return f.Section, f.Alike, nil
}

// plainSection is a section of height and width alone, one of which may be missing.
func (m *Model) plainSection(r reading, odd *oddities) Section {
	h, w := r.height, r.width
	if h == nil {
		h = w
	}
	if w == nil {
		w = h
	}
	s := Section{Shape: r.shape, Height: *h / 1000, Width: *w / 1000}
	if s.Shape == "" {
		s.Shape = Oval
		if r.widest != nil {
			s.Shape = Egg
		}
	}
	switch {
	case s.Shape == Round && *h != *w:
		s.Shape = Oval
		if math.Abs(*h-*w) > 4*math.Sqrt2*m.Accuracy.CalliperMM {
			odd.unround = append(odd.unround, len(m.Stations))
		}
	case s.Shape == Egg && r.widest != nil:
		s.Widest = *r.widest / *h
	case s.Shape == Egg:
		s.Widest = usualWidest
		note := fmt.Sprintf("where widest_mm is missing, an egg's widest line is taken at %.0f %% of its height (assumed)", 100*usualWidest)
		if !slices.Contains(m.Notes, note) {
			m.Notes = append(m.Notes, note)
		}
	}
	return s
}

// usualWidest is where an egg's widest line is taken if it was not measured.
const usualWidest = 0.45
