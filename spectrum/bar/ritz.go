package bar

import (
	"iter"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/integrate/quad"
)

// The solver is a Rayleigh-Ritz method (p-version finite elements: Szabó & Babuška,
// Finite Element Analysis, 1991; from memory). The bar is cut into spans at its steps,
// sharp bends and point masses, where exact solutions have kinks. On each span the
// motion is a polynomial built from integrated Legendre polynomials; strain energy and
// kinetic energy are summed at Gauss points, and the modes make their ratio stationary.
// The error falls exponentially with the degree, so some forty unknowns give six modes
// to far better than 1e-4.

// interval is the bar between two neighbouring stations or masses.
type interval struct{ a, b Station }

// mostSpans bounds the work on a bar with more steps, bends and masses than any blank or
// stick has: beyond it the weaker ones lie inside a span.
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
	list = make([]interval, 0, len(s))
	kinks := make([]float64, 0, len(s)) // at the start of each interval; from 1 on a span starts there
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
	sharp := slices.DeleteFunc(slices.Clone(kinks), func(k float64) bool { return k < limit })
	if len(sharp) > mostSpans {
		slices.Sort(sharp)
		limit = math.Nextafter(sharp[len(sharp)-mostSpans-1], math.Inf(1))
	}
	starts = make([]bool, len(kinks))
	for i, k := range kinks {
		starts[i] = k >= limit
	}
	return list, starts
}

// bend tells how sharp a bend in the outline is: from 1 on it is too much for a
// polynomial across it. A graduated stick, whose taper changes by 0.3 mm in 100 mm,
// is smooth to 1e-6; so is a calliper's jitter between stations that lie closer than
// the motion can follow.
func (b Bar) bend(s0, s1, s2 Station) float64 {
	const reach = 20 // the motion follows what is longer than this part of the bar
	turn := func(h0, h1, h2 float64) float64 {
		return math.Abs((h2-h1)/(s2.X-s1.X)-(h1-h0)/(s1.X-s0.X)) * b.Length() / h1
	}
	near := min(1, reach*min(s1.X-s0.X, s2.X-s1.X)/b.Length())
	return near * max(turn(s0.Height, s1.Height, s2.Height), turn(s0.Width, s1.Width, s2.Width))
}

// sample is a Gauss point of an interval.
type sample struct {
	interval int
	t        float64 // how far along the interval, 0-1
	weight   float64 // share of the interval's length that it stands for
}

// span is a run of intervals over which the motion is smooth.
type span struct {
	x0, x1  float64
	degree  int
	samples []sample
}

type grid struct {
	list  []interval
	spans []span
}

func newGrid(b Bar, modes int) grid {
	list, starts := b.intervals()
	g := grid{list: list}
	length := b.Length()
	var t, w []float64
	rule := 0
	for first := 0; first < len(list); {
		next := first + 1
		for next < len(list) && !starts[next] {
			next++
		}
		sp := span{x0: list[first].a.X, x1: list[next-1].b.X}
		share := (sp.x1 - sp.x0) / length
		sp.degree = 2 + int(math.Ceil(share*(6+1.5*float64(modes))))
		sp.samples = make([]sample, 0, 2*(next-first)+sp.degree)
		for i := first; i < next; i++ {
			if n := sp.gaussPoints(list[i].a.X, list[i].b.X); n != rule {
				t, w = gauss(n)
				rule = n
			}
			for k := range t {
				sp.samples = append(sp.samples, sample{i, t[k], w[k]})
			}
		}
		g.spans = append(g.spans, sp)
		first = next
	}
	return g
}

// at is a sample's place, its weight in metres and the section there.
func (g grid) at(p sample) (x, weight float64, s Section) {
	in := g.list[p.interval]
	length := in.b.X - in.a.X
	return in.a.X + p.t*length, p.weight * length, between(in.a, in.b, p.t)
}

