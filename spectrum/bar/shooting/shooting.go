// Package shooting finds the frequencies of a free bar by a second, independent method:
// the equations of motion are integrated from the free butt to the other end, and a
// frequency is right when that end comes out free too. It is slow and simple. The tests
// hold package bar against it, and invented deliveries get their notes from it, so that
// no analysis is ever judged by its own arithmetic.
package shooting

import (
	"fmt"
	"math"
	"slices"

	"ringstock/spectrum/bar"
)

// steps of the fourth-order Runge-Kutta method over a whole bar; the error of the sixth
// bending mode is then under 1e-5.
const steps = 200

// state is deflection (or displacement, or twist), rotation, shear force (or axial force,
// or torque) and bending moment.
type state [4]float64

// Frequencies are the n lowest frequencies of one kind, in Hz.
func Frequencies(b bar.Bar, k bar.Kind, m bar.Wood, n int) ([]float64, error) {
	free := func(hz float64) float64 { return freeEnd(b, k, m, 2*math.Pi*hz) }
	// The scan starts well under the first mode of any bar that can be held in a hand
	// and moves in steps too small to jump over two modes.
	f := 20.0
	y := free(f)
	var found []float64
	for len(found) < n {
		next := f * 1.03
		if next > 1e6 {
			return nil, fmt.Errorf("shooting: only %d of %d modes up to 1 MHz", len(found), n)
		}
		ynext := free(next)
		if (y < 0) != (ynext < 0) {
			found = append(found, root(free, f, y, next, ynext))
		}
		f, y = next, ynext
	}
	return found, nil
}

// root closes in on a change of sign (regula falsi, Illinois variant).
func root(f func(float64) float64, a, ya, b, yb float64) float64 {
	for range 60 {
		x := b - yb*(b-a)/(yb-ya)
		y := f(x)
		if math.Abs(x-b) < 1e-9*x || y == 0 {
			return x
		}
		if (y < 0) != (yb < 0) {
			a, ya = b, yb
		} else {
			ya /= 2
		}
		b, yb = x, y
	}
	return b
}

// freeEnd is zero where omega is a natural frequency: the force left at the far
// end, for bending the determinant of force and moment over the two motions that
// leave the butt free.
func freeEnd(b bar.Bar, k bar.Kind, m bar.Wood, omega float64) float64 {
	one := integrate(b, k, m, omega, state{1, 0, 0, 0})
	if k == bar.Torsion || k == bar.Longitudinal {
		return one[2]
	}
	two := integrate(b, k, m, omega, state{0, 1, 0, 0})
	return one[2]*two[3] - two[2]*one[3]
}

func integrate(b bar.Bar, k bar.Kind, m bar.Wood, omega float64, y state) state {
	mass := func(x float64) {
		for _, pm := range b.Masses {
			if pm.X == x && k != bar.Torsion {
				y[2] -= pm.M * omega * omega * y[0]
			}
		}
	}
	mass(b.Stations[0].X)
	for i, s := range b.Stations[:len(b.Stations)-1] {
		e := b.Stations[i+1]
		x := s.X
		for _, end := range append(massesWithin(b, s.X, e.X), e.X) {
			if end <= x {
				continue
			}
			n := max(10, int(math.Ceil(steps*(end-x)/b.Length())))
			h := (end - x) / float64(n)
			for j := range n {
				y = step(s, e, k, m, omega, x+float64(j)*h, h, y)
			}
			x = end
			mass(x)
		}
	}
	return y
}

// massesWithin lists the places of point masses inside an interval, in order.
func massesWithin(b bar.Bar, from, to float64) (places []float64) {
	for _, pm := range b.Masses {
		if pm.X > from && pm.X < to {
			places = append(places, pm.X)
		}
	}
	slices.Sort(places)
	return places
}

func step(s, e bar.Station, k bar.Kind, m bar.Wood, omega, x, h float64, y state) state {
	at := func(x float64, y state) state {
		t := (x - s.X) / (e.X - s.X)
		sec := bar.Section{Shape: s.Shape, Height: s.Height + t*(e.Height-s.Height), Width: s.Width + t*(e.Width-s.Width)}
		return slope(sec, k, m, omega, y)
	}
	k1 := at(x, y)
	k2 := at(x+h/2, y.plus(k1, h/2))
	k3 := at(x+h/2, y.plus(k2, h/2))
	k4 := at(x+h, y.plus(k3, h))
	for i := range y {
		y[i] += h / 6 * (k1[i] + 2*k2[i] + 2*k3[i] + k4[i])
	}
	return y
}

func (y state) plus(d state, h float64) state {
	for i := range y {
		y[i] += h * d[i]
	}
	return y
}

// slope is dy/dx: w' = th + V/(kappa G A), th' = M/(E I), V' = -rho A omega^2 w,
// M' = -V - rho I omega^2 th (Timoshenko); u' = N/(stiffness), N' = -inertia omega^2 u.
func slope(s bar.Section, k bar.Kind, m bar.Wood, omega float64, y state) state {
	o2 := omega * omega
	switch k {
	case bar.Torsion:
		return state{y[2] / (m.G * s.TorsionConstant()), 0, -m.Density * s.PolarMoment() * o2 * y[0], 0}
	case bar.Longitudinal:
		return state{y[2] / (m.E * s.Area()), 0, -m.Density * s.Area() * o2 * y[0], 0}
	}
	plane := bar.HeightPlane
	if k == bar.BendingWidth {
		plane = bar.WidthPlane
	}
	a, i := s.Area(), s.SecondMoment(plane)
	return state{
		y[1] + y[2]/(s.ShearCoefficient()*m.G*a),
		y[3] / (m.E * i),
		-m.Density * a * o2 * y[0],
		-y[2] - m.Density*i*o2*y[1],
	}
}
