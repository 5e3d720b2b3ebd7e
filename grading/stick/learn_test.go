package stick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ringstock/spectrum/measure"
)

// finished are invented sticks whose modulus came out other than their blanks foretold:
// by a factor common to all, and by a spread of their own.
func finished(t *testing.T, rng *rand.Rand, n int, factor, spread float64) (list []Finished) {
	t.Helper()
	model := builtIn(t, "published-graduation")
	for i := range n {
		m := model
		m.Name = fmt.Sprintf("stick %d (invented)", i+1)
		truth := model.Scaled(1 + 0.03*rng.NormFloat64())
		rho, young := 1050*(1+0.05*rng.NormFloat64()), 22*(1+0.08*rng.NormFloat64())
		known := Wood{Density: measure.Of(rho*(1+0.004*rng.NormFloat64()), 0.004*rho), YoungsModulus: measure.Of(young*(1+0.006*rng.NormFloat64()), 0.006*young)}
		became := young * factor * (1 + spread*rng.NormFloat64())
		f := newForm(truth, truth.MidSpan(0, 500), Accuracy{}).figures(Wood{Density: measure.Of(rho, 0), YoungsModulus: measure.Of(became, 0)}.timber(), 1)
		m.Bare.MassG = measure.Of(f.MassG.X+0.1*rng.NormFloat64(), 0.1)
		m.Bare.StiffnessNM = measure.Of(f.StiffnessNM.X*(1+0.005*rng.NormFloat64()), 0.005*f.StiffnessNM.X)
		m.Stick = misread(rng, truth, m.Accuracy)
		list = append(list, Finished{m, known})
	}
	return list
}

// The correction finds the factor, and its uncertainty covers the next stick:
// by trials, both ways.
func TestLearn(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	const factor, spread, trials = 0.95, 0.02, 120
	var off, scaled float64
	for range trials {
		l, err := Learn(finished(t, rng, 8, factor, spread))
		if err != nil {
			t.Fatal(err)
		}
		next := factor * (1 + spread*rng.NormFloat64()) // of one more stick
		off += l.Stiffness.Factor.X - factor
		scaled += sq((l.Stiffness.Factor.X - next) / l.Stiffness.Factor.U)
		if math.Abs(l.Mass.Factor.X-1) > 4*l.Mass.Factor.U {
			t.Errorf("mass × %v", l.Mass.Factor)
		}
	}
	if math.Abs(off/trials) > 0.003 {
		t.Errorf("the factor is off by %g on average", off/trials)
	}
	if z := math.Sqrt(scaled / trials); z < 0.6 || z > 1.3 {
		t.Errorf("the next stick is off by %.2f times the uncertainty", z)
	}
}

// With four sticks nothing is corrected; with five a plan is, and says so.
func TestLearnedPlan(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	few, err := Learn(finished(t, rng, 4, 0.9, 0.01))
	if err != nil || few.Corrects() || !strings.Contains(few.Stiffness.Factor.Why, "4 of 5 sticks") {
		t.Errorf("four sticks: %v, %+v", err, few.Stiffness)
	}
	m := modelOf(t, published, 1050, 22)
	b := plainBlank("x", 760, 14, 14, 1000, 24)
	plain := at(t, lay(t, m, Wish{Match: MatchStiffness}, b), "x")
	if c := at(t, lay(t, m, Wish{Match: MatchStiffness, Learned: &few}, b), "x"); c.Scale.X != plain.Scale.X {
		t.Errorf("four sticks change the scale from %g to %g", plain.Scale.X, c.Scale.X)
	}
	five, err := Learn(finished(t, rng, 5, 0.9, 0.01))
	if err != nil || !five.Corrects() {
		t.Fatal(err, five.Stiffness)
	}
	p := lay(t, m, Wish{Match: MatchStiffness, Learned: &five}, b)
	c := at(t, p, "x")
	near(t, "scale", c.Scale.X, plain.Scale.X*math.Pow(five.Modulus.X, -0.25), 1e-9)
	if c.Scale.U <= plain.Scale.U || !strings.Contains(strings.Join(p.Notes, "; "), "own finished sticks") || p.Correction == nil {
		t.Errorf("u %g after %g, notes %q", c.Scale.U, plain.Scale.U, p.Notes)
	}
	// By the notes, where no gauge was used.
	list := finished(t, rng, 6, 0.9, 0)
	for i := range list {
		f := newForm(list[i].Stick, list[i].MidSpan(0, 500), Accuracy{})
		truth := list[i].Blank
		truth.YoungsModulus = measure.Of(0.9*truth.YoungsModulus.X, 0)
		hz, err := f.shearedNote(truth.timber())
		if err != nil {
			t.Fatal(err)
		}
		list[i].Bare.Hz, list[i].Bare.StiffnessNM = measure.Of(hz.X, 0.1), measure.Unknown("")
	}
	notes, err := Learn(list)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(notes.Modulus.X-0.9) > 3*notes.Modulus.U {
		t.Errorf("the modulus by the notes: %v", notes.Modulus)
	}
}
