package stick

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// CompareSchema names the JSON document that `ringstock compare` prints.
const CompareSchema = "ringstock/comparison/1"

// Comparison is how a copy differs from its model: every difference is copy less model.
type Comparison struct {
	Schema string       `json:"schema"`
	Model  ModelSheet   `json:"model"`
	Copy   ModelSheet   `json:"copy"`
	At     []Difference `json:"stations"` // where either stick was read, as far as both reach
	Camber *CamberFit   `json:"camber"`   // nil: not read on both
	// LargestMM is the diameter that differs most, and where.
	LargestMM   measure.Value `json:"largest_mm" u:"largest_u_mm"`
	LargestAtMM float64       `json:"largest_at_mm"`
	LargestSide string        `json:"largest_side"`
	RMSmm       float64       `json:"rms_mm"`
	ToleranceMM float64       `json:"tolerance_mm"` // 0 = none given
	Outside     []string      `json:"outside"`      // what leaves the tolerance band
	MassOffG    measure.Value `json:"mass_off_g" u:"mass_off_u_g"`
	BalanceOff  measure.Value `json:"centre_of_mass_off_mm" u:"centre_of_mass_off_u_mm"`
	StiffOffPct measure.Value `json:"stiffness_off_pct" u:"stiffness_off_u_pct"`
	Readings    []Pair        `json:"readings"` // of head and frog
	Notes       []string      `json:"notes"`
	Questions   []string      `json:"questions"`
}

// Difference is that at one station.
type Difference struct {
	AtMM      float64       `json:"at_mm"`
	HeightMM  measure.Value `json:"height_off_mm" u:"height_off_u_mm"`
	WidthMM   measure.Value `json:"width_off_mm" u:"width_off_u_mm"`
	Shapes    [2]Shape      `json:"shapes"` // of the model and of the copy
	MassPct   measure.Value `json:"mass_per_length_off_pct" u:"-"`
	FlexPct   measure.Value `json:"bending_stiffness_off_pct" u:"-"` // E I, height plane
	CamberMM  measure.Value `json:"camber_off_mm" u:"-"`             // after alignment
	Centroids [2]float64    `json:"centroids_mm"`                    // height of the centre of area over the middle of the section
}

// CamberFit is the best alignment of two camber curves: the copy is shifted and tilted as
// a whole, by least squares.
type CamberFit struct {
	ShiftMM     float64 `json:"shift_mm"`      // of the copy at the butt
	TiltMMPerM  float64 `json:"tilt_mm_per_m"` // and so much per metre towards the head
	LargestMM   float64 `json:"largest_mm"`    // deviation after alignment
	LargestAtMM float64 `json:"largest_at_mm"`
	RMSmm       float64 `json:"rms_mm"`
	// BandMM is the height of the narrowest band between two copies of the model's curve
	// that holds the whole copy, however tilted: the minimum zone, as ISO 1101 judges a
	// line's profile (from memory).
	BandMM float64 `json:"band_mm"`

	Model []Point `json:"-"` // both curves at common places, the copy aligned; m
	Copy  []Point `json:"-"`
}

func (c Comparison) MarshalJSON() ([]byte, error) { return measure.Marshal(c) }
func (d Difference) MarshalJSON() ([]byte, error) { return measure.Marshal(d) }

