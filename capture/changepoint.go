package capture

import (
	"math"

	"ringstock/capture/dsp"
)

// changeLimits are the thresholds of the search for the sample at which a strike begins.
var changeLimits = struct{ BeforeS, AfterS, WarmS, RateOverBand, Nyquist, Still float64 }{
	BeforeS: 0.030, // s before the middle of the spectrum that rises most, a spectrum and a half,
	AfterS:  0.025, // s after it: the stretch in which the strike lies
	WarmS:   0.020, // s: the filters settle before it (the lowest band's time constant: 4 ms)

	RateOverBand: 4,    // a band is looked at at no less than this times its upper end
	Nyquist:      0.4,  // of the rate: bands that begin above are not there
	Still:        1e-9, // of the mean power: exact silence must not make a logarithm infinite
}

// changeBands are the bands in which the moment of a strike may stand out best, Hz: thud,
// body, click, hiss of the blow.
var changeBands = [][2]float64{{60, 350}, {350, 1200}, {1200, 4000}, {4000, 10000}}

// changePoint finds the sample at which the strike near a time in s begins: where,
// in the band in which it stands out best, the variance before and after differ
// most (the maximum-likelihood change point of a Gaussian sequence: Hinkley,
// Biometrika 57 (1970) 1).
func changePoint(sound dsp.Pyramid, at float64) int {
	bestGain, best := 0.0, max(int((at-changeLimits.BeforeS)*sound.Rate), 0)
	for _, band := range changeBands {
		if band[0] > changeLimits.Nyquist*sound.Rate {
			break
		}
		p := sound.Remembered(changeLimits.RateOverBand * band[1]) // what is left of a low band is enough
		from, to := max(int((at-changeLimits.BeforeS)*p.Rate), 0), min(int((at+changeLimits.AfterS)*p.Rate), len(p.Samples))
		if to-from < 16 {
			break
		}
		power := bandPower(p, band, from, to)
		// Neighbouring samples of a narrow band say the same: count independent ones.
		independent := min(2*(band[1]-band[0])/p.Rate, 1)
		i, gain := varianceChange(power, from == 0)
		if gain *= independent; gain > bestGain {
			bestGain = gain
			if best = 0; i > 0 { // it begins between a sample and the one before
				best = int((float64(from+i)-0.5)*sound.Rate/p.Rate + 0.5)
			}
		}
	}
	return best
}

// bandPower are the squares of the samples [from, to) in a band in Hz.
func bandPower(p dsp.Pyramid, band [2]float64, from, to int) []float64 {
	warm := max(from-int(changeLimits.WarmS*p.Rate), 0)
	hp, lp := dsp.Highpass(band[0], p.Rate), dsp.Lowpass(min(band[1], 0.45*p.Rate), p.Rate)
	offset := p.Samples[warm]
	out := make([]float64, 0, to-from)
	for i := warm; i < to; i++ {
		if y := lp.Next(hp.Next(p.Samples[i] - offset)); i >= from {
			out = append(out, y*y)
		}
	}
	return out
}

// varianceChange is the place in a row of squares at which their mean rises most
// decidedly, and the gain in log likelihood over one mean for all, were they independent.
// Where the row begins with the recording, silence may have been before it: place 0.
func varianceChange(power []float64, begins bool) (place int, gain float64) {
	const edge = 8     // squares that a mean needs
	const coarse = 4   // squares from one place to the next in a first search;
	const nearly = 0.9 // where it finds that much of the best, all places are tried
	sums := make([]float64, len(power)+1)
	for i, p := range power {
		sums[i+1] = sums[i] + p
	}
	n, total := float64(len(power)), sums[len(power)]
	mean := total / n
	if begins && power[0] > 0.1*mean {
		gain = n / 2
	}
	tiny := changeLimits.Still * mean
	whole := n * math.Log(mean+tiny)
	gainAt := func(i int) float64 {
		before, after := sums[i]/float64(i)+tiny, (total-sums[i])/(n-float64(i))+tiny
		if after <= before {
			return 0
		}
		return (whole - float64(i)*math.Log(before) - (n-float64(i))*math.Log(after)) / 2
	}
	gains := make([]float64, 0, len(power)/coarse+1)
	for i := edge; i < len(power)-edge; i += coarse {
		gains = append(gains, gainAt(i))
	}
	best := 0.0
	for _, g := range gains {
		best = max(best, g)
	}
	for j, g := range gains {
		if g < nearly*best {
			continue
		}
		for i := edge + coarse*j - coarse/2; i <= edge+coarse*j+coarse/2; i++ {
			if i < edge || i >= len(power)-edge {
				continue
			}
			if g := gainAt(i); g > gain {
				place, gain = i, g
			}
		}
	}
	return place, gain
}
