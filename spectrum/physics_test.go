package spectrum_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"regexp"
	"slices"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

func analyse(t *testing.T, rec capture.Recording) spectrum.Ring {
	t.Helper()
	return *ringOf(t, rec)
}

// changed is the recording with other samples.
func changed(rec capture.Recording, change func(x []float64) []float64) capture.Recording {
	rec.Tracks = [][]float64{change(slices.Clone(rec.Tracks[0]))}
	return rec
}

func scaled(k float64) func([]float64) []float64 {
	return func(x []float64) []float64 {
		for i := range x {
			x[i] *= k
		}
		return x
	}
}

// compare checks frequency, Q and purity of two rings: they may differ by so many of the
// stated standard uncertainties.
func compare(t *testing.T, got, want spectrum.Ring, sds func(a, b measure.Value) float64) {
	t.Helper()
	for _, v := range []struct {
		name      string
		got, want measure.Value
	}{
		{"frequency", got.Fundamental.Hz, want.Fundamental.Hz},
		{"Q", got.Fundamental.Q, want.Fundamental.Q},
		{"purity", got.PurityPct, want.PurityPct},
	} {
		if !v.got.Known() || !v.want.Known() {
			t.Errorf("%s: known %v, was %v", v.name, v.got.Known(), v.want.Known())
			continue
		}
		if d := math.Abs(v.got.X - v.want.X); d > sds(v.got, v.want) {
			t.Errorf("%s moved from %.6g ± %.2g to %.6g ± %.2g", v.name, v.want.X, v.want.U, v.got.X, v.got.U)
		}
	}
}

func within(k float64) func(a, b measure.Value) float64 {
	return func(a, b measure.Value) float64 { return k * min(a.U, b.U) }
}

// apart allows for two sets of noise that have nothing in common: three standard
// uncertainties of a difference.
func apart(a, b measure.Value) float64 { return 3 * math.Hypot(a.U, b.U) }

// TestWhatMustNotMatter changes recordings in ways that leave the wood as it is.
func TestWhatMustNotMatter(t *testing.T) {
	last := uint64(501)
	if slow() {
		last = 503
	}
	for seed := uint64(501); seed <= last; seed++ {
		c := cases.Bar(seed).InRoom().SNR(30).Bits(0)
		rec, _ := c.Render()
		plain := analyse(t, rec)
		rate := rec.Rate
		for _, tt := range []struct {
			name   string
			change func(x []float64) []float64
			by     func(a, b measure.Value) float64
		}{
			// A power of two leaves every digit as it is but the exponent.
			{"gain", scaled(1.0 / 64), within(1e-6)},
			{"odd gain", scaled(2.3), within(1e-3)},
			{"polarity", scaled(-1), within(1e-6)},
			{"offset of the zero line", func(x []float64) []float64 {
				for i := range x {
					x[i] += 0.02
				}
				return x
			}, within(0.3)},
			{"later start", func(x []float64) []float64 { return x[int(0.31*rate):] }, within(1)},
			// Its own first 0.7 s backwards: the same noise, without a seam.
			{"quiet before it", func(x []float64) []float64 {
				before := slices.Clone(x[:int(0.7*rate)])
				slices.Reverse(before)
				return append(before, x...)
			}, within(1)},
			{"silence after it", func(x []float64) []float64 { return append(x, make([]float64, int(1.5*rate))...) }, within(1)},
			{"16 bits", func(x []float64) []float64 {
				for i, v := range x {
					x[i] = math.Round(v*32768) / 32768
				}
				return x
			}, within(1)},
		} {
			t.Run(fmt.Sprintf("%s, bar %d", tt.name, seed), func(t *testing.T) {
				compare(t, analyse(t, changed(rec, tt.change)), plain, tt.by)
			})
		}
		for _, bits := range []int{16, 24} {
			t.Run(fmt.Sprintf("file of %d bits, bar %d", bits, seed), func(t *testing.T) {
				var file bytes.Buffer
				if err := wavfile.Write(&file, rec, bits); err != nil {
					t.Fatal(err)
				}
				back, err := wavfile.Read(bytes.NewReader(file.Bytes()), int64(file.Len()), "file")
				if err != nil {
					t.Fatal(err)
				}
				compare(t, analyse(t, back), plain, within(1))
			})
		}
		for _, hz := range []float64{22050, 44100, 96000, 192000} {
			t.Run(fmt.Sprintf("%g Hz, bar %d", hz, seed), func(t *testing.T) {
				other, _ := c.At(hz).Render()
				compare(t, analyse(t, other), plain, apart)
			})
		}
		t.Run(fmt.Sprintf("a worse channel beside it, bar %d", seed), func(t *testing.T) {
			two := rec
			rng := rand.New(rand.NewPCG(seed, seed))
			noisy := slices.Clone(rec.Tracks[0])
			for i := range noisy {
				noisy[i] += 0.01 * rng.NormFloat64()
			}
			two.Tracks = [][]float64{noisy, rec.Tracks[0]}
			compare(t, analyse(t, two), plain, within(1e-6))
			if a := spectrum.Analyse(capture.FindTaps(two), spectrum.SideTap); a.Channel != 2 {
				t.Errorf("channel %d is named, 2 is the better one", a.Channel)
			}
		})
	}
}

