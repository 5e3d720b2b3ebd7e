package stock

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

// M. Hollander and D. A. Wolfe, Nonparametric Statistical Methods (1973), table on
// p. 188 (lightness of canned tuna and a panel's liking), as given with R's cor.test,
// which prints tau 0.4444444.
func TestKendallAgainstATextbook(t *testing.T) {
	x := []float64{44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1}
	y := []float64{2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8}
	if r := kendall(x, y); math.Abs(r.Tau-0.4444444) > 1e-7 {
		t.Errorf("tau %v", r.Tau)
	}
}

// With ties: 8 pairs in order, 0 against, 2 tied in x alone of 10: tau-b =
// 8/sqrt(8*10), by hand from the definition.
func TestKendallWithTies(t *testing.T) {
	if r := kendall([]float64{1, 1, 2, 2, 3}, []float64{1, 2, 3, 4, 5}); math.Abs(r.Tau-8/math.Sqrt(80)) > 1e-12 {
		t.Errorf("tau %v", r.Tau)
	}
	if r := kendall([]float64{1, 1, 1, 1, 1}, []float64{1, 2, 3, 4, 5}); r != (RankAgreement{0, -1, 1}) {
		t.Errorf("one grade for all says nothing: %v", r)
	}
}

// In a bivariate normal population tau = (2/pi) asin(rho) (Greiner's relation; Kendall,
// Rank Correlation Methods). The 95 % interval must hold it about 95 times in 100.
func TestKendallInterval(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for _, rho := range []float64{0, 0.5, 0.8} {
		for _, n := range []int{8, 15, 40} {
			truth := 2 / math.Pi * math.Asin(rho)
			const runs = 2000
			held := 0
			for range runs {
				x, y := make([]float64, n), make([]float64, n)
				for i := range n {
					x[i] = r.NormFloat64()
					y[i] = rho*x[i] + math.Sqrt(1-rho*rho)*r.NormFloat64()
				}
				if k := kendall(x, y); k.Low <= truth && truth <= k.High {
					held++
				}
			}
			// 3 standard errors of 2000 runs are 1.5 %; the variance is an approximation
			// published for moderate tau, so 92 % is asked for.
			if held < runs*92/100 {
				t.Errorf("rho %v, n %d: held %d of %d", rho, n, held, runs)
			}
		}
	}
	if k := kendall([]float64{1, 2, 3, 4, 5, 6}, []float64{1, 2, 3, 4, 5, 6}); k.Tau != 1 || k.Low > 0.6 {
		t.Errorf("six sticks in perfect order are taken as proof: %v", k)
	}
}

// opinion is a maker who looks at q, a little at density, and not at the rest.
func opinion(r *rand.Rand, n int) (sticks []Judged) {
	for range n {
		d := [3]float64{0.1 + 0.9*r.Float64(), 0.1 + 0.9*r.Float64(), 0.1 + 0.9*r.Float64()}
		view := 3*math.Log(d[0]) + math.Log(d[1]) + 0.5*r.NormFloat64()
		grade := "C"
		if view > -1.5 {
			grade = "A"
		} else if view > -3.5 {
			grade = "B"
		}
		var parts []grading.Part
		for i, name := range []string{"q", "density", "purity"} {
			parts = append(parts, grading.Part{Name: "the " + name, Key: name, Desirability: measure.Of(d[i], 0.01), Weight: []float64{1, 1, 6}[i]})
		}
		sticks = append(sticks, Judged{grade, 100 * math.Pow(d[0]*d[1]*math.Pow(d[2], 6), 1.0/8), parts})
	}
	return sticks
}

func TestAgreeFindsWhatTheMakerLooksAt(t *testing.T) {
	a, err := Agree(opinion(rand.New(rand.NewPCG(5, 5)), 80), nil)
	if err != nil {
		t.Fatal(err)
	}
	if a.Parts[0].Key != "q" || a.Parts[0].Name != "the q" || a.Parts[0].Low <= 0 {
		t.Errorf("parts %+v", a.Parts)
	}
	if fmt.Sprint(a.Grades) != "[A B C]" {
		t.Errorf("grades %v", a.Grades)
	}
	p := a.Proposal
	if p == nil {
		t.Fatalf("no proposal: %q", a.Reasons)
	}
	w := p.Weights
	if sum := w["q"] + w["density"] + w["purity"]; math.Abs(sum-8) > 1e-9 {
		t.Errorf("weights sum to %v", sum)
	}
	// The maker's own weights are 3 : 1 : 0.
	if w["q"]/8 < 0.6 || w["q"]/8 > 0.9 || w["purity"]/8 > 0.12 || w["density"] < w["purity"] {
		t.Errorf("weights %v", w)
	}
	if p.After.Tau <= p.Before.Tau || p.After.Low <= 0 {
		t.Errorf("before %v, after %v", p.Before, p.After)
	}
}

