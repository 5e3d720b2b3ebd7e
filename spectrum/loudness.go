package spectrum

import (
	"math"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// Loudness, as it is defined: what is heard as the strike, and what as the note. Common
// practice, no source.
const (
	loudFromHz, loudToHz = 80.0, 1000.0 // Hz
	strikeMS             = 20           // ms after the strike
	noteFromMS, noteToMS = 30, 130      // ms after the strike
	settleS              = 0.05         // s before it, in which the filter settles
	loudnessSD           = 1.4          // dB: how much it scatters from tap to tap of one blank (own simulation)
)

// loudness is the energy from 30 to 130 ms over that of the first 20 ms after the
// strike, 80-1000 Hz.
func loudness(sound capture.Take, t usedTap) estimate {
	if t.clipped {
		return estimate{why: strikeClipped}
	}
	rate := sound.Rate
	hop := max(int(0.001*rate), 1)
	from := max(t.Onset-int(settleS*rate), 0)
	to := min(t.Onset+int((noteToMS+1)*rate/1000), len(sound.Samples))
	lead := (t.Onset - from) / hop
	e := dsp.BandEnergy(sound.Samples[from:to], rate, [2]float64{loudFromHz, loudToHz}, hop)
	if len(e) < lead+noteToMS {
		return estimate{why: ringUnder130ms}
	}
	sum := func(x []float64) float64 {
		s := 0.0
		for _, v := range x {
			s += v
		}
		return s
	}
	early, late := sum(e[lead:lead+strikeMS]), sum(e[lead+noteFromMS:lead+noteToMS])
	if early <= 0 || late <= 0 {
		return estimate{why: noEnergy}
	}
	return estimate{x: 10 * math.Log10(late/early), sd: loudnessSD}
}
