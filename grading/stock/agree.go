package stock

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat"

	"ringstock/grading"
)

// Agreement is how well the score foresees the maker's own grades.
type Agreement struct {
	N        int             `json:"n"`      // sticks with a grade and a score
	Grades   []string        `json:"grades"` // best first
	Score    RankAgreement   `json:"score"`
	Parts    []PartAgreement `json:"parts"` // the one that explains most first
	Proposal *Proposal       `json:"proposal"`
	Reasons  []string        `json:"reasons"` // in plain words, with what can't be said yet
}

// RankAgreement is Kendall's rank correlation tau-b with its 95 % interval: 1 = the
// same order, 0 = no connection, -1 = the opposite order.
type RankAgreement struct {
	Tau  float64 `json:"tau"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// PartAgreement is the agreement of one part of the score.
type PartAgreement struct {
	Name string `json:"name"`
	Key  string `json:"key"` // of its limits in the profile
	N    int    `json:"n"`
	RankAgreement
}

// Proposal is a set of weights learnt from the maker's grades. Both agreements are of
// sticks that did not take part in learning (cross-validation in ten parts).
type Proposal struct {
	Weights map[string]float64 `json:"weights"` // by key; the same sum as the present ones
	Before  RankAgreement      `json:"before"`
	After   RankAgreement      `json:"after"`
}

// Profile is a new profile under a new name, with the learnt weights in place of those
// that a profile has; limits and targets are its own.
func (p Proposal) Profile(from grading.Profile, name string) grading.Profile {
	out := from
	out.Name = name
	out.About = fmt.Sprintf("weights learnt from the maker's own grades, from the profile %s", from.Name)
	out.Properties = maps.Clone(from.Properties)
	for key, w := range p.Weights {
		if c, ok := out.Properties[key]; ok {
			c.Weight = w
			out.Properties[key] = c
		}
	}
	return out
}

// Judged is one stick with the maker's grade and the parts of its score.
type Judged struct {
	Grade string
	Score float64
	Parts []grading.Part
}

// Judged collects the sticks that have both a grade of the maker and a score by the
// profile; the empty profile means any.
func (s *Store) Judged(ctx context.Context, profile string) (out []Judged, err error) {
	err = s.read(ctx, func(q querier) error {
		blanks, err := all(ctx, q, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE gone = 0 AND maker_grade != '' AND score IS NOT NULL AND (?1 = '' OR profile = ?1) ORDER BY id`, profile)
		if err != nil {
			return err
		}
		for _, b := range blanks {
			h, err := history(ctx, q, b.ID)
			if err != nil {
				return err
			}
			void := h.Void()
			for i := len(h.Tests) - 1; i >= 0; i-- {
				if void[h.Tests[i].ID] {
					continue
				}
				raw, err := resultOf(ctx, q, h.Tests[i].ID)
				if err != nil {
					return err
				}
				var g grading.Blank
				if err := json.Unmarshal(raw, &g); err != nil {
					return fmt.Errorf("the result of test %s can't be read: %w", h.Tests[i].ID, err)
				}
				out = append(out, Judged{b.MakerGrade, b.Score.X, g.Parts})
				break
			}
		}
		return nil
	})
	return out, err
}

// What it takes before anything is said.
const (
	fewestForInterval = 5  // sticks; Bonett & Wright's interval needs more than four
	perPart           = 10 // sticks for every weight that is learnt; Peduzzi et al., J. Clin. Epidemiol. 49 (1996) 1373 (from memory)
	perGrade          = 5  // sticks in a grade that takes part in learning
	floorDesirability = 0.01
	bonettWright      = 0.437
	learntBy          = 3.0 // standard errors from no connection: the ten parts are not independent, so two are too few
	folds             = 10  // parts into which the sticks are split: each is foreseen from the nine others
)

