package spectrum_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
)

// unevenScore is how the ear names the modes of uneven bars.
type unevenScore struct {
	u              cases.Unevenness
	bars, wrong    int
	falsely        int       // foreign notes named where there are none, or beside the one there is
	foreign, found int       // of over 3 % of the energy
	loud, other    int       // the bar's own modes over -20 dB, and those called "other"
	purity         []float64 // errors, %
	outside        int       // purities off by more than 2u
	notes          []string
}

func (s *unevenScore) add(seed uint64, foreign bool) {
	random := rand.New(rand.NewPCG(seed, 30))
	u := s.u
	u.CorrelationM = 0.03 + 0.12*random.Float64()
	c := cases.UnevenBar(seed, u)
	if foreign {
		c = c.Foreign(1.3+3.7*random.Float64(), 3.5+16.5*random.Float64())
	}
	rec, truth := c.SNR(25 + 20*random.Float64()).Render()
	a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
	s.bars++
	if a.Ring == nil || math.Abs(a.Ring.Fundamental.Hz.X/truth.Fundamental.Hz-1) > 0.06 {
		s.wrong++
		return
	}
	note, foundIt := "", false
	for _, stray := range a.Ring.Stray {
		if len(truth.Foreign) > 0 && math.Abs(stray.Hz-truth.Foreign[0].Hz) < 1 {
			foundIt = true
		} else {
			note += fmt.Sprintf(" named %.2f Hz (%.4f)", stray.Hz, stray.Hz/truth.Fundamental.Hz)
		}
	}
	if note != "" {
		s.falsely++
	}
	if foreign {
		s.foreign++
		if foundIt {
			s.found++
		} else {
			note += fmt.Sprintf(" not found %.2f Hz (%.4f)", truth.Foreign[0].Hz, truth.Foreign[0].Hz/truth.Fundamental.Hz)
		}
	}
	for _, m := range truth.Own {
		for _, p := range a.Ring.Partials {
			if math.Abs(p.Hz.X-m.Hz) < 0.5 && p.LevelDB.X > -20 {
				s.loud++
				if p.Family == spectrum.Other {
					s.other++
					note += fmt.Sprintf(" other %.2f Hz (%.4f)", m.Hz, m.Hz/truth.Fundamental.Hz)
				}
				break
			}
		}
	}
	if p := a.Ring.PurityPct; p.Known() {
		off := p.X - truth.PurityPct
		s.purity = append(s.purity, off)
		if math.Abs(off) > 2*p.U {
			s.outside++
			note += fmt.Sprintf(" purity %.1f +- %.1f for %.1f", p.X, p.U, truth.PurityPct)
		}
	}
	if note != "" {
		s.notes = append(s.notes, fmt.Sprintf("seed %d, foreign %v:%s", seed, foreign, note))
	}
}

// exceptional is the count that n trials of probability p exceed once in a thousand
// times.
func exceptional(n int, p float64) int {
	b := distuv.Binomial{N: float64(n), P: p}
	for k := range n {
		if b.CDF(float64(k)) > 0.999 {
			return k
		}
	}
	return n
}

// TestUnevenBars reads bars whose wood and section vary along them, made by finite
// elements:
//
//	RINGSTOCK_SLOW=1 go test ./spectrum -run UnevenBars -v -args -seed 90000
func TestUnevenBars(t *testing.T) {
	bars, first := 6, *firstSeed+5000
	if slow() {
		bars = 100
	}
	table := []*unevenScore{
		{u: cases.Unevenness{Planes: 0.05}},
		{u: cases.Unevenness{Young: 0.03, Density: 0.01, Section: 0.003, Planes: 0.05}},
		{u: cases.Unevenness{Young: 0.05, Density: 0.02, Section: 0.007, Planes: 0.05}},
		{u: cases.Unevenness{Young: 0.08, Density: 0.03, Section: 0.015, Planes: 0.05}},
	}
	var running sync.WaitGroup
	slots := make(chan struct{}, runtime.NumCPU())
	for level, s := range table {
		slots <- struct{}{}
		running.Go(func() {
			for k := range bars {
				s.add(first+uint64(1000*level+k), k%2 == 1)
			}
			<-slots
		})
	}
	running.Wait()
	var b strings.Builder
	fmt.Fprintf(&b, "\n%-34s %5s %6s %8s %8s %8s %8s\n", "", "wrong", "falsely", "found", "other", "purity", "outside")
	for _, s := range table {
		n := float64(s.bars)
		share := 0.01
		if s.u.Young > 0.07 {
			share = 0.03
		}
		if s.wrong > 0 || s.falsely > exceptional(s.bars, share) || s.other > exceptional(s.loud, 0.01) ||
			s.foreign-s.found > exceptional(s.foreign, 0.05) || s.outside > exceptional(s.bars, 0.05) {
			t.Errorf("E %.0f %%: too many wrong names or purities", 100*s.u.Young)
		}
		fmt.Fprintf(&b, "E %.0f %%, density %.0f %%, section %.1f %% %5d %6.1f %% %6.1f %% %6.2f %% %6.2f %% %6.1f %%\n", 100*s.u.Young, 100*s.u.Density, 100*s.u.Section,
			s.wrong, 100*float64(s.falsely)/n, 100*float64(s.found)/float64(s.foreign), 100*float64(s.other)/float64(s.loud), floats.Norm(s.purity, 2)/math.Sqrt(float64(len(s.purity))), 100*float64(s.outside)/n)
	}
	t.Log(b.String())
	for _, s := range table {
		for _, n := range s.notes {
			t.Logf("E %.0f %%, %s", 100*s.u.Young, n)
		}
	}
}
