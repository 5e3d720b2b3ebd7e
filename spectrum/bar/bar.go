// Package bar is the mechanics of a free wooden bar of any section along its length:
// the frequencies of bending in both planes, of torsion and of longitudinal vibration,
// with the shapes of the modes.
//
// Bending follows Timoshenko's theory, in which the slender-bar formula of Euler and
// Bernoulli is corrected for rotary inertia and for shear. Wood needs the latter: its
// shear modulus G is 12 to 20 times smaller than E along the grain, not 2.6 times as
// in a metal. Frequencies are in Hz, everything else in SI units.
package bar

import (
	"fmt"
	"math"
)

// Wood is the material of a bar, the same everywhere. Without point masses only the
// ratios E/Density and G/Density matter.
type Wood struct {
	E       float64 // Young's modulus along the grain, Pa
	G       float64 // shear modulus in planes along the grain, Pa
	Density float64 // kg/m3
}

// Station is the section at X metres from the butt.
type Station struct {
	X float64
	Section
}

// PointMass is a mass of M kg fixed to the bar X metres from the butt. Arm is how far its
// centre lies beyond that place, m towards the far end, as a head's does that overhangs a
// shaft; Inertia is its moment of inertia about its own centre in the plane of bending,
// kg m2. Both take part in bending only.
type PointMass struct {
	X, M         float64
	Arm, Inertia float64
}

// Bar is a free bar. Between stations height and width run straight; two stations at one
// X make a step. The line of centres is taken as straight.
type Bar struct {
	Stations []Station // by X, the first at the butt end, the last at the other end
	Masses   []PointMass
}

// Uniform is a bar of one section.
func Uniform(length float64, s Section) Bar {
	return Bar{Stations: []Station{{0, s}, {length, s}}}
}

// Length in m.
func (b Bar) Length() float64 { return b.Stations[len(b.Stations)-1].X - b.Stations[0].X }

// Volume in m3, point masses not counted.
func (b Bar) Volume() float64 {
	var v float64
	for i, s := range b.Stations[:len(b.Stations)-1] {
		e := b.Stations[i+1]
		// Simpson's rule is exact: the area is quadratic in x.
		v += (e.X - s.X) / 6 * (s.Area() + 4*between(s, e, 0.5).Area() + e.Area())
	}
	return v
}

func between(s, e Station, t float64) Section {
	return Section{s.Shape, s.Height + t*(e.Height-s.Height), s.Width + t*(e.Width-s.Width)}
}

// check tells what is wrong with the bar, or nil.
func (b Bar) check() error {
	if len(b.Stations) < 2 {
		return fmt.Errorf("bar: %d stations, need two at least", len(b.Stations))
	}
	for i, s := range b.Stations {
		if !(s.Height > 0 && s.Width > 0) || math.IsInf(s.Height+s.Width+s.X, 0) {
			return fmt.Errorf("bar: station %d: section %g by %g m", i+1, s.Height, s.Width)
		}
		if i > 0 && !(s.X >= b.Stations[i-1].X) {
			return fmt.Errorf("bar: station %d lies before the one in front of it", i+1)
		}
		if i > 1 && s.X == b.Stations[i-2].X {
			return fmt.Errorf("bar: three stations at %g m", s.X)
		}
	}
	first, last := b.Stations[0].X, b.Stations[len(b.Stations)-1].X
	if !(last > first) || b.Stations[1].X == first || b.Stations[len(b.Stations)-2].X == last {
		return fmt.Errorf("bar: no length between the end stations")
	}
	for _, m := range b.Masses {
		if !(m.X >= first && m.X <= last && m.M >= 0 && m.Inertia >= 0) || math.IsInf(m.M+m.Inertia+m.Arm, 0) || math.IsNaN(m.Arm) {
			return fmt.Errorf("bar: mass of %g kg at %g m is not on the bar", m.M, m.X)
		}
	}
	return nil
}
