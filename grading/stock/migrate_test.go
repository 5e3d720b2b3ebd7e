package stock

import (
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// olderStock is a stock of two invented sticks, one of them tapered, with a history, as
// the program before the seals wrote it (testdata/schema-1.sql.gz, by sqlite3's .dump).
func olderStock(t *testing.T) (dir string) {
	t.Helper()
	f, err := os.Open("testdata/schema-1.sql.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	dump, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	execute(t, filepath.Join(dir, databaseName), string(dump)+fmt.Sprintf("\nPRAGMA application_id = %d; PRAGMA user_version = 1;", applicationID))
	return dir
}

func TestAnOlderStockGoesOn(t *testing.T) {
	dir := olderStock(t)
	s, _ := open(t, dir)
	list, err := s.List(t.Context(), nil, nil)
	if err != nil || len(list) != 2 {
		t.Fatalf("%d sticks, %v", len(list), err)
	}
	// As that program listed them.
	for i, want := range []struct {
		blank, profile, species string
		state                   State
		score, mass             float64
	}{{"D01", "cello", "demo wood (invented)", IsReserved, 90.8618021, 139}, {"D07", "cello", "Ipe", InStock, 87.2184382, 122.4}} {
		if b := list[i]; b.Blank != want.blank || b.State != want.state || b.Profile != want.profile || b.Species != want.species || b.Score.X != want.score || b.Mass.X != want.mass || b.Tests != 1 {
			t.Errorf("%+v", b)
		}
	}
	sound := func(s *Store) Health {
		t.Helper()
		h, err := s.Check(t.Context(), true)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range h.Problems { // the dump has no recordings
			if !strings.Contains(p, " is missing: ") {
				t.Error(p)
			}
		}
		return h
	}
	before := sound(s)
	// It travels whole, and goes on.
	path := filepath.Join(t.TempDir(), "older.jsonl")
	if _, err := s.Export(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	other, _ := open(t, t.TempDir())
	if in, err := other.Import(t.Context(), path, true); err != nil || in.Added != 2 || in.Head != before.Head {
		t.Fatalf("%+v, %v; head %s", in, err, before.Head)
	}
	record(t, s, say(Sold, list[0].ID, "2026-08-01"))
	if p, err := s.Prove(t.Context(), before.Head, ""); err != nil || len(p.Reasons) > 1 || p.Since != 1 {
		t.Errorf("%+v, %v", p, err)
	}
	sound(s)
	// What was entered before can be put right one by one, not in one go.
	if _, err := s.Correct(t.Context(), Correction{Sticks: []string{list[0].ID}, Entry: "mass", Set: map[string]string{"mass": "141"}, Why: "misread"}); err != nil {
		t.Fatal(err)
	}
	if b, err := s.Blank(t.Context(), list[0].ID); err != nil || b.Mass.X != 141 {
		t.Errorf("%v, %v", b.Mass, err)
	}
	sound(s)
}

// An entry altered before the upgrade is sealed as it is found, but its id still tells.
func TestAnUpgradeLaundersNothing(t *testing.T) {
	dir := olderStock(t)
	execute(t, filepath.Join(dir, databaseName), `DROP TRIGGER readings_keep; UPDATE readings SET value = 129 WHERE value = 139`)
	s, _ := open(t, dir)
	h, err := s.Check(t.Context(), true)
	if err != nil || !strings.Contains(strings.Join(h.Problems, "\n"), unsaid) {
		t.Errorf("%q, %v", h.Problems, err)
	}
}
