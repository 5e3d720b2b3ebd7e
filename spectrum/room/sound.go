package room

import (
	"math"
	"math/cmplx"
	"slices"
)

// Tap is the neighbourhood of a ring in one tap, as a complex signal that
// begins before the strike.
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

// SamplesPerS is the rate of the samples that Together makes of a signal's.
func SamplesPerS(rate, width float64) float64 { return rate / float64(thinnedBy(rate, width)) }

func thinnedBy(rate, width float64) int { return max(int(rate/(rateHz*width)), 1) }

// ReachHz is how far off the centre a line still reaches into such samples, folded over.
func ReachHz(perS float64) float64 { return (1 + steep) / 2 * perS }

// Apart tells whether a line is another than those of a list, as the samples of some
// seconds have them: not folded onto one of them.
func Apart(l Line, from []Line, perS, seconds float64) bool {
	return !slices.ContainsFunc(from, func(o Line) bool {
		d := l.Hz - o.Hz
		return math.Abs(d-perS*math.Round(d/perS)) < 1/seconds
	})
}

// Together is what several taps of one bar in one place say together: all hear the same
// room, so what differs is one factor each. rate, width (times which the band is as wide
// as usual) and density, the noise's one-sided power density, are the same for all. What
// comes later than untilS after the strike is left out. Steady lines among the given
// ones, which are no answer to a strike, are taken out of each tap, as they are beside
// the ring and the other lines. ok is false if too little is heard.
func Together(taps []Tap, rate, width, density, untilS float64, lines, given []Line) (s Sound, ok bool) {
	per := thinnedBy(rate, width)
	s.Rate = SamplesPerS(rate, width)
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
		s.quiet(low[i], lines, given)
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
	// A complex sample of the band, which has the amplitudes of the real signal, has
	// noise of 2 N0 per Hz.
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

// quiet takes the steady lines among the given ones out of one tap's
// samples, by least squares.
func (s Sound) quiet(y []complex128, lines, given []Line) {
	if !slices.ContainsFunc(given, Line.steady) || len(y) < 2*(len(lines)+len(given)) {
		return
	}
	tap := Sound{Y: y, Noise: slices.Repeat([]float64{1}, len(y)), Rate: s.Rate, FromS: s.FromS}
	var fit scored
	newFilter(tap).score(state{ring: lines[0], power: nowhere, beta: 1, noise: 1, lines: lines[1:], given: given}, &fit)
	if !fit.ok {
		return
	}
	for j, l := range given {
		if !l.steady() {
			continue
		}
		z, step := fit.amp[len(lines)+j]*cmplx.Rect(1, 2*math.Pi*l.Hz*s.FromS), cmplx.Rect(1, 2*math.Pi*l.Hz/s.Rate)
		for k := range y {
			y[k] -= z
			z *= step
		}
	}
}

func (l Line) steady() bool { return l.Alpha == 0 }

// thinning is the filter before every per-th sample is taken: a root of a raised
// cosine, whose noise stays white, cut off by Kaiser's window, so that nothing from
// further off gets in.
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

// rootCosine is the root-raised-cosine pulse at time x, in samples of its rate
// (standard formula).
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
