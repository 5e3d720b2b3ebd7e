package stock

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

// Repaired says what a repair did. Nothing is mended silently.
type Repaired struct {
	OK      bool     `json:"ok"`      // all is as it was entered
	Head    string   `json:"head"`    // of the ledger now
	Facts   int      `json:"facts"`   // in it
	Mended  []string `json:"mended"`  // facts that came back, from where
	Removed []string `json:"removed"` // what another program had put in
	Left    []string `json:"left"`    // facts that could not be mended, with what would help
	Files   []string `json:"files"`   // recordings and papers that came back
	Kept    string   `json:"kept"`    // where the damaged database was put
}

// Repair makes the database of a stock anew: from its own facts that are as they were
// sealed, and for the others from a backup (a folder) or an export, but only facts whose
// seal is the one that this ledger has. Definitions, guards and the list are made anew.
// The damaged database is kept in the folder backups. Without a source it mends what
// needs none.
func Repair(ctx context.Context, opt Options, from string) (out Repaired, err error) {
	out = Repaired{Mended: []string{}, Removed: []string{}, Left: []string{}, Files: []string{}}
	if opt.steps == nil {
		opt.steps = schema()
	}
	path := filepath.Join(opt.Dir, databaseName)
	if _, err := os.Stat(path); err != nil {
		return out, fmt.Errorf("there is no stock to repair: %w", err)
	}
	lock, err := openRaw(path)
	if err != nil {
		return out, err
	}
	defer lock.Close()
	// Nobody may write meanwhile, as far as a damaged database can be held shut.
	if c, err := lock.Conn(ctx); err == nil {
		if _, err := c.ExecContext(ctx, `BEGIN IMMEDIATE`); err == nil {
			defer c.ExecContext(context.WithoutCancel(ctx), `ROLLBACK`)
		}
		defer c.Close()
	}
	r := repair{out: &out, own: lock, dir: opt.Dir, opt: opt}
	if from != "" {
		if r.source, r.sourceDir, err = openSource(ctx, opt, from); err != nil {
			return out, err
		}
		defer r.source.Close()
		if strings.HasPrefix(r.sourceDir, os.TempDir()) && r.sourceDir != from {
			defer os.RemoveAll(r.sourceDir)
		}
	}
	if err := r.readable(ctx, path); err != nil {
		return out, err
	}
	if r.copy != "" {
		defer func() {
			for _, end := range []string{"", "-wal", "-shm"} {
				os.Remove(r.copy + end)
			}
		}()
	}
	r.gather(ctx)
	fresh := path + ".repaired"
	for _, end := range []string{"", "-wal", "-shm"} {
		os.Remove(fresh + end) // of a repair that was interrupted
	}
	if err := r.build(ctx, fresh); err != nil {
		return out, fmt.Errorf("the repair failed, the stock is as it was: %w", err)
	}
	if err := r.swap(path, fresh); err != nil {
		return out, err
	}
	if err := r.bringFiles(ctx); err != nil {
		return out, err
	}
	opt.Create = false
	s, err := Open(ctx, opt)
	if err != nil {
		return out, err
	}
	h, err := s.Check(ctx, true)
	err = errors.Join(err, s.Close())
	out.OK, out.Head, out.Facts = h.OK, h.Head, h.Facts
	for _, p := range h.Problems {
		if len(out.Left) == 0 || !strings.Contains(p, "the ledger's head") {
			out.Left = append(out.Left, p)
		}
	}
	return out, err
}

// openRaw opens a database as it is, whatever its header says.
func openRaw(path string) (*sql.DB, error) {
	db, err := sql.Open("sqlite", dsn(path, "_pragma=busy_timeout(60000)", "_pragma=ignore_check_constraints(1)", "_pragma=cell_size_check(0)"))
	return db, explain(path, err)
}

