package grading

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"

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
	share := 1.0
	if c.LimitLow != nil && y < c.Target {
		share = (y - *c.LimitLow) / (c.Target - *c.LimitLow)
	}
	if c.LimitHigh != nil && y > c.Target {
		share = (*c.LimitHigh - y) / (*c.LimitHigh - c.Target)
	}
	return math.Pow(max(share, 0), c.Shape)
}

const (
	trials = 2000 // Monte Carlo draws; the u they give is right to 2 %
	// The draws of every blank are the same, so that its score depends on nothing but itself.
	scoreSeed = 1980
)

// assess makes the parts of a blank's score: what the profile asks for, how much of it there
// is and how desirable that is.
//
// What rests on a suspect entry is shown, but its desirability counts as unknown: a slip of the
// pen neither keeps a blank nor gives it up.
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
			d := c.Desirability(part.Value.X)
			rng := rand.New(rand.NewPCG(scoreSeed, 0))
			part.Desirability = measure.Of(d, spread(d, func() float64 { return c.Desirability(part.Value.Draw(rng)) }))
		}
		parts = append(parts, part)
	}
	return parts
}

// score is the weighted geometric mean of the desirabilities d_i, times 100:
//
//	D = 100 (d_1^w_1 d_2^w_2 ...)^(1/sum w)
//
// Source: Derringer & Suich (1980), eq. 1, with weights. A part of weight 0 does not
// count. A part whose desirability is not known is left out of the score, but not out of
// its uncertainty: there its desirability may be anything from 0 to 1.
//
// The uncertainty is found by Monte Carlo (JCGM 101:2008) and taken about the score; the
// draws are returned too. The parts are drawn independently: readings that several of them
// share, like the height, are a small part of the whole.
func score(p Profile, parts []Part) (s measure.Value, draws []float32) {
	var known []Part
	for _, part := range parts {
		if part.Desirability.Known() {
			known = append(known, part)
		}
	}
	if total(known) == 0 {
		return measure.Unknown("nothing that is judged is known"), nil
	}
	D := geometricMean(known, func(part Part) float64 { return part.Desirability.X })
	rng := rand.New(rand.NewPCG(scoreSeed, 1))
	draws = make([]float32, 0, trials)
	u := spread(D, func() float64 {
		d := geometricMean(parts, func(part Part) float64 {
			if !part.Desirability.Known() {
				return rng.Float64()
			}
			return p.Properties[part.Key].Desirability(part.Value.Draw(rng))
		})
		draws = append(draws, float32(d))
		return d
	})
	return measure.Of(D, u), draws
}

// ScoreInterval is the 95 % interval of a known score. Where all that is judged is known it is
// 1.96 score_u to both sides, within 0 to 100. Where something is missing it is that of the
// draws, in which the missing may be anything: then a ± says little.
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

func geometricMean(parts []Part, d func(Part) float64) float64 {
	product := 1.0
	sum := total(parts)
	for _, part := range parts {
		if part.Weight > 0 {
			product *= math.Pow(d(part), part.Weight/sum)
		}
	}
	return 100 * product
}

func total(parts []Part) (weight float64) {
	for _, part := range parts {
		weight += part.Weight
	}
	return weight
}

// spread is the root mean square distance of draws from y.
func spread(y float64, draw func() float64) float64 {
	sum := 0.0
	for range trials {
		e := draw() - y
		sum += e * e
	}
	return math.Sqrt(sum / trials)
}
