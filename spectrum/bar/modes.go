package bar

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Kind is a way in which a bar vibrates.
type Kind int

// The kinds of vibration. Bending is named by the plane of the motion.
const (
	BendingHeight Kind = iota // motion along the height
	BendingWidth              // motion along the width
	Torsion
	Longitudinal
)

// Mode is one natural vibration of a free bar.
type Mode struct {
	Kind  Kind
	Order int // 1 = lowest
	Hz    float64
	// ShearShare is the share of the strain energy that lies in shear: d ln f / d ln G is
	// half of it, d ln f / d ln E half of the rest (Rayleigh).
	ShearShare float64

	bar   Bar
	grid  grid
	w, th field
	v     []float64
}

// strain is a mode's motion at a point: deflection w (or displacement, or twist), its
// slope, the rotation th of the section (bending only) and the curvature th'.
type strain struct{ w, dw, th, dth float64 }

// stiffness of a section against curvature (or stretch, or twist) and shear, and
// its inertia per metre against deflection and rotation.
func (k Kind) stiffness(s Section, m Wood) (bend, shear, mass, rotary float64) {
	switch k {
	case Torsion:
		return 0, m.G * s.TorsionConstant(), m.Density * s.PolarMoment(), 0
	case Longitudinal:
		return m.E * s.Area(), 0, m.Density * s.Area(), 0
	}
	i, a := s.SecondMoment(k.plane()), s.Area()
	return m.E * i, s.ShearCoefficient() * m.G * a, m.Density * a, m.Density * i
}

func (k Kind) plane() Plane {
	if k == BendingWidth {
		return WidthPlane
	}
	return HeightPlane
}

func (k Kind) bends() bool { return k == BendingHeight || k == BendingWidth }

// Modes finds the n lowest modes of one kind. Six bending modes are within 1e-4 of
// Timoshenko's theory, for up to 30 steps, sharp bends and point masses. Torsion is
// Saint-Venant's, longitudinal motion the plain wave equation; a point mass takes
// no part in torsion.
func (b Bar) Modes(k Kind, m Wood, n int) ([]Mode, error) {
	if err := b.check(); err != nil {
		return nil, err
	}
	if !(m.E > 0 && m.G > 0 && m.Density > 0) {
		return nil, fmt.Errorf("bar: E %g Pa, G %g Pa, density %g kg/m3: all must be positive", m.E, m.G, m.Density)
	}
	sys := newSystem(b, k, m, n)
	omega2, vectors, err := lowest(sys.K, sys.M, k.roughly(b, m), sys.rigid(), n)
	if err != nil {
		return nil, err
	}
	modes := make([]Mode, len(omega2))
	for i, v := range vectors {
		modes[i] = Mode{
			Kind: k, Order: i + 1, Hz: math.Sqrt(omega2[i]) / (2 * math.Pi), ShearShare: sys.shearShare(v),
			bar: b, grid: sys.grid, w: sys.w, th: sys.th, v: v,
		}
	}
	return modes, nil
}

// system is a bar made discrete for one kind of vibration: strain energy is v'K v / 2,
// kinetic energy omega^2 v'M v / 2, for unknowns v.
type system struct {
	grid     grid
	w, th    field // deflection and, for bending, rotation
	K, M     *mat.Dense
	elements []element
}

// element is what a span adds to a system: strains and motions at places along it, by its
// own unknowns, and what their squares are weighed by in the energies. The first half of
// the rows are shear and deflection, the second half curvature (or stretch) and rotation.
type element struct {
	unknowns       []int
	strain, motion *mat.Dense
	stiff, inert   []float64
}

func newSystem(b Bar, k Kind, m Wood, modes int) system {
	s := system{grid: newGrid(b, modes)}
	var size int
	s.w, size = s.grid.field(0, 1)
	s.th = make(field, len(s.grid.spans))
	if k.bends() {
		s.th, size = s.grid.field(size, 0)
	}
	s.K, s.M = mat.NewDense(size, size, nil), mat.NewDense(size, size, nil)
	for i := range s.grid.spans {
		e := s.newElement(i, k, m)
		s.elements = append(s.elements, e)
		e.add(s.K, e.strain, e.stiff)
		e.add(s.M, e.motion, e.inert)
	}
	for _, pm := range b.Masses {
		if k == Torsion {
			break
		}
		s.addMass(pm)
	}
	return s
}