// openSource opens a backup; an export is first brought into a stock of its own.
func openSource(ctx context.Context, opt Options, from string) (*sql.DB, string, error) {
	info, err := os.Stat(from)
	if err != nil {
		return nil, "", fmt.Errorf("the backup can't be opened: %w", err)
	}
	dir := from
	if !info.IsDir() && filepath.Base(from) == databaseName {
		dir = filepath.Dir(from)
	} else if !info.IsDir() {
		if dir, err = os.MkdirTemp("", "ringstock-repair-*"); err != nil {
			return nil, "", err
		}
		opt.Dir, opt.Create, opt.Meant = dir, true, true
		s, err := Open(ctx, opt)
		if err != nil {
			return nil, "", err
		}
		_, err = s.Import(ctx, from, true)
		if err = errors.Join(err, s.Close()); err != nil {
			return nil, "", err
		}
	}
	path := filepath.Join(dir, databaseName)
	if _, err := os.Stat(path); err != nil {
		return nil, "", fmt.Errorf("%s is neither a backup of a stock nor an export: %w", from, err)
	}
	db, err := openRaw(path)
	if err != nil {
		return nil, "", err
	}
	if v, err := schemaVersion(ctx, db); err != nil || v < sealedSince {
		return nil, "", errors.Join(err, db.Close(), fmt.Errorf("%s was written by an older ringstock: open a copy of it once with this one (`ringstock stock check --stock-dir COPY`), then repair from the copy", from))
	}
	return db, dir, nil
}

// repair is a repair under way.
type repair struct {
	out       *Repaired
	opt       Options
	own       *sql.DB
	original  *sql.DB // where own is a copy with its definitions mended
	copy      string  // the path of that copy
	dir       string
	source    *sql.DB // nil if there is none
	sourceDir string

	seals map[digest]*ownSeal
	order []*ownSeal
	acts  []act
	put   []putFact // what goes into the new database
}

// ownSeal is a seal of this ledger, and the fact that was found for it.
type ownSeal struct {
	n, act   int64
	kind, id string
	seq      int64
	d        digest
	found    bool
	damaged  bool // the seal itself
}

// putFact is a fact with the row it goes to.
type putFact struct {
	f      factTable
	seq    int64
	values []any
}

// gather finds a sound fact for every seal.
func (r *repair) gather(ctx context.Context) {
	r.readSeals(ctx)
	type suspect struct {
		f factTable
		rawFact
		d digest
	}
	var suspects []suspect
	accept := func(f factTable, seal *ownSeal, raw rawFact) {
		seal.found, seal.kind, seal.id = true, f.kind, raw.id()
		if f.numbered() && raw.seq > 0 {
			seal.seq = raw.seq
		}
		r.put = append(r.put, putFact{f, seal.seq, raw.values})
	}
	for _, f := range factTables {
		_ = f.each(ctx, r.own, func(raw rawFact) error { // what can't be read comes from the backup
			d := f.seal(raw.values)
			if f.kind == "writing" {
				if x, err := sealWriting(ctx, r.own, raw); err == nil {
					d = x
				}
			}
			if seal := r.seals[d]; seal != nil && !seal.found {
				accept(f, seal, raw)
			} else {
				suspects = append(suspects, suspect{f, raw, d})
			}
			return ctx.Err()
		})
	}
	backup := map[[2]string]digest{}
	if r.source != nil {
		for _, f := range factTables {
			_ = f.each(ctx, r.source, func(raw rawFact) error {
				d := f.seal(raw.values)
				if f.kind == "writing" {
					if x, err := sealWriting(ctx, r.source, raw); err == nil {
						d = x
					}
				}
				if seal := r.seals[d]; seal != nil && !seal.found {
					raw.seq = 0 // its place is the one that the seal names
					accept(f, seal, raw)
					r.out.Mended = append(r.out.Mended, fmt.Sprintf("the %s %s%s was brought back from the backup", f.kind, raw.id(), f.describe(raw.values)))
				}
				backup[[2]string{f.kind, raw.id()}] = d
				return ctx.Err()
			})
		}
	}
	// What is left: facts that differ from their seal, where either may be at fault, and
	// rows that another program put in.
	var left lattice
	for _, seal := range r.order {
		left.add(seal.d)
	}
	for _, x := range suspects {
		i := slices.IndexFunc(r.order, func(s *ownSeal) bool {
			return !s.found && (s.kind == x.f.kind || len(s.kind) == 0) && (s.id == x.id() || x.f.numbered() && s.seq == x.seq)
		})
		if i < 0 {
			what := fmt.Sprintf("the %s %s%s, which has no seal", x.f.kind, x.id(), x.f.describe(x.values))
			if !slices.ContainsFunc(r.order, func(s *ownSeal) bool { return s.found && s.kind == x.f.kind && s.id == x.id() }) {
				r.out.Removed = append(r.out.Removed, what)
			}
			continue
		}
		seal := r.order[i]
		// The seal is at fault if the backup says the same as the fact, or if
		// the noted head does.
		sound := backup[[2]string{x.f.kind, x.id()}] == x.d
		if !sound {
			var sum lattice
			for _, s := range r.order {
				if s == seal {
					sum.add(x.d)
				} else {
					sum.add(s.d)
				}
			}
			sound = r.noted(ctx, sum.head(len(r.order)))
		}
		if sound {
			seal.d, seal.damaged = x.d, true
			r.out.Mended = append(r.out.Mended, fmt.Sprintf("the seal of the %s %s, which itself is as it was entered", x.f.kind, x.id()))
		} else {
			r.out.Left = append(r.out.Left, fmt.Sprintf("the %s %s%s differs from what was entered, and no sound copy of it was found: repair from an older or newer backup that holds it", x.f.kind, x.id(), x.f.describe(x.values)))
		}
		seal.found = true
		r.put = append(r.put, putFact{x.f, x.seq, x.values})
	}
	for _, s := range r.order {
		if !s.found {
			r.out.Left = append(r.out.Left, fmt.Sprintf("the %s %s is lost, and no copy of it was found: repair from a backup that holds it", s.kind, s.id))
		}
	}
}

