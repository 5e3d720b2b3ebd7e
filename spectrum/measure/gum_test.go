package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/spectrum/measure"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !scalar.EqualWithinAbs(got, want, tol) {
		t.Errorf("%s: got %.10g, want %.10g +- %g", what, got, want, tol)
	}
}

// JCGM 100:2008, H.1: calibration of a 50 mm end gauge, l = ls + d - ls (da th + as dt),
// lengths in nm. Its printed u_c 32, nu_eff 16, U99 93 are rounded from what is here.
func TestEndGauge(t *testing.T) {
	in := []measure.Input{
		{Name: "ls", X: 50000623, U: 25}, {Name: "d", X: 215, U: 9.7}, {Name: "da", X: 0, U: 0.58e-6},
		{Name: "th", X: -0.1, U: 0.41}, {Name: "as", X: 11.5e-6, U: 1.2e-6}, {Name: "dt", X: 0, U: 0.029},
	}
	l := measure.Propagate(func(x []float64) float64 {
		return x[0] + x[1] - x[0]*(x[2]*x[3]+x[4]*x[5])
	}, in)
	near(t, "l", l.X, 50000838, 0.5)
	near(t, "u_c", l.U, 31.71, 0.01)
	for i, want := range []struct {
		name measure.Source
		u    float64
	}{{"ls", 25}, {"dt", 16.675}, {"d", 9.7}, {"da", 2.9}} {
		if l.Budget[i].Name != want.name {
			t.Errorf("budget %d is %s, want %s", i, l.Budget[i].Name, want.name)
		}
		near(t, string(want.name), l.Budget[i].U, want.u, 0.01)
	}
	nu := math.Floor(measure.EffectiveDoF([]float64{25, 9.7, 2.9, 16.6}, []float64{18, 25.6, 50, 2}))
	near(t, "nu_eff", nu, 16, 0)
	t99 := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(0.995)
	near(t, "U99", t99*l.U, 92.62, 0.01)
}

// JCGM 101:2008, 9.2: the additive model Y = X1+X2+X3+X4, tables 2 to 4 (from memory).
func TestAdditiveModel(t *testing.T) {
	normal := func(r *rand.Rand) float64 { return r.NormFloat64() }
	rect := func(sd float64) func(*rand.Rand) float64 {
		return func(r *rand.Rand) float64 { return sd * math.Sqrt(3) * (2*r.Float64() - 1) }
	}
	type draw = func(*rand.Rand) float64
	for _, c := range []struct {
		name    string
		x       [4]draw
		u, half float64
		tol     float64 // four standard errors of the quantile, 0.035 to 0.05, and half the last digit printed
	}{
		{"normal", [4]draw{normal, normal, normal, normal}, 2.00, 3.92, 0.04},
		{"rectangular", [4]draw{rect(1), rect(1), rect(1), rect(1)}, 2.00, 3.88, 0.04},
		{"one dominates", [4]draw{rect(1), rect(1), rect(1), rect(10)}, 10.15, 17.0, 0.10},
	} {
		d := measure.MonteCarlo(rand.New(rand.NewPCG(1, 2)), 400_000, func(r *rand.Rand) float64 {
			return c.x[0](r) + c.x[1](r) + c.x[2](r) + c.x[3](r)
		})
		near(t, c.name+" mean", d.Mean, 0, 0.07)
		near(t, c.name+" u", d.U, c.u, 0.02)
		low, high := d.Interval(0.95)
		near(t, c.name+" low", low, -c.half, c.tol)
		near(t, c.name+" high", high, c.half, c.tol)
	}
}

// A bow blank's modulus by E = K m f^2 L^3/(b t^3): with one gauge for both faces the
// exponents add (1 + 3) instead of adding in quadrature (JCGM 100:2008, eq. 13 with r =
// 1).
func TestCorrelation(t *testing.T) {
	in := []measure.Input{{Name: "b", X: 14, U: 0.05}, {Name: "t", X: 14, U: 0.05}}
	f := func(x []float64) float64 { return 1 / (x[0] * x[1] * x[1] * x[1]) }
	rel := func(r float64) float64 {
		return measure.PropagateCorrelated(f, in, func(i, j int) float64 { return r }).Rel()
	}
	near(t, "independent", rel(0), math.Sqrt(10)*0.05/14, 1e-6)
	near(t, "same gauge", rel(1), 4*0.05/14, 1e-6)
	near(t, "opposed", rel(-1), 2*0.05/14, 1e-6)

	v := measure.FromParts(1, []measure.Part{{Name: "gauge", U: 3}, {Name: "noise", U: -2}, {Name: "gauge", U: 1}})
	near(t, "named parts add before they are squared", v.U, math.Sqrt(20), 1e-12)
}

// TestFromPartsOfOneSource: what one source does to a result by two ways is added with
// its signs (JCGM 100:2008, eq. 16 with r = ±1): it may cancel.
func TestFromPartsOfOneSource(t *testing.T) {
	for _, c := range []struct {
		a, b, want float64
	}{{3, -3, 0}, {3, 3, 6}, {-2, 5, 3}} {
		v := measure.FromParts(1, []measure.Part{{Name: "calliper", U: c.a}, {Name: "calliper", U: c.b}})
		if math.Abs(v.U-c.want) > 1e-12 {
			t.Errorf("%+g and %+g of one source: u = %g, want %g", c.a, c.b, v.U, c.want)
		}
	}
}
