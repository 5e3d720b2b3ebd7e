package wood_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// The bow blank whose numbers are known by other ways: 760 x 14 x 14 mm, E 22 GPa, G 1.2
// GPa, 1000 kg/m3; its frequencies by an independent transfer matrix.
func bowBlank() (r wood.Readings, side, end *spectrum.Ring) {
	r = wood.Readings{Shape: wood.Rectangular, LengthMM: measure.Of(760, 0.5), HeightMM: measure.Of(14, 0.05),
		WidthMM: measure.Of(14, 0.05), MassG: measure.Of(148.96, 0.1)}
	exact := func(hz float64, f spectrum.Family, order int) spectrum.Partial {
		return spectrum.Partial{Hz: measure.Of(hz, 0.01), Q: measure.Of(250, 5), Family: f, Order: order, Plane: 1, Taps: 5}
	}
	var p []spectrum.Partial
	for i, hz := range []float64{116.336632, 317.149403, 611.479209, 988.978042} {
		p = append(p, exact(hz, spectrum.Bending, i+1))
	}
	p = append(p, exact(661.880855, spectrum.Torsion, 1))
	return r, ring(p), ring([]spectrum.Partial{exact(3085.799842, spectrum.Longitudinal, 1)})
}

func near(t *testing.T, what string, got measure.Value, want, rel float64) {
	t.Helper()
	if !got.Known() || math.Abs(got.X/want-1) > rel {
		t.Errorf("%s: got %v (%s), want %g within %g", what, got.X, got.Why, want, rel)
	}
}

func TestBowBlank(t *testing.T) {
	r, side, end := bowBlank()
	for _, c := range []struct {
		name      string
		side, end *spectrum.Ring
		from      string
		u         float64 // relative, of E/rho
		pull      float64 // what the assumed E/G, 16 against 18.3 here, may still do
	}{
		// Exponents: (4 u_L/L)^2 + (2 u_t/t)^2 + (2 u_f/f)^2 (JCGM 100:2008, 5.1.6) give
		// 0.761 % without the notes' own errors; c = 2 L f gives 2 u_L/L = 0.132 %, with
		// the theory's 0.02 % 2 (0.066^2 + 0.02^2)^(1/2) = 0.138 %.
		{"side taps", side, nil, "bending", 0.0077, 4e-4},
		// One note can't tell whether the wood is even: if E varies along the blank by
		// 4.7 %, E/rho of the first lengthwise mode departs from the mean along the
		// length by 1.5 %. Four more notes that agree can.
		{"end taps", nil, end, "longitudinal", 0.0151, 1e-5},
		{"both", side, end, "longitudinal", 0.00211, 5e-5},
	} {
		v, _, warnings := wood.Evaluate(r, "", c.side, nil, c.end)
		if len(warnings) > 0 {
			t.Errorf("%s: %v", c.name, warnings)
		}
		if v.SpecificModulusFrom != c.from {
			t.Errorf("%s: from %q", c.name, v.SpecificModulusFrom)
		}
		near(t, c.name+" E/rho", v.SpecificModulus, 22, c.pull)
		near(t, c.name+" u", measure.Of(v.SpecificModulus.Rel(), 0), c.u, 0.03)
		near(t, c.name+" density", v.Density, 1000, 1e-9)
		near(t, c.name+" E", v.YoungsModulus, 22, c.pull)
		// c = sqrt(E/rho), z = rho c, R = c/rho (Wegst, Am. J. Bot. 93 (2006) 1439).
		near(t, c.name+" c", v.SoundSpeed, 4690.416, c.pull)
		near(t, c.name+" z", v.Impedance, 4.690416, c.pull)
		near(t, c.name+" R", v.Radiation, 4.690416, c.pull)
		near(t, c.name+" loss tangent", v.LossTangent, 0.004, 1e-9)
		if c.side != nil {
			near(t, c.name+" G", v.ShearModulus, 1.2, 5e-4)
		}
	}
}

