package stock

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// A laptop whose clock is off, by an hour or ten years, before or behind, merges right: a
// correction takes back what it corrects, and of two things said of one day the one that
// was said with the other in view comes last, on both computers.
func TestClocksThatAreOff(t *testing.T) {
	for _, off := range []time.Duration{-10 * 365 * 24 * time.Hour, -24 * time.Hour, -time.Hour, 0, time.Hour, 24 * time.Hour, 10 * 365 * 24 * time.Hour} {
		t.Run(off.String(), func(t *testing.T) {
			shop, _ := open(t, t.TempDir())
			laptop, c := open(t, t.TempDir())
			c.now = c.now.Add(off)
			b := add(t, shop, invented(t, "visit", 1, 2))
			carry := func(from, to *Store) {
				t.Helper()
				path := filepath.Join(t.TempDir(), "x.jsonl")
				if _, err := from.Export(t.Context(), path); err != nil {
					t.Fatal(err)
				}
				if in, err := to.Import(t.Context(), path, false); err != nil || len(in.Refused)+len(in.Conflicts) > 0 {
					t.Fatalf("%+v, %v", in, err)
				}
			}
			carry(shop, laptop)
			record(t, laptop, Event{Blank: b[0].ID, Kind: Graded, Grade: "B", Date: "2026-04-01"})
			record(t, laptop, say(Sold, b[1].ID, "2026-04-02"))
			carry(laptop, shop)
			record(t, shop, Event{Blank: b[0].ID, Kind: Graded, Grade: "A", Date: "2026-04-01"})
			if _, err := shop.Correct(t.Context(), Correction{Sticks: []string{b[1].ID}, Entry: "sold", Why: "it was another", Date: "2026-04-02"}); err != nil {
				t.Fatal(err)
			}
			carry(shop, laptop)
			record(t, laptop, Event{Blank: b[0].ID, Kind: Corrected, Reason: "looked closer", Date: "2026-04-01", Fields: map[string]string{"species": "first"}})
			carry(laptop, shop)
			record(t, shop, Event{Blank: b[0].ID, Kind: Corrected, Reason: "looked closer still", Date: "2026-04-01", Fields: map[string]string{"species": "second"}})
			carry(shop, laptop)
			for _, s := range []*Store{shop, laptop} {
				l, err := s.Show(t.Context(), b[0].ID)
				if err != nil {
					t.Fatal(err)
				}
				h, err := history(t.Context(), s.db, b[0].ID)
				if err != nil {
					t.Fatal(err)
				}
				now, _ := h.On("")
				other, err := history(t.Context(), s.db, b[1].ID)
				if err != nil {
					t.Fatal(err)
				}
				second, _ := other.On("")
				if now.MakerGrade != "A" || now.Species != "second" || second.State != InStock {
					t.Errorf("grade %s, species %s, the other stick %s", now.MakerGrade, l.Species, second.State)
				}
			}
			if x, y := mustBeSound(t, shop), mustBeSound(t, laptop); x.Head != y.Head {
				t.Errorf("heads differ: %s, %s", x.Head, y.Head)
			} else if off > 24*time.Hour && !slices.ContainsFunc(x.Notes, func(n string) bool { return strings.Contains(n, "clock that was ahead") }) {
				t.Errorf("what was written by a clock ahead is not told: %q", x.Notes)
			}
		})
	}
}

