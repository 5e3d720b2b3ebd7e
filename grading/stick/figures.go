package stick

import (
	"fmt"
	"math"

	"ringstock/grading/wood"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// Accuracy is how well the readings on a stick are known: standard uncertainties.
type Accuracy struct {
	CalliperMM float64 `json:"calliper_u_mm"` // of one diameter
	LengthMM   float64 `json:"length_u_mm"`   // of the stick's length
}

// Workshop is the accuracy taken where none is given: that of a workshop's calliper and
// rule (common practice, no source).
var Workshop = Accuracy{CalliperMM: 0.05, LengthMM: 0.5}

// sharedCalliper is the part of the variance of every diameter that is one error common
// to all, as of a blank's readings.
const sharedCalliper = wood.SharedCalliper

// form is what the mass and the stiffness of a stick owe to its form, with the
// uncertainty that its readings leave.
type form struct {
	stick             Stick
	load              Load
	volume, middle    float64    // of the shaft: m3, m
	height, width     float64    // stiffness over E in the two planes, m
	uVolume, uMiddle  float64    // relative; m
	rVolumeMiddle     float64    // correlation of the two
	uStiffness        [2]float64 // relative, by plane
	rVolumeStiffness  [2]float64 // correlation of the two
	uPitch            float64    // relative: of any bending mode
	lumpMass, lumpArm float64    // kg; kg m from the butt
}

func (f form) stiffness(p bar.Plane) float64 {
	if p == bar.WidthPlane {
		return f.width
	}
	return f.height
}

func newForm(s Stick, l Load, a Accuracy) form {
	f := form{stick: s, load: l, volume: s.Volume(), middle: s.middle(),
		height: 1 / s.Flexibility(bar.HeightPlane, l), width: 1 / s.Flexibility(bar.WidthPlane, l)}
	for _, x := range s.Lumps {
		f.lumpMass += x.M
		f.lumpArm += x.M * x.X
	}
	// What one standard uncertainty of each reading does to volume and stiffness,
	// relative, and to the middle, m. A round section is one reading, any other two.
	u := a.CalliperMM / 1000
	planes := [2]bar.Plane{bar.HeightPlane, bar.WidthPlane}
	var dv, dm []float64
	var dk [2][]float64
	// Only the stretches on both sides of a station feel its reading.
	shift := func(change func(Section, float64) Section, j int) {
		near := Stick{Stations: s.Stations[max(j-1, 0):min(j+2, len(s.Stations))]}
		a, b := near.butt(), near.end()
		moved := func(sign float64) Stick {
			return near.each(func(i int, at Section) Section {
				if near.Stations[i].X == s.Stations[j].X {
					at = change(at, sign*u)
				}
				return at
			})
		}
		up, down := moved(1), moved(-1)
		more := (up.volumeIn(a, b) - down.volumeIn(a, b)) / (2 * f.volume)
		dv = append(dv, more)
		dm = append(dm, (up.momentIn(a, b)-down.momentIn(a, b))/(2*f.volume)-more*f.middle)
		for i, p := range planes {
			dk[i] = append(dk[i], (down.flexibilityIn(p, l, a, b)-up.flexibilityIn(p, l, a, b))/2*f.stiffness(p))
		}
	}
	taller := func(at Section, dx float64) Section { at.Height += dx; return at }
	wider := func(at Section, dx float64) Section { at.Width += dx; return at }
	if u > 0 {
		for j, at := range s.Stations {
			if at.Shape == Round {
				shift(Section.thicker, j)
			} else {
				shift(taller, j)
				shift(wider, j)
			}
		}
	}
	covariance := func(a, b []float64) float64 {
		var own, sa, sb float64
		for i := range a {
			own += a[i] * b[i]
			sa, sb = sa+a[i], sb+b[i]
		}
		return (1-sharedCalliper)*own + sharedCalliper*sa*sb
	}
	stretch := a.LengthMM / 1000 / s.Length()
	vv := covariance(dv, dv)
	f.uVolume = math.Sqrt(vv + stretch*stretch)
	f.uMiddle = math.Sqrt(covariance(dm, dm) + sq(stretch*f.middle))
	if f.uVolume > 0 && f.uMiddle > 0 {
		f.rVolumeMiddle = (covariance(dv, dm) + sq(stretch)*f.middle) / (f.uVolume * f.uMiddle)
	}
	for i := range planes {
		kk := covariance(dk[i], dk[i])
		f.uStiffness[i] = math.Sqrt(kk)
		if kk > 0 {
			f.rVolumeStiffness[i] = covariance(dv, dk[i]) / (f.uVolume * f.uStiffness[i])
		}
	}
	// A bending mode goes as the root of stiffness over mass, and as 1/length^2 besides.
	f.uPitch = math.Sqrt((vv+covariance(dk[0], dk[0])-2*covariance(dv, dk[0]))/4 + 4*stretch*stretch)
	return f
}

// timber is the density and modulus of a piece of wood and how their errors hang
// together.
type timber struct {
	density, young measure.Value // kg/m3, GPa; the modulus by bending in the height plane
	sideways       measure.Value // and in the width plane
	r              float64       // correlation
	eg             float64       // E/G
	egAssumed      bool
}

// timber of a wood. Density and Young's modulus often share the calliper's errors; how
// they correlate follows from the three uncertainties of density, E and E/density.
func (w Wood) timber() timber {
	t := timber{density: w.Density, young: w.YoungsModulus, sideways: w.WidthModulus, eg: usualEG, egAssumed: true}
	if !t.sideways.Known() {
		t.sideways = t.young
	}
	if g := w.ShearModulus; g.Known() && g.X > 0 && w.YoungsModulus.Known() {
		t.eg, t.egAssumed = w.YoungsModulus.X/g.X, false
	}
	if d, e := w.Density.Rel(), w.YoungsModulus.Rel(); w.SpecificModulus.Known() && d > 0 && e > 0 {
		t.r = min(max((d*d+e*e-sq(w.SpecificModulus.Rel()))/(2*d*e), -1), 1)
	}
	return t
}

// uPitch is the relative uncertainty that the wood leaves in a bending mode, which goes
// as the root of E/density.
func (t timber) uPitch() float64 {
	e, d := t.young.Rel(), t.density.Rel()
	return math.Sqrt(max(0, e*e+d*d-2*t.r*e*d)) / 2
}

// Figures are what a stick is as a whole.
type Figures struct {
	MassG            measure.Value `json:"mass_g" u:"mass_u_g"`
	CentreOfMassMM   measure.Value `json:"centre_of_mass_mm" u:"centre_of_mass_u_mm"` // from the butt
	StiffnessNM      measure.Value `json:"stiffness_n_m" u:"stiffness_u_n_m"`         // load over deflection at its place, in the height plane
	WidthStiffnessNM measure.Value `json:"width_stiffness_n_m" u:"width_stiffness_u_n_m"`
	SagMM            measure.Value `json:"sag_mm" u:"sag_u_mm"`
}

// MarshalJSON writes each figure with its uncertainty beside it.
func (f Figures) MarshalJSON() ([]byte, error) { return measure.Marshal(f) }

// names of the sources of uncertainty, as budgets show them
const (
	fromDensity   measure.Source = "density"
	fromModulus   measure.Source = "Young's modulus"
	fromDiameters measure.Source = "diameters"

	fromModelDensity   measure.Source = "model's density"
	fromModelYoung     measure.Source = "model's Young's modulus"
	fromModelVolume    measure.Source = "model's diameters (volume)"
	fromModelStiffness measure.Source = "model's diameters (stiffness)"
)

// fromModel is what the model contributes, which is common to all candidates.
var fromModel = []measure.Source{fromModelDensity, fromModelYoung, fromModelVolume, fromModelStiffness}

// figures of the form in a wood, every diameter multiplied by scale, which itself is
// exact.
func (f form) figures(t timber, scale float64) Figures {
	var out Figures
	unknown := measure.Unknown("the density of the wood is not known")
	out.MassG, out.CentreOfMassMM = unknown, unknown
	if t.density.Known() {
		mass := func(x []float64) float64 { return 1000 * (x[0]*f.volume*scale*scale*(1+x[1]) + f.lumpMass) }
		in := []measure.Input{{Name: fromDensity, X: t.density.X, U: t.density.U}, {Name: fromDiameters, X: 0, U: f.uVolume}}
		out.MassG = measure.Propagate(mass, in)
		out.CentreOfMassMM = measure.PropagateCorrelated(func(x []float64) float64 {
			return 1e6 * (x[0]*f.volume*scale*scale*(1+x[1])*(f.middle+x[2]) + f.lumpArm) / mass(x)
		}, append(in, measure.Input{Name: "diameters and length (middle)", X: 0, U: f.uMiddle}), func(i, j int) float64 {
			if i == 1 && j == 2 {
				return f.rVolumeMiddle
			}
			return 0
		})
	}
	unknown = measure.Unknown("Young's modulus of the wood is not known")
	out.StiffnessNM, out.WidthStiffnessNM, out.SagMM = unknown, unknown, unknown
	if t.young.Known() {
		for i, k := range []*measure.Value{&out.StiffnessNM, &out.WidthStiffnessNM} {
			young := []measure.Value{t.young, t.sideways}[i]
			*k = measure.Propagate(func(x []float64) float64 {
				return 1e9 * x[0] * f.stiffness(bar.Plane(1+i)) * math.Pow(scale, 4) * (1 + x[1])
			}, []measure.Input{{Name: fromModulus, X: young.X, U: young.U}, {Name: fromDiameters, X: 0, U: f.uStiffness[i]}})
		}
		out.SagMM = sagUnder(f.load, out.StiffnessNM)
	}
	return out
}

// sagUnder is the sag that a load makes at a stiffness.
func sagUnder(l Load, stiffness measure.Value) measure.Value {
	return measure.Propagate(func(x []float64) float64 { return 1000 * l.Newton() / x[0] },
		[]measure.Input{{Name: "stiffness", X: stiffness.X, U: stiffness.U}})
}

// Notes of a free stick, Hz, the lowest first.
type Notes struct {
	Height  []measure.Value // bending in the height plane
	Width   []measure.Value // and sideways
	Torsion []measure.Value
	Assumed string // what went in without being measured; empty = nothing
}

// slender is a ratio E/G so small that shear plays no part.
const slender = 1e-3

// notes finds the modes of the free stick: after Timoshenko's theory where the shear
// modulus is known, else those of a slender beam, which needs no more than was
// given; what shear would usually take off is then in their uncertainty. No lump
// takes part in torsion.
func (f form) notes(t timber, n int) (Notes, error) {
	var out Notes
	if !t.density.Known() || !t.young.Known() {
		return out, nil
	}
	ue := t.uPitch()
	for _, c := range []struct {
		kind  bar.Kind
		plane bar.Plane
		to    *[]measure.Value
	}{{bar.BendingHeight, bar.HeightPlane, &out.Height}, {bar.BendingWidth, bar.WidthPlane, &out.Width}} {
		sheared, err := f.hz(c.kind, c.plane, t, t.eg, n)
		if err != nil {
			return Notes{}, err
		}
		free := sheared
		if t.egAssumed {
			if free, err = f.hz(c.kind, c.plane, t, slender, n); err != nil {
				return Notes{}, err
			}
		}
		for i, hz := range free {
			u := math.Hypot(hz*math.Hypot(ue, f.uPitch), hz-sheared[i])
			*c.to = append(*c.to, measure.Of(hz, u))
		}
	}
	twist, err := f.hz(bar.Torsion, bar.WidthPlane, t, t.eg, 1)
	if err != nil {
		return Notes{}, err
	}
	if t.egAssumed {
		ue = math.Hypot(ue, usualSpreadEG/2)
		out.Assumed = fmt.Sprintf("the shear modulus is not known: bending modes are those of a slender beam (shear would take a little off the higher ones; it is in their uncertainty), torsion is with E/G = %d, usual for dense bow wood (from memory)", usualEG)
	}
	for _, hz := range twist {
		out.Torsion = append(out.Torsion, measure.Of(hz, hz*ue))
	}
	return out, nil
}

func (f form) hz(k bar.Kind, p bar.Plane, t timber, eg float64, n int) ([]float64, error) {
	m := bar.Wood{E: 1e9 * t.young.X, G: 1e9 * t.young.X / eg, Density: t.density.X}
	if k == bar.BendingWidth && t.sideways.Known() {
		m.E = 1e9 * t.sideways.X
	}
	modes, err := f.stick.bar(p).Modes(k, m, n)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(modes))
	for i, mode := range modes {
		out[i] = mode.Hz
	}
	return out, nil
}

func sq(x float64) float64 { return x * x }
