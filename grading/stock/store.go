package stock

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/base32"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Names inside the folder of a stock.
const (
	databaseName = "stock.db"
	headName     = "ledger.head"
	backupsName  = "backups"
)

// applicationID marks our databases among all SQLite files: "RING" in ASCII.
const applicationID = 0x52494E47

// Options says where a stock lies and gives it the two things it may not fetch itself.
type Options struct {
	Dir    string           // the folder
	Now    func() time.Time // the clock
	Create bool             // make the stock if there is none
	Meant  bool             // what would be asked back is meant: enter it

	// JudgeFor gives today's judge by a profile; without it no stick is judged anew.
	JudgeFor func(profile string) (Judge, error)

	steps []string // schema steps; nil = those of this program
}

// Store is an open stock. It may be used by several goroutines, and several
// programs may have the same stock open.
type Store struct {
	opt Options
	db  *sql.DB
}

// ErrNotFound is wrapped where a stick is asked for that the stock does not have.
var ErrNotFound = errors.New("there is no such stick")

// notFound is an ErrNotFound that names what was asked for.
type notFound string

func (n notFound) Error() string        { return string(n) }
func (n notFound) Is(target error) bool { return target == ErrNotFound }

// ErrNone is wrapped by Open when the folder holds no stock and none was to be made.
var ErrNone = errors.New("there is no stock")

// Open opens the stock in a folder, upgrading an older schema after a backup copy.
// It refuses, with the way out, whatever is not an undamaged stock of a known schema.
func Open(ctx context.Context, opt Options) (*Store, error) {
	if opt.steps == nil {
		opt.steps = schema()
	}
	path := filepath.Join(opt.Dir, databaseName)
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if !opt.Create {
			return nil, fmt.Errorf("%w in %s yet: `ringstock stock add FOLDER` makes one from a delivery, --stock-dir names another place", ErrNone, opt.Dir)
		}
		if err := os.MkdirAll(opt.Dir, 0o777); err != nil {
			return nil, fmt.Errorf("can't make the folder of the stock: %w", err)
		}
		// A ledger that remembers events without its database is a loss, not a new stock.
		if head, err := readHead(opt.Dir); err != nil || head > 0 {
			return nil, errors.Join(err, lostEvents(opt.Dir, head, 0))
		}
	} else if err != nil {
		return nil, fmt.Errorf("can't open the stock: %w", err)
	} else if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a file: move it away, or name another folder with --stock-dir", path)
	} else if err := probe(ctx, path); err != nil {
		return nil, err
	}
	if err := writable(opt.Dir); err != nil {
		return nil, err
	}

	db, err := sql.Open("sqlite", dsn(path, "_txlock=immediate",
		"_pragma=busy_timeout(60000)", "_pragma=journal_mode(WAL)", "_pragma=synchronous(FULL)", "_pragma=foreign_keys(1)", "_pragma=cache_size(-32000)"))
	if err != nil {
		return nil, explain(path, err)
	}
	s := &Store{opt: opt, db: db}
	if err := s.upgrade(ctx); err != nil {
		return nil, errors.Join(explain(path, err), db.Close())
	}
	if err := s.checkHead(ctx); err != nil {
		return nil, errors.Join(explain(path, err), db.Close())
	}
	if err := s.renewToday(ctx); err != nil {
		return nil, errors.Join(explain(path, err), db.Close())
	}
	return s, nil
}

// Close ends the use of the stock.
func (s *Store) Close() error { return s.db.Close() }

// Dir is the folder of the stock.
func (s *Store) Dir() string { return s.opt.Dir }

// Today is the date by the stock's clock, in local time.
func (s *Store) Today() Date { return DateOf(s.opt.Now()) }

func dsn(path string, query ...string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: strings.Join(query, "&")}
	return u.String()
}

