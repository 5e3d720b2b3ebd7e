package stock

import (
	"fmt"
	"math"
	"slices"

	"ringstock/grading/wood"
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
	airKnown      = 0.004 // scatter of a mass about the law, relative
	airUnknown    = 0.010 // the same where the air was not noted: the seasons move it by about 1 %
	partYear      = 0.010 // how far the mean of less than a year's air is from that of a year
	priorSwing    = 0.30  // standard deviation of what may have been to come at the first weighing, relative
	shortestTau   = 10.0  // days: sticks take weeks to months, planks a year or more
	longestTau    = 1000.0
	tauSteps      = 40
	holdingQ      = 0.03 // scatter of Q from holding and striking anew, relative
	fewestBetween = 14.0 // days between two tests that tell of a trend
)

// Settling judges the whole history. The moisture M(t) of a stick is taken to follow the
// equilibrium moisture E(t) of the air about it at a rate in proportion to how far it
// is from it,
//
//	dM/dt = (E(t) - M)/tau,
//
// the first-order law of drying (W. K. Lewis, The rate of drying of solid materials,
// J. Ind. Eng. Chem. 13 (1921) 427; from memory). With E(t) from the temperature and
// humidity noted at the weighings, drawn straight between them, the law splits M(t) in
// what the seasons do to any stick and what is left of the moisture that came with it,
// c exp(-(t - t1)/tau); the latter is what is still to go. Dry mass and c are found for
// every tau from weeks to years at once and weighed by how well they explain the
// weighings, so that few or short observations give a wide answer, never a wrong one.
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
	air := !slices.ContainsFunc(masses, func(r Reading) bool { return !r.airUsable() })
	remaining, within := drying(masses, air)
	s.Remaining = remaining.Scale(100)
	switch {
	case within >= restLevel:
		s.Verdict = Settled
	case within <= 1-restLevel:
		s.Verdict = NotSettled
	}
	s.Reasons = append(s.Reasons, fmt.Sprintf("after the last of %d weighings over %.0f days %s of the mass is still to go; settled means less than %g %%, %.0f %% sure",
		len(masses), masses[len(masses)-1].Date.Days(masses[0].Date), s.Remaining.Text("%"), 100*restLimit, 100*restLevel))
	if !air {
		s.Reasons = append(s.Reasons, "the air was not noted at every weighing, so 1 % is allowed for the seasons: note temperature and humidity")
	}
	if from, to, changed := h.lastQ(void); changed {
		s.Reasons = append(s.Reasons, fmt.Sprintf("Q still moves: %s, then %s", from.Text(""), to.Text("")))
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

// airUsable tells whether the air was noted, in the range where its moisture is known.
func (r Reading) airUsable() bool {
	return r.TemperatureC != nil && r.HumidityPct != nil && *r.TemperatureC >= -10 && *r.TemperatureC <= 60 && *r.HumidityPct <= 98
}

// drying gives the relative mass that is still to be lost after the last weighing, and
// the probability that it is within the limit of rest. Without air the seasons count as
// scatter.
func drying(masses []Reading, air bool) (remaining measure.Value, within float64) {
	first, last := masses[0], masses[len(masses)-1]
	span := last.Date.Days(first.Date)
	scatter, rest, restU := airUnknown, 0.0, 0.0
	outside := make([]float64, len(masses)) // E at the weighings, %
	if air {
		scatter = airKnown
		for i, r := range masses {
			outside[i] = wood.EquilibriumMoisture(*r.TemperatureC, *r.HumidityPct)
		}
		rest = mean(masses, outside)
		if span < 365 {
			restU = partYear // no whole year of air was seen
		}
	}
	unit := last.Value
	days, weight := make([]float64, len(masses)), make([]float64, len(masses))
	for i, r := range masses {
		days[i] = r.Date.Days(first.Date)
		weight[i] = 1 / (math.Pow(r.U/r.Value, 2) + scatter*scatter)
	}
	type answer struct{ logWeight, mean, sd float64 }
	answers := make([]answer, 0, tauSteps)
	for i := range tauSteps {
		tau := shortestTau * math.Pow(longestTau/shortestTau, float64(i)/(tauSteps-1))
		// m/unit = d (1 + F/100) + c e, where F is the moisture of a stick that was at rest
		// at the first weighing. Both d, about its guess, and c have the prior
		// N(0, priorSwing).
		guess := 1 / (1 + rest/100)
		p00, p01, p11 := 1/(priorSwing*priorSwing), 0.0, 1/(priorSwing*priorSwing)
		var b0, b1, misfit float64
		f := rest
		for i, r := range masses {
			if i > 0 {
				f = follow(f, outside[i-1], outside[i], days[i]-days[i-1], tau)
			}
			w := weight[i]
			x0, x1 := 1+f/100, math.Exp(-days[i]/tau)
			y := r.Value/unit - guess*x0
			p00 += w * x0 * x0
			p01 += w * x0 * x1
			p11 += w * x1 * x1
			b0 += w * x0 * y
			b1 += w * x1 * y
			misfit += w * y * y
		}
		det := p00*p11 - p01*p01
		if !(det > 0) {
			continue
		}
		m0, m1 := (p11*b0-p01*b1)/det, (p00*b1-p01*b0)/det
		left := math.Exp(-span / tau)
		answers = append(answers, answer{
			logWeight: 0.5*(b0*m0+b1*m1-misfit) - 0.5*math.Log(det),
			mean:      m1 * left,
			sd:        left * math.Hypot(math.Sqrt(p00/det), restU),
		})
	}
	best := math.Inf(-1)
	for _, a := range answers {
		best = math.Max(best, a.logWeight)
	}
	var sum, average, square float64
	for _, a := range answers {
		w := math.Exp(a.logWeight - best)
		sum += w
		average += w * a.mean
		square += w * (a.mean*a.mean + a.sd*a.sd)
		within += w * (normal((restLimit-a.mean)/a.sd) - normal((-restLimit-a.mean)/a.sd))
	}
	average /= sum
	return measure.Of(average, math.Sqrt(math.Max(0, square/sum-average*average))), within / sum
}

// follow is the moisture after h days of a stick that begins with f, while that of the
// air goes straight from a to b: the exact solution of the law.
func follow(f, a, b, h, tau float64) float64 {
	if h <= 0 {
		return f
	}
	k := (b - a) / h
	return a + k*(h-tau) + (f-a+k*tau)*math.Exp(-h/tau)
}

// mean is the average over time of values at the weighings, drawn straight between them.
func mean(masses []Reading, v []float64) float64 {
	area, span := 0.0, masses[len(masses)-1].Date.Days(masses[0].Date)
	if span <= 0 {
		return v[len(v)-1]
	}
	for i := 1; i < len(v); i++ {
		area += (v[i] + v[i-1]) / 2 * masses[i].Date.Days(masses[i-1].Date)
	}
	return area / span
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
