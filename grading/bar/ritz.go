package bar

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// The solver is a Rayleigh-Ritz method (p-version finite elements: Szabó & Babuška,
// Finite Element Analysis, 1991; from memory). The bar is cut into spans at its steps,
// sharp bends and point masses, where exact solutions have kinks. On each span the motion is a polynomial
// built from integrated Legendre polynomials; strain energy and kinetic energy are summed at
// Gauss points, and the modes make their ratio stationary. The error falls exponentially
// with the degree, so some forty unknowns give six modes to far better than 1e-4.

// interval is the bar between two neighbouring stations or masses.
type interval struct{ a, b Station }

// mostSpans bounds the work on a bar with more steps, bends and masses than any blank or stick has: beyond
// it the weaker ones lie inside a span.
const mostSpans = 32

// intervals lists the bar's pieces and says at which of them a span starts.
func (b Bar) intervals() (list []interval, starts []bool) {
	s := slices.Clone(b.Stations)
	for _, m := range b.Masses {
		i := slices.IndexFunc(s, func(t Station) bool { return t.X >= m.X })
		if s[i].X > m.X {
			t := (m.X - s[i-1].X) / (s[i].X - s[i-1].X)
			s = slices.Insert(s, i, Station{m.X, between(s[i-1], s[i], t)})
		}
	}
	var kinks []float64 // at the start of each interval; from 1 on a span starts there
	kink := math.Inf(1)
	for i := range s[1:] {
		if s[i+1].X == s[i].X {
			kink = 2
			continue
		}
		for _, m := range b.Masses {
			if m.X == s[i].X {
				kink = max(kink, 2)
			}
		}
		if kink == 0 {
			kink = b.bend(s[i-1], s[i], s[i+1])
		}
		list, kinks = append(list, interval{s[i], s[i+1]}), append(kinks, kink)
		kink = 0
	}
	limit := 1.0
	if len(kinks) > mostSpans {
		strongest := slices.Sorted(slices.Values(kinks))
		limit = max(limit, math.Nextafter(strongest[len(kinks)-mostSpans-1], math.Inf(1)))
	}
	for _, k := range kinks {
		starts = append(starts, k >= limit)
	}
	return list, starts
}

// bend tells how sharp a bend in the outline is: from 1 on it is too much for a polynomial across it. A
// graduated stick, whose taper changes by 0.3 mm in 100 mm, is smooth to 1e-6; so is a calliper's
// jitter between stations that lie closer than the motion can follow.
func (b Bar) bend(s0, s1, s2 Station) float64 {
	const reach = 20 // the motion follows what is longer than this part of the bar
	turn := func(h0, h1, h2 float64) float64 {
		return math.Abs((h2-h1)/(s2.X-s1.X)-(h1-h0)/(s1.X-s0.X)) * b.Length() / h1
	}
	near := min(1, reach*min(s1.X-s0.X, s2.X-s1.X)/b.Length())
	return near * max(turn(s0.Height, s1.Height, s2.Height), turn(s0.Width, s1.Width, s2.Width))
}

// point is a Gauss point.
type point struct {
	interval    int
	t           float64   // how far along the interval, 0-1
	weight      float64   // share of the interval's length that it stands for
	span        int       // index into the grid's spans
	value, rate []float64 // the span's basis functions and their derivatives by x, 1/m
}

// span is a run of intervals over which the motion is smooth.
type span struct {
	x0, x1 float64
	degree int
}

type grid struct {
	spans   []span
	points  []point
	lengths []float64 // of the intervals, m
}