// noted tells whether a head is one that the ledger noted last.
func (r *repair) noted(ctx context.Context, h Head) bool {
	if h == notedHead(r.dir) {
		return true
	}
	if a, err := lastAct(ctx, r.own); err == nil && h == (Head{a.facts, a.head}) {
		return true
	}
	l, n, err := readLedger(ctx, r.own)
	return err == nil && h == l.head(n)
}

// readSeals reads seals and acts of this ledger; those that can't be read come from the
// backup, which had them under the same numbers.
func (r *repair) readSeals(ctx context.Context) {
	r.seals = map[digest]*ownSeal{}
	have := map[int64]bool{}
	take := func(db *sql.DB) {
		last := int64(0)
		scan := func(row scanner) (s ownSeal, err error) {
			var seq sql.NullInt64
			var b []byte
			err = row.Scan(&s.n, &s.act, &s.kind, &s.id, &seq, &b)
			s.seq = seq.Int64
			copy(s.d[:], b)
			return s, err
		}
		add := func(s ownSeal) error {
			if s.n <= last {
				return errors.New("round in circles")
			}
			last = s.n
			if !have[s.n] && r.seals[s.d] == nil {
				have[s.n] = true
				r.order = append(r.order, &s)
				r.seals[s.d] = &s
			}
			return ctx.Err()
		}
		const query = `SELECT n, act, kind, id, fact, digest FROM seals NOT INDEXED `
		if each(ctx, db, scan, add, query+`ORDER BY n`) == nil {
			return
		}
		for n := last + 1; ctx.Err() == nil; n++ { // behind a page that can't be read
			var more int64
			if err := db.QueryRowContext(ctx, `SELECT max(n) FROM seals NOT INDEXED`).Scan(&more); err != nil || n > more {
				return
			}
			if s, err := scan(db.QueryRowContext(ctx, query+`WHERE n = ?`, n)); err == nil {
				_ = add(s)
			}
		}
	}
	take(r.own)
	r.acts = soundActs(ctx, r.own, nil)
	if r.source != nil {
		sourceActs := soundActs(ctx, r.source, nil)
		if len(r.order) == 0 || sameLedger(r.acts, sourceActs) {
			take(r.source)
		}
		r.acts = soundActs(ctx, r.own, sourceActs)
	}
	slices.SortFunc(r.order, func(a, b *ownSeal) int { return int(a.n - b.n) })
}

