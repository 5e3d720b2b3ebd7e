package stock

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"ringstock/grading"
	"ringstock/grading/wood"
)

// Correction takes back a fact, puts another in its place, or sets right what a stick is.
// The wrong entry stays where it is and is shown as taken back.
type Correction struct {
	Sticks []string          // ids; none where the entry's own id tells
	Entry  string            // id of the fact or its beginning, or what it is: bought, sold, mass ...
	Set    map[string]string // what is right; none takes the entry back
	Why    string
	Date   Date // of the correction; none = today
}

// replacement is the fact that is entered in place of one that is taken back.
type replacement struct {
	old      string // id of the fact taken back
	event    *Event
	reading  *Reading
	test     *judgement
	lot      *lotFact
	document *Document
}

func (r replacement) addTo(h *History, stick, id string, rank int) {
	switch {
	case r.event != nil && r.event.Blank == stick:
		e := *r.event
		e.ID, e.Rank = id, rank
		h.Events = append(h.Events, e)
	case r.reading != nil && r.reading.Blank == stick:
		m := *r.reading
		m.ID, m.Rank = id, rank
		h.Readings = append(h.Readings, m)
	case r.test != nil && r.test.Blank == stick:
		t := r.test.Test
		t.ID, t.Rank = id, rank
		h.Tests = append(h.Tests, t)
	}
}

func (t *tx) enterReplacement(r replacement) (id string, err error) {
	switch {
	case r.event != nil:
		e, _, err := t.enterEvent(*r.event)
		return e.ID, err
	case r.reading != nil:
		m, _, err := t.enterReading(*r.reading)
		if err != nil {
			return "", err
		}
		_, _, err = t.enterEvent(Event{Blank: m.Blank, Date: m.Date, Kind: Measured, Reason: m.String()})
		return m.ID, err
	case r.test != nil:
		return t.enterTest(r.test.Test, r.test.result)
	case r.lot != nil:
		return t.enterLot(*r.lot)
	case r.document != nil:
		return t.enterDocument(*r.document)
	}
	return "", errors.New("nothing to enter")
}

// entry is a fact that a correction is about.
type entry struct {
	id, blank, lot string
	event          *Event
	reading        *Reading
	test           *Test
	record         *lotFact
	document       *Document
}

// Correct takes facts back or replaces them; the sticks are judged anew, and what changed
// is told.
func (s *Store) Correct(ctx context.Context, c Correction) ([]Revision, error) {
	if c.Date == "" {
		c.Date = s.Today()
	}
	if c.Why == "" {
		return nil, errors.New("a correction must say why")
	}
	p := plan{what: "correction: " + c.Why, anew: true}
	var doubts doubtList
	doubts.future(s, c.Date)
	if c.Entry == "" {
		if len(c.Sticks) == 0 || len(c.Set) == 0 {
			return nil, errors.New("say which entry is wrong, by its id, or what is right of which stick")
		}
		for _, id := range c.Sticks {
			e := Event{Kind: Corrected, Blank: id, Date: c.Date, Reason: c.Why, Fields: c.Set}
			for name := range c.Set {
				if !slices.Contains(fieldNames, name) {
					return nil, fmt.Errorf("%q is not what a correction can set: it is none of %s; with the id of an entry, what that entry says can be set", name, strings.Join(fieldNames, ", "))
				}
			}
			if err := e.check(); err != nil {
				return nil, err
			}
			p.events = append(p.events, e)
		}
	} else {
		entries, err := s.entries(ctx, c)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if err := s.planCorrection(ctx, &p, e, c, c.Set, &doubts); err != nil {
				return nil, err
			}
			day, moves := c.Set["date"]
			if e.event == nil || e.event.Kind != Bought || !moves {
				continue
			}
			// What came in with the stick on that day came in on the right one.
			along, redone, err := s.cameAlong(ctx, *e.event)
			if err != nil {
				return nil, err
			}
			var asked doubtList // about the day that was asked back above
			for _, a := range along {
				if err := s.planCorrection(ctx, &p, a, c, map[string]string{"date": day}, &asked); err != nil {
					return nil, err
				}
			}
			for _, a := range redone { // judged anew where that is needed
				if err := s.planCorrection(ctx, &p, a, c, nil, &doubts); err != nil {
					return nil, err
				}
			}
		}
	}
	if err := doubts.err(s); err != nil {
		return nil, err
	}
	return s.carryOut(ctx, p)
}

