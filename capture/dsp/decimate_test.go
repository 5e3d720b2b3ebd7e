package dsp

import (
	"math"
	"testing"
)

// TestDecimate sends steady tones through and asks for their level and, where they
// remain, their place in time.
func TestDecimate(t *testing.T) {
	for _, c := range []struct {
		rate, want float64
		m          int
	}{{48000, 22000, 2}, {48000, 11000, 4}, {24000, 8000, 3}, {44100, 8000, 5}, {96000, 8000, 12}, {192000, 11000, 17}, {8000, 8000, 1}, {8000, 22000, 1}} {
		for _, share := range []float64{0, 0.1, 0.2, 0.3, 0.7, 0.8, 1.1, 1.9} {
			hz := share * c.rate / float64(c.m)
			if hz > 0.5*c.rate {
				continue
			}
			tone := func(s float64) float64 { return math.Cos(2*math.Pi*hz*s + 0.3) }
			x := make([]float64, 3000)
			for i := range x {
				x[i] = tone(float64(i) / c.rate)
			}
			y, rate := Decimate(x, c.rate, c.want)
			if rate != c.rate/float64(c.m) || len(y) != (len(x)+c.m-1)/c.m {
				t.Fatalf("%g Hz decimated to %g or more: %d samples at %g Hz", c.rate, c.want, len(y), rate)
			}
			worst := 0.0
			for i := 20; i < len(y)-20; i++ {
				want := tone(float64(i) / rate)
				if c.m > 1 && share > 0.5 {
					want = 0
				}
				worst = max(worst, math.Abs(y[i]-want))
			}
			// 60 dB on both sides, and each stage adds its own.
			if worst > 1e-3*float64(1+c.m/4) {
				t.Errorf("%g Hz decimated by %d, tone at %.1f of the new rate: off by %.2g", c.rate, c.m, share, worst)
			}
		}
	}
	if y, _ := Decimate(nil, 48000, 8000); len(y) != 0 {
		t.Error("samples out of nothing")
	}
	if y, _ := Decimate([]float64{1, 1, 1}, 48000, 8000); math.Abs(y[0]-1) > 1e-12 {
		t.Error("a constant does not stay one", y)
	}
}

// TestHalver: a stream is halved sample by sample to the very samples that
// the whole sound gives.
func TestHalver(t *testing.T) {
	x := make([]float64, 501)
	for i := range x {
		x[i] = math.Sin(float64(i*i)) + 0.3
	}
	var h Halver
	var got []float64
	for _, v := range x {
		if y, ok := h.Next(v); ok {
			got = append(got, y)
		}
	}
	p := Pyramid{Samples: x, Rate: 2}
	want := p.HalveTo(1).Samples
	if len(got) != len(want)-5 { // the last ones need what would come
		t.Fatalf("%d samples, want %d", len(got), len(want)-4)
	}
	for i, y := range got {
		if math.Abs(y-want[i]) > 1e-14 { // rounding: at the edges it is summed in another order
			t.Fatalf("sample %d: %g, want %g", i, y, want[i])
		}
	}
}
