// Package beam finds the free vibrations of a bar whose section and wood vary along it,
// by finite elements. It makes the truth for tests and for the demo, and shares neither
// code nor formula with the package that analyses use.
//
// The elements have three nodes; deflection and rotation run quadratically between them,
// and the stiffness is summed at two points, which keeps slender bars from locking
// (Zienkiewicz, Taylor & Too, Int. J. Numer. Methods Eng. 3 (1971) 275, from memory).
// Bending follows Timoshenko. Lengths in m, moduli in Pa, frequencies in Hz.
package beam

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Section is the bar at one place.
type Section struct {
	Area                  float64 // m2
	HeightWise, WidthWise float64 // second moments of area for bending along height and along width, m4
	Twist                 float64 // Saint-Venant's torsion constant, m4
	Young, Shear          float64 // along the grain, Pa
	Density               float64 // kg/m3
	Loss, ShearLoss       float64 // tangents of the loss angles of Young and Shear
}

// Mass is a compact mass of Kg fixed at X from the butt.
type Mass struct{ X, Kg float64 }

// Bar is a free bar.
type Bar struct {
	Length float64
	At     func(x float64) Section
	Breaks []float64 // where At jumps
	Masses []Mass
}

// Kind is a way in which a bar vibrates.
type Kind int

// The kinds of vibration; bending by the dimension along which the bar moves.
const (
	AlongHeight Kind = iota
	AlongWidth
	Torsion
	Lengthwise
)

// Vibration is one free vibration.
type Vibration struct {
	Hz, Loss float64                 // Loss is the loss tangent, strains weighted by their energies
	Shape    func(x float64) float64 // motion at x, rms 1 over the mass (over the polar moment for torsion)
}

const (
	elements = 64      // an even bar's sixth bending mode is then right to 2e-5
	shear    = 5.0 / 6 // Timoshenko's coefficient for a rectangle
)

// Rectangle gives the geometry of a rectangular section. The torsion constant is the
// double sine series of Prandtl's stress function.
func Rectangle(height, width float64) Section {
	twist := 0.0
	for m := 1.0; m < 40; m += 2 {
		for n := 1.0; n < 40; n += 2 {
			twist += 1 / (m * m * n * n * (m*m/(height*height) + n*n/(width*width)))
		}
	}
	return Section{
		Area: height * width, HeightWise: width * height * height * height / 12, WidthWise: height * width * width * width / 12,
		Twist: 256 / math.Pow(math.Pi, 6) * height * width * twist,
	}
}

// term is a contribution to an energy at one point: coefficient times (row·unknowns)^2.
type term struct {
	coefficient, loss float64
	row               []float64
}

// energies are the strains and motions of a kind at a point, from the values n and slopes
// d of the element's three functions there. The unknowns of a node stand together.
func (k Kind) energies(s Section, n, d [3]float64) (strains, motions []term) {
	spread := func(fields, field int, v [3]float64) []float64 {
		row := make([]float64, 3*fields)
		for i, x := range v {
			row[fields*i+field] = x
		}
		return row
	}
	switch k {
	case Torsion:
		polar := s.HeightWise + s.WidthWise
		return []term{{s.Shear * s.Twist, s.ShearLoss, spread(1, 0, d)}}, []term{{s.Density * polar, 0, spread(1, 0, n)}}
	case Lengthwise:
		return []term{{s.Young * s.Area, s.Loss, spread(1, 0, d)}}, []term{{s.Density * s.Area, 0, spread(1, 0, n)}}
	}
	moment := s.HeightWise
	if k == AlongWidth {
		moment = s.WidthWise
	}
	slope := spread(2, 0, d)
	floats.Sub(slope, spread(2, 1, n))
	return []term{{s.Young * moment, s.Loss, spread(2, 1, d)}, {shear * s.Shear * s.Area, s.ShearLoss, slope}},
		[]term{{s.Density * s.Area, 0, spread(2, 0, n)}, {s.Density * moment, 0, spread(2, 1, n)}}
}

func (k Kind) fields() int {
	if k == AlongHeight || k == AlongWidth {
		return 2
	}
	return 1
}

// quadratic gives the three functions of an element, and their slopes by xi,
// at xi from -1 to 1.
func quadratic(xi float64) (n, d [3]float64) {
	return [3]float64{xi * (xi - 1) / 2, 1 - xi*xi, xi * (xi + 1) / 2}, [3]float64{xi - 0.5, -2 * xi, xi + 0.5}
}