// planCorrection plans to take a fact back and, if something is set, to put
// another in its place.
func (s *Store) planCorrection(ctx context.Context, p *plan, e entry, c Correction, set map[string]string, doubts *doubtList) error {
	p.events = append(p.events, Event{Kind: Corrected, Blank: e.blank, Lot: e.lot, Date: c.Date, Reason: c.Why, Corrects: e.id})
	if len(set) == 0 {
		return nil
	}
	r, err := s.replace(ctx, e, set, doubts)
	r.old = e.id
	p.replaces = append(p.replaces, r)
	return err
}

// cameAlong are the readings, the grade and the tests of the day of a purchase that were
// entered with it, and later judgements of those tests.
func (s *Store) cameAlong(ctx context.Context, bought Event) (along, redone []entry, err error) {
	err = s.read(ctx, func(q querier) error {
		h, err := history(ctx, q, bought.Blank)
		if err != nil {
			return err
		}
		void := h.Void()
		came := func(rank int, date Date, id string) bool {
			return date == bought.Date && rank == bought.Rank && !void[id]
		}
		for _, r := range h.Readings {
			if came(r.Rank, r.Date, r.ID) {
				along = append(along, entry{id: r.ID, blank: r.Blank, reading: &r})
			}
		}
		for _, e := range h.Events {
			if e.Kind == Graded && came(e.Rank, e.Date, e.ID) {
				along = append(along, entry{id: e.ID, blank: e.Blank, event: &e})
			}
		}
		for _, t := range h.Tests {
			switch {
			case t.Redoes == "" && came(t.Rank, t.Date, t.ID):
				along = append(along, entry{id: t.ID, blank: t.Blank, test: &t})
			case t.Redoes != "" && !void[t.ID] && slices.ContainsFunc(h.Tests, func(x Test) bool { return x.ID == t.Redoes && x.Redoes == "" && came(x.Rank, x.Date, x.ID) }):
				redone = append(redone, entry{id: t.ID, blank: t.Blank, test: &t})
			}
		}
		return nil
	})
	return along, redone, err
}

// entries finds the facts a correction is about: one by its id, or one of each stick by
// what it is.
func (s *Store) entries(ctx context.Context, c Correction) (out []entry, err error) {
	err = s.read(ctx, func(q querier) error {
		low := strings.ToLower(c.Entry)
		found, err := entriesByID(ctx, q, low)
		if err != nil {
			return err
		}
		if len(c.Sticks) > 0 {
			found = slices.DeleteFunc(found, func(e entry) bool { return !slices.Contains(c.Sticks, e.blank) })
		}
		if len(found) > 1 {
			var ids []string
			for _, e := range found {
				ids = append(ids, e.id)
			}
			return fmt.Errorf("%d entries have an id that begins with %q: %s", len(found), c.Entry, strings.Join(ids, ", "))
		}
		if len(found) == 0 {
			for _, id := range c.Sticks {
				h, err := history(ctx, q, id)
				if err != nil {
					return err
				}
				e := h.last(low)
				if e == nil {
					b, _ := h.On("")
					return fmt.Errorf("stick %s: it has no event, reading or test %q: `ringstock stock show %s` prints the ids of all its entries", b.Blank, c.Entry, id)
				}
				found = append(found, *e)
			}
		}
		if len(found) == 0 {
			return fmt.Errorf("there is no entry %q: `ringstock stock show STICK` and `ringstock stock lot LOT` print the ids of all entries", c.Entry)
		}
		for i, e := range found {
			if e.event != nil && e.event.Kind == Tested { // it only tells of the test
				if found[i], err = theTest(ctx, q, e.event.Reference); err != nil {
					return err
				}
			}
			void, err := voidOf(ctx, q, e.blank, e.lot)
			if err != nil {
				return err
			}
			if void[found[i].id] {
				return fmt.Errorf("the entry %s is taken back already: to let it stand again, take back the correction", found[i].id)
			}
		}
		out = found
		return nil
	})
	return out, err
}

func theTest(ctx context.Context, q querier, id string) (entry, error) {
	found, err := entriesByID(ctx, q, id)
	if err == nil && len(found) != 1 {
		err = fmt.Errorf("the test %s is not there: `ringstock stock check` says what to do", id)
	}
	if err != nil {
		return entry{}, err
	}
	return found[0], nil
}

// shortest is the fewest letters of an id that are taken for it.
const shortest = 4

