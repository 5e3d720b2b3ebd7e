package stock

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum"
)

// Schema names the JSON document that `ringstock stock list` prints.
const Schema = "ringstock/stock/1"

// Blank is the stick with an id.
func (s *Store) Blank(ctx context.Context, id string) (Blank, error) {
	b, err := scanBlank(s.db.QueryRowContext(ctx, `SELECT `+blankColumns+` FROM blanks WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return b, notFound(fmt.Sprintf("there is no stick %q in the stock", id))
	}
	return b, s.explain(err)
}

// Find turns what a person calls a stick into its id: the id or its beginning (four
// letters at least), the maker's number, or LOT/NUMBER where a number occurs twice.
func (s *Store) Find(ctx context.Context, name string) (id string, err error) {
	found, err := all(ctx, s.db, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE blank = ?1 OR id = ?1`, name)
	if err == nil && len(found) == 0 {
		if lot, number, ok := strings.Cut(name, "/"); ok {
			found, err = all(ctx, s.db, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE lot = ? AND blank = ?`, lot, number)
		}
	}
	if err == nil && len(found) == 0 && len(name) >= 4 {
		low := strings.ToLower(name)
		found, err = all(ctx, s.db, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE id >= ? AND id < ? LIMIT 20`, low, low+"~")
	}
	if err != nil {
		return "", s.explain(err)
	}
	switch len(found) {
	case 0:
		return "", notFound(fmt.Sprintf("there is no stick %q in the stock: `ringstock stock list` shows numbers and ids", name))
	case 1:
		return found[0].ID, nil
	}
	var which []string
	for _, b := range found {
		which = append(which, fmt.Sprintf("%s (lot %q, %s)", b.ID, b.Lot, b.State))
	}
	return "", fmt.Errorf("%d sticks are called %q; name one by its id: %s", len(found), name, strings.Join(which, ", "))
}

// Filter is one condition on the sticks of a list.
type Filter struct {
	sql string
	arg any
}

// filterFields are the names in conditions, sort orders and columns. Text is compared
// as text, numbers as numbers; a stick where the number is not known never fits.
var filterFields = []struct {
	Name, column string
	number       bool
}{
	{"number", "sort_key", false}, {"id", "id", false}, {"state", "state", false}, {"lot", "lot", false}, {"delivery", "delivery", false},
	{"place", "place", false}, {"species", "species", false}, {"supplier", "supplier", false}, {"for", "party", false}, {"bow", "reference", false},
	{"grade", "maker_grade", false}, {"note", "note", false}, {"currency", "currency", false}, {"profile", "profile", false}, {"verdict", "verdict", false},
	{"bought", "bought", false}, {"last_test", "last_test", false},
	{"price", "price", true}, {"score", "score", true}, {"hz", "hz", true}, {"q", "q", true}, {"density", "density_kg_m3", true},
	{"modulus", "specific_modulus_mj_kg", true}, {"mass", "mass_g", true}, {"tests", "tests", true},
}

// FilterFields lists the names that ParseFilter and sort orders know.
func FilterFields() (names []string) {
	for _, f := range filterFields {
		names = append(names, f.Name)
	}
	return names
}

var operators = []string{"<=", ">=", "!=", "=", "<", ">", "~"}

// ParseFilter reads a condition: NAME, one of = != < <= > >= ~ (contains), VALUE.
func ParseFilter(condition string) (Filter, error) {
	at := strings.IndexAny(condition, "<>!=~")
	if at < 0 {
		return Filter{}, fmt.Errorf("the condition %q has none of = != < <= > >= ~ in it: write it like density>1050", condition)
	}
	name := strings.ToLower(strings.TrimSpace(condition[:at]))
	rest := condition[at:]
	op := ""
	for _, o := range operators {
		if strings.HasPrefix(rest, o) {
			op = o
			break
		}
	}
	if op == "" {
		return Filter{}, fmt.Errorf("the condition %q has none of = != < <= > >= ~ in it: write it like density>1050", condition)
	}
	value := strings.TrimSpace(rest[len(op):])
	for _, f := range filterFields {
		if f.Name != name {
			continue
		}
		if f.number {
			x, err := strconv.ParseFloat(value, 64)
			if err != nil || op == "~" {
				return Filter{}, fmt.Errorf("the condition %q compares a number: write it like %s>=12.5", condition, name)
			}
			return Filter{f.column + " " + op + " ?", x}, nil
		}
		if f.Name == "number" {
			value = sortKey(value)
		}
		if op == "~" {
			return Filter{"instr(lower(" + f.column + "), lower(?)) > 0", value}, nil
		}
		return Filter{f.column + " " + op + " ? COLLATE NOCASE", value}, nil
	}
	return Filter{}, fmt.Errorf("the condition %q names none of %s", condition, strings.Join(FilterFields(), ", "))
}

// List gives the sticks that fit every filter. The order is a list of names, each with
// a minus in front for the largest first; then by number.
func (s *Store) List(ctx context.Context, filters []Filter, order []string) ([]Blank, error) {
	query, args := `SELECT `+blankColumns+` FROM blanks`, []any{}
	for i, f := range filters {
		query += []string{" WHERE ", " AND "}[min(i, 1)] + f.sql
		args = append(args, f.arg)
	}
	query += ` ORDER BY `
	for _, name := range order {
		bare, down := strings.CutPrefix(strings.ToLower(name), "-")
		i := slices.Index(FilterFields(), bare)
		if i < 0 {
			return nil, fmt.Errorf("can't sort by %q: it is none of %s", name, strings.Join(FilterFields(), ", "))
		}
		query += filterFields[i].column + map[bool]string{true: " DESC", false: " ASC"}[down] + " NULLS LAST, "
	}
	out, err := all(ctx, s.db, scanBlank, query+`sort_key, id`, args...)
	return out, s.explain(err)
}

// Life is a stick with everything that is known of it.
type Life struct {
	Blank
	Readings  []LifeReading `json:"readings"`
	TestList  []LifeTest    `json:"tests"`
	Events    []LifeEvent   `json:"events"`
	LotRecord *LotRecord    `json:"lot_record"`
	Documents []Document    `json:"documents"`
	Settled   Settling      `json:"settled"`
	Problems  []string      `json:"problems"`
}

// LifeReading is a reading that may have been taken back.
type LifeReading struct {
	Reading
	Void bool `json:"void"`
}

// LifeTest is a test with the rings and the wood of its result.
type LifeTest struct {
	Test
	Void      bool           `json:"void"`
	Ring      *spectrum.Ring `json:"ring"`
	WidthRing *spectrum.Ring `json:"width_ring"`
	EndRing   *spectrum.Ring `json:"end_ring"`
	Wood      *wood.Values   `json:"wood"`
	Reasons   []string       `json:"reasons"`
}

// LifeEvent is an event that may have been taken back.
type LifeEvent struct {
	Event
	Void bool `json:"void"`
}

func (l LifeTest) MarshalJSON() ([]byte, error) {
	return join(l.Test, map[string]any{
		"void": l.Void, "ring": l.Ring, "width_ring": l.WidthRing, "end_ring": l.EndRing, "wood": l.Wood, "reasons": l.Reasons,
	})
}

func (l Life) MarshalJSON() ([]byte, error) {
	return join(l.Blank, map[string]any{
		"readings": l.Readings, "tests": l.TestList, "events": l.Events, "lot_record": l.LotRecord, "documents": l.Documents,
		"settled": l.Settled, "problems": l.Problems,
	})
}

// join writes an object and, after its fields, some more; one that it has already is
// replaced.
func join(object any, more map[string]any) ([]byte, error) {
	raw, err := json.Marshal(object)
	if err != nil {
		return nil, err
	}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(raw, &fields); err != nil {
		return nil, err
	}
	for name, v := range more {
		if fields[name], err = json.Marshal(v); err != nil {
			return nil, err
		}
	}
	return json.Marshal(fields)
}

// Show gives one stick with its whole history.
func (s *Store) Show(ctx context.Context, id string) (l Life, err error) {
	err = s.read(ctx, func(q querier) error {
		h, err := history(ctx, q, id)
		if err != nil {
			return err
		}
		if len(h.Events) == 0 {
			return notFound(fmt.Sprintf("there is no stick %q in the stock", id))
		}
		void := h.Void()
		l.Blank, l.Problems = h.On("")
		for _, r := range h.Readings {
			l.Readings = append(l.Readings, LifeReading{r, void[r.ID]})
		}
		for _, e := range h.Events {
			l.Events = append(l.Events, LifeEvent{e, void[e.ID]})
		}
		for _, t := range h.Tests {
			raw, err := resultOf(ctx, q, t.ID)
			if err != nil {
				return err
			}
			var b grading.Blank
			if err := json.Unmarshal(raw, &b); err != nil {
				return fmt.Errorf("the result of test %s can't be read: %w", t.ID, err)
			}
			l.TestList = append(l.TestList, LifeTest{t, void[t.ID], b.Ring, b.WidthRing, b.EndRing, &b.Wood, b.Reasons})
		}
		l.Settled = h.Settling()
		if l.Lot == "" {
			return nil
		}
		if l.LotRecord, err = lotRecord(ctx, q, l.Lot); err != nil {
			return err
		}
		l.Documents, err = documents(ctx, q, l.Lot)
		return err
	})
	return l, err
}

// Standing says where a score would stand among the sticks that the same profile
// judged and that are still here. It is information; it enters no score.
type Standing struct {
	BetterThan int // sticks with a lower score
	Of         int
}

// Standings compares scores with those of the sticks in stock.
func (s *Store) Standings(ctx context.Context, profile string, scores []float64) ([]Standing, error) {
	have, err := all(ctx, s.db, func(row scanner) (x float64, err error) { return x, row.Scan(&x) },
		`SELECT score FROM blanks WHERE profile = ? AND score IS NOT NULL AND state IN (?, ?, ?) ORDER BY score`, profile, InStock, IsReserved, IsStarted)
	if err != nil {
		return nil, s.explain(err)
	}
	out := make([]Standing, len(scores))
	for i, x := range scores {
		below, _ := slices.BinarySearch(have, x)
		out[i] = Standing{below, len(have)}
	}
	return out, nil
}
