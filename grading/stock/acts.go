package stock

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Record enters events of sticks: moved, reserved, sold and so on. All are entered or
// none. An event that can't have happened, as selling a stick that was scrapped, is
// refused. Id and moment are set here; a missing date is today.
func (s *Store) Record(ctx context.Context, events ...Event) error {
	return s.write(ctx, func(t *tx) error {
		for _, e := range events {
			if e.Date == "" {
				e.Date = s.Today()
			}
			if e.Kind == Bought {
				return errors.New("sticks come in by `ringstock stock add`")
			}
			if err := e.check(); err != nil {
				return err
			}
			h, err := history(ctx, t, e.Blank)
			if err != nil {
				return err
			}
			if len(h.Events) == 0 {
				return fmt.Errorf("there is no stick %q in the stock", e.Blank)
			}
			now, before := h.On("")
			if e.Corrects != "" {
				if err := h.correctable(e.Corrects); err != nil {
					return fmt.Errorf("stick %s: %w", now.Blank, err)
				}
			}
			e.RecordedAt = t.tick()
			if e.ID, err = t.newID(); err != nil {
				return err
			}
			h.Events = append(h.Events, e)
			h.sort()
			if _, after := h.On(""); len(after) > len(before) {
				return fmt.Errorf("stick %s can't be %s on %s: %s; `ringstock stock show %s` lists its history, `ringstock stock correct` takes a wrong entry back",
					now.Blank, e.Kind, e.Date, strings.Join(fresh(after, before), "; "), now.ID)
			}
			if _, err := t.insertEvent(e); err != nil {
				return err
			}
		}
		return nil
	})
}

func fresh(after, before []string) (out []string) {
	for _, p := range after {
		if !slices.Contains(before, p) {
			out = append(out, p)
		}
	}
	return out
}

// correctable finds a fact that may be taken back.
func (h History) correctable(id string) error {
	for _, e := range h.Events {
		if e.ID != id {
			continue
		}
		if e.Kind == Bought {
			return errors.New("that it came in can't be taken back, or the pieces would not balance: enter it as scrapped, with the reason")
		}
		return nil
	}
	for _, r := range h.Readings {
		if r.ID == id {
			return nil
		}
	}
	for _, t := range h.Tests {
		if t.ID == id {
			return nil
		}
	}
	return fmt.Errorf("it has no event, reading or test %q", id)
}

// CorrectableFields lists the fields of a stick that a correction may set.
func CorrectableFields() []string { return slices.Clone(fieldNames) }

// check refuses a reading that no stick can have.
func (r Reading) check() error {
	known := false
	for _, q := range quantities(&wood.Readings{}) {
		known = known || q.Name == r.Quantity
	}
	if !known {
		return fmt.Errorf("%q is not a quantity the stock keeps", r.Quantity)
	}
	if _, err := ParseDate(string(r.Date)); err != nil {
		return err
	}
	if !(r.Value >= 0) || math.IsInf(r.Value, 0) || !(r.U >= 0) || math.IsInf(r.U, 0) {
		return fmt.Errorf("%s of %v ± %v can't be measured", r.Quantity, r.Value, r.U)
	}
	for _, air := range []struct {
		name     string
		v        *float64
		min, max float64
	}{{"temperature_c", r.TemperatureC, -60, 100}, {"humidity_pct", r.HumidityPct, 0, 100}} {
		if air.v != nil && !(*air.v >= air.min && *air.v <= air.max) {
			return fmt.Errorf("%s of %v is not between %v and %v", air.name, *air.v, air.min, air.max)
		}
	}
	return nil
}

// Measure enters readings of one stick on one day (none = today) and says how many
// were new.
func (s *Store) Measure(ctx context.Context, blank string, date Date, readings []Reading) (added int, err error) {
	if date == "" {
		date = s.Today()
	}
	if _, err := s.Blank(ctx, blank); err != nil {
		return 0, err
	}
	err = s.write(ctx, func(t *tx) error {
		added, err = t.measured(blank, date, readings)
		return err
	})
	return added, err
}

// Judge is today's way from a row of a delivery to a graded blank, with the names of
// its method and of the profile it judges by. Where the recordings lie that the row
// names is in paths, by name.
type Judge struct {
	Method, Profile string
	Grade           func(ctx context.Context, row grading.Row, paths map[string]string) (grading.Blank, error)
}

