package spectrum

import (
	"math"

	"ringstock/capture/dsp"
)

// density is a one-sided power density (full scale squared per Hz) on a regular
// grid of frequencies.
type density struct {
	perBin float64 // Hz
	p      []float64
}

func (d density) at(hz float64) float64 {
	if len(d.p) == 0 {
		return 0
	}
	return d.p[min(max(int(math.Round(hz/d.perBin)), 0), len(d.p)-1)]
}

// mean over [lo, hi) Hz.
func (d density) mean(lo, hi float64) float64 {
	a := min(max(int(lo/d.perBin), 0), len(d.p))
	b := min(max(int(hi/d.perBin), a), len(d.p))
	if b == a {
		return d.at(lo)
	}
	s := 0.0
	for _, v := range d.p[a:b] {
		s += v
	}
	return s / float64(b-a)
}

// background replaces each value by the median over +-half Hz, corrected to the mean
// of noise that was averaged over runs periodograms: lines drop out, the
// noise under them stays.
func (d density) background(half float64, runs int) density {
	w := max(int(half/d.perBin), 2)
	step := max(w/2, 1)
	// Of so many values a median is as good as of more: neighbours say almost the same.
	stride := max(2*w/40, 1)
	out := density{d.perBin, make([]float64, len(d.p))}
	// The median of a chi-square variate with 2 runs degrees of freedom over its mean
	// (Wilson & Hilferty 1931).
	k := 2 * float64(runs)
	bias := math.Pow(1-2/(9*k), 3)
	var knots, v []float64
	for i := 0; i < len(d.p)+step; i += step {
		a, b := max(min(i, len(d.p)-1)-w, 0), min(i+w+1, len(d.p))
		v = v[:0]
		for ; a < b; a += stride {
			v = append(v, d.p[a])
		}
		knots = append(knots, dsp.NthElement(v, len(v)/2)/bias)
	}
	for i := range out.p {
		j, f := i/step, float64(i%step)/float64(step)
		out.p[i] = knots[j]*(1-f) + knots[min(j+1, len(knots)-1)]*f
	}
	return out
}

// add adds a share of another density on the same grid.
func (d density) add(o density, share float64) {
	for i, v := range o.p {
		d.p[i] += share * v
	}
}

// peakShift is the vertex of the parabola through three log powers, in bins from the
// middle.
func peakShift(a, b, c float64) float64 {
	la, lb, lc := math.Log(a+1e-300), math.Log(b+1e-300), math.Log(c+1e-300)
	den := la - 2*lb + lc
	if den >= 0 {
		return 0
	}
	return min(max((la-lc)/(2*den), -0.5), 0.5)
}
