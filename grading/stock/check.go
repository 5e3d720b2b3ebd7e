package stock

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Health is what a check found. Each problem says what to do; notes need nothing.
type Health struct {
	OK       bool     `json:"ok"`
	Problems []string `json:"problems"`
	Notes    []string `json:"notes"`
	Head     string   `json:"head"`  // of the ledger, computed from the facts as they are now
	Facts    int      `json:"facts"` // in it
	Blanks   int      `json:"blanks"`
	Events   int      `json:"events"`
	Files    int      `json:"files"`
}

// Check looks at the database (pages, keys, definitions, guards), reads every fact,
// compares it with its seal and its id with what it says, computes the head anew, derives
// every stick and compares, and balances the pieces. Thoroughly, it also reads every
// result and every kept file and compares every index with its table. It changes nothing.
func (s *Store) Check(ctx context.Context, thoroughly bool) (Health, error) {
	return s.check(ctx, thoroughly, thoroughly)
}

// check leaves out the results of tests, which are most of the bytes, unless results is
// set, and the content of the kept files unless content is.
func (s *Store) check(ctx context.Context, results, content bool) (Health, error) {
	var pages, sticks, files, figures, ledger Health
	kinds := make([]verified, len(factTables))
	whole, stop := context.WithCancel(ctx) // a damaged page may lead round in circles
	defer stop()
	readers := []func(q querier) error{
		func(q querier) error {
			err := s.checkPages(ctx, q, results, &pages)
			if len(pages.Problems) > 0 {
				stop()
			}
			return pages.found(err)
		},
		func(q querier) error { return sticks.found(s.explain(s.checkSticks(whole, q, &sticks))) },
		func(q querier) error { return files.found(s.explain(s.checkFiles(whole, q, content, &files))) },
		func(q querier) error {
			var all verified
			for i, f := range factTables {
				var err error
				if kinds[i], err = s.verifyFacts(ctx, q, f, results); err != nil {
					ledger.problem(s.explain(err))
				}
				all.sum.merge(&kinds[i].sum)
				all.facts += kinds[i].facts
				all.faults = append(all.faults, kinds[i].faults...)
			}
			return ledger.found(s.explain(s.checkLedger(ctx, q, &ledger, all)))
		},
	}
	if results {
		readers = append(readers, func(q querier) error { return figures.found(s.explain(s.checkFigures(whole, q, &figures))) })
	}
	err := s.readAtOnce(ctx, readers...)
	if ctx.Err() != nil {
		return Health{}, ctx.Err()
	}
	h := Health{
		Problems: slices.Concat([]string{}, pages.Problems, ledger.Problems, sticks.Problems, files.Problems, figures.Problems),
		Notes:    slices.Concat([]string{}, ledger.Notes, sticks.Notes, files.Notes),
		Head:     ledger.Head, Facts: ledger.Facts,
		Blanks: sticks.Blanks, Events: sticks.Events, Files: files.Files,
	}
	h.problem(s.explain(err))
	for _, v := range kinds {
		for i, f := range v.faults {
			if i == mostNamed {
				h.Problems = append(h.Problems, fmt.Sprintf("and %d more of the kind %q: %s", len(v.faults)-i, f.kind, mend))
				break
			}
			h.Problems = append(h.Problems, f.String()+": "+mend)
		}
	}
	// One damaged page is met more than once; what was ended for its sake says nothing.
	h.Problems = slices.DeleteFunc(h.Problems, func(p string) bool { return len(pages.Problems) > 0 && strings.HasSuffix(p, context.Canceled.Error()) })
	slices.Sort(h.Problems)
	h.Problems = slices.Compact(h.Problems)
	h.OK = len(h.Problems) == 0
	return h, nil
}

// mostNamed is how many damaged facts of one kind are named one by one.
const mostNamed = 50

// found notes an error that ended one part of a check, so that the others go on.
func (h *Health) found(err error) error {
	h.problem(err)
	return nil
}

func (h *Health) problem(err error) {
	if err != nil {
		h.Problems = append(h.Problems, err.Error())
	}
}

const (
	restore = "copy the folder to a safe place and put back the latest backup"
	mend    = "`ringstock stock repair --from BACKUP` puts it right from a backup or an export"
)

