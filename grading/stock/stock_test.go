package stock

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// clock is a clock that tests set.
type clock struct{ now time.Time }

func (c *clock) Now() time.Time { return c.now }

func (c *clock) on(day string) {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		panic(err)
	}
	c.now = t.Add(9 * time.Hour)
}

func open(t testing.TB, dir string) (*Store, *clock) {
	t.Helper()
	c := &clock{}
	c.on("2040-01-01")
	s, err := Open(t.Context(), Options{Dir: dir, Now: c.Now, Create: true, Meant: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, c
}

// invented is a delivery of n sticks with made-up values and made-up recordings; from
// is the number of the first.
func invented(t testing.TB, name string, from, n int) Delivery {
	t.Helper()
	dir := t.TempDir()
	r := rand.New(rand.NewPCG(uint64(len(name)), uint64(from)))
	d := Delivery{Folder: dir, Date: "2026-03-02", Place: "rack 1", Device: "invented microphone", Where: "at the dealer's"}
	d.Grading = grading.Grading{Schema: grading.Schema, Method: "invented/1", Delivery: name, Profile: "violin"}
	for i := from; i < from+n; i++ {
		file := fmt.Sprintf("%d.wav", i)
		if err := os.WriteFile(filepath.Join(dir, file), fmt.Appendf(nil, "invented sound of stick %d of %s", i, name), 0o666); err != nil {
			t.Fatal(err)
		}
		d.Grading.Blanks = append(d.Grading.Blanks, inventedBlank(r, i, name, file))
	}
	return d
}

func inventedBlank(r *rand.Rand, number int, name, file string) grading.Blank {
	price := 40 + float64(r.IntN(60))
	ring := spectrum.Ring{Method: "invented/1", TapsUsed: 5, FundamentalFrom: "peak"}
	ring.Fundamental = spectrum.Partial{Hz: measure.Of(140+10*r.NormFloat64(), 0.02), Q: measure.Of(200+30*r.NormFloat64(), 4), Family: spectrum.Bending, Order: 1}
	ring.Partials = []spectrum.Partial{ring.Fundamental}
	row := grading.Row{Blank: fmt.Sprint(number), File: []string{file}, Species: "Paubrasilia echinata", Price: &price, Currency: "EUR", Supplier: "invented dealer", Lot: "L" + name}
	row.Readings = wood.Readings{
		LengthMM: measure.Of(750, 0.5), HeightMM: measure.Of(14, 0.05), WidthMM: measure.Of(13, 0.05), Shape: wood.Rectangular,
		MassG: measure.Of(140+5*r.NormFloat64(), 0.1), TemperatureC: measure.Of(20, 0), HumidityPct: measure.Of(55, 0),
	}
	d1, d2 := r.Float64(), r.Float64()
	return grading.Blank{
		Blank: row.Blank, Score: measure.Of(100*d1, 3), Verdict: grading.Keep, Ring: &ring, Row: row,
		Wood: wood.Values{Density: measure.Of(1050+40*r.NormFloat64(), 8), SpecificModulus: measure.Of(22+r.NormFloat64(), 0.4), SpecificModulusFrom: "bending"},
		Parts: []grading.Part{
			{Name: "sustain Q", Key: "q", Value: measure.Of(200, 4), Desirability: measure.Of(d1, 0.05), Weight: 2},
			{Name: "density", Key: "density_kg_m3", Value: measure.Of(1050, 8), Unit: "kg/m3", Desirability: measure.Of(d2, 0.05), Weight: 1},
		},
	}
}

func add(t testing.TB, s *Store, d Delivery) []Blank {
	t.Helper()
	out, err := s.Add(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.Refused) > 0 {
		t.Fatalf("refused: %q", out.Refused)
	}
	return out.New
}

func record(t testing.TB, s *Store, e Event) {
	t.Helper()
	if err := s.Record(t.Context(), e); err != nil {
		t.Fatal(err)
	}
}

// mustBeSound checks a stock with all hashes.
func mustBeSound(t testing.TB, s *Store) Health {
	t.Helper()
	h, err := s.Check(context.WithoutCancel(t.Context()), true)
	if err != nil {
		t.Fatal(err)
	}
	if !h.OK {
		t.Fatalf("check: %q", h.Problems)
	}
	return h
}
