package bar

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
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

	grid   grid
	motion field
	v      []float64
	at     []strain  // at the grid's points
	ends   []float64 // deflection at the start of each interval and at the end of the bar
	atMass []float64 // deflection at the bar's point masses
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
// Timoshenko's theory, for up to 30 steps, sharp bends and point masses. Torsion is Saint-Venant's, longitudinal motion the plain wave
// equation; a point mass takes no part in torsion.
func (b Bar) Modes(k Kind, m Wood, n int) ([]Mode, error) {
	if err := b.check(); err != nil {
		return nil, err
	}
	if !(m.E > 0 && m.G > 0 && m.Density > 0) {
		return nil, fmt.Errorf("bar: E %g Pa, G %g Pa, density %g kg/m3: all must be positive", m.E, m.G, m.Density)
	}
	sys := newSystem(b, k, m, n)
	omega2, vectors, err := stationary(sys.B, sys.C, k.roughly(b, m))
	if err != nil {
		return nil, err
	}
	rigid := 1
	if k.bends() {
		rigid = 2
	}
	modes := make([]Mode, 0, n)
	for order := 1; order <= n && rigid+order <= len(omega2); order++ {
		c := rigid + order - 1
		modes = append(modes, sys.mode(order, omega2[c], mat.Col(nil, c, vectors)))
	}
	return modes, nil
}

// system is a bar made discrete for one kind of vibration: strain energy is |B v|^2 / 2,
// kinetic energy |C v'|^2 / 2, for unknowns v and their rates v'.
type system struct {
	bar   Bar
	kind  Kind
	wood  Wood
	grid  grid
	w, th field // deflection and, for bending, rotation
	B, C  *mat.Dense
}

func newSystem(b Bar, k Kind, m Wood, modes int) system {
	s := system{bar: b, kind: k, wood: m, grid: newGrid(b, modes)}
	var size int
	s.w, size = s.grid.field(0, 1)
	points := len(s.grid.points)
	rows := points
	if k.bends() {
		s.th, size = s.grid.field(size, 0)
		rows = 2 * points
	}
	s.B = mat.NewDense(rows, size, nil)
	s.C = mat.NewDense(rows+len(b.Masses), size, nil)
	list, _ := b.intervals()
	for i, p := range s.grid.points {
		q, sec := list[p.interval].gauss(p)
		bend, shear, mass, rotary := k.stiffness(sec, m)
		s.w.add(s.C.RawRowView(i), p.span, p.value, math.Sqrt(q*mass))
		if !k.bends() {
			s.w.add(s.B.RawRowView(i), p.span, p.rate, math.Sqrt(q*(bend+shear)))
			continue
		}
		s.w.add(s.B.RawRowView(i), p.span, p.rate, math.Sqrt(q*shear))
		s.th.add(s.B.RawRowView(i), p.span, p.value, -math.Sqrt(q*shear))
		s.th.add(s.B.RawRowView(points+i), p.span, p.rate, math.Sqrt(q*bend))
		s.th.add(s.C.RawRowView(points+i), p.span, p.value, math.Sqrt(q*rotary))
	}
	for i, pm := range b.Masses {
		if k != Torsion {
			span := s.grid.spanAt(pm.X)
			value, _ := s.grid.spans[span].basis(pm.X)
			s.w.add(s.C.RawRowView(rows+i), span, value, math.Sqrt(pm.M))
		}
	}
	return s
}

func (s system) mode(order int, omega2 float64, v []float64) Mode {
	m := Mode{Kind: s.kind, Order: order, Hz: math.Sqrt(omega2) / (2 * math.Pi), grid: s.grid, motion: s.w, v: v}
	list, _ := s.bar.intervals()
	var shear, all float64
	for _, p := range s.grid.points {
		e := strain{w: s.w.sum(v, p.span, p.value), dw: s.w.sum(v, p.span, p.rate)}
		if s.kind.bends() {
			e.th, e.dth = s.th.sum(v, p.span, p.value), s.th.sum(v, p.span, p.rate)
		}
		m.at = append(m.at, e)
		q, sec := list[p.interval].gauss(p)
		bending, shearing, _, _ := s.kind.energies(e, sec, s.wood)
		shear += q * shearing
		all += q * (bending + shearing)
	}
	m.ShearShare = shear / all
	for _, in := range list {
		m.ends = append(m.ends, m.At(in.a.X))
	}
	m.ends = append(m.ends, m.At(list[len(list)-1].b.X))
	for _, pm := range s.bar.Masses {
		m.atMass = append(m.atMass, m.At(pm.X))
	}
	return m
}

