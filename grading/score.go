package grading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"

	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Desirability of a value y between 0 (at a limit L and beyond) and 1 (at the target T):
//
//	d = ((y - L)/(T - L))^s
//
// on the side of each limit, 1 on a side without one.
// Source: Derringer & Suich, J. Quality Technology 12 (1980) 214, eqs. 2 (one limit)
// and 3 (two, with s = t).
func (c Criterion) Desirability(y float64) float64 {
	share := c.share(y)
	if c.Shape == 1 {
		return share
	}
	return math.Pow(share, c.Shape)
}

// share is how far between limit and target a value lies: 0 at the limit and
// beyond, 1 at the target.
func (c *Criterion) share(y float64) float64 {
	share := 1.0
	if c.LimitLow != nil && y < c.Target {
		share = (y - *c.LimitLow) / (c.Target - *c.LimitLow)
	}
	if c.LimitHigh != nil && y > c.Target {
		share = (*c.LimitHigh - y) / (*c.LimitHigh - c.Target)
	}
	return max(share, 0)
}

const (
	trials = 2000 // Monte Carlo draws; the u they give is right to 2 %
	// The draws of every blank are the same, so that its score depends on
	// nothing but itself.
	scoreSeed = 1980
)

// assess makes the parts of a blank's score: what the profile asks for, how much of it
// there is and how desirable that is.
//
// What rests on a suspect entry is shown, but its desirability counts as unknown: a slip
// of the pen neither keeps a blank nor gives it up.
func assess(p Profile, ring *spectrum.Ring, w wood.Values, suspects []Suspect) (parts []Part) {
	for _, q := range properties {
		c, ok := p.Properties[q.key]
		if !ok {
			continue
		}
		part := Part{Name: q.name, Key: q.key, Value: q.of(ring, w), Unit: q.unit, Weight: c.Weight,
			Desirability: measure.Unknown("its value is not known")}
		if doubted := inDoubt(q.key, w, suspects); part.Value.Known() && len(doubted) > 0 {
			part.Desirability = measure.Unknown("it rests on " + strings.Join(doubted, ", ") + ", which is in doubt")
		} else if part.Value.Known() {
			part.Desirability = c.desirable(part.Value)
		}
		parts = append(parts, part)
	}
	return parts
}

// desirable is the desirability of a known value, with its uncertainty.
func (c Criterion) desirable(v measure.Value) measure.Value {
	d := c.Desirability(v.X)
	sum := 0.0
	for _, z := range standardNormals() {
		e := c.Desirability(v.X+v.U*z) - d
		sum += e * e
	}
	return measure.Of(d, math.Sqrt(sum/trials))
}

// standardNormals are draws of a standard normal distribution, the same for each
// part of each blank.
var standardNormals = sync.OnceValue(func() []float64 {
	rng := rand.New(rand.NewPCG(scoreSeed, 0))
	draws := make([]float64, trials)
	for i := range draws {
		draws[i] = rng.NormFloat64()
	}
	return draws
})

// score is the weighted geometric mean of the desirabilities d_i, times 100:
//
//	D = 100 (d_1^w_1 d_2^w_2 ...)^(1/sum w)
//
// Source: Derringer & Suich (1980), eq. 1, with weights. A part of weight 0 does not
// count. A part whose desirability is not known is left out of the score, but not out of
// its uncertainty: there its desirability may be anything from 0 to 1.
//
// The uncertainty is found by Monte Carlo (JCGM 101:2008) and taken about the score; the
// draws are returned too. The parts are drawn independently: readings that several of
// them share, like the height, are a small part of the whole.
func score(p Profile, parts []Part, m *memo) (s measure.Value, draws []float32) {
	var known []Part
	for _, part := range parts {
		if part.Desirability.Known() {
			known = append(known, part)
		}
	}
	if total(known) == 0 {
		return measure.Unknown("nothing that is judged is known"), nil
	}
	sum := total(known)
	log := 0.0
	for _, part := range known {
		if part.Weight > 0 {
			c := p.Properties[part.Key]
			log += part.Weight / sum * c.logDesirability(part.Value.X)
		}
	}
	D := 100 * math.Exp(log)
	judged := slices.DeleteFunc(slices.Clone(parts), func(part Part) bool { return part.Weight == 0 })
	logs := m.logs(p, judged)
	sum = total(judged)
	weights := make([]float64, len(judged))
	for j, part := range judged {
		weights[j] = part.Weight / sum
	}
	draws = make([]float32, trials)
	squares := 0.0
	for i := range draws {
		log := 0.0
		for j, w := range weights {
			log += w * logs[j][i]
		}
		d := 100 * math.Exp(log)
		draws[i] = float32(d)
		squares += (d - D) * (d - D)
	}
	return measure.Of(D, math.Sqrt(squares/trials)), draws
}

