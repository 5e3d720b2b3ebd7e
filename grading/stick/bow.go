package stick

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"ringstock/spectrum/bar"
)

// point of the plane of the hair: x from the butt towards the head, y away from the hair,
// m.
type point struct{ x, y float64 }

func (p point) plus(q point) point    { return point{p.x + q.x, p.y + q.y} }
func (p point) minus(q point) point   { return point{p.x - q.x, p.y - q.y} }
func (p point) times(k float64) point { return point{k * p.x, k * p.y} }
func (p point) cross(q point) float64 { return p.x*q.y - p.y*q.x }
func (p point) long() float64         { return math.Hypot(p.x, p.y) }
func (p point) dot(q point) float64   { return p.x*q.x + p.y*q.y }
func (p point) turned(angle float64) point {
	sin, cos := math.Sincos(angle)
	return point{cos*p.x - sin*p.y, sin*p.x + cos*p.y}
}

// limb is a stick from the frog to the end of the shaft as a slender beam that may bend
// far: its line of centres keeps its length, and a section turns by the bending moment
// over EI. It is cut into steps that begin and end at the stations; values stand at both
// ends of a step and in its middle.
type limb struct {
	start   point
	x       []float64 // places along the straight stick
	dx      []float64
	slope   [][3]float64 // of the unstrung line of centres, rad
	flex    [][3]float64 // 1/(EI), 1/(N m2)
	stretch [][3]float64 // length of the line of centres over length along the straight stick
}

// limbSteps is how many steps a whole stick has at least; the error of the fourth-order
// Runge-Kutta method is then under 1e-7 of the deflection.
const limbSteps = 160

// newLimb takes the stick from fromMM on, its camber multiplied by k.
func newLimb(m Model, young, from, k float64) limb {
	camber := curve(m.Camber)
	y := func(x float64) float64 { return -k * camber(x) }
	const h = 1e-5
	var l limb
	edges := []float64{from}
	for _, s := range m.Stations {
		if s.X > from+1e-9 {
			edges = append(edges, s.X)
		}
	}
	l.start = point{from, y(from)}
	for i := 1; i < len(edges); i++ {
		n := int(math.Ceil(limbSteps * (edges[i] - edges[i-1]) / m.Length()))
		for j := range n {
			a := edges[i-1] + (edges[i]-edges[i-1])*float64(j)/float64(n)
			dx := (edges[i] - edges[i-1]) / float64(n)
			l.x, l.dx = append(l.x, a), append(l.dx, dx)
			var slope, flex, stretch [3]float64
			for q := range 3 {
				x := a + dx*float64(q)/2
				// a shade inside the step, so that a station's shape is that of its own
				// side
				at := m.Section(a + dx*(0.5+0.999999*(float64(q)/2-0.5)))
				d := (y(min(x+h, m.end())) - y(max(x-h, m.butt()))) / (min(x+h, m.end()) - max(x-h, m.butt()))
				slope[q], stretch[q] = math.Atan(d), math.Hypot(1, d)
				flex[q] = 1 / (young * at.SecondMoment(bar.HeightPlane))
			}
			l.slope, l.flex, l.stretch = append(l.slope, slope), append(l.flex, flex), append(l.stretch, stretch)
		}
	}
	return l
}

// bent is the shape of a limb: the line of centres at the ends of all steps, and how far
// the sections have turned there.
type bent struct {
	at   []point
	turn []float64
}

func (b bent) tip() (point, float64) { return b.at[len(b.at)-1], b.turn[len(b.turn)-1] }

// bend integrates the shape of the limb from its clamped start, while a force acts at a
// place that is given: d(turn)/ds = M/EI, M the moment of the force about the section;
// Runge-Kutta of the fourth order.
func (l limb) bend(force, place point) bent {
	b := bent{at: []point{l.start}, turn: []float64{0}}
	type state struct {
		p point
		t float64
	}
	y := state{l.start, 0}
	for i, dx := range l.dx {
		rate := func(q int, y state) state {
			sin, cos := math.Sincos(l.slope[i][q] + y.t)
			k := l.stretch[i][q]
			return state{point{k * cos, k * sin}, k * l.flex[i][q] * place.minus(y.p).cross(force)}
		}
		after := func(d state, h float64) state { return state{y.p.plus(d.p.times(h)), y.t + h*d.t} }
		k1 := rate(0, y)
		k2 := rate(1, after(k1, dx/2))
		k3 := rate(1, after(k2, dx/2))
		k4 := rate(2, after(k3, dx))
		y.p = y.p.plus(k1.p.plus(k2.p.times(2)).plus(k3.p.times(2)).plus(k4.p).times(dx / 6))
		y.t += dx / 6 * (k1.t + 2*k2.t + 2*k3.t + k4.t)
		b.at, b.turn = append(b.at, y.p), append(b.turn, y.t)
	}
	return b
}

// rig is a limb with its hair: the frog's and the head's arms are rigid and stand across
// the unstrung line of centres; the frog is held still.
type rig struct {
	limb
	frog    point   // where the hair leaves the frog
	arm     point   // from the shaft's end to where the hair leaves the head, unstrung
	stretch float64 // of the whole ribbon, m/N
}

