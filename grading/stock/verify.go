package stock

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"ringstock/grading"
)

// verified is what the facts of one kind were found to be.
type verified struct {
	sum    lattice // of what the facts say now
	facts  int
	faults []fault
}

// fault is a fact that is not what was sealed.
type fault struct {
	kind, id string
	seq      int64
	what     string // "is not what was entered" ...
	names    string // the stick or lot, and what the entry says now, as far as it can be read
}

func (f fault) String() string {
	return fmt.Sprintf("the %s %s%s %s (table %s, seq %d)", f.kind, f.id, f.names, f.what, tableOf(f.kind).table, f.seq)
}

const (
	altered = "is not what was entered"
	gone    = "was taken out or can't be read"
	foreign = "was put in by another program"
	unsaid  = "has an id that does not follow from what it says"
	figured = "has figures or a verdict in its row that are not those of its result"
)

// sealRow is one row of seals, as far as a check needs it.
type sealRow struct {
	seq    int64
	id     string
	digest []byte
}

// verifyFacts reads every fact of one kind and compares it with its seal. Without results
// it only looks whether each test is there, and takes its seal as it is.
func (s *Store) verifyFacts(ctx context.Context, q querier, f factTable, results bool) (v verified, err error) {
	bare := f.kind == "test" && !results
	if bare {
		f.columns = f.columns[:10]
	}
	order := "fact"
	if !f.numbered() {
		order = "id"
	}
	seals := newGroups(ctx, q, func(row scanner) (r sealRow, err error) {
		var seq sql.NullInt64
		err = row.Scan(&seq, &r.id, &r.digest)
		r.seq = seq.Int64
		return r, err
	}, nil, `SELECT fact, id, digest FROM seals WHERE kind = '`+f.kind+`' ORDER BY `+order)
	defer func() { err = errors.Join(err, seals.close()) }()
	work := newSealer(f)
	before := func(a sealRow, r rawFact) bool {
		if f.numbered() {
			return a.seq < r.seq
		}
		return a.id < r.id()
	}
	missing := func(a sealRow) { v.faults = append(v.faults, fault{f.kind, a.id, a.seq, gone, ""}) }
	err = f.each(ctx, q, func(r rawFact) error {
		for seals.more && before(seals.next, r) {
			missing(seals.next)
			seals.advance()
		}
		item := sealed{raw: r}
		if seals.more && (seals.next.seq == r.seq && f.numbered() || !f.numbered() && seals.next.id == r.id()) {
			item.seal = &sealRow{seals.next.seq, seals.next.id, seals.next.digest}
			seals.advance()
		}
		if bare && item.seal != nil {
			var d digest
			copy(d[:], item.seal.digest)
			item.fixed, item.bare = &d, true
		}
		if f.kind == "writing" {
			d, err := sealWriting(ctx, q, r)
			if err != nil {
				d = digest{}
			}
			item.fixed = &d
		}
		return work.do(ctx, item)
	})
	for ; seals.more && ctx.Err() == nil; seals.advance() {
		missing(seals.next)
	}
	found, e := work.wait()
	v.sum, v.facts = found.sum, found.facts
	v.faults = append(v.faults, found.faults...)
	return v, errors.Join(err, e)
}

// sealed is a fact with the seal that belongs to it, if there is one.
type sealed struct {
	raw   rawFact
	seal  *sealRow
	fixed *digest // for a kind whose seal is not made from its own columns
	bare  bool    // not all that the seal covers was read
}

// sealer compares facts with their seals on every processor.
type sealer struct {
	f     factTable
	batch []sealed
	jobs  chan []sealed
	group *errgroup.Group
	parts []verified
}

func newSealer(f factTable) *sealer {
	w := &sealer{f: f, jobs: make(chan []sealed, 4), group: new(errgroup.Group), parts: make([]verified, runtime.GOMAXPROCS(0))}
	for i := range w.parts {
		w.group.Go(func() error {
			for batch := range w.jobs {
				for _, item := range batch {
					w.parts[i].take(f, item)
				}
			}
			return nil
		})
	}
	return w
}

func (w *sealer) do(ctx context.Context, item sealed) error {
	if w.batch = append(w.batch, item); len(w.batch) < 64 {
		return nil
	}
	select {
	case w.jobs <- w.batch:
	case <-ctx.Done():
		return ctx.Err()
	}
	w.batch = nil
	return nil
}

