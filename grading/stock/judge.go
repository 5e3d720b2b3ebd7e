package stock

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

// judgeAnew judges a stick from its stored sound by today's method, if what its judgement
// rests on is no longer what is known: a reading was entered or taken back, a test was
// withdrawn, another profile was chosen. Note says why it could not be done.
func (s *Store) judgeAnew(ctx context.Context, h History) (j *judgement, note string, err error) {
	void := h.Void()
	b, _ := h.On("")
	t := h.counting(void, "", b.Profile)
	if t == nil || len(t.Recordings) == 0 || b.State == "" || t.planned() {
		return nil, "", nil
	}
	rests, err := s.rowOf(ctx, *t)
	if err != nil {
		return nil, fmt.Sprintf("it is not judged anew: %v", err), nil
	}
	row := h.assemble(rests, *t)
	profile := b.Profile
	if sameReadings(rests, row) && t.Profile == profile {
		return nil, "", nil
	}
	if s.opt.JudgeFor == nil {
		return nil, "", nil
	}
	judge, err := s.opt.JudgeFor(profile)
	if err != nil {
		return nil, fmt.Sprintf("it is not judged anew: %v; `ringstock stock reanalyse --profile FILE` does it", err), nil
	}
	j, err = s.judgeStored(ctx, *t, row, judge)
	if ctx.Err() != nil {
		return nil, "", ctx.Err()
	}
	if err != nil {
		return nil, fmt.Sprintf("it can't be judged anew from its sound of %s: %v; `ringstock stock check` looks at the recordings", t.Date, err), nil
	}
	return j, "", nil
}

// planned tells whether a test is only being entered.
func (t Test) planned() bool { return len(t.ID) != idLength }

// rowOf is the row that a stored test was judged on.
func (s *Store) rowOf(ctx context.Context, t Test) (grading.Row, error) {
	raw, err := resultOf(ctx, s.db, t.ID)
	if errors.Is(err, sql.ErrNoRows) {
		return grading.Row{}, fmt.Errorf("the result of test %s is gone", t.ID)
	}
	if err != nil {
		return grading.Row{}, s.explain(err)
	}
	var was grading.Blank
	if err := json.Unmarshal(raw, &was); err != nil {
		return was.Row, fmt.Errorf("the result of test %s can't be read: %w", t.ID, err)
	}
	return was.Row, nil
}

// rowFor puts together what a new test of a stick is judged on.
func (s *Store) rowFor(ctx context.Context, h History, test Test) (row grading.Row, err error) {
	void := h.Void()
	for i := len(h.Tests) - 1; i >= 0; i-- {
		if t := h.Tests[i]; !void[t.ID] && !t.planned() {
			if row, err = s.rowOf(ctx, t); err != nil {
				return row, err
			}
			break
		}
	}
	row = h.assemble(row, test)
	nameFiles(&row, test.Recordings)
	return row, nil
}

// assemble puts what is known of a stick today in place of what a test was judged on: the
// newest reading of every quantity. Once a stick was worked on its measures are another
// stick's: for a test before that day, later readings do not count.
func (h History) assemble(row grading.Row, t Test) grading.Row {
	void := h.Void()
	b, _ := h.On("")
	row.Blank, row.Species, row.Price, row.Currency, row.Supplier = b.Blank, b.Species, b.Price, b.Currency, b.Supplier
	row.Lot, row.MakerGrade, row.Note = b.Lot, b.MakerGrade, b.Note
	var worked Date // first day of work after the test
	for _, e := range h.Events {
		if e.Kind == Started && !void[e.ID] && e.Date > t.Date && worked == "" {
			worked = e.Date
		}
		if e.Kind == Bought && !void[e.ID] && row.Shape == "" {
			row.Shape = shapeOf(e.Fields["shape"])
		}
	}
	withdrawn := "its reading was taken back"
	for _, r := range h.Readings {
		for _, q := range quantities(&row.Readings) {
			if q.Name == r.Quantity {
				*q.V = measure.Unknown(withdrawn)
			}
		}
	}
	for _, r := range h.Readings {
		if void[r.ID] || worked != "" && r.Date >= worked {
			continue
		}
		for _, q := range quantities(&row.Readings) {
			if q.Name == r.Quantity {
				*q.V = measure.Of(r.Value, r.U)
			}
		}
		for to, from := range map[*measure.Value]*float64{&row.TemperatureC: r.TemperatureC, &row.HumidityPct: r.HumidityPct} {
			if from != nil {
				*to = measure.Of(*from, 0)
			}
		}
	}
	return row
}

// sameReadings tells whether two rows lead to the same judgement.
func sameReadings(a, b grading.Row) bool {
	if a.Species != b.Species || a.Shape != b.Shape {
		return false
	}
	same := func(x, y measure.Value) bool {
		return x.Known() == y.Known() && (!x.Known() || nine(x.X) == nine(y.X) && nine(x.U) == nine(y.U))
	}
	x, y := quantities(&a.Readings), quantities(&b.Readings)
	for i := range x {
		if !same(*x[i].V, *y[i].V) {
			return false
		}
	}
	return same(a.TemperatureC, b.TemperatureC) && same(a.HumidityPct, b.HumidityPct)
}

// nine is a number with as many digits as a result keeps.
func nine(x float64) string { return fmt.Sprintf("%.9g", x) }

// resultRow is the row of readings that a written result rests on.
func resultRow(result []byte) (grading.Row, error) {
	var b grading.Blank
	err := json.Unmarshal(result, &b)
	return b.Row, err
}