// E = K m f^2/b (L/t)^3 T: with b and t of one calliper whose errors correlate by r,
// u(E)/E lies between 1.155 % (r = 0) and 1.454 % (r = 1); density between 0.514 and
// 0.720 % (GUM law for this blank, u(f) 0.1 Hz).
func TestSharedCalliper(t *testing.T) {
	r, side, _ := bowBlank()
	v, _, _ := wood.Evaluate(r, "", side, nil, nil)
	if u := 100 * v.YoungsModulus.Rel(); u < 1.14 || u > 1.30 {
		t.Errorf("u(E) is %.3f %%", u)
	}
	if u := 100 * v.Density.Rel(); u < 0.514 || u > 0.60 {
		t.Errorf("u(rho) is %.3f %%", u)
	}
	// The budget's parts are independent: they add up in quadrature to the whole.
	for name, x := range map[string]measure.Value{"E/rho": v.SpecificModulus, "E": v.YoungsModulus, "rho": v.Density, "G": v.ShearModulus} {
		var sum float64
		for _, p := range x.Budget {
			sum += p.U * p.U
		}
		if math.Abs(math.Sqrt(sum)/x.U-1) > 1e-9 {
			t.Errorf("%s: budget %v makes %g, u is %g", name, x.Budget, math.Sqrt(sum), x.U)
		}
	}
	if len(v.SpecificModulus.Budget) < 2 || v.SpecificModulus.Budget[0].Name != "height" {
		t.Errorf("budget of E/rho from bending: %v", v.SpecificModulus.Budget)
	}
}

// The linear budget against Monte Carlo of the whole evaluation (JCGM 101:2008).
func TestLinearBudgetAgainstMonteCarlo(t *testing.T) {
	r, side, _ := bowBlank()
	side.Partials = side.Partials[:1]
	v, _, _ := wood.Evaluate(r, "", side, nil, nil)
	d := measure.MonteCarlo(rand.New(rand.NewPCG(1, 1)), 1500, func(rng *rand.Rand) float64 {
		x := r
		x.LengthMM.X, x.HeightMM.X = r.LengthMM.Draw(rng), r.HeightMM.Draw(rng)
		v, _, _ := wood.Evaluate(x, "", side, nil, nil)
		return v.SpecificModulus.X
	})
	near(t, "u of E/rho", v.SpecificModulus, d.Mean, 1e-3)
	var dims float64
	for _, p := range v.SpecificModulus.Budget {
		if p.Name != "assumed E/G" && p.Name != "wood uneven along the blank" && !strings.HasPrefix(string(p.Name), "pitch") {
			dims = math.Hypot(dims, p.U)
		}
	}
	if math.Abs(dims/d.U-1) > 0.06 { // 3 sd of a standard deviation from 1500 draws
		t.Errorf("the dimensions' part of u is %.4f, Monte Carlo says %.4f", dims, d.U)
	}
}

// Doubling a bar's length, or both its faces, at the same wood must give
// back the same E/rho.
func TestScalesOut(t *testing.T) {
	for _, name := range slices.Sorted(slices.Values([]string{"rectangular", "with head", "tapered octagonal"})) {
		b := shapes[name](rand.New(rand.NewPCG(9, 9)))
		exact := rand.New(zeroSource{})
		for _, k := range []float64{0.5, 1, 2} {
			c := b
			for _, x := range []*float64{&c.length, &c.headLength, &c.height, &c.width, &c.tipHeight, &c.tipWidth, &c.headHeight} {
				*x *= k
			}
			v, _, _ := wood.Evaluate(c.read(exact), "", c.solve(t).side(exact, 4, true), nil, nil)
			near(t, name, v.SpecificModulus, b.wood.E/b.wood.Density/1e6, 1e-3)
		}
	}
}

// zeroSource draws the middle of every distribution: measurements without error.
type zeroSource struct{}

func (zeroSource) Uint64() uint64 { return 0 }

