package grading

import (
	"cmp"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"ringstock/spectrum/measure"
)

const (
	rankTrials = 1000
	rankRounds = 4 // divides the trials
	rankSeed   = 3
)

// Rank puts blanks in order, the best first, and says between which ranks each lies with
// 95 % probability. Order is by what is proven, the lower end of the score's 95 %
// interval, then by blank number; unread blanks come last.
//
// The interval is found by Monte Carlo over the uncertainties of the scores. Blanks whose
// scores are equal in a draw share all the ranks that they take up together.
func Rank(blanks []Blank) {
	list := make([]contender, len(blanks))
	for i, b := range blanks {
		list[i] = b.contender()
		list[i].at = i
	}
	before := slices.Clone(blanks)
	_ = rank(list, func(c contender) ([]float32, error) { return before[c.at].scores, nil })
	for i, c := range list {
		blanks[i] = before[c.at]
		blanks[i].Rank, blanks[i].RankLow, blanks[i].RankHigh = i+1, c.low, c.high
	}
}

// contender is what the ranking asks of a blank, and what it says of it.
type contender struct {
	at        int // its place before the ranking
	blank     string
	score     measure.Value
	proven    float64 // lower end of the score's 95 % interval
	draws     int     // of the score, from the judgement
	low, high int
}

func (b Blank) contender() contender {
	score := b.Score
	score.Budget = nil
	proven, _ := b.ScoreInterval()
	return contender{blank: b.Blank, score: score, proven: proven, draws: len(b.scores)}
}

// rank puts contenders in order and finds their intervals. It asks for the draws of one
// after the other, in as many rounds as keep little of them in memory.
func rank(list []contender, scores func(contender) ([]float32, error)) error {
	slices.SortStableFunc(list, func(a, b contender) int {
		if a.score.Known() != b.score.Known() {
			if a.score.Known() {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(b.proven, a.proven), NumberOrder(a.blank, b.blank))
	})
	read := 0
	for _, c := range list {
		if c.score.Known() {
			read++
		}
	}
	for i := read; i < len(list); i++ { // of unread blanks nothing is known
		list[i].low, list[i].high = 1, len(list)
	}
	rng := rand.New(rand.NewPCG(rankSeed, 0))
	tails := make([]bothTails, runtime.GOMAXPROCS(0))
	for k := range tails {
		tails[k] = bothTails{make([]tail, read), make([]tail, read)}
	}
	// A draw is a score, turned over so that the best comes first, above the
	// number of its blank: thousands of plain numbers are sorted many times faster
	// than as many structs.
	var round [rankTrials / rankRounds][]uint64
	for t := range round {
		round[t] = make([]uint64, read)
	}
	for range rankRounds {
		for _, draws := range round {
			for i := range draws {
				draws[i] = list[i].draw(rng)
			}
		}
		var reading errgroup.Group
		for k := range tails {
			reading.Go(func() error {
				for i := k * read / len(tails); i < (k+1)*read/len(tails); i++ {
					c := list[i]
					own, err := scores(c)
					if err != nil {
						return err
					}
					for _, draws := range round {
						score := math.Float32frombits(uint32(draws[i]))
						if c.draws > 0 {
							score = own[draws[i]]
						}
						draws[i] = uint64(^math.Float32bits(score))<<32 | uint64(i)
					}
				}
				return nil
			})
		}
		if err := reading.Wait(); err != nil {
			return err
		}
		var sorting sync.WaitGroup
		for k := range tails {
			sorting.Go(func() {
				for t := k; t < len(round); t += len(tails) {
					tails[k].take(round[t])
				}
			})
		}
		sorting.Wait()
	}
	lows, highs := tails[0].lows, tails[0].highs
	for _, more := range tails[1:] {
		for i := range read {
			lows[i].merge(more.lows[i])
			highs[i].merge(more.highs[i])
		}
	}
	for i := range read {
		list[i].low, list[i].high = min(i+1, lows[i].limit()), max(i+1, -highs[i].limit())
	}
	return nil
}

// draw draws from what the score may be, which is never negative. Limits and unknown
// parts make that anything but normal, so where there are draws of the judgement it is
// the number of one of them, else the bits of a score.
func (c contender) draw(rng *rand.Rand) uint64 {
	if c.draws > 0 {
		return uint64(rng.IntN(c.draws))
	}
	return uint64(math.Float32bits(float32(min(max(c.score.Draw(rng), 0), 100))))
}

// bothTails are the tails of all ranks, by blank.
type bothTails struct{ lows, highs []tail }

// take takes in one draw of every score; equal scores share all the ranks that
// they take up together.
func (b bothTails) take(draws []uint64) {
	slices.Sort(draws)
	for from := 0; from < len(draws); {
		to := from + 1
		for to < len(draws) && draws[to]>>32 == draws[from]>>32 {
			to++
		}
		for _, d := range draws[from:to] {
			b.lows[uint32(d)].add(from + 1)
			b.highs[uint32(d)].add(-to)
		}
		from = to
	}
}

// tail holds the smallest fortieth of the ranks drawn, in order: all that a 95 %
// interval asks of them.
type tail struct {
	ranks [rankTrials/40 + 1]int32
	n     int
}

func (t *tail) add(rank int) {
	r := int32(rank)
	if t.n == len(t.ranks) && r >= t.ranks[t.n-1] {
		return
	}
	i, _ := slices.BinarySearch(t.ranks[:t.n], r)
	t.n = min(t.n+1, len(t.ranks))
	copy(t.ranks[i+1:t.n], t.ranks[i:])
	t.ranks[i] = r
}

func (t *tail) merge(other tail) {
	for _, r := range other.ranks[:other.n] {
		t.add(int(r))
	}
}

func (t *tail) limit() int { return int(t.ranks[len(t.ranks)-1]) }

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
