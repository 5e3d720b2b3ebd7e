package stock

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// fakeJudge finds Q in the length of the recordings, so that tests see what it was given.
func fakeJudge(t *testing.T, method string, factor float64) Judge {
	return Judge{Method: method, Profile: "violin", Grade: func(_ context.Context, row grading.Row, paths map[string]string) (grading.Blank, error) {
		q := 0.0
		for _, name := range row.File {
			b, err := os.ReadFile(paths[name])
			if err != nil {
				t.Error(err)
			}
			if string(b) == "noise" {
				return grading.Blank{}, errors.New("nothing but noise")
			}
			q += factor * float64(len(b))
		}
		ring := spectrum.Ring{Fundamental: spectrum.Partial{Q: measure.Of(q, 0.1), Hz: measure.Of(140, 0.1)}}
		return grading.Blank{Blank: row.Blank, Row: row, Ring: &ring, Score: measure.Of(50, 1), Verdict: grading.Maybe,
			Wood: wood.Values{Density: measure.Of(row.MassG.X*8, 1)}}, nil
	}}
}

func TestTestingAStickAgain(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	file := filepath.Join(t.TempDir(), "home.wav")
	if err := os.WriteFile(file, []byte("0123456789"), 0o666); err != nil {
		t.Fatal(err)
	}
	in := Testing{Blank: b.ID, Date: "2026-04-01", Recording: map[string][]string{"side": {file, file}},
		Readings: []Reading{{Quantity: "mass_g", Value: 125, U: 0.1}}, Where: "at home"}
	for range 2 { // the same test twice is one test
		if _, err := s.Test(t.Context(), in, fakeJudge(t, "m/1", 1)); err != nil {
			t.Fatal(err)
		}
	}
	l, err := s.Show(t.Context(), b.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(l.TestList) != 2 || l.Tests != 2 || l.Q.X != 20 || l.Mass.X != 125 || l.Density.X != 1000 || l.LastTest != "2026-04-01" {
		t.Fatalf("%d tests, %+v", len(l.TestList), l.Blank)
	}
	last := l.TestList[1]
	if last.Place != "at home" || last.Recordings[0].Name != "home.wav" || last.Recordings[1].Name != "2-home.wav" {
		t.Errorf("%+v", last.Test)
	}
	mustBeSound(t, s)
}

func TestReanalyseKeepsTheOldBesideTheNew(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 3)
	if err := os.WriteFile(filepath.Join(d.Folder, "3.wav"), []byte("noise"), 0o666); err != nil {
		t.Fatal(err)
	}
	add(t, s, d)
	judgeFor := func(profile string) (Judge, error) {
		if profile != "violin" {
			t.Errorf("asked for %q", profile)
		}
		return fakeJudge(t, "m/2", 10), nil
	}
	changes, err := s.Reanalyse(t.Context(), judgeFor, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(changes) != 3 || changes[2].Error != "nothing but noise" || changes[2].New != nil {
		t.Fatalf("%+v", changes)
	}
	if c := changes[0]; c.New.Q.X != 340 || !strings.Contains(strings.Join(c.Moved, "; "), "Q 340.00 ± 0.10, was ") {
		t.Errorf("%q", c.Moved)
	}
	again, err := s.Reanalyse(t.Context(), judgeFor, nil)
	if err != nil || len(again) != 1 {
		t.Fatalf("the second time %d tests are judged anew, want the one that failed: %v", len(again), err)
	}
	l, err := s.Show(t.Context(), changes[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(l.TestList) != 2 || l.Tests != 1 || l.TestList[1].Redoes != l.TestList[0].ID || l.TestList[0].Method != "invented/1" || l.Q.X != 340 {
		t.Errorf("%d in the list, %d tests", len(l.TestList), l.Tests)
	}
	mustBeSound(t, s)
}

func TestReadingsThatCannotBe(t *testing.T) {
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 1))[0]
	damp := 120.0
	for _, r := range []Reading{
		{Quantity: "weight", Value: 1}, {Quantity: "mass_g", Value: -1}, {Quantity: "mass_g", Value: 1, U: -1},
		{Quantity: "mass_g", Value: 1, HumidityPct: &damp},
	} {
		if _, err := s.Measure(t.Context(), b.ID, "", []Reading{r}); err == nil {
			t.Errorf("%+v passes", r)
		}
	}
	if _, err := s.Measure(t.Context(), "nobody", "", nil); err == nil {
		t.Error("a stick that is not there can be measured")
	}
}

func TestFind(t *testing.T) {
	s, _ := open(t, t.TempDir())
	a := add(t, s, invented(t, "spring", 1, 3))
	b := add(t, s, invented(t, "autumn", 3, 2))
	for name, want := range map[string]string{
		"1": a[0].ID, "4": b[1].ID, a[1].ID: a[1].ID, a[1].ID[:6]: a[1].ID, strings.ToUpper(a[1].ID[:6]): a[1].ID, "Lspring/3": a[2].ID, "Lautumn/3": b[0].ID,
		"3": "", "99": "", "Lautumn/1": "", "": "", "a": "", "%": "", "____": "",
	} {
		got, err := s.Find(t.Context(), name)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v; want %q", name, got, err, want)
		}
	}
	if _, err := s.Find(t.Context(), "3"); err == nil || !strings.Contains(err.Error(), a[2].ID) || !strings.Contains(err.Error(), b[0].ID) {
		t.Errorf("two sticks with one number: %v", err)
	}
}

