package stock

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"

	"ringstock/spectrum/measure"
)

// Facts go in and come out here; nothing else writes to the tables of facts.

// enterEvent writes an event down: its moment, its rank and its id are set here. What is
// known by what it says is entered once, unless it was taken back meanwhile.
func (t *tx) enterEvent(e Event) (entered Event, isNew bool, err error) {
	if e.Rank, err = t.rank(e.Blank, e.Lot); err != nil {
		return e, false, err
	}
	e.RecordedAt = t.tick()
	e.ID = e.ownID()
	switch e.Kind {
	case Bought, Graded, Measured, Tested, LotRecorded, PaperFiled:
		stands, there, err := t.stands("events", e.ID, e.Blank, e.Lot)
		if err != nil || stands {
			return e, false, err
		}
		if there {
			e.ID = idAt(e.ID, e.RecordedAt, e.Rank)
		}
	default:
		e.ID = idAt(e.ID, e.RecordedAt, e.Rank)
	}
	isNew, err = t.insertEvent(e)
	return e, isNew, err
}

// stands tells whether a fact is there, and whether it stands: was not taken back.
func (t *tx) stands(table, id, blank, lot string) (stands, there bool, err error) {
	var n int
	if err := t.QueryRowContext(t.ctx, `SELECT count(*) FROM `+table+` WHERE id = ?`, id).Scan(&n); err != nil || n == 0 {
		return false, false, err
	}
	void, err := voidOf(t.ctx, t, blank, lot)
	return !void[id], true, err
}

// voidOf are the facts of a stick, or of a lot, that were taken back.
func voidOf(ctx context.Context, q querier, blank, lot string) (map[string]bool, error) {
	query, name := `SELECT `+eventColumns+` FROM events WHERE blank = ? AND kind = 'corrected'`, blank
	if blank == "" {
		query, name = `SELECT `+eventColumns+` FROM events WHERE blank IS NULL AND lot = ? AND kind = 'corrected'`, lot
	}
	events, err := all(ctx, q, scanEvent, query, name)
	return voided(events), err
}

// insertEvent enters an event whose id and moment are set, and tells whether it is new.
func (t *tx) insertEvent(e Event) (bool, error) {
	if len(e.Fields) == 0 {
		e.Fields = nil // one way to say nothing
	}
	fields, err := json.Marshal(e.Fields)
	if err != nil {
		return false, err
	}
	var blank any
	if e.Blank != "" {
		blank = e.Blank
		t.dirty[e.Blank] = true
	}
	return t.insert(`INSERT INTO events (id, blank, lot, date, recorded_at, rank, kind, place, party, reference, grade, reason, corrects, fields)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
		e.ID, blank, e.Lot, e.Date, e.RecordedAt, e.Rank, e.Kind, e.Place, e.Party, e.Reference, e.Grade, e.Reason, e.Corrects, string(fields))
}

func (t *tx) insertReading(r Reading) (bool, error) {
	t.dirty[r.Blank] = true
	return t.insert(`INSERT INTO readings (id, blank, date, recorded_at, rank, quantity, value, u, instrument, temperature_c, humidity_pct, remark)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
		r.ID, r.Blank, r.Date, r.RecordedAt, r.Rank, r.Quantity, r.Value, r.U, r.Instrument, r.TemperatureC, r.HumidityPct, r.Remark)
}

func (t *tx) insertTest(test Test, result json.RawMessage) (bool, error) {
	t.dirty[test.Blank] = true
	args := []any{test.ID, test.Blank, test.Date, test.RecordedAt, test.Rank, test.Method, test.Profile, test.Device, test.Place, test.Redoes, test.Verdict}
	for _, v := range []measure.Value{test.Score, test.Hz, test.Q, test.Density, test.SpecificModulus} {
		args = append(args, columns(v)...)
	}
	isNew, err := t.insert(`INSERT INTO tests (id, blank, date, recorded_at, rank, method, profile, device, place, redoes, verdict,
		score, score_u, hz, hz_u, q, q_u, density_kg_m3, density_kg_m3_u, specific_modulus_mj_kg, specific_modulus_mj_kg_u)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`, args...)
	if err != nil || !isNew {
		return isNew, err
	}
	if _, err := t.ExecContext(t.ctx, `INSERT INTO results (test, result) VALUES (?, ?)`, test.ID, string(result)); err != nil {
		return false, err
	}
	for i, r := range test.Recordings {
		_, err := t.ExecContext(t.ctx, `INSERT INTO test_recordings (test, role, position, sha256, name) VALUES (?, ?, ?, ?, ?)`,
			test.ID, r.Role, i, r.SHA256, r.Name)
		if err != nil {
			return false, err
		}
	}
	return true, nil
}