// addMass adds a mass that moves as the bar does at its place: with its centre by w + arm
// th, and turning by th.
func (s system) addMass(pm PointMass) {
	span := s.grid.spanAt(pm.X)
	value, _ := s.grid.spans[span].basis(pm.X)
	unknowns := slices.Concat(s.w[span], s.th[span])
	along, round := make([]float64, len(unknowns)), make([]float64, len(unknowns))
	copy(along, value[:len(s.w[span])])
	for i := range s.th[span] {
		along[len(s.w[span])+i], round[len(s.w[span])+i] = pm.Arm*value[i], value[i]
	}
	for i, u := range unknowns {
		for j, v := range unknowns {
			s.M.Set(u, v, s.M.At(u, v)+pm.M*along[i]*along[j]+pm.Inertia*round[i]*round[j])
		}
	}
}

func (s system) newElement(span int, k Kind, m Wood) element {
	sp := s.grid.spans[span]
	x, q := s.grid.sums(sp, k, m)
	n, deflections := len(x), len(s.w[span])
	e := element{
		unknowns: slices.Concat(s.w[span], s.th[span]),
		stiff:    slices.Concat(q[0], q[1]),
		inert:    slices.Concat(q[2], q[3]),
	}
	e.strain, e.motion = mat.NewDense(2*n, len(e.unknowns), nil), mat.NewDense(2*n, len(e.unknowns), nil)
	for i, x := range x {
		value, rate := sp.basis(x)
		copy(e.motion.RawRowView(i)[:deflections], value)
		copy(e.strain.RawRowView(i)[:deflections], rate)
		if !k.bends() {
			copy(e.strain.RawRowView(n+i), rate)
			continue
		}
		floats.Sub(e.strain.RawRowView(i)[deflections:], value[:len(s.th[span])])
		copy(e.strain.RawRowView(n + i)[deflections:], rate)
		copy(e.motion.RawRowView(n + i)[deflections:], value)
	}
	return e
}

// add adds the sum of the rows' squares, weighed, to a matrix over all unknowns.
func (e element) add(to, rows *mat.Dense, weight []float64) {
	var weighed, own mat.Dense
	weighed.CloneFrom(rows)
	for i, w := range weight {
		floats.Scale(w, weighed.RawRowView(i))
	}
	own.Mul(rows.T(), &weighed)
	for i, u := range e.unknowns {
		row, mine := to.RawRowView(u), own.RawRowView(i)
		for j, v := range e.unknowns {
			row[v] += mine[j]
		}
	}
}

// rigid lists the motions of the bar as a whole: along, and for bending also round.
func (s system) rigid() [][]float64 {
	_, size := s.K.Dims()
	along, round := make([]float64, size), make([]float64, size)
	for i, sp := range s.grid.spans {
		for j, x := range []float64{sp.x0, sp.x1} {
			along[s.w[i][j]] = 1
			if len(s.th[i]) > 0 {
				round[s.w[i][j]], round[s.th[i][j]] = x, 1
			}
		}
	}
	if len(s.th[0]) == 0 {
		return [][]float64{along}
	}
	return [][]float64{along, round}
}

func (s system) shearShare(v []float64) float64 {
	var shear, all float64
	for _, e := range s.elements {
		own := make([]float64, len(e.unknowns))
		for i, u := range e.unknowns {
			own[i] = v[u]
		}
		for i, w := range e.stiff {
			y := floats.Dot(e.strain.RawRowView(i), own)
			all += w * y * y
			if 2*i < len(e.stiff) {
				shear += w * y * y
			}
		}
	}
	return shear / all
}

// roughly is omega^2 of the lowest mode, in its order of magnitude.
func (k Kind) roughly(b Bar, m Wood) float64 {
	bend, shear, mass, _ := k.stiffness(b.Stations[0].Section, m)
	if !k.bends() {
		return math.Pow(math.Pi/b.Length(), 2) * (bend + shear) / mass
	}
	return math.Pow(4.73/b.Length(), 4) * bend / mass
}

// energies per metre of a motion, each twice the energy and the kinetic ones per omega^2.
func (k Kind) energies(e strain, s Section, m Wood) (bend, shear, mass, rotary float64) {
	bend, shear, mass, rotary = k.stiffness(s, m)
	if !k.bends() {
		return bend * e.dw * e.dw, shear * e.dw * e.dw, mass * e.w * e.w, 0
	}
	angle := e.dw - e.th
	return bend * e.dth * e.dth, shear * angle * angle, mass * e.w * e.w, rotary * e.th * e.th
}

