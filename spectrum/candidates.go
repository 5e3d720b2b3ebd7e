package spectrum

import (
	"cmp"
	"math"
	"slices"
)

// What counts as a peak. Set on synthetic bars in noise and rooms.
const (
	overNear  = 6.0  // a peak counts from 8 dB over the hollows beside it
	maxPeaks  = 24   // strongest ones kept
	overHum   = 4.0  // times the quiet's density there, where hum is: less is hum that wanders
	hollowHz  = 25.0 // Hz to either side within which a hollow must lie: the look window's main lobe is 7 Hz wide
	clusterHz = 16.0 // Hz; nearer peaks are fitted together, since their bins overlap,
	clustered = 4    // but no more than so many
)

// candidates lists the frequencies at which the ring stands out of the noise,
// hum lines excepted.
func (v spectra) candidates() []float64 {
	type peak struct{ hz, power float64 }
	var found []peak
	s, per := v.ring.p, v.ring.perBin
	near := v.ring.background(ringHz, 1)
	for k := max(int(lowestHz/per), 2); k < min(len(s)-2, int(v.top/per)); k++ {
		if s[k] < s[k-1] || s[k] <= s[k+1] || s[k] < overNoise*v.noise.p[k] || s[k] < overNear*near.p[k] {
			continue
		}
		hz := (float64(k) + peakShift(s[k-1], s[k], s[k+1])) * per
		if v.isHum(hz) && s[k] < overHum*v.quiet.at(hz) {
			continue
		}
		// A side lobe or a ripple on the skirt of a stronger line is no peak: there
		// must be a hollow on both sides before anything stronger.
		hollow := func(step int) bool {
			for j, lowest := k, s[k]; j > 0 && j < len(s) && math.Abs(float64(j-k))*per < hollowHz; j += step {
				lowest = min(lowest, s[j])
				if s[j] > s[k] {
					return s[k] > overNear*lowest
				}
			}
			return true
		}
		if hollow(1) && hollow(-1) {
			found = append(found, peak{hz, s[k]})
		}
	}
	slices.SortFunc(found, func(a, b peak) int { return cmp.Compare(b.power, a.power) })
	var out []float64
	for _, f := range found[:min(len(found), maxPeaks)] {
		out = append(out, f.hz)
	}
	slices.Sort(out)
	return out
}

const (
	lowestEndHz   = 1500.0 // below the lengthwise note of any blank: sound at 3000 m/s on 1 m
	earlyPeaks    = 8      // strongest ones kept
	earlyApartHz  = 60.0   // peaks of so short a stretch are no nearer to each other
	earlyOver     = 4.0    // a peak counts from 6 dB over the median beside it
	earlyBesideHz = 700.0  // within so much of it
)

// earlyCandidates lists where the first part of end taps' rings stands out, but for what
// is known: their note has died when the spectra of the whole ring are looked at.
func (v spectra) earlyCandidates(known []float64) (out []float64) {
	s, per := v.early.p, v.early.perBin
	if len(s) == 0 {
		return nil
	}
	under := v.early.background(earlyBesideHz, 1)
	type peak struct{ hz, power float64 }
	var found []peak
	near := max(int(earlyApartHz/per), 1)
	for k := int(lowestEndHz / per); k < min(len(s)-near, int(v.top/per)); k++ {
		if s[k] == slices.Max(s[k-near:k+near+1]) && s[k] > earlyOver*under.p[k] {
			found = append(found, peak{(float64(k) + peakShift(s[k-1], s[k], s[k+1])) * per, s[k]})
		}
	}
	slices.SortFunc(found, func(a, b peak) int { return cmp.Compare(b.power, a.power) })
	for _, f := range found[:min(len(found), earlyPeaks)] {
		if !slices.ContainsFunc(known, func(hz float64) bool { return math.Abs(hz-f.hz) < earlyApartHz/2 }) {
			out = append(out, f.hz)
		}
	}
	return out
}

// clusters groups frequencies that must be fitted together.
func clusters(hz []float64) [][]float64 {
	var out [][]float64
	for i, f := range hz {
		if i > 0 && f-hz[i-1] < clusterHz && len(out[len(out)-1]) < clustered {
			out[len(out)-1] = append(out[len(out)-1], f)
		} else {
			out = append(out, []float64{f})
		}
	}
	return out
}
