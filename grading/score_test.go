package grading

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

func atLeast(weight, limit, target float64) Criterion {
	return Criterion{Weight: weight, LimitLow: &limit, Target: target, Shape: 1}
}

func atMost(weight, limit, target float64) Criterion {
	return Criterion{Weight: weight, LimitHigh: &limit, Target: target, Shape: 1}
}

func within(weight, low, target, high float64) Criterion {
	return Criterion{Weight: weight, LimitLow: &low, Target: target, LimitHigh: &high, Shape: 1}
}

// The tyre tread of Derringer & Suich, J. Quality Technology 12 (1980) 214: limits,
// optimum and desirabilities as printed there (from memory). The printed responses are
// rounded to 0.1 of 50, which moves d by 0.001.
func TestDesirabilityOfTheTyreTread(t *testing.T) {
	const tol = 0.0015
	product := 1.0
	for _, c := range []struct {
		name    string
		c       Criterion
		y, want float64
	}{
		{"abrasion index", atLeast(1, 120, 170), 129.5, 0.189},
		{"modulus", atLeast(1, 1000, 1300), 1300, 1},
		{"elongation", within(1, 400, 500, 600), 465.7, 0.656},
		{"hardness", within(1, 60, 67.5, 75), 68, 0.932},
	} {
		d := c.c.Desirability(c.y)
		if math.Abs(d-c.want) > tol {
			t.Errorf("%s: d(%g) = %.4f, printed %g", c.name, c.y, d, c.want)
		}
		product *= d
	}
	if D := math.Pow(product, 0.25); math.Abs(D-0.583) > tol {
		t.Errorf("D = %.4f, printed 0.583", D)
	}
}

func TestDesirabilityAtLimitsAndBeyond(t *testing.T) {
	curved := within(1, 10, 20, 40)
	curved.Shape = 2
	for _, c := range []struct {
		c       Criterion
		y, want float64
	}{
		{atLeast(1, 10, 20), 10, 0}, {atLeast(1, 10, 20), -5, 0}, {atLeast(1, 10, 20), 20, 1}, {atLeast(1, 10, 20), 99, 1},
		{atMost(1, 30, 10), 30, 0}, {atMost(1, 30, 10), 31, 0}, {atMost(1, 30, 10), 20, 0.5}, {atMost(1, 30, 10), 3, 1},
		{curved, 15, 0.25}, {curved, 35, 0.0625}, {curved, 40, 0}, {curved, 41, 0}, {curved, 9, 0},
	} {
		if got := c.c.Desirability(c.y); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%+v at %g: %g, want %g", c.c, c.y, got, c.want)
		}
	}
}

// testProfile judges by two properties, so that scores can be had by hand.
func testProfile() Profile {
	return Profile{Name: "test", KeepMark: 50, Properties: map[string]Criterion{
		"q":             atLeast(3, 100, 200),
		"density_kg_m3": within(1, 800, 1000, 1200),
		"loudness_db":   atLeast(0, -20, 0),
	}}
}

func judged(p Profile, q, density measure.Value, warnings ...capture.Warning) ([]Part, measure.Value, Verdict, []string) {
	ring := &spectrum.Ring{Fundamental: spectrum.Partial{Q: q}, LoudnessDB: measure.Of(-90, 1)}
	parts := assess(p, ring, wood.Values{Density: density}, nil)
	s, _ := score(p, parts, nil)
	v, reasons := decide(p, parts, s, wood.Values{}, nil, warnings, ring)
	return parts, s, v, reasons
}

// By hand: d = 0.5 with weight 3 and 0.8 with weight 1 make (0.5^3 0.8)^(1/4) =
// 0.1^(1/4) = 0.56234.
func TestScoreByHand(t *testing.T) {
	parts, s, _, _ := judged(testProfile(), measure.Of(150, 0), measure.Of(960, 0))
	if math.Abs(s.X-56.234) > 0.001 || s.U != 0 {
		t.Errorf("score %v, want 56.234 exactly", s)
	}
	var d []float64
	for _, p := range parts {
		d = append(d, p.Desirability.X)
	}
	if want := []float64{0.8, 0.5, 0}; !slices.EqualFunc(d, want, func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }) {
		t.Errorf("desirabilities %v, want %v", d, want)
	}
}

