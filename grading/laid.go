package grading

import (
	"iter"

	"ringstock/grading/spool"
)

// laid are the blanks of a grading that lie in a spool.
type laid struct {
	spool  *spool.Spool
	blanks []laidBlank // as they came
	ranked []contender
}

type laidBlank struct{ blank, scores, own spool.Place }

func (l *laid) put(b Blank) (out laidBlank, err error) {
	if out.blank, err = l.spool.Put(b); err == nil {
		out.scores, err = l.spool.Put(b.scores)
	}
	if err == nil {
		out.own, err = l.spool.Put(b.own)
	}
	return out, err
}

func (l *laid) scores(c contender) (draws []float32, err error) {
	err = l.spool.Get(l.blanks[c.at].scores, &draws)
	return draws, err
}

// Len is the number of blanks.
func (g Grading) Len() int {
	if g.laid != nil {
		return len(g.laid.ranked)
	}
	return len(g.Blanks)
}

// All lists the blanks by rank. Those that are laid by are read one by one, and are in
// memory only as long as they are used.
func (g Grading) All() iter.Seq2[Blank, error] {
	return func(yield func(Blank, error) bool) {
		for _, b := range g.Blanks {
			if !yield(b, nil) {
				return
			}
		}
		if g.laid == nil {
			return
		}
		for i, c := range g.laid.ranked {
			var b Blank
			err := g.laid.spool.Get(g.laid.blanks[c.at].blank, &b)
			b.Rank, b.RankLow, b.RankHigh = i+1, c.low, c.high
			if !yield(b, err) || err != nil {
				return
			}
		}
	}
}

// load takes the blanks into memory.
func (g *Grading) load() error {
	blanks := make([]Blank, 0, g.Len())
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		if b.scores, err = g.laid.scores(g.laid.ranked[len(blanks)]); err != nil {
			return err
		}
		if err := g.laid.spool.Get(g.laid.blanks[g.laid.ranked[len(blanks)].at].own, &b.own); err != nil {
			return err
		}
		blanks = append(blanks, b)
	}
	g.Blanks, g.laid = blanks, nil
	return nil
}
