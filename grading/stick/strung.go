package stick

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Point of a camber curve: the stick's line of centres lies Y metres nearer to the hair,
// X metres from the butt, than the straight line through its ends.
type Point struct{ X, Y float64 }

// Hair is how the hair runs along a stick: its distance from the line of centres at both ends
// of the shaft, and its pull.
type Hair struct {
	ButtMM   float64 `json:"butt_mm"`
	HeadMM   float64 `json:"head_mm"`
	TensionN float64 `json:"tension_n"`
	// StretchMM is how much longer one newton pulls the whole ribbon, mm/N; 0 = not given.
	StretchMM float64 `json:"stretch_mm_per_n"`
}

// Strung is a stick with its hair drawn.
type Strung struct {
	Hair
	GapMM       measure.Value `json:"gap_mm" u:"gap_u_mm"` // least distance from the hair to the line of centres
	GapAtMM     float64       `json:"gap_at_mm"`
	OpenedMM    measure.Value `json:"opened_mm" u:"opened_u_mm"` // how much the pull moves the stick from the hair where the load is
	StiffnessNM measure.Value `json:"stiffness_n_m" u:"stiffness_u_n_m"`
	BucklingN   measure.Value `json:"buckling_n" u:"buckling_u_n"` // pull at which the stick has no stiffness left
}

func (s Strung) MarshalJSON() ([]byte, error) { return measure.Marshal(s) }

// Strung puts a cambered stick under the pull of its hair: a beam-column with an eccentric
// thrust (Timoshenko & Gere, Theory of Elastic Stability, 2nd ed., ch. 1, from memory),
//
//	EI w'' + T (y0 + w) = m(x),   w = 0 at both ends,
//
// y0 the unstrung distance from hair to stick, w what it opens, m the moment of a load that
// presses the stick towards the hair between supports at both ends. The pull T is taken as
// constant while the load acts. Stiffness is load over what it closes at its place.
func (m Model) Strung(h Hair, l Load) (Strung, error) {
	switch {
	case len(m.Camber) < 3:
		return Strung{}, errors.New("the hair's pull needs the camber: give camber_mm at three stations at least")
	case !(h.TensionN > 0) || math.IsInf(h.TensionN, 0):
		return Strung{}, fmt.Errorf("a hair tension of %g N: give the pull in newtons", h.TensionN)
	case !(h.ButtMM > 0 && h.HeadMM > 0):
		return Strung{}, errors.New("the hair's distance from the stick is missing: give butt_mm and head_mm under [hair]")
	case !m.Wood.YoungsModulus.Known():
		return Strung{}, errors.New("the hair's pull needs Young's modulus of the model's wood")
	}
	t := m.Wood.timber()
	f := newForm(m.Stick, l, m.Accuracy)
	camber := curve(m.Camber)
	end := m.Length()
	y0 := func(x float64) float64 {
		return (h.ButtMM+(h.HeadMM-h.ButtMM)*x/end)/1000 - camber(m.butt()+x)
	}
	find := func(young float64) (c column, at int) {
		c = newColumn(m.Stick, 1e9*young)
		return c, c.nearest(l.AtMM/1000 - m.butt())
	}
	c, at := find(t.young.X)
	limit := c.buckling()
	if h.TensionN >= limit {
		return Strung{}, fmt.Errorf("a hair tension of %g N is more than the %.0f N at which the stick gives way", h.TensionN, limit)
	}
	opened := c.solve(h.TensionN, func(x float64) float64 { return -h.TensionN * y0(x) })
	out := Strung{Hair: h}
	gap, gapAt := math.Inf(1), 0
	for i, w := range opened {
		if y := y0(c.x(i)) + w; y < gap {
			gap, gapAt = y, i
		}
	}
	out.GapAtMM = 1000 * (m.butt() + c.x(gapAt))
	// All of it follows from T over EI alone, so one relative uncertainty of EI serves.
	u := math.Hypot(t.young.Rel(), f.uStiffness[0])
	in := []measure.Input{{Name: "stiffness of the stick", X: 0, U: u}}
	at0 := at
	value := func(get func(c column, opened []float64) float64) measure.Value {
		return measure.Propagate(func(x []float64) float64 {
			c, _ := find(t.young.X * (1 + x[0]))
			return get(c, c.solve(h.TensionN, func(x float64) float64 { return -h.TensionN * y0(x) }))
		}, in)
	}
	out.GapMM = value(func(c column, w []float64) float64 { return 1000 * (y0(c.x(gapAt)) + w[gapAt]) })
	out.OpenedMM = value(func(_ column, w []float64) float64 { return 1000 * w[at0] })
	out.StiffnessNM = value(func(c column, _ []float64) float64 { return 1 / c.closing(h.TensionN, at0) })
	out.BucklingN = value(func(c column, _ []float64) float64 { return c.buckling() })
	return out, nil
}

