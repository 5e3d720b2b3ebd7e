package dsp

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Decimate filters the samples and keeps every m-th, m the largest number that leaves at
// least the wanted rate. It returns the samples and their rate. Up to 0.3 of that rate
// nothing is weakened by more than 0.02 dB or shifted in time, and from 0.7 of it, where
// things would be mirrored down there, nothing is left within 60 dB; a decaying line
// stays one, as through any linear filter.
func Decimate(x []float64, rate, want float64) ([]float64, float64) {
	p := Pyramid{Samples: x, Rate: rate}.Decimate(want)
	return p.Samples, p.Rate
}

// Pyramid is sound that remembers itself at half its rate, a quarter ..., as far as
// HalveTo has made it.
type Pyramid struct {
	Samples []float64
	Rate    float64
	halves  [][]float64
}

// HalveTo halves the sound for as long as no less than the wanted rate is left. The
// pyramid remembers each step.
func (p *Pyramid) HalveTo(want float64) Pyramid {
	x, rate, n := p.Samples, p.Rate, 0
	for ; rate >= 2*want; n++ {
		if n == len(p.halves) {
			p.halves = append(p.halves, half(x))
		}
		x, rate = p.halves[n], rate/2
	}
	return Pyramid{x, rate, p.halves[n:]}
}

// Remembered is the sound at the lowest rate of at least the wanted one that was made
// already.
func (p Pyramid) Remembered(want float64) Pyramid {
	for len(p.halves) > 0 && p.Rate/2 >= want {
		p = Pyramid{p.halves[0], p.Rate / 2, p.halves[1:]}
	}
	return p
}

// Decimate is the sound at the lowest whole part of its rate that is at
// least the wanted one.
func (p Pyramid) Decimate(want float64) Pyramid {
	m := max(int(p.Rate/want), 1)
	for ; m%2 == 0; m /= 2 {
		p = p.halved()
	}
	if m > 1 {
		p = Pyramid{Samples: everyNth(p.Samples, m), Rate: p.Rate / float64(m)}
	}
	return p
}

func (p Pyramid) halved() Pyramid {
	if len(p.halves) == 0 {
		return Pyramid{Samples: half(p.Samples), Rate: p.Rate / 2}
	}
	return Pyramid{p.halves[0], p.Rate / 2, p.halves[1:]}
}

// lowpassFIR is one half of a symmetric low-pass filter, from its middle outwards, that
// lets pass 0.3/m of the rate and stops 0.7/m: a sinc under a Kaiser window for 60 dB
// (Oppenheim & Schafer, Discrete-Time Signal Processing, section 7.6).
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

// bessel0 is the modified Bessel function of the first kind and order zero,
// by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

// filtered is the value of the filter with its middle at sample c. Beyond its ends the
// sound is held: starting from nothing would be a strike.
func filtered(x, h []float64, c int) float64 {
	y := h[0] * x[c]
	for k := 1; k < len(h); k++ {
		y += h[k] * (x[max(c-k, 0)] + x[min(c+k, len(x)-1)])
	}
	return y
}

var halfFIR = lowpassFIR(2)

const halfReach = 9 // samples to either side of a kept one

// half keeps every second sample.
func half(x []float64) []float64 {
	out := make([]float64, (len(x)+1)/2)
	first, last := (halfReach+1)/2, max((len(x)-halfReach+1)/2, (halfReach+1)/2)
	for i := range out {
		if i < first || i >= last {
			out[i] = filtered(x, halfFIR, 2*i)
		}
	}
	if first < last {
		halveInto(out[first:last], x[2*first-halfReach:])
	}
	return out
}

// halveInto filters the sample at place halfReach of x and every second one after it. Of
// the filter every second coefficient but the middle one is zero, and it is written out:
// it runs over all the sound there is.
func halveInto(out, x []float64) {
	h := (*[halfReach + 1]float64)(halfFIR)
	h0, h1, h3, h5, h7, h9 := h[0], h[1], h[3], h[5], h[7], h[9]
	for i := range out {
		w := (*[2*halfReach + 1]float64)(x)
		out[i] = (h0*w[9] + h1*(w[8]+w[10]) + h3*(w[6]+w[12])) + (h5*(w[4]+w[14]) + h7*(w[2]+w[16]) + h9*(w[0]+w[18]))
		x = x[2:]
	}
}

// Halver halves the rate of a stream, sample by sample, as a Pyramid does that of a whole
// sound. Its zero value is ready.
type Halver struct {
	latest [2*halfReach + 1]float64
	n      int
}

// Next takes a sample and gives the next one of the halved stream, if there is one: those
// at even places, 9 samples late.
func (h *Halver) Next(x float64) (y float64, ok bool) {
	if h.n == 0 {
		for i := range h.latest {
			h.latest[i] = x
		}
	}
	copy(h.latest[:], h.latest[1:])
	h.latest[2*halfReach] = x
	h.n++
	if h.n <= halfReach || (h.n-halfReach)%2 == 0 {
		return 0, false
	}
	var out [1]float64
	halveInto(out[:], h.latest[:])
	return out[0], true
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
