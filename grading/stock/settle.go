package stock

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"ringstock/spectrum/measure"
)

// Settling says whether a stick has come to rest with the air about it.
type Settling struct {
	Verdict   Rest          `json:"verdict"`
	Remaining measure.Value `json:"remaining_pct" u:"remaining_u_pct"` // still to be lost (+) or taken up (-) after the last weighing, % of the mass
	Weighings int           `json:"weighings"`
	Reasons   []string      `json:"reasons"`
}

func (s Settling) MarshalJSON() ([]byte, error)  { return measure.Marshal(s) }
func (s *Settling) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, s) }

// Rest is the answer to "has it settled?".
type Rest string

// The answers.
const (
	Settled    Rest = "settled"
	NotSettled Rest = "not settled"
	Undecided  Rest = "undecided"
)

// What Settling takes for granted. None has a published source for sticks; they are
// chosen so that a doubtful stick comes out as undecided.
const (
	restLimit     = 0.01  // settled: less than 1 % of the mass is still to come or go ...
	restLevel     = 0.95  // ... with this probability
	airKnown      = 0.004 // scatter of a mass corrected by the air it was weighed in, relative
	airUnknown    = 0.010 // the same of a mass as weighed: the seasons move it by about 1 %
	priorSwing    = 0.30  // standard deviation of what may have been to come at the first weighing, relative
	shortestTau   = 20.0  // days
	longestTau    = 2000.0
	tauSteps      = 40
	holdingQ      = 0.03 // scatter of Q from holding and striking anew, relative
	fewestBetween = 14.0 // days between two tests that tell of a trend
)

// Settling judges the whole history. The mass m(t) is taken to go to rest at a rate in
// proportion to how far it still has to go,
//
//	m(t) = m_rest + c exp(-(t - t1)/tau),
//
// the first-order law of drying (W. K. Lewis, The rate of drying of solid materials,
// J. Ind. Eng. Chem. 13 (1921) 427; from memory). m_rest and c are found for
// every tau from weeks to years at once and weighed by how well they explain the
// weighings, so that few or short observations give a wide answer, never a wrong one.
// A mass weighed in air of known temperature and humidity is first reduced by the
// equilibrium moisture of that air, which takes out the seasons.
func (h History) Settling() Settling {
	void := h.Void()
	var masses []Reading
	for _, r := range h.Readings {
		if r.Quantity == massQuantity && !void[r.ID] && r.Value > 0 {
			masses = append(masses, r)
		}
	}
	s := Settling{Verdict: Undecided, Weighings: len(masses)}
	if len(masses) < 2 {
		s.Remaining = measure.Unknown("needs two weighings at least")
		s.Reasons = []string{fmt.Sprintf("weighed %s: weigh it again in a month, with the temperature and humidity of the air", times(len(masses)))}
		return s
	}
	air := !slices.ContainsFunc(masses, func(r Reading) bool { return r.TemperatureC == nil || r.HumidityPct == nil })
	remaining, within := drying(masses, air)
	s.Remaining = remaining.Scale(100)
	switch {
	case within >= restLevel:
		s.Verdict = Settled
	case within <= 1-restLevel:
		s.Verdict = NotSettled
	}
	s.Reasons = append(s.Reasons, fmt.Sprintf("%s of the mass %s %% still to go after the last of %d weighings over %.0f days (settled below %g %%, %.0f %% sure)",
		map[Rest]string{Settled: "hardly any", NotSettled: "too much", Undecided: "unclear how much"}[s.Verdict], plusMinus(s.Remaining), len(masses),
		masses[len(masses)-1].Date.Days(masses[0].Date), 100*restLimit, 100*restLevel))
	if !air {
		s.Reasons = append(s.Reasons, "the air was not noted at every weighing, so 1 % is allowed for the seasons: note temperature and humidity")
	}
	if from, to, changed := h.lastQ(void); changed {
		s.Reasons = append(s.Reasons, fmt.Sprintf("Q still moves: %s, then %s", plusMinus(from), plusMinus(to)))
		if s.Verdict == Settled {
			s.Verdict = Undecided
			s.Reasons = append(s.Reasons, "damping moves for days after every change of the air: tap it again in two to four weeks")
		}
	}
	return s
}

func times(n int) string {
	return map[bool]string{true: "never", false: "once"}[n == 0]
}

func plusMinus(v measure.Value) string {
	return fmt.Sprintf("%.3g ± %.2g", v.X, v.U)
}