func entriesByID(ctx context.Context, q querier, id string) (out []entry, err error) {
	if len(id) < shortest || strings.Trim(id, "0123456789abcdefghjkmnpqrstvwxyz") != "" {
		return nil, nil
	}
	const where = ` WHERE id >= ?1 AND id < ?1 || '~' LIMIT 20`
	events, err := all(ctx, q, scanEvent, `SELECT `+eventColumns+` FROM events`+where, id)
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		out = append(out, entry{id: e.ID, blank: e.Blank, lot: e.Lot, event: &e})
	}
	readings, err := all(ctx, q, scanReading, `SELECT `+readingColumns+` FROM readings`+where, id)
	if err != nil {
		return nil, err
	}
	for _, r := range readings {
		out = append(out, entry{id: r.ID, blank: r.Blank, reading: &r})
	}
	tests, err := all(ctx, q, scanTest, `SELECT `+testColumns+` FROM tests`+where, id)
	if err != nil {
		return nil, err
	}
	for _, t := range tests {
		if t.Recordings, err = recordingsOf(ctx, q, t.ID); err != nil {
			return nil, err
		}
		out = append(out, entry{id: t.ID, blank: t.Blank, test: &t})
	}
	lots, err := all(ctx, q, scanLot, `SELECT `+lotColumns+` FROM lot_records`+where, id)
	if err != nil {
		return nil, err
	}
	for _, l := range lots {
		out = append(out, entry{id: l.ID, lot: l.Record.Lot, record: &l})
	}
	papers, err := all(ctx, q, scanDocument, `SELECT `+documentColumns+` FROM documents`+where, id)
	for _, d := range papers {
		out = append(out, entry{id: d.ID, lot: d.Lot, document: &d})
	}
	return out, err
}

// last is the last fact of a kind that stands: "bought", "sold", "mass", "test" ...
func (h History) last(what string) (found *entry) {
	void := h.Void()
	for _, e := range h.Events {
		if string(e.Kind) == what && !void[e.ID] && e.Kind != Tested && e.Kind != Measured {
			found = &entry{id: e.ID, blank: e.Blank, event: &e}
		}
	}
	for _, r := range h.Readings {
		if (r.Quantity == what || strings.HasPrefix(r.Quantity, what+"_") && !strings.Contains(strings.TrimPrefix(r.Quantity, what+"_"), "_")) && !void[r.ID] {
			found = &entry{id: r.ID, blank: r.Blank, reading: &r}
		}
	}
	for _, t := range h.Tests {
		if (what == "test" || what == "tested") && t.Redoes == "" && !void[t.ID] {
			found = &entry{id: t.ID, blank: t.Blank, test: &t}
		}
	}
	return found
}

// replace makes the fact that says what is right.
func (s *Store) replace(ctx context.Context, e entry, set map[string]string, doubts *doubtList) (r replacement, err error) {
	switch {
	case e.event != nil:
		return replaceEvent(s, *e.event, set, doubts)
	case e.reading != nil:
		var h History
		if err := s.read(ctx, func(q querier) (err error) { h, err = history(ctx, q, e.blank); return err }); err != nil {
			return r, err
		}
		h.Readings = slices.DeleteFunc(h.Readings, func(m Reading) bool { return m.ID == e.id })
		return replaceReading(s, h, *e.reading, set, doubts)
	case e.test != nil:
		t := *e.test
		for _, name := range slices.Sorted(maps.Keys(set)) {
			switch v := set[name]; name {
			case "date":
				t.Date, err = ParseDate(v)
			case "device":
				t.Device = v
			case "where", "place":
				t.Place = v
			default:
				return r, fmt.Errorf("a test has no %q to set: it has date, device, where; what it found is judged anew when a reading is put right", name)
			}
			if err != nil {
				return r, err
			}
		}
		doubts.future(s, t.Date)
		raw, err := resultOf(ctx, s.db, e.id)
		if err != nil {
			return r, s.explain(err)
		}
		var result grading.Blank
		if err := json.Unmarshal(raw, &result); err != nil {
			return r, fmt.Errorf("the result of test %s can't be read: %w", e.id, err)
		}
		return replacement{test: &judgement{t, result}}, nil
	case e.record != nil:
		l := *e.record
		if err := setNamed(&l.Record, set, "lot"); err != nil {
			return r, err
		}
		return replacement{lot: &l}, nil
	}
	d := *e.document
	if err := setNamed(&d, set, "id", "lot", "sha256", "recorded_at", "rank"); err != nil {
		return r, err
	}
	return replacement{document: &d}, nil
}