// roughly is omega^2 of the lowest mode, in its order of magnitude.
func (k Kind) roughly(b Bar, m Wood) float64 {
	bend, shear, mass, _ := k.stiffness(b.Stations[0].Section, m)
	if !k.bends() {
		return math.Pow(math.Pi/b.Length(), 2) * (bend + shear) / mass
	}
	return math.Pow(4.73/b.Length(), 4) * bend / mass
}

// gauss is a point's weight in metres and the section there.
func (i interval) gauss(p point) (float64, Section) {
	return p.weight * (i.b.X - i.a.X), between(i.a, i.b, p.t)
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

// stationary solves B'B v = omega^2 C'C v. It looks for the largest mu = 1/(omega^2 + shift)
// of C'C v = mu (B'B + shift C'C) v: rounding then spares the lowest modes, however stiff the
// shortest span is. Eigenvalues omega^2 ascend with the columns of vectors.
func stationary(B, C *mat.Dense, shift float64) (omega2 []float64, vectors *mat.Dense, err error) {
	_, n := B.Dims()
	var K, M mat.SymDense
	M.SymOuterK(1, C.T())
	K.SymOuterK(1, B.T())
	for i := range n {
		for j := i; j < n; j++ {
			K.SetSym(i, j, K.At(i, j)+shift*M.At(i, j))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(&K) {
		return nil, nil, fmt.Errorf("bar: too uneven to solve")
	}
	var U mat.TriDense
	chol.UTo(&U)
	A := mat.NewDense(n, n, nil)
	A.Copy(&M)
	blas64.Trsm(blas.Left, blas.Trans, 1, U.RawTriangular(), A.RawMatrix())
	blas64.Trsm(blas.Right, blas.NoTrans, 1, U.RawTriangular(), A.RawMatrix())
	for i := range A.RawMatrix().Data {
		A.RawMatrix().Data[i] = -A.RawMatrix().Data[i]
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(mat.NewSymDense(n, A.RawMatrix().Data), true) {
		return nil, nil, fmt.Errorf("bar: the modes did not converge")
	}
	vectors = new(mat.Dense)
	eigen.VectorsTo(vectors)
	blas64.Trsm(blas.Left, blas.NoTrans, 1, U.RawTriangular(), vectors.RawMatrix())
	for _, mu := range eigen.Values(nil) {
		omega2 = append(omega2, -1/mu-shift)
	}
	return omega2, vectors, nil
}

func (g grid) spanAt(x float64) int {
	i := slices.IndexFunc(g.spans, func(s span) bool { return x <= s.x1 })
	if i < 0 {
		return len(g.spans) - 1
	}
	return i
}

// At is the deflection x metres from the butt (the displacement or twist for other kinds than
// bending), in an arbitrary unit common to the whole mode.
func (m Mode) At(x float64) float64 {
	s := m.grid.spanAt(x)
	value, _ := m.grid.spans[s].basis(x)
	return m.motion.sum(m.v, s, value)
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

// On is the frequency that Rayleigh's principle gives for this motion carried over to
// another bar with the same stations: right to first order in the differences, hence a
// cheap way to the sensitivity of a frequency to any dimension. Where the other bar is longer, a
// bent piece keeps its slopes and grows in deflection; other motions keep their displacements.
func (m Mode) On(b Bar, wood Wood) float64 {
	list, _ := b.intervals()
	var potential, kinetic float64
	shift := make([]float64, len(list)+1) // of the deflection, at the start of each interval
	for i, in := range list {
		if m.Kind.bends() {
			stretch := (in.b.X - in.a.X) / m.grid.lengths[i]
			shift[i+1] = shift[i] + (stretch-1)*(m.ends[i+1]-m.ends[i])
		}
	}
	for i, p := range m.grid.points {
		in, e := list[p.interval], m.at[i]
		stretch := (in.b.X - in.a.X) / m.grid.lengths[p.interval]
		if m.Kind.bends() {
			e.dth /= stretch
			e.w += shift[p.interval] + (stretch-1)*(e.w-m.ends[p.interval])
		} else {
			e.dw /= stretch
		}
		q, sec := in.gauss(p)
		bend, shear, mass, rotary := m.Kind.energies(e, sec, wood)
		potential += q * (bend + shear)
		kinetic += q * (mass + rotary)
	}
	for i, pm := range b.Masses {
		if m.Kind == Torsion {
			break
		}
		w := m.atMass[i]
		for j, in := range list {
			if in.a.X == pm.X {
				w += shift[j]
			} else if j == len(list)-1 && in.b.X == pm.X {
				w += shift[j+1]
			}
		}
		kinetic += pm.M * w * w
	}
	return math.Sqrt(potential/kinetic) / (2 * math.Pi)
}
