package measure

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Distribution is what a Monte Carlo propagation found.
type Distribution struct {
	Mean, U float64 // mean and standard deviation of the drawn values
	sorted  []float64
}

// MonteCarlo propagates distributions (JCGM 101:2008, clause 7): model draws its inputs
// from rng and returns the result; it is called trials times. The same seed gives the
// same Distribution. Draws that are not finite are left out.
func MonteCarlo(rng *rand.Rand, trials int, model func(*rand.Rand) float64) Distribution {
	d := Distribution{sorted: make([]float64, 0, trials)}
	for range trials {
		if y := model(rng); !math.IsNaN(y) && !math.IsInf(y, 0) {
			d.sorted = append(d.sorted, y)
			d.Mean += y
		}
	}
	n := float64(len(d.sorted))
	d.Mean /= n
	for _, y := range d.sorted {
		d.U += (y - d.Mean) * (y - d.Mean)
	}
	d.U = math.Sqrt(d.U / (n - 1))
	slices.Sort(d.sorted)
	return d
}

// Interval is the probabilistically symmetric coverage interval for probability p
// (JCGM 101:2008, 7.7.2).
func (d Distribution) Interval(p float64) (low, high float64) {
	return d.Quantile((1 - p) / 2), d.Quantile((1 + p) / 2)
}

// Quantile is the value below which the share p of the draws lies; NaN without draws.
func (d Distribution) Quantile(p float64) float64 {
	n := len(d.sorted)
	if n == 0 {
		return math.NaN()
	}
	i := int(math.Ceil(p*float64(n))) - 1
	return d.sorted[min(max(i, 0), n-1)]
}

// Draw draws from the normal distribution that stands for the value. It must be known.
func (v Value) Draw(rng *rand.Rand) float64 { return v.X + v.U*rng.NormFloat64() }
