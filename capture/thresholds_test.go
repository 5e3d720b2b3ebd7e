package capture_test

import (
	"maps"
	"math"
	"os"
	"slices"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
)

// TestThresholds tells, with -v, how the taps that are found move when each threshold is
// halved and doubled, and fails where they move as they stand.
func TestThresholds(t *testing.T) {
	if !slow() {
		t.Skip("slow: set RINGSTOCK_SLOW=1")
	}
	var recs []capture.Recording
	var truths []cases.Truth
	for seed := range uint64(8) {
		for _, c := range []cases.Case{
			cases.Bar(5600 + seed).InRoom().Mains().SNR(25), cases.Bar(5700 + seed).InRoom().SNR(12),
			cases.Bar(5800 + seed).InRoom().Doubled(1).SNR(30), cases.Bar(5900 + seed).Clipped(2).SNR(30),
		} {
			rec, truth := c.Render()
			recs, truths = append(recs, rec), append(truths, truth)
		}
	}
	type result struct{ missed, extra, late, refused, doubles, clear int } // clear: missed though well above the noise
	count := func() (r result) {
		for i, rec := range recs {
			of, extra := heardAs(t, capture.FindTaps(rec), truths[i])
			r.extra += extra
			for k, tap := range of {
				truth := truths[i].Taps[k]
				if tap == nil {
					r.missed++
					if i%4 != 1 {
						r.clear++
					}
					continue
				}
				if math.Abs(float64(tap.Onset)/rec.Rate-truth.AtS) > 0.002 {
					r.late++
				}
				if truth.Double && tap.Reason == capture.DoubleStrike {
					r.doubles++
				} else if tap.Reason != capture.Accepted && truth.ClippedToS == 0 && !truth.Double {
					r.refused++
				}
			}
		}
		return r
	}
	as := count()
	t.Logf("%-22s %6s %5s %5s %8s %8s", "", "missed", "false", "late", "refused", "doubles")
	show := func(name string, r result) {
		t.Logf("%-22s %6d %5d %5d %8d %8d", name, r.missed, r.extra, r.late, r.refused, r.doubles)
	}
	show("as they stand", as)
	if as.clear > 0 || as.extra > 0 || as.refused > 0 || as.doubles < 8 { // of the soft ones at 12 dB some are missed
		t.Errorf("%+v", as)
	}
	limits := capture.Limits()
	for _, name := range slices.Sorted(maps.Keys(limits)) {
		at, was := limits[name], *limits[name]
		for _, by := range []struct {
			how    string
			factor float64
		}{{" halved", 0.5}, {" doubled", 2}} {
			if name == "onset.RateHz" && by.factor < 1 {
				continue // it would be that of another detector
			}
			*at = was * by.factor
			capture.CountsChanged()
			if r := count(); r != as {
				show(name+by.how, r)
			}
		}
		*at = was
		capture.CountsChanged()
	}
}

// slow asks for the long form of tests, while a test runs: a cached result of the short
// form is none of the long one.
func slow() bool { return os.Getenv("RINGSTOCK_SLOW") != "" }
