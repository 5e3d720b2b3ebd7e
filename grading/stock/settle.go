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
// chosen so that a doubtful stick comes out as undecided: by sticks that dry by
// diffusion, with and without a slow core, two in a hundred at most are called settled
// too early, three where there is a core and the air was not noted.
const (
	restLimit     = 0.01   // settled: less than 1 % of the mass is still to come or go ...
	restLevel     = 0.98   // ... with this probability: each new weighing asks anew
	unrestLevel   = 0.05   // not settled: rest has no more than this probability
	airScatter    = 0.0015 // scatter of a mass about the law, relative
	weather       = 0.008  // what the weather does to a stick that follows it at once, relative
	weatherDays   = 5.0    // how long a spell of it lasts: slow sticks do not follow
	airUnknown    = 0.010  // the seasons' part where the air was not noted
	partYear      = 0.010  // how far the mean of less than a year's air is from that of a year
	lawHolds      = 0.05   // how far two rates may be from the true way there, as a share of the way
	priorSwing    = 0.30   // standard deviation of what may have been to come at the first weighing, relative
	priorShell    = 0.04   // the same of the shell's part beyond that of the core
	firstMode     = 0.7    // share of the slowest mode in the mass of a round bar: 4/2.405^2 (Crank, ch. 5)
	shellRate     = 5.0    // rate of the next mode over it: (5.520/2.405)^2 = 5.3 (Crank, ch. 5)
	shortestTau   = 10.0   // days: sticks take weeks to months, planks a year or more
	longestTau    = 1000.0
	tauSteps      = 40
	holdingQ      = 0.03 // scatter of Q from holding and striking anew, relative
	fewestBetween = 14.0 // days between two tests that tell of a trend
)

