package beam_test

import (
	"math"
	"testing"

	"ringstock/capture/synth/beam"
)

func even(s beam.Section, e, g, rho float64) func(float64) beam.Section {
	s.Young, s.Shear, s.Density = e, g, rho
	return func(float64) beam.Section { return s }
}

func near(t *testing.T, what string, got []beam.Vibration, want []float64, rel float64) {
	t.Helper()
	for i, w := range want {
		if math.Abs(got[i].Hz/w-1) > rel {
			t.Errorf("%s, mode %d: %.6g Hz, want %.6g", what, i+1, got[i].Hz, w)
		}
	}
}

// The blank of 760 x 14 x 14 mm, 1000 kg/m3, E 22 GPa, G 1.2 GPa, by the transfer matrix
// of Timoshenko's bar; and its waves along and about its axis, f = n c/2L.
func TestEvenBar(t *testing.T) {
	b := beam.Bar{Length: 0.76, At: even(beam.Rectangle(0.014, 0.014), 22e9, 1.2e9, 1000)}
	near(t, "bending", b.Vibrations(beam.AlongHeight, 6), []float64{116.336632, 317.149403, 611.479209, 988.978042, 1439.049881, 1950.570611}, 2e-5)
	near(t, "lengthwise", b.Vibrations(beam.Lengthwise, 2), []float64{3085.799842, 6171.599684}, 1e-6)
	near(t, "torsion", b.Vibrations(beam.Torsion, 1), []float64{661.880855}, 2e-5)
	if m := b.Mass(); math.Abs(m/0.14896-1) > 1e-9 {
		t.Errorf("mass %g kg", m)
	}
}

// Omega = omega L^2 sqrt(rho A/(E I)) of slender bars: even (W. T. Thomson, Theory of
// Vibration with Applications, app. D), tapered (roots with Bessel functions), stepped in
// the middle (transfer matrix), with a mass at one end (frequency equation).
func TestSlenderBars(t *testing.T) {
	const thin = 2e-3
	omega := func(size func(x float64) (h, w float64), breaks []float64, masses ...beam.Mass) []beam.Vibration {
		h0, w0 := size(0)
		root := beam.Rectangle(thin*h0, thin*w0)
		for i := range masses {
			masses[i].Kg *= root.Area
		}
		b := beam.Bar{Length: 1, Breaks: breaks, Masses: masses, At: func(x float64) beam.Section {
			h, w := size(x)
			s := beam.Rectangle(thin*h, thin*w)
			s.Young, s.Shear, s.Density = 1, 1, 1
			return s
		}}
		v := b.Vibrations(beam.AlongHeight, 3)
		for i := range v {
			v[i].Hz *= 2 * math.Pi * math.Sqrt(root.Area/root.HeightWise)
		}
		return v
	}
	const rel = 1e-4 // shear and rotary inertia shift the third mode by 6e-5
	near(t, "even", omega(func(float64) (float64, float64) { return 1, 1 }, nil), []float64{22.373285, 61.672823, 120.903392}, rel)
	near(t, "wedge", omega(func(x float64) (float64, float64) { return 1 - x/2, 1 }, nil), []float64{16.7241578, 45.5026, 88.7111}, rel)
	near(t, "square taper", omega(func(x float64) (float64, float64) { return 1 - x/2, 1 - x/2 }, nil), []float64{17.0793338, 45.9630, 89.2139}, rel)
	near(t, "step", omega(func(x float64) (float64, float64) {
		if x > 0.5 {
			return 0.8, 0.8
		}
		return 1, 1
	}, []float64{0.5}), []float64{19.219221, 55.998351, 106.383785}, rel)
	end := func(l float64) float64 { return l * l }
	near(t, "end mass", omega(func(float64) (float64, float64) { return 1, 1 }, nil, beam.Mass{X: 1, Kg: 0.1}),
		[]float64{end(4.43026843), end(7.44986461)}, rel)
}

// The shape of the lowest mode of an even slender bar is 2 at the ends and rests 0.2242 L
// from them; its rms is 1. The loss of a mode lies between those of stretch and shear.
func TestShapes(t *testing.T) {
	s := beam.Rectangle(0.014, 0.014)
	s.Loss, s.ShearLoss = 0.005, 0.02
	b := beam.Bar{Length: 2, At: even(s, 22e9, 2e9, 1000)}
	v := b.Vibrations(beam.AlongHeight, 2)[0]
	if end := math.Abs(v.Shape(0)); math.Abs(end-2) > 0.01 {
		t.Errorf("end moves by %g, want 2", end)
	}
	if node := v.Shape(0.2242*2) / v.Shape(0); math.Abs(node) > 0.005 {
		t.Errorf("node moves by %g", node)
	}
	if !(v.Loss > 0.005 && v.Loss < 0.0052) {
		t.Errorf("loss %g", v.Loss)
	}
}

func BenchmarkVibrations(b *testing.B) {
	bar := beam.Bar{Length: 0.76, At: even(beam.Rectangle(0.014, 0.014), 22e9, 1.2e9, 1000)}
	for b.Loop() {
		bar.Vibrations(beam.AlongHeight, 6)
	}
}