// Compare holds a copy against its model, both measured from the butt, under one load
// that both can carry. A tolerance in mm, or 0 for none, judges every diameter and
// the aligned camber.
func Compare(model, copy Model, l Load, tolerance float64) (Comparison, error) {
	c := Comparison{Schema: CompareSchema, At: []Difference{}, ToleranceMM: tolerance, Outside: []string{}, Notes: []string{}, Questions: []string{}}
	var notes [2][]string
	var err error
	for i, m := range []Model{model, copy} {
		sheet := []*ModelSheet{&c.Model, &c.Copy}[i]
		load := l
		if *sheet, notes[i], err = m.Sheet(load); err != nil {
			return Comparison{}, fmt.Errorf("%s: %w", m.Name, err)
		}
		for _, n := range notes[i] {
			c.Notes = append(c.Notes, m.Name+": "+n)
		}
		for _, q := range m.Questions {
			c.Questions = append(c.Questions, m.Name+": "+q)
		}
	}
	less := func(a, b measure.Value) measure.Value {
		if !a.Known() || !b.Known() {
			return measure.Unknown("the wood of one of the sticks is not known")
		}
		return measure.FromParts(a.X-b.X, []measure.Part{{Name: "copy", U: a.U}, {Name: "model", U: b.U}})
	}
	c.MassOffG = less(c.Copy.MassG, c.Model.MassG)
	c.BalanceOff = less(c.Copy.CentreOfMassMM, c.Model.CentreOfMassMM)
	c.StiffOffPct = less(c.Copy.StiffnessNM, c.Model.StiffnessNM)
	if c.StiffOffPct.Known() {
		c.StiffOffPct = measure.Propagate(func(x []float64) float64 { return 100 * (x[0]/x[1] - 1) }, []measure.Input{
			{Name: "copy", X: c.Copy.StiffnessNM.X, U: c.Copy.StiffnessNM.U}, {Name: "model", X: c.Model.StiffnessNM.X, U: c.Model.StiffnessNM.U}})
	}
	if err := c.diameters(model, copy); err != nil {
		return Comparison{}, err
	}
	c.camber(model, copy)
	c.Readings = pairs(model, copy)
	if c.Camber != nil && tolerance > 0 && math.Abs(c.Camber.LargestMM) > tolerance {
		c.Outside = append(c.Outside, fmt.Sprintf("the camber is %+.2f mm off at %.4g mm", c.Camber.LargestMM, c.Camber.LargestAtMM))
	}
	return c, nil
}

// diameters compares the sections wherever one of the sticks was read.
func (c *Comparison) diameters(model, copy Model) error {
	from, to := max(model.butt(), copy.butt()), min(model.end(), copy.end())
	if !(from < to) {
		return fmt.Errorf("the two sticks have no part in common: one reaches from %.4g to %.4g mm, the other from %.4g to %.4g mm",
			1000*model.butt(), 1000*model.end(), 1000*copy.butt(), 1000*copy.end())
	}
	if d := 1000 * (copy.end() - model.end()); math.Abs(d) > 2*math.Hypot(model.Accuracy.LengthMM, copy.Accuracy.LengthMM) {
		c.Notes = append(c.Notes, fmt.Sprintf("the copy's last station lies %+.1f mm from the model's; compared is what both have", d))
	}
	var places []float64
	for _, s := range slices.Concat(model.Stations, copy.Stations) {
		near := func(x float64) bool { return math.Abs(x-s.X) < 5e-4 }
		if s.X >= from && s.X <= to && !slices.ContainsFunc(places, near) {
			places = append(places, s.X)
		}
	}
	slices.Sort(places)
	u := math.Hypot(model.Accuracy.CalliperMM, copy.Accuracy.CalliperMM)
	pct := func(a, b float64) measure.Value { return measure.Of(100*(a/b-1), 0) }
	var sum float64
	worst := -1.0
	for _, x := range places {
		a, b := model.Section(x), copy.Section(x)
		d := Difference{AtMM: 1000 * x, Shapes: [2]Shape{a.Shape, b.Shape}, Centroids: [2]float64{1000 * a.Centroid(), 1000 * b.Centroid()}}
		d.HeightMM, d.WidthMM = measure.Of(1000*(b.Height-a.Height), u), measure.Of(1000*(b.Width-a.Width), u)
		d.MassPct, d.FlexPct = measure.Unknown("a density is not known"), measure.Unknown("a Young's modulus is not known")
		if model.Wood.Density.Known() && copy.Wood.Density.Known() {
			d.MassPct = pct(copy.Wood.Density.X*b.Area(), model.Wood.Density.X*a.Area())
		}
		if model.Wood.YoungsModulus.Known() && copy.Wood.YoungsModulus.Known() {
			d.FlexPct = pct(copy.Wood.YoungsModulus.X*b.SecondMoment(bar.HeightPlane), model.Wood.YoungsModulus.X*a.SecondMoment(bar.HeightPlane))
		}
		for _, side := range []struct {
			name string
			v    measure.Value
		}{{"height", d.HeightMM}, {"width", d.WidthMM}} {
			sum += sq(side.v.X)
			if math.Abs(side.v.X) > worst {
				worst = math.Abs(side.v.X)
				c.LargestMM, c.LargestAtMM, c.LargestSide = side.v, d.AtMM, side.name
			}
			if c.ToleranceMM > 0 && math.Abs(side.v.X) > c.ToleranceMM {
				c.Outside = append(c.Outside, fmt.Sprintf("the %s is %+.2f mm off at %.4g mm", side.name, side.v.X, d.AtMM))
			}
		}
		c.At = append(c.At, d)
	}
	c.RMSmm = math.Sqrt(sum / float64(2*len(places)))
	return nil
}