// Settling judges the whole history. The moisture M(t) of a stick is taken to follow the
// equilibrium moisture E(t) of the air about it at two rates, that of its core and, five
// times as fast, that of its shell: the first two terms of the diffusion law in a round
// bar (J. Crank, The Mathematics of Diffusion, ch. 5; from memory). With one rate
// alone, what the shell loses soon passes for the whole, and a wet core is not seen.
// E(t) is a level and a yearly swing, fitted to the temperatures and humidities noted
// at the weighings. This splits M(t) in what the seasons do to any stick and what is
// left of the moisture that came with it; the latter is what is still to go. Dry mass
// and both parts are found for every time constant from weeks to years at once and
// weighed by how well they explain the weighings, so that few or short observations
// give a wide answer, never a wrong one.
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
	case within <= unrestLevel:
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
	var season seasons
	meanU := 0.0
	if air {
		season = seasonsOf(masses)
		if span < 0.75*daysPerYear {
			meanU = partYear // not every season was seen
		}
	}
	weighings := make([]weighing, len(masses))
	for i, r := range masses {
		day, mass := r.Date.Days(first.Date), r.Value/last.Value
		u, moved := r.U/r.Value, lawHolds*(mass-1)
		sin, cos := math.Sincos(2 * math.Pi * day / daysPerYear)
		weighings[i] = weighing{day, mass, u*u + moved*moved, sin, cos}
	}
	type answer struct{ logWeight, mean, sd float64 }
	answers := make([]answer, 0, tauSteps)
	for i := range tauSteps {
		tau := shortestTau * math.Pow(longestTau/shortestTau, float64(i)/(tauSteps-1))
		// m/last = d (1 + F/100) + c e + s e', where F is the moisture of a stick
		// that is at rest. d, about its guess, c and s have the priors N(0,
		// priorSwing or priorShell).
		guess := 1 / (1 + season.level/100)
		var fit threeFit
		fit.prior(priorSwing, priorSwing, priorShell)
		lag := 2 * math.Pi / daysPerYear * tau
		scatter := airScatter*airScatter + weather*weather*weatherDays/(tau+weatherDays)
		if !air {
			scatter = airScatter*airScatter + airUnknown*airUnknown/(1+lag*lag)
		}
		for _, w := range weighings {
			f := firstMode*season.followed(w, lag) + (1-firstMode)*season.followed(w, lag/shellRate)
			wet := 1 + f/100
			fit.add([3]float64{wet, math.Exp(-w.day / tau), math.Exp(-shellRate * w.day / tau)},
				w.mass-guess*wet, 1/(w.variance+scatter))
		}
		left, u, logWeight, ok := fit.along([3]float64{0, math.Exp(-span / tau), math.Exp(-shellRate * span / tau)})
		if ok {
			answers = append(answers, answer{logWeight, left, math.Hypot(u, meanU*math.Exp(-span/tau))})
		}
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

const daysPerYear = 365.25

// weighing is a mass, over the last one, some days after the first; sin and cos tell the
// time of year.
type weighing struct{ day, mass, variance, sin, cos float64 }

// seasons is the equilibrium moisture of the air, %: level + sin sin(wt) + cos cos(wt).
type seasons struct{ level, sin, cos float64 }

// seasonsOf fits the seasons to the air at the weighings. One look at the weather is off
// by about 1 %; the swing is 1.5 % or so where too few looks tell it.
func seasonsOf(masses []Reading) seasons {
	const swing, look = 1.5, 1.0
	const guess, free = 10.0, 100.0
	var fit threeFit
	fit.prior(free, swing, swing)
	for _, r := range masses {
		sin, cos := math.Sincos(2 * math.Pi * r.Date.Days(masses[0].Date) / daysPerYear)
		fit.add([3]float64{1, sin, cos}, wood.EquilibriumMoisture(*r.TemperatureC, *r.HumidityPct)-guess, 1/(look*look))
	}
	c, _, _ := fit.solve()
	return seasons{guess + c[0], c[1], c[2]}
}

// followed is the moisture of a stick at rest that follows the seasons with a lag (time
// constant times angular frequency): the first-order law's answer to a sine.
func (s seasons) followed(w weighing, lag float64) float64 {
	return s.level + (s.sin*(w.sin-lag*w.cos)+s.cos*(w.cos+lag*w.sin))/(1+lag*lag)
}

// threeFit is a Bayesian linear fit of three coefficients with normal priors about 0.
type threeFit struct {
	precision         [3][3]float64
	right             [3]float64
	misfit, logWeight float64
}

func (f *threeFit) prior(sd ...float64) {
	for i, s := range sd {
		f.precision[i][i] = 1 / (s * s)
	}
}

// add takes in one observation y of the sum of coefficient times x, with its weight.
func (f *threeFit) add(x [3]float64, y, weight float64) {
	for i := range x {
		for j := range x {
			f.precision[i][j] += weight * x[i] * x[j]
		}
		f.right[i] += weight * x[i] * y
	}
	f.misfit += weight * y * y
	f.logWeight += 0.5 * math.Log(weight)
}

// solve gives the coefficients, their covariance, and the determinant of the precision.
func (f *threeFit) solve() (c [3]float64, covariance [3][3]float64, det float64) {
	p := &f.precision
	for i := range 3 {
		for j := range 3 {
			i1, i2, j1, j2 := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
			covariance[j][i] = p[i1][j1]*p[i2][j2] - p[i1][j2]*p[i2][j1]
		}
	}
	det = p[0][0]*covariance[0][0] + p[0][1]*covariance[1][0] + p[0][2]*covariance[2][0]
	for i := range 3 {
		for j := range 3 {
			covariance[i][j] /= det
			c[i] += covariance[i][j] * f.right[j]
		}
	}
	return c, covariance, det
}

// along gives the sum of coefficient times x, its standard uncertainty, and the logarithm
// of how well the fit explains what was added. ok is false where nothing can be told.
func (f *threeFit) along(x [3]float64) (sum, u, logWeight float64, ok bool) {
	c, covariance, det := f.solve()
	if !(det > 0) {
		return 0, 0, 0, false
	}
	explained, variance := 0.0, 0.0
	for i := range x {
		sum += x[i] * c[i]
		explained += c[i] * f.right[i]
		for j := range x {
			variance += x[i] * x[j] * covariance[i][j]
		}
	}
	return sum, math.Sqrt(math.Max(0, variance)), f.logWeight + 0.5*(explained-f.misfit) - 0.5*math.Log(det), true
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