// Agree compares score and parts with the maker's grades. The grades are given best
// first; without them letters count from A, with an optional + or -.
func Agree(sticks []Judged, gradesBestFirst []string) (Agreement, error) {
	var a Agreement
	rank, err := gradeRanks(sticks, gradesBestFirst)
	if err != nil {
		return a, err
	}
	for g := range rank {
		a.Grades = append(a.Grades, g)
	}
	slices.SortFunc(a.Grades, func(x, y string) int { return rank[y] - rank[x] })
	a.N = len(sticks)
	var grade, score []float64
	for _, s := range sticks {
		grade, score = append(grade, float64(rank[s.Grade])), append(score, s.Score)
	}
	a.Score = kendall(grade, score)
	if a.N < fewestForInterval {
		a.Reasons = append(a.Reasons, fmt.Sprintf("nothing can be said from so few sticks with both your grade and a score (n = %d): grade %d more at least", a.N, fewestForInterval-a.N))
		return a, nil
	}
	a.Reasons = append(a.Reasons, fmt.Sprintf("score and your grades: rank correlation %.2f, 95 %% interval %.2f to %.2f (n = %d): %s", a.Score.Tau, a.Score.Low, a.Score.High, a.N, a.Score.words()))

	var keys []string
	called := map[string]string{}
	for _, s := range sticks {
		for _, p := range s.Parts {
			if called[p.Key] == "" {
				keys, called[p.Key] = append(keys, p.Key), p.Name
			}
		}
	}
	for _, key := range keys {
		var g, d []float64
		for i, s := range sticks {
			if p := part(s, key); p != nil && p.Desirability.Known() {
				g, d = append(g, grade[i]), append(d, p.Desirability.X)
			}
		}
		a.Parts = append(a.Parts, PartAgreement{called[key], key, len(g), kendall(g, d)})
	}
	slices.SortStableFunc(a.Parts, func(x, y PartAgreement) int {
		return cmp.Compare(y.Tau, x.Tau)
	})
	switch {
	case len(a.Parts) == 0:
	case a.Parts[0].Low > 0:
		a.Reasons = append(a.Reasons, fmt.Sprintf("the part that goes with your grades most is %s (%.2f, interval %.2f to %.2f)", a.Parts[0].Name, a.Parts[0].Tau, a.Parts[0].Low, a.Parts[0].High))
	default:
		a.Reasons = append(a.Reasons, "no single part goes with your grades more than chance could explain")
	}
	a.propose(sticks, rank)
	return a, nil
}

func part(s Judged, key string) *grading.Part {
	for i := range s.Parts {
		if s.Parts[i].Key == key {
			return &s.Parts[i]
		}
	}
	return nil
}

// gradeRanks gives every grade a number, larger = better.
func gradeRanks(sticks []Judged, bestFirst []string) (map[string]int, error) {
	rank := map[string]int{}
	if len(bestFirst) > 0 {
		for i, g := range bestFirst {
			rank[strings.TrimSpace(g)] = len(bestFirst) - i
		}
		for _, s := range sticks {
			if rank[s.Grade] == 0 {
				return nil, fmt.Errorf("the grade %q is in the stock but not in the order you gave: list every grade, best first", s.Grade)
			}
		}
		return rank, nil
	}
	for _, s := range sticks {
		g := strings.ToUpper(s.Grade)
		letter, sign := g, ""
		if n := len(g); n == 2 {
			letter, sign = g[:1], g[1:]
		}
		step, ok := map[string]int{"+": 1, "": 0, "-": -1}[sign]
		if len(letter) != 1 || letter[0] < 'A' || letter[0] > 'F' || !ok {
			return nil, fmt.Errorf("which of your grades is the best can't be told from %s: name them in order, best first, as --grades \"excellent,good,plain\"", strconv.Quote(s.Grade))
		}
		rank[s.Grade] = 3*int('F'-letter[0]) + step + 2
	}
	return rank, nil
}

// kendall is Kendall's tau-b (M. G. Kendall, Rank Correlation Methods) with the
// interval of D. G. Bonett and T. A. Wright, Psychometrika 65 (2000) 23: atanh(tau) has
// the variance 0.437/(n-4) (from memory). Orders that agree or disagree in every pair
// are taken as if one pair did not, else the interval would have no width.
func kendall(x, y []float64) RankAgreement {
	s, nx, ny := concordance(x, y)
	r := RankAgreement{0, -1, 1}
	if nx == 0 || ny == 0 {
		return r
	}
	r.Tau = s / math.Sqrt(nx*ny)
	if len(x) >= fewestForInterval {
		limit := 1 - 2/math.Max(nx, ny)
		z := math.Atanh(math.Max(-limit, math.Min(limit, r.Tau)))
		half := 1.959964 * math.Sqrt(bonettWright/float64(len(x)-4))
		r.Low, r.High = math.Tanh(z-half), math.Max(r.Tau, math.Tanh(z+half))
		r.Low = math.Min(r.Low, r.Tau)
	}
	return r
}

