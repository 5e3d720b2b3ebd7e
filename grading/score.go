package grading

import (
	"math"
	"math/rand/v2"

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
func assess(p Profile, ring *spectrum.Ring, w wood.Values) (parts []Part) {
	for _, q := range properties {
		c, ok := p.Properties[q.key]
		if !ok {
			continue
		}
		part := Part{Name: q.name, Key: q.key, Value: q.of(ring, w), Unit: q.unit, Weight: c.Weight,
			Desirability: measure.Unknown("its value is not known")}
		if part.Value.Known() {
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
// count. A part that is not known is left out of the score, but not out of
// its uncertainty: there its desirability may be anything from 0 to 1.
//
// The uncertainty is found by Monte Carlo (JCGM 101:2008) and taken about the score; the
// draws are returned too. The parts are drawn independently: readings that several of them
// share, like the height, are a small part of the whole.
func score(p Profile, parts []Part) (s measure.Value, draws []float32) {
	var known []Part
	for _, part := range parts {
		if part.Value.Known() {
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
			if !part.Value.Known() {
				return rng.Float64()
			}
			return p.Properties[part.Key].Desirability(part.Value.Draw(rng))
		})
		draws = append(draws, float32(d))
		return d
	})
	return measure.Of(D, u), draws
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
