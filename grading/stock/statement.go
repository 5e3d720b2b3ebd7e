package stock

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ringstock/spectrum/measure"
)

// StatementSchema names the JSON document that `ringstock stock statement` prints.
const StatementSchema = "ringstock/statement/1"

// Caution goes with every statement.
const Caution = "This is a record, not legal advice: ask your CITES management authority before any border crossing or sale abroad."

// Statement is what was in the house on a day. Pieces balance: what came in is in
// stock, used, sold or scrapped. Reserved and started sticks are in stock; failed ones
// are counted as scrapped, for they will not become bows.
type Statement struct {
	Schema   string         `json:"schema"`
	On       Date           `json:"on"`
	Lots     []StatementLot `json:"lots"`
	Total    StatementLot   `json:"total"`
	Balanced bool           `json:"balanced"`
	Problems []string       `json:"problems"`
	Notes    []string       `json:"notes"` // entries for later days, which are not counted
	Head     string         `json:"head"`  // of the ledger it rests on
	Facts    int            `json:"facts"`
	Caution  string         `json:"caution"`
}

// StatementLot is one species of one lot.
type StatementLot struct {
	Lot         string        `json:"lot"`
	Species     string        `json:"species"`
	LegalStatus string        `json:"legal_status"`
	PiecesIn    int           `json:"pieces_in"`
	InStock     int           `json:"in_stock"`
	Reserved    int           `json:"reserved"` // of those in stock
	Started     int           `json:"started"`  // of those in stock
	Used        int           `json:"used"`
	Sold        int           `json:"sold"`
	Scrapped    int           `json:"scrapped"`
	Failed      int           `json:"failed"`      // of those scrapped
	KgInStock   measure.Value `json:"kg_in_stock"` // by the last weighing of each stick up to the day
	NotWeighed  int           `json:"not_weighed"` // sticks in stock that the kg leave out
}

func (l StatementLot) MarshalJSON() ([]byte, error)  { return measure.Marshal(l) }
func (l *StatementLot) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, l) }

func (l *StatementLot) count(b Blank) {
	switch b.State {
	case InStock, IsReserved, IsStarted:
		l.InStock++
		if b.State == IsReserved {
			l.Reserved++
		}
		if b.State == IsStarted {
			l.Started++
		}
		if b.Mass.Known() {
			l.KgInStock = measure.Of(l.KgInStock.X+b.Mass.X/1000, l.KgInStock.U+b.Mass.U/1000)
		} else {
			l.NotWeighed++
		}
	case IsUsed:
		l.Used++
	case IsSold:
		l.Sold++
	case IsScrapped, IsFailed:
		l.Scrapped++
		if b.State == IsFailed {
			l.Failed++
		}
	}
}

// balanced tells whether every piece that came in is accounted for, and no other.
func (l StatementLot) balanced() bool { return l.PiecesIn == l.InStock+l.Used+l.Sold+l.Scrapped }

func (l *StatementLot) add(m StatementLot) {
	l.PiecesIn += m.PiecesIn
	l.InStock += m.InStock
	l.Reserved += m.Reserved
	l.Started += m.Started
	l.Used += m.Used
	l.Sold += m.Sold
	l.Scrapped += m.Scrapped
	l.Failed += m.Failed
	l.NotWeighed += m.NotWeighed
	l.KgInStock = measure.Of(l.KgInStock.X+m.KgInStock.X, l.KgInStock.U+m.KgInStock.U)
}

// Statement counts pieces and mass by lot and species at the end of a day. The pieces
// that came in are counted from the events 'bought', all others from the state that
// the rest of each stick's ledger leads to, so that the balance can fail. The
// uncertainties of the masses are added, since one scale weighed them all.
func (s *Store) Statement(ctx context.Context, day Date) (st Statement, err error) {
	if day == "" {
		day = s.Today()
	}
	st = Statement{Schema: StatementSchema, On: day, Lots: []StatementLot{}, Notes: []string{}, Caution: Caution}
	zero := measure.Of(0, 0)
	byLot := map[[2]string]*StatementLot{}
	err = s.read(ctx, func(q querier) error {
		sum, facts, err := readLedger(ctx, q)
		if err != nil {
			return err
		}
		head := sum.head(facts)
		st.Head, st.Facts = head.Text, head.Facts
		later := 0
		err = eachHistory(ctx, q, false, func(id string, h History) error {
			b, problems := h.On(day)
			for _, p := range problems {
				st.Problems = append(st.Problems, fmt.Sprintf("stick %s (%s): %s", b.Blank, id, p))
			}
			bought := 0
			purchases, _ := h.purchases(h.Void())
			for _, e := range purchases {
				if e.Date <= day {
					bought++
				}
			}
			if day >= s.Today() && h.row(day).nextDay != "" {
				later++
			}
			if bought == 0 && b.State == "" {
				return nil
			}
			key := [2]string{b.Lot, b.Species}
			if byLot[key] == nil {
				byLot[key] = &StatementLot{Lot: b.Lot, Species: b.Species, KgInStock: zero}
			}
			byLot[key].PiecesIn += bought
			byLot[key].count(b)
			return nil
		})
		if err != nil {
			return err
		}
		if later > 0 {
			st.Notes = append(st.Notes, fmt.Sprintf("%s entries for days after this one, which are not counted: `ringstock stock check` names them", counted(later, "stick")+map[bool]string{true: " has", false: " have"}[later == 1]))
		}
		for key, l := range byLot {
			r, err := lotRecord(ctx, q, key[0])
			if err != nil {
				return err
			}
			if r != nil {
				l.LegalStatus = r.LegalStatus
			}
		}
		return nil
	})
	if err != nil {
		return st, err
	}
	st.Balanced = len(st.Problems) == 0
	st.Total = StatementLot{Lot: "all lots", KgInStock: zero}
	for _, l := range byLot {
		if !l.balanced() {
			st.Balanced = false
			st.Problems = append(st.Problems, fmt.Sprintf("lot %q, %s: %d came in, but %d in stock + %d used + %d sold + %d scrapped are counted",
				l.Lot, l.Species, l.PiecesIn, l.InStock, l.Used, l.Sold, l.Scrapped))
		}
		st.Lots = append(st.Lots, *l)
		st.Total.add(*l)
	}
	slices.SortFunc(st.Lots, func(a, b StatementLot) int {
		if a.Lot != b.Lot {
			return strings.Compare(sortKey(a.Lot), sortKey(b.Lot))
		}
		return strings.Compare(a.Species, b.Species)
	})
	return st, nil
}
