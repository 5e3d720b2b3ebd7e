package spectrum_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
)

// TestEndTaps reads the lengthwise note of struck ends, which dies within a few
// hundredths of a second, in rooms, where it is known before within 4 % and
// where nothing is known:
//
//	RINGSTOCK_SLOW=1 go test ./spectrum -run EndTaps -v -args -seed 90000
func TestEndTaps(t *testing.T) {
	bars, first := 12, *firstSeed+6000
	if slow() {
		bars = 100
	}
	type score struct {
		low, high       float64 // Q
		expected        bool
		n, right, wrong int
		one, two        int
		notes           []string
	}
	var table []*score
	for _, expected := range []bool{true, false} {
		for _, q := range [][2]float64{{80, 150}, {150, 300}} {
			table = append(table, &score{low: q[0], high: q[1], expected: expected})
		}
	}
	var running sync.WaitGroup
	slots := make(chan struct{}, runtime.NumCPU())
	for k, s := range table {
		slots <- struct{}{}
		running.Go(func() {
			for i := range bars {
				seed := first + uint64(1000*(k%2)+i)
				random := rand.New(rand.NewPCG(seed, 50))
				c := cases.EndTaps(seed, s.low+(s.high-s.low)*random.Float64())
				if i%2 == 0 {
					c = c.InRoom()
				}
				rec, truth := c.Render()
				want := truth.Fundamental.Hz
				note := spectrum.Expected{}
				if s.expected {
					note = spectrum.Expected{Hz: want * math.Exp(0.03*random.NormFloat64()), Rel: 0.04}
				}
				a := spectrum.AnalyseNear(capture.FindTaps(rec), spectrum.EndTap, note)
				s.n++
				if a.Ring == nil {
					s.notes = append(s.notes, fmt.Sprintf("seed %d Q %.0f: none: %v", seed, truth.Fundamental.Q, a.Error))
					continue
				}
				hz := a.Ring.Fundamental.Hz
				off := math.Abs(hz.X-want) / want
				switch {
				case off < 0.003:
					s.right++
				case off > 0.01:
					s.wrong++
					s.notes = append(s.notes, fmt.Sprintf("seed %d Q %.0f: %.1f +- %.1f Hz for %.1f", seed, truth.Fundamental.Q, hz.X, hz.U, want))
				}
				if math.Abs(hz.X-want) <= hz.U {
					s.one++
				}
				if math.Abs(hz.X-want) <= 2*hz.U {
					s.two++
				}
			}
			<-slots
		})
	}
	running.Wait()
	var b strings.Builder
	fmt.Fprintf(&b, "\n%-10s %-9s %4s %8s %6s %6s %6s\n", "Q", "", "n", "0.3 %", "wrong", "1u", "2u")
	for _, s := range table {
		n := float64(s.n)
		known := "unknown"
		if s.expected {
			known = "expected"
		}
		fmt.Fprintf(&b, "%3.0f-%3.0f    %-9s %4d %6.1f %% %6d %4.0f %% %4.0f %%\n", s.low, s.high, known, s.n, 100*float64(s.right)/n, s.wrong, 100*float64(s.one)/n, 100*float64(s.two)/n)
		missing := map[float64]float64{80: 0.10, 150: 0.02}[s.low]
		if !s.expected {
			missing = 0.15
		}
		if s.n-s.right > exceptional(s.n, missing) || s.expected && s.wrong > exceptional(s.n, 0.005) {
			t.Errorf("Q %.0f-%.0f, %s: too few notes are right", s.low, s.high, known)
		}
	}
	t.Log(b.String())
	for _, s := range table {
		for _, n := range s.notes {
			t.Logf("Q %.0f-%.0f, expected %v: %s", s.low, s.high, s.expected, n)
		}
	}
}
