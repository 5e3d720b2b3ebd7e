package grading

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"ringstock/spectrum/measure"
)

func TestNumberOrder(t *testing.T) {
	want := []string{"1", "2", "10", "A2", "A2b", "A10", "A010x", "B1-2", "B1-10", "ä"}
	got := slices.Clone(want)
	rng := rand.New(rand.NewPCG(1, 1))
	rng.Shuffle(len(got), func(i, j int) { got[i], got[j] = got[j], got[i] })
	slices.SortFunc(got, NumberOrder)
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if NumberOrder("A1", "A01") == 0 || NumberOrder("A1", "A1") != 0 {
		t.Error("only equal numbers may be equal")
	}
}

func scored(blank string, s measure.Value) Blank { return Blank{Blank: blank, Score: s} }

func TestRank(t *testing.T) {
	none := measure.Unknown("no tap could be used")
	blanks := []Blank{
		scored("U1", none), scored("A10", measure.Of(50, 5)), scored("A2", measure.Of(50, 5)), scored("best", measure.Of(90, 1)),
		scored("z2", measure.Of(0, 0)), scored("z1", measure.Of(0, 0)),
	}
	Rank(blanks)
	type place struct {
		blank          string
		rank, low, top int
	}
	var got []place
	for _, b := range blanks {
		got = append(got, place{b.Blank, b.Rank, b.RankLow, b.RankHigh})
	}
	want := []place{
		{"best", 1, 1, 1},
		{"A2", 2, 2, 3}, {"A10", 3, 2, 3}, // a tie within uncertainty
		{"z1", 4, 4, 5}, {"z2", 5, 4, 5}, // a tie by rule
		{"U1", 6, 1, 6}, // nothing is known
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%v\nwant %v", got, want)
	}
}

// A score that is mostly missing does not go before one that is proven.
func TestRankByWhatIsProven(t *testing.T) {
	blanks := []Blank{scored("sound alone", measure.Of(100, 40)), scored("measured", measure.Of(70, 4)), scored("poor", measure.Of(20, 2))}
	Rank(blanks)
	if blanks[0].Blank != "measured" || blanks[1].Blank != "sound alone" || blanks[1].RankLow != 1 {
		t.Errorf("%+v", blanks)
	}
}

// A blank that may fail a limit has a score of either nothing or about 60, never of 100.
func TestRankByTheDrawsOfTheScore(t *testing.T) {
	split := scored("A", measure.Of(60, 40))
	split.scores = []float32{0, 58, 0, 62}
	blanks := []Blank{scored("B", measure.Of(90, 1)), scored("C", measure.Of(30, 1)), split}
	Rank(blanks)
	if b := blanks[2]; b.Blank != "A" || b.RankLow != 2 || b.RankHigh != 3 {
		t.Errorf("%s: rank %d, %d to %d; want A at 3, 2 to 3", b.Blank, b.Rank, b.RankLow, b.RankHigh)
	}
}

// The interval must hold the true rank in 95 % of cases: scores are drawn about
// invented true ones.
func TestRankIntervalCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	inside, all := 0, 0
	for range 40 {
		const n = 20
		truth := make([]float64, n)
		blanks := make([]Blank, n)
		for i := range blanks {
			truth[i] = 30 + 50*rng.Float64()
			blanks[i] = scored(fmt.Sprint(i), measure.Of(truth[i]+3*rng.NormFloat64(), 3))
		}
		Rank(blanks)
		for _, b := range blanks {
			var i int
			fmt.Sscan(b.Blank, &i)
			rank := 1
			for _, other := range truth {
				if other > truth[i] {
					rank++
				}
			}
			all++
			if b.RankLow <= rank && rank <= b.RankHigh {
				inside++
			}
		}
	}
	// Binomial, 800 cases: four standard deviations are 3 %. Shrinkage of the extremes
	// makes the interval a little wider than it need be, never narrower.
	if share := float64(inside) / float64(all); share < 0.92 {
		t.Errorf("the true rank is inside in %.1f %%", 100*share)
	}
}

// The interval is one of 95 %: a place that is taken with a probability of 3.7 %
// belongs to it, one of 1.2 % does not. For two scores of equal u the worse one
// wins with the probability that a normal variable lies z beyond its mean, where
// they lie z sqrt(2) u apart.
func TestRankIntervalIsOf95PerCent(t *testing.T) {
	const u = 2
	for _, c := range []struct {
		z       float64
		overlap bool
	}{{1.787, true}, {2.257, false}} {
		blanks := []Blank{scored("A", measure.Of(50+c.z*math.Sqrt2*u, u)), scored("B", measure.Of(50, u))}
		Rank(blanks)
		if (blanks[0].RankHigh == 2) != c.overlap || (blanks[1].RankLow == 1) != c.overlap {
			t.Errorf("z = %g: ranks %d-%d and %d-%d", c.z, blanks[0].RankLow, blanks[0].RankHigh, blanks[1].RankLow, blanks[1].RankHigh)
		}
	}
}