// concordance counts the pairs in the same order less those in the opposite one, and the
// pairs that are not tied in x and in y, by sorting: W. R. Knight, A computer method for
// calculating Kendall's tau with ungrouped data, J. Am. Stat. Assoc. 61 (1966) 436.
func concordance(x, y []float64) (s, nx, ny float64) {
	n := len(x)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(cmp.Compare(x[a], x[b]), cmp.Compare(y[a], y[b])) })
	pairs := func(n int) float64 { return float64(n) * float64(n-1) / 2 }
	// tied counts the pairs of equal neighbours in an order.
	tied := func(same func(i int) bool) (sum float64) {
		for i := 0; i < n; {
			j := i + 1
			for j < n && same(j) {
				j++
			}
			sum += pairs(j - i)
			i = j
		}
		return sum
	}
	tiedX := tied(func(i int) bool { return x[order[i]] == x[order[i-1]] })
	tiedBoth := tied(func(i int) bool { return x[order[i]] == x[order[i-1]] && y[order[i]] == y[order[i-1]] })
	values, spare := make([]float64, n), make([]float64, n)
	for i, k := range order {
		values[i] = y[k]
	}
	against := inversions(values, spare)
	tiedY := tied(func(i int) bool { return values[i] == values[i-1] })
	all := pairs(n)
	return all - tiedX - tiedY + tiedBoth - 2*against, all - tiedX, all - tiedY
}

// inversions sorts values and counts the pairs that were in the wrong order.
func inversions(values, spare []float64) (count float64) {
	n := len(values)
	if n < 2 {
		return 0
	}
	half := n / 2
	count = inversions(values[:half], spare[:half]) + inversions(values[half:], spare[half:])
	i, j := 0, half
	for k := range n {
		if j == n || i < half && values[i] <= values[j] {
			spare[k] = values[i]
			i++
		} else {
			spare[k] = values[j]
			count += float64(half - i)
			j++
		}
	}
	copy(values, spare)
	return count
}

func (r RankAgreement) words() string {
	switch {
	case r.Low > 0:
		return "they go together"
	case r.High < 0:
		return "they contradict each other"
	}
	return "chance alone could explain it"
}

// propose learns weights by ordinal regression: the proportional-odds model of
// P. McCullagh, J. R. Stat. Soc. B 42 (1980) 109, on the logarithms of the
// desirabilities, whose weighted sum is the logarithm of the score.
func (a *Agreement) propose(sticks []Judged, rank map[string]int) {
	no := func(format string, args ...any) { a.Reasons = append(a.Reasons, fmt.Sprintf(format, args...)) }
	var keys []string
	weight := map[string]float64{}
	for _, s := range sticks {
		for _, p := range s.Parts {
			if p.Weight > 0 && !slices.Contains(keys, p.Key) {
				keys = append(keys, p.Key)
			}
			weight[p.Key] = p.Weight
		}
	}
	var x [][]float64
	var grade []float64
	counts := map[float64]int{}
	for _, s := range sticks {
		row := make([]float64, len(keys))
		whole := true
		for j, key := range keys {
			p := part(s, key)
			if whole = whole && p != nil && p.Desirability.Known(); whole {
				row[j] = math.Log(math.Max(floorDesirability, p.Desirability.X))
			}
		}
		if whole {
			x, grade = append(x, row), append(grade, float64(rank[s.Grade]))
			counts[float64(rank[s.Grade])]++
		}
	}
	if need := perPart * len(keys); len(keys) == 0 || len(x) < need {
		no("new weights are proposed from %d graded sticks on which every part is known; there are %d", max(need, perPart), len(x))
		return
	}
	// Grades with too few sticks join the next lower one, the lowest the next higher.
	level := joinLevels(counts)
	y := make([]int, len(grade))
	levels := 0
	for i, g := range grade {
		y[i] = level[g]
		levels = max(levels, y[i]+1)
	}
	if levels < 2 {
		no("new weights need at least two grades with %d sticks each", perGrade)
		return
	}
	present := make([]float64, len(keys))
	total := 0.0
	for j, key := range keys {
		present[j] = weight[key]
		total += weight[key]
	}
	before, after := make([]float64, len(x)), make([]float64, len(x))
	for fold := range folds {
		var others [][]float64
		var theirs []int
		for i := range x {
			if i%folds != fold {
				others, theirs = append(others, x[i]), append(theirs, y[i])
			}
		}
		w, err := fitWeights(others, theirs, levels)
		if err != nil {
			no("no weights could be learnt: %v", err)
			return
		}
		for i := fold; i < len(x); i += folds {
			before[i], after[i] = dot(present, x[i])/total, dot(w, x[i])
		}
	}
	w, err := fitWeights(x, y, levels)
	if err != nil {
		no("no weights could be learnt: %v", err)
		return
	}
	p := Proposal{map[string]float64{}, kendall(grade, before), kendall(grade, after)}
	for j, key := range keys {
		p.Weights[key] = w[j] * total
	}
	if p.After.Tau <= p.Before.Tau {
		no("your present weights foresee your grades as well as learnt ones would (%.2f against %.2f): leave them", p.Before.Tau, p.After.Tau)
		return
	}
	if z := math.Atanh(math.Min(p.After.Tau, 0.999)) / math.Sqrt(bonettWright/float64(len(x)-4)); z < learntBy {
		no("from your grades nothing was learnt that chance could not explain: weights learnt from some sticks foresee the others' grades with %.2f (interval %.2f to %.2f): keep yours, and grade more sticks", p.After.Tau, p.After.Low, p.After.High)
		return
	}
	a.Proposal = &p
	no("learnt weights would foresee your grades with %.2f (interval %.2f to %.2f) instead of %.2f, each stick judged by weights learnt from others", p.After.Tau, p.After.Low, p.After.High, p.Before.Tau)
}