// curve is a camber between its points: a cubic spline, for a chord of 100 mm across a camber's
// curvature would miss it by 0.3 mm; flat slopes are not forced on its ends.
func curve(points []Point) func(x float64) float64 {
	if len(points) < 2 {
		return func(float64) float64 { return math.NaN() }
	}
	x, y := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		x[i], y[i] = p.X, p.Y
	}
	var s interp.FittablePredictor = &interp.NotAKnotCubic{}
	if len(points) < 4 {
		s = &interp.PiecewiseLinear{}
		if len(points) == 3 {
			s = &interp.NaturalCubic{}
		}
	}
	if err := s.Fit(x, y); err != nil {
		return func(float64) float64 { return math.NaN() }
	}
	return s.Predict
}

// column is a stick cut into equal pieces, for w” by central differences; its error falls with
// the square of their length, to 1e-6 here.
type column struct {
	dx float64
	ei []float64 // at the inner points and both ends
}

const columnPieces = 800

func newColumn(s Stick, young float64) column {
	c := column{dx: s.Length() / columnPieces, ei: make([]float64, columnPieces+1)}
	for i := range c.ei {
		c.ei[i] = young * s.Section(s.butt()+c.x(i)).SecondMoment(bar.HeightPlane)
	}
	return c
}

func (c column) x(i int) float64 { return float64(i) * c.dx }

func (c column) nearest(x float64) int {
	return min(max(int(math.Round(x/c.dx)), 1), columnPieces-1)
}

// solve finds w with w” + T/EI w = load/EI and w = 0 at both ends, by elimination in the
// tridiagonal matrix.
func (c column) solve(tension float64, load func(x float64) float64) []float64 {
	n := len(c.ei)
	w, ratio := make([]float64, n), make([]float64, n)
	for i := 1; i < n-1; i++ {
		diagonal := -2 + c.dx*c.dx*tension/c.ei[i]
		right := c.dx * c.dx * load(c.x(i)) / c.ei[i]
		pivot := diagonal - ratio[i-1]
		ratio[i] = 1 / pivot
		w[i] = (right - w[i-1]) / pivot
	}
	for i := n - 2; i > 0; i-- {
		w[i] -= ratio[i] * w[i+1]
	}
	return w
}

// closing is how far one newton at point a moves the stick there, m/N.
func (c column) closing(tension float64, a int) float64 {
	at, length := c.x(a), c.x(columnPieces)
	w := c.solve(tension, func(x float64) float64 {
		if x < at {
			return x * (length - at) / length
		}
		return (length - x) * at / length
	})
	return -w[a]
}

// buckling is the smallest thrust with a deflection of its own, by inverse iteration.
func (c column) buckling() float64 {
	w := make([]float64, len(c.ei))
	for i := range w {
		w[i] = math.Sin(math.Pi * float64(i) / columnPieces)
	}
	var thrust float64
	for range 60 {
		next := c.solve(0, func(x float64) float64 { return -w[int(math.Round(x/c.dx))] })
		var wn, nn float64
		for i := range w {
			wn += w[i] * next[i]
			nn += next[i] * next[i]
		}
		was := thrust
		thrust = wn / nn
		scale := 1 / math.Sqrt(nn)
		for i := range w {
			w[i] = next[i] * scale
		}
		if math.Abs(thrust-was) < 1e-12*thrust {
			break
		}
	}
	return thrust
}

// CamberAt is the camber x metres from the butt, m, between its first and last reading; NaN
// without two readings.
func (m Model) CamberAt(x float64) float64 { return curve(m.Camber)(x) }