// probe looks at a database without changing a byte of it: setting the pragmas of a
// stock would already turn somebody else's file into WAL mode.
func probe(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, "mode=ro", "_pragma=busy_timeout(60000)"))
	if err != nil {
		return explain(path, err)
	}
	defer db.Close()
	var id, tables int
	if err := db.QueryRowContext(ctx, `PRAGMA application_id`).Scan(&id); err != nil {
		return explain(path, err)
	}
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master`).Scan(&tables); err != nil {
		return explain(path, err)
	}
	if id != applicationID && tables > 0 {
		return fmt.Errorf("%s is a database of another program: move it away, or name another folder with --stock-dir", path)
	}
	return nil
}

// writable finds out before SQLite does, whose message would name no folder.
func writable(dir string) error {
	f, err := os.CreateTemp(dir, ".writable-*")
	if err != nil {
		return fmt.Errorf("the folder of the stock can't be written (%w): give yourself the right to write there, or copy the whole folder and name the copy with --stock-dir", err)
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// explain puts the path and the way out to an error of the database.
func explain(path string, err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%s is not a database (%w): move it away, or put back the latest copy from a backup", path, err)
	case sqlite3.SQLITE_CORRUPT:
		return fmt.Errorf("%s is damaged (%w): write nothing more to it, copy the folder to a safe place, then `ringstock stock repair --from BACKUP` saves what can be read and takes the rest from a backup or an export", path, err)
	case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return fmt.Errorf("%s can't be opened (%w): see whether the folder exists and you may read and write in it", path, err)
	case sqlite3.SQLITE_READONLY:
		return fmt.Errorf("%s can't be written (%w): give yourself the right to write to the file and its folder", path, err)
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("the disk of %s is full (%w): nothing was entered and nothing is lost; make space and do it again", path, err)
	case sqlite3.SQLITE_IOERR:
		return fmt.Errorf("reading or writing %s failed (%w): nothing was entered; see whether the disk is full or faulty, then do it again", path, err)
	case sqlite3.SQLITE_BUSY:
		return fmt.Errorf("another program has been holding %s for a minute (%w): close it and do it again", path, err)
	}
	return fmt.Errorf("%s: %w", path, err)
}

// querier is what reading needs: a database, a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// read runs do on one state of the stock, whatever others write meanwhile.
func (s *Store) read(ctx context.Context, do func(q querier) error) error {
	return s.readAtOnce(ctx, do)
}

// readAtOnce runs several readers at the same time, all on one state of the stock.
func (s *Store) readAtOnce(ctx context.Context, readers ...func(q querier) error) (err error) {
	var conns []*sql.Conn
	defer func() {
		for _, c := range conns {
			_, e := c.ExecContext(context.WithoutCancel(ctx), `ROLLBACK`)
			err = errors.Join(err, e, c.Close())
		}
		err = s.explain(err)
	}()
	begin := func(how string) (*sql.Conn, error) {
		c, err := s.db.Conn(ctx)
		if err != nil {
			return nil, err
		}
		if _, err := c.ExecContext(ctx, how); err != nil {
			return nil, errors.Join(err, c.Close())
		}
		return c, nil
	}
	var door *sql.Conn // held shut against writers until every reader has its state
	if len(readers) > 1 {
		if door, err = begin(`BEGIN IMMEDIATE`); err != nil {
			return err
		}
	}
	for range readers {
		var c *sql.Conn
		if c, err = begin(`BEGIN`); err != nil {
			break
		}
		conns = append(conns, c)
		if _, err = lastEvent(ctx, c); err != nil { // the state is taken at the first look
			break
		}
	}
	if door != nil {
		_, e := door.ExecContext(context.WithoutCancel(ctx), `ROLLBACK`)
		err = errors.Join(err, e, door.Close())
	}
	if err != nil {
		return err
	}
	g := new(errgroup.Group)
	for i, do := range readers {
		g.Go(func() error { return do(conns[i]) })
	}
	return g.Wait()
}

func (s *Store) explain(err error) error {
	return explain(filepath.Join(s.opt.Dir, databaseName), err)
}

// tx is one act of writing: all of it is entered, or nothing.
type tx struct {
	*sql.Tx
	ctx   context.Context
	today Date
	now   time.Time       // of the last event; every event gets a later time
	dirty map[string]bool // sticks whose derived row must be renewed
	files []string        // SHA-256 of the files that this act entered
	ranks map[string]int  // of what this act says of a stick or lot
	ready map[string]*sql.Stmt
}

// prepared parses a statement once in an act: one on hundreds of sticks says the same
// few over and over. They end with the transaction.
func (t *tx) prepared(ctx context.Context, query string) (*sql.Stmt, error) {
	if s := t.ready[query]; s != nil {
		return s, nil
	}
	s, err := t.PrepareContext(ctx, query)
	if err == nil {
		t.ready[query] = s
	}
	return s, err
}

func (t *tx) ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error) {
	s, err := t.prepared(ctx, query)
	if err != nil {
		return nil, err
	}
	return s.ExecContext(ctx, args...)
}

func (t *tx) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	s, err := t.prepared(ctx, query)
	if err != nil {
		return nil, err
	}
	return s.QueryContext(ctx, args...)
}

func (t *tx) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	s, err := t.prepared(ctx, query)
	if err != nil {
		return t.Tx.QueryRowContext(ctx, query, args...) // a row can tell of the error
	}
	return s.QueryRowContext(ctx, args...)
}

// write runs do in one transaction, renews the derived rows of the sticks it touched,
// seals the facts it entered, commits, and notes how far the ledger has come. What says
// in a few words what is done.
func (s *Store) write(ctx context.Context, what string, do func(t *tx) error) error {
	return s.writeAct(ctx, what, 0, do)
}

func (s *Store) writeAct(ctx context.Context, what string, undoes int64, do func(t *tx) error) error {
	sqlTx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return s.explain(err)
	}
	t := &tx{Tx: sqlTx, ctx: ctx, today: s.Today(), dirty: map[string]bool{}, ranks: map[string]int{}, ready: map[string]*sql.Stmt{}}
	var head Head
	last, err := func() (int64, error) {
		if err := t.setClock(s.opt.Now()); err != nil {
			return 0, err
		}
		before, err := lastRows(ctx, t)
		if err != nil {
			return 0, err
		}
		if err := do(t); err != nil {
			return 0, err
		}
		if err := t.derive(); err != nil {
			return 0, err
		}
		if head, err = t.seal(what, undoes, before); err != nil {
			return 0, err
		}
		return lastEvent(ctx, t)
	}()
	if err != nil {
		return s.explain(errors.Join(err, ignoreDone(t.Rollback())))
	}
	if err := t.Commit(); err != nil {
		return s.explain(errors.Join(err, ignoreDone(t.Rollback())))
	}
	return writeHead(s.opt.Dir, last, head)
}

func ignoreDone(err error) error {
	if errors.Is(err, sql.ErrTxDone) {
		return nil
	}
	return err
}

const timeFormat = "2006-01-02T15:04:05.000000Z"

// setClock makes sure that what is written later also says so, even by a clock that
// stands still or was put back a little: the order of events of one day hangs on it.
func (t *tx) setClock(now time.Time) error {
	t.now = now.UTC()
	var last string
	err := t.QueryRowContext(t.ctx, `SELECT recorded_at FROM events ORDER BY seq DESC LIMIT 1`).Scan(&last)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	if l, err := time.Parse(timeFormat, last); err == nil && !l.Before(t.now) && l.Sub(t.now) < time.Hour {
		t.now = l.Add(time.Microsecond)
	}
	return nil
}

func (t *tx) tick() string {
	at := t.now.Format(timeFormat)
	t.now = t.now.Add(time.Microsecond)
	return at
}

// Ids are 16 letters and digits (80 bits) in Crockford's alphabet, which has no
// i, l, o and u to be misread on a label.
var idAlphabet = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

const idLength = 16

// idOf is the id of something that is known by what it says: two stocks that enter
// the same thing give it the same id.
func idOf(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return idAlphabet.EncodeToString(h.Sum(nil)[:10])
}

// idAt is the id of something that may be said twice in the same words: the moment and
// the rank make the difference.
func idAt(id, recordedAt string, rank int) string {
	return idOf("at", id, recordedAt, strconv.Itoa(rank))
}

// rank is 1 more than that of all that is known of a stick or of a lot.
func (t *tx) rank(blank, lot string) (int, error) {
	key := blank + "/" + lot
	if r, ok := t.ranks[key]; ok {
		return r, nil
	}
	query, name := `SELECT max(coalesce((SELECT max(rank) FROM events WHERE blank = ?1), 0), coalesce((SELECT max(rank) FROM readings WHERE blank = ?1), 0),
		coalesce((SELECT max(rank) FROM tests WHERE blank = ?1), 0))`, blank
	if blank == "" {
		query, name = `SELECT max(coalesce((SELECT max(rank) FROM events WHERE lot = ?1), 0), coalesce((SELECT max(rank) FROM lot_records WHERE lot = ?1), 0),
			coalesce((SELECT max(rank) FROM documents WHERE lot = ?1), 0))`, lot
	}
	var r int
	if err := t.QueryRowContext(t.ctx, query, name).Scan(&r); err != nil {
		return 0, err
	}
	t.ranks[key] = r + 1
	return r + 1, nil
}

func isID(s string) bool {
	b, err := idAlphabet.DecodeString(s)
	return err == nil && len(b) == 10 && len(s) == idLength
}

func lastEvent(ctx context.Context, q querier) (n int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM events`).Scan(&n)
	return n, err
}