// With little measured, what can be said is said, and the rest has its reason.
func TestTriage(t *testing.T) {
	r, side, end := bowBlank()
	only := wood.Readings{Shape: wood.Rectangular, LengthMM: r.LengthMM}
	v, missing, _ := wood.Evaluate(only, "", side, nil, end)
	near(t, "sound speed from end tap and length", v.SoundSpeed, 4690.416, 1e-4)
	if v.Density.Known() || v.YoungsModulus.Known() || !v.LossTangent.Known() {
		t.Errorf("density %v, E %v, loss tangent %v", v.Density, v.YoungsModulus, v.LossTangent)
	}
	if !slices.ContainsFunc(missing, func(s string) bool { return strings.Contains(s, "mass") }) {
		t.Errorf("missing: %q", missing)
	}

	v, missing, _ = wood.Evaluate(wood.Readings{}, "", side, nil, nil)
	if v.SpecificModulus.Known() || !v.LossTangent.Known() || len(missing) == 0 || v.MeasureNext == "" {
		t.Errorf("sound alone: %+v, missing %q", v, missing)
	}
	v, missing, _ = wood.Evaluate(r, "", nil, nil, nil)
	if !v.Density.Known() || v.SpecificModulus.Known() || v.LossTangent.Known() {
		t.Errorf("no sound: density %v, E/rho %v; missing %q", v.Density, v.SpecificModulus, missing)
	}
	// Bending needs neither the mass nor, on a plain bar, the other face.
	noWidth := r
	noWidth.WidthMM, noWidth.MassG = measure.Value{}, measure.Value{}
	v, _, _ = wood.Evaluate(noWidth, "", side, nil, nil)
	near(t, "E/rho without width and mass", v.SpecificModulus, 22, 1e-3)
	// A tapered bar without its other tip is not a plain bar.
	half := r
	half.HeadLengthMM = measure.Of(40, 0.5)
	v, missing, _ = wood.Evaluate(half, "", side, nil, end)
	if v.SpecificModulus.Known() || !slices.ContainsFunc(missing, func(s string) bool { return strings.Contains(s, "head height") }) {
		t.Errorf("head without height: %v, missing %q", v.SpecificModulus, missing)
	}
}

// Where to hold it: the nodes of the fundamental, for each form from the butt.
func TestHold(t *testing.T) {
	r, side, _ := bowBlank()
	v, _, _ := wood.Evaluate(r, "", side, nil, nil)
	if !slices.Equal(v.HoldAtMM, []float64{170, 590}) { // 0.22432 L for this blank
		t.Errorf("plain bar: hold at %v", v.HoldAtMM)
	}
	r.HeadLengthMM, r.HeadHeightMM = measure.Of(40, 0.5), measure.Of(25, 0.05)
	v, _, _ = wood.Evaluate(r, "", nil, nil, nil)
	if len(v.HoldAtMM) != 2 || v.HoldAtMM[0] <= 170 || v.HoldAtMM[1] <= 590 {
		t.Errorf("with a head block both nodes move towards it: %v", v.HoldAtMM)
	}
	rng := rand.New(rand.NewPCG(12, 12))
	for name, draw := range shapes {
		b := draw(rng)
		v, _, _ := wood.Evaluate(b.read(rng), "", nil, nil, nil)
		// Between the nodes of a slender bar and where a taper or a block can move them.
		if len(v.HoldAtMM) != 2 || math.Abs(v.HoldAtMM[0]/b.length-0.224) > 0.06 || math.Abs(v.HoldAtMM[1]/b.length-0.776) > 0.06 {
			t.Errorf("%s of %.0f mm: hold at %v", name, b.length, v.HoldAtMM)
		}
	}
}

func TestMeasureNext(t *testing.T) {
	r, side, end := bowBlank()
	for _, c := range []struct {
		name      string
		side, end *spectrum.Ring
		change    func(*wood.Readings)
		want      string
	}{
		{"bending only", side, nil, func(*wood.Readings) {}, "measure the height at three more places"},
		{"bending only, rough height", side, nil, func(r *wood.Readings) { r.HeightMM.U = 0.2 }, "record end taps"},
		{"end taps", side, end, func(r *wood.Readings) { r.LengthMM.U = 2 }, "measure the length"},
		{"density is the worst", side, end, func(r *wood.Readings) { r.LengthMM.U, r.WidthMM.U = 0.1, 0.3 }, "measure the width at three more places"},
		{"not weighed", side, end, func(r *wood.Readings) { r.LengthMM.U = 0.01; r.MassG = measure.Value{} }, "weigh it"},
		{"no length", side, end, func(r *wood.Readings) { r.LengthMM = measure.Value{} }, "measure the length"},
		{"nothing heard", nil, nil, func(r *wood.Readings) {}, "record taps"},
	} {
		x := r
		c.change(&x)
		v, _, _ := wood.Evaluate(x, "", c.side, nil, c.end)
		if !strings.HasPrefix(v.MeasureNext, c.want) {
			t.Errorf("%s: %q", c.name, v.MeasureNext)
		}
	}
}

