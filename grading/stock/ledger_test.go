package stock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// say fills in what an event must say.
func say(kind Kind, blank string, day Date) Event {
	return Event{Kind: kind, Blank: blank, Date: day, Party: "an invented customer", Reason: "invented", Reference: "12", Place: "rack 2", Grade: "B", Fields: map[string]string{}}
}

func TestPassages(t *testing.T) {
	for path, want := range map[string]State{
		"":                             InStock,
		"moved":                        InStock,
		"reserved":                     IsReserved,
		"reserved returned":            InStock,
		"reserved started":             IsStarted,
		"started failed":               IsFailed,
		"started used":                 IsUsed,
		"used sold":                    IsSold,
		"used sold returned":           IsUsed, // the bow came back, not the wood
		"sold returned":                InStock,
		"reserved sold returned":       InStock,
		"started failed scrapped":      IsScrapped,
		"scrapped sold":                "",
		"sold sold":                    "",
		"used started":                 "",
		"failed used":                  "",
		"returned":                     "",
		"scrapped moved":               "",
		"sold reserved":                "",
		"started reserved":             "",
		"scrapped returned":            "",
		"reserved reserved":            IsReserved,
		"graded measured tested moved": InStock,
	} {
		t.Run(path, func(t *testing.T) {
			s, _ := open(t, t.TempDir())
			b := add(t, s, invented(t, "visit", 1, 1))[0]
			var err error
			for _, kind := range strings.Fields(path) {
				if err = s.Record(t.Context(), say(Kind(kind), b.ID, "2026-04-01")); err != nil {
					break
				}
			}
			now, e := s.Blank(t.Context(), b.ID)
			if e != nil {
				t.Fatal(e)
			}
			if want == "" {
				if err == nil {
					t.Fatalf("allowed; the stick is now %s", now.State)
				}
			} else if err != nil || now.State != want {
				t.Fatalf("state %q, want %q; %v", now.State, want, err)
			}
			mustBeSound(t, s)
		})
	}
}

func TestEventsMustSayEnough(t *testing.T) {
	for kind, missing := range map[Kind]func(e *Event){
		Reserved:  func(e *Event) { e.Party = "" },
		Sold:      func(e *Event) { e.Party = "" },
		Failed:    func(e *Event) { e.Reason = "" },
		Scrapped:  func(e *Event) { e.Reason = "" },
		Used:      func(e *Event) { e.Reference = "" },
		Moved:     func(e *Event) { e.Place = "" },
		Graded:    func(e *Event) { e.Grade = "" },
		Corrected: func(e *Event) { e.Reason = "" },
	} {
		e := say(kind, "x", "2026-04-01")
		e.Fields["note"] = "x"
		if err := e.check(); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		missing(&e)
		if e.check() == nil {
			t.Errorf("%s passes although it lacks what it must say", kind)
		}
	}
	if say(Moved, "x", "2026-02-30").check() == nil {
		t.Error("30 February passes")
	}
}

func TestBackdatedEventsCountOnTheirDay(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	record(t, s, say(Sold, b.ID, "2026-06-01"))
	if err := s.Record(t.Context(), say(Started, b.ID, "2026-07-01")); err == nil {
		t.Fatal("started after it was sold")
	}
	record(t, s, say(Reserved, b.ID, "2026-05-01")) // written down late
	for day, want := range map[Date]State{"2026-04-30": InStock, "2026-05-01": IsReserved, "2026-06-01": IsSold, "2026-03-01": ""} {
		h, err := history(t.Context(), s.db, b.ID)
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := h.On(day); got.State != want {
			t.Errorf("on %s %q, want %q", day, got.State, want)
		}
	}
	if err := s.Record(t.Context(), say(Started, b.ID, "2026-02-01")); err == nil {
		t.Error("started before it was bought")
	}
}

