// Package trace finds a pencil line on a scanned or photographed sheet of paper and makes
// camber readings of it: the line along which a stick was traced, straightened by two or
// four marks of known distance.
//
// Places in a picture are in pixels, x to the right and y down; those on the paper are in
// mm, u along the first two marks and v across them, down.
package trace

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

// Schema names the JSON document that `ringstock trace` prints.
const Schema = "ringstock/trace/1"

// Pixel is a place in a picture.
type Pixel struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// Options say where the marks are and how the line lies.
type Options struct {
	// Marks are two places DistanceMM apart, or the four corners of a rectangle, in order
	// round it: the first two are DistanceMM apart, the second and third AcrossMM.
	Marks                []Pixel
	DistanceMM, AcrossMM float64
	MarkU                float64 // standard uncertainty of a mark's place, pixels; 0 = 1
	ButtRight            bool    // the butt is at the right end of the line
	FromMM               float64 // place of the line's end at the butt, from the butt
	Through              []Pixel // places that the line passes; may be empty
	EveryMM              float64 // distance of the readings; 0 = 25
}

// Reading is the camber at a place.
type Reading struct {
	AtMM     float64       `json:"at_mm"`
	CamberMM measure.Value `json:"camber_mm" u:"camber_u_mm"`
}

// MarshalJSON writes value and uncertainty side by side.
func (r Reading) MarshalJSON() ([]byte, error) { return measure.Marshal(r) }

// Trace is a line that was found, and the camber it makes.
type Trace struct {
	Schema    string    `json:"schema"`
	Readings  []Reading `json:"camber"`
	LengthMM  float64   `json:"length_mm"`  // between the ends of the line, straight
	RMSMM     float64   `json:"scatter_mm"` // rms of the line's points about the smooth curve
	PixelsMM  float64   `json:"pixels_per_mm"`
	Line      []Pixel   `json:"line"` // in the picture, every millimetre or so
	Notes     []string  `json:"notes"`
	Questions []string  `json:"questions"`
}

// Points are the camber as a model has it, m.
func (t Trace) Points() (list []stick.Point) {
	for _, r := range t.Readings {
		list = append(list, stick.Point{X: r.AtMM / 1000, Y: r.CamberMM.X / 1000})
	}
	return list
}

// paper maps between picture and paper.
type paper struct {
	toPixel [9]float64 // a homography from mm, by rows
	toMM    [9]float64
}

func apply(h [9]float64, x, y float64) (float64, float64) {
	w := h[6]*x + h[7]*y + h[8]
	return (h[0]*x + h[1]*y + h[2]) / w, (h[3]*x + h[4]*y + h[5]) / w
}

func (p paper) pixel(u, v float64) Pixel {
	x, y := apply(p.toPixel, u, v)
	return Pixel{x, y}
}

func (p paper) mm(at Pixel) (u, v float64) { return apply(p.toMM, at.X, at.Y) }

// newPaper finds the map from the marks: of two a scale and a turn, of four the
// perspective.
func newPaper(o Options) (paper, error) {
	if !(o.DistanceMM > 0) || math.IsInf(o.DistanceMM, 0) {
		return paper{}, errors.New("the distance of the marks is missing: give --scale-mm")
	}
	var h mat.Dense
	switch len(o.Marks) {
	case 2:
		a, b := o.Marks[0], o.Marks[1]
		dx, dy := (b.X-a.X)/o.DistanceMM, (b.Y-a.Y)/o.DistanceMM
		if math.Hypot(dx, dy) < 0.5 {
			return paper{}, fmt.Errorf("the marks lie %.3g pixels apart for %g mm: scan with more pixels, or look at the marks", math.Hypot(b.X-a.X, b.Y-a.Y), o.DistanceMM)
		}
		h = *mat.NewDense(3, 3, []float64{dx, -dy, a.X, dy, dx, a.Y, 0, 0, 1})
	case 4:
		if !(o.AcrossMM > 0) || math.IsInf(o.AcrossMM, 0) {
			return paper{}, errors.New("four marks are a rectangle: give its other side by --across-mm")
		}
		corners := [4][2]float64{{0, 0}, {o.DistanceMM, 0}, {o.DistanceMM, o.AcrossMM}, {0, o.AcrossMM}}
		// Direct linear transformation for four points, the last coefficient 1.
		m, right := mat.NewDense(8, 8, nil), mat.NewVecDense(8, nil)
		for i, c := range corners {
			u, v, p := c[0], c[1], o.Marks[i]
			m.SetRow(2*i, []float64{u, v, 1, 0, 0, 0, -u * p.X, -v * p.X})
			m.SetRow(2*i+1, []float64{0, 0, 0, u, v, 1, -u * p.Y, -v * p.Y})
			right.SetVec(2*i, p.X)
			right.SetVec(2*i+1, p.Y)
		}
		var x mat.VecDense
		if err := x.SolveVec(m, right); err != nil {
			return paper{}, errors.New("the four marks are no rectangle: give its corners in order round it")
		}
		h = *mat.NewDense(3, 3, append(slices.Clone(x.RawVector().Data), 1))
	default:
		return paper{}, fmt.Errorf("%d marks: give two, or the four corners of a rectangle", len(o.Marks))
	}
	var inverse mat.Dense
	if err := inverse.Inverse(&h); err != nil {
		return paper{}, errors.New("the marks lie on one line: give the corners of a rectangle")
	}
	var p paper
	copy(p.toPixel[:], h.RawMatrix().Data)
	copy(p.toMM[:], inverse.RawMatrix().Data)
	return p, nil
}

