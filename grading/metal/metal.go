// Package metal proves the whole way from a tap to a modulus on a bar whose modulus is
// known: metals differ little from one piece to the next, wood does.
package metal

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Metal is what handbooks say of a group of alloys at room temperature: the range
// over the usual alloys.
type Metal struct {
	Name    string
	E       [2]float64 // Young's modulus, Pa
	Density [2]float64 // kg/m3
	Poisson float64
}

// Metals are those sold as rods. Ranges from memory, after G. W. C. Kaye and T. H. Laby,
// Tables of Physical and Chemical Constants, 16th ed., 2.2.2 (pure or single alloys:
// aluminium 70.3, brass 100.6, copper 129.8, mild steel 211.9 GPa), widened to the usual
// alloys after the ASM Metals Reference Book (from memory too).
var Metals = []Metal{
	{"aluminium", [2]float64{68e9, 74e9}, [2]float64{2640, 2850}, 0.345},
	{"brass", [2]float64{96e9, 112e9}, [2]float64{8350, 8800}, 0.35},
	{"copper", [2]float64{115e9, 133e9}, [2]float64{8850, 8970}, 0.343},
	{"steel", [2]float64{198e9, 216e9}, [2]float64{7750, 7900}, 0.29},
	{"stainless steel", [2]float64{190e9, 206e9}, [2]float64{7750, 8060}, 0.29},
}

// Find is the metal of a name.
func Find(name string) (Metal, error) {
	i := slices.IndexFunc(Metals, func(m Metal) bool { return strings.EqualFold(m.Name, strings.TrimSpace(name)) })
	if i < 0 {
		var names []string
		for _, m := range Metals {
			names = append(names, m.Name)
		}
		return Metal{}, fmt.Errorf("%q is not a metal with known values: give %s", name, strings.Join(names, ", "))
	}
	return Metals[i], nil
}

// Bar is a measured bar, in m and kg. A round one has its diameter as height and width.
type Bar struct {
	Shape                 bar.Shape
	Length, Height, Width measure.Value
	Mass                  measure.Value
}

// Result is what the lowest bending note says of the bar.
type Result struct {
	Density    measure.Value `json:"density_kg_m3"`
	E          measure.Value `json:"youngs_modulus_gpa"`
	SoundSpeed measure.Value `json:"sound_speed_m_s"` // sqrt(E/density), along a thin rod
}

func (r Result) MarshalJSON() ([]byte, error) { return measure.Marshal(r) }

// Measure gets from the frequency of the lowest bending mode in the height plane to
// E. For one ratio E/G every frequency goes with sqrt(E/density), so a single
// solution of the bar is scaled.
func (m Metal) Measure(b Bar, hz measure.Value) (Result, error) {
	for _, v := range []struct {
		name string
		v    measure.Value
	}{{"length", b.Length}, {"height", b.Height}, {"width", b.Width}, {"mass", b.Mass}, {"note", hz}} {
		if !v.v.Known() || !(v.v.X > 0) {
			return Result{}, fmt.Errorf("the %s of the bar is needed, above 0", v.name)
		}
	}
	const unit = 1e9 // Pa, any
	var broken error
	// in: length, height, width, mass, hz
	density := func(x []float64) float64 {
		return x[3] / bar.Uniform(x[0], bar.Section{Shape: b.Shape, Height: x[1], Width: x[2]}).Volume()
	}
	speed := func(x []float64) float64 {
		rod := bar.Uniform(x[0], bar.Section{Shape: b.Shape, Height: x[1], Width: x[2]})
		modes, err := rod.Modes(bar.BendingHeight, bar.Wood{E: unit, G: unit / (2 * (1 + m.Poisson)), Density: 1000}, 1)
		if err != nil {
			broken = err
			return math.NaN()
		}
		return math.Sqrt(unit/1000) * x[4] / modes[0].Hz
	}
	in := []measure.Input{
		{Name: "length", X: b.Length.X, U: b.Length.U}, {Name: "height", X: b.Height.X, U: b.Height.U},
		{Name: "width", X: b.Width.X, U: b.Width.U}, {Name: "mass", X: b.Mass.X, U: b.Mass.U}, {Name: "note", X: hz.X, U: hz.U},
	}
	var r measure.Value
	var out Result
	out.Density = measure.Propagate(density, in)
	out.SoundSpeed = measure.Propagate(speed, in)
	r = measure.Propagate(func(x []float64) float64 { c := speed(x); return density(x) * c * c / 1e9 }, in)
	out.E = r
	return out, broken
}

// Source is where the ranges of the metals are from.
const Source = "Kaye & Laby, Tables of Physical and Chemical Constants, 2.2.2, and usual alloys"

