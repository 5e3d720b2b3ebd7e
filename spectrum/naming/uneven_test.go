package naming_test

import (
	"cmp"
	"flag"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/capture/synth/cases"
	"ringstock/spectrum/naming"
)

var (
	bars      = flag.Int("bars", 30, "uneven bars a level")
	firstSeed = flag.Uint64("seed", 1, "first seed of the uneven bars")
	list      = flag.Bool("list", false, "list bars whose lines were not all named rightly")
)

// levels are how uneven bars are tried.
var levels = []cases.Unevenness{
	{Planes: 0.05},
	{Young: 0.03, Density: 0.01, Section: 0.003, Planes: 0.05},
	{Young: 0.05, Density: 0.02, Section: 0.005, Planes: 0.05},
	{Young: 0.08, Density: 0.03, Section: 0.015, Planes: 0.05},
}

// heard is a line with the truth about it.
type heard struct {
	naming.Line
	own bool
}

// lines are those of a case that can be heard, as good as an analysis can tell them, the
// fundamental's place and what is loud enough to be named.
func lines(c cases.Case, foreign bool, random *rand.Rand) (out []heard) {
	const leastDB = -48
	s := c.Scene
	var all []heard
	strongest := 0.0
	for k, m := range s.Modes {
		a, tau := cmplx.Abs(s.Amplitude(0, k)), m.Tau()
		e := a * a * tau / 4 * (math.Exp(-0.06/tau) - math.Exp(-1.06/tau))
		strongest = max(strongest, e)
		l := naming.Line{Hz: m.Hz * (1 + 2e-5*random.NormFloat64()), Alpha: 1 / tau, SDAlpha: 0.01 / tau, Energy: e}
		all = append(all, heard{l, !(foreign && k == len(s.Modes)-1)})
	}
	for _, l := range all {
		if 10*math.Log10(l.Energy/strongest) > leastDB && l.Hz < 10000 {
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(a, b heard) int { return cmp.Compare(a.Hz, b.Hz) })
	// Lines that nothing tells apart are one.
	return slices.CompactFunc(out, func(a, b heard) bool { return math.Abs(b.Hz-a.Hz) < 0.05*(a.Alpha+b.Alpha) && a.own == b.own })
}

// tally is how well the lines of a level were named.
type tally struct {
	bars, wrong, falsely, foreign, found, loud, other int
	purity                                            float64
}

func (t *tally) add(c cases.Case, foreign bool, seed uint64) {
	hs := lines(c, foreign, rand.New(rand.NewPCG(seed, 77)))
	var ls []naming.Line
	for _, h := range hs {
		ls = append(ls, h.Line)
	}
	t.bars++
	s, ok := naming.Find(ls)
	if !ok || math.Abs(s.Hz/c.Scene.Modes[0].Hz-1) > 0.06 {
		t.wrong++
		if *list {
			fmt.Printf("seed %d WRONG %.2f for %.2f: s %.2g b %.2g member %v score\n", seed, s.Hz, c.Scene.Modes[0].Hz, s.S, s.Block, s.Member)
			for _, h := range hs {
				fmt.Printf("   %8.4f  x%.4f %6.1f dB %5v Q %.0f\n", h.Hz, h.Hz/c.Scene.Modes[0].Hz, 10*math.Log10(h.Energy), h.own, h.Q())
			}
		}
		return
	}
	first := 0.0
	for _, h := range hs {
		if math.Abs(h.Hz-s.Hz) < 0.1 {
			first = h.Energy
		}
	}
	named, found, all, own, said := false, false, 0.0, 0.0, 0.0
	note := ""
	names := naming.All(ls, s)
	for i, h := range hs {
		if names[i].Echo && !names[i].Own {
			continue
		}
		all += h.Energy
		if h.own {
			own += h.Energy
		}
		if names[i].Own {
			said += h.Energy
		}
		if h.own && h.Energy > first/100 {
			t.loud++
			if !names[i].Own && !names[i].Echo {
				t.other++
			}
		}
	}
	for i, h := range hs {
		stray := !names[i].Own && !names[i].Echo && h.Energy > 0.01*all
		named = named || stray && h.own
		found = found || stray && !h.own
		if stray && h.own || !stray && !h.own {
			note += fmt.Sprintf(" [%.4f %.1f dB own %v %+v]", h.Hz/s.Hz, 10*math.Log10(h.Energy/all), h.own, names[i])
		}
	}
	if named {
		t.falsely++
	}
	if foreign {
		t.foreign++
		if found {
			t.found++
		}
	}
	t.purity += math.Pow(100*(said-own)/all, 2)
	if note != "" && *list {
		fmt.Printf("seed %d: s %.2g b %.2g member %v%s\n", seed, s.S, s.Block, s.Member, note)
		for i, h := range hs {
			fmt.Printf("   %8.4f  x%.4f %6.1f dB %5v %v\n", h.Hz, h.Hz/s.Hz, 10*math.Log10(h.Energy/all), h.own, names[i])
		}
	}
}

// atMost is the count that n trials of probability p exceed once in a thousand times.
func atMost(n int, p float64) int {
	b := distuv.Binomial{N: float64(n), P: p}
	for k := range n {
		if b.CDF(float64(k)) > 0.999 {
			return k
		}
	}
	return n
}

// The lines of uneven bars, made by finite elements: no mode becomes foreign because its
// neighbour took its name.
func TestUnevenNames(t *testing.T) {
	for _, foreign := range []bool{false, true} {
		for _, u := range levels {
			var sum tally
			for k := range *bars {
				seed := *firstSeed + uint64(k)
				random := rand.New(rand.NewPCG(seed, 30))
				u.CorrelationM = 0.03 + 0.12*random.Float64()
				c := cases.UnevenBar(seed, u)
				if foreign {
					c = c.Foreign(1.3+3.7*random.Float64(), 3+17*random.Float64())
				}
				sum.add(c, foreign, seed)
			}
			n := float64(sum.bars)
			share := 0.01
			if u.Young > 0.07 {
				share = 0.03
			}
			if sum.wrong > 0 || sum.falsely > atMost(sum.bars, share) || sum.other > atMost(sum.loud, 0.01) || sum.foreign-sum.found > atMost(sum.foreign, 0.05) {
				t.Errorf("too many wrong names")
			}
			t.Logf("E %.0f %% foreign %v: wrong fundamental %d, named where none %.1f %%, found %.1f %%, own over -20 dB called other %.2f %% of %d, purity off %.2f %% rms",
				100*u.Young, foreign, sum.wrong, 100*float64(sum.falsely)/n, 100*float64(sum.found)/max(float64(sum.foreign), 1), 100*float64(sum.other)/float64(sum.loud), sum.loud, math.Sqrt(sum.purity/n))
		}
	}
}
