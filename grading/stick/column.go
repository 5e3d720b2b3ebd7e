package stick

import (
	"math"

	"gonum.org/v1/gonum/interp"

	"ringstock/spectrum/bar"
)

// Point of a camber curve: the stick's line of centres lies Y metres nearer to the hair,
// X metres from the butt, than the straight line through its ends.
type Point struct{ X, Y float64 }

// Hair is how the hair runs along a stick: its distance from the line of centres at both
// ends of the shaft, and its pull.
type Hair struct {
	ButtMM   float64 `json:"butt_mm"`
	HeadMM   float64 `json:"head_mm"`
	TensionN float64 `json:"tension_n"`
	// FromMM is where the frog stands: so far from the butt the hair begins.
	FromMM float64 `json:"from_mm"`
	// StretchMM is how much longer one newton pulls the whole ribbon, mm/N; 0 = not
	// given.
	StretchMM float64 `json:"stretch_mm_per_n"`
}

// curve is a camber between its points: a cubic spline, for a chord of 100 mm across a
// camber's curvature would miss it by 0.3 mm; flat slopes are not forced on its ends.
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

// column is a stick cut into equal pieces, for w” by central differences; its error falls
// with the square of their length, to 1e-6 here.
type column struct {
	dx float64
	ei []float64 // at the inner points and both ends
}

const columnPieces = 800

func newColumn(s Stick, young float64, p bar.Plane) column {
	c := column{dx: s.Length() / columnPieces, ei: make([]float64, columnPieces+1)}
	for i := range c.ei {
		c.ei[i] = young * s.Section(s.butt()+c.x(i)).SecondMoment(p)
	}
	return c
}

func (c column) x(i int) float64 { return float64(i) * c.dx }

// under finds w with w” = load/EI and w = 0 at both ends, by elimination in the
// tridiagonal matrix.
func (c column) under(load []float64) []float64 {
	n := len(c.ei)
	w, ratio := make([]float64, n), make([]float64, n)
	for i := 1; i < n-1; i++ {
		pivot := -2 - ratio[i-1]
		ratio[i] = 1 / pivot
		w[i] = (c.dx*c.dx*load[i]/c.ei[i] - w[i-1]) / pivot
	}
	for i := n - 2; i > 0; i-- {
		w[i] -= ratio[i] * w[i+1]
	}
	return w
}

// buckling is the smallest thrust with a deflection of its own: EI w” + T w = 0, w = 0 at
// both ends (Timoshenko & Gere, Theory of Elastic Stability, 2nd ed., ch. 2, from
// memory), by inverse iteration.
func (c column) buckling() float64 {
	w := make([]float64, len(c.ei))
	for i := range w {
		w[i] = math.Sin(math.Pi * float64(i) / columnPieces)
	}
	var thrust float64
	for range 60 {
		for i := range w {
			w[i] = -w[i]
		}
		next := c.under(w)
		var wn, nn float64
		for i := range w {
			wn -= w[i] * next[i]
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

// CamberAt is the camber x metres from the butt, m, between its first and last reading;
// NaN without two readings.
func (m Model) CamberAt(x float64) float64 { return curve(m.Camber)(x) }
