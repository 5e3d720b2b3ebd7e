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

// Name is the stick's number with its delivery: a number may occur in more than one.
func (b Blank) Name() string {
	if b.Delivery == "" {
		return b.Blank
	}
	return fmt.Sprintf("%s (%s)", b.Blank, b.Delivery)
}

// Find turns what a person calls a stick into its id: the maker's number, the number with
// its delivery as Name writes it, DELIVERY/NUMBER or LOT/NUMBER, the id or its beginning
// (four letters at least).
func (s *Store) Find(ctx context.Context, name string) (id string, err error) {
	look := func(where string, args ...any) (list []Blank, err error) {
		return all(ctx, s.db, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE `+where+` LIMIT 20`, args...)
	}
	found, err := look(`id = ?1 OR gone = 0 AND (blank = ?1 OR delivery != '' AND blank || ' (' || delivery || ')' = ?1)`, name)
	if err == nil && len(found) == 0 {
		if i := strings.LastIndexByte(name, '/'); i > 0 {
			found, err = look(`gone = 0 AND (lot = ?1 OR delivery = ?1) AND blank = ?2`, name[:i], name[i+1:])
		}
	}
	if err == nil && len(found) == 0 { // one that is not in the house can still be put right
		found, err = look(`gone = 1 AND blank = ?`, name)
	}
	if err == nil && len(found) == 0 && len(name) >= shortest {
		low := strings.ToLower(name)
		found, err = look(`id >= ? AND id < ?`, low, low+"~")
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
		which = append(which, fmt.Sprintf("%q (id %s, %s)", b.Name(), b.ID, b.State))
	}
	return "", fmt.Errorf("%d sticks are called %q; name one with its delivery or by its id: %s", len(found), name, strings.Join(which, ", "))
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
			x, err := strconv.ParseFloat(strings.Replace(value, ",", ".", 1), 64)
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
	query, args := `SELECT `+blankColumns+` FROM blanks WHERE gone = 0`, []any{}
	for _, f := range filters {
		query += " AND " + f.sql
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
	Before    *Blank        `json:"before,omitempty"` // an act that was just entered
	After     *Blank        `json:"after,omitempty"`
}

// Sounds has one judgement of each sound that was tapped and not taken back: the one that
// counts, or else the last.
func (l Life) Sounds() (list []LifeTest) {
	at := map[string]int{} // by the id of the test that was tapped
	for _, t := range l.TestList {
		if t.Redoes == "" && !t.Void {
			at[t.ID] = len(list)
			list = append(list, t)
		}
	}
	for _, t := range l.TestList {
		if i, ok := at[t.Redoes]; ok && !t.Void && (t.Counts || !list[i].Counts) {
			list[i] = t
		}
	}
	return list
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
	Counts    bool           `json:"counts"` // it is the judgement that counts today
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
		"void": l.Void, "counts": l.Counts, "ring": l.Ring, "width_ring": l.WidthRing, "end_ring": l.EndRing, "wood": l.Wood, "reasons": l.Reasons,
	})
}

func (l Life) MarshalJSON() ([]byte, error) {
	fields := map[string]any{
		"readings": l.Readings, "tests": l.TestList, "events": l.Events, "lot_record": l.LotRecord, "documents": l.Documents,
		"settled": l.Settled, "problems": l.Problems,
	}
	if l.Before != nil {
		fields["before"], fields["after"] = l.Before, l.After
	}
	return join(l.Blank, fields)
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

// HistoryLine is one fact of a stick in words, with the shortest id that names it.
type HistoryLine struct {
	ID   string
	Date Date
	Text string
	Void bool
}

// History is everything that happened to a stick, in order. Events that only tell of a
// reading or a test give way to the fact itself.
func (l Life) History() (out []HistoryLine) {
	type line struct {
		HistoryLine
		rank int
		at   string
	}
	var lines []line
	var ids []string
	add := func(id string, date Date, text string, void bool, rank int, at string) {
		lines = append(lines, line{HistoryLine{id, date, text, void}, rank, at})
		ids = append(ids, id)
	}
	for _, e := range l.Events {
		if e.Kind != Measured && e.Kind != Tested {
			add(e.ID, e.Date, e.Event.Text(), e.Void, e.Rank, e.RecordedAt)
		}
	}
	for _, r := range l.Readings {
		text := "measured " + r.Reading.String()
		if r.Quantity == massQuantity {
			text = "weighed " + strings.TrimPrefix(r.Reading.String(), "mass ")
		}
		if r.TemperatureC != nil && r.HumidityPct != nil {
			text += fmt.Sprintf(" in air of %s °C, %s %%", text2(*r.TemperatureC), text2(*r.HumidityPct))
		}
		if r.Remark != "" {
			text += ": " + r.Remark
		}
		add(r.ID, r.Date, text, r.Void, r.Rank, r.RecordedAt)
	}
	for _, t := range l.TestList {
		text := fmt.Sprintf("judged by the profile %s (%s): score %s, note %s, Q %s, E/rho %s, %s", t.Profile, t.Method, known(t.Score, ""), known(t.Hz, "Hz"), known(t.Q, ""), known(t.SpecificModulus, "MJ/kg"), t.Verdict)
		if t.Redoes == "" {
			text = "tapped, " + text
		} else {
			text = fmt.Sprintf("judged anew from that sound by the profile %s: score %s, E/rho %s, %s", t.Profile, known(t.Score, ""), known(t.SpecificModulus, "MJ/kg"), t.Verdict)
		}
		if t.Counts {
			text += " [counts]"
		}
		add(t.ID, t.Date, text, t.Void, t.Rank, t.RecordedAt)
	}
	slices.SortStableFunc(lines, func(a, b line) int {
		return before(a.Date, b.Date, a.rank, b.rank, a.at, b.at, a.ID, b.ID)
	})
	slices.Sort(ids)
	for _, x := range lines {
		i, _ := slices.BinarySearch(ids, x.ID)
		n := shortest
		for _, other := range []int{i - 1, i + 1} {
			for other >= 0 && other < len(ids) && n < len(x.ID) && strings.HasPrefix(ids[other], x.ID[:n]) {
				n++
			}
		}
		x.ID = x.ID[:n]
		out = append(out, x.HistoryLine)
	}
	return out
}

func text2(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// Text is the event in words.
func (e Event) Text() string {
	text := string(e.Kind)
	if e.Kind == Used {
		text = "became bow " + e.Reference
	}
	for _, part := range []struct{ word, value string }{{"", e.Grade}, {"for ", e.Party}, {"to ", e.Place}} {
		switch {
		case part.value == "":
		case e.Kind == Bought && part.word == "for ":
			text += " from " + part.value
		case e.Kind == Sold && part.word == "for ":
			text += " to " + part.value
		case e.Kind == Bought && part.word == "to ":
			text += ", put in place " + part.value
		default:
			text += " " + part.word + part.value
		}
	}
	if e.Reason != "" {
		text += ": " + e.Reason
	}
	if e.Kind == Corrected {
		var sets []string
		for name, v := range e.Fields {
			sets = append(sets, fmt.Sprintf("%s is %q", name, v))
		}
		slices.Sort(sets)
		if len(sets) > 0 {
			text += " (" + strings.Join(sets, ", ") + ")"
		}
		if e.Corrects != "" {
			text += " (takes back " + e.Corrects[:min(6, len(e.Corrects))] + ")"
		}
	}
	return text
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
		l.Blank, _ = h.On(s.Today())
		_, l.Problems = h.On("")
		if l.State == "" {
			why := "its purchase was taken back: it is not in the stock"
			if l.Bought > s.Today() {
				why = fmt.Sprintf("it was bought on %s, which has not come yet", l.Bought)
			}
			l.Problems = append(l.Problems, why)
		}
		for _, r := range h.Readings {
			l.Readings = append(l.Readings, LifeReading{r, void[r.ID]})
		}
		for _, e := range h.Events {
			l.Events = append(l.Events, LifeEvent{e, void[e.ID]})
		}
		for _, t := range h.Tests {
			raw, err := resultOf(ctx, q, t.ID)
			if err != nil && !errors.Is(err, sql.ErrNoRows) {
				return err
			}
			var b grading.Blank
			if err := json.Unmarshal(raw, &b); err != nil {
				l.Problems = append(l.Problems, fmt.Sprintf("the result of test %s can't be read (%v): %s", t.ID, err, mend))
			}
			counts := h.counting(void, s.Today(), h.chosen(void))
			l.TestList = append(l.TestList, LifeTest{t, void[t.ID], counts != nil && counts.ID == t.ID, b.Ring, b.WidthRing, b.EndRing, &b.Wood, b.Reasons})
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
		`SELECT score FROM blanks WHERE gone = 0 AND profile = ? AND score IS NOT NULL AND state IN (?, ?, ?) ORDER BY score`, profile, InStock, IsReserved, IsStarted)
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