func (w *sealer) wait() (v verified, err error) {
	w.jobs <- w.batch
	close(w.jobs)
	err = w.group.Wait()
	for i := range w.parts {
		v.sum.merge(&w.parts[i].sum)
		v.facts += w.parts[i].facts
		v.faults = append(v.faults, w.parts[i].faults...)
	}
	slices.SortFunc(v.faults, func(a, b fault) int { return int(a.seq - b.seq) })
	return v, err
}

func (v *verified) take(f factTable, item sealed) {
	r := item.raw
	var d digest
	if item.fixed != nil {
		d = *item.fixed
	} else {
		d = f.seal(r.values)
	}
	v.sum.add(d)
	v.facts++
	wrong := func(what string) {
		v.faults = append(v.faults, fault{f.kind, r.id(), r.seq, what, f.describe(r.values)})
	}
	switch {
	case item.seal == nil:
		wrong(foreign)
	case !bytes.Equal(item.seal.digest, d[:]) || item.seal.id != r.id():
		wrong(altered)
	case !item.bare:
		if what := f.recompute(r.values); what != "" {
			wrong(what)
		}
	}
}

// each reads all facts of a kind in the order of their rows. Where a page can't be read
// it goes on behind it, by the numbers that the seals name; the first error is returned
// at the end. Numbers that do not rise mean that the table leads round in circles.
func (f factTable) each(ctx context.Context, q querier, do func(rawFact) error) error {
	if !f.numbered() {
		last := ""
		return each(ctx, q, f.scan, func(r rawFact) error {
			if r.id() <= last && last != "" {
				return errors.New("the table files leads round in circles")
			}
			last = r.id()
			return do(r)
		}, f.query("", "ORDER BY f.sha256"))
	}
	var last int64
	var broken error
	err := each(ctx, q, f.scan, func(r rawFact) error {
		if r.seq <= last {
			return fmt.Errorf("the table %s leads round in circles", f.table)
		}
		last = r.seq
		if broken = do(r); broken != nil {
			return broken
		}
		return nil
	}, f.query("", "ORDER BY f.seq"))
	if err == nil || broken != nil || ctx.Err() != nil {
		return err
	}
	rest, e := all(ctx, q, func(row scanner) (n int64, err error) { return n, row.Scan(&n) }, `SELECT fact FROM seals WHERE kind = ? AND fact > ? ORDER BY fact`, f.kind, last)
	if e != nil {
		return errors.Join(err, e)
	}
	for _, n := range rest {
		r, e := f.scan(q.QueryRowContext(ctx, f.query("WHERE f.seq = ?", ""), n))
		if e != nil {
			continue
		}
		if e := do(r); e != nil {
			return errors.Join(err, e)
		}
	}
	return err
}

// fact makes of the values of a row what it says.
func (f factTable) fact(values []any) (any, json.RawMessage, error) {
	str := func(i int) string { s, _ := values[i].(string); return s }
	num := func(i int) int { n, _ := values[i].(int64); return int(n) }
	float := func(i int) float64 { x, _ := values[i].(float64); return x }
	maybe := func(i int) *float64 {
		if x, ok := values[i].(float64); ok {
			return &x
		}
		return nil
	}
	switch f.kind {
	case "file":
		n, _ := values[3].(int64)
		return File{str(0), FileKind(str(1)), str(2), n}, nil, nil
	case "lot":
		l := lotFact{ID: str(0), RecordedAt: str(1), Rank: num(2), Date: Date(str(4))}
		return l, nil, json.Unmarshal([]byte(str(5)), &l.Record)
	case "document":
		return Document{ID: str(0), RecordedAt: str(1), Rank: num(2), Lot: str(3), Kind: str(4), Number: str(5), Issuer: str(6), IssuedOn: Date(str(7)), ExpiresOn: Date(str(8)),
			SHA256: str(9), Note: str(10), Date: Date(str(11))}, nil, nil
	case "event":
		e := Event{ID: str(0), RecordedAt: str(1), Rank: num(2), Blank: str(3), Lot: str(4), Date: Date(str(5)), Kind: Kind(str(6)), Place: str(7), Party: str(8),
			Reference: str(9), Grade: str(10), Reason: str(11), Corrects: str(12)}
		if str(13) == "null" {
			return e, nil, nil
		}
		err := json.Unmarshal([]byte(str(13)), &e.Fields)
		return e, nil, err
	case "reading":
		return Reading{ID: str(0), RecordedAt: str(1), Rank: num(2), Blank: str(3), Date: Date(str(4)), Quantity: str(5), Value: float(6), U: float(7), Instrument: str(8),
			TemperatureC: maybe(9), HumidityPct: maybe(10), Remark: str(11)}, nil, nil
	case "test":
		if len(values) < 12 {
			return Test{ID: str(0), Blank: str(3), Date: Date(str(4))}, nil, nil
		}
		t := Test{ID: str(0), RecordedAt: str(1), Rank: num(2), Blank: str(3), Date: Date(str(4)), Method: str(5), Profile: str(6), Device: str(7), Place: str(8), Redoes: str(9)}
		var list [][4]any
		if err := json.Unmarshal([]byte(str(11)), &list); err != nil {
			return t, nil, err
		}
		for _, r := range list {
			role, _ := r[0].(string)
			sum, _ := r[2].(string)
			name, _ := r[3].(string)
			t.Recordings = append(t.Recordings, TestRecording{role, sum, name})
		}
		return t, json.RawMessage(str(10)), nil
	case "writing":
		return writtenAgain{Kind: str(3), ID: str(0), RecordedAt: str(1), Rank: num(2)}, nil, nil
	}
	return nil, nil, fmt.Errorf("%q is not a kind of fact", f.kind)
}