// TestTruthWithinUncertainty: what is found lies about the truth as far as is stated.
// Three standard uncertainties are allowed to each of some dozen values, which a fixed
// seed makes the same every time.
func TestTruthWithinUncertainty(t *testing.T) {
	for _, tt := range []struct {
		name string
		c    cases.Case
	}{
		{"begins 30 ms before the strike", cases.Bar(511).SNR(35).Starting(0.03)},
		{"begins at the strike", cases.Bar(512).SNR(35).Starting(0)},
		{"begins 20 ms after the strike", cases.Bar(513).SNR(35).Starting(-0.02)},
		{"one tap", cases.Bar(514).Taps(1).SNR(35)},
		{"twenty taps", cases.Bar(515).Taps(20).SNR(35)},
		{"Q 60", cases.Bar(516).Damped(60).SNR(35)},
		{"Q 400", cases.Bar(517).Damped(400).SNR(35)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rec, truth := tt.c.Render()
			f := analyse(t, rec).Fundamental
			if !f.Hz.Known() || math.Abs(f.Hz.X-truth.Fundamental.Hz) > 3*f.Hz.U {
				t.Errorf("%.4f ± %.4f Hz, truth %.4f", f.Hz.X, f.Hz.U, truth.Fundamental.Hz)
			}
			if !f.Q.Known() || math.Abs(f.Q.X-truth.Fundamental.Q) > 3*f.Q.U {
				t.Errorf("Q %.2f ± %.2f, truth %.2f", f.Q.X, f.Q.U, truth.Fundamental.Q)
			}
		})
	}
}

// alone is one mode struck once, in white noise of a signal-to-noise ratio of 30 dB.
func alone(seed uint64) cases.Case {
	q := 150 * math.Pow(400.0/150, float64(seed%10)/9)
	return cases.Single(seed, 100+80*float64(seed%7)/6, q, 30, 5)
}

// onePlane is a bar that sounds in one plane only: its ring is even, but for what
// the room makes of it.
func onePlane(seed uint64) cases.Case {
	c := cases.Bar(seed)
	for k := 6; k < 10; k++ {
		c.Scene.Modes[k].Gain = 0
	}
	return c
}

// TestEvenRing: a ring of one line, 30 dB over the noise, is even within 0.1 %, and its
// drift scatters by little more than the Cramér-Rao bound, 0.5 cents or less but where
// the ring is short. With s = t/tau the phase is known with the information a^2 tau/N0
// exp(-2 s) ds; of the glide's term, exp(-s) from s0 on, what 1 and s leave has the norm
// exp(-2 s0)/324. A fifth is allowed for the filter through which the phase is followed,
// three standard uncertainties for 60 seeds.
func TestEvenRing(t *testing.T) {
	var uneven, drift []float64
	for seed := uint64(551); seed <= 610; seed++ {
		rec, truth := alone(seed).Render()
		ring, f := analyse(t, rec), truth.Fundamental
		tau := f.Tau()
		signal := 2 * math.Pow(10, truth.SNRdB/10) * f.Hz * (math.Sqrt2 - 1/math.Sqrt2) // a^2/N0
		bound := 18 * math.Exp(0.15/tau) / math.Sqrt(signal*tau) / (2 * math.Pi * tau * f.Hz) * 1200 / math.Ln2
		uneven = append(uneven, ring.UnevennessPct.X)
		drift = append(drift, ring.DriftCents.X/bound)
	}
	t.Logf("unevenness %.3f %% rms, drift %.2f times its bound", rms(uneven), rms(drift))
	if got := rms(uneven); got > 0.1 {
		t.Errorf("unevenness %.3f %% rms", got)
	}
	if got, most := rms(drift), 1.2*(1+3/math.Sqrt(2*60)); got > most {
		t.Errorf("drift scatters by %.2f times its bound, %.2f are allowed", got, most)
	}
}

