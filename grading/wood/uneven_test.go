package wood_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/capture/synth/beam"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

var unevenSeed = flag.Uint64("seed", 1, "first seed of uneven blanks")

// natural is a blank as it may have grown and been sawn: everything varies along it.
type natural struct {
	length, height, width   float64 // m, means
	young, shear, density   float64 // means
	e, rho, h, w            func(x float64) float64
	lumpKg, lumpAt          float64 // m
	softAt, softM, softness float64 // m, m, part of the stiffness that is lost
}

func even(float64) float64 { return 1 }

// wandering varies with a standard deviation sd about 1 along 0 to 1: a sum of waves
// whose strength falls as that of exponentially correlated noise.
func wandering(r *rand.Rand, sd, correlation float64) func(x float64) float64 {
	const waves = 40
	var amp, phase [waves]float64
	total := 0.0
	for k := range waves {
		amp[k] = 1 / math.Sqrt(1+math.Pow(math.Pi*float64(k+1)*correlation, 2))
		total += amp[k] * amp[k]
	}
	for k := range waves {
		amp[k] *= sd / math.Sqrt(total) * r.NormFloat64()
		if k%2 == 0 {
			phase[k] = math.Pi / 2
		}
	}
	return func(x float64) float64 {
		y := 1.0
		for k := range waves {
			y += math.Sqrt2 * amp[k] * math.Cos(math.Pi*float64(k+1)*x)
		}
		return y
	}
}

func grown(r *rand.Rand, young, density, section float64) natural {
	b := natural{length: between(r, 0.70, 0.78), height: between(r, 0.012, 0.017), young: between(r, 16e9, 27e9), density: between(r, 850, 1200)}
	b.width = b.height * (1 + between(r, -0.05, 0.05))
	b.shear = b.young / between(r, 12, 20)
	b.e, b.rho, b.h, b.w = even, even, even, even
	if young > 0 {
		along := between(r, 0.05, 0.2)
		b.e, b.rho, b.h, b.w = wandering(r, young, along), wandering(r, density, along), wandering(r, section, along), wandering(r, section, along)
	}
	return b
}

func (b natural) bar() beam.Bar {
	bar := beam.Bar{Length: b.length, At: func(x float64) beam.Section {
		s := beam.Rectangle(b.height*b.h(x/b.length), b.width*b.w(x/b.length))
		e := b.e(x / b.length)
		if math.Abs(x-b.softAt) < b.softM/2 {
			e *= 1 - b.softness
		}
		s.Young, s.Shear, s.Density = b.young*e, b.shear*e, b.density*b.rho(x/b.length)
		return s
	}}
	if b.lumpKg > 0 {
		bar.Masses = []beam.Mass{{X: b.lumpAt, Kg: b.lumpKg}}
	}
	if b.softM > 0 {
		bar.Breaks = []float64{b.softAt - b.softM/2, b.softAt + b.softM/2}
	}
	return bar
}

// side is what taps on the face say: five modes of its plane.
func (b natural) ring(r *rand.Rand, k beam.Kind, modes int) *spectrum.Ring {
	var list []spectrum.Partial
	family := spectrum.Bending
	if k == beam.Lengthwise {
		family = spectrum.Longitudinal
	}
	for i, v := range b.bar().Vibrations(k, modes) {
		list = append(list, partial(r, v.Hz, family, i+1, 1))
	}
	return ring(list)
}

// read measures the means of the dimensions.
func (b natural) read(r *rand.Rand) wood.Readings {
	v := func(x, u float64) measure.Value { return measure.Of(x+u*r.NormFloat64(), u) }
	return wood.Readings{Shape: wood.Rectangular, LengthMM: v(1000*b.length, 0.5), HeightMM: v(1000*b.height, 0.05), WidthMM: v(1000*b.width, 0.05), MassG: v(1000*b.bar().Mass(), 0.1)}
}

// within are the counts that n trials of probability low to high leave once
// in a thousand times.
func within(n int, low, high float64) (least, most int) {
	a, b := distuv.Binomial{N: float64(n), P: low}, distuv.Binomial{N: float64(n), P: high}
	for least < n && a.CDF(float64(least)) < 0.001 {
		least++
	}
	for most < n && b.CDF(float64(most)) < 0.999 {
		most++
	}
	return least, most
}

