package stock

import (
	"context"
	"database/sql"
	"errors"
	"slices"
)

// groups reads rows that come ordered by stick, one stick's rows at a time.
type groups[T any] struct {
	rows *sql.Rows
	scan func(scanner) (T, error)
	key  func(T) string
	next T
	more bool // next holds a row
	err  error
}

func newGroups[T any](ctx context.Context, q querier, scan func(scanner) (T, error), key func(T) string, query string) *groups[T] {
	g := &groups[T]{scan: scan, key: key}
	if g.rows, g.err = q.QueryContext(ctx, query); g.err == nil {
		g.advance()
	}
	return g
}

func (g *groups[T]) advance() {
	g.more = false
	if g.err != nil || !g.rows.Next() {
		return
	}
	g.next, g.err = g.scan(g.rows)
	g.more = g.err == nil
}

// id is the stick whose rows come next, or nothing at the end.
func (g *groups[T]) id() string {
	if !g.more {
		return ""
	}
	return g.key(g.next)
}

// mostOfOne is more rows than anybody writes about one stick.
const mostOfOne = 1 << 20

// take gives the rows of a stick, if it is the next one.
func (g *groups[T]) take(id string) (out []T) {
	for g.id() == id {
		if out == nil {
			out = make([]T, 0, 8)
		}
		if len(out) == mostOfOne {
			g.err, g.more = errors.New("the table leads round in circles"), false
			break
		}
		out = append(out, g.next)
		g.advance()
	}
	return out
}

func (g *groups[T]) close() error {
	if g.rows == nil {
		return g.err
	}
	return errors.Join(g.err, g.rows.Err(), g.rows.Close())
}

// eachHistory goes through all sticks by id, with the facts that History.On looks at:
// no readings but masses, no events that only tell of a reading or a test, and tests,
// if they are wanted, without their recordings.
func eachHistory(ctx context.Context, q querier, withTests bool, do func(id string, h History) error) (err error) {
	events := newGroups(ctx, q, scanEvent, func(e Event) string { return e.Blank }, `SELECT `+eventColumns+` FROM events
		WHERE blank IS NOT NULL AND kind NOT IN ('measured', 'tested') ORDER BY blank`)
	readings := newGroups(ctx, q, scanReading, func(r Reading) string { return r.Blank }, `SELECT id, blank, date, recorded_at, rank, quantity, value, u, '', temperature_c, humidity_pct, '' FROM readings WHERE quantity = '`+massQuantity+`' ORDER BY blank`)
	tests := newGroups(ctx, q, scanTest, func(t Test) string { return t.Blank }, `SELECT `+testColumns+` FROM tests WHERE `+map[bool]string{true: "1", false: "0"}[withTests]+` ORDER BY blank`)
	earlier, err := writings(ctx, q, "")
	if err != nil {
		return err
	}
	defer func() {
		for _, e := range []error{events.close(), readings.close(), tests.close()} {
			if err == nil {
				err = e
			}
		}
	}()
	for {
		var ids []string
		for _, id := range []string{events.id(), readings.id(), tests.id()} {
			if id != "" {
				ids = append(ids, id)
			}
		}
		if len(ids) == 0 {
			return nil
		}
		id := slices.Min(ids)
		h := History{events.take(id), readings.take(id), tests.take(id)}
		h.place(earlier)
		if err := do(id, h); err != nil {
			return err
		}
	}
}