// recompute looks whether the id follows from what the fact says.
func (f factTable) recompute(values []any) string {
	fact, result, err := f.fact(values)
	if err != nil {
		return unsaid
	}
	fits := true
	switch v := fact.(type) {
	case lotFact:
		fits = v.idFits()
	case Document:
		fits = v.idFits()
	case Event:
		fits = v.idFits()
	case Reading:
		fits = v.idFits()
	case Test:
		var b struct {
			Row grading.Row `json:"row"`
		}
		fits = json.Unmarshal(result, &b) == nil && v.idFits(b.Row, result)
	}
	if !fits {
		return unsaid
	}
	return ""
}

// describe says in a few words what an entry is about, as it reads now.
func (f factTable) describe(values []any) string {
	fact, _, _ := f.fact(values)
	var e entry
	switch v := fact.(type) {
	case Event:
		e = entry{event: &v, blank: v.Blank}
	case Reading:
		e = entry{reading: &v, blank: v.Blank}
	case Test:
		e = entry{test: &v, blank: v.Blank}
	case lotFact:
		e = entry{record: &v}
	case Document:
		e = entry{document: &v, lot: v.Lot}
	default:
		return ""
	}
	about := e.blank
	if about == "" {
		about = "lot " + e.lot
	} else {
		about = "stick " + about
	}
	return fmt.Sprintf(" of %s (now %q)", about, shortened(e.text()))
}

func shortened(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:59]) + "…"
	}
	return s
}

// writtenAgain is the same fact as another stock wrote it down.
type writtenAgain struct {
	Kind       string `json:"kind"`
	ID         string `json:"id"`
	RecordedAt string `json:"recorded_at"`
	Rank       int    `json:"rank,omitempty"`
}

// checkFigures compares the figures in the rows of tests with those of their results.
func (s *Store) checkFigures(ctx context.Context, q querier, h *Health) error {
	type row struct {
		test   Test
		result string
	}
	jobs := make(chan []row, 4)
	found := make([][]string, runtime.GOMAXPROCS(0))
	group := new(errgroup.Group)
	for i := range found {
		group.Go(func() error {
			for batch := range jobs {
				for _, r := range batch {
					var b grading.Blank
					if err := json.Unmarshal([]byte(r.result), &b); err != nil {
						found[i] = append(found[i], fmt.Sprintf("the result of test %s can't be read (%v): %s", r.test.ID, err, mend))
						continue
					}
					now := r.test
					now.take(b)
					if now.figures() != r.test.figures() || now.Verdict != r.test.Verdict {
						found[i] = append(found[i], fmt.Sprintf("the test %s of stick %s %s: `ringstock stock repair` puts them right from the result", r.test.ID, r.test.Blank, figured))
					}
				}
			}
			return nil
		})
	}
	var batch []row
	err := each(ctx, q, func(sc scanner) (r row, err error) {
		r.test, err = scanTest(more{sc, []any{&r.result}})
		return r, err
	}, func(r row) error {
		if batch = append(batch, r); len(batch) == 32 {
			jobs <- batch
			batch = nil
		}
		return ctx.Err()
	}, `SELECT `+testColumns+`, coalesce((SELECT result FROM results r WHERE r.test = tests.id), '') FROM tests ORDER BY seq`)
	jobs <- batch
	close(jobs)
	_ = group.Wait() // it gives none
	for _, f := range found {
		h.Problems = append(h.Problems, f...)
	}
	return err
}