// sameLedger tells whether a backup is of this very stock: its acts are those with which
// this one began.
func sameLedger(own, backup []act) bool {
	if len(own) == 0 || len(backup) == 0 {
		return false
	}
	same := 0
	for i := range min(len(own), len(backup)) {
		if own[i].head == backup[i].head && own[i].at == backup[i].at {
			same++
		}
	}
	return 2*same > min(len(own), len(backup))
}

// soundActs are the acts of a ledger. Where one is not what was written, that of the
// backup takes its place, if it fits.
func soundActs(ctx context.Context, db *sql.DB, backup []act) (out []act) {
	var list []act
	_ = each(ctx, db, scanAct, func(a act) error { list = append(list, a); return nil }, `SELECT `+actColumns+` FROM acts ORDER BY n`)
	var before []byte
	for i := 0; i < max(len(list), len(backup)); i++ {
		var own, other *act
		if i < len(list) {
			own = &list[i]
		}
		if i < len(backup) {
			other = &backup[i]
		}
		fits := func(a *act) bool { return a != nil && string(a.seal) == string(a.sealAfter(before)) }
		switch {
		case fits(own):
			out = append(out, *own)
		case fits(other):
			out = append(out, *other)
		case own != nil:
			// Either its text or its seal is damaged; the next act's seal tells which.
			a := *own
			a.seal = a.sealAfter(before)
			if i+1 < len(list) && string(list[i+1].seal) != string(list[i+1].sealAfter(a.seal)) && len(backup) > 0 {
				a.seal = own.seal
			}
			out = append(out, a)
		default:
			return out
		}
		before = out[i].seal
	}
	return out
}

