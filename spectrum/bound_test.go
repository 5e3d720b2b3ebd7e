package spectrum_test

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/spectrum"
	"ringstock/spectrum/damped"
)

// bounded is a case beside the Cramér-Rao bound for the frequency and decay rate
// of its fundamental.
type bounded struct {
	c              cases.Case
	sdHz, sdAlpha  float64
	otherHz, other float64 // the same for the second line of a pair
}

// tapped is a bar tapped once in white noise; its record lasts so many decay times
// of the fundamental.
func tapped(seed uint64, q, snrDB, taus float64, change func(cases.Case) cases.Case) bounded {
	c := cases.Bar(seed).Taps(1).Damped(q)
	s := &c.Scene
	s.DurationS = s.Strikes[0].AtS + taus*s.Modes[0].Tau()
	c = change(c)
	return bounded{c: c.InWhiteNoise().SNR(snrDB)}.bound()
}

// bound fills in the bound: from the strike to the end of the recording, with
// amplitudes and phases of all lines within 30 Hz unknown. So is a hum line among them:
// the quiet before the tap tells of it, as do the mains' other harmonics, each for as
// long as the recording lasts.
func (b bounded) bound() bounded {
	const rate = 400.0 // of the band about the fundamental as a complex signal
	s := b.c.Scene
	hz, at := s.Modes[0].Hz, s.Strikes[0].AtS
	density := s.OctaveNoise(hz) / (hz * (math.Sqrt2 - 1/math.Sqrt2))
	var m damped.Model
	var amp []complex128
	for k, mode := range s.Modes {
		if math.Abs(mode.Hz-hz) < 30 {
			m.Lines = append(m.Lines, damped.Line{Hz: mode.Hz - hz, Alpha: 1 / mode.Tau()})
			amp = append(amp, s.Amplitude(0, k))
		}
	}
	told := 0.0 // of the mains, one over the variance of a frequency relative to itself
	for _, l := range s.Hum {
		if off := l.Hz - hz; math.Abs(off) < 30 {
			m.Undamped = append(m.Undamped, off)
			amp = append(amp, cmplx.Rect(l.Amp, l.Phase+2*math.Pi*l.Hz*at))
		} else { // of a lone line: 6 density/(amplitude^2 duration^3) is the variance of its angular frequency
			told += math.Pow(2*math.Pi*l.Hz*l.Amp, 2) * math.Pow(s.DurationS, 3) / (6 * 2 * density)
		}
	}
	var known []damped.Known
	for _, off := range m.Undamped {
		known = append(known, damped.Known{Hz: off, SD: (hz + off) / math.Sqrt(told)})
	}
	cov := damped.BoundBesideWaves(m, known, amp, 2*density*rate, rate, int(at*rate), int((s.DurationS-at)*rate))
	b.sdHz, b.sdAlpha = math.Sqrt(cov.At(0, 0)), math.Sqrt(cov.At(1, 1))
	last := 2 * (len(m.Lines) - 1) // Pair adds its line as the last mode
	b.otherHz, b.other = math.Sqrt(cov.At(last, last)), math.Sqrt(cov.At(last+1, last+1))
	return b
}

