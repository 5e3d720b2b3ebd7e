package stick

import (
	"fmt"
	"math"
	"strings"

	"ringstock/spectrum/measure"
)

// LearnSchema names the JSON document that `ringstock learn` prints.
const LearnSchema = "ringstock/learned/1"

// enoughSticks is how many finished sticks it takes to correct what a blank foretells.
const enoughSticks = 5

// Finished is a stick that was made, and the wood of its blank as it was known before.
type Finished struct {
	Model
	Blank Wood
}

// Lesson is what one finished stick was foretold to be and what it became.
type Lesson struct {
	Name      string  `json:"name"`
	Mass      Pairing `json:"mass_g"`
	Note      Pairing `json:"hz"`
	Stiffness Pairing `json:"stiffness_n_m"`
}

// Pairing is a figure foretold from the blank's wood and the stick's
// readings, and the one found.
type Pairing struct {
	Foretold measure.Value `json:"foretold"`
	Found    measure.Value `json:"found"`
	OffPct   measure.Value `json:"off_pct" u:"off_u_pct"` // found less foretold
}

// MarshalJSON writes each value with its uncertainty beside it.
func (p Pairing) MarshalJSON() ([]byte, error) { return measure.Marshal(p) }

// Correction is what finished sticks say of a figure foretold from a blank.
type Correction struct {
	Sticks int `json:"sticks"`
	// Factor is found over foretold for the next stick: its uncertainty holds that of the
	// mean and how much sticks differ. Not known with fewer than five.
	Factor measure.Value `json:"factor"`
	MeanU  measure.Value `json:"mean_u" u:"-"` // of the mean alone
	Spread measure.Value `json:"spread" u:"-"` // how much sticks differ beyond what their readings explain
}

// MarshalJSON writes each value with its uncertainty beside it.
func (c Correction) MarshalJSON() ([]byte, error) { return measure.Marshal(c) }

// Learned is what a maker's own finished sticks say of the way from blank to stick.
type Learned struct {
	Schema    string     `json:"schema"`
	Sticks    []Lesson   `json:"lessons"`
	Mass      Correction `json:"mass"`
	Note      Correction `json:"hz"`
	Stiffness Correction `json:"stiffness"`
	// Density and Modulus are what a blank's are multiplied by in a plan.
	Density measure.Value `json:"density_factor"`
	Modulus measure.Value `json:"modulus_factor"`
	Notes   []string      `json:"notes"`
}

// MarshalJSON writes each value with its uncertainty beside it.
func (l Learned) MarshalJSON() ([]byte, error) { return measure.Marshal(l) }

// Learn holds finished sticks against what their blanks foretold.
func Learn(list []Finished) (Learned, error) {
	out := Learned{Schema: LearnSchema, Sticks: []Lesson{}, Notes: []string{}}
	for _, s := range list {
		l, err := s.lesson()
		if err != nil {
			return Learned{}, fmt.Errorf("%s: %w", s.Name, err)
		}
		out.Sticks = append(out.Sticks, l)
	}
	of := func(get func(Lesson) Pairing) Correction {
		var off []measure.Value
		for _, l := range out.Sticks {
			if v := get(l).OffPct; v.Known() {
				off = append(off, v)
			}
		}
		return correction(off)
	}
	out.Mass = of(func(l Lesson) Pairing { return l.Mass })
	out.Note = of(func(l Lesson) Pairing { return l.Note })
	out.Stiffness = of(func(l Lesson) Pairing { return l.Stiffness })
	out.Density, out.Modulus = out.Mass.Factor, out.Stiffness.Factor
	if !out.Modulus.Known() && out.Note.Factor.Known() && out.Mass.Factor.Known() {
		// The note goes as the root of modulus over density.
		out.Modulus = measure.Propagate(func(x []float64) float64 { return x[0] * x[0] * x[1] }, []measure.Input{
			{Name: "notes", X: out.Note.Factor.X, U: out.Note.Factor.U}, {Name: "masses", X: out.Mass.Factor.X, U: out.Mass.Factor.U}})
		out.Notes = append(out.Notes, "the modulus is corrected by the notes, for want of stiffness over a gauge")
	}
	return out, nil
}

// lesson of one stick.
func (s Finished) lesson() (Lesson, error) {
	f, t := newForm(s.Stick, s.MidSpan(0, 500), s.Accuracy), s.Blank.timber()
	figures := f.figures(t, 1)
	note := measure.Unknown("density or modulus of the blank is not known")
	if t.density.Known() && t.young.Known() {
		var err error
		if note, err = f.shearedNote(t); err != nil {
			return Lesson{}, err
		}
	}
	pair := func(foretold, found measure.Value) Pairing {
		p := Pairing{Foretold: foretold, Found: found, OffPct: measure.Unknown("not both are known")}
		if foretold.Known() && found.Known() && foretold.X > 0 {
			ratio := found.X / foretold.X
			p.OffPct = measure.Of(100*(ratio-1), 100*ratio*math.Hypot(found.Rel(), foretold.Rel()))
		}
		return p
	}
	return Lesson{Name: s.Name, Mass: pair(figures.MassG, s.Bare.MassG), Note: pair(note, s.Bare.Hz), Stiffness: pair(figures.StiffnessNM, s.Bare.StiffnessNM)}, nil
}