func TestAgreeIsModestWithFewSticks(t *testing.T) {
	for n := range 6 {
		a, err := Agree(opinion(rand.New(rand.NewPCG(5, 5)), n), nil)
		if err != nil {
			t.Fatal(err)
		}
		if a.Proposal != nil || len(a.Reasons) == 0 {
			t.Errorf("n = %d: %+v", n, a)
		}
		if n < 5 && (a.Score.Low != -1 || a.Score.High != 1) {
			t.Errorf("n = %d: interval %v", n, a.Score)
		}
	}
	a, err := Agree(opinion(rand.New(rand.NewPCG(5, 5)), 29), nil)
	if err != nil {
		t.Fatal(err)
	}
	if a.Proposal != nil || !strings.Contains(a.Reasons[len(a.Reasons)-1], "30 graded sticks") {
		t.Errorf("%+v", a.Reasons)
	}
}

// Of makers who throw dice hardly one is told weights.
func TestAgreeProposesNothingAgainstChance(t *testing.T) {
	proposed := 0
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 6))
		sticks := opinion(r, 60)
		for i := range sticks {
			sticks[i].Grade = []string{"A", "B", "C"}[r.IntN(3)]
		}
		a, err := Agree(sticks, nil)
		if err != nil {
			t.Fatal(err)
		}
		if a.Proposal != nil {
			proposed++
		}
	}
	if proposed > 1 {
		t.Errorf("%d of 40 makers who threw dice were told weights", proposed)
	}
	t.Logf("%d of 40 makers who threw dice were told weights", proposed)
}

// A maker with a view is told so nearly always.
func TestAgreeProposesWhereThereIsAView(t *testing.T) {
	proposed := 0
	for seed := range uint64(20) {
		a, err := Agree(opinion(rand.New(rand.NewPCG(seed, 7)), 60), nil)
		if err != nil {
			t.Fatal(err)
		}
		if a.Proposal != nil {
			proposed++
		}
	}
	if proposed < 18 {
		t.Errorf("%d of 20 makers with a view were told weights", proposed)
	}
}

// Knight's way counts what counting every pair does.
func TestConcordanceByEveryPair(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for range 200 {
		n := 2 + r.IntN(40)
		x, y := make([]float64, n), make([]float64, n)
		for i := range n {
			x[i], y[i] = float64(r.IntN(6)), float64(r.IntN(9))
		}
		var s, nx, ny float64
		for i := range n {
			for j := range i {
				a, b := float64(cmp.Compare(x[i], x[j])), float64(cmp.Compare(y[i], y[j]))
				s, nx, ny = s+a*b, nx+a*a, ny+b*b
			}
		}
		if gs, gx, gy := concordance(x, y); gs != s || gx != nx || gy != ny {
			t.Fatalf("%v %v: %v %v %v, want %v %v %v", x, y, gs, gx, gy, s, nx, ny)
		}
	}
}

func TestGradesInWords(t *testing.T) {
	sticks := opinion(rand.New(rand.NewPCG(5, 5)), 10)
	words := map[string]string{"A": "fine", "B": "plain", "C": "firewood"}
	for i := range sticks {
		sticks[i].Grade = words[sticks[i].Grade]
	}
	if _, err := Agree(sticks, nil); err == nil || !strings.Contains(err.Error(), "--grades") {
		t.Error(err)
	}
	if _, err := Agree(sticks, []string{"fine"}); err == nil {
		t.Error("grades outside the order pass")
	}
	a, err := Agree(sticks, []string{"fine", "plain", "firewood"})
	if err != nil || a.Grades[0] != "fine" {
		t.Errorf("%v, %v", a.Grades, err)
	}
	rank, err := gradeRanks([]Judged{{Grade: "A"}, {Grade: "A-"}, {Grade: "B+"}, {Grade: "b"}}, nil)
	if err != nil || !(rank["A"] > rank["A-"] && rank["A-"] > rank["B+"] && rank["B+"] > rank["b"]) {
		t.Errorf("%v, %v", rank, err)
	}
}
