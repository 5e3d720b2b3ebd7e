package cases

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"reflect"
	"testing"

	"ringstock/capture/synth/beam"
)

// Ratios of the exact Timoshenko frequencies of a bar 760 x 14 x 14 mm with E/G = 18.333
// (exact frequency equation, solved).
func TestBendingRatios(t *testing.T) {
	got := wood{slender: 14.0 / 760, stiff: 22 / 1.2}.vibrations(beam.AlongHeight, 6)
	for n, want := range []float64{1, 2.7261, 5.2561, 8.5010, 12.3697, 16.7666} {
		if ratio := got[n].Hz / got[0].Hz; math.Abs(ratio/want-1) > 4e-5 {
			t.Errorf("mode %d: ratio %v, want %v", n+1, ratio, want)
		}
	}
}

// Values of the mode shapes at the usual places (Euler-Bernoulli, standard table).
func TestBendingShapes(t *testing.T) {
	got := wood{slender: 0.002, stiff: 1}.vibrations(beam.AlongHeight, 6)
	for x, want := range map[float64][6]float64{
		0:       {2, 2, 2, 2, 2, 2},
		0.05:    {1.536, 1.216, 0.907, 0.604, 0.311, 0.030},
		0.224:   {0.001, -1.000, -1.321, -0.932, -0.059, 0.863},
		1.0 / 3: {-0.741, -1.299, -0.340, 1.009, 1.369, 0.367},
		0.5:     {-1.216, 0, 1.422, 0, -1.414, 0},
		1:       {2, -2, 2, -2, 2, -2},
	} {
		for n := range want {
			sign := math.Copysign(1, got[n].Shape(0))
			if y := sign * got[n].Shape(x); math.Abs(y-want[n]) > 1.2e-3 {
				t.Errorf("mode %d at %v: %v, want %v", n+1, x, y, want[n])
			}
		}
	}
}

// What unevenness does to the series of 120 bars (finite elements of another make,
// 400 bars: rms of the deviation of f_n/f_1 from the even bar's ratio, modes 2 to
// 5, of slender bars).
func TestUnevenSeries(t *testing.T) {
	const bars = 120
	for _, c := range []struct {
		u    Unevenness
		want [4]float64 // %
	}{
		{Unevenness{Young: 0.05, Density: 0.02, CorrelationM: 0.1}, [4]float64{0.91, 0.96, 0.94, 0.93}},
		{Unevenness{Section: 0.02, CorrelationM: 0.1}, [4]float64{0.94, 1.0, 1.0, 1.0}},
	} {
		var sum [4]float64
		even := wood{slender: 0.004, stiff: 1}.vibrations(beam.AlongHeight, 5)
		for seed := range uint64(bars) {
			random := rand.New(rand.NewPCG(seed, 5))
			w := wood{slender: 0.004, stiff: 1}
			along := c.u.CorrelationM / 0.75
			w.young, w.density = wander(random, c.u.Young, along), wander(random, c.u.Density, along)
			w.height = wander(random, c.u.Section, along)
			got := w.vibrations(beam.AlongHeight, 5)
			for n := range sum {
				off := got[n+1].Hz/got[0].Hz/(even[n+1].Hz/even[0].Hz) - 1
				sum[n] += off * off / bars
			}
		}
		for n, want := range c.want {
			// The rms of so many is known to 1/sqrt(2 bars), three times that is allowed.
			if got := 100 * math.Sqrt(sum[n]); math.Abs(got/want-1) > 3/math.Sqrt(2*bars) {
				t.Errorf("%+v, mode %d: %.2f %%, want %.2f", c.u, n+2, got, want)
			}
		}
	}
}

// What is asked for is what comes out, for a few seeds of every class.
func TestTruth(t *testing.T) {
	for _, class := range Classes() {
		t.Run(class.Name, func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(2) {
				c := class.Case(seed)
				r, truth := c.Render()
				if len(truth.Taps) != 5 {
					t.Fatalf("seed %d: %d taps", seed, len(truth.Taps))
				}
				if r.Rate != c.Scene.Rate || r.Duration() < truth.Taps[4].AtS+1.5 || truth.Taps[0].AtS < 1 {
					t.Errorf("seed %d: %v s at %v Hz, first tap at %v s", seed, r.Duration(), r.Rate, truth.Taps[0].AtS)
				}
				double, clipped := 0, 0
				for _, tap := range truth.Taps {
					if tap.Double {
						double++
					}
					if tap.ClippedToS > 0 {
						clipped++
					}
				}
				if double != len(c.again) || clipped != len(c.loud) {
					t.Errorf("seed %d: %d double and %d clipped taps, want %d and %d", seed, double, clipped, len(c.again), len(c.loud))
				}
				if len(truth.Foreign) == 0 && truth.PurityPct != 100 || len(truth.Foreign) > 0 && !(truth.PurityPct < 99.9) {
					t.Errorf("seed %d: purity %v %% with %d foreign notes", seed, truth.PurityPct, len(truth.Foreign))
				}
				if truth.Altered != (class.Name == "automatic gain" || class.Name == "limiter" || class.Name == "noise suppression") {
					t.Errorf("seed %d: altered is %v", seed, truth.Altered)
				}
				if f := truth.Fundamental; f.Hz < 60 || f.Hz > 260 || f.Q < 100 || f.Q > 400 {
					t.Errorf("seed %d: fundamental %v Hz, Q %v", seed, f.Hz, f.Q)
				}
			}
		})
	}
}