// checkLedger compares the head that the facts have now with those that were noted: by
// the sum of all seals, by the last act, and by the head file.
func (s *Store) checkLedger(ctx context.Context, q querier, h *Health, all verified) error {
	now := all.sum.head(all.facts)
	h.Head, h.Facts = now.Text, now.Facts
	acts, err := actsOf(ctx, q)
	if err != nil {
		return err
	}
	var before []byte
	for _, a := range acts {
		if !bytes.Equal(a.seal, a.sealAfter(before)) {
			h.Problems = append(h.Problems, fmt.Sprintf("the note of act %d (%q, at %s) is not what was written: %s", a.n, shortened(a.what), a.at, mend))
		}
		before = a.seal
	}
	// How many facts each act entered: a seal that was moved to another act is found.
	type count struct{ act, facts int64 }
	counts, err := listOf(ctx, q, func(row scanner) (c count, err error) { return c, row.Scan(&c.act, &c.facts) }, `SELECT act, count(*) FROM seals GROUP BY act ORDER BY act`)
	if err != nil {
		return err
	}
	total := map[int64]int64{}
	for _, c := range counts {
		total[c.act] = c.facts
	}
	var sum int64
	for _, a := range acts {
		sum += total[a.n]
		if int(sum) != a.facts {
			h.Problems = append(h.Problems, fmt.Sprintf("after act %d there were %d facts, %d have a seal: %s", a.n, a.facts, sum, mend))
			break
		}
	}
	noted := new(lattice).head(0) // of a stock in which nothing was ever entered
	if len(acts) > 0 {
		noted = Head{acts[len(acts)-1].facts, acts[len(acts)-1].head}
	}
	state, n, err := readLedger(ctx, q)
	if err != nil {
		h.Problems = append(h.Problems, fmt.Sprintf("the sum of all seals can't be read (%v): %s", err, mend))
	} else if state.head(n) != noted {
		h.Problems = append(h.Problems, fmt.Sprintf("the sum of all seals is not that of the last act: %s", mend))
	}
	if now != noted && len(acts) > 0 {
		h.Problems = append(h.Problems, fmt.Sprintf("the ledger's head is %s over %d facts, but the last act left %s over %d: facts were changed, taken out or put in; %s", now.Text, now.Facts, noted.Text, noted.Facts, mend))
	} else if now == noted && slices.ContainsFunc(all.faults, func(f fault) bool { return f.what == altered }) {
		h.Notes = append(h.Notes, "the head is the one that was noted: where a fact and its seal differ it is the seal that is damaged")
	}
	if file := notedHead(s.opt.Dir); file != (Head{}) && file != noted && !slices.ContainsFunc(acts, func(a act) bool { return file == Head{a.facts, a.head} }) {
		h.Problems = append(h.Problems, fmt.Sprintf("the head file tells of the head %s over %d facts, which this ledger never had: it was replaced or altered; %s", file.Text, file.Facts, mend))
	}
	return nil
}

func listOf[T any](ctx context.Context, q querier, scan func(scanner) (T, error), query string) ([]T, error) {
	return all(ctx, q, scan, query)
}

func actsOf(ctx context.Context, q querier) ([]act, error) {
	return all(ctx, q, scanAct, `SELECT `+actColumns+` FROM acts ORDER BY n`)
}

// checkSchema compares all definitions in the database with those of this program.
func (s *Store) checkSchema(ctx context.Context, q querier, h *Health) error {
	reference, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return err
	}
	defer reference.Close()
	reference.SetMaxOpenConns(1)
	for _, step := range s.opt.steps {
		if _, err := reference.ExecContext(ctx, step); err != nil {
			return err
		}
	}
	const query = `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_master WHERE name NOT LIKE 'sqlite\_stat%' ESCAPE '\' ORDER BY type, name`
	want, err := all(ctx, reference, firstText, query)
	if err != nil {
		return err
	}
	have, err := all(ctx, q, firstText, query)
	if err != nil {
		return err
	}
	guards := 0
	for _, w := range want {
		if slices.Contains(have, w) {
			continue
		}
		if strings.HasPrefix(w, "trigger ") {
			guards++
			continue
		}
		name, _, _ := strings.Cut(w, ":")
		h.Problems = append(h.Problems, fmt.Sprintf("the %s of the database is not as it was made: %s", name, mend))
	}
	for _, x := range have {
		if name, _, _ := strings.Cut(x, ":"); !slices.ContainsFunc(want, func(w string) bool { return strings.HasPrefix(w, name+":") }) {
			h.Problems = append(h.Problems, fmt.Sprintf("the %s of the database was put in by another program: %s", name, mend))
		}
	}
	if guards > 0 {
		h.Problems = append(h.Problems, fmt.Sprintf("%d of the guards that keep facts from being changed are gone or altered: another program altered this database; %s", guards, mend))
	}
	return nil
}
