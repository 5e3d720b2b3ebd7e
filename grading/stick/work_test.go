package stick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/bar/shooting"
	"ringstock/spectrum/measure"
)

// misread reads every diameter of a stick by a calliper of this accuracy.
func misread(rng *rand.Rand, s Stick, a Accuracy) Stick {
	u := a.CalliperMM / 1000
	shared := u * math.Sqrt(sharedCalliper) * rng.NormFloat64()
	own := u * math.Sqrt(1-sharedCalliper)
	return s.each(func(_ int, at Section) Section {
		dh, dw := shared+own*rng.NormFloat64(), shared+own*rng.NormFloat64()
		if at.Shape == Round {
			dw = dh
		}
		at.Height, at.Width = at.Height+dh, at.Width+dw
		return at
	})
}

// A piece in the making with its solid head, weighed and tapped: sound ones are let pass,
// those that lost 5 % of their stiffness are asked about. The truth is a Timoshenko beam
// through the head, by shooting.
func TestWorkAsks(t *testing.T) {
	const trials, young, density = 100, 22.0, 1050.0
	rng := rand.New(rand.NewPCG(4, 2))
	model := builtIn(t, "published-graduation")
	for _, c := range []struct {
		lost        float64
		least, most int // asked about
	}{{0, 0, 5}, {0.05, 90, trials}} {
		asked := 0
		for range trials {
			truth := model.Scaled(1 + 0.02*rng.NormFloat64()).Thicker(0.001 * rng.Float64())
			block := bar.Section{Shape: bar.Rectangular, Height: 0.024, Width: 0.011}
			const long = 0.028
			solid := truth.bar(bar.HeightPlane)
			solid.Stations = append(solid.Stations, bar.Station{X: truth.end(), Section: block}, bar.Station{X: truth.end() + long, Section: block})
			// What is known of the blank: density and E/density, each a little off.
			ku, su := 0.004, 0.006
			rho := density * (1 + ku*rng.NormFloat64())
			specific := young / density * (1 + su*rng.NormFloat64())
			blank := Wood{Density: measure.Of(density, ku*density), SpecificModulus: measure.Of(1000*young/density, su*1000*young/density), YoungsModulus: measure.Of(young, young*math.Hypot(ku, su))}
			hz, err := shooting.Frequencies(solid, bar.BendingHeight, bar.Wood{E: 1e9 * rho * specific * (1 - c.lost), G: 1e9 * young / 16, Density: rho}, 1)
			if err != nil {
				t.Fatal(err)
			}
			mass := rho * (truth.Volume() + long*block.Area())
			now := Model{Stick: misread(rng, truth, Workshop), Accuracy: Workshop, Head: Head{1000 * long, 24, 11}}
			if rng.IntN(2) == 0 { // as a lump as well
				now.Lumps = []Lump{{Name: "head", X: truth.end() + long/2, M: rho * long * block.Area()}}
				if err := now.placeLumps(); err != nil {
					t.Fatal(err)
				}
			}
			now.Bare = Bare{MassG: measure.Of(1000*mass+0.1*rng.NormFloat64(), 0.1), Hz: measure.Of(hz[0]+0.1*rng.NormFloat64(), 0.1)}
			w, err := WorkDown(model, 1, now, blank, model.MidSpan(0, 500), "round")
			if err != nil {
				t.Fatal(err)
			}
			if w.Surprises() > 0 {
				asked++
			}
		}
		t.Logf("%g %% of the stiffness lost: %d of %d are asked about", 100*c.lost, asked, trials)
		if asked < c.least || asked > c.most {
			t.Errorf("%g %% of the stiffness lost: %d of %d are asked about, want %d to %d", 100*c.lost, asked, trials, c.least, c.most)
		}
	}
}

// What is already under the plan stays so: the finished stick is less stiff than planned.
func TestUnderThePlan(t *testing.T) {
	m := modelOf(t, published, 1050, 22)
	now := m
	now.Stick = m.Thicker(0.001).each(func(i int, at Section) Section {
		if i == 2 {
			return at.thicker(-0.0015)
		}
		return at
	})
	w, err := WorkDown(m, 1, now, m.Wood, m.MidSpan(0, 500), "")
	if err != nil {
		t.Fatal(err)
	}
	thin := m.each(func(i int, at Section) Section {
		if i == 2 {
			return at.thicker(-0.0005)
		}
		return at
	})
	want := newForm(thin, m.MidSpan(0, 500), m.Accuracy).figures(m.Wood.timber(), 1)
	near(t, "stiffness", w.Planned.StiffnessNM.X, want.StiffnessNM.X, 1e-9)
	near(t, "as planned", w.AsPlanned.StiffnessNM.X, newForm(m.Stick, m.MidSpan(0, 500), m.Accuracy).figures(m.Wood.timber(), 1).StiffnessNM.X, 1e-9)
	if got := strings.Join(w.Says(), "; "); !strings.Contains(got, "under the plan") || !strings.Contains(got, fmt.Sprintf("%.4g mm", 400.0)) {
		t.Errorf("it says %q", got)
	}
}

// The uncertainties of mass, balance and stiffness are the scatter of what misread
// diameters make of them.
func TestUncertaintiesOfReadings(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	m := builtIn(t, "demo-violin")
	wood := Wood{Density: measure.Of(1050, 0), YoungsModulus: measure.Of(22, 0)}.timber()
	load := m.MidSpan(0, 500)
	a := Accuracy{CalliperMM: 0.05}
	want := newForm(m.Stick, load, a).figures(wood, 1)
	var sum, square [3]float64
	const trials = 1500
	for range trials {
		f := newForm(misread(rng, m.Stick, a), load, Accuracy{}).figures(wood, 1)
		for i, v := range []float64{f.MassG.X - want.MassG.X, f.CentreOfMassMM.X - want.CentreOfMassMM.X, f.StiffnessNM.X - want.StiffnessNM.X} {
			sum[i] += v
			square[i] += v * v
		}
	}
	for i, v := range []measure.Value{want.MassG, want.CentreOfMassMM, want.StiffnessNM} {
		sd := math.Sqrt(square[i]/trials - sq(sum[i]/trials))
		// The sd of an sd from so many trials is 1.8 %.
		near(t, []string{"mass", "balance", "stiffness"}[i], v.U, sd, 0.06)
	}
}

// A modulus from mass and note of a card is as uncertain as misread diameters make it.
func TestModulusFromNote(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 3))
	truth := builtIn(t, "published-graduation")
	truth.Lumps = nil
	truth.Bare = Bare{MassG: measure.Of(33.3, 0), Hz: measure.Of(67, 0)}
	truth.Wood = Wood{}
	truth.Accuracy = Accuracy{CalliperMM: 0.05}
	want := truth
	if err := want.deriveWood(); err != nil {
		t.Fatal(err)
	}
	var sum, square float64
	const trials = 400
	for range trials {
		m := truth
		m.Stick = misread(rng, truth.Stick, truth.Accuracy)
		if err := m.deriveWood(); err != nil {
			t.Fatal(err)
		}
		e := m.Wood.YoungsModulus.X/want.Wood.YoungsModulus.X - 1
		sum += e
		square += e * e
	}
	sd := math.Sqrt(square/trials - sq(sum/trials))
	// The stiffness of the first mode is taken as that of the middle of the span: 10 %.
	near(t, "modulus", want.Wood.YoungsModulus.Rel(), sd, 0.15)
}
