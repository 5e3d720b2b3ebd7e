package dsp

import "math"

// Biquad is a filter section of second order in transposed direct form II. Its zero value
// passes nothing.
type Biquad struct{ b0, b1, b2, a1, a2, s1, s2 float64 }

// Next filters one sample.
func (q *Biquad) Next(x float64) float64 {
	y := q.b0*x + q.s1
	q.s1 = q.b1*x - q.a1*y + q.s2
	q.s2 = q.b2*x - q.a2*y
	return y
}

// Lowpass is a Butterworth low-pass of second order, 3 dB down at hz, by the bilinear
// transform (Oppenheim & Schafer, Discrete-Time Signal Processing, section 7.2).
func Lowpass(hz, rate float64) Biquad {
	k := math.Tan(math.Pi * hz / rate)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return Biquad{b0: k * k * n, b1: 2 * k * k * n, b2: k * k * n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

// Highpass is its mirror image.
func Highpass(hz, rate float64) Biquad {
	k := math.Tan(math.Pi * hz / rate)
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return Biquad{b0: n, b1: -2 * n, b2: n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

// BandEnergy is the mean square in frames of hop samples, after a Butterworth
// high-pass and a low-pass of second order at the edges of the band in Hz. The last
// frame may be shorter.
func BandEnergy(x []float64, rate float64, band [2]float64, hop int) []float64 {
	if len(x) == 0 {
		return nil
	}
	hp := Highpass(band[0], rate)
	lp := Lowpass(min(band[1], 0.45*rate), rate)
	out := make([]float64, 0, len(x)/hop+1)
	dc := x[0] // starting at the first value keeps an offset from sounding like a strike
	for i := 0; i < len(x); i += hop {
		n := min(hop, len(x)-i)
		sum := 0.0
		for _, v := range x[i : i+n] {
			y := lp.Next(hp.Next(v - dc))
			sum += y * y
		}
		out = append(out, sum/float64(n))
	}
	return out
}