func TestCorrections(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	record(t, s, say(Sold, b.ID, "2026-04-01"))
	life := func() Life {
		l, err := s.Show(t.Context(), b.ID)
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	i := slices.IndexFunc(life().Events, func(e LifeEvent) bool { return e.Kind == Sold })
	sold := life().Events[i].ID
	record(t, s, Event{Blank: b.ID, Kind: Corrected, Date: "2026-04-02", Corrects: sold, Reason: "it was number 7"})
	l := life()
	if l.State != InStock || !l.Events[i].Void {
		t.Fatalf("after the correction %s, void %v", l.State, l.Events[i].Void)
	}
	j := slices.IndexFunc(l.Events, func(e LifeEvent) bool { return e.Kind == Corrected })
	record(t, s, Event{Blank: b.ID, Kind: Corrected, Date: "2026-04-03", Corrects: l.Events[j].ID, Reason: "no, it was this one"})
	if l := life(); l.State != IsSold {
		t.Fatalf("after the correction of the correction %s", l.State)
	}
	record(t, s, Event{Blank: b.ID, Kind: Corrected, Date: "2026-04-04", Reason: "looked at under the microscope", Fields: map[string]string{"species": "Shorea laevis", "price": "35.5"}})
	if l := life(); l.Species != "Shorea laevis" || *l.Price != 35.5 {
		t.Fatalf("species %s, price %v", l.Species, *l.Price)
	}
	reading := life().Readings[0]
	record(t, s, Event{Blank: b.ID, Kind: Corrected, Date: "2026-04-05", Corrects: reading.ID, Reason: "the scale stood on a cloth"})
	if l := life(); l.Mass.Known() || !l.Readings[0].Void {
		t.Fatalf("mass %v after its reading was taken back", l.Mass)
	}
	for _, e := range []Event{
		{Blank: b.ID, Kind: Corrected, Corrects: "0000000000000000", Reason: "x"},
	} {
		if s.Record(t.Context(), e) == nil {
			t.Errorf("%+v was allowed", e)
		}
	}
	mustBeSound(t, s)
}

func TestFactsCannotBeRewritten(t *testing.T) {
	s, _ := open(t, t.TempDir())
	add(t, s, invented(t, "visit", 1, 1))
	if err := s.RecordLot(t.Context(), "", "Lvisit", func(r *LotRecord) { r.Note = "x" }); err != nil {
		t.Fatal(err)
	}
	if _, err := s.FilePaper(t.Context(), Document{Lot: "Lvisit", Kind: "permit", Number: "1"}, ""); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{"files", "lot_records", "documents", "events", "readings", "tests", "results", "test_recordings"} {
		var column string
		if err := s.db.QueryRow(`SELECT name FROM pragma_table_info(?) LIMIT 1`, table).Scan(&column); err != nil {
			t.Fatal(err)
		}
		for _, q := range []string{`UPDATE ` + table + ` SET ` + column + ` = ` + column, `DELETE FROM ` + table} {
			if _, err := s.db.Exec(q); err == nil || !strings.Contains(err.Error(), "facts are never") {
				t.Errorf("%s: %v", q, err)
			}
		}
	}
	if _, err := s.db.Exec(`DELETE FROM blanks`); err == nil {
		t.Error("sticks can be deleted")
	}
}

// TestPiecesBalance writes random histories, including nonsense that must be refused,
// and balances the pieces on every day by a count of its own.
func TestPiecesBalance(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 7))
			s, _ := open(t, t.TempDir())
			var ids []string
			for i := range 3 {
				d := invented(t, fmt.Sprintf("visit%d", i), 1, 1+r.IntN(5))
				d.Date = Date(fmt.Sprintf("2026-0%d-10", 1+2*i))
				for _, b := range add(t, s, d) {
					ids = append(ids, b.ID)
				}
			}
			kinds := []Kind{Measured, Graded, Moved, Reserved, Started, Returned, Failed, Used, Sold, Scrapped}
			refused := 0
			for range 120 {
				e := say(kinds[r.IntN(len(kinds))], ids[r.IntN(len(ids))], Date(fmt.Sprintf("2026-%02d-%02d", 1+r.IntN(12), 1+r.IntN(28))))
				if s.Record(t.Context(), e) != nil {
					refused++
				}
			}
			if refused == 0 {
				t.Error("nothing was refused in a random history")
			}
			for _, day := range []Date{"2025-12-31", "2026-01-10", "2026-02-15", "2026-03-20", "2026-06-30", "2026-09-01", "2026-12-31"} {
				st, err := s.Statement(t.Context(), day)
				if err != nil {
					t.Fatal(err)
				}
				if !st.Balanced {
					t.Fatalf("%s: %q", day, st.Problems)
				}
				var in int
				if err := s.db.QueryRow(`SELECT count(*) FROM events WHERE kind = 'bought' AND date <= ?`, day).Scan(&in); err != nil {
					t.Fatal(err)
				}
				if got := st.Total; got.PiecesIn != in || in != got.InStock+got.Used+got.Sold+got.Scrapped {
					t.Fatalf("%s: %d in by the ledger, statement %+v", day, in, got)
				}
			}
			mustBeSound(t, s)
		})
	}
}

