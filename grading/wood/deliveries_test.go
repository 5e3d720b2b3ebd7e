package wood_test

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/bar/shooting"
	"ringstock/spectrum/measure"
)

// truth is an invented blank as nature has it: lengths in mm.
type truth struct {
	shape                                                              wood.Shape
	length, height, width, tipHeight, tipWidth, headLength, headHeight float64
	wood                                                               bar.Wood
}

func (b truth) bar() bar.Bar {
	shape := bar.Shape(b.shape)
	sec := func(s bar.Shape, h, w float64) bar.Section {
		return bar.Section{Shape: s, Height: h / 1000, Width: w / 1000}
	}
	th, tw := b.tipHeight, b.tipWidth
	if th == 0 {
		th, tw = b.height, b.width
	}
	neck := (b.length - b.headLength) / 1000
	s := []bar.Station{{X: 0, Section: sec(shape, b.height, b.width)}, {X: neck, Section: sec(shape, th, tw)}}
	if b.headLength > 0 {
		head := sec(bar.Rectangular, b.headHeight, tw)
		s = append(s, bar.Station{X: neck, Section: head}, bar.Station{X: b.length / 1000, Section: head})
	}
	return bar.Bar{Stations: s}
}

func (b truth) mass() float64 { return 1000 * b.bar().Volume() * b.wood.Density }

// shapes draws a blank of each form.
var shapes = map[string]func(*rand.Rand) truth{
	"rectangular": func(r *rand.Rand) truth { return plain(r, wood.Rectangular) },
	"octagonal":   func(r *rand.Rand) truth { return plain(r, wood.Octagonal) },
	"round":       func(r *rand.Rand) truth { return plain(r, wood.Round) },
	"tapered": func(r *rand.Rand) truth {
		b := plain(r, wood.Rectangular)
		b.tipHeight, b.tipWidth = b.height*between(r, 0.65, 0.95), b.width*between(r, 0.65, 0.95)
		return b
	},
	"tapered octagonal": func(r *rand.Rand) truth {
		b := plain(r, wood.Octagonal)
		b.tipHeight = b.height * between(r, 0.65, 0.95)
		b.tipWidth = b.tipHeight
		return b
	},
	"tapered with head": func(r *rand.Rand) truth {
		b := plain(r, wood.Rectangular)
		b.tipHeight, b.tipWidth = b.height*between(r, 0.65, 0.95), b.width*between(r, 0.65, 0.95)
		b.headLength, b.headHeight = between(r, 30, 60), between(r, 20, 28)
		return b
	},
	"with head": func(r *rand.Rand) truth {
		b := plain(r, wood.Rectangular)
		b.headLength, b.headHeight = between(r, 30, 60), between(r, 20, 28)
		return b
	},
}

