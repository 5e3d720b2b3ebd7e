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

// plan is one act before it is entered: the facts that it will write down, together or
// not at all.
type plan struct {
	what     string
	undoes   int64 // the act it takes back
	files    []File
	events   []Event
	readings []Reading
	tests    []judgement
	replaces []replacement
	anew     bool // what the sticks are judged by may change
}

// judgement is a test with its whole result.
type judgement struct {
	Test
	result grading.Blank
}

// Revision is what an act made of one stick.
type Revision struct {
	ID      string   `json:"id"`
	Blank   string   `json:"blank"`
	Before  Blank    `json:"before"`
	After   Blank    `json:"after"`
	Changed []string `json:"changed"` // in words: "score 0 -> 84"
	Notes   []string `json:"notes"`   // why it could not be judged anew
}

// errOvertaken says that another program wrote about the same stick in the meantime.
var errOvertaken = errors.New("another program wrote about the same stick at the same moment: do it again")

// carryOut enters an act. Sticks whose readings, tests or nature it changes are judged
// anew first, from their stored sound, so that facts and judgement go in together.
func (s *Store) carryOut(ctx context.Context, p plan) (out []Revision, err error) {
	for range 4 {
		if out, err = s.carryOutOnce(ctx, p); !errors.Is(err, errOvertaken) {
			break
		}
	}
	return out, err
}