// camber aligns the two camber curves and enters what is left at each station.
func (c *Comparison) camber(model, copy Model) {
	for i := range c.At {
		c.At[i].CamberMM = measure.Unknown("the camber was not read on both sticks there")
	}
	f, left, err := CompareCamber(model.Camber, copy.Camber)
	if err != nil {
		c.Notes = append(c.Notes, "the cambers are not compared: "+err.Error())
		return
	}
	for i := range c.At {
		if d := left(c.At[i].AtMM / 1000); !math.IsNaN(d) {
			c.At[i].CamberMM = measure.Of(1000*d, 0)
		}
	}
	c.Camber = &f
}

// CompareCamber lays the camber of a copy on that of its model, both in m by distance
// from the butt, shifted and tilted as a whole by least squares. left is what is left
// over at a place, m; NaN where one of them was not read.
func CompareCamber(model, copy []Point) (f CamberFit, left func(x float64) float64, err error) {
	if len(model) < 3 || len(copy) < 3 {
		return f, nil, errors.New("it takes three readings at least on each stick")
	}
	a, b := curve(model), curve(copy)
	from := max(model[0].X, copy[0].X)
	to := min(model[len(model)-1].X, copy[len(copy)-1].X)
	var x []float64
	for _, p := range slices.Concat(model, copy) {
		if p.X >= from && p.X <= to && !slices.Contains(x, p.X) {
			x = append(x, p.X)
		}
	}
	slices.Sort(x)
	if len(x) < 3 {
		return f, nil, errors.New("they have no stretch in common")
	}
	off := make([]Point, len(x))
	for i, at := range x {
		off[i] = Point{at, b(at) - a(at)}
	}
	shift, tilt := line(off)
	f = CamberFit{ShiftMM: 0 - 1000*(shift+tilt*model[0].X), TiltMMPerM: 0 - 1000*tilt, BandMM: 1000 * band(off)}
	left = func(at float64) float64 {
		if at < from || at > to {
			return math.NaN()
		}
		return b(at) - a(at) - shift - tilt*at
	}
	var sum float64
	for _, at := range x {
		d := 1000 * left(at)
		sum += d * d
		if math.Abs(d) > math.Abs(f.LargestMM) {
			f.LargestMM, f.LargestAtMM = d, 1000*at
		}
	}
	f.RMSmm = math.Sqrt(sum / float64(len(x)))
	if f.LargestMM == 0 {
		f.LargestAtMM = 1000 * x[0]
	}
	const drawn = 120
	for i := range drawn + 1 {
		at := from + (to-from)*float64(i)/drawn
		f.Model = append(f.Model, Point{at, a(at)})
		f.Copy = append(f.Copy, Point{at, b(at) - shift - tilt*at})
	}
	return f, left, nil
}

// line is the straight line through points by least squares: its height at x = 0 and its
// slope.
func line(points []Point) (at0, slope float64) {
	n := float64(len(points))
	var mx, my, xx, xy float64
	for _, p := range points {
		mx, my = mx+p.X/n, my+p.Y/n
	}
	for _, p := range points {
		xx += sq(p.X - mx)
		xy += (p.X - mx) * (p.Y - my)
	}
	if xx > 0 {
		slope = xy / xx
	}
	return my - slope*mx, slope
}

// band is the least height of a band between parallel lines that holds all points: one of
// its lines goes through two of them.
func band(points []Point) float64 {
	least := math.Inf(1)
	for i, p := range points {
		for _, q := range points[:i] {
			if p.X == q.X {
				continue
			}
			slope := (p.Y - q.Y) / (p.X - q.X)
			low, high := math.Inf(1), math.Inf(-1)
			for _, r := range points {
				y := r.Y - slope*r.X
				low, high = min(low, y), max(high, y)
			}
			least = min(least, high-low)
		}
	}
	return least
}
