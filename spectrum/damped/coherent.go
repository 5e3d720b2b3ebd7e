package damped

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// turnsApart is by how much the logarithm of the likelihood must prefer one number of
	// turns to any other: much, since it is taken from the amplitudes alone, as if the
	// damped lines were known.
	turnsApart = 12
	manyTurns  = 40    // sd of the turns from the first record to the last: with more none stands out
	byChance   = 0.998 // once in 500 times chance alone looks like a contradiction
)

// Coherent fits the lines of f anew with each undamped line as one wave that goes on
// through all records. It is nil if the records contradict that, or if the turns between
// them can't be counted.
func (s *Fitter) Coherent(f *Fit) *Fit {
	undamped, amp, ok := s.waves(f)
	if !ok {
		return nil
	}
	g, err := s.Solve(f.Lines, undamped, amp)
	if err != nil || !g.Converged {
		return nil
	}
	// The ratio of the likelihoods.
	data := 0
	for _, r := range s.recs {
		data += 2 * len(r.Bins)
	}
	k, free := float64(f.unknown-g.unknown), float64(data-f.unknown)
	if most := float64(data) * math.Log1p(k/free*distuv.F{D1: k, D2: free}.Quantile(byChance)); !(g.deviance-f.deviance < most) {
		return nil
	}
	return g
}

// waves estimates the frequencies and amplitudes of coherent waves from a fit whose
// records have amplitudes of their own.
func (s *Fitter) waves(f *Fit) (undamped []float64, coherent []complex128, ok bool) {
	s.prepare(f.Lines, f.Undamped, nil)
	s.evaluate(s.start, false)
	for j := range f.Undamped {
		off, amp, ok := s.sightings(f, j).wave()
		if !ok {
			return nil, nil, false
		}
		undamped, coherent = append(undamped, f.Undamped[j]+off), append(coherent, amp)
	}
	return undamped, coherent, len(undamped) > 0
}

// sightings are what the records say of one undamped line: an amplitude each, and one
// over its variance. The phase in a record's middle stays if the frequency is moved.
type sightings struct {
	hz, sd          float64
	amp             []complex128
	weight          []float64
	startS, middleS []float64
	total           float64 // of all weights
}

// sightings of line j of a fit, at which the model was evaluated.
func (s *Fitter) sightings(f *Fit, j int) sightings {
	p := 2*s.nLines + j
	out := sightings{hz: f.Undamped[j], sd: math.Sqrt(f.Cov.At(p, p))}
	for i, r := range s.recs {
		c := s.columns(r) - s.nWaves + j
		w := sq(s.at[i].tri[c][c]) / f.NoisePow[i]
		out.amp, out.weight = append(out.amp, s.at[i].amp[c]), append(out.weight, w)
		out.startS, out.middleS = append(out.startS, r.At), append(out.middleS, r.At+float64(r.N)/(2*s.rate))
		out.total += w
	}
	return out
}

// mean is the amplitude at time 0 of a wave that is so many hertz off.
func (v sightings) mean(off float64) complex128 {
	var sum complex128
	for i, a := range v.amp {
		sum += complex(v.weight[i], 0) * a * cmplx.Rect(1, -2*math.Pi*(v.hz*v.startS[i]+off*v.middleS[i]))
	}
	return sum / complex(v.total, 0)
}

// likelihood is its logarithm, but for a constant.
func (v sightings) likelihood(off float64) float64 {
	return v.total*sq(v.mean(off)) - off*off/(2*v.sd*v.sd)
}

// wave is by how much the best wave is off, and its amplitude at time 0; ok is false if
// the turns between the records can't be counted.
func (v sightings) wave() (off float64, amp complex128, ok bool) {
	span := slices.Max(v.startS) - slices.Min(v.startS)
	if len(v.startS) < 2 || span == 0 || !(v.sd*span < manyTurns) {
		return 0, 0, false
	}
	step := 1 / (16 * span)
	steps := int(math.Ceil(4*v.sd/step)) + 8
	score := make([]float64, 2*steps+1)
	for k := range score {
		score[k] = v.likelihood(float64(k-steps) * step)
	}
	best := slices.Index(score, slices.Max(score))
	if best < 0 { // not numbers: a record without weight
		return 0, 0, false
	}
	for k := 1; k+1 < len(score); k++ {
		if k != best && score[k] >= score[k-1] && score[k] > score[k+1] && score[k] > score[best]-turnsApart {
			return 0, 0, false
		}
	}
	low, high := float64(best-steps-1)*step, float64(best-steps+1)*step
	for range 40 { // the crest between, by thirds
		if third := (high - low) / 3; v.likelihood(low+third) < v.likelihood(high-third) {
			low += third
		} else {
			high -= third
		}
	}
	return low, v.mean(low), true
}