func TestLiterature(t *testing.T) {
	r, side, end := bowBlank()
	flagged := func(species string, change func(*wood.Readings)) bool {
		x := r
		change(&x)
		_, _, w := wood.Evaluate(x, species, side, nil, end)
		return len(w) > 0 && w[0].Code == wood.Implausible
	}
	same := func(*wood.Readings) {}
	light := func(r *wood.Readings) { r.MassG = measure.Of(95, 0.1) }
	for _, c := range []struct {
		species string
		change  func(*wood.Readings)
		want    bool
	}{
		{"Paubrasilia echinata", same, false}, {"pernambuco", light, true}, {"invented wood", light, false},
		{"Snakewood (Brosimum guianense)", same, true}, {"", same, false},
		{"", func(r *wood.Readings) { r.MassG = measure.Of(400, 0.1) }, true},
	} {
		if got := flagged(c.species, c.change); got != c.want {
			t.Errorf("%q: flagged %v, want %v", c.species, got, c.want)
		}
	}
}

// A head block that was not entered shows in the ratios of the partials, unless it is so
// small that another G explains them.
func TestForgottenHead(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	noticed := 0
	for range 20 {
		b := shapes["with head"](r)
		p := b.solve(t)
		reading := b.read(r)
		reading.HeadLengthMM, reading.HeadHeightMM = measure.Value{}, measure.Value{}
		_, _, w := wood.Evaluate(reading, "", p.side(r, 4, false), nil, p.end(r))
		if len(w) > 0 {
			noticed++
		}
	}
	if noticed < 18 {
		t.Errorf("%d of 20 forgotten blocks noticed", noticed)
	}
}

// Wood of unlike stiffness in its planes is told as such, and no false alarm.
func TestPlanes(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	b := shapes["rectangular"](r)
	stiff := b
	stiff.wood.E *= 1.03
	side, width := stiff.solve(t).side(r, 3, false), b.solve(t).width(r, 3)
	v, _, w := wood.Evaluate(b.read(r), "", side, width, nil)
	if d := v.PlaneDifference; math.Abs(d.X-3) > 2.5*d.U || len(w) > 0 {
		t.Errorf("planes differ by %.2f +- %.2f %%, 3 is true; warnings %v", d.X, d.U, w)
	}
}

// The end taps' lowest note may be the second mode, or none at all.
func TestEndTapsOvertone(t *testing.T) {
	r, side, end := bowBlank()
	for _, k := range []float64{2, 3} {
		up := end.Fundamental
		up.Hz = up.Hz.Scale(k)
		v, _, w := wood.Evaluate(r, "", side, nil, ring([]spectrum.Partial{up}))
		near(t, "E/rho from an overtone", v.SpecificModulus, 22, 1e-4)
		if v.SpecificModulusFrom != "longitudinal" || len(w) > 0 {
			t.Errorf("from %q, warnings %v", v.SpecificModulusFrom, w)
		}
	}
	other := end.Fundamental
	other.Hz = measure.Of(1543, 0.1)
	v, _, w := wood.Evaluate(r, "", side, nil, ring([]spectrum.Partial{other}))
	near(t, "E/rho beside a stray note", v.SpecificModulus, 22, 1e-3)
	if v.SpecificModulusFrom != "bending" || len(w) != 1 || w[0].Code != wood.Implausible {
		t.Errorf("from %q, warnings %v", v.SpecificModulusFrom, w)
	}
}

