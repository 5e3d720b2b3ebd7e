package stock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// dryingStick is a history that follows the first-order law of drying (Lewis 1921):
// mass = dry (1 + moisture/100), and the moisture goes to that of the room with the
// time constant tau, days. The room has seasons.
func dryingStick(r *rand.Rand, dry, start, tau float64, every, days int, air bool) History {
	var h History
	m, day := start, 0
	for day <= days {
		season := 2 * math.Pi * float64(day) / 365
		rh, temp := 55+10*math.Sin(season), 18+4*math.Sin(season)
		if day%every == 0 {
			mass := dry*(1+m/100) + 0.05*r.NormFloat64()
			reading := Reading{ID: fmt.Sprint(day), Date: DateOf(Date("2020-01-01").Time().AddDate(0, 0, day)), Quantity: massQuantity, Value: mass, U: 0.05}
			if air {
				t, rh := temp+0.5*r.NormFloat64(), rh+2*r.NormFloat64()
				reading.TemperatureC, reading.HumidityPct = &t, &rh
			}
			h.Readings = append(h.Readings, reading)
		}
		m += (wood.EquilibriumMoisture(temp, rh) - m) / tau
		day++
	}
	return h
}

func TestSettlingFollowsTheDryingLaw(t *testing.T) {
	for _, c := range []struct {
		name        string
		start, tau  float64 // moisture when it came, %; days
		every, days int
		air         bool
		never, want Rest // never may be said; want is said of most
	}{
		{"fresh, after two months", 30, 300, 20, 60, true, Settled, NotSettled},
		{"fresh, after a year", 30, 300, 60, 365, true, Settled, NotSettled},
		{"fresh, after six years", 30, 300, 120, 6 * 365, true, NotSettled, Settled},
		{"dry for years, watched three years", 10, 30, 90, 3 * 365, true, NotSettled, Settled},
		{"slow, after two years", 25, 900, 60, 2 * 365, true, Settled, NotSettled},
		{"fresh, air not noted, after a year", 30, 300, 60, 365, false, Settled, NotSettled},
		{"dry, weighed twice in a month", 10, 30, 30, 30, true, NotSettled, Undecided},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 1))
			said := map[Rest]int{}
			const runs = 60
			for range runs {
				s := dryingStick(r, 120, c.start, c.tau, c.every, c.days, c.air).Settling()
				said[s.Verdict]++
			}
			// 98 % sure means that one in twenty may be wrong.
			if said[c.never] > runs/20 || said[c.want] < runs/2 {
				t.Errorf("%v in %d runs", said, runs)
			}
		})
	}
}

func TestSettlingNeedsTwoWeighings(t *testing.T) {
	for n := range 2 {
		h := dryingStick(rand.New(rand.NewPCG(1, 1)), 120, 12, 100, 30, 30*n, true)
		h.Readings = h.Readings[:n]
		if s := h.Settling(); s.Verdict != Undecided || s.Remaining.Known() || len(s.Reasons) == 0 {
			t.Errorf("%d weighings: %+v", n, s)
		}
	}
}

func TestMovingQKeepsAStickFromBeingSettled(t *testing.T) {
	h := dryingStick(rand.New(rand.NewPCG(1, 1)), 120, 10, 30, 90, 3*365, true)
	if s := h.Settling(); s.Verdict != Settled {
		t.Fatalf("%+v", s)
	}
	test := func(day Date, q float64) Test {
		return Test{ID: string(day), Date: day, Method: "invented/1", Q: measure.Of(q, 4)}
	}
	h.Tests = []Test{test("2022-01-01", 200), test("2022-12-01", 205)}
	if s := h.Settling(); s.Verdict != Settled {
		t.Errorf("Q is steady: %+v", s)
	}
	h.Tests[1] = test("2022-12-01", 150)
	if s := h.Settling(); s.Verdict != Undecided {
		t.Errorf("Q moved from 200 to 150: %+v", s)
	}
	h.Tests[1].Method = "invented/2"
	if s := h.Settling(); s.Verdict != Settled {
		t.Errorf("two methods were compared: %+v", s)
	}
}

func TestDue(t *testing.T) {
	s, c := open(t, t.TempDir())
	d := invented(t, "visit", 1, 3)
	b := add(t, s, d)
	record(t, s, say(Sold, b[1].ID, "2026-03-03"))
	if _, err := s.FilePaper(t.Context(), Document{Lot: "Lvisit", Kind: "permit", Number: "X1", Issuer: "an invented authority", ExpiresOn: "2026-05-20"}, ""); err != nil {
		t.Fatal(err)
	}
	for _, day := range []struct {
		on   string
		want []string // what of which stick
	}{
		{"2026-03-05", []string{"paper"}},
		{"2026-03-25", []string{"tap 1", "tap 3", "paper"}},
		{"2026-04-05", []string{"tap 1", "tap 3", "weigh 1", "weigh 3", "paper"}},
	} {
		c.on(day.on)
		due, err := s.Due(t.Context(), "")
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]bool{}
		for _, x := range due {
			name := x.What
			if x.Blank != "" {
				name += " " + x.Blank
			}
			got[name] = true
			if x.Why == "" {
				t.Errorf("%+v says no reason", x)
			}
		}
		if len(got) != len(day.want) {
			t.Errorf("%s: %v, want %v", day.on, got, day.want)
		}
		for _, w := range day.want {
			if !got[w] {
				t.Errorf("%s: %v lacks %s", day.on, got, w)
			}
		}
	}
	record(t, s, say(Started, b[0].ID, "2026-04-06"))
	due, err := s.Due(t.Context(), "2026-04-06")
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, x := range due {
		found = found || x.ID == b[0].ID && x.What == "tap" && x.Since == "2026-04-06"
	}
	if !found {
		t.Errorf("a stick that was worked on is not to be tapped: %+v", due)
	}
}