// build writes the new database.
func (r *repair) build(ctx context.Context, path string) (err error) {
	db, err := sql.Open("sqlite", dsn(path, "_txlock=immediate", "_pragma=synchronous(FULL)", "_pragma=journal_mode(DELETE)"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	sqlTx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	t := &tx{Tx: sqlTx, ctx: ctx, today: DateOf(r.opt.Now()), dirty: map[string]bool{}, ranks: map[string]int{}, ready: map[string]*sql.Stmt{}}
	if err := r.fill(ctx, t); err != nil {
		return errors.Join(err, ignoreDone(sqlTx.Rollback()))
	}
	return sqlTx.Commit()
}

func (r *repair) fill(ctx context.Context, t *tx) error {
	for _, step := range r.opt.steps {
		if _, err := t.Tx.ExecContext(ctx, step); err != nil {
			return err
		}
	}
	if _, err := t.Tx.ExecContext(ctx, fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d; PRAGMA defer_foreign_keys = 1`, applicationID, len(r.opt.steps))); err != nil {
		return err
	}
	for _, a := range r.acts {
		if _, err := t.ExecContext(ctx, `INSERT INTO acts (`+actColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?)`, a.n, a.at, a.what, a.undoes, a.facts, a.head, a.seal); err != nil {
			return err
		}
	}
	taken := map[string]map[int64]bool{}
	last := map[string]int64{}
	for _, p := range r.put {
		last[p.f.kind] = max(last[p.f.kind], p.seq)
	}
	bySeal := map[[2]string]int64{}
	for i, p := range r.put {
		if taken[p.f.kind] == nil {
			taken[p.f.kind] = map[int64]bool{}
		}
		if p.f.numbered() && (p.seq == 0 || taken[p.f.kind][p.seq]) {
			last[p.f.kind]++
			r.put[i].seq = last[p.f.kind]
		}
		taken[p.f.kind][r.put[i].seq] = true
		id, _ := p.values[0].(string)
		bySeal[[2]string{p.f.kind, id}] = r.put[i].seq
		if err := t.putFact(r.put[i]); err != nil {
			return fmt.Errorf("%s %s: %w", p.f.kind, id, err)
		}
	}
	var sum lattice
	for _, s := range r.order {
		sum.add(s.d)
		var seq any = s.seq
		if s.kind == "file" {
			seq = nil
		} else if n := bySeal[[2]string{s.kind, s.id}]; n > 0 {
			seq = n
		}
		if _, err := t.ExecContext(ctx, `INSERT INTO seals (n, act, kind, id, fact, digest) VALUES (?, ?, ?, ?, ?, ?)`, s.n, s.act, s.kind, s.id, seq, s.d[:]); err != nil {
			return err
		}
	}
	if _, err := t.ExecContext(ctx, `INSERT INTO ledger (one, facts, state) VALUES (1, ?, ?)`, len(r.order), sum.bytes()); err != nil {
		return err
	}
	// The head of the last act is that of its seals, if they are all there.
	var rows []derivedRow
	if err := eachHistory(ctx, t, true, func(_ string, h History) error {
		rows = append(rows, h.row(t.today))
		return nil
	}); err != nil {
		return err
	}
	for _, row := range rows {
		if row.ID == "" {
			continue
		}
		if err := t.putRow(row); err != nil {
			return err
		}
	}
	return nil
}

// putFact writes a fact as it was read.
func (t *tx) putFact(p putFact) error {
	names := slices.Clone(p.f.columns)
	values := slices.Clone(p.values)
	var result, recordings any
	switch p.f.kind {
	case "event":
		names[len(names)-1] = "fields"
	case "test":
		result, recordings = values[10], values[11]
		names, values = names[:10], values[:10]
		var test Test
		var b grading.Blank
		raw, _ := result.(string)
		if json.Unmarshal([]byte(raw), &b) == nil {
			test.take(b)
		} else {
			test.Score, test.Hz, test.Q, test.Density, test.SpecificModulus = measure.Unknown(""), measure.Unknown(""), measure.Unknown(""), measure.Unknown(""), measure.Unknown("")
		}
		names = append(names, "verdict")
		values = append(values, string(test.Verdict))
		for i, v := range []measure.Value{test.Score, test.Hz, test.Q, test.Density, test.SpecificModulus} {
			name := []string{"score", "hz", "q", "density_kg_m3", "specific_modulus_mj_kg"}[i]
			names = append(names, name, name+"_u")
			values = append(values, columns(v)...)
		}
	}
	if p.f.numbered() {
		names, values = append(names, "seq"), append(values, p.seq)
	}
	marks := strings.Repeat("?, ", len(names)-1) + "?"
	if _, err := t.ExecContext(t.ctx, `INSERT INTO `+p.f.table+` (`+strings.Join(names, ", ")+`) VALUES (`+marks+`)`, values...); err != nil {
		return err
	}
	if p.f.kind != "test" {
		return nil
	}
	if result != nil {
		if _, err := t.ExecContext(t.ctx, `INSERT INTO results (test, result) VALUES (?, ?)`, p.values[0], result); err != nil {
			return err
		}
	}
	var list [][4]any
	raw, _ := recordings.(string)
	if err := json.Unmarshal([]byte(raw), &list); err != nil {
		return nil // a check names it
	}
	for _, x := range list {
		if f, ok := x[1].(float64); ok {
			x[1] = int64(f)
		}
		if _, err := t.ExecContext(t.ctx, `INSERT INTO test_recordings (test, role, position, sha256, name) VALUES (?, ?, ?, ?, ?)`, p.values[0], x[0], x[1], x[2], x[3]); err != nil {
			return err
		}
	}
	return nil
}

// swap puts the new database in the place of the damaged one, which is kept.
func (r *repair) swap(path, fresh string) error {
	if err := syncFile(fresh); err != nil {
		return err
	}
	if err := r.own.Close(); err != nil {
		return err
	}
	if r.original != nil {
		if err := r.original.Close(); err != nil {
			return err
		}
	}
	dir := filepath.Join(r.dir, backupsName)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	stem := "damaged-" + r.opt.Now().UTC().Format("20060102T150405.000000")
	for n := 1; ; n++ {
		r.out.Kept = filepath.Join(dir, fmt.Sprintf("%s-%d.db", stem, n))
		if _, err := os.Lstat(r.out.Kept); errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	for _, end := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+end, r.out.Kept+end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	if err := os.Rename(fresh, path); err != nil {
		return err
	}
	if err := os.Remove(filepath.Join(r.dir, headName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return errors.Join(syncDir(dir), syncDir(r.dir))
}

// bringFiles copies recordings and papers that are missing or altered from the backup.
func (r *repair) bringFiles(ctx context.Context) error {
	kept := keeper{dir: r.dir}
	for _, p := range r.put {
		if p.f.kind != "file" {
			continue
		}
		fact, _, err := p.f.fact(p.values)
		f, ok := fact.(File)
		if err != nil || !ok || f.valid() != nil {
			continue
		}
		here := filepath.Join(r.dir, f.name())
		if got, err := hashPath(here); err == nil && got == f.SHA256 {
			continue
		}
		if r.source == nil {
			continue
		}
		from := filepath.Join(r.sourceDir, f.name())
		if got, err := hashPath(from); err != nil || got != f.SHA256 {
			continue
		}
		if err := os.Rename(here, here+".damaged"); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if _, err := kept.keepPath(f.Kind, from); err != nil {
			return err
		}
		r.out.Files = append(r.out.Files, f.name())
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return kept.sync()
}

// Proof says whether what a head stood for is still in the ledger.
type Proof struct {
	Head    string   `json:"head"`
	Proven  bool     `json:"proven"`
	Facts   int      `json:"facts"` // that the head stands for
	Since   int      `json:"since"` // facts that came in afterwards
	At      string   `json:"at"`    // when the ledger had this head
	Reasons []string `json:"reasons"`
}

// Prove looks whether the ledger once had a head, and whether every fact it stood for is
// still there as it was. With, the folder of a backup or an export, helps where the facts
// came from another stock: its head is computed and each of its facts is looked for.
func (s *Store) Prove(ctx context.Context, head, with string) (p Proof, err error) {
	p = Proof{Head: head, Reasons: []string{}}
	h, err := s.check(ctx, true, false)
	if err != nil {
		return p, err
	}
	var digests []digest
	if with != "" {
		opt := s.opt
		db, dir, err := openSource(ctx, opt, with)
		if err != nil {
			return p, err
		}
		defer db.Close()
		if dir != with && strings.HasPrefix(dir, os.TempDir()) {
			defer os.RemoveAll(dir)
		}
		var sum lattice
		for _, f := range factTables {
			if err := f.each(ctx, db, func(r rawFact) error {
				d := f.seal(r.values)
				if f.kind == "writing" {
					if d, err = sealWriting(ctx, db, r); err != nil {
						return err
					}
				}
				sum.add(d)
				digests = append(digests, d)
				return ctx.Err()
			}); err != nil {
				return p, err
			}
		}
		if got := sum.head(len(digests)); got.Text != head {
			p.Reasons = append(p.Reasons, fmt.Sprintf("%s has the head %s, not this one", with, got.Text))
			return p, nil
		}
		here := map[digest]bool{}
		if err := each(ctx, s.db, scanDigest, func(d digest) error { here[d] = true; return nil }, `SELECT digest FROM seals`); err != nil {
			return p, s.explain(err)
		}
		missing := 0
		for _, d := range digests {
			if !here[d] {
				missing++
			}
		}
		p.Facts, p.Since = len(digests), h.Facts-len(digests)+missing
		if missing > 0 {
			p.Reasons = append(p.Reasons, fmt.Sprintf("%d of the %d facts it stands for are not in this ledger", missing, len(digests)))
		}
	} else if err := s.proveHere(ctx, &p, h); err != nil {
		return p, err
	}
	if !h.OK {
		p.Reasons = append(p.Reasons, "the ledger is not sound as it is: `ringstock stock check` says where")
	}
	p.Proven = len(p.Reasons) == 0
	return p, nil
}

func scanDigest(row scanner) (d digest, err error) {
	var b []byte
	err = row.Scan(&b)
	copy(d[:], b)
	return d, err
}

// proveHere follows the seals in the order in which they came, act by act.
func (s *Store) proveHere(ctx context.Context, p *Proof, h Health) error {
	return s.read(ctx, func(q querier) error {
		acts, err := actsOf(ctx, q)
		if err != nil {
			return err
		}
		var sum lattice
		n, i := 0, 0
		found := false
		if err := each(ctx, q, scanDigest, func(d digest) error {
			for i < len(acts) && acts[i].facts <= n {
				i++
			}
			sum.add(d)
			n++
			if i < len(acts) && acts[i].facts == n && acts[i].head == p.Head {
				if got := sum.head(n); got.Text == p.Head {
					found, p.Facts, p.At = true, n, acts[i].at
				}
			}
			return ctx.Err()
		}, `SELECT digest FROM seals ORDER BY n`); err != nil {
			return err
		}
		p.Since = h.Facts - p.Facts
		if !found {
			p.Since = 0
			p.Reasons = append(p.Reasons, "this ledger never had this head, or what it stood for was altered. If it is the head of another stock that was brought in here, give that stock's backup or export with --with")
		}
		return nil
	})
}

// definition is one row of the schema table.
type definition struct {
	row                    int64
	kind, name, table, sql string
}

func definitions(ctx context.Context, q querier) ([]definition, error) {
	return all(ctx, q, func(row scanner) (d definition, err error) {
		return d, row.Scan(&d.row, &d.kind, &d.name, &d.table, &d.sql)
	}, `SELECT rowid, coalesce(type, ''), coalesce(name, ''), coalesce(tbl_name, ''), coalesce(sql, '') FROM sqlite_master ORDER BY rowid`)
}

// readable gives a database whose definitions can be understood: the one that is there,
// or a copy in which damaged definitions were written anew, for a damaged word among them
// keeps SQLite from reading anything at all.
func (r *repair) readable(ctx context.Context, path string) error {
	reference, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return err
	}
	defer reference.Close()
	reference.SetMaxOpenConns(1)
	for _, step := range r.opt.steps {
		if _, err := reference.ExecContext(ctx, step); err != nil {
			return err
		}
	}
	want, err := definitions(ctx, reference)
	if err != nil {
		return err
	}
	sound := func(d definition, list []definition) bool {
		return slices.ContainsFunc(list, func(w definition) bool {
			return w.kind == d.kind && w.name == d.name && w.table == d.table && w.sql == d.sql
		})
	}
	have, err := definitions(ctx, r.own)
	if err == nil && !slices.ContainsFunc(want, func(w definition) bool { return !sound(w, have) && w.kind != "trigger" }) {
		return nil
	}
	// The copy is only read; its damage does no harm.
	r.copy = filepath.Join(r.dir, databaseName+".reading")
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + end)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err := errors.Join(err, os.WriteFile(r.copy+end, b, 0o600)); err != nil {
			return err
		}
	}
	patched, err := sql.Open("sqlite", dsn(r.copy, "_pragma=writable_schema(1)", "_pragma=busy_timeout(60000)"))
	if err != nil {
		return err
	}
	patched.SetMaxOpenConns(1)
	_, _ = definitions(ctx, patched) // the first look may fail, the next one sees what can be seen
	have, err = definitions(ctx, patched)
	if err == nil {
		var missing []definition
		for _, w := range want {
			if w.kind == "table" && !sound(w, have) {
				missing = append(missing, w)
			}
		}
		for _, h := range have {
			switch {
			case sound(h, want) || h.sql == "" && strings.HasPrefix(h.name, "sqlite_"):
			case h.kind == "trigger" || h.kind == "index" || len(missing) == 0:
				_, err = patched.ExecContext(ctx, `DELETE FROM sqlite_master WHERE rowid = ?`, h.row)
			default:
				_, err = patched.ExecContext(ctx, `UPDATE sqlite_master SET type = 'table', name = ?, tbl_name = ?, sql = ? WHERE rowid = ?`, missing[0].name, missing[0].name, missing[0].sql, h.row)
				missing = missing[1:]
			}
			if err != nil {
				break
			}
		}
	}
	if e := patched.Close(); e != nil && err == nil {
		err = e
	}
	if err != nil {
		return nil // all comes from the backup
	}
	db, err := sql.Open("sqlite", dsn(r.copy, "_pragma=writable_schema(1)", "_pragma=busy_timeout(60000)", "_pragma=ignore_check_constraints(1)"))
	if err != nil {
		return nil
	}
	_, _ = definitions(ctx, db)
	r.original, r.own = r.own, db
	return nil
}