// edges are the ends of the elements, none of which spans a jump.
func (b Bar) edges() []float64 {
	stops := []float64{0, b.Length}
	for _, x := range b.Breaks {
		if x > 0 && x < b.Length {
			stops = append(stops, x)
		}
	}
	slices.Sort(stops)
	stops = slices.Compact(stops)
	edges := []float64{0}
	for i, to := range stops[1:] {
		from := stops[i]
		n := max(1, int(math.Round(elements*(to-from)/b.Length)))
		for j := 1; j <= n; j++ {
			edges = append(edges, from+(to-from)*float64(j)/float64(n))
		}
	}
	return edges
}

// integrate calls f with the points and weights of a Gauss rule in each element.
func (b Bar) integrate(f func(x, dx float64)) {
	edges := b.edges()
	for i := range edges[1:] {
		h, mid := edges[i+1]-edges[i], (edges[i]+edges[i+1])/2
		for _, g := range three {
			f(mid+g[0]*h/2, g[1]*h/2)
		}
	}
}

// The Gauss rules of two and three points: place from -1 to 1, and weight.
var (
	two   = [][2]float64{{-1 / math.Sqrt(3), 1}, {1 / math.Sqrt(3), 1}}
	three = [][2]float64{{-math.Sqrt(0.6), 5.0 / 9}, {0, 8.0 / 9}, {math.Sqrt(0.6), 5.0 / 9}}
)

// Mass of the bar in kg, with what is fixed to it.
func (b Bar) Mass() float64 {
	m := 0.0
	b.integrate(func(x, dx float64) { s := b.At(x); m += s.Density * s.Area * dx })
	for _, p := range b.Masses {
		m += p.Kg
	}
	return m
}

// Mean of a property over the length.
func (b Bar) Mean(of func(Section) float64) float64 {
	sum := 0.0
	b.integrate(func(x, dx float64) { sum += of(b.At(x)) * dx })
	return sum / b.Length
}

// addTo adds a term's products to a matrix, from row and column first on.
func (t term) addTo(to *mat.SymBandDense, first int, weight float64) {
	for i, u := range t.row {
		for j := i; j < len(t.row) && u != 0; j++ {
			to.SetSymBand(first+i, first+j, to.At(first+i, first+j)+weight*u*t.row[j])
		}
	}
}

// Vibrations finds the n lowest free vibrations of one kind.
func (b Bar) Vibrations(k Kind, n int) []Vibration {
	edges, fields := b.edges(), k.fields()
	size, band := fields*(2*len(edges)-1), 3*fields-1
	stiff, lossy, mass := mat.NewSymBandDense(size, band, nil), mat.NewSymBandDense(size, band, nil), mat.NewSymBandDense(size, band, nil)
	add := func(to *mat.SymBandDense, element int, t term, weight float64) { t.addTo(to, 2*fields*element, weight) }
	total := 0.0
	point := func(e int, xi float64) (x, half float64, nodes, slopes [3]float64) {
		half = (edges[e+1] - edges[e]) / 2
		nodes, slopes = quadratic(xi)
		for i := range slopes {
			slopes[i] /= half
		}
		return edges[e] + half*(1+xi), half, nodes, slopes
	}
	for e := range len(edges) - 1 {
		for _, g := range two {
			x, half, nodes, slopes := point(e, g[0])
			strains, _ := k.energies(b.At(x), nodes, slopes)
			for _, s := range strains {
				add(stiff, e, s, s.coefficient*g[1]*half)
				add(lossy, e, s, s.coefficient*s.loss*g[1]*half)
			}
		}
		for _, g := range three {
			x, half, nodes, slopes := point(e, g[0])
			_, motions := k.energies(b.At(x), nodes, slopes)
			for _, m := range motions {
				add(mass, e, m, m.coefficient*g[1]*half)
			}
			total += motions[0].coefficient * g[1] * half
		}
	}
	place := func(x float64) (element int, n [3]float64) {
		e, _ := slices.BinarySearch(edges, x)
		e = min(max(e-1, 0), len(edges)-2)
		n, _ = quadratic(2*(x-edges[e])/(edges[e+1]-edges[e]) - 1)
		return e, n
	}
	for _, p := range b.Masses {
		if k == Torsion {
			break
		}
		e, nodes := place(p.X)
		row := make([]float64, 3*fields)
		for i, v := range nodes {
			row[fields*i] = v
		}
		add(mass, e, term{row: row}, p.Kg)
		total += p.Kg
	}
	// An even bar's first omega^2 is 500 E I/(rho A L^4) in bending, 10
	// E/(rho L^2) otherwise.
	strains, motions := k.energies(b.At(b.Length/2), [3]float64{}, [3]float64{})
	shift := strains[0].coefficient / motions[0].coefficient / math.Pow(b.Length, float64(2*fields)) * math.Pow(50, float64(fields-1))
	omega2, vectors := lowest(stiff, mass, n, fields, shift)
	out := make([]Vibration, n)
	for i, o := range omega2 {
		v := vectors[i]
		out[i] = Vibration{
			Hz: math.Sqrt(o) / (2 * math.Pi), Loss: inner(lossy, v) / o,
			Shape: func(x float64) float64 {
				e, nodes := place(x)
				sum := 0.0
				for j, w := range nodes {
					sum += w * v.AtVec(fields*(2*e+j))
				}
				return sum * math.Sqrt(total)
			},
		}
	}
	return out
}