// TestMeasuresWithinUncertainty: what is said of pitch, drift, unevenness and purity
// holds, in five taps together and in the first alone. Two standard uncertainties hold 95
// % of the values; of 40, less than 33 have a chance of 1 in 1000.
func TestMeasuresWithinUncertainty(t *testing.T) {
	glide := func(seed uint64) float64 { return 0.4 * (float64(seed%9) - 4) / 4 }
	for _, tt := range []struct {
		name string
		make func(seed uint64) cases.Case
	}{
		{"white noise", func(seed uint64) cases.Case { return onePlane(seed).InWhiteNoise().SNR(30) }},
		{"room", func(seed uint64) cases.Case { return onePlane(seed).InRoom().SNR(30) }},
		{"glide", func(seed uint64) cases.Case { return onePlane(seed).Glide(glide(seed)).SNR(30) }},
		{"foreign note", func(seed uint64) cases.Case { return onePlane(seed).Foreign(1.7+0.05*float64(seed%9), 10).SNR(30) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			holds := map[string]int{}
			// Of 40 draws at a rate of 0.95 fewer than 33 come in 0.1 % of tries, of 10
			// fewer than 7 in 0.1 %.
			bars, least := 10, 7
			if slow() {
				bars, least = 40, 33
			}
			for seed := uint64(611); seed < 611+uint64(bars); seed++ {
				rec, truth := tt.make(seed).Render()
				a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
				if a.Ring == nil || a.Taps[0].Ring == nil {
					t.Fatalf("bar %d: no ring", seed)
				}
				f := truth.Fundamental
				drift := -f.GlideHz * math.Exp(-0.15/f.Tau()) / f.Hz * 1200 / math.Ln2
				for _, r := range []struct {
					of     string
					ring   *spectrum.Ring
					purity float64
				}{{"five taps", a.Ring, truth.PurityPct}, {"one tap", a.Taps[0].Ring, truth.Taps[0].PurityPct}} {
					for _, v := range []struct {
						name  string
						got   measure.Value
						truth float64
					}{
						{"pitch", r.ring.Fundamental.Hz, f.Hz},
						{"drift", r.ring.DriftCents, drift},
						{"unevenness", r.ring.UnevennessPct, 0},
						{"purity", r.ring.PurityPct, r.purity},
					} {
						if tt.name == "glide" && v.name == "unevenness" {
							continue // a glide is no single decay
						}
						holds[v.name+" of "+r.of] += 0
						if math.Abs(v.got.X-v.truth) <= 2*v.got.U {
							holds[v.name+" of "+r.of]++
						}
					}
				}
			}
			for what, n := range holds {
				t.Logf("%s: %d of %d", what, n, bars)
				if n < least {
					t.Errorf("%s: 2u hold %d of %d", what, n, bars)
				}
			}
		})
	}
}

// TestHumBesideTheFundamental: the mains 1 Hz below and 10 dB under it.
func TestHumBesideTheFundamental(t *testing.T) {
	for seed := uint64(521); seed <= 524; seed++ {
		c := cases.Bar(seed)
		scale := 121 / c.Scene.Modes[0].Hz
		for k := range c.Scene.Modes {
			c.Scene.Modes[k].Hz *= scale
		}
		rec, truth := c.HumNear(120-121, -10).SNR(35).Render()
		f := analyse(t, rec).Fundamental
		if math.Abs(f.Hz.X-121) > 0.01 {
			t.Errorf("bar %d: %.4f Hz, truth 121", seed, f.Hz.X)
		}
		if !f.Q.Known() || math.Abs(f.Q.X/truth.Fundamental.Q-1) > 0.03 {
			t.Errorf("bar %d: Q %.1f, truth %.1f", seed, f.Q.X, truth.Fundamental.Q)
		}
	}
}