// The head file holds the number of the last event and the head of the ledger. It is
// written after the commit, so a database that is behind it has lost events, as when its
// -wal file was cut off.
const (
	headText  = "last event in the ledger: %019d\n"
	headText2 = "head of the %d facts in it: %s\n"
)

func writeHead(dir string, n int64, head Head) error {
	f, err := os.OpenFile(filepath.Join(dir, headName), os.O_WRONLY|os.O_CREATE, 0o666)
	if err != nil {
		return fmt.Errorf("what was to be entered is in the stock, but its head file can't be written: %w", err)
	}
	_, err = f.WriteAt(fmt.Appendf(fmt.Appendf(nil, headText, n), headText2, head.Facts, head.Text), 0)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("what was to be entered is in the stock, but its head file can't be written: %w", err)
	}
	return nil
}

func readHead(dir string) (n int64, err error) {
	path := filepath.Join(dir, headName)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(b) == 0 {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	if _, err := fmt.Sscanf(string(b), headText, &n); err != nil {
		return 0, fmt.Errorf("%s can't be understood: run `ringstock stock check`; if the ledger is complete, delete this file", path)
	}
	return n, nil
}

func (s *Store) checkHead(ctx context.Context) error {
	head, err := readHead(s.opt.Dir)
	if err != nil {
		return err
	}
	last, err := lastEvent(ctx, s.db)
	if err != nil {
		return err
	}
	switch {
	case last < head:
		return lostEvents(s.opt.Dir, head, last)
	case head == 0:
		now, err := s.Head(ctx)
		return errors.Join(err, writeHead(s.opt.Dir, last, now))
	}
	return nil
}

// notedHead is the head that the head file tells of, or an empty one.
func notedHead(dir string) (h Head) {
	b, err := os.ReadFile(filepath.Join(dir, headName))
	if _, second, ok := strings.Cut(string(b), "\n"); err == nil && ok {
		if _, err := fmt.Sscanf(second, headText2, &h.Facts, &h.Text); err != nil {
			return Head{}
		}
	}
	return h
}

func lostEvents(dir string, head, last int64) error {
	return fmt.Errorf("the ledger in %s ends at event %d, but %d were entered: the file %s or its %s-wal was cut, lost or replaced. Put back the latest backup; if you put an older copy there on purpose, delete %s",
		dir, last, head, databaseName, databaseName, filepath.Join(dir, headName))
}
