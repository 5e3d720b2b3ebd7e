package damped_test

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats/scalar"

	"ringstock/spectrum/damped"
)

// record is the DFT of given exponentials in white noise, bins lo..hi Hz.
func record(rng *rand.Rand, lines []damped.Line, amp []complex128, noise, rate float64, n int, lo, hi float64) damped.Record {
	y := make([]complex128, n)
	for i := range y {
		y[i] = damped.Sample(lines, amp, rate, i)
		y[i] += complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(noise/2), 0)
	}
	all := fourier.NewCmplxFFT(n).Coefficients(nil, y)
	first, last := int(math.Ceil(lo*float64(n)/rate)), int(math.Floor(hi*float64(n)/rate))
	r := damped.Record{First: first, N: n}
	for k := first; k <= last; k++ {
		r.Bins = append(r.Bins, all[(k+n)%n])
	}
	return r
}

// TestTransform checks the closed form of the truncated exponential's DFT against an FFT.
func TestTransform(t *testing.T) {
	const n, rate = 300, 150.0
	for _, l := range []damped.Line{{3.1, 2}, {-20, 0.5}, {0, 0}, {10, 0}, {0.25, 30}, {5, 0}} {
		want := record(rand.New(rand.NewPCG(1, 1)), []damped.Line{l}, []complex128{1 + 2i}, 0, rate, n, -30, 30)
		got := damped.Transform([]damped.Line{l}, []complex128{1 + 2i}, rate, n, want.First, len(want.Bins))
		for k := range got {
			if cmplx.Abs(got[k]-want.Bins[k]) > 1e-9*n {
				t.Errorf("%v bin %d: %v, FFT %v", l, k, got[k], want.Bins[k])
			}
		}
	}
}

// TestBoundOneLine compares with the closed form for one damped line when many
// periods fit into the record: var(w) = var(d) = S0/(eta (S0 S2 - S1^2)), with
// S_k = sum n^k exp(-2 d n) (Yao & Pandit, IEEE Trans. Signal Process., 1995; restated
// from the Fisher information). eta = |a|^2/sigma^2 for a complex exponential.
func TestBoundOneLine(t *testing.T) {
	const rate, n, alpha, f = 150.0, 300, 1.759, 7.3
	d := alpha / rate
	var s0, s1, s2 float64
	for i := range n {
		e := math.Exp(-2 * d * float64(i))
		s0 += e
		s1 += e * float64(i)
		s2 += e * float64(i) * float64(i)
	}
	const eta = 1000.0
	want := rate * math.Sqrt(s0/(2*eta*(s0*s2-s1*s1)))
	cov := damped.Bound(damped.Model{Lines: []damped.Line{{f, alpha}}}, []complex128{cmplx.Rect(1, 0.4)}, 1/eta, rate, n)
	if got := math.Sqrt(cov.At(1, 1)); !scalar.EqualWithinRel(got, want, 1e-6) {
		t.Errorf("sd of the decay rate: %g, closed form %g", got, want)
	}
	if got := 2 * math.Pi * math.Sqrt(cov.At(0, 0)); !scalar.EqualWithinRel(got, want, 1e-6) {
		t.Errorf("sd of 2 pi f: %g, closed form %g", got, want)
	}
}

