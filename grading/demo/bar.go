package demo

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// Shape is the section of a blank.
type Shape string

// The sections that occur in the delivery.
const (
	Rectangular Shape = "rectangular"
	Octagonal   Shape = "octagonal"
)

// Body is a blank as nature has it: dimensions in metres, moduli in pascals.
type Body struct {
	Shape                 Shape
	Length, Height, Width float64 // of a tapered blank: at the thick end
	TipHeight, TipWidth   float64 // at the thin end; 0 = not tapered
	HeadLength            float64 // an uncut block at the far end; 0 = none
	HeadHeight            float64
	Density               float64 // kg/m3
	Young                 float64 // along the grain
	Shear                 float64
	Loss                  float64 // tangent of the loss angle along the grain
	ShearLoss             float64
	CheckAt               float64 // place of a drying check, as a part of the length; 0 = sound wood
	CheckLength           float64
	CheckLeaves           float64 // the part of the stiffness that is left there
}

// section is the height and width at x.
func (b Body) section(x float64) (height, width float64) {
	height, width = b.Height, b.Width
	if b.TipHeight > 0 {
		height += (b.TipHeight - b.Height) * x / b.Length
		width += (b.TipWidth - b.Width) * x / b.Length
	}
	if x > b.Length-b.HeadLength {
		height = b.HeadHeight
	}
	return height, width
}

// soundness is the part of the stiffness that a check leaves at x.
func (b Body) soundness(x float64) float64 {
	if b.CheckAt > 0 && math.Abs(x-b.CheckAt*b.Length) < b.CheckLength/2 {
		return b.CheckLeaves
	}
	return 1
}

// area of a section. For the octagon with d across flats, A = 2 (sqrt 2 - 1) d^2 and
// I = (4 sqrt 2 - 5) d^4/12; stretched in one direction both scale as a rectangle's do.
func (b Body) area(height, width float64) float64 {
	if b.Shape == Octagonal {
		return 2 * (math.Sqrt2 - 1) * height * width
	}
	return height * width
}

// inertia is the second moment of area for bending along height.
func (b Body) inertia(height, width float64) float64 {
	if b.Shape == Octagonal {
		return (4*math.Sqrt2 - 5) / 12 * width * height * height * height
	}
	return width * height * height * height / 12
}

// twist is Saint-Venant's torsion constant: of the rectangle by its series, of the
// regular octagon 0.1075 d^4 (harmonic series with boundary collocation).
func (b Body) twist(height, width float64) float64 {
	if b.Shape == Octagonal {
		return 0.107499 * height * height * width * width
	}
	long, short := max(height, width), min(height, width)
	sum := 0.0
	for k := 1.0; k < 30; k += 2 {
		sum += math.Tanh(k*math.Pi*long/(2*short)) / math.Pow(k, 5)
	}
	return long * short * short * short / 3 * (1 - 192*short/(math.Pow(math.Pi, 5)*long)*sum)
}

// Mass in kilograms.
func (b Body) Mass() float64 {
	mass := 0.0
	b.integrate(func(x, dx float64) { mass += b.Density * b.area(b.section(x)) * dx })
	return mass
}

// integrate calls f with the points and weights of a Gauss rule for every smooth stretch.
func (b Body) integrate(f func(x, dx float64)) {
	edges := []float64{0}
	if b.CheckAt > 0 {
		edges = append(edges, b.CheckAt*b.Length-b.CheckLength/2, b.CheckAt*b.Length+b.CheckLength/2)
	}
	if b.HeadLength > 0 {
		edges = append(edges, b.Length-b.HeadLength)
	}
	edges = append(edges, b.Length)
	x, dx := make([]float64, degrees+4), make([]float64, degrees+4)
	for k := range edges[1:] {
		quad.Legendre{}.FixedLocations(x, dx, edges[k], edges[k+1])
		for n := range x {
			f(x[n], dx[n])
		}
	}
}

// vibration is one free vibration of a body.
type vibration struct {
	hz, loss float64
	shape    func(x float64) float64 // rms 1 over the mass
}

// degrees is the number of Legendre polynomials with which a motion is described.
const degrees = 26

