package spectrum

import "math"

// normal is one of several distributions that a value may have: the logarithm of how
// likely it is, but for a constant, its mean and its standard deviation.
type normal struct{ lnWeight, mean, sd float64 }

// mixture is a value that has one of several distributions.
type mixture []normal

// weights are how likely each is; they add up to 1.
func (m mixture) weights() []float64 {
	most, sum := math.Inf(-1), 0.0
	for _, n := range m {
		most = max(most, n.lnWeight)
	}
	w := make([]float64, len(m))
	for i, n := range m {
		w[i] = math.Exp(n.lnWeight - most)
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

// mean is that of all.
func (m mixture) mean() (sum float64) {
	for i, w := range m.weights() {
		sum += w * m[i].mean
	}
	return sum
}

// about is the same relative to another zero.
func (m mixture) about(zero float64) mixture {
	out := make(mixture, len(m))
	for i, n := range m {
		out[i] = normal{n.lnWeight, n.mean - zero, n.sd}
	}
	return out
}

// standard is half of what holds the value, to either side of zero, as often as two
// standard deviations hold a normal one. For a value that is seldom far off it is less
// than the standard deviation, which holds nearly always.
func (m mixture) standard() float64 {
	w := m.weights()
	within := func(d float64) (p float64) {
		for i, n := range m {
			p += w[i] * (math.Erf((d-n.mean)/(n.sd*math.Sqrt2)) + math.Erf((d+n.mean)/(n.sd*math.Sqrt2))) / 2
		}
		return p
	}
	low, high := 0.0, 0.0
	for _, n := range m {
		high = max(high, math.Abs(n.mean)+2*n.sd)
	}
	for range 60 {
		if mid := (low + high) / 2; within(mid) < math.Erf(math.Sqrt2) {
			low = mid
		} else {
			high = mid
		}
	}
	return high / 2
}
