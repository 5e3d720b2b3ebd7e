package stock

import (
	"context"
	"database/sql"
	"errors"
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

// take gives the rows of a stick, if it is the next one.
func (g *groups[T]) take(id string) (out []T) {
	for g.id() == id {
		if out == nil {
			out = make([]T, 0, 8)
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