func (p plan) sticks() (ids []string) {
	see := func(id string) {
		if id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	seen := map[string]bool{}
	for _, e := range p.events {
		if !seen[e.Blank] { // a long list is no reason to search it for each
			seen[e.Blank] = true
			see(e.Blank)
		}
	}
	for _, r := range p.readings {
		see(r.Blank)
	}
	for _, t := range p.tests {
		see(t.Blank)
	}
	return ids
}

func (s *Store) carryOutOnce(ctx context.Context, p plan) (out []Revision, err error) {
	today := s.Today()
	known := map[string]int{} // rank of what is known of a stick
	judgements := slices.Clone(p.tests)
	for _, id := range p.sticks() {
		var h History
		if err := s.read(ctx, func(q querier) (err error) { h, err = history(ctx, q, id); return err }); err != nil {
			return nil, err
		}
		if len(h.Events) == 0 {
			return nil, fmt.Errorf("there is no stick %q in the stock", id)
		}
		known[id] = h.rank()
		rev := Revision{ID: id, Changed: []string{}, Notes: []string{}}
		rev.Before, _ = h.On(today)
		all, before := h.On("")
		if all.State == "" && slices.ContainsFunc(p.events, func(e Event) bool { return e.Blank == id && e.Kind != Corrected }) {
			return nil, fmt.Errorf("stick %s is not in the stock, its purchase was taken back: `ringstock stock undo --redo` or `ringstock stock correct` brings it back", all.Blank)
		}
		then, err := h.with(p, id)
		if err != nil {
			return nil, fmt.Errorf("stick %s: %w", rev.Before.Blank, err)
		}
		_, after := then.On("")
		if new := fresh(after, before); len(new) > 0 && len(after) > len(before) {
			return nil, fmt.Errorf("stick %s: this can't be: %s; `ringstock stock show %s` lists its history, `ringstock stock correct` takes a wrong entry back",
				rev.Before.Blank, strings.Join(new, "; "), id)
		}
		if p.anew || len(p.readings) > 0 {
			j, note, err := s.judgeAnew(ctx, then)
			if err != nil {
				return nil, err
			}
			if j != nil {
				judgements = append(judgements, *j)
			}
			if note != "" {
				rev.Notes = append(rev.Notes, note)
			}
		}
		out = append(out, rev)
	}
	err = s.writeAct(ctx, p.what, p.undoes, func(t *tx) error {
		for id, want := range known {
			if rank, err := t.rank(id, ""); err != nil {
				return err
			} else if rank != want+1 {
				return errOvertaken
			}
		}
		return t.enterPlan(p, judgements)
	})
	if err != nil {
		return nil, err
	}
	for i := range out {
		h, err := history(ctx, s.db, out[i].ID)
		if err != nil {
			return out, s.explain(err)
		}
		out[i].After, _ = h.On(today)
		out[i].Blank = out[i].After.Blank
		out[i].Changed = append(out[i].Changed, changes(out[i].Before, out[i].After)...)
	}
	return out, nil
}

func (t *tx) enterPlan(p plan, judgements []judgement) error {
	for _, f := range p.files {
		if err := t.insertFile(f); err != nil {
			return err
		}
	}
	instead := map[string]string{} // of a fact that was taken back
	for _, r := range p.replaces {
		id, err := t.enterReplacement(r)
		if err != nil {
			return err
		}
		instead[r.old] = id
	}
	for _, e := range p.events {
		if id := instead[e.Corrects]; id != "" {
			e.Reference = id
		}
		if _, _, err := t.enterEvent(e); err != nil {
			return err
		}
	}
	for i := 0; i < len(p.readings); { // those of one stick and day together
		n := i + 1
		for n < len(p.readings) && p.readings[n].Blank == p.readings[i].Blank && p.readings[n].Date == p.readings[i].Date {
			n++
		}
		if _, err := t.measured(p.readings[i].Blank, p.readings[i].Date, p.readings[i:n]); err != nil {
			return err
		}
		i = n
	}
	for _, j := range judgements {
		if _, err := t.tested(j.Test, j.result); err != nil {
			return err
		}
	}
	return nil
}

// rank is the highest of all facts of a stick.
func (h History) rank() (r int) {
	for _, e := range h.Events {
		r = max(r, e.Rank)
	}
	for _, m := range h.Readings {
		r = max(r, m.Rank)
	}
	for _, t := range h.Tests {
		r = max(r, t.Rank)
	}
	return r
}

// with is the history as it will be after an act.
func (h History) with(p plan, id string) (History, error) {
	h.Events, h.Readings, h.Tests = slices.Clone(h.Events), slices.Clone(h.Readings), slices.Clone(h.Tests)
	rank := h.rank() + 1
	for i, e := range p.events {
		if e.Blank == id {
			if e.Corrects != "" {
				if err := h.correctable(e.Corrects); err != nil {
					return h, err
				}
			}
			e.ID, e.Rank, e.RecordedAt = fmt.Sprintf("planned %d", i), rank, fmt.Sprintf("planned %9d", i)
			h.Events = append(h.Events, e)
		}
	}
	for i, r := range p.readings {
		if r.Blank == id {
			r.ID, r.Rank, r.RecordedAt = fmt.Sprintf("planned reading %d", i), rank, fmt.Sprintf("planned %9d", i)
			h.Readings = append(h.Readings, r)
		}
	}
	for i, j := range p.tests {
		if j.Blank == id {
			t := j.Test
			t.take(j.result)
			t.ID, t.Rank = fmt.Sprintf("planned test %d", i), rank
			h.Tests = append(h.Tests, t)
		}
	}
	for _, r := range p.replaces {
		r.addTo(&h, id, "planned instead of "+r.old, rank)
	}
	h.sort()
	return h, nil
}

// Record enters events of sticks: moved, reserved, sold and so on. All are entered or
// none. An event that can't have happened, as selling a stick that was scrapped, is
// refused. Id and moment are set here; a missing date is today.
func (s *Store) Record(ctx context.Context, events ...Event) error {
	_, err := s.RecordAll(ctx, events...)
	return err
}

// RecordAll is Record that tells what changed.
func (s *Store) RecordAll(ctx context.Context, events ...Event) ([]Revision, error) {
	p := plan{}
	var doubts doubtList
	for _, e := range events {
		if e.Date == "" {
			if e.Date = s.Today(); e.Blank != "" {
				if err := doubts.clock(ctx, s, e.Blank); err != nil {
					return nil, err
				}
			}
		}
		if e.Kind == Bought {
			return nil, errors.New("sticks come in by `ringstock stock add`")
		}
		if err := e.check(); err != nil {
			return nil, err
		}
		doubts.future(s, e.Date)
		p.events = append(p.events, e)
		p.anew = p.anew || e.Kind == Corrected
	}
	if len(events) > 0 {
		p.what = fmt.Sprintf("%s, %s", events[0].Kind, counted(len(p.sticks()), "stick"))
	}
	if err := doubts.err(s); err != nil {
		return nil, err
	}
	return s.carryOut(ctx, p)
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
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
		if e.ID == id {
			return nil
		}
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

// Measure enters readings of one stick on one day (none = today); the stick is judged
// anew from its stored sound.
func (s *Store) Measure(ctx context.Context, blank string, date Date, readings []Reading) (Revision, error) {
	return s.Test(ctx, Testing{Blank: blank, Date: date, Readings: readings}, Judge{})
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
func (s *Store) Test(ctx context.Context, in Testing, judge Judge) (rev Revision, err error) {
	var h History
	if err := s.read(ctx, func(q querier) (err error) { h, err = history(ctx, q, in.Blank); return err }); err != nil {
		return rev, err
	}
	if len(h.Events) == 0 {
		return rev, fmt.Errorf("there is no stick %q in the stock", in.Blank)
	}
	var doubts doubtList
	if in.Date == "" {
		in.Date = s.Today()
		if err := doubts.clock(ctx, s, in.Blank); err != nil {
			return rev, err
		}
	}
	p := plan{what: "test of a stick"}
	for _, r := range in.Readings {
		r.Blank, r.Date = in.Blank, in.Date
		if err := r.check(); err != nil {
			return rev, err
		}
		p.readings = append(p.readings, r)
	}
	doubts.future(s, in.Date)
	for _, r := range p.readings {
		doubts.reading(h, r)
	}
	if test, err := s.tap(ctx, h, in, judge, &p, &doubts); err != nil {
		return rev, err
	} else if test != nil {
		p.tests = append(p.tests, *test)
	}
	if err := doubts.err(s); err != nil {
		return rev, err
	}
	revs, err := s.carryOut(ctx, p)
	if len(revs) > 0 {
		rev = revs[0]
	}
	return rev, err
}

// tap keeps the recordings of a test and judges them with all that is known of the stick.
func (s *Store) tap(ctx context.Context, h History, in Testing, judge Judge, p *plan, doubts *doubtList) (*judgement, error) {
	test := Test{Blank: in.Blank, Date: in.Date, Method: judge.Method, Profile: judge.Profile, Device: in.Device, Place: in.Where}
	kept := keeper{dir: s.opt.Dir}
	paths := map[string]string{}
	for _, role := range []string{"side", "width", "end"} {
		for _, path := range in.Recording[role] {
			f, err := kept.keepPath(RecordingFile, path)
			if err != nil {
				return nil, err
			}
			name := filepath.Base(path)
			for n := 2; paths[name] != ""; n++ {
				name = fmt.Sprintf("%d-%s", n, filepath.Base(path))
			}
			paths[name] = filepath.Join(s.opt.Dir, f.name())
			p.files = append(p.files, f)
			test.Recordings = append(test.Recordings, TestRecording{role, f.SHA256, name})
		}
	}
	if len(p.files) == 0 {
		return nil, nil
	}
	if err := kept.sync(); err != nil {
		return nil, err
	}
	if err := doubts.recordings(ctx, s, in.Blank, test.Recordings); err != nil {
		return nil, err
	}
	then, err := h.with(*p, in.Blank)
	if err != nil {
		return nil, err
	}
	row, err := s.rowFor(ctx, then, test)
	if err != nil {
		return nil, err
	}
	result, err := judge.Grade(ctx, row, paths)
	if err != nil {
		return nil, err
	}
	test.take(result)
	doubts.note(h, test)
	return &judgement{test, result}, nil
}

// nameFiles names the recordings of a test in its row.
func nameFiles(row *grading.Row, recordings []TestRecording) {
	row.File, row.WidthFile, row.EndFile = nil, nil, nil
	for _, r := range recordings {
		list := map[string]*[]string{"side": &row.File, "width": &row.WidthFile, "end": &row.EndFile}[r.Role]
		*list = append(*list, r.Name)
	}
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
// stay beside the new ones; a judgement by another profile than the stick's own stands
// beside the one that counts, until the stick's profile is corrected. A test that fails
// is listed and the others go on. All new judgements are one act. Report, if not nil, is
// called before each test.
func (s *Store) Reanalyse(ctx context.Context, judgeFor func(profile string) (Judge, error), report func(done, of int)) (changes []Change, err error) {
	type job struct {
		blank string
		test  Test
		judge Judge
		err   error
	}
	var jobs []job
	err = s.read(ctx, func(q querier) error {
		ids, err := all(ctx, q, firstText, `SELECT id FROM blanks WHERE gone = 0 ORDER BY sort_key, id`)
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
					return (other.ID == t.ID || other.Redoes == t.ID) && other.Method == judge.Method && other.Profile == judge.Profile && !void[other.ID]
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
	p := plan{what: "reanalyse"}
	for i, j := range jobs {
		if report != nil {
			report(i, len(jobs))
		}
		c := Change{ID: j.test.Blank, Blank: j.blank, Date: j.test.Date, Old: j.test}
		if err = j.err; err == nil {
			var redone *judgement
			if redone, err = s.redo(ctx, j.test, j.judge); err == nil {
				c.New = &redone.Test
				p.tests = append(p.tests, *redone)
			}
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
	if len(p.tests) == 0 {
		return changes, nil
	}
	_, err = s.carryOut(ctx, p)
	return changes, err
}

// redo judges one test anew, on the readings it had.
func (s *Store) redo(ctx context.Context, old Test, judge Judge) (*judgement, error) {
	raw, err := resultOf(ctx, s.db, old.ID)
	if err != nil {
		return nil, s.explain(err)
	}
	var was grading.Blank
	if err := json.Unmarshal(raw, &was); err != nil {
		return nil, fmt.Errorf("the result of test %s can't be read: %w", old.ID, err)
	}
	return s.judgeStored(ctx, old, was.Row, judge)
}

// judgeStored judges the stored recordings of a test with a row of readings.
func (s *Store) judgeStored(ctx context.Context, old Test, row grading.Row, judge Judge) (*judgement, error) {
	paths := map[string]string{}
	for _, r := range old.Recordings {
		f, err := s.file(ctx, s.db, r.SHA256)
		if err != nil {
			return nil, err
		}
		paths[r.Name] = filepath.Join(s.opt.Dir, f.name())
	}
	nameFiles(&row, old.Recordings)
	result, err := judge.Grade(ctx, row, paths)
	if err != nil {
		return nil, err
	}
	redoes := old.ID
	if old.Redoes != "" {
		redoes = old.Redoes
	}
	test := Test{Blank: old.Blank, Date: old.Date, Method: judge.Method, Profile: judge.Profile, Device: old.Device, Place: old.Place, Redoes: redoes, Recordings: old.Recordings}
	test.take(result)
	return &judgement{test, result}, nil
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

// changes tells in words in what two states of a stick differ.
func changes(a, b Blank) (out []string) {
	say := func(name, old, now string) {
		if old != now {
			if old == "" {
				old = "none"
			}
			if now == "" {
				now = "none"
			}
			out = append(out, name+" "+old+" -> "+now)
		}
	}
	value := func(name, unit string, old, now measure.Value) {
		if old.Known() != now.Known() || old.Known() && (old.X != now.X || old.U != now.U) {
			x, y := known(old, ""), known(now, unit)
			say(name, strings.TrimSpace(x), y)
		}
	}
	price := func(b Blank) string {
		if b.Price == nil {
			return ""
		}
		return strings.TrimSpace(text(*b.Price) + " " + b.Currency)
	}
	state := func(b Blank) string {
		if b.State == "" {
			return "not in the stock"
		}
		return string(b.State)
	}
	say("number", a.Blank, b.Blank)
	say("state", state(a), state(b))
	value("mass", "g", a.Mass, b.Mass)
	value("note", "Hz", a.Hz, b.Hz)
	value("Q", "", a.Q, b.Q)
	value("density", "kg/m³", a.Density, b.Density)
	value("E/rho", "MJ/kg", a.SpecificModulus, b.SpecificModulus)
	value("score", "", a.Score, b.Score)
	say("verdict", string(a.Verdict), string(b.Verdict))
	say("profile", a.Profile, b.Profile)
	say("species", a.Species, b.Species)
	say("lot", a.Lot, b.Lot)
	say("delivery", a.Delivery, b.Delivery)
	say("supplier", a.Supplier, b.Supplier)
	say("price", price(a), price(b))
	say("bought", string(a.Bought), string(b.Bought))
	say("place", a.Place, b.Place)
	say("for", a.Party, b.Party)
	say("bow", a.Reference, b.Reference)
	say("grade", a.MakerGrade, b.MakerGrade)
	say("note", a.Note, b.Note)
	return out
}
