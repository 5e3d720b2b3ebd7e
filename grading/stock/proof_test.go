package stock

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// fullStock is a stock with facts of every kind and a sound backup of it, both closed.
func fullStock(t *testing.T) (dir, backup string, whole Health) {
	t.Helper()
	s, c := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 12))
	c.on("2041-01-01")
	record(t, s, say(Reserved, b[0].ID, "2026-04-01"))
	record(t, s, say(Sold, b[1].ID, "2026-04-02"))
	record(t, s, say(Graded, b[2].ID, "2026-04-02"))
	record(t, s, Event{Blank: b[3].ID, Kind: Corrected, Date: "2026-05-01", Reason: "looked closer", Fields: map[string]string{"species": "Shorea laevis"}})
	if _, err := s.Measure(t.Context(), b[4].ID, "2026-06-01", []Reading{{Quantity: "mass_g", Value: 130, U: 0.1}}); err != nil {
		t.Fatal(err)
	}
	pieces := 12
	if err := s.RecordLot(t.Context(), "2026-03-02", "Lvisit", func(r *LotRecord) { r.SoldAs, r.Pieces = "pernambuco", &pieces }); err != nil {
		t.Fatal(err)
	}
	if _, err := s.FilePaper(t.Context(), Document{Lot: "Lvisit", Kind: "permit", Number: "X1", Issuer: "an invented authority", ExpiresOn: "2027-01-01"}, ""); err != nil {
		t.Fatal(err)
	}
	whole = mustBeSound(t, s)
	backup = filepath.Join(t.TempDir(), "backup")
	if h, err := s.Backup(t.Context(), backup); err != nil || !h.OK || h.Head != whole.Head {
		t.Fatalf("%+v, %v", h, err)
	}
	dir = copied(t, s.Dir(), t.TempDir())
	closed, err := openReal(dir, nil) // brings the -wal file in
	if err != nil {
		t.Fatal(err)
	}
	if err := closed.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, backup, whole
}

// told is all that the tables of facts say, read without the code under test.
func told(path string) (string, error) {
	db, err := sql.Open("sqlite", dsn(path, "mode=ro", "immutable=1"))
	if err != nil {
		return "", err
	}
	defer db.Close()
	var lines []string
	for _, table := range []string{"files", "lot_records", "documents", "events", "readings", "tests", "results", "test_recordings"} {
		rows, err := db.Query(`SELECT * FROM ` + table + ` NOT INDEXED`)
		if err != nil {
			return "", err
		}
		columns, err := rows.Columns()
		if err != nil {
			return "", err
		}
		for rows.Next() {
			values := make([]any, len(columns))
			into := make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			if err := rows.Scan(into...); err != nil {
				return "", err
			}
			lines = append(lines, fmt.Sprintf("%s %#v", table, values))
			if len(lines) > 1<<16 {
				return "", fmt.Errorf("the table %s has no end", table)
			}
		}
		if err := rows.Err(); err != nil {
			return "", err
		}
		rows.Close()
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n"), nil
}

// examine opens a stock that may be damaged and checks it; what prevents it is a problem.
func examine(t *testing.T, dir string) []string {
	t.Helper()
	c := &clock{}
	c.on("2041-01-01")
	s, err := Open(t.Context(), Options{Dir: dir, Now: c.Now, Meant: true})
	if err != nil {
		return []string{err.Error()}
	}
	defer s.Close()
	h, err := s.Check(t.Context(), true)
	if err != nil {
		return []string{err.Error()}
	}
	return h.Problems
}

func repaired(t *testing.T, dir, from string) Repaired {
	t.Helper()
	c := &clock{}
	c.on("2041-01-01")
	r, err := Repair(t.Context(), Options{Dir: dir, Now: c.Now, Meant: true}, from)
	if err != nil {
		t.Fatalf("repair: %v", err)
	}
	return r
}

// Every single bit of the database that changes a fact is found and mended from a backup.
func TestFlippedBits(t *testing.T) {
	flips := 25
	if slow {
		flips = 200
	}
	dir, backup, whole := fullStock(t)
	path := filepath.Join(dir, databaseName)
	sound, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	want, err := told(path)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(11, 11))
	tried, found, mended := 0, 0, 0
	for found < flips {
		at, bit := r.IntN(len(sound)), r.IntN(8)
		harmed := t.TempDir()
		there := filepath.Join(harmed, databaseName)
		b := bytes.Clone(sound)
		b[at] ^= 1 << bit
		if err := os.WriteFile(there, b, 0o666); err != nil {
			t.Fatal(err)
		}
		tried++
		if got, err := told(there); err == nil && got == want {
			continue // it holds no fact
		}
		copied(t, filepath.Join(dir, "recordings"), filepath.Join(harmed, "recordings"))
		if b, err := os.ReadFile(filepath.Join(dir, headName)); err != nil || os.WriteFile(filepath.Join(harmed, headName), b, 0o666) != nil {
			t.Fatal(err)
		}
		found++
		problems := examine(t, harmed)
		if len(problems) == 0 {
			t.Errorf("byte %d bit %d changes a fact and is not found", at, bit)
			continue
		}
		fix := repaired(t, harmed, backup)
		got, err := told(there)
		if err != nil || got != want || !fix.OK || fix.Head != whole.Head {
			t.Errorf("byte %d bit %d is not mended: %+v, %v; found as %q", at, bit, fix, err, problems)
			continue
		}
		mended++
	}
	t.Logf("%d bits flipped, %d changed a fact, all of these were found, %d mended", tried, found, mended)
}