func between(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

func plain(r *rand.Rand, s wood.Shape) truth {
	b := truth{shape: s, length: between(r, 700, 780), height: between(r, 12, 17)}
	b.width = b.height
	if s == wood.Rectangular {
		b.width = between(r, 12, 17)
	}
	e := between(r, 16e9, 27e9)
	b.wood = bar.Wood{E: e, G: e / between(r, 12, 20), Density: between(r, 850, 1200)}
	return b
}

// partial is a partial as the ring's analysis would report it: sure of its pitch by 1e-4,
// and pulled by the room as a short note is, by up to 0.8 of its half-width 1/2Q.
func partial(r *rand.Rand, hz float64, f spectrum.Family, order, plane int) spectrum.Partial {
	const q = 200
	u := 1e-4 * hz
	pull := min(0.8, 0.03*math.Pi*hz/q) / (2 * q) * hz
	return spectrum.Partial{Hz: measure.Of(hz+math.Hypot(u, pull)*r.NormFloat64(), math.Hypot(u, pull)), Q: measure.Of(q, 4), Family: f, Order: order, Plane: plane, Taps: 5}
}

func ring(p []spectrum.Partial) *spectrum.Ring {
	slices.SortFunc(p, func(a, b spectrum.Partial) int { return int(math.Copysign(1, a.Hz.X-b.Hz.X)) })
	return &spectrum.Ring{Fundamental: p[0], FundamentalFrom: "peak", Partials: p, TapsUsed: 5}
}

// pitches are a blank's true frequencies by bar.Kind.
type pitches [4][]float64

// solve finds them by the second solver.
func (b truth) solve(t testing.TB) (p pitches) {
	t.Helper()
	for k, n := range map[bar.Kind]int{bar.BendingHeight: 4, bar.BendingWidth: 4, bar.Torsion: 1, bar.Longitudinal: 1} {
		hz, err := shooting.Frequencies(b.bar(), k, b.wood, n)
		if err != nil {
			t.Fatal(err)
		}
		p[k] = hz
	}
	return p
}

// side, width and end are what taps give: n bending partials, and the
// torsion if asked for.
func (p pitches) side(r *rand.Rand, n int, torsion bool) *spectrum.Ring {
	return p.bending(r, bar.BendingHeight, n, torsion)
}
func (p pitches) width(r *rand.Rand, n int) *spectrum.Ring {
	return p.bending(r, bar.BendingWidth, n, false)
}

// hearSecond adds what side taps let sound of the other plane.
func (p pitches) hearSecond(r *rand.Rand, side *spectrum.Ring) {
	for _, second := range p.width(r, 3).Partials {
		second.Plane = 2
		side.Partials = append(side.Partials, second)
	}
}
func (p pitches) end(r *rand.Rand) *spectrum.Ring {
	return ring([]spectrum.Partial{partial(r, p[bar.Longitudinal][0], spectrum.Longitudinal, 1, 0)})
}

func (p pitches) bending(r *rand.Rand, k bar.Kind, n int, torsion bool) *spectrum.Ring {
	var list []spectrum.Partial
	for i, f := range p[k][:n] {
		list = append(list, partial(r, f, spectrum.Bending, i+1, 1))
	}
	if torsion {
		list = append(list, partial(r, p[bar.Torsion][0], spectrum.Torsion, 1, 0))
	}
	return ring(list)
}

// read measures the blank with the default uncertainties.
func (b truth) read(r *rand.Rand) wood.Readings {
	v := func(x, u float64) measure.Value {
		if x == 0 {
			return measure.Value{}
		}
		return measure.Of(x+u*r.NormFloat64(), u)
	}
	out := wood.Readings{Shape: b.shape, LengthMM: v(b.length, 0.5), HeightMM: v(b.height, 0.05), MassG: v(b.mass(), 0.1),
		TipHeightMM: v(b.tipHeight, 0.05), HeadLengthMM: v(b.headLength, 0.5), HeadHeightMM: v(b.headHeight, 0.05)}
	if b.shape == wood.Rectangular {
		out.WidthMM, out.TipWidthMM = v(b.width, 0.05), v(b.tipWidth, 0.05)
	}
	return out
}

// tally gathers errors relative to the truth and how often the 95 % interval holds it.
type tally struct {
	errors []float64
	inside int
}

func (t *tally) add(v measure.Value, want float64) {
	t.errors = append(t.errors, v.X/want-1)
	if math.Abs(v.X-want) <= 1.96*v.U {
		t.inside++
	}
}

func (t *tally) coverage() float64 { return 100 * float64(t.inside) / float64(len(t.errors)) }
func (t *tally) bias() float64 {
	s := slices.Sorted(slices.Values(t.errors))
	return 100 * s[len(s)/2]
}
func (t *tally) median() float64 {
	var a []float64
	for _, e := range t.errors {
		a = append(a, math.Abs(e))
	}
	slices.Sort(a)
	return 100 * a[len(a)/2]
}

// Invented deliveries of every form, their notes from the second solver, measured with
// the default uncertainties: what is said must be near the truth, without bias by form,
// and as sure as it claims to be.
func TestDeliveries(t *testing.T) {
	blanks, readings, biasPct, of100 := 10, 2, 0.6, 95 // of 20 readings, whose errors scatter by 0.7 %
	if slow() {
		blanks, readings, biasPct, of100 = 20, 8, 0.3, 99
	}
	type body struct {
		truth
		pitches
	}
	delivery := map[string][]body{}
	for i, name := range slices.Sorted(maps.Keys(shapes)) {
		r := rand.New(rand.NewPCG(3, uint64(i)))
		for range blanks {
			b := shapes[name](r)
			delivery[name] = append(delivery[name], body{b, b.solve(t)})
		}
	}
	for _, kit := range []struct {
		name       string
		partials   int
		torsion    bool
		width, end bool
		second     bool    // the second plane sounds in the side taps
		medianPct  float64 // most that the median error of E/rho may be
		shear      bool    // G must be known, within 12 % in 99 of 100
		wantFrom   string
	}{
		{name: "fundamental only", partials: 1, medianPct: 0.6, wantFrom: "bending"},
		{name: "four partials", partials: 4, medianPct: 0.6, shear: true, wantFrom: "bending"},
		{name: "torsion", partials: 2, torsion: true, medianPct: 0.6, shear: true, wantFrom: "bending"},
		{name: "both faces", partials: 3, torsion: true, width: true, medianPct: 0.6, shear: true, wantFrom: "bending"},
		{name: "second plane heard", partials: 3, torsion: true, second: true, medianPct: 0.6, shear: true, wantFrom: "bending"},
		{name: "end taps", partials: 4, torsion: true, width: true, end: true, medianPct: 0.35, shear: true},
	} {
		var all, density, young, shear tally
		for i, name := range slices.Sorted(maps.Keys(shapes)) {
			r := rand.New(rand.NewPCG(4, uint64(i)))
			var shape tally
			for _, b := range delivery[name] {
				p := b.pitches
				for range readings {
					side := p.side(r, kit.partials, kit.torsion)
					var width, end *spectrum.Ring
					if kit.second {
						p.hearSecond(r, side)
					}
					if kit.width {
						width = p.width(r, kit.partials)
					}
					if kit.end {
						end = p.end(r)
					}
					v, _, warnings := wood.Evaluate(b.read(r), "", side, width, end)
					for _, w := range warnings {
						t.Errorf("%s, %s: false alarm: %s", kit.name, name, w)
					}
					if kit.wantFrom != "" && v.SpecificModulusFrom != kit.wantFrom {
						t.Fatalf("%s, %s: modulus from %q", kit.name, name, v.SpecificModulusFrom)
					}
					want := b.wood.E / b.wood.Density / 1e6
					shape.add(v.SpecificModulus, want)
					all.add(v.SpecificModulus, want)
					density.add(v.Density, b.wood.Density)
					young.add(v.YoungsModulus, b.wood.E/1e9)
					g := v.ShearModulus
					if g.Known() != kit.shear {
						t.Errorf("%s, %s: shear modulus known: %v (%s)", kit.name, name, g.Known(), g.Why)
					}
					if g.Known() {
						shear.add(g, b.wood.G/1e9)
					}
				}
			}
			t.Logf("  %s: bias %+.2f %%, median %.2f %%, intervals %.1f %%", name, shape.bias(), shape.median(), shape.coverage())
			if bias := shape.bias(); math.Abs(bias) > biasPct {
				t.Errorf("%s, %s: E/rho is biased by %.2f %%", kit.name, name, bias)
			}
		}
		if kit.shear {
			slices.SortFunc(shear.errors, func(a, b float64) int { return cmp.Compare(math.Abs(a), math.Abs(b)) })
			worst := 100 * math.Abs(shear.errors[len(shear.errors)*of100/100])
			t.Logf("%s: G within %.1f %% in %d of 100 blanks, its intervals hold %.1f %%", kit.name, worst, of100, shear.coverage())
			if worst > 12 || shear.coverage() < 93 {
				t.Errorf("%s: G within %.1f %%, intervals hold %.1f %%", kit.name, worst, shear.coverage())
			}
		}
		t.Logf("%s: E/rho median error %.2f %%, its 95 %% intervals hold %.1f %%; density %.1f %%, E %.1f %%",
			kit.name, all.median(), all.coverage(), density.coverage(), young.coverage())
		if m := all.median(); m > kit.medianPct {
			t.Errorf("%s: median error of E/rho %.2f %%", kit.name, m)
		}
		// The wood of these bars is even, which a few notes can't tell for sure: the
		// intervals allow for some unevenness. TestUnevenWood has the other side.
		if c := all.coverage(); c < 93 { // the sd of 960 trials is 0.7
			t.Errorf("%s: 95 %% intervals hold the truth in %.1f %%", kit.name, c)
		}
	}
}

// What "measure next" promises comes true when it is done: the interval narrows to what
// was said, as far as the digits printed and an assumed pitch of the end taps go.
func TestMeasureNextKeepsItsWord(t *testing.T) {
	promise := regexp.MustCompile(`^(.*): (specific modulus|density) now ±([\d.]+) %, then ±([\d.]+) % \(95 %\)$`)
	done := map[string]int{}
	for i, name := range slices.Sorted(maps.Keys(shapes)) {
		r := rand.New(rand.NewPCG(11, uint64(i)))
		for range 6 {
			b := shapes[name](r)
			p, reading := b.solve(t), b.read(r)
			reading.HeightMM.U = between(r, 0.02, 0.3)
			side := p.side(r, 3, true)
			before, _, _ := wood.Evaluate(reading, "", side, nil, nil)
			said := promise.FindStringSubmatch(before.MeasureNext)
			if said == nil {
				t.Fatalf("%s: %q", name, before.MeasureNext)
			}
			var end *spectrum.Ring
			dimension := map[string]*measure.Value{"length": &reading.LengthMM, "height": &reading.HeightMM, "width": &reading.WidthMM,
				"tip height": &reading.TipHeightMM, "tip width": &reading.TipWidthMM, "head length": &reading.HeadLengthMM, "head height": &reading.HeadHeightMM}
			switch words := strings.Fields(said[1]); {
			case said[1] == "record end taps":
				end = p.end(r)
				end.Fundamental.Hz.U = end.Fundamental.Hz.X / (2 * 180)
			case words[0] == "measure":
				what, _, _ := strings.Cut(strings.Join(words[2:], " "), " at three")
				what, _, _ = strings.Cut(what, " three times")
				dimension[what].U /= 2
			}
			after, _, _ := wood.Evaluate(reading, "", side, nil, end)
			v, w := before.SpecificModulus, after.SpecificModulus
			if said[2] == "density" {
				v, w = before.Density, after.Density
			}
			for j, x := range []measure.Value{v, w} {
				want, _ := strconv.ParseFloat(said[3+j], 64)
				// Two digits are printed; the partials' own errors shift what the fit
				// makes of G a little.
				if got := 200 * x.Rel(); math.Abs(got/want-1) > 0.08 {
					t.Errorf("%s: %q, but measurement %d gives ±%.2f %%", name, before.MeasureNext, j, got)
				}
			}
			done[strings.Fields(said[1])[0]]++
		}
	}
	if done["record"] < 5 || done["measure"] < 5 {
		t.Errorf("tried %v: want both kinds of advice", done)
	}
}

// Slips of the pen must be noticed wherever the notes can tell. They can't tell a wrong
// diameter of a round or octagonal bar without end taps, which is another modulus, nor a
// wrong width where no second plane is heard, which is another density.
func TestContradictions(t *testing.T) {
	type slip struct {
		name               string
		do                 func(*wood.Readings)
		width, second, end bool // taps on the other face; the second plane heard in the side taps; end taps
		says               string
		only               func(truth) bool
	}
	scale := func(v *measure.Value, k float64) { *v = v.Scale(k) }
	any := func(truth) bool { return true }
	both := func(b truth) bool { return b.shape == wood.Rectangular }
	// On average over the length: where the wider side changes along it, a swap does no
	// harm.
	apart := func(b truth) bool {
		ratio := math.Log(b.height / b.width)
		if b.tipHeight > 0 {
			ratio = (ratio + math.Log(b.tipHeight/b.tipWidth)) / 2
		}
		return both(b) && math.Abs(ratio) > 0.03
	}
	var slips []slip
	for _, k := range []float64{0.9, 1.1} {
		pct := fmt.Sprintf(" x %g", k)
		slips = append(slips,
			slip{"length" + pct, func(r *wood.Readings) { scale(&r.LengthMM, k) }, false, false, true, "length", any},
			slip{"length, all taps" + pct, func(r *wood.Readings) { scale(&r.LengthMM, k) }, true, false, true, "length", any},
			slip{"height, end taps" + pct, func(r *wood.Readings) { scale(&r.HeightMM, k) }, false, false, true, "height", any},
			slip{"height, both faces" + pct, func(r *wood.Readings) { scale(&r.HeightMM, k) }, true, false, false, "height", both},
			slip{"width, both faces" + pct, func(r *wood.Readings) { scale(&r.WidthMM, k) }, true, false, false, "width", both},
			slip{"width, second plane heard" + pct, func(r *wood.Readings) { scale(&r.WidthMM, k) }, false, true, true, "width", both},
		)
	}
	swap := func(r *wood.Readings) {
		r.HeightMM, r.WidthMM = r.WidthMM, r.HeightMM
		r.TipHeightMM, r.TipWidthMM = r.TipWidthMM, r.TipHeightMM
	}
	slips = append(slips,
		slip{"swapped, both faces", swap, true, false, false, "height", apart},
		slip{"swapped, end taps", swap, false, false, true, "height", apart},
		slip{"swapped, all taps", swap, true, false, true, "height", apart},
	)
	seen := map[string]int{}
	for i, name := range slices.Sorted(maps.Keys(shapes)) {
		draw, r := shapes[name], rand.New(rand.NewPCG(5, uint64(i)))
		few := 4
		if slow() {
			few = 12
		}
		for range few {
			b := draw(r)
			p := b.solve(t)
			for _, s := range slips {
				if !s.only(b) {
					continue
				}
				reading := b.read(r)
				s.do(&reading)
				side := p.side(r, 3, true)
				var width, end *spectrum.Ring
				if s.width {
					width = p.width(r, 3)
				}
				if s.second {
					p.hearSecond(r, side)
				}
				if s.end {
					end = p.end(r)
				}
				_, _, warnings := wood.Evaluate(reading, "", side, width, end)
				seen[s.name]++
				if !slices.ContainsFunc(warnings, func(w capture.Warning) bool { return w.Code == wood.Implausible && strings.Contains(w.Text, s.says) }) {
					t.Errorf("%s, %s: not flagged: %v", name, s.name, warnings)
				}
			}
		}
	}
	for _, s := range slips {
		t.Logf("%s: flagged in all of %d blanks", s.name, seen[s.name])
		if seen[s.name] < 6 {
			t.Errorf("%s: tried on %d blanks only", s.name, seen[s.name])
		}
	}
}

func BenchmarkEvaluate(b *testing.B) {
	for name, draw := range shapes {
		r := rand.New(rand.NewPCG(1, 2))
		x := draw(r)
		p, reading := x.solve(b), x.read(r)
		for kit, rings := range map[string][3]*spectrum.Ring{
			"side taps": {p.side(r, 4, true)},
			"all taps":  {p.side(r, 4, true), p.width(r, 4), p.end(r)},
		} {
			b.Run(name+"/"+kit, func(b *testing.B) {
				for b.Loop() {
					wood.Evaluate(reading, "", rings[0], rings[1], rings[2])
				}
			})
		}
	}
}
