package spectrum_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
)

var (
	runs      = flag.Int("runs", 0, "recordings a class or row of the tables, which are made only where this is given")
	firstSeed = flag.Uint64("seed", 1, "first seed of the accuracy table")
	only      = flag.String("class", "", "only classes whose name contains this")
	list      = flag.Float64("list", 0, "list recordings whose Q is off by more than this many per cent")
)

// score is how well one class of recordings was read.
type score struct {
	n, wrong, noRing, inferred       int
	cents, dq, zq, zf                []float64
	q, trueQ                         []float64
	purity, zp                       []float64
	foreign, named, clean, falsely   int
	loud, loudNamed                  int // foreign notes of more than 3 % of the energy
	strikes, missed, extra, punctual int
	doubles, doublesFound, singles   int
	doublesFalse                     int
	pairs, pairFound, pairFalse      int
	accepted, plain                  int
	altered                          int
	device                           bool // whether a recording device altered the sound
}

func (s *score) add(rec capture.Recording, truth cases.Truth) (note string) {
	a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
	s.n++
	s.device = s.device || truth.Altered
	matched := make([]bool, len(a.Taps))
	for _, t := range truth.Taps {
		s.strikes++
		best := -1
		for i, got := range a.Taps {
			if math.Abs(got.AtS-t.AtS) < 0.01 && !matched[i] {
				best = i
			}
		}
		if t.Double {
			s.doubles++
		} else {
			s.singles++
		}
		if best < 0 {
			s.missed++
			note += fmt.Sprintf(" missed %.2f s (%.0f dB)", t.AtS, t.SNRdB)
			continue
		}
		matched[best] = true
		if math.Abs(a.Taps[best].AtS-t.AtS) < 0.001 {
			s.punctual++
		}
		double := a.Taps[best].Reason == capture.DoubleStrike
		if t.Double && double {
			s.doublesFound++
		}
		if !t.Double && double {
			s.doublesFalse++
			note += fmt.Sprintf(" false double %.2f s", t.AtS)
		}
		if !t.Double && t.ClippedToS == 0 {
			s.plain++
			if a.Taps[best].Accepted {
				s.accepted++
			} else {
				note += fmt.Sprintf(" refused %.2f s %s (%.0f dB)", t.AtS, a.Taps[best].Reason, t.SNRdB)
			}
		}
	}
	for i, m := range matched {
		if !m {
			s.extra++
			note += fmt.Sprintf(" extra %.2f s %s", a.Taps[i].AtS, a.Taps[i].Reason)
		}
	}
	for _, w := range a.Warnings {
		if w.Code == spectrum.Altered {
			s.altered++
			note += " " + w.Text[:40]
			break
		}
	}
	if a.Ring == nil {
		s.noRing++
		return note + " NO RING: " + a.Error.Text
	}
	f := a.Ring.Fundamental
	if a.Ring.FundamentalFrom == "series" {
		s.inferred++
	}
	want := truth.Fundamental
	if p := truth.Pair; p != nil {
		s.pairs++
		if a.Ring.Beat != nil && math.Abs(a.Ring.Beat.Hz-math.Abs(p.Hz-want.Hz)) < 0.3 {
			s.pairFound++
		}
		if math.Abs(p.Hz-f.Hz.X) < math.Abs(want.Hz-f.Hz.X) {
			want = *p
		}
	} else if a.Ring.Beat != nil {
		near := false
		for _, m := range truth.Own[1:] {
			near = near || math.Abs(m.Hz-want.Hz) < 16
		}
		if !near {
			s.pairFalse++
			note += fmt.Sprintf(" false pair %+v", *a.Ring.Beat)
		}
	}
	cents := 1200 * math.Log2(f.Hz.X/want.Hz)
	if math.Abs(cents) > 30 {
		s.wrong++
		return note + fmt.Sprintf(" WRONG %.2f for %.2f Hz (ratio %.3f, %s)", f.Hz.X, want.Hz, f.Hz.X/want.Hz, a.Ring.FundamentalFrom)
	}
	s.cents = append(s.cents, math.Abs(cents))
	s.zf = append(s.zf, (f.Hz.X-want.Hz)/f.Hz.U)
	if f.Q.Known() {
		s.dq = append(s.dq, 100*math.Abs(f.Q.X/want.Q-1))
		s.zq = append(s.zq, (f.Q.X-want.Q)/f.Q.U)
		s.q, s.trueQ = append(s.q, f.Q.X), append(s.trueQ, want.Q)
		if *list > 0 && math.Abs(f.Q.X/want.Q-1)*100 > *list {
			note += fmt.Sprintf(" Q %.1f +- %.1f for %.1f (%.1f Hz)", f.Q.X, f.Q.U, want.Q, want.Hz)
		}
	}
	if p := a.Ring.PurityPct; p.Known() && !math.IsNaN(truth.PurityPct) { // NaN: no tap is a plain one
		s.purity = append(s.purity, p.X-truth.PurityPct)
		s.zp = append(s.zp, (p.X-truth.PurityPct)/p.U)
		if *list > 0 && math.Abs(p.X-truth.PurityPct) > 3 {
			note += fmt.Sprintf(" purity %.1f +- %.1f for %.1f", p.X, p.U, truth.PurityPct)
		}
	}
	if len(truth.Foreign) > 0 {
		s.foreign++
		found := false
		for _, st := range a.Ring.Stray {
			found = found || math.Abs(st.Hz-truth.Foreign[0].Hz) < 1
		}
		loud := truth.PurityPct < 97
		if loud {
			s.loud++
		}
		if found {
			s.named++
			if loud {
				s.loudNamed++
			}
		} else {
			note += fmt.Sprintf(" foreign %.1f (ratio %.2f) not named: %v", truth.Foreign[0].Hz, truth.Foreign[0].Hz/truth.Fundamental.Hz, a.Ring.Stray)
		}
	} else {
		s.clean++
		if len(a.Ring.Stray) > 0 {
			s.falsely++
			note += fmt.Sprintf(" falsely named %v (ratio %.2f)", a.Ring.Stray, a.Ring.Stray[0].Hz/f.Hz.X)
		}
	}
	return note
}

