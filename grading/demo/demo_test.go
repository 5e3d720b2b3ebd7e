package demo

import (
	"math"
	"reflect"
	"testing"
)

func TestDeliveryIsFixedBySeed(t *testing.T) {
	a, b, c := Blanks(Seed), Blanks(Seed), Blanks(Seed+1)
	if !reflect.DeepEqual(a, b) {
		t.Error("two deliveries of one seed differ")
	}
	if reflect.DeepEqual(a, c) {
		t.Error("another seed gives the same delivery")
	}
	x, y := a[8].Recording(Height).Tracks[0], b[8].Recording(Height).Tracks[0]
	if !reflect.DeepEqual(x, y) {
		t.Error("two recordings of one blank differ")
	}
}

func TestEachFaultOccursOnce(t *testing.T) {
	numbers, faults := map[string]bool{}, map[Fault]int{}
	for _, b := range Blanks(Seed) {
		numbers[b.Number] = true
		faults[b.Fault]++
	}
	if len(numbers) != Count {
		t.Errorf("%d different numbers for %d blanks", len(numbers), Count)
	}
	for _, f := range []Fault{Stray, Beating, Checked, NotWeighed, NearHum} {
		if faults[f] != 1 {
			t.Errorf("%q occurs %d times", f, faults[f])
		}
	}
}

// The wood must be wood: dense tropical hardwood, by the figures of the US Forest
// Products Laboratory's data sheets and Schimleck et al. (Holzforschung 63 (2009) 457):
// 900-1200 kg/m3, E 14-28 GPa. The readings scatter about the truth by their errors.
func TestBlanksArePlausible(t *testing.T) {
	for _, b := range Blanks(Seed) {
		body, r := b.Body, b.Readings
		if body.Density < 900 || body.Density > 1200 || body.Young < 14e9 || body.Young > 28e9 {
			t.Errorf("%s: %.0f kg/m3, %.1f GPa", b.Number, body.Density, body.Young/1e9)
		}
		if f := b.Mode(Height).Hz; f < 85 || f > 135 {
			t.Errorf("%s: fundamental %.1f Hz", b.Number, f)
		}
		for what, off := range map[string]float64{
			"length":   (r.LengthMM - 1000*body.Length) / 0.5,
			"height":   (r.HeightMM - 1000*body.Height) / 0.03,
			"width":    (r.WidthMM - 1000*body.Width) / 0.03,
			"moisture": (r.MoisturePct - b.Moisture) / 0.5,
		} {
			if math.Abs(off) > 4 {
				t.Errorf("%s: the %s is off by %.1f of its uncertainty", b.Number, what, off)
			}
		}
		if (r.MassG == 0) != (b.Fault == NotWeighed) || r.MassG != 0 && math.Abs(r.MassG-1000*body.Mass()) > 0.4 {
			t.Errorf("%s: reads %v g, weighs %v", b.Number, r.MassG, 1000*body.Mass())
		}
	}
}

// Only the taps meant to be clipped are, there is a second of quiet before the first, and
// every ring has room to decay.
func TestTaps(t *testing.T) {
	clipped := map[string]bool{"D03": true, "D11": true, "D19": true}
	for _, b := range Blanks(Seed) {
		t.Run(b.Number, func(t *testing.T) {
			t.Parallel()
			for _, plane := range b.Planes {
				s := b.Scene(plane)
				full := 0
				for _, v := range s.Render().Tracks[0] {
					if v >= 1-math.Ldexp(1, -23) || v <= -1 {
						full++
					}
				}
				if want := clipped[b.Number] && plane == Height; want != (full > 10) || !want && full > 0 {
					t.Errorf("%s: %d samples at full scale", s.Name, full)
				}
				if s.Strikes[0].AtS < 0.9 {
					t.Errorf("%s: first tap at %.2f s", s.Name, s.Strikes[0].AtS)
				}
				apart := 2 * s.Modes[0].Tau() // the ring sinks by 17 dB
				for k := range taps {
					next := s.DurationS
					if k+1 < taps {
						next = s.Strikes[k+1].AtS
					}
					if next-s.Strikes[k].AtS < apart {
						t.Errorf("%s: tap %d has %.2f s to ring", s.Name, k+1, next-s.Strikes[k].AtS)
					}
				}
				if snr := s.SNRdB(0, 0); snr < 26 {
					t.Errorf("%s: signal-to-noise ratio %.1f dB", s.Name, snr)
				}
			}
		})
	}
}

// The two planes of the beating blank lie within a few hertz, and a tap excites both.
func TestBeatingBlank(t *testing.T) {
	for _, b := range Blanks(Seed) {
		if b.Fault != Beating {
			continue
		}
		apart := b.Body.bending(true)[0].hz - b.Body.bending(false)[0].hz
		if apart < 0.5 || apart > 4 {
			t.Errorf("planes %.2f Hz apart", apart)
		}
	}
}