// For small uncertainties Monte Carlo must agree with the law of propagation,
// JCGM 100:2008, eq. 10: dD/dq = D (3/4)/(q - 100), dD/drho = D (1/4)/(rho - 800)
// at the values above.
func TestScoreUncertaintyIsThatOfTheLaw(t *testing.T) {
	_, s, _, _ := judged(testProfile(), measure.Of(150, 1), measure.Of(960, 4))
	want := 56.234 * math.Hypot(0.75/50*1, 0.25/160*4)
	if sd := want / math.Sqrt(2*trials); math.Abs(s.U-want) > 4*sd {
		t.Errorf("score_u = %.4f, want %.4f within %.4f", s.U, want, 4*sd)
	}
}

func TestVerdicts(t *testing.T) {
	unknown := measure.Unknown("mass_g was not measured")
	for _, c := range []struct {
		name       string
		q, density measure.Value
		warnings   []capture.Warning
		want       Verdict
		reason     string // that must be among them
	}{
		{"good", measure.Of(190, 3), measure.Of(1000, 5), nil, Keep, "sustain Q 190 ± 3 passes the limit of 100"},
		{"below", measure.Of(80, 3), measure.Of(1000, 5), nil, Leave, "sustain Q 80 ± 3 is below the limit of 100"},
		{"at the limit", measure.Of(100, 0), measure.Of(1000, 5), nil, Leave, "sustain Q 100 is below the limit of 100"},
		{"too heavy", measure.Of(190, 3), measure.Of(1250, 5), nil, Leave, "density 1250 ± 5 kg/m³ is above the limit of 1200 kg/m³"},
		{"just below", measure.Of(98, 3), measure.Of(1000, 5), nil, Leave, "within its uncertainty"},
		{"1.6 u over", measure.Of(104.8, 3), measure.Of(1000, 5), nil, Maybe, "not with 95 % confidence"},
		{"low score", measure.Of(115, 1), measure.Of(1000, 5), nil, Maybe, "is not over the mark of 50; weakest is sustain Q 115.0 ± 1.0"},
		{"not weighed", measure.Of(190, 3), unknown, nil, Maybe, "density not known: mass_g was not measured"},
		{"not weighed, poor ring", measure.Of(80, 3), unknown, nil, Leave, "sustain Q 80 ± 3 is below"},
		{"contradiction", measure.Of(190, 3), measure.Of(1000, 5), []capture.Warning{{Code: wood.Implausible, Text: "length looks wrong"}}, Maybe, "length looks wrong"},
		{"automatic gain", measure.Of(190, 3), measure.Of(1000, 5), []capture.Warning{{Code: "altered recording", Text: "the device altered the decay"}}, Maybe, "altered"},
		{"harmless", measure.Of(190, 3), measure.Of(1000, 5), []capture.Warning{{Code: "channel chosen", Text: "channel 2 of 2"}}, Keep, "over the mark"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, s, got, reasons := judged(testProfile(), c.q, c.density, c.warnings...)
			if got != c.want {
				t.Errorf("%s (score %s; %v), want %s", got, s.Text(""), reasons, c.want)
			}
			if !strings.Contains(strings.Join(reasons, "\n"), c.reason) {
				t.Errorf("reasons %q lack %q", reasons, c.reason)
			}
			if (got == Leave) != (s.X == 0) {
				t.Errorf("score %s with verdict %s", s.Text(""), got)
			}
		})
	}
}

// To pass a limit is to lie 1.645 standard uncertainties beyond it: 95 % of a normal
// distribution, one-sided.
func TestPassingHas95PerCent(t *testing.T) {
	for _, c := range []struct {
		c    Criterion
		x    float64
		want standing
	}{
		{atLeast(1, 100, 200), 101.62, unsure}, {atLeast(1, 100, 200), 101.67, passes},
		{atMost(1, 100, 50), 98.38, unsure}, {atMost(1, 100, 50), 98.33, passes},
		{atLeast(1, 100, 200), 99.9, fails}, {atMost(1, 100, 50), 100.1, fails},
	} {
		if got, _, _ := c.c.stand(measure.Of(c.x, 1)); got != c.want {
			t.Errorf("%g ± 1 beside the limit of 100: %d, want %d", c.x, got, c.want)
		}
	}
}

