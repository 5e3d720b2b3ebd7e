package spectrum

import (
	"cmp"
	"math"
	"slices"

	"ringstock/spectrum/measure"
)

// reading is what was read of one tap or of several together.
type reading struct {
	modes
	measures
	hum []float64
}

// ring puts a reading into the form that the world sees.
func (r reading) ring(each []modes) Ring {
	f := r.parts[r.fundamental]
	out := Ring{Method: Method, TapsUsed: len(f.amp), FundamentalFrom: "peak", HumHz: []float64{}, Partials: []Partial{}}
	base := f.hz
	if r.inferred != nil {
		base = r.inferred.hz
	}
	for i, p := range r.parts {
		partial := r.partial(p, base)
		if i == r.fundamental && r.inferred == nil {
			partial.Hz = atRest(partial.Hz, r.drift, r.rest)
			out.Fundamental = partial
		}
		if p.own || !p.echo && p.q() > slowQ { // the rest is thud and room
			out.Partials = append(out.Partials, partial)
		}
	}
	slices.SortFunc(out.Partials, func(a, b Partial) int { return cmp.Compare(a.Hz.X, b.Hz.X) })
	if r.inferred != nil {
		out.FundamentalFrom = "series"
		out.Fundamental = r.unheard()
		out.Partials = slices.Insert(out.Partials, 0, out.Fundamental)
	}
	out.PurityPct, out.FundamentalPct, out.Stray = r.purity(each, r.roomExcess)
	if p, ok := r.pair(); ok && r.inferred == nil {
		ratio := ampRatio(p, f)
		ratio = min(ratio, 1/ratio)
		out.Beat = &Beat{Hz: math.Abs(p.hz - f.hz), DepthDB: min(20*math.Log10((1+ratio)/(1-min(ratio, 0.98))), 40)}
	}
	out.Room = Room{T60S: r.room.t60(), Limits: limitedByRoom(out.Fundamental.Q)}
	out.UnevennessPct = r.unevenness.value()
	out.DriftCents = r.drift.value()
	out.LoudnessDB = r.loudness.value()
	if r.inferred != nil {
		out.SNRDB = tooWeak.Value()
	} else {
		power := median(f.amp)
		out.SNRDB = measure.Of(10*math.Log10(power*power/2/max(r.noise, 1e-30)), 0)
	}
	for _, h := range r.hum {
		out.HumHz = append(out.HumHz, math.Round(h*100)/100)
	}
	return out
}

func ampRatio(p, ref part) float64 {
	var v []float64
	for i, a := range p.amp {
		if ref.amp[i] > 0 {
			v = append(v, a/ref.amp[i])
		}
	}
	return median(v)
}

// uncertain gives the value its uncertainty and what it is made of.
func uncertain(x, noise, sd, room float64) measure.Value {
	spread := math.Sqrt(max(sd*sd-noise*noise, 0))
	v := measure.Of(x, math.Hypot(sd, room))
	for _, p := range []measure.Part{{Name: ByNoise, U: noise}, {Name: ByTaps, U: spread}, {Name: ByRoom, U: room}} {
		if p.U > 0 && v.Known() {
			v.Budget = append(v.Budget, p)
		}
	}
	slices.SortStableFunc(v.Budget, func(a, b measure.Part) int { return cmp.Compare(b.U, a.U) })
	return v
}

// roomLimits is the relative uncertainty of a Q from which on one asks for a better
// place.
const roomLimits = 0.04

// limitedByRoom tells whether a Q is known badly, and that because of the room.
func limitedByRoom(q measure.Value) bool {
	room := roomPart(q)
	return q.Known() && room > roomLimits*q.X && sqr(room) > sqr(q.U)/2
}

// roomPart is what the room contributes to a value's uncertainty.
func roomPart(v measure.Value) float64 {
	for _, p := range v.Budget {
		if p.Name == ByRoom {
			return p.U
		}
	}
	return 0
}

// partial puts a part into the form that the world sees.
func (r reading) partial(p part, base float64) Partial {
	f := r.parts[r.fundamental]
	room := p.roomShare()
	out := Partial{Hz: uncertain(p.hz, p.noiseHz, p.sdHz, p.roomShift()), Ratio: p.hz / base, Family: p.family, Order: p.order, Plane: p.plane}
	for _, a := range p.amp {
		if a > 0 {
			out.Taps++
		}
	}
	q := p.q()
	if v := uncertain(q, q*p.noiseAlpha/p.alpha, q*p.sdAlpha/p.alpha, q*room); v.Known() && v.U < 0.5*q {
		out.setDecay(v)
	} else if room > roomDrowns {
		out.setDecay(lostInEcho.Value())
	} else {
		out.setDecay(LostInNoise.Value())
	}
	if ratio := ampRatio(p, f); ratio > 0 && r.inferred == nil {
		var db []float64
		for i, a := range p.amp {
			if a > 0 && f.amp[i] > 0 {
				db = append(db, 20*math.Log10(a/f.amp[i]))
			}
		}
		noise := 8.69 * math.Hypot(p.sdAlpha/p.alpha, f.sdAlpha/f.alpha)
		if p.hz == f.hz {
			noise = 0
		}
		out.LevelDB = measure.Of(20*math.Log10(ratio), max(scatter(db, median(db))/math.Sqrt(float64(max(len(db), 1))), noise))
	} else {
		out.LevelDB = notComparable.Value()
	}
	return out
}

// unheard is a fundamental known from its series only.
func (r reading) unheard() Partial {
	why := inferredOnly.Value()
	p := Partial{Hz: measure.Of(r.inferred.hz, r.inferred.sd), LevelDB: why, Ratio: 1, Family: Bending, Order: 1, Plane: 1}
	p.setDecay(why)
	return p
}