// drying gives the relative mass that is still to be lost after the last weighing, and
// the probability that it is within the limit of rest.
func drying(masses []Reading, air bool) (remaining measure.Value, within float64) {
	scatter := airUnknown
	if air {
		scatter = airKnown
	}
	at := func(r Reading) float64 {
		if !air {
			return r.Value
		}
		return r.Value / (1 + equilibriumMoisture(*r.TemperatureC, *r.HumidityPct)/100)
	}
	first, last := masses[0], masses[len(masses)-1]
	unit := at(last)
	type answer struct{ logWeight, mean, sd float64 }
	var answers []answer
	for i := range tauSteps {
		tau := shortestTau * math.Pow(longestTau/shortestTau, float64(i)/(tauSteps-1))
		// Unknowns (m_rest/unit - 1, c/unit), both with the prior N(0, priorSwing).
		p := mat.NewSymDense(2, []float64{1 / (priorSwing * priorSwing), 0, 0, 1 / (priorSwing * priorSwing)})
		var b [2]float64
		for _, r := range masses {
			w := 1 / (math.Pow(r.U/r.Value, 2) + scatter*scatter)
			x := math.Exp(-r.Date.Days(first.Date) / tau)
			y := at(r)/unit - 1
			p.SetSym(0, 0, p.At(0, 0)+w)
			p.SetSym(0, 1, p.At(0, 1)+w*x)
			p.SetSym(1, 1, p.At(1, 1)+w*x*x)
			b[0] += w * y
			b[1] += w * x * y
		}
		var ch mat.Cholesky
		if !ch.Factorize(p) {
			continue
		}
		var m mat.VecDense
		var cov mat.SymDense
		rhs := mat.NewVecDense(2, b[:])
		if ch.SolveVecTo(&m, rhs) != nil || ch.InverseTo(&cov) != nil {
			continue
		}
		left := math.Exp(-last.Date.Days(first.Date) / tau)
		answers = append(answers, answer{
			logWeight: 0.5*mat.Dot(rhs, &m) - 0.5*ch.LogDet(),
			mean:      m.AtVec(1) * left,
			sd:        math.Sqrt(cov.At(1, 1)) * left,
		})
	}
	best := math.Inf(-1)
	for _, a := range answers {
		best = math.Max(best, a.logWeight)
	}
	var sum, mean, square float64
	for _, a := range answers {
		w := math.Exp(a.logWeight - best)
		sum += w
		mean += w * a.mean
		square += w * (a.mean*a.mean + a.sd*a.sd)
		within += w * (normal((restLimit-a.mean)/a.sd) - normal((-restLimit-a.mean)/a.sd))
	}
	mean /= sum
	return measure.Of(mean, math.Sqrt(math.Max(0, square/sum-mean*mean))), within / sum
}

func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// lastQ compares the last two tests of one method that lie apart, and tells whether Q
// changed by more than twice their joint uncertainty.
func (h History) lastQ(void map[string]bool) (from, to measure.Value, changed bool) {
	var last *Test
	for i := len(h.Tests) - 1; i >= 0; i-- {
		t := h.Tests[i]
		if void[t.ID] || !t.Q.Known() || t.Q.X <= 0 {
			continue
		}
		if last == nil {
			last = &t
			continue
		}
		if t.Method != last.Method || last.Date.Days(t.Date) < fewestBetween {
			continue
		}
		u := math.Sqrt(t.Q.Rel()*t.Q.Rel() + last.Q.Rel()*last.Q.Rel() + 2*holdingQ*holdingQ)
		return t.Q, last.Q, math.Abs(math.Log(last.Q.X/t.Q.X)) > 2*u
	}
	return from, to, false
}

// equilibriumMoisture is the moisture in % that wood takes on in air of t deg C and rh %
// relative humidity: Wood Handbook, FPL-GTR-190 (2010), eq. 4-5.
func equilibriumMoisture(t, rh float64) float64 {
	h := min(max(rh, 0), 100) / 100
	w := 349 + 1.29*t + 0.0135*t*t
	k := 0.805 + 0.000736*t - 0.00000273*t*t
	k1 := 6.27 - 0.00938*t - 0.000303*t*t
	k2 := 1.91 + 0.0407*t - 0.000293*t*t
	return 1800 / w * (k*h/(1-k*h) + (k1*k*h+2*k1*k2*k*k*h*h)/(1+k1*k*h+k1*k2*k*k*h*h))
}