func replaceEvent(s *Store, e Event, set map[string]string, doubts *doubtList) (r replacement, err error) {
	e.Fields = maps.Clone(e.Fields)
	for _, name := range slices.Sorted(maps.Keys(set)) {
		v := set[name]
		switch {
		case name == "date":
			e.Date, err = ParseDate(v)
		case name == "place":
			e.Place = v
		case name == "for" || name == "party" || name == "from":
			e.Party = v
		case name == "bow" || name == "reference":
			e.Reference = v
		case name == "grade":
			e.Grade = v
		case name == "why" || name == "reason" || name == "remark":
			e.Reason = v
		case (e.Kind == Bought || e.Kind == Corrected) && slices.Contains(fieldNames, name):
			if e.Fields == nil {
				e.Fields = map[string]string{}
			}
			e.Fields[name] = v
		default:
			return r, fmt.Errorf("an entry %q has no %q to set: it has date, place, for, bow, grade, why", e.Kind, name)
		}
		if err != nil {
			return r, err
		}
	}
	doubts.future(s, e.Date)
	return replacement{event: &e}, e.check()
}

func replaceReading(s *Store, h History, m Reading, set map[string]string, doubts *doubtList) (r replacement, err error) {
	bare := strings.TrimSuffix(m.Quantity, m.Quantity[strings.LastIndexByte(m.Quantity, '_'):])
	number := func(column, v string, to *float64) error {
		c, err := grading.ParseCell(column, v)
		if err == nil {
			*to = c.Number
		}
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(set)) {
		v := set[name]
		switch name {
		case "date":
			m.Date, err = ParseDate(v)
		case "value", m.Quantity, bare:
			err = number(m.Quantity, v, &m.Value)
		case "u":
			m.U, err = strconv.ParseFloat(strings.Replace(v, ",", ".", 1), 64)
		case "temperature", "temperature_c":
			m.TemperatureC = new(float64)
			err = number("temperature_c", v, m.TemperatureC)
		case "humidity", "humidity_pct":
			m.HumidityPct = new(float64)
			err = number("humidity_pct", v, m.HumidityPct)
		case "instrument":
			m.Instrument = v
		case "remark":
			m.Remark = v
		default:
			return r, fmt.Errorf("a reading has no %q to set: it has %s, u, date, temperature, humidity, instrument, remark", name, bare)
		}
		if err != nil {
			return r, fmt.Errorf("%s: %w", name, err)
		}
	}
	doubts.future(s, m.Date)
	doubts.reading(h, m)
	return replacement{reading: &m}, m.check()
}

// setNamed sets fields of a record by their names in JSON, except some.
func setNamed(record any, set map[string]string, except ...string) error {
	raw, err := json.Marshal(record)
	if err != nil {
		return err
	}
	var fields map[string]any
	if err := json.Unmarshal(raw, &fields); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(set)) {
		full, v := name, set[name]
		if _, ok := fields[full]; !ok {
			full = map[string]string{"issued": "issued_on", "expires": "expires_on", "legal": "legal_status", "kg": "mass_kg", "m3": "volume_m3", "botanical": "botanical_name"}[name]
		}
		if _, ok := fields[full]; !ok || slices.Contains(except, full) {
			names := slices.DeleteFunc(slices.Sorted(maps.Keys(fields)), func(n string) bool { return slices.Contains(except, n) })
			return fmt.Errorf("it has no %q to set: it has %s", name, strings.Join(names, ", "))
		}
		fields[full] = v
		if full == "pieces" || full == "mass_kg" || full == "volume_m3" {
			x, err := strconv.ParseFloat(strings.Replace(v, ",", ".", 1), 64)
			if err != nil {
				return fmt.Errorf("%s: %q is no number: write it like 14.05 or 14,05", name, v)
			}
			fields[full] = x
		}
		if v == "" && strings.HasSuffix(full, "_on") {
			fields[full] = nil
		}
	}
	if raw, err = json.Marshal(fields); err != nil {
		return err
	}
	reflect.ValueOf(record).Elem().SetZero()
	return json.Unmarshal(raw, record)
}

func shapeOf(s string) wood.Shape { return cmp.Or(wood.Shape(s), wood.Rectangular) }

// Act is what was entered in one go.
type Act struct {
	N     int64     `json:"n"`
	At    string    `json:"at"`
	What  string    `json:"what"`
	Facts []ActFact `json:"facts"` // those that stand
}

// ActFact is one fact of an act.
type ActFact struct {
	Kind  string `json:"kind"`
	ID    string `json:"id"`
	Stick string `json:"stick"` // its number, or that of the lot
	Text  string `json:"text"`
	entry entry
}

