package spectrum

import (
	"math"
	"slices"

	"ringstock/spectrum/measure"
)

// Combine joins the rings of several recordings of one blank into one. Frequencies and
// decays are weighted means, weight 1/u^2; where the recordings differ by more than
// they claim (another support, another hold), the uncertainty grows by Birge's ratio.
// What belongs to one recording only (beat, strays, hum) is taken from the one
// with the most taps.
func Combine(rings []Ring) Ring {
	if len(rings) == 1 {
		return rings[0]
	}
	best := 0
	taps := 0
	for i, r := range rings {
		taps += r.TapsUsed
		better := r.TapsUsed > rings[best].TapsUsed
		if r.FundamentalFrom == "peak" && rings[best].FundamentalFrom != "peak" {
			better = true
		}
		if better {
			best = i
		}
	}
	out := rings[best]
	out.TapsUsed = taps
	collect := func(get func(Ring) measure.Value) measure.Value {
		var vs []measure.Value
		for _, r := range rings {
			vs = append(vs, get(r))
		}
		return weighted(vs)
	}
	out.PurityPct = collect(func(r Ring) measure.Value { return r.PurityPct })
	out.FundamentalPct = collect(func(r Ring) measure.Value { return r.FundamentalPct })
	out.UnevennessPct = collect(func(r Ring) measure.Value { return r.UnevennessPct })
	out.DriftCents = collect(func(r Ring) measure.Value { return r.DriftCents })
	out.LoudnessDB = collect(func(r Ring) measure.Value { return r.LoudnessDB })
	out.SNRDB = collect(func(r Ring) measure.Value { return r.SNRDB })
	out.Partials = slices.Clone(out.Partials)
	for i, p := range out.Partials {
		same := []Partial{}
		for _, r := range rings {
			for _, o := range r.Partials {
				if o.Family == p.Family && o.Order == p.Order && o.Plane == p.Plane && math.Abs(o.Hz.X/p.Hz.X-1) < 0.01 {
					same = append(same, o)
					break
				}
			}
		}
		out.Partials[i] = mergePartials(p, same)
	}
	var fundamentals []Partial
	for _, r := range rings {
		if r.FundamentalFrom == out.FundamentalFrom {
			fundamentals = append(fundamentals, r.Fundamental)
		}
	}
	out.Fundamental = mergePartials(out.Fundamental, fundamentals)
	out.Room.Limits = limitedByRoom(out.Fundamental.Q)
	return out
}

func mergePartials(p Partial, same []Partial) Partial {
	collect := func(get func(Partial) measure.Value) measure.Value {
		var vs []measure.Value
		for _, o := range same {
			vs = append(vs, get(o))
		}
		return weighted(vs)
	}
	p.Hz = collect(func(p Partial) measure.Value { return p.Hz })
	p.LevelDB = collect(func(p Partial) measure.Value { return p.LevelDB })
	p.setDecay(collect(func(p Partial) measure.Value { return p.Q }))
	p.Taps = 0
	for _, o := range same {
		p.Taps += o.Taps
	}
	return p
}

// weighted is the mean of the known values with weights 1/u^2. The room's part of their
// uncertainties is common to them: more recordings in one room do not make it less.
func weighted(vs []measure.Value) measure.Value {
	known := slices.DeleteFunc(slices.Clone(vs), func(v measure.Value) bool { return !v.Known() })
	switch {
	case len(known) == 0 && len(vs) > 0:
		return vs[0]
	case len(known) == 0:
		return noRecordingGaveIt.Value()
	case len(known) == 1:
		return known[0]
	}
	const least = 1e-18
	var w, sum, room, own float64
	for _, v := range known {
		k := 1 / max(v.U*v.U, least)
		w += k
		sum += k * v.X
		room += k * roomPart(v)
		own += k * k * max(v.U*v.U-sqr(roomPart(v)), 0)
	}
	mean := sum / w
	chi := 0.0
	for _, v := range known {
		chi += sqr(v.X-mean) / max(v.U*v.U-sqr(roomPart(v)), least)
	}
	noise := math.Sqrt(own) / w
	return uncertain(mean, noise, noise*math.Sqrt(max(1, chi/float64(len(known)-1))), room/w)
}