// A score at the mark is not over it.
func TestScoreAtTheMark(t *testing.T) {
	p := testProfile()
	_, s, got, _ := judged(p, measure.Of(190, 3), measure.Of(1000, 5))
	if got != Keep {
		t.Fatalf("verdict %s", got)
	}
	p.KeepMark = s.X
	if _, again, got, reasons := judged(p, measure.Of(190, 3), measure.Of(1000, 5)); again.X != s.X || got != Maybe {
		t.Errorf("score %s at a mark of %g: %s (%v), want maybe", again.Text(""), p.KeepMark, got, reasons)
	}
}

// A suspect entry takes what rests on it out of the judgement, and nothing else.
func TestSuspectEntriesNeitherKeepNorLeave(t *testing.T) {
	p := testProfile()
	mass, file := []Suspect{{Column: "mass_g", Value: 15.18, Why: "a point slipped"}}, []Suspect{{Column: "file", Value: "a.wav", Why: "is it of another blank?"}}
	for _, c := range []struct {
		name       string
		q, density float64
		suspects   []Suspect
		want       Verdict
	}{
		{"mass in doubt, density too low", 190, 108, mass, Maybe},
		{"mass in doubt, all good", 190, 1000, mass, Maybe},
		{"mass in doubt, dull", 80, 1000, mass, Leave},
		{"recording in doubt, dull", 80, 1000, file, Maybe},
	} {
		ring := &spectrum.Ring{Fundamental: spectrum.Partial{Q: measure.Of(c.q, 2)}, LoudnessDB: measure.Of(-90, 1)}
		parts := assess(p, ring, wood.Values{Density: measure.Of(c.density, 5)}, c.suspects)
		s, _ := score(p, parts, nil)
		v, reasons := decide(p, parts, s, wood.Values{}, c.suspects, nil, ring)
		if v != c.want || !strings.Contains(strings.Join(reasons, "\n"), c.suspects[0].Why) {
			t.Errorf("%s: %s, %q", c.name, v, reasons)
		}
	}
}

// A part that is not known makes the score less sure, not better or worse.
func TestMissingPartWidensTheScore(t *testing.T) {
	_, full, _, _ := judged(testProfile(), measure.Of(150, 1), measure.Of(900, 4))
	_, part, _, _ := judged(testProfile(), measure.Of(150, 1), measure.Unknown("not weighed"))
	if part.X != 50 {
		t.Errorf("the score of what is known is %g, want 50", part.X)
	}
	// D = 50^(3/4) d^(1/4) with d uniform: by hand E(d^(1/4)) = 4/5, E(d^(1/2)) = 2/3,
	// scale 100 0.5^(3/4) = 59.46.
	scale := 100 * math.Pow(0.5, 0.75)
	want := math.Sqrt(scale*scale*2/3 - 2*50*scale*4/5 + 50*50)
	if math.Abs(part.U-want) > 0.05*want {
		t.Errorf("score_u = %.2f, want %.2f", part.U, want)
	}
	if part.U < 3*full.U {
		t.Errorf("score_u %.2f without the density, %.2f with it", part.U, full.U)
	}
	if s, _ := score(testProfile(), assess(testProfile(), nil, wood.Values{Density: measure.Unknown("")}, nil), nil); s.Known() {
		t.Errorf("a score of %v out of nothing", s)
	}
}

// Nearer to its target, no part may lower the score.
func TestScoreIsMonotone(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range 200 {
		q, density := 50+200*rng.Float64(), 750+500*rng.Float64()
		_, s, _, _ := judged(testProfile(), measure.Of(q, 1), measure.Of(density, 1))
		nearer := density + 0.3*(1000-density)
		_, better, _, _ := judged(testProfile(), measure.Of(q+20*rng.Float64(), 1), measure.Of(nearer, 1))
		if better.X < s.X-1e-9 {
			t.Errorf("q %.0f, density %.0f: the score falls from %.2f to %.2f", q, density, s.X, better.X)
		}
	}
}