// memo keeps draws of one blank for the next profile that it is judged by. Nil keeps
// nothing.
type memo struct {
	known string // which parts were judged, and which of them were known
	parts map[string]drawnPart
	raw   [][]float64
}

type drawnPart struct {
	by   Criterion
	logs []float64
}

// logs are draws of the logarithm of each part's desirability.
func (m *memo) logs(p Profile, judged []Part) [][]float64 {
	if m == nil {
		m = &memo{}
	}
	known := ""
	for _, part := range judged {
		known += fmt.Sprint(part.Key, part.Desirability.Known(), " ")
	}
	if m.parts == nil || known != m.known {
		*m = memo{known, map[string]drawnPart{}, rawDraws(judged)}
	}
	logs := make([][]float64, len(judged))
	for j, part := range judged {
		c := p.Properties[part.Key]
		had, ok := m.parts[part.Key]
		if !ok || !c.judgesAs(had.by) {
			if had.by = c; !ok {
				had.logs = make([]float64, trials)
			}
			for i, z := range m.raw[j] {
				if part.Desirability.Known() {
					had.logs[i] = c.logDesirability(part.Value.X + part.Value.U*z)
				} else {
					had.logs[i] = math.Log(z)
				}
			}
			m.parts[part.Key] = had
		}
		logs[j] = had.logs
	}
	return logs
}

// rawDraws are, by part, draws of a standard normal distribution where the part is
// known, else of 0 to 1.
func rawDraws(judged []Part) [][]float64 {
	raw := make([][]float64, len(judged))
	for j := range raw {
		raw[j] = make([]float64, trials)
	}
	rng := rand.New(rand.NewPCG(scoreSeed, 1))
	for i := range trials {
		for j, part := range judged {
			if part.Desirability.Known() {
				raw[j][i] = rng.NormFloat64()
			} else {
				raw[j][i] = rng.Float64()
			}
		}
	}
	return raw
}

// logDesirability is the logarithm of Desirability, minus infinity at a limit and beyond:
// means of many draws are sums of it.
func (c *Criterion) logDesirability(y float64) float64 {
	share := c.share(y)
	if share == 1 {
		return 0
	}
	return c.Shape * math.Log(share)
}

// ScoreInterval is the 95 % interval of a known score. Where all that is judged is known
// it is 1.96 score_u to both sides, within 0 to 100. Where something is missing it is
// that of the draws, in which the missing may be anything: then a ± says little.
func (b Blank) ScoreInterval() (low, high float64) {
	if b.ScoreLow != nil && b.ScoreHigh != nil {
		return *b.ScoreLow, *b.ScoreHigh
	}
	missing := slices.ContainsFunc(b.Parts, func(p Part) bool { return p.Weight > 0 && !p.Desirability.Known() })
	if missing && len(b.scores) > 0 {
		sorted := slices.Sorted(slices.Values(b.scores))
		at := func(q float64) float64 { return float64(sorted[int(q*float64(len(sorted)-1))]) }
		return at(0.025), at(0.975)
	}
	const coverage = 1.96 // standard uncertainties, of a normal distribution
	return max(b.Score.X-coverage*b.Score.U, 0), min(b.Score.X+coverage*b.Score.U, 100)
}

func total(parts []Part) (weight float64) {
	for _, part := range parts {
		weight += part.Weight
	}
	return weight
}
