package bar

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The bow blank that the checks share: 760 x 14 x 14 mm, invented wood.
var (
	square    = Section{Rectangular, 0.014, 0.014}
	blank     = Uniform(0.760, square)
	blankWood = Wood{E: 22e9, G: 1.2e9, Density: 1000}
)

func hz(t *testing.T, b Bar, k Kind, m Wood, n int) []float64 {
	t.Helper()
	modes, err := b.Modes(k, m, n)
	if err != nil {
		t.Fatal(err)
	}
	if len(modes) != n {
		t.Fatalf("%d modes, want %d", len(modes), n)
	}
	f := make([]float64, n)
	for i, mode := range modes {
		f[i] = mode.Hz
	}
	return f
}

func compare(t *testing.T, what string, got, want []float64, rel float64) {
	t.Helper()
	for i := range want {
		within(t, fmt.Sprintf("%s, mode %d", what, i+1), got[i], want[i], rel)
	}
}

// slender makes Timoshenko's theory that of Euler and Bernoulli, and Omega = omega L^2
// sqrt(rho A/(E I)) of the butt's section the bare frequency number.
var slender = Wood{E: 1e9, G: 1e9, Density: 1}

const thin = 3e-4 // thickness over length: rotary inertia shifts the sixth mode by 2e-6

func slenderSection(h, w float64) Section { return Section{Rectangular, thin * h, thin * w} }

func omegaNumber(b Bar, hz []float64) []float64 {
	s := b.Stations[0]
	scale := 2 * math.Pi * b.Length() * b.Length() * math.Sqrt(slender.Density*s.Area()/(slender.E*s.SecondMoment(HeightPlane)))
	out := make([]float64, len(hz))
	for i, f := range hz {
		out[i] = f * scale
	}
	return out
}

// W. T. Thomson, Theory of Vibration with Applications, appendix D: 22.3733, 61.6728,
// 120.9034; the further digits and modes are roots of cos x cosh x = 1.
func TestFreeBarEigenvalues(t *testing.T) {
	b := Uniform(1, slenderSection(1, 1))
	got := omegaNumber(b, hz(t, b, BendingHeight, slender, 6))
	compare(t, "Thomson", got, []float64{22.3733, 61.6728, 120.9034}, 4e-6)
	compare(t, "roots", got, []float64{22.373285, 61.672823, 120.903392, 199.859448, 298.555535, 416.990786}, 4e-6)
}

// huang is Huang's frequency equation of the free Timoshenko bar (J. Appl. Mech.
// 28 (1961) 579, from memory; the printed table below was found with an
// independent transfer matrix).
func huang(length float64, s Section, m Wood) func(hz float64) float64 {
	return func(hz float64) float64 {
		om := 2 * math.Pi * hz
		i, a := s.SecondMoment(HeightPlane), s.Area()
		b2 := m.Density * a * om * om * math.Pow(length, 4) / (m.E * i)
		r2 := i / (a * length * length)
		s2 := m.E * i / (s.ShearCoefficient() * a * m.G * length * length)
		root := math.Sqrt((r2-s2)*(r2-s2) + 4/b2)
		b := math.Sqrt(b2)
		al, be := math.Sqrt((-(r2+s2)+root)/2), math.Sqrt((r2+s2+root)/2)
		return 2/math.Cosh(b*al) - 2*math.Cos(b*be) +
			b/math.Sqrt(1-b2*r2*s2)*(b2*r2*(r2-s2)*(r2-s2)+3*r2-s2)*math.Tanh(b*al)*math.Sin(b*be)
	}
}

