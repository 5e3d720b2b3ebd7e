package report

import (
	"fmt"
	"math"
	"math/rand/v2"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// faked is a page whose pictures can be spoilt.
type faked struct {
	Page
	Portraits map[string]spectrum.Portrait
	Taps      map[string][]spectrum.TapResult
}

// fakePage invents a delivery of n blanks. Nothing in it was measured: its numbers
// only have to look like those of a real one, so that the drawing can be judged.
func fakePage(n, withSound int) *faked {
	rng := rand.New(rand.NewPCG(7, 11))
	var portraits []spectrum.Portrait // drawn anew for the first 24 only: the rest are as large
	page := &faked{
		Portraits: map[string]spectrum.Portrait{},
		Taps:      map[string][]spectrum.TapResult{},
	}
	page.Page = Page{
		Grading: grading.Grading{
			Schema: grading.Schema, Method: spectrum.Method,
			Delivery: "Invented delivery, spring", Profile: "violin",
			Unused: []grading.Unused{{File: "012-b.wav", Reason: "the file ends inside its header; record this blank again"}},
		},
		Pictures: func(blank string) (Pictures, error) {
			p := Pictures{Taps: page.Taps[blank]}
			if portrait, ok := page.Portraits[blank]; ok {
				p.Portrait = &portrait
			}
			return p, nil
		},
	}
	around := func(mid, spread float64) float64 { return mid + spread*rng.NormFloat64() }
	for i := range n {
		share := float64(i) / math.Max(1, float64(n-1)) // 0 best, 1 worst
		b := grading.Blank{Blank: fmt.Sprintf("A%02d", (i*7)%n+1), Rank: i + 1}
		b.RankLow, b.RankHigh = max(1, i-1-i%3), min(n, i+3+i%2)
		score := 88 - 62*share + around(0, 1)
		b.Score = measure.Of(score, 2.2+2*share)
		switch {
		case share < 0.4 && i%5 != 4:
			b.Verdict = grading.Keep
			b.Reasons = []string{"Rings long and pure: every limit is passed with confidence."}
			page.Grading.Qualified++
		case share < 0.75:
			b.Verdict = grading.Maybe
			b.Reasons = []string{"The sustain is within its uncertainty of the limit of Q 180.", "Three more taps would probably decide it."}
		case share < 0.99 || n < 4:
			b.Verdict = grading.Leave
			b.Score = measure.Of(0, 0)
			b.Reasons = []string{"Purity 61 % is under the limit of 75 %: a stray note at 417 Hz sounds along."}
		default:
			b.Verdict = grading.Unread
			b.Score = measure.Unknown("no tap could be used")
			b.Reasons = []string{"All three taps are clipped: lower the gain and tap again."}
		}
		price := float64(80 + 10*rng.IntN(12))
		b.Row = grading.Row{Blank: b.Blank, Species: "Paubrasilia echinata (invented)", Supplier: "Example Timber", Lot: "L-07", Price: &price, Currency: "EUR"}
		b.Row.LengthMM, b.Row.HeightMM, b.Row.WidthMM = measure.Of(around(748, 3), 0.5), measure.Of(around(21.5, .6), 0.05), measure.Of(around(13.5, .3), 0.05)
		b.Row.MassG, b.Row.MoisturePct = measure.Of(around(232, 9), 0.1), measure.Of(11.2, 1)
		if i%5 == 4 {
			b.Row.Price = nil
			b.Row.MassG = measure.Unknown("mass_g is empty")
		}

		rho := measure.Of(around(1090-110*share, 18), 6)
		rho.Budget = []measure.Part{{Name: "height", U: 4.1}, {Name: "width", U: 3.7}, {Name: "length", U: 0.8}, {Name: "mass", U: 0.5}}
		sm := measure.Of(around(24.3-3*share, .5), .22)
		sm.Budget = []measure.Part{{Name: "height", U: .17}, {Name: "shear correction", U: .11}, {Name: "length", U: .07}, {Name: "pitch", U: .004}}
		if i%5 == 4 {
			rho = measure.Unknown("needs the mass: mass_g is empty")
		}
		unknown := measure.Unknown("needs taps on the other face")
		b.Wood = wood.Values{
			Density: rho, SpecificModulus: sm, SpecificModulusFrom: "bending",
			YoungsModulus: measure.Of(sm.X*1.07, .3), ShearModulus: unknown, SoundSpeed: measure.Of(1000*math.Sqrt(sm.X), 22),
			Impedance: measure.Of(5.2, .04), LossTangent: measure.Of(.0041, .0001), Radiation: measure.Of(4.4, .05), PlaneDifference: unknown,
			Density12: measure.Unknown(rho.Why), SpecificModulus12: sm,
		}
		if !rho.Known() {
			b.Wood.YoungsModulus = rho
			b.Missing = []string{"density: mass_g is empty"}
			b.Warnings = []capture.Warning{{Code: "hum", Text: "Mains hum at 50 Hz is 20 dB under the fundamental; it was fitted and taken out."}}
		}

		f := around(172, 6)
		q := around(330-180*share, 12)
		ring := fakeRing(rng, f, q, share)
		width := fakeRing(rng, f*.62, q*.93, share)
		if b.Verdict != grading.Unread {
			b.Ring = &ring
			if i%2 == 0 {
				b.WidthRing = &width
				b.Wood.PlaneDifference = measure.Of(around(3, 2), 1.1)
			}
			for k := range 6 {
				tap := fakeRing(rng, f*(1+2e-4*rng.NormFloat64()), q*(1+.03*rng.NormFloat64()), share)
				t := spectrum.TapResult{AtS: 1 + 2.1*float64(k), Accepted: true, Ring: &tap}
				if k == 3 {
					t = spectrum.TapResult{AtS: t.AtS, Reason: capture.DoubleStrike}
				}
				page.Taps[b.Blank] = append(page.Taps[b.Blank], t)
			}
			if i < 24 {
				portraits = append(portraits, fakePortrait(rng, ring, i < withSound))
			}
			portrait := portraits[i%len(portraits)]
			if i >= withSound {
				portrait.Clip = nil
			}
			page.Portraits[b.Blank] = portrait
		}
		b.Parts = []grading.Part{
			{Name: "sustain", Value: measure.Of(q, 8), Desirability: measure.Of(math.Max(0, 1-share), .02), Weight: 3},
			{Name: "purity", Value: ring.PurityPct, Unit: "%", Desirability: measure.Of(.9-.5*share, .02), Weight: 2},
			{Name: "specific modulus", Value: sm, Unit: "MJ/kg", Desirability: measure.Of(.95-.4*share, .03), Weight: 2},
			{Name: "density", Value: rho, Unit: "kg/m³", Desirability: measure.Unknown("density is not known"), Weight: 1},
		}
		if rho.Known() {
			b.Parts[3].Desirability = measure.Of(.8, .03)
		}
		page.Grading.Blanks = append(page.Grading.Blanks, b)
	}
	return page
}

func fakeRing(rng *rand.Rand, f, q, share float64) spectrum.Ring {
	partial := func(ratio, level, quality float64, order, plane int, family spectrum.Family) spectrum.Partial {
		hz := f * ratio
		tau := quality / (math.Pi * hz)
		return spectrum.Partial{Hz: measure.Of(hz, .004*ratio), Q: measure.Of(quality, .02*quality), TauS: measure.Of(tau, .02*tau),
			T60S: measure.Of(6.908*tau, .14*tau), LogDecrement: measure.Of(math.Pi/quality, .0002), LossTangent: measure.Of(1/quality, .00007),
			LevelDB: measure.Of(level, .6), Ratio: ratio, Family: family, Order: order, Plane: plane, Taps: 5}
	}
	r := spectrum.Ring{Method: spectrum.Method, TapsUsed: 5, FundamentalFrom: "peak",
		Fundamental: partial(1, 0, q, 1, 1, spectrum.Bending),
		PurityPct:   measure.Of(97-30*share, .8), FundamentalPct: measure.Of(84-30*share, 1.2),
		UnevennessPct: measure.Of(1.2+6*share, .4), DriftCents: measure.Of(-.8, .5), LoudnessDB: measure.Of(-3.2, .6),
		SNRDB: measure.Of(58-14*share, 0), HumHz: []float64{50, 150}}
	r.Partials = []spectrum.Partial{r.Fundamental,
		partial(1.63, -13, q*.9, 1, 2, spectrum.Bending), partial(2.72, -9, q*.93, 2, 1, spectrum.Bending),
		partial(5.21, -16, q*.8, 3, 1, spectrum.Bending), partial(7.9, -24, q*.4, 1, 0, spectrum.Torsion),
		partial(8.35, -27, q*.7, 4, 1, spectrum.Bending), partial(16.4, -36, q*1.1, 1, 0, spectrum.Longitudinal)}
	if share > .5 {
		r.Stray = []spectrum.Stray{{Hz: 417, LevelDB: -8}}
		r.Beat = &spectrum.Beat{Hz: .82, DepthDB: 3.1}
		r.DriftCents = measure.Unknown("a close pair is in the fundamental")
	}
	return r
}

func fakePortrait(rng *rand.Rand, r spectrum.Ring, sound bool) spectrum.Portrait {
	tau := r.Fundamental.TauS.X
	p := spectrum.Portrait{AtS: 1, FloorDB: -62, HeatS: .01, HeatHz: 25}
	lines := append([]spectrum.Partial(nil), r.Partials...)
	for _, s := range r.Stray {
		lines = append(lines, spectrum.Partial{Hz: measure.Of(s.Hz, 0), TauS: measure.Of(.2, 0), LevelDB: measure.Of(s.LevelDB, 0)})
	}
	for hz := 30.0; hz < 5200; hz *= 1.002 {
		power := math.Pow(10, -7.4-.3*math.Log10(hz/30)) * (.3 + rng.ExpFloat64())
		for _, l := range lines {
			half := 1/(2*math.Pi*l.TauS.X) + .4
			power += math.Pow(10, l.LevelDB.X/10) / (1 + math.Pow((hz-l.Hz.X)/half, 2))
		}
		p.Spectrum = append(p.Spectrum, spectrum.Point{X: hz, Y: 10 * math.Log10(power)})
		p.Floor = append(p.Floor, spectrum.Point{X: hz, Y: -74 - 3*math.Log10(hz/30)})
	}
	for t := 0.0; t < 8*tau && t < 4; t += .008 {
		level := math.Pow(10, -8.686*t/tau/10)
		p.Decay = append(p.Decay, spectrum.Point{X: t, Y: 10*math.Log10(level+math.Pow(10, -6.2)*(.4+rng.ExpFloat64())) + .3*math.Sin(9*t)})
		if fit := -8.686 * t / tau; fit > -62 {
			p.Fit = append(p.Fit, spectrum.Point{X: t, Y: fit})
		}
	}
	for t := 0.0; t < 1.2; t += p.HeatS {
		row := make([]float32, 120)
		for j := range row {
			hz := (float64(j) + .5) * p.HeatHz
			power := math.Pow(10, -6.8) * (.5 + rng.ExpFloat64())
			for _, l := range lines {
				power += math.Pow(10, l.LevelDB.X/10) * math.Exp(-2*t/l.TauS.X) / (1 + math.Pow((hz-l.Hz.X)/18, 4))
			}
			power += .02 * math.Exp(-t/.01)
			row[j] = float32(10 * math.Log10(power))
		}
		p.Heat = append(p.Heat, row)
	}
	if sound {
		p.ClipRate = 16000
		p.Clip = make([]float64, int(1.8*p.ClipRate))
		for i := range p.Clip {
			t := float64(i) / p.ClipRate
			for _, l := range lines {
				p.Clip[i] += .25 * math.Pow(10, l.LevelDB.X/20) * math.Exp(-t/l.TauS.X) * math.Sin(2*math.Pi*l.Hz.X*t)
			}
		}
	}
	return p
}