func (t *tx) insert(query string, args ...any) (isNew bool, err error) {
	r, err := t.ExecContext(t.ctx, query, args...)
	if err != nil {
		return false, err
	}
	n, err := r.RowsAffected()
	return n > 0, err
}

// columns are the two columns of a value; unknown is NULL.
func columns(v measure.Value) []any {
	if !v.Known() {
		return []any{nil, nil}
	}
	return []any{v.X, v.U}
}

// column reads a value from its two columns.
type column struct{ x, u sql.NullFloat64 }

func (c column) value(why string) measure.Value {
	if !c.x.Valid {
		return measure.Unknown(why)
	}
	return measure.Of(c.x.Float64, c.u.Float64)
}

const (
	eventColumns   = `id, coalesce(blank, ''), lot, date, recorded_at, rank, kind, place, party, reference, grade, reason, corrects, fields`
	readingColumns = `id, blank, date, recorded_at, rank, quantity, value, u, instrument, temperature_c, humidity_pct, remark`
	testColumns    = `id, blank, date, recorded_at, rank, method, profile, device, place, redoes, verdict,
		score, score_u, hz, hz_u, q, q_u, density_kg_m3, density_kg_m3_u, specific_modulus_mj_kg, specific_modulus_mj_kg_u`
)

type scanner interface{ Scan(...any) error }

func scanEvent(row scanner) (e Event, err error) {
	var fields string
	if err := row.Scan(&e.ID, &e.Blank, &e.Lot, &e.Date, &e.RecordedAt, &e.Rank, &e.Kind, &e.Place, &e.Party, &e.Reference, &e.Grade, &e.Reason, &e.Corrects, &fields); err != nil {
		return e, err
	}
	if fields == "null" || fields == "{}" {
		return e, nil
	}
	return e, json.Unmarshal([]byte(fields), &e.Fields)
}

func scanReading(row scanner) (r Reading, err error) {
	err = row.Scan(&r.ID, &r.Blank, &r.Date, &r.RecordedAt, &r.Rank, &r.Quantity, &r.Value, &r.U, &r.Instrument, &r.TemperatureC, &r.HumidityPct, &r.Remark)
	return r, err
}

func scanTest(row scanner) (t Test, err error) {
	var v [5]column
	err = row.Scan(&t.ID, &t.Blank, &t.Date, &t.RecordedAt, &t.Rank, &t.Method, &t.Profile, &t.Device, &t.Place, &t.Redoes, &t.Verdict,
		&v[0].x, &v[0].u, &v[1].x, &v[1].u, &v[2].x, &v[2].u, &v[3].x, &v[3].u, &v[4].x, &v[4].u)
	for i, to := range []*measure.Value{&t.Score, &t.Hz, &t.Q, &t.Density, &t.SpecificModulus} {
		*to = v[i].value("see the result of this test")
	}
	return t, err
}

// each calls do with every row that a query gives.
func each[T any](ctx context.Context, q querier, scan func(scanner) (T, error), do func(T) error, query string, args ...any) (err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return err
		}
		if err := do(v); err != nil {
			return err
		}
	}
	return rows.Err()
}

func all[T any](ctx context.Context, q querier, scan func(scanner) (T, error), query string, args ...any) (out []T, err error) {
	err = each(ctx, q, scan, func(v T) error { out = append(out, v); return nil }, query, args...)
	return out, err
}

// history loads every fact about one stick.
func history(ctx context.Context, q querier, blank string) (h History, err error) {
	if h.Events, err = all(ctx, q, scanEvent, `SELECT `+eventColumns+` FROM events WHERE blank = ?`, blank); err != nil {
		return h, err
	}
	if h.Readings, err = all(ctx, q, scanReading, `SELECT `+readingColumns+` FROM readings WHERE blank = ?`, blank); err != nil {
		return h, err
	}
	if h.Tests, err = all(ctx, q, scanTest, `SELECT `+testColumns+` FROM tests WHERE blank = ?`, blank); err != nil {
		return h, err
	}
	for i := range h.Tests {
		if h.Tests[i].Recordings, err = recordingsOf(ctx, q, h.Tests[i].ID); err != nil {
			return h, err
		}
	}
	earlier, err := writings(ctx, q, blank)
	if err != nil {
		return h, err
	}
	h.place(earlier)
	return h, nil
}

