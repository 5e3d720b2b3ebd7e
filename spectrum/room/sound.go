package room

import (
	"math"
	"math/cmplx"
)

// Tap is the neighbourhood of a ring in one tap, as a complex signal that begins before the strike.
type Tap struct {
	Y      []complex128
	Factor complex128 // how strongly the ring sounds in it
	LeadS  float64    // from the first sample to the strike
	RingS  float64    // from the strike to the last sample that may be used
}

const (
	fromS  = 0.068 // after the strike: what is thinned out has forgotten it
	spanS  = 0.06  // to either side, of the sound that makes one sample
	least  = 20    // samples
	rateHz = 60.0  // least rate of the samples
	steep  = 0.36  // width of the filter's slope over the rate
)

// BandHz is to either side of the centre what is listened to, at least.
const BandHz = 0.45 * rateHz

// Together is what several taps of one bar in one place say together: all hear the same room, so what differs is one factor each.
// rate, width (times which the band is as wide as usual) and density, the noise's one-sided power density, are the same for all. What comes later than untilS after the strike is left
// out. ok is false if too little is heard.
func Together(taps []Tap, rate, width, density, untilS float64) (s Sound, ok bool) {
	per := max(int(rate/(rateHz*width)), 1)
	s.Rate = rate / float64(per)
	kernel := thinning(per, int(spanS/width*rate))
	half := len(kernel) / 2
	leadS := taps[0].LeadS
	from := max(int(math.Ceil((leadS+fromS/width)*rate)), half)
	s.FromS = float64(from)/rate - leadS
	low := make([][]complex128, len(taps))
	longest := 0
	for i, t := range taps {
		end := min(int((leadS+min(t.RingS, untilS))*rate), len(t.Y)) - half
		for at := from; at < end; at += per {
			var sum complex128
			for j, k := range kernel {
				sum += complex(k, 0) * t.Y[at-half+j]
			}
			low[i] = append(low[i], sum)
		}
		longest = max(longest, len(low[i]))
	}
	if longest < least {
		return s, false
	}
	x, w := make([]complex128, longest), make([]float64, longest)
	for i, t := range taps {
		for k, y := range low[i] {
			x[k] += cmplx.Conj(t.Factor) * y
			w[k] += sq(t.Factor)
		}
	}
	// A complex sample of the band, which has the amplitudes of the real signal, has noise of 2 N0 per Hz.
	variance := 2 * density * s.Rate
	for k := range x {
		if w[k] == 0 {
			x = x[:k]
			break
		}
		x[k] /= complex(w[k], 0)
		s.Noise = append(s.Noise, variance/w[k])
	}
	s.Y = x
	return s, len(x) >= least
}

// thinning is the filter before every per-th sample is taken: a root of a raised cosine, whose noise stays white, cut off
// by Kaiser's window, so that nothing from further off gets in.
func thinning(per, half int) []float64 {
	k := make([]float64, 2*half+1)
	sum := 0.0
	for i := range k {
		x := float64(i-half) / float64(per)
		u := float64(i-half) / (float64(half) + 0.5)
		k[i] = rootCosine(x) * bessel(4*math.Sqrt(1-u*u))
		sum += k[i]
	}
	for i := range k {
		k[i] /= sum
	}
	return k
}

// rootCosine is the root-raised-cosine pulse at time x, in samples of its rate (standard formula).
func rootCosine(x float64) float64 {
	const b = steep
	switch q := 4 * b * x; {
	case math.Abs(x) < 1e-9:
		return 1 - b + 4*b/math.Pi
	case math.Abs(math.Abs(q)-1) < 1e-9:
		return b / math.Sqrt2 * ((1+2/math.Pi)*math.Sin(math.Pi/(4*b)) + (1-2/math.Pi)*math.Cos(math.Pi/(4*b)))
	default:
		return (math.Sin(math.Pi*x*(1-b)) + q*math.Cos(math.Pi*x*(1+b))) / (math.Pi * x * (1 - q*q))
	}
}

// bessel is the modified Bessel function of order zero, by its series.
func bessel(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; k < 30; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}