func rootNear(f func(float64) float64, x float64) float64 {
	lo, hi := x*0.995, x*1.005
	for range 80 {
		mid := (lo + hi) / 2
		if (f(mid) < 0) == (f(lo) < 0) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func TestUniformTimoshenko(t *testing.T) {
	compare(t, "bow blank, transfer matrix", hz(t, blank, BendingHeight, blankWood, 6),
		[]float64{116.336632, 317.149403, 611.479209, 988.978042, 1439.049881, 1950.570611}, 1e-6)
	for _, c := range []struct {
		ratio float64
		want  []float64
	}{
		{10, []float64{116.53748, 319.16697, 619.62945, 1011.12214, 1486.73290, 2038.63725}},
		{15, []float64{116.41685, 317.95195, 614.70100, 997.66167, 1457.57276, 1984.42497}},
		{20, []float64{116.29658, 316.75034, 609.88698, 984.71959, 1430.04684, 1934.27380}},
	} {
		m := Wood{E: 22e9, G: 22e9 / c.ratio, Density: 1000}
		compare(t, fmt.Sprintf("E/G = %g", c.ratio), hz(t, blank, BendingHeight, m, 6), c.want, 1e-6)
	}
	// Thick, thin, round and octagonal bars against the frequency equation itself.
	for _, s := range []Section{{Rectangular, 0.030, 0.014}, {Round, 0.010, 0.010}, {Octagonal, 0.013, 0.013}, {Round, 0.006, 0.009}} {
		for _, length := range []float64{0.25, 0.73} {
			for i, f := range hz(t, Uniform(length, s), BendingHeight, blankWood, 6) {
				within(t, fmt.Sprintf("Huang, %v, %g m, mode %d", s, length, i+1), f, rootNear(huang(length, s, blankWood), f), 1e-6)
			}
		}
	}
}

func TestAxialModes(t *testing.T) {
	// f_n = n c / 2L; torsion with c_t = sqrt(G J / (rho Ip)).
	compare(t, "longitudinal", hz(t, blank, Longitudinal, blankWood, 3), []float64{3085.799842, 2 * 3085.799842, 3 * 3085.799842}, 1e-8)
	compare(t, "torsion", hz(t, blank, Torsion, blankWood, 2), []float64{661.880855, 2 * 661.880855}, 1e-6)
	// ASTM E1876's torsion factor R, L = 20 b (as used in public code), is
	// 1.821407 for b/t = 2.
	b := Uniform(0.28, Section{Rectangular, 0.014, 0.007})
	f := hz(t, b, Torsion, blankWood, 1)[0]
	s := b.Stations[0]
	g := 4 * blankWood.Density * 0.28 * 0.28 * f * f * 1.821407
	within(t, "G by E1876", g, blankWood.G, 5e-4)
	within(t, "Ip/J", s.PolarMoment()/s.TorsionConstant(), 1.822038, 1e-6)
}

// held solves with some unknowns held at zero, for the published cases that are not free.
func held(t *testing.T, b Bar, m Wood, n int, hold func(s system) []int) []float64 {
	t.Helper()
	s := newSystem(b, BendingHeight, m, n)
	drop := hold(s)
	without := func(a *mat.Dense) *mat.Dense {
		var free []int
		for i := range a.RawMatrix().Cols {
			if !slices.Contains(drop, i) {
				free = append(free, i)
			}
		}
		out := mat.NewDense(len(free), len(free), nil)
		out.Apply(func(i, j int, _ float64) float64 { return a.At(free[i], free[j]) }, out)
		return out
	}
	omega2, _, err := lowest(without(s.K), without(s.M), BendingHeight.roughly(b, m), nil, n)
	if err != nil {
		t.Fatal(err)
	}
	var f []float64
	for _, o := range omega2[:n] {
		f = append(f, math.Sqrt(o)/(2*math.Pi))
	}
	return f
}

func clampedButt(s system) []int { return []int{s.w[0][0], s.th[0][0]} }
func pinnedEnds(s system) []int {
	return []int{s.w[0][0], s.w[len(s.w)-1][1]}
}

// Pinned at both ends a Timoshenko bar has a closed form (code_aster, validation sheet
// V2.04.302): with j = I/(A L^2), g = E I/(kappa A G L^2), l = n pi.
func TestPinnedTimoshenko(t *testing.T) {
	const length = 0.3
	got := held(t, Uniform(length, square), blankWood, 6, pinnedEnds)
	a, i := square.Area(), square.SecondMoment(HeightPlane)
	j := i / (a * length * length)
	g := blankWood.E * i / (square.ShearCoefficient() * a * blankWood.G * length * length)
	for n, f := range got {
		l2 := math.Pow(float64(n+1)*math.Pi, 2)
		om := ((g+j)*l2 + 1 - math.Sqrt((g-j)*(g-j)*l2*l2+2*(g+j)*l2+1)) / (2 * g * j)
		want := math.Sqrt(om*blankWood.E*i/(blankWood.Density*a*math.Pow(length, 4))) / (2 * math.Pi)
		within(t, fmt.Sprintf("pinned, mode %d", n+1), f, want, 1e-6)
	}
}

// Kirchhoff 1879: clamped wedge J1(z) I2(z) + I1(z) J2(z) = 0 and cone J2 I3 + I2 J3 = 0,
// Omega = z^2/4; the roots were found with 30 digits.
func TestWedgeAndCone(t *testing.T) {
	const tip = 1e-6
	wedge := Bar{Stations: []Station{{0, slenderSection(1, 1)}, {1, slenderSection(tip, 1)}}}
	compare(t, "wedge", omegaNumber(wedge, held(t, wedge, slender, 3, clampedButt)), []float64{5.31509942, 15.20716796, 30.01980915}, 2e-5)
	cone := Bar{Stations: []Station{{0, Section{Round, thin, thin}}, {1, Section{Round, thin * tip, thin * tip}}}}
	compare(t, "cone", omegaNumber(cone, held(t, cone, slender, 3, clampedButt)), []float64{8.71925886, 21.14566239, 38.45377123}, 2e-5)
	// The roots themselves: J by the
	// standard library, I by its series.
	for _, z := range []float64{4.61089988, 7.79927380, 10.95806719} {
		f := math.Jn(1, z)*besselI(2, z) + besselI(1, z)*math.Jn(2, z)
		if math.Abs(f)/besselI(1, z) > 1e-8 {
			t.Errorf("z = %g is no root of the wedge's equation: %g", z, f)
		}
	}
}

func besselI(n int, x float64) float64 {
	term := math.Pow(x/2, float64(n)) / math.Gamma(float64(n)+1)
	sum := 0.0
	for k := 1; k < 60; k++ {
		sum += term
		term *= x * x / 4 / float64(k*(k+n))
	}
	return sum
}

// Doubly tapered cantilever (Mabie & Rogers, J. Acoust. Soc. Am. 51 (1972) 1771; AFNOR
// sheet SDLL09 as in code_aster V2.02.009): root over tip 4 in height and 4 or 5 in
// width; f = lambda/(2 pi) (h_tip/L^2) sqrt(E/(12 rho)). Printed to three to five digits.
func TestDoublyTapered(t *testing.T) {
	for _, c := range []struct {
		width  float64
		lambda []float64
	}{
		{4, []float64{23.289, 73.9, 165.23, 299.7, 478.1}},
		{5, []float64{24.308, 75.56, 167.21, 301.9, 480.4}},
	} {
		b := Bar{Stations: []Station{{0, slenderSection(4, c.width)}, {1, slenderSection(1, 1)}}}
		got := held(t, b, slender, 5, clampedButt)
		for i := range got {
			got[i] *= 2 * math.Pi / (thin * math.Sqrt(slender.E/(12*slender.Density)))
		}
		compare(t, fmt.Sprintf("width ratio %g", c.width), got, c.lambda, 5e-4)
	}
}

// Free linear tapers, thin over thick end a. For a = 0.5 the exact roots with Bessel
// functions are 16.7241578 (constant width) and 17.0793338 (square); the others by a fine
// finite-element model with extrapolation.
func TestFreeTapers(t *testing.T) {
	for _, c := range []struct {
		a             float64
		wedge, square []float64
	}{
		{0.9, []float64{21.25257, 58.56579, 114.7975}, []float64{21.26274, 58.57957, 114.8126}},
		{0.8, []float64{20.12739, 55.40665, 108.5561}, []float64{20.17065, 55.46507, 108.6201}},
		{0.7, []float64{18.99736, 52.18569, 102.1535}, []float64{19.10218, 52.32611, 102.3072}},
		{0.5, []float64{16.7241578, 45.5026, 88.7111}, []float64{17.0793338, 45.9630, 89.2139}},
	} {
		wedge := Bar{Stations: []Station{{0, slenderSection(1, 1)}, {1, slenderSection(c.a, 1)}}}
		compare(t, fmt.Sprintf("wedge %g", c.a), omegaNumber(wedge, hz(t, wedge, BendingHeight, slender, 3)), c.wedge, 1e-5)
		taper := Bar{Stations: []Station{{0, slenderSection(1, 1)}, {1, slenderSection(c.a, c.a)}}}
		compare(t, fmt.Sprintf("square taper %g", c.a), omegaNumber(taper, hz(t, taper, BendingHeight, slender, 3)), c.square, 1e-5)
	}
}

// Stepped bars: transfer matrix of two uniform halves, side ratio r.
func TestSteppedBar(t *testing.T) {
	for _, c := range []struct {
		r    float64
		want []float64
	}{
		{0.8, []float64{19.219221, 55.998351, 106.383785}},
		{0.5, []float64{11.425741, 44.078702, 83.978634}},
	} {
		b := Bar{Stations: []Station{{0, slenderSection(1, 1)}, {0.5, slenderSection(1, 1)}, {0.5, slenderSection(c.r, c.r)}, {1, slenderSection(c.r, c.r)}}}
		compare(t, fmt.Sprintf("step %g", c.r), omegaNumber(b, hz(t, b, BendingHeight, slender, 3)), c.want, 1e-5)
	}
}

// A point mass mu times the bar's at one end: 1 - cos l cosh l + mu l (sin l cosh
// l - cos l sinh l) = 0, Omega = l^2; limits 4.7300 (mu = 0) and 3.9266 (mu
// infinite: pinned and free).
func TestPointMass(t *testing.T) {
	s := slenderSection(1, 1)
	mass := slender.Density * s.Area()
	for _, c := range []struct {
		mu     float64
		l1, l2 float64
	}{
		{0.01, 4.68527866, 7.78114000}, {0.02, 4.64510637, 7.72025580}, {0.05, 4.54624094, 7.58493610},
		{0.10, 4.43026843, 7.44986461}, {0.20, 4.29292032, 7.31746846}, {1, 4.04183214, 7.13383988},
	} {
		for _, x := range []float64{0, 1} {
			b := Uniform(1, s)
			b.Masses = []PointMass{{X: x, M: c.mu * mass}}
			compare(t, fmt.Sprintf("end mass %g at %g", c.mu, x), omegaNumber(b, hz(t, b, BendingHeight, slender, 2)), []float64{c.l1 * c.l1, c.l2 * c.l2}, 1e-5)
		}
	}
	for mu, want := range map[float64]float64{0.01: 0.992757, 0.05: 0.966443, 0.1: 0.938520} {
		b := Uniform(1, s)
		b.Masses = []PointMass{{X: 0.5, M: mu * mass}}
		got := omegaNumber(b, hz(t, b, BendingHeight, slender, 2))
		within(t, "central mass", got[0]/22.373285, want, 5e-6)
		within(t, "central mass, even mode unmoved", got[1], 61.672823, 5e-6)
	}
	// Clamped with a tip mass: 1 + cos l cosh l = mu l (sin l cosh l - cos l sinh l).
	for mu, l := range map[float64]float64{0.1: 1.72274152, 0.5: 1.41996443, 2: 1.07619566} {
		b := Uniform(1, s)
		b.Masses = []PointMass{{X: 1, M: mu * mass}}
		within(t, "tip mass", omegaNumber(b, held(t, b, slender, 1, clampedButt))[0], l*l, 1e-5)
	}
}

// Bow-like bars, 760 mm, by a Timoshenko finite-element model of 380 elements, whose
// own error grows to 4e-6 in the fourth mode.
func TestBowLikeBars(t *testing.T) {
	withHead := func(h float64) Bar {
		head := Section{Rectangular, h, 0.014}
		return Bar{Stations: []Station{{0, square}, {0.730, square}, {0.730, head}, {0.760, head}}}
	}
	thinner := Section{Rectangular, 0.010, 0.010}
	loaded := withHead(0.028)
	loaded.Masses = []PointMass{{X: 0, M: 0.010}}
	for _, c := range []struct {
		what string
		b    Bar
		k    Kind
		want []float64
	}{
		{"taper 14 to 10 mm", Bar{Stations: []Station{{0, square}, {0.76, thinner}}}, BendingHeight, []float64{100.2292, 272.5317, 526.5156, 855.3936}},
		{"head block, in its plane", withHead(0.028), BendingHeight, []float64{110.1246, 303.5976, 590.2075, 960.6580}},
		{"head block, across", withHead(0.028), BendingWidth, []float64{110.1521, 303.7974, 590.8841, 962.2383}},
	} {
		compare(t, c.what, hz(t, c.b, c.k, blankWood, 4), c.want, 8e-6)
	}
	one := func(x float64) float64 {
		b := blank
		b.Masses = []PointMass{{X: x, M: 0.001}}
		return hz(t, b, BendingHeight, blankWood, 1)[0]
	}
	within(t, "1 g at the end", one(0.76), 114.8440, 1e-6)
	within(t, "1 g in the middle", one(0.38), 115.7669, 1e-6)
	within(t, "planes of 14.0 x 14.1 mm", hz(t, Uniform(0.76, Section{Rectangular, 0.014, 0.0141}), BendingWidth, blankWood, 1)[0], 117.1601, 1e-6)
}

// Nodes of the free slender bar: 0.2242, 0.1321, 0.0944 L and so on (Rayleigh,
// Theory of Sound, from memory; more digits from the mode shapes). Shear moves
// them inward a little.
func TestNodes(t *testing.T) {
	b := Uniform(1, slenderSection(1, 1))
	modes, err := b.Modes(BendingHeight, slender, 4)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]float64{
		{0.224158, 0.775842}, {0.132108, 0.5, 0.867892}, {0.094443, 0.355803, 0.644197, 0.905557},
		{0.073453, 0.276780, 0.5, 0.723220, 0.926547},
	} {
		got := modes[i].Nodes()
		if len(got) != len(want) {
			t.Fatalf("mode %d has nodes at %v", i+1, got)
		}
		for j := range want {
			if math.Abs(got[j]-want[j]) > 2e-6 {
				t.Errorf("mode %d: node at %.6f, want %.6f", i+1, got[j], want[j])
			}
		}
	}
	stout, err := blank.Modes(BendingHeight, blankWood, 1)
	if err != nil {
		t.Fatal(err)
	}
	if x := stout[0].Nodes()[0] / 0.76; math.Abs(x-0.22432) > 1e-5 {
		t.Errorf("node of the bow blank at %.5f L, want 0.22432", x)
	}
}

func TestRefuses(t *testing.T) {
	nan := math.NaN()
	for name, b := range map[string]Bar{
		"nothing":       {},
		"one station":   {Stations: []Station{{0, square}}},
		"no length":     {Stations: []Station{{0, square}, {0, square}}},
		"backwards":     {Stations: []Station{{0, square}, {0.5, square}, {0.4, square}}},
		"no height":     {Stations: []Station{{0, square}, {1, Section{Rectangular, 0, 0.01}}}},
		"NaN":           {Stations: []Station{{0, square}, {1, Section{Rectangular, nan, 0.01}}}},
		"NaN length":    {Stations: []Station{{0, square}, {nan, square}}},
		"triple step":   {Stations: []Station{{0, square}, {0.5, square}, {0.5, square}, {0.5, square}, {1, square}}},
		"mass off it":   {Stations: blank.Stations, Masses: []PointMass{{X: 2, M: 0.01}}},
		"negative mass": {Stations: blank.Stations, Masses: []PointMass{{X: 0, M: -0.01}}},
	} {
		if _, err := b.Modes(BendingHeight, blankWood, 1); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := blank.Modes(Torsion, Wood{E: 1, Density: 1}, 1); err == nil {
		t.Error("no shear modulus: no error")
	}
}