func joinLevels(counts map[float64]int) map[float64]int {
	var grades []float64
	for g := range counts {
		grades = append(grades, g)
	}
	slices.Sort(grades)
	level, current, held := map[float64]int{}, 0, 0
	for _, g := range grades {
		if held >= perGrade {
			current, held = current+1, 0
		}
		level[g] = current
		held += counts[g]
	}
	if held < perGrade && current > 0 { // too few at the top: join the next lower
		for g, l := range level {
			if l == current {
				level[g] = current - 1
			}
		}
	}
	return level
}

func dot(a, b []float64) (s float64) {
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// fitWeights finds the weights, none negative, summing to 1, that make the grades most
// probable. Standardised slopes have the prior N(0, 2), which keeps them finite where
// the grades separate perfectly.
func fitWeights(x [][]float64, y []int, levels int) ([]float64, error) {
	const priorSD = 2.0
	parts := len(x[0])
	sd := make([]float64, parts)
	mean := make([]float64, parts)
	for j := range parts {
		col := make([]float64, len(x))
		for i := range x {
			col[i] = x[i][j]
		}
		mean[j], sd[j] = stat.MeanStdDev(col, nil)
		if !(sd[j] > 1e-9) {
			sd[j] = math.Inf(1) // a part that never varies explains nothing
		}
	}
	// Parameters: square roots of the slopes, the lowest threshold, logarithms of the
	// distances to the others.
	logistic := func(z float64) float64 { return 1 / (1 + math.Exp(-z)) }
	loss := func(p []float64) float64 {
		theta := make([]float64, levels-1)
		for k := range theta {
			if theta[k] = p[parts]; k > 0 {
				theta[k] = theta[k-1] + math.Exp(p[parts+k])
			}
		}
		sum := 0.0
		for j := range parts {
			sum += math.Pow(p[j]*p[j]/priorSD, 2) / 2
		}
		for i := range x {
			eta := 0.0
			for j := range parts {
				eta += p[j] * p[j] * (x[i][j] - mean[j]) / sd[j]
			}
			low, high := 0.0, 1.0
			if y[i] > 0 {
				low = logistic(theta[y[i]-1] - eta)
			}
			if y[i] < levels-1 {
				high = logistic(theta[y[i]] - eta)
			}
			sum -= math.Log(math.Max(high-low, 1e-300))
		}
		return sum
	}
	start := make([]float64, parts+levels-1)
	for j := range parts {
		start[j] = 0.5
	}
	start[parts] = -float64(levels-2) / 2
	problem := optimize.Problem{Func: loss, Grad: func(grad, p []float64) { fd.Gradient(grad, loss, p, &fd.Settings{Formula: fd.Central}) }}
	found, err := optimize.Minimize(problem, start, &optimize.Settings{GradientThreshold: 1e-4, MajorIterations: 200}, &optimize.BFGS{})
	if found == nil {
		return nil, err
	}
	w := make([]float64, parts)
	total := 0.0
	for j := range parts {
		w[j] = found.X[j] * found.X[j] / sd[j]
		total += w[j]
	}
	if !(total > 0) || math.IsInf(total, 0) {
		return nil, fmt.Errorf("no part explains the grades")
	}
	for j := range w {
		w[j] /= total
	}
	return w, nil
}