// A weak place shifts the modes unequally.
func TestLocalDefect(t *testing.T) {
	r, side, end := bowBlank()
	for i, k := range []float64{0.985, 1, 0.993, 1} {
		side.Partials[indexOf(side, i+1)].Hz.X *= k
	}
	side.Fundamental = side.Partials[0]
	v, _, w := wood.Evaluate(r, "", side, nil, end)
	if len(w) != 1 || w[0].Code != wood.Local {
		t.Errorf("warnings %v", w)
	}
	by := map[int]float64{}
	for _, m := range v.Modes {
		if m.Family == spectrum.Bending {
			by[m.Order] = m.SpecificModulus.X
		}
	}
	if len(by) != 4 || by[1] > 0.98*by[2] {
		t.Errorf("E/rho by mode: %v", by)
	}
}

func indexOf(r *spectrum.Ring, order int) int {
	return slices.IndexFunc(r.Partials, func(p spectrum.Partial) bool { return p.Family == spectrum.Bending && p.Order == order })
}

// A partial of something else, wherever it lies and whatever it is taken for, must not
// spoil what the fundamental says.
func TestStrangers(t *testing.T) {
	r, side, _ := bowBlank()
	rng := rand.New(rand.NewPCG(8, 8))
	for range 60 {
		x := *side
		x.Partials = slices.Clone(side.Partials[:3])
		for range 3 {
			hz := between(rng, 130, 1500)
			f := []spectrum.Family{spectrum.Other, spectrum.Torsion}[rng.IntN(2)]
			x.Partials = append(x.Partials, spectrum.Partial{Hz: measure.Of(hz, 0.05), Family: f, Taps: 1})
		}
		v, _, _ := wood.Evaluate(r, "", &x, nil, nil)
		if math.Abs(v.SpecificModulus.X-22) > 3*v.SpecificModulus.U {
			t.Errorf("E/rho %.2f +- %.2f with strangers at %v", v.SpecificModulus.X, v.SpecificModulus.U, x.Partials[3:])
		}
	}
}

// Whatever is typed in, there is no panic and every number is finite.
func TestAnyInput(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	odd := []float64{0, -1, 1e-9, 1e-3, 0.5, 1, 14, 25, 100, 760, 1e5, 1e9, math.MaxFloat64, math.SmallestNonzeroFloat64}
	value := func() measure.Value {
		switch rng.IntN(5) {
		case 0:
			return measure.Value{}
		case 1:
			return measure.Of(odd[rng.IntN(len(odd))], odd[rng.IntN(len(odd))])
		}
		return measure.Of(between(rng, 1, 800), between(rng, 0, 10))
	}
	any := func() *spectrum.Ring {
		if rng.IntN(3) == 0 {
			return nil
		}
		var p []spectrum.Partial
		for range 1 + rng.IntN(6) {
			families := []spectrum.Family{spectrum.Bending, spectrum.Torsion, spectrum.Longitudinal, spectrum.Other}
			p = append(p, spectrum.Partial{Hz: value(), Q: value(), Family: families[rng.IntN(4)], Order: rng.IntN(9), Plane: rng.IntN(3)})
		}
		return &spectrum.Ring{Fundamental: p[0], Partials: p}
	}
	for range 2000 {
		shapes := []wood.Shape{wood.Rectangular, wood.Octagonal, wood.Round, "", "hexagonal"}
		r := wood.Readings{LengthMM: value(), HeightMM: value(), WidthMM: value(), HeadLengthMM: value(), HeadHeightMM: value(),
			TipHeightMM: value(), TipWidthMM: value(), MassG: value(), MoisturePct: value(), TemperatureC: value(), HumidityPct: value(),
			Shape: shapes[rng.IntN(len(shapes))]}
		v, missing, warnings := wood.Evaluate(r, "ipe", any(), any(), any())
		raw, err := json.Marshal(v)
		if err != nil {
			t.Fatalf("%+v: %v", r, err)
		}
		for _, s := range append(missing, string(raw)) {
			if strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
				t.Fatalf("%+v: %s", r, s)
			}
		}
		for _, w := range warnings {
			if strings.Contains(w.Text, "NaN") || strings.Contains(w.Text, "Inf") {
				t.Fatalf("%+v: %s", r, w)
			}
		}
	}
}