// TestWanderingHum: mains whose frequency walks by 5 mHz in a second, times the
// harmonic, as grids do at their worst, are not one wave through all taps, and must
// not be taken for it.
func TestWanderingHum(t *testing.T) {
	for seed := uint64(541); seed <= 546; seed++ {
		rng := rand.New(rand.NewPCG(seed, 99))
		rec, truth := cases.Bar(seed).SNR(30).Render()
		hz, phase := truth.Fundamental.Hz-1, 2*math.Pi*rng.Float64()
		for n := range rec.Tracks[0] {
			if every := int(rec.Rate / 100); n%every == 0 {
				hz += 2 * 0.005 * 0.1 * rng.NormFloat64()
			}
			phase += 2 * math.Pi * hz / rec.Rate
			rec.Tracks[0][n] += 0.015 * math.Sin(phase)
		}
		f := analyse(t, rec).Fundamental
		if math.Abs(f.Hz.X-truth.Fundamental.Hz) > 3*f.Hz.U {
			t.Errorf("bar %d: %.4f ± %.4f Hz, truth %.4f", seed, f.Hz.X, f.Hz.U, truth.Fundamental.Hz)
		}
		if !f.Q.Known() || math.Abs(f.Q.X-truth.Fundamental.Q) > 3*f.Q.U {
			t.Errorf("bar %d: Q %.1f ± %.1f, truth %.1f", seed, f.Q.X, f.Q.U, truth.Fundamental.Q)
		}
	}
}

var whatToDo = regexp.MustCompile(`\b(tap harder|bring the microphone nearer|record (this blank )?again)\b`)

// TestRecordingsWithoutARing: each gives a plain reason, no number and no panic.
func TestRecordingsWithoutARing(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	make1 := func(n int, f func(i int) float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = f(i)
		}
		return x
	}
	constant := func(int) float64 { return 0.25 }
	noise := func(int) float64 { return 0.01 * rng.NormFloat64() }
	hum := func(i int) float64 { return 0.1 * math.Sin(2*math.Pi*50*float64(i)/48000) }
	click := func() []float64 {
		x := make1(200000, func(int) float64 { return 1e-4 * rng.NormFloat64() })
		x[100000] = 0.9
		return x
	}
	for _, tt := range []struct {
		name  string
		track []float64
	}{
		{"no samples", nil},
		{"one sample", []float64{0.5}},
		{"two samples", []float64{0.5, -0.5}},
		{"a hundred samples", make1(100, noise)},
		{"silence", make([]float64, 200000)},
		{"constant", make1(200000, constant)},
		{"white noise", make1(400000, noise)},
		{"hum", make1(200000, hum)},
		{"a click", click()},
		{"another click", click()},
		{"a third click", click()},
		{"a fourth click", click()},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, strike := range []spectrum.Strike{spectrum.SideTap, spectrum.EndTap} {
				rec := capture.Recording{Source: tt.name, Rate: 48000, Tracks: [][]float64{tt.track}}
				a := spectrum.Analyse(capture.FindTaps(rec), strike)
				if a.Ring != nil {
					t.Fatalf("a ring of %.2f Hz, Q %.1f", a.Ring.Fundamental.Hz.X, a.Ring.Fundamental.Q.X)
				}
				if a.Error == nil {
					t.Fatal("no ring, and no reason for it")
				}
				if !whatToDo.MatchString(a.Error.Text) {
					t.Errorf("does not say what to do: %q", a.Error.Text)
				}
			}
		})
	}
	t.Run("no channel", func(t *testing.T) {
		if a := spectrum.Analyse(capture.FindTaps(capture.Recording{Rate: 48000}), spectrum.SideTap); a.Ring != nil || a.Error == nil {
			t.Errorf("%+v", a)
		}
	})
}

// TestNoNumberThatIsNone: NaN and infinity are neither in the values of any kind of
// recording nor in its JSON, which can't hold them.
func TestNoNumberThatIsNone(t *testing.T) {
	for _, class := range cases.Classes() {
		rec, _ := class.Case(531).Render()
		a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
		if at := notANumber(reflect.ValueOf(a), class.Name); at != "" {
			t.Error(at)
		}
		if _, err := json.Marshal(a); err != nil {
			t.Errorf("%s: %v", class.Name, err)
		}
	}
}

// notANumber is the place of the first NaN or infinity in v.
func notANumber(v reflect.Value, at string) string {
	switch v.Kind() {
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			return fmt.Sprintf("%s is %v", at, f)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return notANumber(v.Elem(), at)
		}
	case reflect.Slice:
		for i := range v.Len() {
			if bad := notANumber(v.Index(i), fmt.Sprintf("%s[%d]", at, i)); bad != "" {
				return bad
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if bad := notANumber(v.Field(i), at+"."+v.Type().Field(i).Name); bad != "" {
				return bad
			}
		}
	}
	return ""
}
