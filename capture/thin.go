package capture

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Thin filters the samples and keeps every m-th, m the largest number that leaves at least
// the wanted rate. It returns the samples and their rate. Up to 0.3 of that rate nothing is
// weakened by more than 0.02 dB or shifted in time, and from 0.7 of it, where things would be mirrored
// down there, nothing is left within 60 dB; a decaying line stays one, as through any linear filter.
func Thin(x []float64, rate, want float64) ([]float64, float64) {
	l := lowered{x: x, rate: rate}.to(want)
	return l.x, l.rate
}

// Thin is the take at a lower rate, as the function Thin makes it, with its taps and quiet stretches.
func (t Take) Thin(want float64) Take {
	l := lowered{t.Samples, t.Rate, t.halves}.to(want)
	scale := l.rate / t.Rate
	at := func(i int) int { return min(int(math.Round(float64(i)*scale)), len(l.x)) }
	out := t
	out.Samples, out.Rate, out.halves = l.x, l.rate, l.halves
	out.Taps, out.Quiet = slices.Clone(t.Taps), slices.Clone(t.Quiet)
	for i, tap := range out.Taps {
		out.Taps[i].Onset, out.Taps[i].End, out.Taps[i].ClippedTill = at(tap.Onset), at(tap.End), at(tap.ClippedTill)
	}
	for i, q := range out.Quiet {
		out.Quiet[i] = Span{at(q.From), at(q.To)}
	}
	return out
}

// lowered is sound on its way to a lower rate.
type lowered struct {
	x      []float64
	rate   float64
	halves [][]float64 // it at half the rate, a quarter ..., as far as they were made already
}

func (l lowered) to(want float64) lowered {
	m := max(int(l.rate/want), 1)
	for ; m%2 == 0; m /= 2 {
		if len(l.halves) == 0 {
			l.halves = [][]float64{half(l.x)}
		}
		l = lowered{l.halves[0], l.rate / 2, l.halves[1:]}
	}
	if m > 1 {
		l = lowered{x: everyNth(l.x, m), rate: l.rate / float64(m)}
	}
	return l
}

// lowpassFIR is one half of a symmetric low-pass filter, from its middle outwards, that lets pass
// 0.3/m of the rate and stops 0.7/m: a sinc under a Kaiser window for 60 dB (Oppenheim & Schafer,
// Discrete-Time Signal Processing, section 7.6).
func lowpassFIR(m int) []float64 {
	const beta = 5.653 // 0.1102 (60 - 8.7)
	reach := 5*m - 1   // (60 - 8)/(2.285 * 2 pi 0.4/m)/2 = 4.5 m samples to either side, and a little
	h := make([]float64, reach+1)
	sum := 0.0
	for k := range h {
		r := float64(k) / float64(reach+1)
		h[k] = bessel0(beta*math.Sqrt(1-r*r)) * sinc(float64(k)/float64(m))
		sum += 2 * h[k]
	}
	sum -= h[0]
	for k := range h {
		h[k] /= sum
	}
	return h
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// bessel0 is the modified Bessel function of the first kind and order zero, by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

// filtered is the value of the filter with its middle at sample c. Beyond its ends the sound is
// held: starting from nothing would be a strike.
func filtered(x, h []float64, c int) float64 {
	y := h[0] * x[c]
	for k := 1; k < len(h); k++ {
		y += h[k] * (x[max(c-k, 0)] + x[min(c+k, len(x)-1)])
	}
	return y
}

var halfFIR = lowpassFIR(2)

// half keeps every second sample. Of its filter every second coefficient but the middle one is
// zero, and it is written out: this loop runs over all the sound there is.
func half(x []float64) []float64 {
	const reach = 9
	h := (*[reach + 1]float64)(halfFIR)
	out := make([]float64, (len(x)+1)/2)
	for i := range out {
		c := 2 * i
		if c < reach || c+reach >= len(x) {
			out[i] = filtered(x, halfFIR, c)
			continue
		}
		w := (*[2*reach + 1]float64)(x[c-reach:])
		out[i] = h[0]*w[9] + h[1]*(w[8]+w[10]) + h[3]*(w[6]+w[12]) + h[5]*(w[4]+w[14]) + h[7]*(w[2]+w[16]) + h[9]*(w[0]+w[18])
	}
	return out
}

// everyNth keeps every m-th sample.
func everyNth(x []float64, m int) []float64 {
	h := lowpassFIR(m)
	whole := slices.Clone(h)
	slices.Reverse(whole)
	whole = append(whole, h[1:]...)
	out := make([]float64, (len(x)+m-1)/m)
	for i := range out {
		c := m * i
		if c < len(h) || c+len(h) > len(x) {
			out[i] = filtered(x, h, c)
			continue
		}
		out[i] = floats.Dot(x[c-len(h)+1:c+len(h)], whole)
	}
	return out
}