func newRig(m Model, h Hair, young, camber, stretch float64) rig {
	r := rig{limb: newLimb(m, young, m.butt()+h.FromMM/1000, camber), stretch: stretch}
	n := len(r.slope)
	r.frog = r.start.plus(point{0, -h.ButtMM / 1000}.turned(r.limb.slope[0][0]))
	r.arm = point{0, -h.HeadMM / 1000}.turned(r.limb.slope[n-1][2])
	return r
}

// drawn is a rig in equilibrium.
type drawn struct {
	bent
	head    point   // where the hair leaves the head
	pressed point   // where the hair is pressed; the middle of the hair without a press
	tension float64 // N
	length  float64 // of the hair
}

var errGivesWay = errors.New("the stick gives way: it finds no rest under this pull")

// solve finds zeros of n functions of n unknowns by Newton's method with differences;
// step are the sizes that the unknowns' differences have.
func solve(f func(x []float64) []float64, x, step []float64) error {
	n := len(x)
	for range 60 {
		y := f(x)
		j := mat.NewDense(n, n, nil)
		for k := range n {
			moved := append([]float64{}, x...)
			moved[k] += step[k]
			for i, v := range f(moved) {
				j.Set(i, k, (v-y[i])/step[k])
			}
		}
		var d mat.VecDense
		if err := d.SolveVec(j, mat.NewVecDense(n, y)); err != nil {
			return errGivesWay
		}
		worst := 0.0
		for k := range n {
			worst = max(worst, math.Abs(d.AtVec(k))/step[k])
		}
		if math.IsNaN(worst) {
			return errGivesWay
		}
		// A step no longer than a tenth of a metre, or of what the unknown has.
		part := min(1, 1e5/worst)
		for k := range n {
			x[k] -= part * d.AtVec(k)
		}
		if worst < 1e-4 {
			// The shift of what is found with what was assumed is under all of it
			// at no pull, and reaches it where the stick buckles: the determinant
			// then changes its sign.
			if n == 2 && mat.Det(j) <= 0 {
				return errGivesWay
			}
			return nil
		}
	}
	return errGivesWay
}

// tune draws the hair to a pull.
func (r rig) tune(tension float64) (drawn, error) {
	start, _ := r.bend(point{}, point{}).tip()
	x := []float64{start.x + r.arm.x, start.y + r.arm.y}
	const pulls = 8 // each starts where the last came to rest
	for i := range pulls {
		t := tension * float64(i+1) / pulls
		err := solve(func(x []float64) []float64 {
			d := r.under(point{x[0], x[1]}, r.frog, t)
			return []float64{d.head.x - x[0], d.head.y - x[1]}
		}, x, []float64{1e-6, 1e-6})
		if err != nil {
			return drawn{}, err
		}
	}
	d := r.under(point{x[0], x[1]}, r.frog, tension)
	d.length = d.head.minus(r.frog).long()
	d.pressed = r.frog.plus(d.head).times(0.5)
	return d, nil
}

// under is the shape while the hair pulls the head's face, thought at a
// place, towards a point.
func (r rig) under(place, towards point, tension float64) drawn {
	pull := towards.minus(place)
	b := r.bend(pull.times(tension/pull.long()), place)
	tip, turn := b.tip()
	return drawn{bent: b, head: tip.plus(r.arm.turned(turn)), tension: tension}
}

// press presses the hair of a tuned rig with a force against the stick, part of the way
// from frog to head, across the hair's line at rest. The hair slides over what presses
// it, so its tension is the same on both sides.
func (r rig) press(rest drawn, part, force float64) (drawn, error) {
	along := rest.head.minus(r.frog).times(1 / rest.length)
	up := point{-along.y, along.x}
	at := r.frog.plus(along.times(part * rest.length))
	slack := rest.length - r.stretch*rest.tension // of the ribbon without pull
	state := func(x []float64) drawn {
		c := at.plus(up.times(x[3]))
		d := r.under(point{x[0], x[1]}, c, x[2])
		d.pressed = c
		d.length = r.frog.minus(c).long() + d.head.minus(c).long()
		return d
	}
	const presses = 4 // each starts where the last came to rest
	x := []float64{rest.head.x, rest.head.y, rest.tension, force / presses * part * (1 - part) * rest.length / rest.tension}
	for i := range presses {
		now := force * float64(i+1) / presses
		err := solve(func(x []float64) []float64 {
			d := state(x)
			a, b := r.frog.minus(d.pressed), d.head.minus(d.pressed)
			push := -x[2] * (a.times(1 / a.long()).plus(b.times(1 / b.long()))).dot(up)
			return []float64{d.head.x - x[0], d.head.y - x[1], 1e-3 * (push - now), d.length - slack - r.stretch*x[2]}
		}, x, []float64{1e-6, 1e-6, 1e-4, 1e-6})
		if err != nil {
			return drawn{}, fmt.Errorf("pressed with %g N at %.0f %% of the hair: %w", force, 100*part, err)
		}
	}
	return state(x), nil
}
