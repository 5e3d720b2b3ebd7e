package demo

import (
	"math"
	"testing"
)

// stick is 760 x 14 x 14 mm, 1000 kg/m3, E 22 GPa, G 1.2 GPa.
func stick() Body {
	return Body{
		Shape: Rectangular, Length: 0.760, Height: 0.014, Width: 0.014,
		Density: 1000, Young: 22e9, Shear: 1.2e9, Loss: 0.004, ShearLoss: 0.01,
	}
}

func check(t *testing.T, what string, got []vibration, want []float64, tolerance float64) {
	t.Helper()
	for k, hz := range want {
		if math.Abs(got[k].hz/hz-1) > tolerance {
			t.Errorf("%s, mode %d: %.4f Hz, want %.4f", what, k+1, got[k].hz, hz)
		}
	}
}

// Exact roots of the free-free Timoshenko frequency equation (Huang, J. Appl. Mech. 28
// (1961) 579; from memory), solved for this bar.
func TestUniformBar(t *testing.T) {
	b := stick()
	check(t, "bending", b.bending(true), []float64{116.336632, 317.149403, 611.479209, 988.978042, 1439.049881, 1950.570611}, 1e-8)
	// f = c/(2L), c = sqrt(E/rho); f = sqrt(G J/(rho Ip))/(2L), J = 0.1405770 a^4
	// (Timoshenko & Goodier, Theory of Elasticity; digits by the series).
	check(t, "longitudinal", b.longitudinal(), []float64{3085.799842, 2 * 3085.799842}, 1e-9)
	check(t, "torsion", b.torsion(), []float64{661.880855}, 1e-6)
}

// A thin bar obeys Euler and Bernoulli: the ratios of its frequencies are those of the
// roots of cos x cosh x = 1, and free linear tapers have the eigenvalues that the exact
// Bessel solution gives: 16.7241578 and 17.0793338 for half the height at the tip.
func TestThinBars(t *testing.T) {
	b := stick()
	b.Height, b.Width = 0.0004, 0.0004
	scale := math.Sqrt(b.Young/b.Density/12) * b.Height / (b.Length * b.Length) / (2 * math.Pi)
	check(t, "uniform", b.bending(true), []float64{22.373285 * scale, 61.672823 * scale, 120.903392 * scale}, 3e-5)
	b.TipHeight, b.TipWidth = b.Height/2, b.Width
	check(t, "wedge", b.bending(true), []float64{16.7241578 * scale, 45.5026 * scale, 88.7111 * scale}, 3e-5)
	b.TipWidth = b.Width / 2
	check(t, "square taper", b.bending(true), []float64{17.0793338 * scale, 45.9630 * scale, 89.2139 * scale}, 3e-5)
}

// Against finite elements (380 Timoshenko elements): a taper from 14 to 10 mm, and a head
// block of 28 mm over the last 30 mm. A polynomial does not follow the step in the
// section closely, hence the wider tolerance there.
func TestUnevenBars(t *testing.T) {
	b := stick()
	b.TipHeight, b.TipWidth = 0.010, 0.010
	check(t, "taper", b.bending(true), []float64{100.2292, 272.5317, 526.5156, 855.3936}, 1e-5)
	b = stick()
	b.HeadLength, b.HeadHeight = 0.030, 0.028
	check(t, "head", b.bending(true), []float64{110.1246, 303.5976, 590.2075, 960.6580}, 5e-4)
	check(t, "head, other plane", b.bending(false), []float64{110.1521, 303.7974, 590.8841, 962.2383}, 5e-4)
}

// Regular octagon of 10 mm across flats: 82.8427 mm2, 547.3785 mm4 about every axis.
func TestOctagon(t *testing.T) {
	b := stick()
	b.Shape, b.Height, b.Width = Octagonal, 0.010, 0.010
	if got := b.area(0.010, 0.010); math.Abs(got-82.8427e-6) > 1e-10 {
		t.Errorf("area %v m2", got)
	}
	if got := b.inertia(0.010, 0.010); math.Abs(got-547.3785e-12) > 1e-16 {
		t.Errorf("second moment %v m4", got)
	}
	if got, want := b.Mass(), 0.760*82.8427e-3; math.Abs(got/want-1) > 1e-6 {
		t.Errorf("mass %v kg, want %v", got, want)
	}
}

// The shape of the lowest mode is 2 at the ends and -1.216 in the middle
// (Euler-Bernoulli), its nodes lie at 0.2243 of the length here, and the loss is
// nearly that of the grain.
func TestShapeAndLoss(t *testing.T) {
	b := stick()
	v := b.bending(true)[0]
	sign := math.Copysign(1, v.shape(0))
	for _, c := range []struct{ at, want, tolerance float64 }{{0, 2, 0.01}, {0.5, -1.216, 0.01}, {0.22432, 0, 0.001}} {
		if got := sign * v.shape(c.at*b.Length); math.Abs(got-c.want) > c.tolerance {
			t.Errorf("shape at %v: %v, want %v", c.at, got, c.want)
		}
	}
	// The shear takes (f_EB/f)^2 - 1 - rotary part of the energy, about 0.8 %:
	// first-order theory gives R2 F2 E/(kappa G) = 2.828e-5 * 12.30 * 22 = 0.77 %.
	if want := 0.004 + 0.0077*(0.01-0.004); math.Abs(v.loss-want) > 2e-6 {
		t.Errorf("loss %v, want %v", v.loss, want)
	}
	if got := b.longitudinal()[0].loss; math.Abs(got-0.004) > 1e-9 {
		t.Errorf("longitudinal loss %v, want 0.004", got)
	}
}

// A check in the middle lowers the first mode and hardly touches the second, which has a
// node of curvature there.
func TestCheckLowersModesUnequally(t *testing.T) {
	sound, bad := stick(), stick()
	bad.CheckAt, bad.CheckLength, bad.CheckLeaves = 0.5, 0.03, 0.4
	first := 1 - bad.bending(true)[0].hz/sound.bending(true)[0].hz
	second := 1 - bad.bending(true)[1].hz/sound.bending(true)[1].hz
	if first < 0.02 || second > first/10 || second < 0 {
		t.Errorf("first mode down by %.2f %%, second by %.2f %%", 100*first, 100*second)
	}
}
