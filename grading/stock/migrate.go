package stock

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
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
			if _, err := tx.ExecContext(ctx, s.opt.steps[v-1]); err != nil {
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