func newGrid(b Bar, modes int) grid {
	list, starts := b.intervals()
	var g grid
	length := b.Length()
	for first := 0; first < len(list); {
		next := first + 1
		for next < len(list) && !starts[next] {
			next++
		}
		sp := span{x0: list[first].a.X, x1: list[next-1].b.X}
		share := (sp.x1 - sp.x0) / length
		sp.degree = 2 + int(math.Ceil(share*(6+1.5*float64(modes))))
		for i := first; i < next; i++ {
			dx := list[i].b.X - list[i].a.X
			g.lengths = append(g.lengths, dx)
			n := sp.gaussPoints(list[i].a.X, list[i].b.X)
			t, w := gauss(n)
			for k := range t {
				p := point{interval: i, t: t[k], weight: w[k], span: len(g.spans)}
				p.value, p.rate = sp.basis(list[i].a.X + t[k]*dx)
				g.points = append(g.points, p)
			}
		}
		g.spans = append(g.spans, sp)
		first = next
	}
	return g
}

// gaussPoints is how many points an interval of the span needs: degree + 4 sum every product
// of two functions with a section exactly; on a part of the span a polynomial of degree p
// swings through p acos(xi), which bounds how finely it has to be sampled there.
func (s span) gaussPoints(a, b float64) int {
	angle := func(x float64) float64 { return math.Acos(max(-1, min(1, 2*(x-s.x0)/(s.x1-s.x0)-1))) }
	swing := float64(s.degree+1) * (angle(a) - angle(b))
	least := 3
	if 20*(b-a) < s.x1-s.x0 {
		least = 1 // over so short a piece the section hardly changes
	}
	return min(s.degree+4, least+int(math.Ceil(0.7*swing)))
}

// gauss is the Gauss-Legendre rule on [0, 1] with n points at least. The table
// of gonum v0.17 is wrong for 26 points alone (1 % off), so that rule is passed over.
func gauss(n int) (t, weight []float64) {
	if n == 26 {
		n = 27
	}
	t, weight = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(t, weight, 0, 1)
	return t, weight
}

// basis is the span's functions at x up to one over its degree, and their derivatives
// by x: the two corner functions, then the bubbles (P_k - P_(k-2))/sqrt(2(2k-1)), k = 2, 3, ...
func (s span) basis(x float64) (value, rate []float64) {
	n := s.degree + 2
	buf := make([]float64, 2*n)
	value, rate = buf[:n], buf[n:]
	xi := 2*(x-s.x0)/(s.x1-s.x0) - 1
	value[0], rate[0] = (1-xi)/2, -0.5
	value[1], rate[1] = (1+xi)/2, 0.5
	p0, p1 := 1.0, xi
	for k := 2; k < n; k++ {
		kf := float64(k)
		p2 := ((2*kf-1)*xi*p1 - (kf-1)*p0) / kf
		value[k] = (p2 - p0) / math.Sqrt(2*(2*kf-1))
		rate[k] = math.Sqrt((2*kf-1)/2) * p1
		p0, p1 = p1, p2
	}
	for k := range rate {
		rate[k] *= 2 / (s.x1 - s.x0)
	}
	return value, rate
}

// field numbers the unknowns of one motion: which unknown each function of a span is.
type field struct {
	first  []int // number of each span's left corner; the last entry is the bar's end
	degree []int
}

func (g grid) field(from, extra int) (f field, next int) {
	for _, s := range g.spans {
		f.first = append(f.first, from)
		f.degree = append(f.degree, s.degree+extra)
		from += s.degree + extra
	}
	f.first = append(f.first, from)
	return f, from + 1
}

// add adds k times the functions of a span to a row over all unknowns.
func (f field) add(row []float64, span int, functions []float64, k float64) {
	row[f.first[span]] += k * functions[0]
	row[f.first[span+1]] += k * functions[1]
	for j := 2; j <= f.degree[span]; j++ {
		row[f.first[span]+j-1] += k * functions[j]
	}
}

// sum is the field's value at a point.
func (f field) sum(v []float64, span int, functions []float64) float64 {
	y := v[f.first[span]]*functions[0] + v[f.first[span+1]]*functions[1]
	for j := 2; j <= f.degree[span]; j++ {
		y += v[f.first[span]+j-1] * functions[j]
	}
	return y
}
