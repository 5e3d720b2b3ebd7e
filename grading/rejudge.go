package grading

import (
	"runtime"
	"slices"
	"sync"
)

// Rejudged is a grading that is judged by one profile after another, as when limits
// and weights are tried out. What was heard and measured stays, and so does what a
// change of the profile does not touch: it gives what Grade would. It may be used by
// several goroutines.
type Rejudged struct {
	mu   sync.Mutex
	now  Grading
	kept map[string]*memo // by blank
}

// Rejudge prepares a grading whose blanks are in memory.
func (g Grading) Rejudge() *Rejudged {
	r := &Rejudged{now: g, kept: map[string]*memo{}}
	if len(g.Blanks) <= mostKept {
		for _, b := range g.Blanks {
			r.kept[b.Blank] = &memo{}
		}
	}
	return r
}

// mostKept is for how many blanks draws are kept, of which each has some 200 kB.
const mostKept = 500

// By judges by a profile.
func (r *Rejudged) By(p Profile) Grading {
	r.mu.Lock()
	defer r.mu.Unlock()
	before := r.now.Settings
	scored := sameCriteria(p, before)
	blanks := slices.Clone(r.now.Blanks)
	each := make(chan int)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range each {
				b := &blanks[i]
				if !scored {
					b.reassess(p, before, r.kept[b.Blank])
				}
				if b.Verdict != Unread {
					b.Verdict, b.Reasons = decide(p, b.Parts, b.Score, b.Wood, b.Suspect, b.Warnings, b.Ring)
				}
			}
		})
	}
	for i := range blanks {
		each <- i
	}
	close(each)
	workers.Wait()
	if !scored {
		Rank(blanks)
	}
	r.now.Profile, r.now.Settings, r.now.Qualified, r.now.Blanks = p.Name, p, 0, blanks
	for _, b := range blanks {
		if b.Verdict == Keep {
			r.now.Qualified++
		}
	}
	g := r.now
	g.Blanks = slices.Clone(blanks)
	return g
}

// reassess scores a blank by p that was scored by another profile before.
func (b *Blank) reassess(p, before Profile, m *memo) {
	other := Profile{Properties: map[string]Criterion{}}
	for key, c := range p.Properties {
		if d, had := before.Properties[key]; !had || !c.judgesAs(d) {
			other.Properties[key] = c
		}
	}
	fresh := assess(other, b.Ring, b.Wood, b.Suspect[:b.own])
	var parts []Part
	for _, q := range properties {
		c, asked := p.Properties[q.key]
		if !asked {
			continue
		}
		from := b.Parts
		if _, changed := other.Properties[q.key]; changed {
			from = fresh
		}
		i := slices.IndexFunc(from, func(part Part) bool { return part.Key == q.key })
		part := from[i]
		part.Weight = c.Weight
		parts = append(parts, part)
	}
	b.Parts = parts
	if b.Verdict != Unread {
		b.setScore(p, m)
	}
}

// sameCriteria tells whether two profiles give every blank the same score.
func sameCriteria(p, q Profile) bool {
	if len(p.Properties) != len(q.Properties) {
		return false
	}
	for key, c := range p.Properties {
		if d, ok := q.Properties[key]; !ok || c.Weight != d.Weight || !c.judgesAs(d) {
			return false
		}
	}
	return true
}

// judgesAs tells whether two criteria find the same values equally desirable,
// whatever they weigh.
func (c Criterion) judgesAs(d Criterion) bool {
	same := func(a, b *float64) bool { return a == b || a != nil && b != nil && *a == *b }
	return c.Target == d.Target && c.Shape == d.Shape && same(c.LimitLow, d.LimitLow) && same(c.LimitHigh, d.LimitHigh)
}