// TestAtTheBoundBesideWaves: a ring beside a hum that a second before it was heard alone
// scatters as the bound says; with 300 records a root mean square is known to 4.1 % (one
// sd), three of them are left. A long quiet tells the hum, as does what other sources say
// together with it: then the bound is that of a hum that is known.
func TestAtTheBoundBesideWaves(t *testing.T) {
	const rate, n, quiet, noise, runs = 150.0, 300, 150, 0.1, 300
	m := damped.Model{Lines: []damped.Line{{1.3, 2}}, Undamped: []float64{1.1}}
	amp := []complex128{1, 1i}
	waves := []damped.Line{{Hz: 1.1}}
	before := []complex128{1i * cmplx.Rect(1, -2*math.Pi*1.1*quiet/rate)}
	cov := damped.BoundBesideWaves(m, nil, amp, noise, rate, quiet, n)
	rng := rand.New(rand.NewPCG(8, 8))
	var hz, alpha float64
	for range runs {
		ring := record(rng, append(slices.Clone(m.Lines), waves...), amp, noise, rate, n, -70, 70)
		ring.At = quiet / rate
		hum := record(rng, waves, before, noise, rate, quiet, -70, 70)
		hum.Silent = true
		start := m
		start.Coherent = before
		fit, err := damped.Solve([]damped.Record{ring, hum}, rate, start)
		if err != nil || !fit.Converged {
			t.Fatalf("no fit: %v", err)
		}
		hz += (fit.Lines[0].Hz - 1.3) * (fit.Lines[0].Hz - 1.3) / runs
		alpha += (fit.Lines[0].Alpha - 2) * (fit.Lines[0].Alpha - 2) / runs
	}
	clear := damped.Bound(damped.Model{Lines: m.Lines}, amp[:1], noise, rate, n)
	long := damped.BoundBesideWaves(m, nil, amp, noise, rate, 1000*quiet, n)
	for p, square := range []float64{hz, alpha} {
		if r := math.Sqrt(square / cov.At(p, p)); math.Abs(r-1) > 3*0.041 {
			t.Errorf("parameter %d: rms %.3f of the bound", p, r)
		}
		// A hum known from a thousand seconds and this second is a thousandth
		// uncertain in the square.
		if r := long.At(p, p) / clear.At(p, p); r < 1 || r > 1.01 {
			t.Errorf("parameter %d: the variance beside a known hum is %.3f of that without it", p, r)
		}
		if r := cov.At(p, p) / clear.At(p, p); r < 1.2 {
			t.Errorf("parameter %d: the variance beside a hum to be learnt is only %.3f of that without it", p, r)
		}
	}
	told := damped.BoundBesideWaves(m, []damped.Known{{Hz: 1.1, SD: 1e-6}}, amp, noise, rate, quiet, n)
	if told.At(0, 0) >= cov.At(0, 0) || told.At(2, 2) > 1e-12 {
		t.Errorf("what is known of the hum does not help: %g, without %g", told.At(0, 0), cov.At(0, 0))
	}
}

// TestAtTheBound: over many records of noise the estimates scatter as the
// Cramer-Rao bound says, for one line, a line beside hum, and a close pair. With
// 300 records a root mean square is known to 4.1 % (one sd); the limits leave three of
// them plus the few per cent that bins outside the band would have added.
func TestAtTheBound(t *testing.T) {
	const rate, n = 150.0, 300 // 2 s
	cases := []struct {
		name  string
		m     damped.Model
		amp   []complex128
		noise float64
	}{
		{"one line, 20 dB", damped.Model{Lines: []damped.Line{{1.3, 2}}, Background: 1}, []complex128{1}, 0.3},
		{"hum 0.5 Hz away, equal", damped.Model{Lines: []damped.Line{{1.3, 2}}, Undamped: []float64{0.8}, Background: 1}, []complex128{1, 1i}, 0.1},
		{"pair 1.5 Hz", damped.Model{Lines: []damped.Line{{1.3, 2}, {2.8, 2.5}}, Background: 1}, []complex128{1, 0.7i}, 0.1},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, 7))
			bound := damped.Bound(c.m, c.amp, c.noise, rate, n)
			lines := append([]damped.Line(nil), c.m.Lines...)
			for _, f := range c.m.Undamped {
				lines = append(lines, damped.Line{Hz: f})
			}
			const runs = 300
			var sf, sa, covered float64
			for range runs {
				r := record(rng, lines, c.amp, c.noise, rate, n, -25, 25)
				start := damped.Model{Background: c.m.Background, Undamped: c.m.Undamped}
				for _, l := range c.m.Lines {
					start.Lines = append(start.Lines, damped.Line{Hz: l.Hz + 0.15, Alpha: 1.5 * l.Alpha})
				}
				fit, err := damped.Solve([]damped.Record{r}, rate, start)
				if err != nil || !fit.Converged {
					t.Fatalf("no fit: %v %+v", err, fit)
				}
				df, da := fit.Lines[0].Hz-c.m.Lines[0].Hz, fit.Lines[0].Alpha-c.m.Lines[0].Alpha
				sf += df * df
				sa += da * da
				_, sd := fit.SD(0)
				if math.Abs(da) < 2*sd {
					covered++
				}
			}
			rf, ra := math.Sqrt(sf/runs/bound.At(0, 0)), math.Sqrt(sa/runs/bound.At(1, 1))
			t.Logf("rms/bound: f %.3f, alpha %.3f; 2 sd held %.1f %%", rf, ra, 100*covered/runs)
			if rf > 1.2 || ra > 1.2 || rf < 0.85 || ra < 0.85 {
				t.Errorf("rms/bound: f %.3f, alpha %.3f", rf, ra)
			}
			if covered < 0.915*runs { // 95.4 % less three sd of the count
				t.Errorf("2 sd held only %.1f %%", 100*covered/runs)
			}
		})
	}
}

