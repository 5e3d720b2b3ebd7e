package spectrum

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// A matrix is as good as singular by its shape, not by its scale.
func TestInvert3(t *testing.T) {
	for _, scale := range []float64{1e-95, 1, 1e95} {
		good := [3][3]float64{{4, 1, 0}, {1, 3, 1}, {0, 1, 2}}
		flat := [3][3]float64{{1, 2, 3}, {2, 4, 6}, {3, 6, 9.1}}
		flat[1][1] += 1e-15
		for i := range 3 {
			for j := range 3 {
				good[i][j] *= scale
				flat[i][j] *= scale
			}
		}
		inv, ok := invert3(good)
		if !ok {
			t.Fatalf("scale %g: a good matrix is called singular", scale)
		}
		for i := range 3 {
			for j := range 3 {
				sum := 0.0
				for k := range 3 {
					sum += good[i][k] * inv[k][j]
				}
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(sum-want) > 1e-12 {
					t.Errorf("scale %g: product %v at %d, %d", scale, sum, i, j)
				}
			}
		}
		if _, ok := invert3(flat); ok {
			t.Errorf("scale %g: two rows alike, and no word of it", scale)
		}
	}
}

// TestAtRest draws rings of which few glide, as atRest expects them, and asks that one
// and two standard uncertainties of the pitch at rest hold as many of all as they should.
func TestAtRest(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 70))
	const n, u, uDrift, uRest, seen = 4000, 0.004, 1.5, 0.05, 0.03 // seen: Hz of the glide in the fitted pitch, for a cent
	one, two := 0, 0
	for range n {
		glide := 0.0
		if random.Float64() < glideOdds {
			glide = glideCents[random.IntN(len(glideCents))] * random.NormFloat64()
		}
		chance := random.NormFloat64() // rest and drift come from one phase
		drift := estimate{x: glide + uDrift*chance, sd: uDrift}
		rest := estimate{x: 100 + uRest*chance, sd: uRest}
		hz := atRest(uncertain(100-seen*glide+u*random.NormFloat64(), u, u, 0), drift, rest)
		if off := math.Abs(hz.X - 100); off < hz.U {
			one, two = one+1, two+1
		} else if off < 2*hz.U {
			two++
		}
	}
	if one < n*60/100 || one > n*80/100 || two < n*92/100 || two > n*98/100 {
		t.Errorf("one standard uncertainty holds %d, two hold %d of %d", one, two, n)
	}
}

// TestMixture: half of what holds 95.45 % is a normal distribution's standard deviation,
// and of several what their cumulative distributions say.
func TestMixture(t *testing.T) {
	if got := (mixture{{0, 0, 2}}).standard(); math.Abs(got-2) > 1e-6 {
		t.Errorf("of one normal distribution with sd 2: %g", got)
	}
	m := mixture{{math.Log(0.9) + 700, 0, 1}, {math.Log(0.1) + 700, -3, 2}}
	d := 2 * m.standard()
	a, b := distuv.Normal{Sigma: 1}, distuv.Normal{Mu: -3, Sigma: 2}
	if p := 0.9*(a.CDF(d)-a.CDF(-d)) + 0.1*(b.CDF(d)-b.CDF(-d)); math.Abs(p-math.Erf(math.Sqrt2)) > 1e-9 {
		t.Errorf("two of it hold %g", p)
	}
	if got := m.about(1).mean(); math.Abs(got+1.3) > 1e-12 {
		t.Errorf("mean %g about 1", got)
	}
}