// scale is how many pixels a millimetre along the marks has, in their middle.
func (p paper) scale(o Options) float64 {
	a, b := p.pixel(o.DistanceMM/2-0.5, 0), p.pixel(o.DistanceMM/2+0.5, 0)
	return math.Hypot(b.X-a.X, b.Y-a.Y)
}

// Find finds the line in a picture and makes camber readings of it.
func Find(img image.Image, o Options) (Trace, error) {
	p, err := newPaper(o)
	if err != nil {
		return Trace{}, err
	}
	l, questions, err := newSheet(img, p).line(o)
	if err != nil {
		return Trace{}, err
	}
	t, err := p.camber(l, o)
	t.Questions = append(t.Questions, questions...)
	return t, err
}

// FromLine makes camber readings of a line given in the picture, as corrected by hand.
func FromLine(line []Pixel, o Options) (Trace, error) {
	p, err := newPaper(o)
	if err != nil {
		return Trace{}, err
	}
	var l []spot
	for _, at := range line {
		u, v := p.mm(at)
		l = append(l, spot{u, v})
	}
	slices.SortFunc(l, func(a, b spot) int {
		if a.u < b.u {
			return -1
		}
		if a.u > b.u {
			return 1
		}
		return 0
	})
	return p.camber(l, o)
}

// spot is a point of the line on the paper, mm.
type spot struct{ u, v float64 }

const (
	smoothMM   = 30.0 // half the length of line that a reading is the mean of
	usualEvery = 25.0
	fewest     = 8   // points of a line
	endU       = 0.5 // mm, standard uncertainty of where a line ends: half a column
)

// camber makes readings of a line on the paper: its distance from the straight line
// through its ends, towards the side on which it bulges.
func (p paper) camber(l []spot, o Options) (Trace, error) {
	t := Trace{Schema: Schema, Readings: []Reading{}, PixelsMM: p.scale(o), Notes: []string{}, Questions: []string{}}
	if len(l) < fewest {
		return t, fmt.Errorf("the line has %d points: it takes %d at least", len(l), fewest)
	}
	for _, s := range l {
		t.Line = append(t.Line, p.pixel(s.u, s.v))
	}
	if o.ButtRight {
		l = slices.Clone(l)
		slices.Reverse(l)
	}
	// Ends that do not hang on single points.
	first, last := ends(l), ends(reversed(l))
	du, dv := last.u-first.u, last.v-first.v
	t.LengthMM = math.Hypot(du, dv)
	if !(t.LengthMM > 4*smoothMM) {
		return t, fmt.Errorf("the line is %.0f mm long: a stick's is longer; look at the marks and their distance", t.LengthMM)
	}
	var x, y []float64
	for _, s := range l {
		x = append(x, ((s.u-first.u)*du+(s.v-first.v)*dv)/t.LengthMM)
		y = append(y, ((s.u-first.u)*dv-(s.v-first.v)*du)/t.LengthMM)
	}
	scatter := residuals(x, y)
	t.RMSMM = rms(scatter)
	// Neighbouring points of a pencil line err together; a reading rests on
	// so many of its own.
	points := smoothMM / 2 * float64(len(l)) / t.LengthMM
	uPoint := t.RMSMM / math.Sqrt(max(points/correlated(scatter), 1))
	every := o.EveryMM
	if every <= 0 {
		every = usualEvery
	}
	n := max(4, int(math.Round(t.LengthMM/every)))
	markU := o.MarkU
	if markU == 0 {
		markU = 1
	}
	uScale := markU * math.Sqrt2 / (t.PixelsMM * o.DistanceMM)
	type reading struct{ at, y, u float64 }
	var list []reading
	sum := 0.0
	for i := range n + 1 {
		at := t.LengthMM * float64(i) / float64(n)
		value := smooth(x, y, at)
		list = append(list, reading{at, value, math.Hypot(uPoint, value*uScale)})
		sum += value
	}
	sign := 1.0
	if sum < 0 {
		sign = -1
	}
	zero, tip := list[0].y, list[n].y
	// Where the line ends is known to endU; a steep line then starts so much off.
	rise := endU * (list[1].y - zero) / (list[1].at - list[0].at)
	fall := endU * (tip - list[n-1].y) / (list[n].at - list[n-1].at)
	for i, r := range list {
		line := zero + (tip-zero)*float64(i)/float64(n)
		u := r.u
		if i == 0 || i == n {
			u = 0 // the ends are what the camber is counted from
		} else {
			part := float64(i) / float64(n)
			u = math.Hypot(u, math.Hypot(math.Hypot(uPoint, rise)*(1-part), math.Hypot(uPoint, fall)*part))
		}
		t.Readings = append(t.Readings, Reading{math.Round(10*(o.FromMM+r.at)) / 10, measure.Of(sign*(r.y-line)+0, u)}) // no -0
	}
	if len(o.Marks) == 2 {
		t.Notes = append(t.Notes, "two marks tell scale and turn alone: a photograph taken aslant bends the line; give the four corners of a rectangle for one")
	}
	t.Notes = append(t.Notes, "the line is taken as the stick's line of centres; traced along an edge, it lies off by half the height there")
	return t, nil
}