func TestStatementCanFailToBalance(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 2))[0]
	// What no command would enter: the piece comes in once more.
	_, err := s.db.Exec(`INSERT INTO events SELECT NULL, '0000000000000000', blank, lot, '2026-05-05', recorded_at, kind, place, party, reference, grade, reason, corrects, fields, 1 FROM events WHERE blank = ? AND kind = 'bought'`, b.ID)
	if err != nil {
		t.Fatal(err)
	}
	st, err := s.Statement(t.Context(), "2026-12-31")
	if err != nil {
		t.Fatal(err)
	}
	if st.Balanced {
		t.Error("balanced although one piece came in twice")
	}
	h, err := s.Check(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	if h.OK {
		t.Error("check finds nothing")
	}
}

// One scale weighed all sticks: what it is off, it is off for each of them.
func TestMassesOfOneScaleAdd(t *testing.T) {
	s, _ := open(t, t.TempDir())
	var kg, u float64
	for _, b := range add(t, s, invented(t, "visit", 1, 4)) {
		if !b.Mass.Known() || b.Mass.U == 0 {
			t.Fatalf("stick %s weighs %v", b.Blank, b.Mass)
		}
		kg, u = kg+b.Mass.X/1000, u+b.Mass.U/1000
	}
	st, err := s.Statement(t.Context(), "2026-12-31")
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range append(st.Lots, st.Total) {
		if got := l.KgInStock; math.Abs(got.X-kg) > 1e-9 || math.Abs(got.U-u) > 1e-9 {
			t.Errorf("%s: %v +- %v kg, want %v +- %v", l.Lot, got.X, got.U, kg, u)
		}
	}
}

func TestBalanceFailsBothWays(t *testing.T) {
	for in, want := range map[int]bool{9: false, 10: true, 11: false} {
		if l := (StatementLot{PiecesIn: in, InStock: 4, Used: 3, Sold: 2, Scrapped: 1}); l.balanced() != want {
			t.Errorf("%d in, 10 accounted for: balanced %v", in, !want)
		}
	}
}

func TestSortKey(t *testing.T) {
	numbers := []string{"10", "9", "A10", "A9", "a1", "009b", "9a", "b"}
	slices.SortFunc(numbers, func(a, b string) int { return strings.Compare(sortKey(a), sortKey(b)) })
	if got := strings.Join(numbers, " "); got != "9 9a 009b 10 a1 A9 A10 b" {
		t.Error(got)
	}
}

// TestDateTime: a day is what package time reads, whatever it is written as.
func TestDateTime(t *testing.T) {
	for _, d := range []Date{"", "2026-02-28", "2026-02-29", "2024-02-29", "2026-04-31", "2026-13-01", "2026-00-10", "2026-01-00", "2026-1-1",
		"20x6-01-01", "2026/01/01", "0000-01-01", "9999-12-31", "+026-01-01", "2026-01-01T"} {
		want, _ := time.Parse(time.DateOnly, string(d))
		if got := d.Time(); !got.Equal(want) {
			t.Errorf("%q: %v, want %v", d, got, want)
		}
	}
	for day := range 4000 {
		want := time.Date(2019, 1, 1+3*day, 0, 0, 0, 0, time.UTC)
		if got := DateOf(want).Time(); !got.Equal(want) {
			t.Errorf("%v: %v", want, got)
		}
	}
}