// lowest solves K v = omega^2 M v for the n lowest omega^2 above the rigid motions,
// which are known. It looks for the largest mu = 1/(omega^2 + shift) of A v = mu v with
// A = (K + shift M)^-1 M: rounding then spares the lowest modes, however stiff the
// shortest span is, and some twenty steps of the Lanczos method find them (with each
// vector made orthogonal to all before; Parlett, The Symmetric Eigenvalue Problem,
// 1980, from memory).
func lowest(K, M *mat.Dense, shift float64, rigid [][]float64, n int) (omega2 []float64, vectors [][]float64, err error) {
	_, size := K.Dims()
	n = min(n, size-len(rigid))
	var shifted mat.Dense
	shifted.Scale(shift, M)
	shifted.Add(&shifted, K)
	raw := shifted.RawMatrix()
	u, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: size, Data: raw.Data, Stride: raw.Stride})
	if !ok {
		return nil, nil, fmt.Errorf("bar: too uneven to solve")
	}
	// Rows of q are the vectors so far, such that q M q' = 1, and those of p are M times
	// as much. The rigid ones are only kept out of the others, between which h = p A q'.
	q, p, h := mat.NewDense(size, size, nil), mat.NewDense(size, size, nil), mat.NewSymDense(size, nil)
	y, my, along := mat.NewVecDense(size, nil), mat.NewVecDense(size, nil), make([]float64, size)
	for k := 0; ; k++ {
		next, steps := y.RawVector(), k-len(rigid)
		switch {
		case steps < 0:
			copy(next.Data, rigid[k])
		case steps == 0: // anything with a share of every mode
			for i := range next.Data {
				next.Data[i] = 1
			}
		default:
			copy(next.Data, p.RawRowView(k-1))
			blas64.Trsv(blas.Trans, u, next)
			blas64.Trsv(blas.NoTrans, u, next)
		}
		project(next.Data, q, p, k, along)
		for i := range steps {
			h.SetSym(i, steps-1, along[len(rigid)+i])
		}
		my.MulVec(M, y)
		norm := math.Sqrt(mat.Dot(y, my))
		if k == size || steps >= 2*n+6 && steps%3 == 0 {
			var eigen mat.EigenSym
			if !eigen.Factorize(h.SliceSym(0, steps), true) {
				return nil, nil, fmt.Errorf("bar: the modes did not converge")
			}
			var s mat.Dense
			eigen.VectorsTo(&s)
			mu := eigen.Values(nil)
			if k == size || settled(&s, mu, n, norm) {
				for j := steps - 1; j >= steps-n; j-- {
					omega2, vectors = append(omega2, 1/mu[j]-shift), append(vectors, combined(&s, j, q, len(rigid)))
				}
				return omega2, vectors, nil
			}
		}
		floats.ScaleTo(q.RawRowView(k), 1/norm, next.Data)
		floats.ScaleTo(p.RawRowView(k), 1/norm, my.RawVector().Data)
	}
}

// project takes the first k vectors out of y, and tells how much of each was in it.
func project(y []float64, q, p *mat.Dense, k int, along []float64) {
	clear(along)
	for range 2 { // the second time for what rounding left
		for i := range k {
			x := floats.Dot(p.RawRowView(i), y)
			floats.AddScaled(y, -x, q.RawRowView(i))
			along[i] += x
		}
	}
}

// combined is the sum of the rows of q from first on, weighted by column j of s.
func combined(s *mat.Dense, j int, q *mat.Dense, first int) []float64 {
	_, size := q.Dims()
	v := make([]float64, size)
	steps, _ := s.Dims()
	for i := range steps {
		floats.AddScaled(v, s.At(i, j), q.RawRowView(first+i))
	}
	return v
}

// settled tells whether the n largest mu have converged: what A v has beside mu v is
// nothing.
func settled(s *mat.Dense, mu []float64, n int, norm float64) bool {
	last := len(mu) - 1
	for j := len(mu) - n; j < len(mu); j++ {
		if norm*math.Abs(s.At(last, j)) >= 1e-10*mu[j] {
			return false
		}
	}
	return true
}

func (g grid) spanAt(x float64) int {
	i := slices.IndexFunc(g.spans, func(s span) bool { return x <= s.x1 })
	if i < 0 {
		return len(g.spans) - 1
	}
	return i
}

