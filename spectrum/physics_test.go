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

// compare checks frequency, Q and purity of two rings: they may differ by so many of the stated standard uncertainties.
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

// apart allows for two sets of noise that have nothing in common: three standard uncertainties of a difference.
func apart(a, b measure.Value) float64 { return 3 * math.Hypot(a.U, b.U) }

// TestWhatMustNotMatter changes recordings in ways that leave the wood as it is.
func TestWhatMustNotMatter(t *testing.T) {
	for seed := uint64(501); seed <= 503; seed++ {
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

// TestTruthWithinUncertainty: what is found lies about the truth as far as is stated. Three standard uncertainties are
// allowed to each of some dozen values, which a fixed seed makes the same every time.
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

// TestWanderingHum: mains whose frequency walks by 5 mHz in a second, times the harmonic, as grids do at their worst, are not
// one wave through all taps, and must not be taken for it.
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
		{"a click", make1(200000, func(i int) float64 {
			if i == 100000 {
				return 0.9
			}
			return 1e-4 * rng.NormFloat64()
		})},
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
				if !whatToDo.MatchString(*a.Error) {
					t.Errorf("does not say what to do: %q", *a.Error)
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

// TestNoNumberThatIsNone: NaN and infinity are neither in the values of any kind of recording nor in its JSON, which can't hold them.
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