func TestStepsLeaveTheirCaseAlone(t *testing.T) {
	bar := Bar(3)
	before := Bar(3)
	bar.Pair(1, -3).Foreign(1.45, 5).Damped(120).MainsNear(0.2, -3).Clipped(0).Doubled(1).Talking().Starting(0).Taps(7).InRoom().Glide(1).At(96000).InWhiteNoise()
	if !reflect.DeepEqual(bar.Scene, before.Scene) {
		t.Error("a step changed the case it started from")
	}
	a, _ := Bar(3).InRoom().Render()
	b, _ := Bar(3).InRoom().Render()
	if !reflect.DeepEqual(a, b) {
		t.Error("one seed gives two recordings")
	}
}

func TestSteps(t *testing.T) {
	bar := Bar(5)
	amplitude := func(c Case, mode int) float64 { return cmplx.Abs(c.Scene.Amplitude(0, mode)) }
	db := func(ratio float64) float64 { return 20 * math.Log10(ratio) }
	near := func(what string, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("level", amplitude(bar, 0), level, 1e-12)
	near("SNR", bar.SNR(17).Scene.SNRdB(0, 0), 17, 1e-9)
	near("SNR at another rate", bar.SNR(17).At(192000).Scene.SNRdB(0, 0), 17, 1e-9)
	near("Q", bar.Damped(123).Scene.Modes[0].Q, 123, 1e-9)

	c := bar.HumNear(0.3, -10)
	near("hum", c.Scene.Hum[0].Hz, bar.Scene.Modes[0].Hz+0.3, 1e-9)
	near("hum level", db(c.Scene.Hum[0].Amp/level), -10, 1e-9)

	c = bar.MainsNear(-0.2, -3)
	apart := math.Inf(1)
	for _, line := range c.Scene.Hum {
		if d := c.Scene.Modes[0].Hz - line.Hz; math.Abs(d) < math.Abs(apart) {
			apart = d
		}
	}
	near("fundamental beside the mains", apart, -0.2, 1e-9)

	_, truth := bar.Pair(1.5, -6).Render()
	near("pair", truth.Pair.Hz-truth.Fundamental.Hz, 1.5, 1e-9)

	// The force pulse weakens the second line as it does the fundamental, a shade more.
	c = bar.Pair(1.5, -6)
	near("pair level", db(amplitude(c, len(c.Scene.Modes)-1)/amplitude(c, 0)), -6, 0.05)

	_, truth = bar.Foreign(1.45, 8).Render()
	near("purity with a foreign note", truth.Taps[0].PurityPct, 92, 1e-6)
	near("foreign note", truth.Foreign[0].Hz/truth.Fundamental.Hz, 1.45, 1e-9)

	for _, n := range []int{1, 5, 12} {
		c = bar.Taps(n).Starting(0.002)
		at := c.Scene.Strikes
		near("number of taps", float64(len(at)), float64(n), 0)
		near("first tap", at[0].AtS, 0.002, 1e-12)
		for k := 1; k < n; k++ {
			if apart := at[k].AtS - at[k-1].AtS; apart < 1.4 {
				t.Errorf("taps %d and %d of %d are %v s apart", k, k+1, n, apart)
			}
		}
		if left := c.Scene.DurationS - at[n-1].AtS; left < 1.4 {
			t.Errorf("the last of %d taps has %v s to ring", n, left)
		}
	}

	near("high-pass", db(amplitude(bar.Highpassed(30), 0)/level), -30, 0.1)
}

// A single mode in white noise: what the record holds is what the truth says.
func TestSingle(t *testing.T) {
	c := Single(1, 140, 200, 30, 3)
	r, truth := c.Render()
	tau := 200 / (math.Pi * 140)
	if got := r.Duration() - truth.Taps[0].AtS; math.Abs(got-3*tau) > 1/r.Rate {
		t.Errorf("record of %v s, want %v", got, 3*tau)
	}
	if math.Abs(truth.SNRdB-30) > 1e-9 || truth.PurityPct != 100 {
		t.Errorf("SNR %v dB, purity %v %%", truth.SNRdB, truth.PurityPct)
	}
	power, n := 0.0, 0
	for _, v := range r.Tracks[0][:47000] {
		power += v * v
		n++
	}
	if got := math.Sqrt(power / float64(n)); math.Abs(got/c.Scene.White-1) > 4/math.Sqrt(2*float64(n)) {
		t.Errorf("noise of rms %v, want %v", got, c.Scene.White)
	}
}