// TestUnevenWood evaluates blanks that vary along their length, made by finite elements,
// with the right sizes:
//
//	RINGSTOCK_SLOW=1 go test ./grading/wood -run UnevenWood -v -args -seed 90000
func TestUnevenWood(t *testing.T) {
	blanks := 10
	if slow() {
		blanks = 200
	}
	var text strings.Builder
	fmt.Fprintf(&text, "\n%-44s %8s %6s %6s %12s\n", "", "median", "1u", "2u", "implausible")
	for _, kit := range []struct {
		name       string
		modes      int
		width, end bool
	}{{"fundamental", 1, false, false}, {"five modes", 5, false, false}, {"five modes, both faces", 5, true, false}, {"all taps", 5, true, true}} {
		var inside, one, all int
		for _, u := range [][3]float64{{0.01, 0.003, 0.001}, {0.03, 0.01, 0.003}, {0.05, 0.02, 0.007}, {0.08, 0.03, 0.015}} {
			var errors tally
			var two, wide, implausible int
			for i := range blanks {
				r := rand.New(rand.NewPCG(*unevenSeed+uint64(i), 60))
				b := grown(r, u[0], u[1], u[2])
				side := b.ring(r, beam.AlongHeight, kit.modes)
				var width, end *spectrum.Ring
				if kit.width {
					width = b.ring(r, beam.AlongWidth, kit.modes)
				}
				if kit.end {
					end = b.ring(r, beam.Lengthwise, 1)
				}
				v, _, warnings := wood.Evaluate(b.read(r), "", side, width, end)
				bar := b.bar()
				want := bar.Mean(func(s beam.Section) float64 { return s.Young }) / bar.Mean(func(s beam.Section) float64 { return s.Density }) / 1e6
				errors.add(v.SpecificModulus, want)
				if math.Abs(v.SpecificModulus.X-want) <= 2*v.SpecificModulus.U {
					two++
				}
				if math.Abs(v.SpecificModulus.X-want) <= v.SpecificModulus.U {
					wide++
				}
				for _, w := range warnings {
					if w.Code == wood.Implausible {
						implausible++
						t.Logf("seed %d: %s", *unevenSeed+uint64(i), w.Text)
						break
					}
				}
			}
			n := float64(blanks)
			fmt.Fprintf(&text, "%-24s E %.0f %%, section %.1f %% %6.2f %% %+.2f %4.0f %% %4.0f %% %8d of %d\n", kit.name, 100*u[0], 100*u[2], errors.median(), errors.bias(), 100*float64(wide)/n, 100*float64(two)/n, implausible, blanks)
			inside, one, all = inside+two, one+wide, all+blanks
			if implausible > 0 {
				t.Errorf("%s, E %.0f %%: %d right blanks are called implausible", kit.name, 100*u[0], implausible)
			}
		}
		if least, most := within(all, 0.92, 0.985); inside < least || inside > most {
			t.Errorf("%s: E/rho is inside 2u in %d of %d", kit.name, inside, all)
		}
		fmt.Fprintf(&text, "%-44s %8s %4.0f %% %4.0f %%\n", kit.name, "", 100*float64(one)/float64(all), 100*float64(inside)/float64(all))
	}
	t.Log(text.String())
}

// TestPlaceOfSomething hides a lump of 3 % of the mass, or a soft spot of 30 % over 20
// mm, in otherwise even blanks, and looks where five modes in two planes say it is; in
// even blanks there must be nothing:
//
//	RINGSTOCK_SLOW=1 go test ./grading/wood -run PlaceOfSomething -v -args -seed 90000
func TestPlaceOfSomething(t *testing.T) {
	blanks := 25
	if slow() {
		blanks = 400
	}
	const dryRel = 2e-4
	for _, what := range []wood.Something{wood.Heavy, wood.Soft, ""} {
		var named, right, kind, inside int
		for i := range blanks {
			r := rand.New(rand.NewPCG(*unevenSeed+uint64(i), 70))
			b := grown(r, 0, 0, 0)
			at := b.length * between(r, 0.02, 0.98)
			switch what {
			case wood.Heavy:
				b.lumpKg, b.lumpAt = 0.03*b.bar().Mass(), at
			case wood.Soft:
				b.softAt, b.softM, b.softness = at, 0.020, 0.3
			}
			// As sure of their pitches as dry rooms leave them.
			dry := func(k beam.Kind) *spectrum.Ring {
				var list []spectrum.Partial
				for i, v := range b.bar().Vibrations(k, 5) {
					p := partial(r, v.Hz, spectrum.Bending, i+1, 1)
					p.Hz = measure.Of(v.Hz*(1+dryRel*r.NormFloat64()), dryRel*v.Hz)
					list = append(list, p)
				}
				return ring(list)
			}
			v, _, _ := wood.Evaluate(b.read(r), "", dry(beam.AlongHeight), dry(beam.AlongWidth), nil)
			if v.Spot == nil {
				continue
			}
			named++
			off := v.Spot.AtMM.X - 1000*min(at, b.length-at)
			if math.Abs(off) < 60 {
				right++
			}
			if math.Abs(off) < 2*v.Spot.AtMM.U {
				inside++
			}
			if v.Spot.What == what {
				kind++
			}
		}
		t.Logf("%q: named in %d of %d, within 60 mm in %d, inside 2u in %d, of the right kind in %d", what, named, blanks, right, inside, kind)
		least, _ := within(blanks, 0.8, 1)
		_, most := within(blanks, 0, 0.01)
		if what != "" && right < least {
			t.Errorf("%s: the place is right in %d of %d", what, right, blanks)
		}
		if what == "" && named > most {
			t.Errorf("something is named in %d of %d even blanks", named, blanks)
		}
	}
}

// slow asks for the long form of tests, while a test runs: a cached result of the short
// form is none of the long one.
func slow() bool { return os.Getenv("RINGSTOCK_SLOW") != "" }