// olderEntries is the act by which an upgrade sealed all that was there.
const olderEntries = "entered before the ledger was sealed"

// LastAct is the last act that stands; redo: the last one that was undone.
func (s *Store) LastAct(ctx context.Context, redo bool) (a Act, err error) {
	err = s.read(ctx, func(q querier) error {
		acts, err := all(ctx, q, scanAct, `SELECT `+actColumns+` FROM acts ORDER BY n`)
		if err != nil {
			return err
		}
		isUndo, undone := map[int64]bool{}, map[int64]bool{}
		for _, x := range slices.Backward(acts) {
			if x.undoes.Valid && !undone[x.n] {
				undone[x.undoes.Int64] = true
			}
		}
		for _, x := range acts {
			isUndo[x.n] = x.undoes.Valid && !isUndo[x.undoes.Int64]
		}
		for _, x := range slices.Backward(acts) {
			if undone[x.n] || isUndo[x.n] != redo || x.undoes.Valid && !redo {
				continue
			}
			if x.what == olderEntries {
				return errors.New("the entries of an older ringstock can't be taken back in one go: `ringstock stock correct` takes them back one by one")
			}
			a = Act{N: x.n, At: x.at, What: x.what}
			return a.load(ctx, q)
		}
		if redo {
			return errors.New("nothing was taken back that could be brought again")
		}
		return errors.New("there is no act that could be taken back")
	})
	return a, err
}

// load finds the facts of an act that stand.
func (a *Act) load(ctx context.Context, q querier) error {
	type sealed struct{ kind, id string }
	list, err := all(ctx, q, func(row scanner) (x sealed, err error) { return x, row.Scan(&x.kind, &x.id) },
		`SELECT kind, id FROM seals WHERE act = ? AND kind NOT IN ('file', 'writing') ORDER BY n`, a.N)
	if err != nil {
		return err
	}
	void := map[string]map[string]bool{}
	names := map[string]string{}
	for _, x := range list {
		found, err := entriesByID(ctx, q, x.id)
		if err != nil {
			return err
		}
		for _, e := range found {
			key := e.blank + "/" + e.lot
			if void[key] == nil {
				if void[key], err = voidOf(ctx, q, e.blank, e.lot); err != nil {
					return err
				}
				names[key] = e.lot
				if e.blank != "" {
					b, err := scanBlank(q.QueryRowContext(ctx, `SELECT `+blankColumns+` FROM blanks WHERE id = ?`, e.blank))
					if err != nil {
						return err
					}
					names[key] = b.Blank
				}
			}
			if !void[key][e.id] && e.kind() == x.kind {
				a.Facts = append(a.Facts, ActFact{x.kind, e.id, names[key], e.text(), e})
			}
		}
	}
	return nil
}

func (e entry) kind() string {
	switch {
	case e.event != nil:
		return "event"
	case e.reading != nil:
		return "reading"
	case e.test != nil:
		return "test"
	case e.record != nil:
		return "lot"
	}
	return "document"
}

func (e entry) text() string {
	switch {
	case e.event != nil:
		words := []string{string(e.event.Kind)}
		for _, w := range []string{e.event.Grade, e.event.Place, e.event.Party, e.event.Reference, e.event.Reason} {
			if w != "" && e.event.Kind != Tested {
				words = append(words, w)
			}
		}
		return string(e.event.Date) + " " + strings.Join(words, ", ")
	case e.reading != nil:
		return string(e.reading.Date) + " " + e.reading.String()
	case e.test != nil:
		return fmt.Sprintf("%s test by %s, %s", e.test.Date, e.test.Method, e.test.Profile)
	case e.record != nil:
		return fmt.Sprintf("%s record of lot %s", e.record.Date, e.record.Record.Lot)
	}
	return fmt.Sprintf("%s %s %s", e.document.Date, e.document.Kind, e.document.Number)
}

// Undo takes back all that an act entered; an act that was itself an undoing brings back
// what it had taken back. Nothing is deleted.
func (s *Store) Undo(ctx context.Context, a Act) ([]Revision, error) {
	p := plan{what: "taken back: " + a.What, undoes: a.N, anew: true}
	for _, f := range a.Facts {
		p.events = append(p.events, Event{Kind: Corrected, Blank: f.entry.blank, Lot: f.entry.lot, Date: s.Today(), Reason: "taken back: " + a.What, Corrects: f.ID})
	}
	if len(p.events) == 0 {
		return nil, errors.New("all that this act entered is taken back already")
	}
	return s.carryOut(ctx, p)
}