// Judge says whether the result lies in the handbook's range, its own uncertainty allowed
// for (k = 2). Where it doesn't, the text names the reading that alone would explain it.
func (m Metal) Judge(b Bar, r Result) (sound bool, text string) {
	var off []string
	for _, q := range []struct {
		name string
		v    measure.Value
		lim  [2]float64
		unit string
	}{
		{"density", r.Density, m.Density, "kg/m³"},
		{"Young's modulus", r.E, [2]float64{m.E[0] / 1e9, m.E[1] / 1e9}, "GPa"},
	} {
		if q.v.X+2*q.v.U < q.lim[0] || q.v.X-2*q.v.U > q.lim[1] {
			off = append(off, fmt.Sprintf("%s %s is outside the %.4g to %.4g %s of %s", q.name, q.v.Text(q.unit), q.lim[0], q.lim[1], q.unit, m.Name))
		}
	}
	if len(off) == 0 {
		return true, fmt.Sprintf("the bar is %s as the handbooks have it: the way from tap to modulus can be trusted", m.Name)
	}
	return false, strings.Join(off, ", and ") + ": " + m.explain(b, r)
}

// explain names what would explain a result that is not this metal's.
func (m Metal) explain(b Bar, r Result) string {
	var whys []string
	for _, reading := range b.readings() {
		if x, ok := reading.wouldFit(m, r); ok {
			whys = append(whys, fmt.Sprintf("a %s of %s instead of %s would explain it", reading.name, reading.text(x), reading.text(reading.v.X)))
		}
	}
	if b.Shape == bar.Rectangular && m.hasE(r, math.Pow(b.Height.X/b.Width.X, 2)) && m.hasDensity(r, 1) {
		whys = append(whys, "it was tapped on the other face (the height lies in the direction of the tap)")
	}
	for _, other := range Metals {
		if other.Name != m.Name && other.hasDensity(r, 1) && other.hasE(r, 1) {
			whys = append(whys, "it may be "+other.Name)
		}
	}
	if len(whys) == 0 {
		return "no single reading explains it: measure length, thickness and mass again, see that the bar is solid and of one piece, and that it rang freely at its nodes (0.224 of its length from each end)"
	}
	return strings.Join(whys, "; or ")
}

// reading is one of the bar's, with the powers in which density and E go with it.
type reading struct {
	name       string
	v          measure.Value
	perUnit    float64 // of the unit it is told in
	unit       string
	density, e float64
}

// readings of the bar. From f of the lowest bending mode E = c m L^3 f^2/(w h^3), and c m
// L^3 f^2/d^4 of a round bar.
func (b Bar) readings() []reading {
	list := []reading{{"mass", b.Mass, 1e3, "g", 1, 1}, {"length", b.Length, 1e3, "mm", -1, 3}}
	if b.Shape == bar.Round {
		return append(list, reading{"diameter", b.Height, 1e3, "mm", -2, -4})
	}
	return append(list, reading{"height", b.Height, 1e3, "mm", -1, -3}, reading{"width", b.Width, 1e3, "mm", -1, -1})
}

func (q reading) text(x float64) string { return fmt.Sprintf("%.4g %s", x*q.perUnit, q.unit) }

// wouldFit is the value of the reading nearest to the given one with which density and E
// both are the metal's.
func (q reading) wouldFit(m Metal, r Result) (x float64, ok bool) {
	low, high := math.Inf(-1), math.Inf(1) // of the logarithm of its factor
	for _, c := range []struct {
		v     measure.Value
		lim   [2]float64
		power float64
	}{{r.Density, m.Density, q.density}, {r.E, [2]float64{m.E[0] / 1e9, m.E[1] / 1e9}, q.e}} {
		a, b := math.Log(c.lim[0]/c.v.X)/c.power, math.Log(c.lim[1]/c.v.X)/c.power
		slack := 2 * c.v.U / c.v.X / math.Abs(c.power)
		low, high = max(low, min(a, b)-slack), min(high, max(a, b)+slack)
	}
	if low > high {
		return 0, false
	}
	return q.v.X * math.Exp((low+high)/2), true
}

// hasE tells whether the result's E times a factor is this metal's, hasDensity the
// same of its density.
func (m Metal) hasE(r Result, factor float64) bool {
	return factor*(r.E.X+2*r.E.U) >= m.E[0]/1e9 && factor*(r.E.X-2*r.E.U) <= m.E[1]/1e9
}

func (m Metal) hasDensity(r Result, factor float64) bool {
	return factor*(r.Density.X+2*r.Density.U) >= m.Density[0] && factor*(r.Density.X-2*r.Density.U) <= m.Density[1]
}