func (s *Store) checkPages(ctx context.Context, q querier, thoroughly bool, h *Health) error {
	pages := `PRAGMA quick_check`
	if thoroughly {
		pages = `PRAGMA integrity_check`
	}
	err := each(ctx, q, firstText, func(line string) error {
		if line != "ok" {
			h.problem(fmt.Errorf("the database is damaged (%s): %s, from an older backup too", line, mend))
		}
		return nil
	}, pages)
	if err != nil || len(h.Problems) > 0 {
		return s.explain(err)
	}
	// The quick way follows the keys of results, which are gigabytes, in the order of the
	// keys.
	look := []string{`SELECT 'the result of test ' || test || ', which is not there' FROM results r WHERE NOT EXISTS (SELECT 1 FROM tests t WHERE t.id = r.test) LIMIT 100`}
	for _, table := range []string{"events", "readings", "tests", "documents", "test_recordings", "seals"} {
		look = append(look, `PRAGMA foreign_key_check(`+table+`)`)
	}
	if thoroughly {
		look = []string{`PRAGMA foreign_key_check`}
	}
	for _, query := range look {
		if err := each(ctx, q, firstText, func(line string) error {
			h.problem(fmt.Errorf("the database is damaged (%s names what is not there): %s, from an older backup too", line, mend))
			return nil
		}, query); err != nil {
			return s.explain(err)
		}
	}
	return s.explain(s.checkSchema(ctx, q, h))
}

func firstText(row scanner) (string, error) {
	var s any
	cols := []any{&s}
	if r, ok := row.(interface{ Columns() ([]string, error) }); ok {
		names, err := r.Columns()
		if err != nil {
			return "", err
		}
		for range names[1:] {
			cols = append(cols, new(any))
		}
	}
	err := row.Scan(cols...)
	return fmt.Sprint(s), err
}

// checkSticks derives every stick anew and compares; the balance of pieces is between
// the events 'bought' and the states in the derived table.
func (s *Store) checkSticks(ctx context.Context, q querier, h *Health) error {
	today := s.Today()
	derived := newGroups(ctx, q, scanDerived, func(r derivedRow) string { return r.ID }, `SELECT `+derivedColumns+` FROM blanks ORDER BY id`)
	if err := q.QueryRowContext(ctx, `SELECT count(*) FROM events`).Scan(&h.Events); err != nil {
		return err
	}
	bought, present, ahead := 0, 0, 0
	late := s.opt.Now().UTC().Add(24 * time.Hour).Format(timeFormat)
	entered := map[string]int{}
	err := eachHistory(ctx, q, true, func(id string, history History) error {
		want := history.row(today)
		all, problems := history.On("")
		for _, p := range problems {
			h.Problems = append(h.Problems, fmt.Sprintf("stick %s (%s): %s: look at `ringstock stock show %s` and put the wrong entry right with `ringstock stock correct`", want.Blank.Blank, id, p, id))
		}
		void := history.Void()
		purchases, again := history.purchases(void)
		for _, e := range again {
			h.Notes = append(h.Notes, fmt.Sprintf("stick %s (%s) was entered on two computers, as bought on %s and on %s: the first counts; `ringstock stock correct` takes the wrong one back", want.Blank.Blank, id, purchases[0].Date, e.Date))
		}
		for _, e := range history.Events {
			if e.RecordedAt > late {
				ahead++
			}
		}
		bought += len(purchases)
		if want.nextDay != "" {
			h.Notes = append(h.Notes, fmt.Sprintf("stick %s (%s) has an entry for %s, which has not come yet: it counts from that day on; `ringstock stock correct` puts a wrong day right", want.Blank.Blank, id, want.nextDay))
		}
		rows := derived.take(id)
		switch {
		case len(rows) == 0:
			h.Problems = append(h.Problems, fmt.Sprintf("stick %s (%s) is in the ledger but not in the list: `ringstock stock repair` derives it anew", want.Blank.Blank, id))
		case !sameRow(rows[0], want):
			h.Problems = append(h.Problems, fmt.Sprintf("stick %s (%s): its row in the list is not what its ledger says: `ringstock stock repair` derives it anew", want.Blank.Blank, id))
		}
		if len(rows) > 0 && all.State != "" {
			present++
		}
		if all.State != "" {
			entered[all.Lot]++
			h.Blanks++
		}
		return nil
	})
	if left := derived.id(); left != "" {
		h.Problems = append(h.Problems, fmt.Sprintf("stick %s is in the list but not in the ledger: `ringstock stock repair` derives the list anew", left))
	}
	if err := errors.Join(err, derived.close()); err != nil {
		return err
	}
	if bought != present {
		h.Problems = append(h.Problems, fmt.Sprintf("%d sticks came in, %d are accounted for: %s", bought, present, mend))
	}
	if ahead > 0 {
		h.Notes = append(h.Notes, fmt.Sprintf("%d entries were written by a clock that was ahead of this one; what came after what is known without it", ahead))
	}
	lots, err := all(ctx, q, firstText, `SELECT DISTINCT lot FROM lot_records ORDER BY lot`)
	if err != nil {
		return err
	}
	for _, lot := range lots {
		r, err := lotRecord(ctx, q, lot)
		if err != nil {
			return err
		}
		if r != nil && r.Pieces != nil && *r.Pieces != entered[lot] {
			h.Notes = append(h.Notes, fmt.Sprintf("lot %s: its record says %d pieces, %d are entered", lot, *r.Pieces, entered[lot]))
		}
	}
	return nil
}