// Testing is a new test of a stick in stock.
type Testing struct {
	Blank     string              // id
	Date      Date                // none = today
	Recording map[string][]string // paths by role: "side", "width", "end"
	Readings  []Reading           // measured on the same day
	Device    string
	Where     string // the recording was made
}

// Test enters readings and recordings of a stick and judges it by what is now known.
func (s *Store) Test(ctx context.Context, in Testing, judge Judge) error {
	if in.Date == "" {
		in.Date = s.Today()
	}
	row, err := s.row(ctx, in.Blank, in.Date, in.Readings)
	if err != nil {
		return err
	}
	test := Test{Blank: in.Blank, Date: in.Date, Method: judge.Method, Profile: judge.Profile, Device: in.Device, Place: in.Where}
	var files []File
	kept := keeper{dir: s.opt.Dir}
	paths := map[string]string{}
	for _, role := range []string{"side", "width", "end"} {
		for _, path := range in.Recording[role] {
			f, err := kept.keepPath(RecordingFile, path)
			if err != nil {
				return err
			}
			name := filepath.Base(path)
			for n := 2; paths[name] != ""; n++ {
				name = fmt.Sprintf("%d-%s", n, filepath.Base(path))
			}
			paths[name] = filepath.Join(s.opt.Dir, f.name())
			files = append(files, f)
			test.Recordings = append(test.Recordings, TestRecording{role, f.SHA256, name})
		}
	}
	if len(files) == 0 {
		_, err := s.Measure(ctx, in.Blank, in.Date, in.Readings)
		return err
	}
	if err := kept.sync(); err != nil {
		return err
	}
	nameFiles(&row, test.Recordings)
	result, err := judge.Grade(ctx, row, paths)
	if err != nil {
		return err
	}
	return s.write(ctx, func(t *tx) error {
		for _, f := range files {
			if err := t.insertFile(f); err != nil {
				return err
			}
		}
		if _, err := t.measured(in.Blank, in.Date, in.Readings); err != nil {
			return err
		}
		_, err := t.tested(test, result)
		return err
	})
}

// nameFiles names the recordings of a test in its row.
func nameFiles(row *grading.Row, recordings []TestRecording) {
	row.File, row.WidthFile, row.EndFile = nil, nil, nil
	for _, r := range recordings {
		list := map[string]*[]string{"side": &row.File, "width": &row.WidthFile, "end": &row.EndFile}[r.Role]
		*list = append(*list, r.Name)
	}
}

