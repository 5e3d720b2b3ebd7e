package stock

import (
	"context"
	"crypto/sha256"
	"crypto/sha3"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// digest is the seal of a fact: the SHA-256 of all that it says.
type digest [sha256.Size]byte

// factTable is where facts of one kind lie and what a seal covers of them. Figures that
// follow from the result of a test are not sealed but derived from it anew.
type factTable struct {
	kind    string
	table   string
	columns []string // id first, then recorded_at and rank, where it has them
}

// factTables lists all kinds; a fact may only name facts of kinds before its own, the
// recordings' files first.
var factTables = []factTable{
	{"file", "files", []string{"sha256", "kind", "ending", "bytes"}},
	{"lot", "lot_records", []string{"id", "recorded_at", "rank", "lot", "date", "record"}},
	{"document", "documents", []string{"id", "recorded_at", "rank", "lot", "kind", "number", "issuer", "issued_on", "expires_on", "sha256", "note", "date"}},
	{"event", "events", []string{"id", "recorded_at", "rank", "blank", "lot", "date", "kind", "place", "party", "reference", "grade", "reason", "corrects",
		"CASE fields WHEN '{}' THEN 'null' ELSE fields END"}},
	{"reading", "readings", []string{"id", "recorded_at", "rank", "blank", "date", "quantity", "value", "u", "instrument", "temperature_c", "humidity_pct", "remark"}},
	{"test", "tests", []string{"id", "recorded_at", "rank", "blank", "date", "method", "profile", "device", "place", "redoes",
		"(SELECT result FROM results r WHERE r.test = f.id)",
		"(SELECT json_group_array(json_array(role, position, sha256, name)) FROM (SELECT * FROM test_recordings p WHERE p.test = f.id ORDER BY position))"}},
	{"writing", "writings", []string{"id", "recorded_at", "rank", "kind"}},
}

func tableOf(kind string) factTable {
	return factTables[slices.IndexFunc(factTables, func(f factTable) bool { return f.kind == kind })]
}

// numbered tells whether the rows of the table have a seq.
func (f factTable) numbered() bool { return f.kind != "file" }

// query asks for the seq of a fact and all that its seal covers.
func (f factTable) query(where, order string) string {
	seq := "f.seq"
	if !f.numbered() {
		seq = "0"
	}
	columns := make([]string, len(f.columns))
	for i, c := range f.columns {
		if columns[i] = c; !strings.ContainsAny(c, " (") {
			columns[i] = "f." + c
		}
	}
	return "SELECT " + seq + ", " + strings.Join(columns, ", ") + " FROM " + f.table + " f " + where + " " + order
}

// rawFact is a fact as it lies in the database.
type rawFact struct {
	seq    int64
	values []any // of the columns of its table
}

func (r rawFact) id() string { s, _ := r.values[0].(string); return s }

func (f factTable) scan(row scanner) (r rawFact, err error) {
	r.values = make([]any, len(f.columns))
	into := make([]any, 0, len(f.columns)+1)
	into = append(into, &r.seq)
	for i := range r.values {
		into = append(into, &r.values[i])
	}
	return r, row.Scan(into...)
}

// seal hashes kind and values of a fact. Type and length go before each value, so that
// no two different facts look the same.
func (f factTable) seal(values []any) digest { return hashValues(f.kind, values...) }

func hashValues(kind string, values ...any) (d digest) {
	h := sha256.New()
	b := make([]byte, 0, 256)
	put := func(kind byte, n int) {
		b = append(b[:0], kind)
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	for _, v := range append([]any{kind}, values...) {
		switch v := v.(type) {
		case nil:
			put('0', 0)
		case int64:
			put('i', 8)
			b = binary.BigEndian.AppendUint64(b, uint64(v))
		case float64:
			put('f', 8)
			b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
		case string:
			put('s', len(v))
			b = append(b, v...)
		case []byte:
			put('b', len(v))
			b = append(b, v...)
		default:
			panic(fmt.Sprintf("stock: a %T can't be sealed", v))
		}
		h.Write(b)
	}
	return digest(h.Sum(nil))
}

// lattice is the sum of all seals, each stretched to 1024 numbers of 16 bits by SHAKE128:
// the hash of a set that does not depend on the order and grows by one addition a fact
// (LtHash; M. Bellare and D. Micciancio, A new paradigm for collision-free hashing,
// EUROCRYPT '97; K. Lewi, W. Kim, I. Maykov and S. Weis, Securing update propagation with
// homomorphic hashing, IACR ePrint 2019/227: 16 bits by 1024 gives 200 bits of security).
type lattice [1024]uint16

func (l *lattice) add(d digest) {
	var b [2 * len(l)]byte
	x := sha3.NewSHAKE128()
	x.Write(d[:])
	x.Read(b[:])
	for i := range l {
		l[i] += uint16(b[2*i]) | uint16(b[2*i+1])<<8
	}
}

func (l *lattice) merge(m *lattice) {
	for i := range l {
		l[i] += m[i]
	}
}

func (l *lattice) bytes() []byte {
	b := make([]byte, 0, 2*len(l))
	for _, x := range l {
		b = binary.LittleEndian.AppendUint16(b, x)
	}
	return b
}

// Head is the fingerprint of a ledger: how many facts it holds, and a hash over
// the set of them. Two stocks with the same facts have the same head, in
// whatever order they came.
type Head struct {
	Facts int    `json:"facts"`
	Text  string `json:"head"` // 160 bits in Crockford's alphabet, in groups of four
}

func (l *lattice) head(facts int) Head {
	d := hashValues("ringstock ledger", int64(facts), l.bytes())
	return Head{facts, grouped(idAlphabet.EncodeToString(d[:20]))}
}

func grouped(s string) string {
	var parts []string
	for ; len(s) > 4; s = s[4:] {
		parts = append(parts, s[:4])
	}
	return strings.Join(append(parts, s), "-")
}

// ParseHead reads a head as it was printed, or as somebody typed it from paper.
func ParseHead(s string) (string, error) {
	bare := strings.ToLower(strings.NewReplacer("-", "", " ", "", "O", "0", "o", "0", "I", "1", "i", "1", "L", "1", "l", "1").Replace(s))
	if b, err := idAlphabet.DecodeString(bare); err != nil || len(b) != 20 {
		return "", fmt.Errorf("%q is not the head of a ledger: it has 32 letters and digits, in groups of four", s)
	}
	return grouped(bare), nil
}

// readLedger gives the sum of all seals up to the last act.
func readLedger(ctx context.Context, q querier) (l lattice, facts int, err error) {
	var b []byte
	err = q.QueryRowContext(ctx, `SELECT facts, state FROM ledger`).Scan(&facts, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return l, 0, nil
	}
	if err != nil {
		return l, 0, err
	}
	if len(b) != 2*len(l) {
		return l, facts, errors.New("the sum of all seals has another length")
	}
	for i := range l {
		l[i] = binary.LittleEndian.Uint16(b[2*i:])
	}
	return l, facts, nil
}

// Head is the fingerprint of the ledger as the last act left it. [Store.Check] computes
// it anew from the facts.
func (s *Store) Head(ctx context.Context) (Head, error) {
	l, n, err := readLedger(ctx, s.db)
	return l.head(n), s.explain(err)
}

// act is one row of the table acts.
type act struct {
	n      int64
	at     string
	what   string
	undoes sql.NullInt64
	facts  int
	head   string
	seal   []byte
}

const actColumns = `n, at, what, undoes, facts, head, seal`

func scanAct(row scanner) (a act, err error) {
	return a, row.Scan(&a.n, &a.at, &a.what, &a.undoes, &a.facts, &a.head, &a.seal)
}

func (a act) sealAfter(before []byte) []byte {
	var undoes any
	if a.undoes.Valid {
		undoes = a.undoes.Int64
	}
	d := hashValues("act", a.n, a.at, a.what, undoes, int64(a.facts), a.head, before)
	return d[:]
}

func lastAct(ctx context.Context, q querier) (a act, err error) {
	a, err = scanAct(q.QueryRowContext(ctx, `SELECT `+actColumns+` FROM acts ORDER BY n DESC LIMIT 1`))
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return a, err
}

// lastRows is how far each table of facts has come. What is written afterwards by an act
// is what it seals: a row that another program put in never gets a seal.
func lastRows(ctx context.Context, q querier) (map[string]int64, error) {
	last := map[string]int64{}
	for _, f := range factTables {
		if !f.numbered() {
			continue
		}
		var n int64
		if err := q.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM `+f.table).Scan(&n); err != nil {
			return nil, err
		}
		last[f.kind] = n
	}
	return last, nil
}

// seal puts a seal on every fact that this act wrote and renews the head. An act that
// wrote none leaves no trace.
func (t *tx) seal(what string, undoes int64, before map[string]int64) (Head, error) {
	sum, facts, err := readLedger(t.ctx, t)
	if err != nil {
		return Head{}, err
	}
	type sealed struct {
		kind, id string
		seq      any
		d        digest
	}
	var fresh []sealed
	take := func(f factTable, where string, args ...any) error {
		return each(t.ctx, t, f.scan, func(r rawFact) error {
			d := f.seal(r.values)
			var seq any
			if f.numbered() {
				seq = r.seq
			}
			if f.kind == "writing" {
				if d, err = t.sealWriting(r); err != nil {
					return err
				}
			}
			fresh = append(fresh, sealed{f.kind, r.id(), seq, d})
			return nil
		}, f.query(where, ""), args...)
	}
	for _, f := range factTables {
		if f.numbered() {
			if err := take(f, "WHERE f.seq > ?", before[f.kind]); err != nil {
				return Head{}, err
			}
			continue
		}
		for _, sha := range t.files {
			if err := take(f, "WHERE f.sha256 = ?", sha); err != nil {
				return Head{}, err
			}
		}
	}
	if len(fresh) == 0 {
		return sum.head(facts), nil
	}
	for _, s := range fresh {
		sum.add(s.d)
	}
	facts += len(fresh)
	head := sum.head(facts)
	last, err := lastAct(t.ctx, t)
	if err != nil {
		return Head{}, err
	}
	a := act{n: last.n + 1, at: t.now.Format(timeFormat), what: what, undoes: sql.NullInt64{Int64: undoes, Valid: undoes > 0}, facts: facts, head: head.Text}
	if _, err := t.ExecContext(t.ctx, `INSERT INTO acts (`+actColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?)`, a.n, a.at, a.what, a.undoes, a.facts, a.head, a.sealAfter(last.seal)); err != nil {
		return Head{}, err
	}
	for _, s := range fresh {
		if _, err := t.ExecContext(t.ctx, `INSERT INTO seals (act, kind, id, fact, digest) VALUES (?, ?, ?, ?, ?)`, a.n, s.kind, s.id, s.seq, s.d[:]); err != nil {
			return Head{}, err
		}
	}
	_, err = t.ExecContext(t.ctx, `INSERT INTO ledger (one, facts, state) VALUES (1, ?, ?) ON CONFLICT (one) DO UPDATE SET facts = excluded.facts, state = excluded.state`, facts, sum.bytes())
	return head, err
}

// sealWriting is the seal that the fact has as another stock wrote it down.
func (t *tx) sealWriting(r rawFact) (digest, error) { return sealWriting(t.ctx, t, r) }

func sealWriting(ctx context.Context, q querier, r rawFact) (digest, error) {
	kind, _ := r.values[3].(string)
	i := slices.IndexFunc(factTables, func(f factTable) bool { return f.kind == kind && f.numbered() && kind != "writing" })
	if i < 0 {
		return digest{}, fmt.Errorf("%q is not a kind of fact", kind)
	}
	f := factTables[i]
	fact, err := f.scan(q.QueryRowContext(ctx, f.query("WHERE f.id = ?", ""), r.id()))
	if err != nil {
		return digest{}, err
	}
	fact.values[1], fact.values[2] = r.values[1], r.values[2]
	return f.seal(fact.values), nil
}
