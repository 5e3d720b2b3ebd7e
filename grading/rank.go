package grading

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
)

const (
	rankTrials = 1000
	rankSeed   = 3
)

// Rank puts blanks in order, the best first, and says between which ranks each lies with
// 95 % probability. Order is by score, then by blank number; unread blanks come last.
//
// The interval is found by Monte Carlo over the uncertainties of the scores. Blanks whose
// scores are equal in a draw share all the ranks that they take up together.
func Rank(blanks []Blank) {
	slices.SortStableFunc(blanks, func(a, b Blank) int {
		if a.Score.Known() != b.Score.Known() {
			if a.Score.Known() {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(b.Score.X, a.Score.X), NumberOrder(a.Blank, b.Blank))
	})
	read := 0
	for i := range blanks {
		blanks[i].Rank, blanks[i].RankLow, blanks[i].RankHigh = i+1, i+1, i+1
		if blanks[i].Score.Known() {
			read++
		}
	}
	for i := read; i < len(blanks); i++ { // of unread blanks nothing is known
		blanks[i].RankLow, blanks[i].RankHigh = 1, len(blanks)
	}
	rng := rand.New(rand.NewPCG(rankSeed, 0))
	lows, highs := make([]tail, read), make([]tail, read)
	// A draw is a score, turned over so that the best comes first, above the number of its blank:
	// thousands of plain numbers are sorted many times faster than as many structs.
	draws := make([]uint64, read)
	for range rankTrials {
		for i := range draws {
			draws[i] = uint64(^math.Float32bits(blanks[i].drawScore(rng)))<<32 | uint64(i)
		}
		slices.Sort(draws)
		for from := 0; from < read; {
			to := from + 1
			for to < read && draws[to]>>32 == draws[from]>>32 {
				to++
			}
			for _, d := range draws[from:to] {
				lows[uint32(d)].add(from + 1)
				highs[uint32(d)].add(-to)
			}
			from = to
		}
	}
	for i := range read {
		b := &blanks[i]
		b.RankLow = min(b.Rank, lows[i].limit())
		b.RankHigh = max(b.Rank, -highs[i].limit())
	}
}

// tail holds the smallest fortieth of the ranks drawn, in order: all that a 95 % interval asks of them.
type tail struct {
	ranks [rankTrials/40 + 1]int32
	n     int
}

func (t *tail) add(rank int) {
	r := int32(rank)
	i, _ := slices.BinarySearch(t.ranks[:t.n], r)
	if i == len(t.ranks) {
		return
	}
	t.n = min(t.n+1, len(t.ranks))
	copy(t.ranks[i+1:t.n], t.ranks[i:])
	t.ranks[i] = r
}

func (t *tail) limit() int { return int(t.ranks[len(t.ranks)-1]) }

// drawScore draws from what the score may be, which is never negative. Limits and unknown parts make that
// anything but normal, so the draws of the judgement are used where there are any.
func (b Blank) drawScore(rng *rand.Rand) float32 {
	if len(b.scores) > 0 {
		return b.scores[rng.IntN(len(b.scores))]
	}
	return float32(min(max(b.Score.Draw(rng), 0), 100))
}

// NumberOrder orders numbers of blanks as people do: A2 before A10.
func NumberOrder(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		i, j := digits(x), digits(y)
		if i > 0 && j > 0 {
			m, n := strings.TrimLeft(x[:i], "0"), strings.TrimLeft(y[:j], "0")
			if c := cmp.Or(cmp.Compare(len(m), len(n)), strings.Compare(m, n)); c != 0 {
				return c
			}
			x, y = x[i:], y[j:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(a, b))
}

// digits is the length of the number that a text begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && '0' <= s[n] && s[n] <= '9' {
		n++
	}
	return n
}
