package stock

import (
	"context"
	"database/sql"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// schema lists the steps that lead from an empty database to the present schema;
// step n makes version n. A step that was published is never edited.
func schema() (steps []string) {
	for n := 1; ; n++ {
		b, err := schemaFiles.ReadFile(fmt.Sprintf("schema/%d.sql", n))
		if err != nil {
			return steps
		}
		steps = append(steps, string(b))
	}
}

// upgrade brings the schema to the version of this program: a backup copy first, then
// all steps in one transaction.
func (s *Store) upgrade(ctx context.Context) error {
	have, err := schemaVersion(ctx, s.db)
	if err != nil {
		return err
	}
	want := len(s.opt.steps)
	if have > want {
		return fmt.Errorf("the stock in %s has schema %d, this program knows up to %d: use a newer ringstock; nothing was changed", s.opt.Dir, have, want)
	}
	if have == want {
		return nil
	}
	if have > 0 {
		if err := s.backupBeforeUpgrade(ctx, have); err != nil {
			return fmt.Errorf("no upgrade without a backup copy: %w", err)
		}
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	err = func() error {
		have, err := schemaVersion(ctx, tx) // another program may have been faster
		if err != nil {
			return err
		}
		for v := have + 1; v <= want; v++ {
			_, err := tx.ExecContext(ctx, s.opt.steps[v-1])
			if err == nil && v == sealedSince {
				err = s.sealAll(ctx, tx)
			}
			if err != nil {
				return fmt.Errorf("upgrade to schema %d failed, nothing was changed: %w", v, err)
			}
		}
		_, err = tx.ExecContext(ctx, fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d`, applicationID, max(have, want)))
		return err
	}()
	if err != nil {
		return errors.Join(err, ignoreDone(tx.Rollback()))
	}
	return tx.Commit()
}

// sealedSince is the schema from which on every fact has a seal.
const sealedSince = 2

// sealAll puts seals on the facts of a stock of schema 1, and derives all rows anew. The
// figures of a test become those that its result gives, digit for digit: they were copied
// before the result was written with nine digits. Nothing else of a fact is touched, so
// what was altered before is still found by its id.
func (s *Store) sealAll(ctx context.Context, sqlTx *sql.Tx) error {
	t := &tx{Tx: sqlTx, ctx: ctx, today: s.Today(), dirty: map[string]bool{}, ranks: map[string]int{}, ready: map[string]*sql.Stmt{}}
	if err := t.setClock(s.opt.Now()); err != nil {
		return err
	}
	if err := t.roundFigures(); err != nil {
		return err
	}
	var err error
	if t.files, err = all(ctx, t, firstText, `SELECT sha256 FROM files ORDER BY sha256`); err != nil {
		return err
	}
	var rows []derivedRow
	if err := eachHistory(ctx, t, true, func(_ string, h History) error {
		rows = append(rows, h.row(t.today))
		return nil
	}); err != nil {
		return err
	}
	for _, r := range rows {
		if err := t.putRow(r); err != nil {
			return err
		}
	}
	_, err = t.seal(olderEntries, 0, map[string]int64{})
	return err
}

func (t *tx) roundFigures() error {
	type figures struct {
		seq  int64
		test Test
	}
	var rounded []figures
	err := each(t.ctx, t, func(row scanner) (x struct {
		seq    int64
		result string
		test   Test
	}, err error) {
		x.test, err = scanTest(more{row, []any{&x.seq, &x.result}})
		return x, err
	}, func(x struct {
		seq    int64
		result string
		test   Test
	}) error {
		var b grading.Blank
		if json.Unmarshal([]byte(x.result), &b) != nil {
			return nil // a check names it
		}
		now := x.test
		now.take(b)
		if now.figures() != x.test.figures() && now.nineDigits() == x.test.nineDigits() {
			rounded = append(rounded, figures{x.seq, now})
		}
		return nil
	}, `SELECT `+testColumns+`, seq, (SELECT result FROM results r WHERE r.test = tests.id) FROM tests`)
	if err != nil || len(rounded) == 0 {
		return err
	}
	if _, err := t.Tx.ExecContext(t.ctx, `DROP TRIGGER tests_keep`); err != nil {
		return err
	}
	for _, r := range rounded {
		args := []any{}
		for _, v := range []measure.Value{r.test.Score, r.test.Hz, r.test.Q, r.test.Density, r.test.SpecificModulus} {
			args = append(args, columns(v)...)
		}
		if _, err := t.ExecContext(t.ctx, `UPDATE tests SET score = ?, score_u = ?, hz = ?, hz_u = ?, q = ?, q_u = ?, density_kg_m3 = ?, density_kg_m3_u = ?,
			specific_modulus_mj_kg = ?, specific_modulus_mj_kg_u = ? WHERE seq = ?`, append(args, r.seq)...); err != nil {
			return err
		}
	}
	_, err = t.Tx.ExecContext(t.ctx, `CREATE TRIGGER tests_keep BEFORE UPDATE ON tests BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END`)
	return err
}

// figures are those of a test that its row repeats from its result.
func (t Test) figures() (f [10]float64) {
	for i, v := range []measure.Value{t.Score, t.Hz, t.Q, t.Density, t.SpecificModulus} {
		f[2*i], f[2*i+1] = -1, -1
		if v.Known() {
			f[2*i], f[2*i+1] = v.X, v.U
		}
	}
	return f
}

// nineDigits are the figures, and the verdict, as far as a result keeps them.
func (t Test) nineDigits() string {
	var out strings.Builder
	for _, x := range t.figures() {
		out.WriteString(nine(x) + " ")
	}
	return out.String() + string(t.Verdict)
}

func schemaVersion(ctx context.Context, q querier) (v int, err error) {
	err = q.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&v)
	return v, err
}

func (s *Store) backupBeforeUpgrade(ctx context.Context, version int) error {
	dir := filepath.Join(s.opt.Dir, backupsName)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	stem := fmt.Sprintf("schema-%d-%s", version, s.opt.Now().UTC().Format("20060102T150405.000000"))
	for n := 1; ; n++ { // a copy that an interrupted upgrade left behind is never written over
		path := filepath.Join(dir, fmt.Sprintf("%s-%d.db", stem, n))
		if _, err := os.Lstat(path); err == nil {
			continue
		}
		return copyDatabase(ctx, s.db, path)
	}
}

// copyDatabase writes a compact copy of one state of the database to a new file, which
// appears under its name only when it is whole.
func copyDatabase(ctx context.Context, db *sql.DB, path string) error {
	part := path + ".part"
	if err := os.Remove(part); err != nil && !os.IsNotExist(err) {
		return err
	}
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, part); err != nil {
		return explain(part, err)
	}
	if err := syncFile(part); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