// TestBoundTable prints the error of single taps in white noise over its bound.
func TestBoundTable(t *testing.T) {
	wantTable(t)
	type row struct {
		name string
		make func(seed uint64, r *rand.Rand) bounded
	}
	var rows []row
	same := func(c cases.Case) cases.Case { return c }
	for _, q := range []float64{100, 200, 400} {
		for _, snr := range []float64{10, 20, 30, 40} {
			for _, taus := range []float64{1, 3} {
				rows = append(rows, row{fmt.Sprintf("white noise, Q %.0f, %.0f dB, %.0f tau", q, snr, taus), func(seed uint64, r *rand.Rand) bounded {
					return tapped(seed, q, snr, taus, same)
				}})
			}
		}
	}
	for _, apart := range []float64{0.1, 0.3, 1, 3, 10} {
		for _, db := range []float64{-30, -15, 0} {
			rows = append(rows, row{fmt.Sprintf("hum %.1f Hz away, %.0f dB, Q 200, 30 dB", apart, db), func(seed uint64, r *rand.Rand) bounded {
				return tapped(seed, 200, 30, 3, func(c cases.Case) cases.Case { return c.MainsNear(apart*float64(2*r.IntN(2)-1), db) })
			}})
		}
	}
	for _, q := range []float64{100, 200} {
		for _, snr := range []float64{20, 30, 40} {
			rows = append(rows, row{fmt.Sprintf("room, Q %.0f, %.0f dB", q, snr), func(seed uint64, r *rand.Rand) bounded {
				return tapped(seed, q, snr, 3, cases.Case.InRoom)
			}})
		}
	}
	for _, p := range []struct{ apart, snr, db float64 }{{0.5, 30, 0}, {1, 20, 0}, {1, 20, -6}, {1, 30, 0}, {2, 20, -10}, {2, 30, -10}, {4, 30, -10}} {
		rows = append(rows, row{fmt.Sprintf("pair %.1f Hz apart, %.0f dB, Q 300, %.0f dB", p.apart, p.db, p.snr), func(seed uint64, r *rand.Rand) bounded {
			return tapped(seed, 300, p.snr, 3, func(c cases.Case) cases.Case { return c.Pair(p.apart, p.db) })
		}})
	}
	rows = slices.DeleteFunc(rows, func(r row) bool { return !strings.Contains(r.name, *only) })
	fmt.Printf("%-44s %4s %5s %5s %6s   rms/bound    2u holds %%  rms tau %%\n", "class", "n", "wrong", "none", "pairs")
	fmt.Printf("%-44s %4s %5s %5s %6s   %5s %5s   %5s %5s  %5s %5s\n", "", "", "", "", "", "f", "tau", "f", "Q", "all", "95 of 100")
	var notes, qs []float64
	for _, row := range rows {
		var f, tau, zf, zq, dq []float64
		wrong, none, pairs := 0, 0, 0
		for i := range *runs {
			r := rand.New(rand.NewPCG(*firstSeed+uint64(i), 77))
			b := row.make(*firstSeed+uint64(i), r)
			rec, truth := b.c.Render()
			a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
			if a.Ring == nil || !a.Ring.Fundamental.Q.Known() {
				none++
				continue
			}
			if a.Ring.Beat != nil {
				pairs++
			}
			got, want, sdHz, sdAlpha := a.Ring.Fundamental, truth.Fundamental, b.sdHz, b.sdAlpha
			if p := truth.Pair; p != nil && math.Abs(p.Hz-got.Hz.X) < math.Abs(want.Hz-got.Hz.X) {
				want, sdHz, sdAlpha = *p, b.otherHz, b.other
			}
			if math.Abs(got.Hz.X/want.Hz-1) > 0.01 {
				wrong++
				continue
			}
			f = append(f, (got.Hz.X-want.Hz)/sdHz)
			tau = append(tau, (got.TauS.X/want.Tau()-1)/(sdAlpha*want.Tau()))
			zf = append(zf, (got.Hz.X-want.Hz)/got.Hz.U)
			zq = append(zq, (got.Q.X-want.Q)/got.Q.U)
			dq = append(dq, 100*(got.Q.X/want.Q-1))
			if *list > 0 && math.Abs(dq[len(dq)-1]) > *list {
				fmt.Printf("  %d: Q %.1f ± %.1f, true %.1f; %.3f Hz, true %.3f\n", *firstSeed+uint64(i), got.Q.X, got.Q.U, want.Q, got.Hz.X, want.Hz)
			}
		}
		fmt.Printf("%-44s %4d %5d %5d %6d   %5.2f %5.2f   %5.1f %5.1f  %5.2f %5.2f\n", row.name, *runs, wrong, none, pairs, rms(f), rms(tau), within2(zf), within2(zq), rms(dq), rms(mostOf(dq)))
		notes, qs = append(notes, zf...), append(qs, zq...)
	}
	honest(t, "all classes, note", notes)
	honest(t, "all classes, Q", qs)
}

// mostOf leaves out the twentieth that is furthest from zero.
func mostOf(x []float64) []float64 {
	x = slices.Clone(x)
	slices.SortFunc(x, func(a, b float64) int { return cmp.Compare(math.Abs(a), math.Abs(b)) })
	return x[:len(x)-len(x)/20]
}

// TestPairsNearTheBound: two equal lines are always told apart, and what is said of one
// is hardly worse than it can be.
func TestPairsNearTheBound(t *testing.T) {
	const n = 16
	for _, p := range []struct{ apart, snr, most float64 }{{0.5, 30, 1.3}, {1, 20, 1.3}} {
		var hz, tau []float64
		for seed := uint64(3100); seed < 3100+n; seed++ {
			b := tapped(seed, 300, p.snr, 3, func(c cases.Case) cases.Case { return c.Pair(p.apart, 0) })
			rec, truth := b.c.Render()
			ring := analyse(t, rec)
			if ring.Beat == nil || math.Abs(ring.Beat.Hz-p.apart) > 0.1 {
				t.Errorf("%d: %.1f Hz apart, beat %+v", seed, p.apart, ring.Beat)
				continue
			}
			want, sdHz, sdAlpha := truth.Fundamental, b.sdHz, b.sdAlpha
			if math.Abs(truth.Pair.Hz-ring.Fundamental.Hz.X) < p.apart/2 {
				want, sdHz, sdAlpha = *truth.Pair, b.otherHz, b.other
			}
			hz = append(hz, (ring.Fundamental.Hz.X-want.Hz)/sdHz)
			tau = append(tau, (ring.Fundamental.TauS.X/want.Tau()-1)/(sdAlpha*want.Tau()))
		}
		// The rms of n errors has a relative sd of 1/sqrt(2 n).
		if most := p.most * (1 + 2/math.Sqrt(2*n)); rms(hz) > most || rms(tau) > most {
			t.Errorf("%.1f Hz apart: rms error over bound %.2f in frequency, %.2f in tau", p.apart, rms(hz), rms(tau))
		}
	}
}

// TestSoftTapsNearTheBound: a ring is heard out though its band is in the noise
// after a part of it.
func TestSoftTapsNearTheBound(t *testing.T) {
	const n = 48
	var hz, tau []float64
	for seed := uint64(96900); seed < 96900+n; seed++ {
		b := tapped(seed, 400, 10, 3, func(c cases.Case) cases.Case { return c })
		rec, truth := b.c.Render()
		f, want := analyse(t, rec).Fundamental, truth.Fundamental
		hz = append(hz, (f.Hz.X-want.Hz)/b.sdHz)
		tau = append(tau, (f.TauS.X/want.Tau()-1)/(b.sdAlpha*want.Tau()))
	}
	// The rms of n errors has a relative sd of 1/sqrt(2 n).
	if most := 1.2 * (1 + 2/math.Sqrt(2*n)); rms(hz) > most || rms(tau) > most {
		t.Errorf("rms error over bound %.2f in frequency, %.2f in tau", rms(hz), rms(tau))
	}
}