// edits are changes that somebody makes with another program, guards taken away first.
var edits = map[string]string{
	"a sale deleted":                 `DELETE FROM events WHERE kind = 'sold'`,
	"a reservation deleted":          `DELETE FROM events WHERE kind = 'reserved'`,
	"a grade deleted":                `DELETE FROM events WHERE kind = 'graded'`,
	"a correction deleted":           `DELETE FROM events WHERE kind = 'corrected'`,
	"a permit deleted":               `DELETE FROM documents`,
	"a lot record deleted":           `DELETE FROM lot_records`,
	"a weighing deleted":             `DELETE FROM readings WHERE value = 130`,
	"the last reading deleted":       `DELETE FROM readings WHERE seq = (SELECT max(seq) FROM readings)`,
	"a test deleted":                 `DELETE FROM test_recordings WHERE test = (SELECT id FROM tests LIMIT 1); DELETE FROM results WHERE test = (SELECT id FROM tests LIMIT 1); DELETE FROM tests WHERE id = (SELECT id FROM tests LIMIT 1)`,
	"a result deleted":               `DELETE FROM results WHERE test = (SELECT id FROM tests LIMIT 1)`,
	"a recording unlinked":           `DELETE FROM test_recordings WHERE test = (SELECT id FROM tests LIMIT 1)`,
	"the buyer edited":               `UPDATE events SET party = 'somebody else' WHERE kind = 'sold'`,
	"a reservation's party":          `UPDATE events SET party = 'x' WHERE kind = 'reserved'`,
	"the day of a sale":              `UPDATE events SET date = '2026-04-03' WHERE kind = 'sold'`,
	"the day of a purchase":          `UPDATE events SET date = '2025-03-02' WHERE kind = 'bought' AND seq < 5`,
	"a moment of writing":            `UPDATE events SET recorded_at = '2040-01-01T10:00:00.000000Z' WHERE kind = 'sold'`,
	"a rank":                         `UPDATE events SET rank = rank + 1 WHERE kind = 'sold'`,
	"a kind":                         `UPDATE events SET kind = 'scrapped' WHERE kind = 'sold'`,
	"a place":                        `UPDATE events SET place = 'rack 9' WHERE kind = 'bought'`,
	"a species at purchase":          `UPDATE events SET fields = json_set(fields, '$.species', 'Shorea') WHERE kind = 'bought' AND seq = (SELECT min(seq) FROM events)`,
	"a price":                        `UPDATE events SET fields = json_set(fields, '$.price', '1') WHERE kind = 'bought'`,
	"a reason":                       `UPDATE events SET reason = 'x' WHERE kind = 'corrected'`,
	"what a correction says":         `UPDATE events SET fields = '{"species":"Ipe"}' WHERE kind = 'corrected'`,
	"what a correction corrects":     `UPDATE events SET corrects = (SELECT id FROM events WHERE kind = 'sold') WHERE kind = 'corrected'`,
	"a sale given to another":        `UPDATE events SET blank = (SELECT blank FROM events WHERE kind = 'graded') WHERE kind = 'sold'`,
	"a grade":                        `UPDATE events SET grade = 'A' WHERE kind = 'graded'`,
	"an id":                          `UPDATE events SET id = '0000000000000000' WHERE kind = 'sold'`,
	"a mass":                         `UPDATE readings SET value = value + 1 WHERE value = 130`,
	"a mass by a hair":               `UPDATE readings SET value = 130.00000000000003 WHERE value = 130`,
	"an uncertainty":                 `UPDATE readings SET u = 0.2 WHERE value = 130`,
	"the air":                        `UPDATE readings SET humidity_pct = 56 WHERE seq = 1`,
	"the air forgotten":              `UPDATE readings SET humidity_pct = NULL WHERE seq = 1`,
	"a quantity":                     `UPDATE readings SET quantity = 'width_mm' WHERE quantity = 'height_mm' AND seq < 9`,
	"a reading's day":                `UPDATE readings SET date = '2026-06-02' WHERE value = 130`,
	"a score in the row":             `UPDATE tests SET score = 99 WHERE seq = 3`,
	"a score by a hair":              `UPDATE tests SET score = score * (1 + 1e-15) WHERE seq = 3`,
	"a score in the result":          `UPDATE results SET result = json_set(result, '$.score', 99) WHERE test = (SELECT id FROM tests WHERE seq = 3)`,
	"a score in both":                `UPDATE tests SET score = 99 WHERE seq = 3; UPDATE results SET result = json_set(result, '$.score', 99) WHERE test = (SELECT id FROM tests WHERE seq = 3)`,
	"a verdict":                      `UPDATE tests SET verdict = 'leave' WHERE seq = 3`,
	"a method":                       `UPDATE tests SET method = 'invented/2' WHERE seq = 3`,
	"a device":                       `UPDATE tests SET device = 'x' WHERE seq = 3`,
	"a recording's name":             `UPDATE test_recordings SET name = 'other.wav' WHERE test = (SELECT id FROM tests WHERE seq = 3)`,
	"another's recording":            `UPDATE test_recordings SET sha256 = (SELECT sha256 FROM test_recordings WHERE test = (SELECT id FROM tests WHERE seq = 4)) WHERE test = (SELECT id FROM tests WHERE seq = 3)`,
	"a permit's number":              `UPDATE documents SET number = 'X2'`,
	"a permit's day":                 `UPDATE documents SET expires_on = '2037-01-01'`,
	"a permit's note":                `UPDATE documents SET note = ' '`,
	"what a lot was sold as":         `UPDATE lot_records SET record = json_set(record, '$.sold_as', 'ipe')`,
	"a file's length":                `UPDATE files SET bytes = bytes + 1 WHERE sha256 = (SELECT min(sha256) FROM files)`,
	"a sale put in":                  `INSERT INTO events SELECT NULL, '0000000000000001', blank, lot, date, recorded_at, 'moved', 'x', party, reference, grade, reason, corrects, fields, rank FROM events WHERE kind = 'sold'`,
	"a sale taken out with its seal": `DELETE FROM events WHERE kind = 'sold'; DELETE FROM seals WHERE kind = 'event' AND fact NOT IN (SELECT seq FROM events)`,
	"a weighing put in":              `INSERT INTO readings SELECT NULL, '0000000000000001', blank, date, recorded_at, quantity, value + 1, u, instrument, temperature_c, humidity_pct, remark, rank FROM readings WHERE value = 130`,
}