func recordingsOf(ctx context.Context, q querier, test string) ([]TestRecording, error) {
	return all(ctx, q, func(row scanner) (r TestRecording, err error) {
		return r, row.Scan(&r.Role, &r.SHA256, &r.Name)
	}, `SELECT role, sha256, name FROM test_recordings WHERE test = ? ORDER BY position`, test)
}

func resultOf(ctx context.Context, q querier, test string) (json.RawMessage, error) {
	var s string
	err := q.QueryRowContext(ctx, `SELECT result FROM results WHERE test = ?`, test).Scan(&s)
	return json.RawMessage(s), err
}

// derive renews the derived rows of the sticks that were touched.
func (t *tx) derive() error {
	for _, id := range slices.Sorted(maps.Keys(t.dirty)) {
		h, err := history(t.ctx, t, id)
		if err != nil {
			return err
		}
		if err := t.putRow(h.row(t.today)); err != nil {
			return err
		}
	}
	return nil
}

// derivedRow is what the table blanks holds of a stick: what it is today, and when that
// may have to be looked at again.
type derivedRow struct {
	Blank
	gone             bool
	lastDay, nextDay Date // of its facts, up to today and after it
}

// row derives what the table blanks holds. A stick that is not in the house, its purchase
// taken back or still to come, has a row for its facts to hang on.
func (h History) row(today Date) (r derivedRow) {
	r.Blank, _ = h.On(today)
	if r.gone = r.State == ""; r.gone {
		r.State = InStock
	}
	see := func(d Date) {
		switch {
		case d <= today:
			r.lastDay = max(r.lastDay, d)
		case r.nextDay == "" || d < r.nextDay:
			r.nextDay = d
		}
	}
	for _, e := range h.Events {
		if e.Kind != Measured && e.Kind != Tested {
			see(e.Date)
		}
	}
	for _, m := range h.Readings {
		if m.Quantity == massQuantity {
			see(m.Date)
		}
	}
	for _, t := range h.Tests {
		see(t.Date)
	}
	return r
}

// renewToday derives anew the rows of sticks of which facts were entered for days that
// have come since, or that have not come by a clock that was put back.
func (s *Store) renewToday(ctx context.Context) error {
	today := s.Today()
	ids, err := all(ctx, s.db, firstText, `SELECT id FROM blanks WHERE next_day != '' AND next_day <= ?1 UNION SELECT id FROM blanks WHERE last_day > ?1`, today)
	if err != nil || len(ids) == 0 {
		return err
	}
	return s.write(ctx, "a new day", func(t *tx) error {
		for _, id := range ids {
			t.dirty[id] = true
		}
		return nil
	})
}

const blankColumns = `id, blank, state, lot, delivery, place, species, supplier, party, reference, maker_grade, note, price, currency, bought,
	profile, verdict, score, score_u, hz, hz_u, q, q_u, density_kg_m3, density_kg_m3_u, specific_modulus_mj_kg, specific_modulus_mj_kg_u,
	mass_g, mass_g_u, tests, last_test`

func blankRow(b Blank) []any {
	row := []any{b.ID, b.Blank, b.State, b.Lot, b.Delivery, b.Place, b.Species, b.Supplier, b.Party, b.Reference, b.MakerGrade, b.Note, b.Price, b.Currency, b.Bought,
		b.Profile, b.Verdict}
	for _, v := range []measure.Value{b.Score, b.Hz, b.Q, b.Density, b.SpecificModulus, b.Mass} {
		row = append(row, columns(v)...)
	}
	return append(row, b.Tests, b.LastTest)
}

func (r derivedRow) values() []any {
	gone := 0
	if r.gone {
		gone = 1
	}
	return append(blankRow(r.Blank), gone, r.lastDay, r.nextDay, sortKey(r.Blank.Blank))
}

