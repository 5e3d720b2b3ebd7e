package stock

import (
	"context"
	"fmt"
	"slices"
	"strings"
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
		if err := eachHistory(ctx, q, true, func(id string, h History) error {
			b, _ := h.On(day)
			if b.State.Present() {
				present[b.Lot] = true
				out = append(out, h.due(b, day)...)
			}
			return nil
		}); err != nil {
			return err
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
		if a.Since != b.Since {
			return strings.Compare(string(a.Since), string(b.Since))
		}
		return strings.Compare(sortKey(a.Blank), sortKey(b.Blank))
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
	rest := h.Settling()
	every := float64(settledEvery)
	if rest.Verdict != Settled {
		every = dryingEvery
		if day.Days(b.Bought) <= youngFor {
			every = youngEvery
		}
	}
	if weighed == "" {
		add("weigh", b.Bought, "never weighed")
	} else if age := day.Days(weighed); age >= every {
		add("weigh", weighed, "last weighed %.0f days ago; %s, so every %.0f days", age, rest.Verdict, every)
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