// gaussPoints is how many points an interval of the span needs: degree + 4 sum every
// product of two functions with a section exactly; on a part of the span a polynomial of
// degree p swings through p acos(xi), which bounds how finely it has to be sampled there.
func (s span) gaussPoints(a, b float64) int {
	angle := func(x float64) float64 { return math.Acos(max(-1, min(1, s.xi(x)))) }
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
// by x: the two corner functions, then the bubbles (P_k -
// P_(k-2))/sqrt(2(2k-1)), k = 2, 3, ...
func (s span) basis(x float64) (value, rate []float64) {
	n := s.degree + 2
	buf := make([]float64, 2*n)
	value, rate = buf[:n], buf[n:]
	xi := s.xi(x)
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

// sums gives places along a span and, at each of them, by what the squares of shear,
// curvature (or stretch), deflection and rotation have to be weighed so that their
// sums are the energies.
func (g grid) sums(s span, k Kind, m Wood) (x []float64, weights [4][]float64) {
	x = make([]float64, len(s.samples))
	for i := range weights {
		weights[i] = make([]float64, len(s.samples))
	}
	for i, p := range s.samples {
		at, q, sec := g.at(p)
		bend, shear, mass, rotary := k.stiffness(sec, m)
		x[i] = at
		weights[0][i], weights[1][i], weights[2][i], weights[3][i] = q*shear, q*bend, q*mass, q*rotary
	}
	if enough := 2*s.degree + 3; len(x) > enough { // products have degree 2 (degree + 1)
		return s.gather(x, weights, enough)
	}
	return x, weights
}

// gather replaces what is given at many places x of the span by as much at a few places,
// such that it sums any polynomial of lower degree than these are many just as before. A
// bar read at hundreds of stations then costs hardly more than one read at its ends. Some
// of the new quantities may be negative.
func (s span) gather(x []float64, given [4][]float64, few int) (places []float64, gathered [4][]float64) {
	t, w := gauss(few)
	for _, t := range t {
		places = append(places, s.x0+t*(s.x1-s.x0))
	}
	for i := range given {
		gathered[i] = make([]float64, len(t))
	}
	// Legendre polynomials are orthogonal on the new places, too, as their Gauss rule
	// sums products exactly.
	for k, p := range s.legendre(slices.Concat(x, places), few) {
		for i, q := range given {
			floats.AddScaled(gathered[i], float64(2*k+1)*floats.Dot(p[:len(x)], q), p[len(x):])
		}
	}
	for i := range gathered {
		floats.Mul(gathered[i], w)
	}
	return places, gathered
}

// legendre lists the span's first n Legendre polynomials at x.
func (s span) legendre(x []float64, n int) iter.Seq2[int, []float64] {
	return func(yield func(int, []float64) bool) {
		p, before, xi := make([]float64, len(x)), make([]float64, len(x)), make([]float64, len(x))
		for i := range x {
			p[i], xi[i] = 1, s.xi(x[i])
		}
		for k := range n {
			if !yield(k, p) {
				return
			}
			a, b := float64(2*k+1)/float64(k+1), float64(k)/float64(k+1)
			for i, xi := range xi {
				before[i] = a*xi*p[i] - b*before[i]
			}
			p, before = before, p
		}
	}
}

// xi is a place on the span from -1 to 1.
func (s span) xi(x float64) float64 { return 2*(x-s.x0)/(s.x1-s.x0) - 1 }

// field numbers the unknowns of one motion: which unknown each function of each span is.
type field [][]int

func (g grid) field(from, extra int) (f field, next int) {
	for _, s := range g.spans {
		bubbles := s.degree + extra - 1
		of := []int{from, from + bubbles + 1}
		for j := range bubbles {
			of = append(of, from+1+j)
		}
		f, from = append(f, of), of[1]
	}
	return f, from + 1
}

// sum is the field's value at a point of a span where its functions are known.
func (f field) sum(v []float64, span int, functions []float64) float64 {
	y := 0.0
	for j, u := range f[span] {
		y += v[u] * functions[j]
	}
	return y
}