// correction is the mean of relative errors, in per cent, where sticks differ by their
// readings' uncertainty and by a spread of their own. What so few sticks leave open of
// the spread is averaged over: every spread counts by its marginal likelihood, all being
// as likely beforehand (A. Gelman, Prior distributions for variance parameters in
// hierarchical models, Bayesian Analysis 1 (2006) 515, from memory).
func correction(off []measure.Value) Correction {
	n := len(off)
	c := Correction{Sticks: n}
	if n < enoughSticks {
		why := measure.Unknown(fmt.Sprintf("%d of %d sticks: too few to correct by", n, enoughSticks))
		c.Factor, c.MeanU, c.Spread = why, why, why
		return c
	}
	var size float64
	for _, v := range off {
		size = max(size, math.Abs(v.X-off[0].X), v.U)
	}
	const tries = 400
	type guess struct{ spread, mean, meanVar, logLikelihood float64 }
	var list []guess
	best := math.Inf(-1)
	for i := range tries {
		g := guess{spread: 2 * size * float64(i) / tries}
		var weights, chi2 float64
		for _, v := range off {
			w := 1 / (sq(v.U) + sq(g.spread) + 1e-9)
			g.mean, weights = g.mean+w*v.X, weights+w
			g.logLikelihood += math.Log(w) / 2
		}
		g.mean, g.meanVar = g.mean/weights, 1/weights
		for _, v := range off {
			chi2 += sq(v.X-g.mean) / (sq(v.U) + sq(g.spread) + 1e-9)
		}
		g.logLikelihood -= (chi2 + math.Log(weights)) / 2
		best = max(best, g.logLikelihood)
		list = append(list, g)
	}
	var all, mean, square, meanVar, spread2 float64
	for _, g := range list {
		p := math.Exp(g.logLikelihood - best)
		all += p
		mean, square = mean+p*g.mean, square+p*sq(g.mean)
		meanVar, spread2 = meanVar+p*g.meanVar, spread2+p*sq(g.spread)
	}
	mean /= all
	meanVar = meanVar/all + max(0, square/all-sq(mean))
	spread2 /= all
	c.Factor = measure.Of(1+mean/100, math.Sqrt(meanVar+spread2)/100)
	c.MeanU, c.Spread = measure.Of(math.Sqrt(meanVar)/100, 0), measure.Of(math.Sqrt(spread2)/100, 0)
	return c
}

// Correct is a blank's wood as own sticks say that it will show itself; what is
// not corrected stays.
func (l Learned) Correct(w Wood) Wood {
	times := func(v, k measure.Value) measure.Value {
		if !v.Known() || !k.Known() {
			return v
		}
		return measure.Of(v.X*k.X, v.X*k.X*math.Hypot(v.Rel(), k.Rel()))
	}
	w.Density = times(w.Density, l.Density)
	w.YoungsModulus, w.WidthModulus = times(w.YoungsModulus, l.Modulus), times(w.WidthModulus, l.Modulus)
	w.SpecificModulus = times(w.SpecificModulus, l.Modulus)
	if k := l.Density; k.Known() && w.SpecificModulus.Known() {
		w.SpecificModulus = times(w.SpecificModulus, measure.Of(1/k.X, k.U/sq(k.X)))
	}
	return w
}

// Corrects tells whether there is anything to correct by.
func (l Learned) Corrects() bool { return l.Density.Known() || l.Modulus.Known() }

// Says is the answer in sentences.
func (l Learned) Says() []string {
	var parts []string
	for _, c := range []struct {
		name string
		k    Correction
	}{{"mass", l.Mass}, {"lowest note", l.Note}, {"stiffness", l.Stiffness}} {
		if c.k.Factor.Known() {
			parts = append(parts, fmt.Sprintf("%s × %s (%d sticks)", c.name, c.k.Factor.Text(""), c.k.Sticks))
		} else {
			parts = append(parts, fmt.Sprintf("%s not yet, %d of %d sticks", c.name, c.k.Sticks, enoughSticks))
		}
	}
	what := "Found over foretold from the blank: " + strings.Join(parts, "; ") + "."
	if !l.Corrects() {
		return []string{what, "Nothing is corrected in a plan yet."}
	}
	var used []string
	if l.Density.Known() {
		used = append(used, "density × "+l.Density.Text(""))
	}
	if l.Modulus.Known() {
		used = append(used, "Young's modulus × "+l.Modulus.Text(""))
	}
	return []string{what, "A plan takes each blank's " + strings.Join(used, ", ") + "."}
}