func sameRow(a, b derivedRow) bool {
	x, y := a.values(), b.values()
	for i := range x {
		if deref(x[i]) != deref(y[i]) {
			return false
		}
	}
	return true
}

func deref(v any) any {
	if p, ok := v.(*float64); ok {
		if p == nil {
			return nil
		}
		return *p
	}
	return v
}

// checkFiles looks whether every kept file is there and, with hashes, still what it was.
func (s *Store) checkFiles(ctx context.Context, q querier, hashes bool, h *Health) error {
	known := map[string]bool{}
	err := each(ctx, q, scanFile, func(f File) error {
		h.Files++
		known[f.name()] = true
		path := filepath.Join(s.opt.Dir, f.name())
		const restore = "copy it back from a backup or from the other stock it came from"
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			h.Problems = append(h.Problems, fmt.Sprintf("%s is missing: %s", path, restore))
			return nil
		case err != nil:
			h.Problems = append(h.Problems, fmt.Sprintf("can't look at %s: %v", path, err))
			return nil
		case info.Size() != f.Bytes:
			h.Problems = append(h.Problems, fmt.Sprintf("%s has %d bytes, not %d: %s", path, info.Size(), f.Bytes, restore))
			return nil
		}
		if !hashes {
			return ctx.Err()
		}
		got, err := hashPath(path)
		if err != nil {
			h.Problems = append(h.Problems, fmt.Sprintf("can't read %s: %v", path, err))
		} else if got != f.SHA256 {
			h.Problems = append(h.Problems, fmt.Sprintf("%s is not what it was when it came in: %s", path, restore))
		}
		return ctx.Err()
	}, `SELECT sha256, kind, ending, bytes FROM files`)
	if err != nil {
		return err
	}
	spare := 0
	for _, folder := range fileFolders {
		err := filepath.WalkDir(filepath.Join(s.opt.Dir, folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				if errors.Is(err, fs.ErrNotExist) {
					return nil
				}
				return err
			}
			if rel, err := filepath.Rel(s.opt.Dir, path); err == nil && !known[rel] {
				spare++
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	if spare > 0 {
		h.Notes = append(h.Notes, fmt.Sprintf("%d files in the folder belong to no entry (left by something that was interrupted): they do no harm", spare))
	}
	slices.Sort(h.Notes)
	return nil
}

func scanFile(row scanner) (f File, err error) {
	return f, row.Scan(&f.SHA256, &f.Kind, &f.Ending, &f.Bytes)
}

func hashPath(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Backup copies the stock to a new folder, which is a whole stock itself, and checks
// the copy.
func (s *Store) Backup(ctx context.Context, dir string) (Health, error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return Health{}, fmt.Errorf("%s is not empty: name a new folder, so that no older backup is written over", dir)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Health{}, err
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return Health{}, err
	}
	if err := copyDatabase(ctx, s.db, filepath.Join(dir, databaseName)); err != nil {
		return Health{}, err
	}
	opt := s.opt
	opt.Dir, opt.Create = dir, false
	copied, err := Open(ctx, opt)
	if err != nil {
		return Health{}, err
	}
	defer copied.Close()
	// Files only ever come in, and before the rows that name them: those the copied
	// database names are all there.
	kept := keeper{dir: dir}
	err = each(ctx, copied.db, scanFile, func(f File) error {
		_, err := kept.keepPath(f.Kind, filepath.Join(s.opt.Dir, f.name()))
		if errors.Is(err, fs.ErrNotExist) {
			err = nil // the check of the copy says so
		}
		return errors.Join(err, ctx.Err())
	}, `SELECT sha256, kind, ending, bytes FROM files`)
	if err := errors.Join(err, kept.sync()); err != nil {
		return Health{}, err
	}
	return copied.Check(ctx, true)
}