// polynomials fills the columns of v with Legendre polynomials over the nodes, each of
// which has so many fields.
func polynomials(v *mat.Dense, fields int) {
	size, q := v.Dims()
	for i := range size {
		x := float64(i/fields)/float64(size/fields-1)*2 - 1
		p0, p1 := 1.0, x
		for j := range q {
			if i%fields == 0 || j == 0 {
				v.Set(i, j, p0)
			} else {
				v.Set(i, j, p1/10)
			}
			p0, p1 = p1, (float64(2*j+3)*x*p1-float64(j+1)*p0)/float64(j+2)
		}
	}
}

// lowest solves stiff v = omega^2 mass v, with v' mass v = 1, for the n lowest vibrations
// over the rigid motions, by subspace iteration (Bathe, Finite Element Procedures, ch.
// 11, from memory). Shift is some tenth of the first one's omega^2.
func lowest(stiff, mass *mat.SymBandDense, n, rigid int, shift float64) (omega2 []float64, vectors []*mat.VecDense) {
	size, band := stiff.SymBand()
	q := min(n+rigid+6, size)
	v := mat.NewDense(size, q, nil)
	polynomials(v, rigid)
	var before []float64
	for range 60 {
		shifted := mat.NewSymBandDense(size, band, nil)
		for i := range size {
			for j := i; j <= min(i+band, size-1); j++ {
				shifted.SetSymBand(i, j, stiff.At(i, j)+shift*mass.At(i, j))
			}
		}
		var factor mat.BandCholesky
		if !factor.Factorize(shifted) {
			panic("beam: a bar without mass or stiffness")
		}
		var mv, w, reduced, weights mat.Dense
		times(&mv, mass, v)
		if err := factor.SolveTo(&w, &mv); err != nil {
			panic("beam: " + err.Error())
		}
		times(&mv, mass, &w)
		weights.Mul(w.T(), &mv)
		times(&mv, stiff, &w)
		reduced.Mul(w.T(), &mv)
		values, turn := symmetricPair(&reduced, &weights)
		v.Mul(&w, turn)
		values = values[rigid : rigid+n]
		done := before != nil
		for i := range values {
			done = done && math.Abs(values[i]/before[i]-1) < 1e-9
		}
		if done {
			for i := range n {
				vectors = append(vectors, mat.VecDenseCopyOf(v.ColView(rigid+i)))
			}
			return values, vectors
		}
		before = values
		shift = max(values[0]/10, 0)
	}
	panic("beam: the vibrations do not converge")
}

func inner(a *mat.SymBandDense, v *mat.VecDense) float64 {
	var av mat.VecDense
	a.MulVecTo(&av, false, v)
	return mat.Dot(v, &av)
}

// times is a b, column by column, as only that way the band is made use of.
func times(dst *mat.Dense, a *mat.SymBandDense, b *mat.Dense) {
	rows, columns := b.Dims()
	dst.Reset()
	dst.ReuseAs(rows, columns)
	for j := range columns {
		a.MulVecTo(dst.ColView(j).(*mat.VecDense), false, b.ColView(j))
	}
}

// symmetricPair solves a v = lambda b v for small full matrices, lambda
// rising, v' b v = 1.
func symmetricPair(a, b *mat.Dense) ([]float64, *mat.Dense) {
	size, _ := a.Dims()
	sym := func(m *mat.Dense) *mat.SymDense {
		s := mat.NewSymDense(size, nil)
		for i := range size {
			for j := i; j < size; j++ {
				s.SetSym(i, j, (m.At(i, j)+m.At(j, i))/2)
			}
		}
		return s
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym(b)) {
		panic("beam: vectors that depend on each other")
	}
	var lower, inverse mat.TriDense
	chol.LTo(&lower)
	if err := inverse.InverseTri(&lower); err != nil {
		panic("beam: " + err.Error())
	}
	var half, whole, vectors mat.Dense
	half.Mul(&inverse, a)
	whole.Mul(&half, inverse.T())
	var eigen mat.EigenSym
	if !eigen.Factorize(sym(&whole), true) {
		panic("beam: the vibrations do not converge")
	}
	eigen.VectorsTo(&vectors)
	vectors.Mul(inverse.T(), &vectors)
	return eigen.Values(nil), &vectors
}