func quantile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Clone(x)
	slices.Sort(x)
	return x[min(int(p*float64(len(x))), len(x)-1)]
}

// spearman is the correlation of the ranks that values have (Spearman, American Journal
// of Psychology 15 (1904) 72).
func spearman(x, y []float64) float64 {
	rank := func(x []float64) []float64 {
		order, rank := make([]int, len(x)), make([]float64, len(x))
		floats.Argsort(slices.Clone(x), order)
		for i, at := range order {
			rank[at] = float64(i)
		}
		return rank
	}
	return stat.Correlation(rank(x), rank(y), nil)
}

func within2(z []float64) float64 {
	n := 0.0
	for _, v := range z {
		if math.Abs(v) < 2 {
			n++
		}
	}
	return 100 * n / float64(len(z))
}

func rms(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v * v
	}
	return math.Sqrt(s / float64(len(x)))
}

// within1 is the share of values within one standard uncertainty, %.
func within1(z []float64) float64 { return 100 * float64(holding(z, 1)) / float64(len(z)) }

// TestAccuracyTable reads recordings of known truth, class by class, and prints how well.
func TestAccuracyTable(t *testing.T) {
	wantTable(t)
	fmt.Println("class              n wrong  none  |df| cents        |dQ| %       rank    holds % 1u: f  Q  2u: f  Q  P  purity    foreign   over    false  taps     extra <1ms  double     pair   altered  CPU")
	fmt.Println("                               median   95 %   median  90 %   of Q                             rms %    named      3 %     named  missed         %    found false found false  ms")
	var notes, qs []float64
	for _, class := range cases.Classes() {
		if !strings.Contains(class.Name, *only) {
			continue
		}
		var s score
		var mu sync.Mutex
		var wg sync.WaitGroup
		cpu := 0.0
		for w := range runtime.GOMAXPROCS(0) {
			wg.Add(1)
			go func() {
				defer wg.Done()
				for i := w; i < *runs; i += runtime.GOMAXPROCS(0) {
					seed := *firstSeed + uint64(i)
					rec, truth := class.Case(seed).Render()
					mu.Lock()
					before := cpuMS()
					note := s.add(rec, truth)
					cpu += cpuMS() - before
					if *list > 0 && note != "" {
						fmt.Fprintf(os.Stderr, "  %s %d:%s\n", class.Name, seed, note)
					}
					mu.Unlock()
				}
			}()
		}
		wg.Wait()
		fmt.Printf("%-17s %3d  %3d   %3d   %6.3f %6.3f   %5.2f %6.2f  %.4f    %3.0f %3.0f  %3.0f %3.0f %3.0f     %5.2f   %3d/%-3d  %3d/%-3d  %3d/%-3d  %3d/%-4d %3d  %5.1f  %2d/%-2d %3d  %2d/%-2d %3d  %3d  %5.1f\n",
			class.Name, s.n, s.wrong, s.noRing, quantile(s.cents, .5), quantile(s.cents, .95), quantile(s.dq, .5), quantile(s.dq, .9), spearman(s.q, s.trueQ),
			within1(s.zf), within1(s.zq), within2(s.zf), within2(s.zq), within2(s.zp), rms(s.purity), s.named, s.foreign, s.loudNamed, s.loud, s.falsely, s.clean, s.missed, s.strikes, s.extra,
			100*float64(s.punctual)/float64(s.strikes), s.doublesFound, s.doubles, s.doublesFalse, s.pairFound, s.pairs, s.pairFalse, s.altered, cpu/float64(s.n))
		if !s.device {
			honest(t, class.Name+", note", s.zf)
			honest(t, class.Name+", Q", s.zq)
			notes, qs = append(notes, s.zf...), append(qs, s.zq...)
		}
	}
	honest(t, "all classes, note", notes)
	honest(t, "all classes, Q", qs)
}

// wantTable skips a table that nobody asks for.
func wantTable(t *testing.T) {
	t.Helper()
	if *runs == 0 {
		t.Skip("a table to look at: give -v -args -runs N")
	}
}