func TestListFiltersAndSorts(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 8, 4) // 8 9 10 11
	for i, density := range []float64{900, 1000, 1100, 1200} {
		d.Grading.Blanks[i].Wood.Density = measure.Of(density, 5)
	}
	d.Grading.Blanks[1].Wood.Density = measure.Unknown("no mass")
	d.Grading.Blanks[2].Row.Species = "Handroanthus"
	b := add(t, s, d)
	record(t, s, say(Sold, b[3].ID, "2026-04-01"))
	for _, c := range []struct {
		where []string
		sort  []string
		want  string
	}{
		{nil, nil, "8 9 10 11"},
		{nil, []string{"-number"}, "11 10 9 8"},
		{nil, []string{"-density"}, "11 10 8 9"}, // what is not known comes last
		{nil, []string{"density"}, "8 10 11 9"},
		{[]string{"density>1000"}, nil, "10 11"},
		{[]string{"density <= 1100", "density!=900"}, nil, "10"},
		{[]string{"state=in stock"}, nil, "8 9 10"},
		{[]string{"state=sold"}, nil, "11"},
		{[]string{"species~handro"}, nil, "10"},
		{[]string{"species=handroanthus"}, nil, "10"},
		{[]string{"number>=9", "number<11"}, nil, "9 10"},
		{[]string{"note='; DROP TABLE events; --"}, nil, ""},
	} {
		var filters []Filter
		for _, w := range c.where {
			f, err := ParseFilter(w)
			if err != nil {
				t.Fatal(err)
			}
			filters = append(filters, f)
		}
		list, err := s.List(t.Context(), filters, c.sort)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, b := range list {
			got = append(got, b.Blank)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%q %q: %v, want %s", c.where, c.sort, got, c.want)
		}
	}
	for _, bad := range []string{"", "density", "density>", "density>heavy", "density~1", "colour=red", "!density", "state"} {
		if _, err := ParseFilter(bad); err == nil {
			t.Errorf("%q passes", bad)
		}
	}
	if _, err := s.List(t.Context(), nil, []string{"id; DROP TABLE events"}); err == nil {
		t.Error("anything can be sorted by")
	}
}

func FuzzFilter(f *testing.F) {
	for _, seed := range []string{"density>1050", "state=in stock", "q<=100", "note~x", "!=<>", "a'=\"b"} {
		f.Add(seed)
	}
	dir := f.TempDir()
	s, err := Open(context.Background(), Options{Dir: dir, Now: (&clock{}).Now, Create: true})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, condition string) {
		filter, err := ParseFilter(condition)
		if err != nil {
			return
		}
		if _, err := s.List(context.Background(), []Filter{filter}, nil); err != nil {
			t.Errorf("%q passes and can't be asked: %v", condition, err)
		}
	})
}

func TestStandings(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 4)
	for i, x := range []float64{10, 20, 30, 90} {
		d.Grading.Blanks[i].Score = measure.Of(x, 1)
	}
	b := add(t, s, d)
	record(t, s, say(Sold, b[3].ID, "2026-04-01")) // no longer compared with
	got, err := s.Standings(t.Context(), "violin", []float64{5, 25, 30, 99})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []int{0, 2, 2, 3} {
		if got[i] != (Standing{want, 3}) {
			t.Errorf("%d: %+v, want %d of 3", i, got[i], want)
		}
	}
	if got, _ := s.Standings(t.Context(), "cello", []float64{50}); got[0].Of != 0 {
		t.Errorf("compared with sticks of another profile: %+v", got)
	}
}

func TestAccountsAndLots(t *testing.T) {
	s, _ := open(t, t.TempDir())
	prices := func(d Delivery, list ...float64) Delivery {
		for i, p := range list {
			d.Grading.Blanks[i].Row.Price = &p
			if p < 0 {
				d.Grading.Blanks[i].Row.Price = nil
			}
		}
		return d
	}
	add(t, s, prices(invented(t, "spring", 1, 3), 40, 50, -1))
	d := prices(invented(t, "autumn", 1, 2), 60, 7)
	d.Date = "2026-10-01"
	d.Grading.Blanks[1].Row.Currency = "CHF"
	add(t, s, d)
	pieces, kg := 3, 0.4
	for _, r := range []LotRecord{{Lot: "Lspring", SoldAs: "brasil"}, {Lot: "Lspring", SoldAs: "brasil", BotanicalName: "Shorea laevis", IdentifiedBy: "an invented laboratory", IdentifiedHow: "microscope", Pieces: &pieces, MassKg: &kg}} {
		if err := s.RecordLot(t.Context(), "2026-11-01", r.Lot, func(to *LotRecord) { *to = r }); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if _, err := s.FilePaper(t.Context(), Document{Lot: "Lspring", Kind: "permit", Number: "X1", Issuer: "an invented authority", IssuedOn: "2025-01-01"}, ""); err != nil {
			t.Fatal(err)
		}
	}
	a, err := s.Accounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Lots) != 2 || a.Lots[1].Record.BotanicalName != "Shorea laevis" || len(a.Lots[1].Documents) != 1 || a.Lots[1].Pieces != 3 {
		t.Fatalf("%+v", a.Lots)
	}
	last := a.Visits[1]
	var running []string
	for _, m := range last.Running {
		running = append(running, m.String())
	}
	if got := strings.Join(running, "; "); last.Delivery != "autumn" || got != "1 without a price; 7.00 CHF (1 stick); 150.00 EUR (3 sticks)" {
		t.Errorf("%s: %s", last.Delivery, got)
	}
	if err := s.RecordLot(t.Context(), "", "", func(*LotRecord) {}); err == nil {
		t.Error("a lot without a number passes")
	}
	h := mustBeSound(t, s)
	if len(h.Notes) != 0 {
		t.Errorf("%q", h.Notes)
	}
}