// What somebody edits with the sqlite3 program, with the guards taken away and put back,
// is found; entering more, as an advice might, does not make it sound; a backup mends it.
func TestEditsByAnotherProgram(t *testing.T) {
	sqlite3, err := exec.LookPath("sqlite3")
	dir, backup, whole := fullStock(t)
	guards := guardsOf(t, filepath.Join(dir, databaseName))
	names := slices.Sorted(maps.Keys(edits))
	if !slow {
		names = slices.DeleteFunc(names, func(n string) bool { return len(n)%4 != 0 })
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			harmed := copied(t, dir, t.TempDir())
			path := filepath.Join(harmed, databaseName)
			var drop strings.Builder
			for g := range guards {
				fmt.Fprintf(&drop, "DROP TRIGGER %s; ", g)
			}
			statements := "PRAGMA foreign_keys = 0; " + drop.String() + edits[name] + "; " + strings.Join(slices.Collect(maps.Values(guards)), "; ")
			if err == nil {
				if out, err := exec.CommandContext(t.Context(), sqlite3, "-bail", path, statements).CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
			} else {
				execute(t, path, statements)
			}
			if problems := examine(t, harmed); len(problems) == 0 {
				t.Fatal("not found")
			}
			// Whatever is entered afterwards, the change stays visible.
			c := &clock{}
			c.on("2041-02-01")
			if s, err := Open(t.Context(), Options{Dir: harmed, Now: c.Now, Meant: true}); err == nil {
				list, err := s.List(t.Context(), nil, nil)
				if err != nil {
					t.Fatal(err)
				}
				for _, b := range list {
					_ = s.Record(context.Background(), Event{Blank: b.ID, Kind: Graded, Grade: "C"}) // may be refused
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if problems := examine(t, harmed); len(problems) == 0 {
					t.Fatal("laundered by entering something")
				}
			}
			second := copied(t, dir, t.TempDir())
			execute(t, filepath.Join(second, databaseName), "PRAGMA foreign_keys = 0; "+drop.String()+edits[name])
			if bare := repaired(t, second, ""); bare.OK && bare.Head != whole.Head {
				t.Fatalf("laundered by a repair without a backup: %+v", bare)
			}
			fix := repaired(t, second, backup)
			if !fix.OK || fix.Head != whole.Head {
				t.Fatalf("not mended: %+v", fix)
			}
		})
	}
}

func guardsOf(t *testing.T, path string) map[string]string {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	guards := map[string]string{}
	rows, err := db.Query(`SELECT name, sql FROM sqlite_master WHERE type = 'trigger'`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			t.Fatal(err)
		}
		guards[name] = text
	}
	return guards
}