func reversed(l []spot) []spot {
	l = slices.Clone(l)
	slices.Reverse(l)
	return l
}

// end is where a line begins, and how it runs there.
type end struct {
	spot
	slope float64
}

// ends is where a line begins: its first point's place along, and across what a straight
// line through its first centimetre has there.
func ends(l []spot) end {
	const near = 10.0
	var su, sv, suu, suv, n float64
	for _, s := range l {
		if math.Abs(s.u-l[0].u) > near {
			break
		}
		d := s.u - l[0].u
		su, sv, suu, suv, n = su+d, sv+s.v, suu+d*d, suv+d*s.v, n+1
	}
	if det := n*suu - su*su; n > 2 && det > 0 {
		return end{spot{l[0].u, (sv*suu - su*suv) / det}, (n*suv - su*sv) / det}
	}
	return end{spot: l[0]}
}

// smooth is a line's height at a place: a parabola fitted to its surroundings, near
// points counting more (W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829: locally
// weighted regression, from memory).
func smooth(x, y []float64, at float64) float64 {
	a, b := mat.NewSymDense(3, nil), mat.NewVecDense(3, nil)
	for i := range x {
		d := (x[i] - at) / smoothMM
		if math.Abs(d) >= 1 {
			continue
		}
		w := cube(1 - cube(math.Abs(d)))
		w = max(w, 0)
		p := [3]float64{1, d, d * d}
		for j := range 3 {
			for k := j; k < 3; k++ {
				a.SetSym(j, k, a.At(j, k)+w*p[j]*p[k])
			}
			b.SetVec(j, b.AtVec(j)+w*p[j]*y[i])
		}
	}
	var c mat.VecDense
	if err := c.SolveVec(a, b); err != nil { // too few points there: the nearest
		best := 0
		for i := range x {
			if math.Abs(x[i]-at) < math.Abs(x[best]-at) {
				best = i
			}
		}
		return y[best]
	}
	return c.AtVec(0)
}

func residuals(x, y []float64) (list []float64) {
	step := max(1, len(x)/400)
	for i := 0; i < len(x); i += step {
		list = append(list, y[i]-smooth(x, y, x[i]))
	}
	return list
}

// correlated is over how many neighbours residuals hang together: 1 + 2 sum of their
// correlations, until these first sink to nothing.
func correlated(r []float64) float64 {
	var all float64
	for _, v := range r {
		all += v * v
	}
	sum := 1.0
	for lag := 1; lag < len(r)/4 && all > 0; lag++ {
		var c float64
		for i := lag; i < len(r); i++ {
			c += r[i] * r[i-lag]
		}
		if c/all < 0.05 {
			break
		}
		sum += 2 * c / all
	}
	return sum
}

func rms(list []float64) float64 {
	var s float64
	for _, v := range list {
		s += v * v
	}
	return math.Sqrt(s / float64(max(len(list), 1)))
}

func sq(x float64) float64   { return x * x }
func cube(x float64) float64 { return x * x * x }