// row puts together what is known of a stick on a day: the newest reading of every
// quantity, the shape from its last test, the air of the newest reading.
func (s *Store) row(ctx context.Context, blank string, day Date, more []Reading) (row grading.Row, err error) {
	err = s.read(ctx, func(q querier) error {
		h, err := history(ctx, q, blank)
		if err != nil {
			return err
		}
		if len(h.Events) == 0 {
			return fmt.Errorf("there is no stick %q in the stock", blank)
		}
		b, _ := h.On("")
		row.Blank, row.Species, row.Price, row.Currency, row.Supplier = b.Blank, b.Species, b.Price, b.Currency, b.Supplier
		row.Lot, row.MakerGrade, row.Note = b.Lot, b.MakerGrade, b.Note
		void := h.Void()
		for i := len(h.Tests) - 1; i >= 0 && row.Shape == ""; i-- {
			raw, err := resultOf(ctx, q, h.Tests[i].ID)
			if err != nil {
				return err
			}
			var old grading.Blank
			if err := json.Unmarshal(raw, &old); err != nil {
				return fmt.Errorf("the result of test %s can't be read: %w", h.Tests[i].ID, err)
			}
			row.Shape = old.Row.Shape
		}
		take := func(r Reading) {
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
		for _, r := range h.Readings {
			if !void[r.ID] && r.Date <= day {
				take(r)
			}
		}
		for _, r := range more {
			take(r)
		}
		return nil
	})
	return row, err
}

// Change is what today's method makes of an old test.
type Change struct {
	ID    string   `json:"id"`
	Blank string   `json:"blank"`
	Date  Date     `json:"date"`
	Old   Test     `json:"old"`
	New   *Test    `json:"new"`   // nil if the recordings could not be judged
	Moved []string `json:"moved"` // figures that differ by more than twice their joint uncertainty
	Error string   `json:"error"`
}

// Reanalyse judges the recordings of every test by today's method, where it has not
// done so yet; judgeFor gives the judge for tests that a profile judged. The old tests
// stay beside the new ones. A test that fails is listed and the others go on. Report,
// if not nil, is called before each test.
func (s *Store) Reanalyse(ctx context.Context, judgeFor func(profile string) (Judge, error), report func(done, of int)) (changes []Change, err error) {
	type job struct {
		blank string
		test  Test
		judge Judge
		err   error
	}
	var jobs []job
	err = s.read(ctx, func(q querier) error {
		ids, err := all(ctx, q, func(row scanner) (id string, err error) { return id, row.Scan(&id) }, `SELECT id FROM blanks ORDER BY sort_key, id`)
		if err != nil {
			return err
		}
		for _, id := range ids {
			h, err := history(ctx, q, id)
			if err != nil {
				return err
			}
			void := h.Void()
			b, _ := h.On("")
			for _, t := range h.Tests {
				if t.Redoes != "" || void[t.ID] {
					continue
				}
				judge, err := judgeFor(t.Profile)
				done := slices.ContainsFunc(h.Tests, func(other Test) bool {
					return (other.ID == t.ID || other.Redoes == t.ID) && other.Method == judge.Method && other.Profile == judge.Profile
				})
				if err != nil || !done {
					jobs = append(jobs, job{b.Blank, t, judge, err})
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i, j := range jobs {
		if report != nil {
			report(i, len(jobs))
		}
		c := Change{ID: j.test.Blank, Blank: j.blank, Date: j.test.Date, Old: j.test}
		if err = j.err; err == nil {
			c.New, err = s.redo(ctx, j.test, j.judge)
		}
		if err != nil {
			if ctx.Err() != nil {
				return changes, err
			}
			c.Error = err.Error()
		} else {
			c.Moved = moved(j.test, *c.New)
		}
		changes = append(changes, c)
	}
	return changes, nil
}

// redo judges one test anew, on the readings it had.
func (s *Store) redo(ctx context.Context, old Test, judge Judge) (*Test, error) {
	raw, err := resultOf(ctx, s.db, old.ID)
	if err != nil {
		return nil, s.explain(err)
	}
	var was grading.Blank
	if err := json.Unmarshal(raw, &was); err != nil {
		return nil, fmt.Errorf("the result of test %s can't be read: %w", old.ID, err)
	}
	paths := map[string]string{}
	for _, r := range old.Recordings {
		f, err := s.file(ctx, s.db, r.SHA256)
		if err != nil {
			return nil, err
		}
		paths[r.Name] = filepath.Join(s.opt.Dir, f.name())
	}
	nameFiles(&was.Row, old.Recordings)
	result, err := judge.Grade(ctx, was.Row, paths)
	if err != nil {
		return nil, err
	}
	test := Test{Blank: old.Blank, Date: old.Date, Method: judge.Method, Profile: judge.Profile, Device: old.Device, Place: old.Place, Redoes: old.ID, Recordings: old.Recordings}
	err = s.write(ctx, func(t *tx) error {
		_, err := t.tested(test, result)
		return err
	})
	test.take(result)
	return &test, err
}

func (s *Store) file(ctx context.Context, q querier, sha256 string) (f File, err error) {
	err = q.QueryRowContext(ctx, `SELECT sha256, kind, ending, bytes FROM files WHERE sha256 = ?`, sha256).Scan(&f.SHA256, &f.Kind, &f.Ending, &f.Bytes)
	return f, s.explain(err)
}

func moved(old, now Test) (out []string) {
	for _, v := range []struct {
		name     string
		old, now measure.Value
		unit     string
	}{
		{"score", old.Score, now.Score, ""}, {"pitch", old.Hz, now.Hz, "Hz"}, {"Q", old.Q, now.Q, ""},
		{"density", old.Density, now.Density, "kg/m³"}, {"specific modulus", old.SpecificModulus, now.SpecificModulus, "MJ/kg"},
	} {
		switch {
		case v.old.Known() != v.now.Known():
			out = append(out, fmt.Sprintf("%s %s, was %s", v.name, known(v.now, v.unit), known(v.old, v.unit)))
		case v.old.Known() && math.Abs(v.now.X-v.old.X) > 2*math.Hypot(v.old.U, v.now.U):
			out = append(out, fmt.Sprintf("%s %s, was %s", v.name, known(v.now, v.unit), known(v.old, v.unit)))
		}
	}
	if old.Verdict != now.Verdict {
		out = append(out, fmt.Sprintf("verdict %s, was %s", now.Verdict, old.Verdict))
	}
	return out
}

// known is a value without the reason why there is none.
func known(v measure.Value, unit string) string {
	if !v.Known() {
		return "unknown"
	}
	return v.Text(unit)
}