const derivedColumns = blankColumns + `, gone, last_day, next_day`

func scanDerived(row scanner) (r derivedRow, err error) {
	r.Blank, err = scanBlank(more{row, []any{&r.gone, &r.lastDay, &r.nextDay}})
	return r, err
}

// more scans some columns after those that a scanner asks for.
type more struct {
	scanner
	into []any
}

func (m more) Scan(into ...any) error { return m.scanner.Scan(append(into, m.into...)...) }

func (t *tx) putRow(r derivedRow) error {
	var set []string
	names := strings.Fields(strings.ReplaceAll(derivedColumns, ",", " ") + " sort_key")
	for _, name := range names[1:] {
		set = append(set, name+" = excluded."+name)
	}
	marks := strings.Repeat("?, ", len(names)-1) + "?"
	_, err := t.ExecContext(t.ctx, `INSERT INTO blanks (`+strings.Join(names, ", ")+`) VALUES (`+marks+`)
		ON CONFLICT (id) DO UPDATE SET `+strings.Join(set, ", "), r.values()...)
	return err
}

func scanBlank(row scanner) (b Blank, err error) {
	var v [6]column
	err = row.Scan(&b.ID, &b.Blank, &b.State, &b.Lot, &b.Delivery, &b.Place, &b.Species, &b.Supplier, &b.Party, &b.Reference, &b.MakerGrade, &b.Note, &b.Price, &b.Currency, &b.Bought,
		&b.Profile, &b.Verdict, &v[0].x, &v[0].u, &v[1].x, &v[1].u, &v[2].x, &v[2].u, &v[3].x, &v[3].u, &v[4].x, &v[4].u, &v[5].x, &v[5].u, &b.Tests, &b.LastTest)
	why := "not tested yet"
	if b.LastTest != "" {
		why = "see the result of its last test"
	}
	for i, to := range []*measure.Value{&b.Score, &b.Hz, &b.Q, &b.Density, &b.SpecificModulus} {
		*to = v[i].value(why)
	}
	b.Mass = v[5].value("not weighed yet")
	return b, err
}

// writing is the moment at which another stock wrote the same fact down.
type writing struct {
	recordedAt string
	rank       int
}

func (w writing) before(recordedAt string, rank int) bool {
	return w.rank < rank || w.rank == rank && w.recordedAt < recordedAt
}

// writings are the first moments at which other stocks wrote down facts of a stick, by
// kind and id; the empty stick means all.
func writings(ctx context.Context, q querier, blank string) (map[[2]string]writing, error) {
	out := map[[2]string]writing{}
	query, args := `SELECT kind, id, recorded_at, rank FROM writings`, []any{}
	if blank != "" {
		query += ` WHERE id IN (SELECT id FROM events WHERE blank = ?1 UNION ALL SELECT id FROM readings WHERE blank = ?1 UNION ALL SELECT id FROM tests WHERE blank = ?1)`
		args = append(args, blank)
	}
	type row struct {
		kind, id string
		writing
	}
	err := each(ctx, q, func(s scanner) (r row, err error) {
		return r, s.Scan(&r.kind, &r.id, &r.recordedAt, &r.rank)
	}, func(r row) error {
		key := [2]string{r.kind, r.id}
		if have, ok := out[key]; !ok || r.before(have.recordedAt, have.rank) {
			out[key] = r.writing
		}
		return nil
	}, query, args...)
	return out, err
}

// place puts every fact where the first stock that wrote it down puts it, and sorts all.
func (h *History) place(earlier map[[2]string]writing) {
	if len(earlier) > 0 {
		first := func(kind, id string, recordedAt *string, rank *int) {
			if w, ok := earlier[[2]string{kind, id}]; ok && w.before(*recordedAt, *rank) {
				*recordedAt, *rank = w.recordedAt, w.rank
			}
		}
		for i := range h.Events {
			first("event", h.Events[i].ID, &h.Events[i].RecordedAt, &h.Events[i].Rank)
		}
		for i := range h.Readings {
			first("reading", h.Readings[i].ID, &h.Readings[i].RecordedAt, &h.Readings[i].Rank)
		}
		for i := range h.Tests {
			first("test", h.Tests[i].ID, &h.Tests[i].RecordedAt, &h.Tests[i].Rank)
		}
	}
	h.sort()
}