// What has not come yet is asked back wherever a day is said.
func TestDaysToComeAreAskedBack(t *testing.T) {
	dir := t.TempDir()
	s, c := open(t, dir)
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	careful, err := Open(t.Context(), Options{Dir: dir, Now: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer careful.Close()
	const day = Date("2062-01-01")
	for name, act := range map[string]func() error{
		"add": func() error {
			d := invented(t, "late", 1, 1)
			d.Date = day
			_, err := careful.Add(t.Context(), d)
			return err
		},
		"event": func() error { return careful.Record(t.Context(), say(Moved, b.ID, day)) },
		"reading": func() error {
			_, err := careful.Measure(t.Context(), b.ID, day, []Reading{{Quantity: massQuantity, Value: 140, U: 1}})
			return err
		},
		"lot": func() error { return careful.RecordLot(t.Context(), day, "L", func(r *LotRecord) { r.Note = "x" }) },
		"paper": func() error {
			_, err := careful.FilePaper(t.Context(), Document{Lot: "L", Kind: "permit", Number: "1", Date: day}, "")
			return err
		},
	} {
		var doubt *Doubtful
		if err := act(); !errors.As(err, &doubt) || !strings.Contains(err.Error(), "--yes") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if h := mustBeSound(t, s); h.Blanks != 1 {
		t.Errorf("%+v", h)
	}
}

// Every two acts at the same moment on one stick and one lot: nothing of either is lost.
func TestActsInPairs(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	n := 0
	acts := map[string]func(n int) error{
		"move": func(n int) error {
			return s.Record(t.Context(), Event{Blank: b.ID, Kind: Moved, Place: fmt.Sprint("rack ", n), Date: "2026-04-01"})
		},
		"grade": func(n int) error {
			return s.Record(t.Context(), Event{Blank: b.ID, Kind: Graded, Grade: fmt.Sprint("B", n), Date: "2026-04-01"})
		},
		"weigh": func(n int) error {
			_, err := s.Measure(t.Context(), b.ID, "2026-04-01", []Reading{{Quantity: massQuantity, Value: 140 + float64(n)/1000, U: 0.1}})
			return err
		},
		"correct": func(n int) error {
			_, err := s.Correct(t.Context(), Correction{Sticks: []string{b.ID}, Set: map[string]string{"note": fmt.Sprint(n)}, Why: fmt.Sprint(n)})
			return err
		},
		"lot": func(n int) error {
			return s.RecordLot(t.Context(), "2026-04-01", "Lvisit", func(r *LotRecord) { r.Note += fmt.Sprint(" ", n, ".") })
		},
		"seller": func(n int) error {
			return s.RecordLot(t.Context(), "2026-04-01", "Lvisit", func(r *LotRecord) { r.Supplier += fmt.Sprint(" ", n, ".") })
		},
		"paper": func(n int) error {
			_, err := s.FilePaper(t.Context(), Document{Lot: "Lvisit", Kind: "permit", Number: fmt.Sprint(n), Date: "2026-04-01"}, "")
			return err
		},
	}
	for first, x := range acts {
		for second, y := range acts {
			before, err := s.Head(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			n += 2
			var group sync.WaitGroup
			var errs [2]error
			for i, act := range []func(int) error{x, y} {
				group.Go(func() { errs[i] = act(n + i) })
			}
			group.Wait()
			after, err := s.Head(t.Context())
			if err := errors.Join(err, errs[0], errs[1]); err != nil || after.Facts < before.Facts+2 {
				t.Errorf("%s beside %s: %d facts, then %d; %v", first, second, before.Facts, after.Facts, err)
			}
		}
	}
	a, err := s.Accounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	record := a.Lots[0].Record
	if got := strings.Count(record.Note, ".") + strings.Count(record.Supplier, "."); got != 4*len(acts) {
		t.Errorf("%d of %d additions to the lot record are there", got, 4*len(acts))
	}
	mustBeSound(t, s)
}

// The head of an old day is proven as long as all is there, by this stock or, for what
// came from another, with that one's export.
func TestAnOldHeadIsProven(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 3))
	old, err := s.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	export := filepath.Join(t.TempDir(), "old.jsonl")
	if _, err := s.Export(t.Context(), export); err != nil {
		t.Fatal(err)
	}
	record(t, s, say(Sold, b[0].ID, "2026-04-01"))
	prove := func(s *Store, head, with string) Proof {
		t.Helper()
		p, err := s.Prove(t.Context(), head, with)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := prove(s, old.Text, ""); !p.Proven || p.Facts != old.Facts || p.Since != 1 {
		t.Errorf("%+v", p)
	}
	if p := prove(s, "0000-0000-0000-0000-0000-0000-0000-0000", ""); p.Proven || len(p.Reasons) == 0 {
		t.Errorf("%+v", p)
	}
	other, _ := open(t, t.TempDir())
	add(t, other, invented(t, "own", 1, 1))
	if _, err := other.Import(t.Context(), export, false); err != nil {
		t.Fatal(err)
	}
	if p := prove(other, old.Text, ""); p.Proven {
		t.Errorf("%+v", p)
	}
	if p := prove(other, old.Text, export); !p.Proven || p.Facts != old.Facts {
		t.Errorf("%+v", p)
	}
	text, err := ParseHead(strings.ToUpper(strings.ReplaceAll(old.Text, "-", " ")))
	if err != nil || text != old.Text {
		t.Errorf("%q, %v", text, err)
	}
}