// bending vibrations after Timoshenko (Phil. Mag. 41 (1921) 744): deflection and rotation
// of the sections, with shear coefficient 5/6. Along says whether the blank swings in the
// plane of its height or of its width.
func (b Body) bending(alongHeight bool) []vibration {
	return b.ritz(2, func(x float64, p, d []float64) (strains, motions []term) {
		height, width := b.section(x)
		if !alongHeight {
			height, width = width, height
		}
		area, inertia := b.area(height, width), b.inertia(height, width)
		sound := b.soundness(x)
		rotate, slope := make([]float64, 2*degrees), make([]float64, 2*degrees)
		copy(rotate[degrees:], d)
		copy(slope, d)
		for k, v := range p {
			slope[degrees+k] = -v
		}
		deflect, turn := make([]float64, 2*degrees), make([]float64, 2*degrees)
		copy(deflect, p)
		copy(turn[degrees:], p)
		return []term{{sound * b.Young * inertia, b.Loss, rotate}, {sound * b.Shear * 5 / 6 * area, b.ShearLoss, slope}},
			[]term{{b.Density * area, 0, deflect}, {b.Density * inertia, 0, turn}}
	})
}

// longitudinal vibrations of the body as a thin rod.
func (b Body) longitudinal() []vibration {
	return b.ritz(1, func(x float64, p, d []float64) (strains, motions []term) {
		area := b.area(b.section(x))
		return []term{{b.soundness(x) * b.Young * area, b.Loss, d}}, []term{{b.Density * area, 0, p}}
	})
}

// torsion is the vibration of the body as a shaft, after Saint-Venant.
func (b Body) torsion() []vibration {
	return b.ritz(1, func(x float64, p, d []float64) (strains, motions []term) {
		height, width := b.section(x)
		polar := b.inertia(height, width) + b.inertia(width, height)
		return []term{{b.soundness(x) * b.Shear * b.twist(height, width), b.ShearLoss, d}},
			[]term{{b.Density * polar, 0, p}}
	})
}

// term is a contribution to the energy: coefficient times the square of row·unknowns.
type term struct {
	coefficient, loss float64
	row               []float64
}

// ritz finds the free vibrations by Ritz's method (J. reine angew. Math. 135 (1909)
// 1): the fields of motion are sums of Legendre polynomials, whose strain and
// kinetic energies give the two matrices of an eigenvalue problem. The loss of a
// vibration is that of its strains, weighted by their energies. Energies gets the
// polynomials and their slopes at x.
func (b Body) ritz(fields int, energies func(x float64, p, d []float64) (strains, motions []term)) []vibration {
	size := fields * degrees
	stiff, lossy, mass := mat.NewSymDense(size, nil), mat.NewSymDense(size, nil), mat.NewSymDense(size, nil)
	total := 0.0
	b.integrate(func(x, dx float64) {
		p, d := legendre(2*x/b.Length - 1)
		for k := range d {
			d[k] *= 2 / b.Length
		}
		strains, motions := energies(x, p, d)
		for _, s := range strains {
			row := mat.NewVecDense(size, s.row)
			stiff.SymRankOne(stiff, s.coefficient*dx, row)
			lossy.SymRankOne(lossy, s.coefficient*s.loss*dx, row)
		}
		for _, m := range motions {
			mass.SymRankOne(mass, m.coefficient*dx, mat.NewVecDense(size, m.row))
		}
		total += motions[0].coefficient * dx
	})

	var factor mat.Cholesky
	if !factor.Factorize(mass) {
		panic("demo: a blank without mass")
	}
	var lower, inverse mat.TriDense
	factor.LTo(&lower)
	if err := inverse.InverseTri(&lower); err != nil {
		panic("demo: " + err.Error())
	}
	var half, whole mat.Dense
	half.Mul(&inverse, stiff)
	whole.Mul(&half, inverse.T())
	standard := mat.NewSymDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			standard.SetSym(i, j, (whole.At(i, j)+whole.At(j, i))/2)
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(standard, true) {
		panic("demo: the vibrations of a blank do not converge")
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	vectors.Mul(inverse.T(), &vectors)

	var found []vibration
	for k, value := range eigen.Values(nil) {
		if value < 1 { // the rigid motions, at zero but for rounding
			continue
		}
		vector := vectors.ColView(k)
		weights := mat.Col(nil, k, &vectors)[:degrees]
		found = append(found, vibration{
			hz:   math.Sqrt(value) / (2 * math.Pi),
			loss: mat.Inner(vector, lossy, vector) / value,
			shape: func(x float64) float64 {
				p, _ := legendre(2*x/b.Length - 1)
				sum := 0.0
				for n, v := range weights {
					sum += v * p[n]
				}
				return sum * math.Sqrt(total)
			},
		})
	}
	return found
}

// legendre returns the polynomials of degree 0 to degrees-1 at x, and their slopes.
func legendre(x float64) (p, d []float64) {
	p, d = make([]float64, degrees), make([]float64, degrees)
	p[0], p[1], d[1] = 1, x, 1
	for n := 2; n < degrees; n++ {
		k := float64(n)
		p[n] = ((2*k-1)*x*p[n-1] - (k-1)*p[n-2]) / k
		d[n] = d[n-2] + (2*k-1)*p[n-1]
	}
	return p, d
}