// At is the deflection x metres from the butt (the displacement or twist for other kinds
// than bending), in an arbitrary unit common to the whole mode.
func (m Mode) At(x float64) float64 {
	s := m.grid.spanAt(x)
	value, _ := m.grid.spans[s].basis(x)
	return m.w.sum(m.v, s, value)
}

// turn is how far the section turns x metres from the butt; 0 where the kind knows no
// rotation.
func (m Mode) turn(x float64) float64 {
	s := m.grid.spanAt(x)
	value, _ := m.grid.spans[s].basis(x)
	return m.th.sum(m.v, s, value)
}

// Nodes are the places that stand still, in metres from the butt.
func (m Mode) Nodes() []float64 {
	const steps = 400
	x0, x1 := m.grid.spans[0].x0, m.grid.spans[len(m.grid.spans)-1].x1
	var nodes []float64
	a, ya := x0, m.At(x0)
	for i := 1; i <= steps; i++ {
		b := x0 + (x1-x0)*float64(i)/steps
		yb := m.At(b)
		if (ya < 0) != (yb < 0) {
			lo, hi, ylo := a, b, ya
			for range 40 {
				mid := (lo + hi) / 2
				if y := m.At(mid); (y < 0) == (ylo < 0) {
					lo = mid
				} else {
					hi = mid
				}
			}
			nodes = append(nodes, lo)
		}
		a, ya = b, yb
	}
	return nodes
}

// shiftAt is the one of the shifts of the intervals' ends that belongs to x.
func shiftAt(x float64, list []interval, shift []float64) float64 {
	for j, in := range list {
		if in.a.X == x {
			return shift[j]
		}
	}
	if last := len(list) - 1; list[last].b.X == x {
		return shift[last+1]
	}
	return 0
}

// Carried returns what Rayleigh's principle makes of this motion on another bar with the
// same stations: a frequency that is right to first order in the differences, hence a
// cheap way to the sensitivity to any dimension. Where the other bar is longer, a bent
// piece keeps its slopes and grows in deflection; other motions keep their displacements.
func (m Mode) Carried() func(b Bar, wood Wood) float64 {
	var samples []sample
	var at []strain
	for i, sp := range m.grid.spans {
		samples = append(samples, sp.samples...)
		for _, p := range sp.samples {
			x, _, _ := m.grid.at(p)
			value, rate := sp.basis(x)
			at = append(at, strain{m.w.sum(m.v, i, value), m.w.sum(m.v, i, rate), m.th.sum(m.v, i, value), m.th.sum(m.v, i, rate)})
		}
	}
	ends := []float64{m.At(m.grid.list[0].a.X)} // deflection at the ends of the intervals
	for _, in := range m.grid.list {
		ends = append(ends, m.At(in.b.X))
	}
	var atMass, turn []float64
	for _, pm := range m.bar.Masses {
		atMass, turn = append(atMass, m.At(pm.X)), append(turn, m.turn(pm.X))
	}
	return func(b Bar, wood Wood) float64 {
		list, _ := b.intervals()
		other := grid{list: list}
		stretch := make([]float64, len(list))
		shift := make([]float64, len(list)+1) // of the deflection, at the ends of the intervals
		for i, in := range list {
			was := m.grid.list[i]
			stretch[i] = (in.b.X - in.a.X) / (was.b.X - was.a.X)
			if m.Kind.bends() {
				shift[i+1] = shift[i] + (stretch[i]-1)*(ends[i+1]-ends[i])
			}
		}
		var potential, kinetic float64
		for i, p := range samples {
			e, stretch := at[i], stretch[p.interval]
			if m.Kind.bends() {
				e.dth /= stretch
				e.w += shift[p.interval] + (stretch-1)*(e.w-ends[p.interval])
			} else {
				e.dw /= stretch
			}
			_, q, sec := other.at(p)
			bend, shear, mass, rotary := m.Kind.energies(e, sec, wood)
			potential += q * (bend + shear)
			kinetic += q * (mass + rotary)
		}
		for i, pm := range b.Masses {
			if m.Kind == Torsion {
				break
			}
			w := atMass[i] + shiftAt(pm.X, list, shift) + pm.Arm*turn[i]
			kinetic += pm.M*w*w + pm.Inertia*turn[i]*turn[i]
		}
		return math.Sqrt(potential/kinetic) / (2 * math.Pi)
	}
}
