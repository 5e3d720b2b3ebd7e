package spectrum

import (
	"math"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// loudness is the energy from 30 to 130 ms over that of the first 20 ms after the strike, 80-1000 Hz.
func loudness(sound capture.Take, t usedTap) estimate {
	if t.clipped {
		return estimate{why: strikeClipped}
	}
	rate := sound.Rate
	hop := max(int(0.001*rate), 1)
	from := max(t.Onset-int(0.05*rate), 0)
	to := min(t.Onset+int(0.131*rate), len(sound.Samples))
	lead := (t.Onset - from) / hop
	e := dsp.BandEnergy(sound.Samples[from:to], rate, [2]float64{80, 1000}, hop)
	if len(e) < lead+130 {
		return estimate{why: ringUnder130ms}
	}
	sum := func(x []float64) float64 {
		s := 0.0
		for _, v := range x {
			s += v
		}
		return s
	}
	early, late := sum(e[lead:lead+20]), sum(e[lead+30:lead+130])
	if early <= 0 || late <= 0 {
		return estimate{why: noEnergy}
	}
	// 1.4 dB: how much it scatters from tap to tap of one blank (own simulation).
	return estimate{x: 10 * math.Log10(late/early), sd: 1.4}
}
