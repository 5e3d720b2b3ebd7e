package stock

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"
)

// Due is something that should be done next, and why.
type Due struct {
	ID    string `json:"id"`    // of the stick; empty for a paper
	Blank string `json:"blank"` // its number
	Lot   string `json:"lot"`
	Place string `json:"place"`
	What  string `json:"what"` // "weigh", "tap" or "paper"
	Since Date   `json:"since"`
	Why   string `json:"why"`
}

// How long a stick may lie before it is looked at again, in days: common practice, no
// source.
const (
	firstRest    = 21  // before the second test
	youngEvery   = 30  // weighing in the first half year
	youngFor     = 180 //
	dryingEvery  = 90  // weighing until it has settled
	settledEvery = 365 // weighing and tapping after that
	paperNotice  = 90  // before a paper expires
)

// Due lists what should be weighed or tapped by a day, the longest overdue first, and
// papers that are about to expire.
func (s *Store) Due(ctx context.Context, day Date) (out []Due, err error) {
	if day == "" {
		day = s.Today()
	}
	err = s.read(ctx, func(q querier) error {
		present := map[string]bool{}
		// Reading goes on while the sticks that were read are judged.
		jobs, found := make(chan []History, 4), make([][]Due, runtime.GOMAXPROCS(0))
		lots := make([]map[string]bool, len(found))
		group := new(errgroup.Group)
		for i := range found {
			lots[i] = map[string]bool{}
			group.Go(func() error {
				for batch := range jobs {
					for _, h := range batch {
						if b, _ := h.On(day); b.State.Present() {
							lots[i][b.Lot] = true
							found[i] = append(found[i], h.due(b, day)...)
						}
					}
				}
				return nil
			})
		}
		var batch []History
		err := eachHistory(ctx, q, true, func(_ string, h History) error {
			if batch = append(batch, h); len(batch) == 64 {
				jobs <- batch
				batch = nil
			}
			return nil
		})
		jobs <- batch
		close(jobs)
		if err := errors.Join(err, group.Wait()); err != nil {
			return err
		}
		for i := range found {
			out = append(out, found[i]...)
			for lot := range lots[i] {
				present[lot] = true
			}
		}
		return each(ctx, q, scanDocument, func(d Document) error {
			if d.ExpiresOn == "" || !present[d.Lot] || d.ExpiresOn.Days(day) > paperNotice {
				return nil
			}
			why := fmt.Sprintf("%s %s of lot %s expires on %s", d.Kind, d.Number, d.Lot, d.ExpiresOn)
			if d.ExpiresOn < day {
				why = fmt.Sprintf("%s %s of lot %s expired on %s", d.Kind, d.Number, d.Lot, d.ExpiresOn)
			}
			out = append(out, Due{Lot: d.Lot, What: "paper", Since: d.ExpiresOn, Why: why + ": ask the authority that issued it"})
			return nil
		}, `SELECT `+documentColumns+` FROM documents`)
	})
	slices.SortStableFunc(out, func(a, b Due) int {
		return cmp.Or(cmp.Compare(a.Since, b.Since), cmp.Compare(sortKey(a.Blank), sortKey(b.Blank)), cmp.Compare(a.ID, b.ID), cmp.Compare(a.What, b.What))
	})
	return out, err
}

func (h History) due(b Blank, day Date) (out []Due) {
	void := h.Void()
	add := func(what string, since Date, why string, args ...any) {
		out = append(out, Due{b.ID, b.Blank, b.Lot, b.Place, what, since, fmt.Sprintf(why, args...)})
	}
	var weighed, tapped, started Date
	for _, r := range h.Readings {
		if r.Quantity == massQuantity && !void[r.ID] && r.Date <= day {
			weighed = r.Date
		}
	}
	for _, t := range h.Tests {
		if t.Redoes == "" && !void[t.ID] && t.Date <= day {
			tapped = t.Date
		}
	}
	for _, e := range h.Events {
		if e.Kind == Started && !void[e.ID] && e.Date <= day {
			started = e.Date
		}
	}
	soonest := float64(dryingEvery)
	if day.Days(b.Bought) <= youngFor {
		soonest = youngEvery
	}
	if weighed == "" {
		add("weigh", b.Bought, "never weighed")
	} else if age := day.Days(weighed); age >= soonest { // else it is not asked for, settled or not
		rest, every := h.Settling(), soonest
		if rest.Verdict == Settled {
			every = settledEvery
		}
		if age >= every {
			add("weigh", weighed, "last weighed %.0f days ago; %s, so every %.0f days", age, rest.Verdict, every)
		}
	}
	switch age := day.Days(tapped); {
	case tapped == "":
		add("tap", b.Bought, "never tapped")
	case b.State == IsStarted && tapped < started:
		add("tap", started, "worked on since the last test of %s: its shape is another one", tapped)
	case tapped.Days(b.Bought) < firstRest && day.Days(b.Bought) >= firstRest:
		add("tap", b.Bought, "tapped only when it came on %s; it has had time to settle to your air", b.Bought)
	case age >= settledEvery:
		add("tap", tapped, "last tapped %.0f days ago", age)
	}
	return out
}