func TestTooShort(t *testing.T) {
	r := damped.Record{Bins: make([]complex128, 4), N: 100}
	if _, err := damped.Solve([]damped.Record{r}, 150, damped.Model{Lines: []damped.Line{{0, 1}}, Background: 3}); err != damped.ErrTooShort {
		t.Fatalf("got %v", err)
	}
}

func BenchmarkSolve(b *testing.B) {
	rng := rand.New(rand.NewPCG(7, 7))
	line := []damped.Line{{1.3, 2}}
	var recs []damped.Record
	for range 5 {
		recs = append(recs, record(rng, line, []complex128{1}, 0.1, 150, 300, -25, 25))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := damped.Solve(recs, 150, damped.Model{Lines: []damped.Line{{1.1, 3}}, Background: 2}); err != nil {
			b.Fatal(err)
		}
	}
}

// TestSplit: of a raster the pair that is there takes the place of the line
// that was fitted to it.
func TestSplit(t *testing.T) {
	const rate, n = 150.0, 300
	truth := []damped.Line{{-0.5, 2}, {0.5, 2}, {8, 2}}
	recs := []damped.Record{record(rand.New(rand.NewPCG(4, 4)), truth, []complex128{1, -1i, 0.3}, 1e-3, rate, n, -15, 15)}
	fitter := damped.NewFitter(recs, rate, nil, 1)
	one, err := fitter.Solve([]damped.Line{{0.3, 3}, {8.1, 3}}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var raster []damped.Line
	for hz := -2.0; hz <= 2; hz += 0.25 {
		raster = append(raster, damped.Line{Hz: hz, Alpha: 2})
	}
	pair, gain := fitter.Split(one, 0, raster)
	if pair != [2]damped.Line{truth[0], truth[1]} {
		t.Errorf("pair %v", pair)
	}
	// A full fit, which adjusts all lines, can only gain more.
	two, err := fitter.Solve([]damped.Line{pair[0], pair[1], one.Lines[1]}, nil, nil)
	if err != nil || gain <= 0 || one.BIC-two.BIC < gain-1e-6 {
		t.Errorf("gain %.1f, a full fit %.1f (%v)", gain, one.BIC-two.BIC, err)
	}
}

// TestCoherent: a wave that goes on through a silent and a sounding record is found to be
// one, and tells the ring 0.1 Hz beside it better; another phase in one of them is not.
func TestCoherent(t *testing.T) {
	const rate, n, apart, noise = 150.0, 240, 1.8, 1e-4
	ring, hum := damped.Line{Hz: 0.1, Alpha: 2}, damped.Line{}
	make := func(seed uint64, phase float64) []damped.Record {
		rng := rand.New(rand.NewPCG(seed, 5))
		hum.Hz = 0.02 // off its starting value
		turn := cmplx.Rect(0.3, 2*math.Pi*hum.Hz*apart+phase)
		quiet := record(rng, []damped.Line{hum}, []complex128{0.3}, noise, rate, n, -15, 15)
		quiet.Silent = true
		loud := record(rng, []damped.Line{ring, hum}, []complex128{1i, turn}, noise, rate, n, -15, 15)
		loud.At = apart
		return []damped.Record{quiet, loud}
	}
	var own, joint, z float64
	const runs = 40
	for seed := range uint64(runs) {
		fitter := damped.NewFitter(make(seed, 0), rate, nil, 0)
		f, err := fitter.Solve([]damped.Line{{0.2, 3}}, []float64{0}, nil)
		if err != nil {
			t.Fatal(err)
		}
		g := fitter.Coherent(f)
		if g == nil {
			t.Errorf("%d: not coherent", seed)
			continue
		}
		own += math.Pow(f.Lines[0].Alpha-ring.Alpha, 2)
		joint += math.Pow(g.Lines[0].Alpha-ring.Alpha, 2)
		_, sd := g.SD(0)
		z += math.Pow((g.Lines[0].Alpha-ring.Alpha)/sd, 2)
		if cmplx.Abs(g.Coherent[0]-0.3) > 0.02 {
			t.Errorf("%d: amplitude %v", seed, g.Coherent[0])
		}
		// The one sounding record knows what all know.
		if _, alpha := g.SD(0); math.Abs(g.Each[1].SD[0].Alpha/alpha-1) > 0.1 {
			t.Errorf("%d: sd %.3g alone, %.3g joint", seed, g.Each[1].SD[0].Alpha, alpha)
		}
		other := damped.NewFitter(make(seed, 1), rate, nil, 0)
		if f, err = other.Solve([]damped.Line{{0.2, 3}}, []float64{0}, nil); err != nil {
			t.Fatal(err)
		}
		if other.Coherent(f) != nil {
			t.Errorf("%d: another phase taken for the same wave", seed)
		}
	}
	if joint > own/1.5 {
		t.Errorf("mean square error %.3g, with amplitudes of their own %.3g", joint/runs, own/runs)
	}
	if z /= runs; math.Abs(z-1) > 4*math.Sqrt(2.0/runs) {
		t.Errorf("mean square error over variance %.2f", z)
	}
}

// TestShare: where several records hold the same random sum of known columns, the fit
// that knows of them scatters as it says, by less than the one that takes them for noise
// says or scatters; and the likelihood, integrated over all unknowns, tells columns that
// are there from those that are not.
func TestShare(t *testing.T) {
	const rate, n, noise, runs = 150.0, 240, 0.01, 150
	ring, fast := damped.Line{Hz: 0.3, Alpha: 2}, []float64{12, 25, 40}
	var zHz, zAlpha, with, without float64
	there, notThere := 0, 0
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 11))
		draw := func() (recs []damped.Record, columns [][][]complex128, random bool) {
			random = seed%2 == 0
			coef := make([]complex128, len(fast))
			for j := range coef {
				coef[j] = complex(rng.NormFloat64(), rng.NormFloat64()) * complex(math.Sqrt(0.5), 0)
			}
			for _, amp := range []complex128{1, 0.5i} {
				lines, amps := []damped.Line{ring}, []complex128{amp}
				var column [][]complex128
				for j, alpha := range fast {
					l := damped.Line{Hz: ring.Hz, Alpha: alpha}
					if random {
						lines, amps = append(lines, l), append(amps, amp*coef[j])
					}
					column = append(column, damped.Transform([]damped.Line{l}, []complex128{amp}, rate, n, -16, 33))
				}
				recs = append(recs, record(rng, lines, amps, noise, rate, n, -10, 10))
				columns = append(columns, column)
			}
			return recs, columns, random
		}
		recs, columns, random := draw()
		fitter := damped.NewFitter(recs, rate, nil, 0)
		plain, err := fitter.Solve([]damped.Line{{0.2, 2.5}}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		fitter.Share(columns)
		f, err := fitter.Solve([]damped.Line{{0.2, 2.5}}, nil, nil)
		if err != nil || !f.Converged {
			t.Fatalf("%d: no fit: %v", seed, err)
		}
		if !random {
			if f.Marginal > plain.Marginal {
				notThere++
			}
			continue
		}
		if f.Marginal < plain.Marginal {
			there++
		}
		sdHz, sdAlpha := f.SD(0)
		zHz += math.Pow((f.Lines[0].Hz-ring.Hz)/sdHz, 2)
		zAlpha += math.Pow((f.Lines[0].Alpha-ring.Alpha)/sdAlpha, 2)
		with += math.Pow(f.Lines[0].Alpha-ring.Alpha, 2)
		without += math.Pow(plain.Lines[0].Alpha-ring.Alpha, 2)
		if nHz, nAlpha := f.NoiseSD(0); !(nHz < sdHz && nAlpha < sdAlpha) {
			t.Errorf("%d: sd %g, %g; %g, %g if the coefficients were known", seed, sdHz, sdAlpha, nHz, nAlpha)
		}
	}
	const half = runs / 2 // the mean square of so many normal variates has an sd of sqrt(2/half)
	if most := 1 + 4*math.Sqrt(2.0/half); zHz/half > most || zAlpha/half > most || min(zHz, zAlpha)/half < 2-most {
		t.Errorf("mean square error over variance: frequency %.2f, decay rate %.2f", zHz/half, zAlpha/half)
	}
	if with > without/4 {
		t.Errorf("mean square error of the decay rate %.3g with shared columns, %.3g without", with/half, without/half)
	}
	if 10*there < 9*half || 10*notThere < 9*half {
		t.Errorf("told in %d of %d cases that they are there, in %d of %d that they are not", there, half, notThere, half)
	}
}
