package stock

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"ringstock/grading"
	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Delivery is a graded delivery to be entered, with what its folder does not say.
type Delivery struct {
	Grading grading.Grading
	Folder  string            // where the recordings lie that the rows name
	Name    string            // of the delivery, if it is not to be the grading's
	Only    []grading.Verdict // which verdicts to enter; none = all
	Date    Date              // bought and tested on; none = today
	Lot     string            // for the sticks whose row names none
	Place   string            // rack and row
	Device  string            // that recorded
	Where   string            // the recordings were made
}

// Added says what became of a delivery.
type Added struct {
	New     []Blank  `json:"new"`
	Already int      `json:"already_there"`
	Left    int      `json:"left"`    // not entered because of their verdict
	Refused []string `json:"refused"` // sticks that could not be entered, and why
	Notes   []string `json:"notes"`   // recordings that could not be read, of sticks that were entered
	Same    []string `json:"same"`    // sticks whose number another stick in stock has, too
}

// Add enters the sticks of a delivery: bought, measured and tested, with the maker's
// own grade. A stick is known again by delivery and number, so that adding the same
// delivery twice changes nothing. One that comes back with other recordings or other
// readings is refused, not changed and not doubled.
func (s *Store) Add(ctx context.Context, d Delivery) (out Added, err error) {
	if d.Date == "" {
		d.Date = s.Today()
	}
	if d.Name == "" {
		d.Name = d.Grading.Delivery
	}
	var doubts doubtList
	doubts.future(s, d.Date)
	if err := doubts.err(s); err != nil {
		return out, err
	}
	type entry struct {
		blank      grading.Blank
		id         string
		recordings []TestRecording
		files      []File
	}
	folder, err := os.OpenRoot(d.Folder)
	if err != nil {
		return out, fmt.Errorf("the folder of the delivery can't be opened: %w", err)
	}
	defer folder.Close()
	var entries []entry
	for b, err := range d.Grading.All() {
		if err != nil {
			return out, err
		}
		if len(d.Only) > 0 && !slices.Contains(d.Only, b.Verdict) {
			out.Left++
			continue
		}
		e := entry{blank: b}
		var gone []string
		e.recordings, e.files, gone = recordingsOfRow(b.Row, folder)
		for _, g := range gone {
			out.Notes = append(out.Notes, fmt.Sprintf("stick %s: %s", b.Blank, g))
		}
		e.id = blankID(d.Name, b.Blank, e.recordings)
		entries = append(entries, e)
	}

	// Known sticks first: nothing is copied for them.
	err = s.read(ctx, func(q querier) error {
		fresh := entries[:0:0]
		for _, e := range entries {
			known, err := knownBlank(ctx, q, d.Name, e.blank.Blank, e.id)
			if err != nil {
				return err
			}
			if known == "" {
				fresh = append(fresh, e)
				continue
			}
			why, err := differs(ctx, q, known, e.id, e.blank.Row)
			if err != nil {
				return err
			}
			if why != "" {
				out.Refused = append(out.Refused, fmt.Sprintf("stick %s: %s", e.blank.Blank, why))
			} else {
				out.Already++
			}
		}
		entries = fresh
		return nil
	})
	if err != nil || len(entries) == 0 {
		return out, err
	}
	kept := keeper{dir: s.opt.Dir}
	if err := atOnce(len(entries), func(n int) error {
		for i, f := range entries[n].files {
			if err := kept.keepIn(folder, entries[n].recordings[i].Name, f.SHA256); err != nil {
				return err
			}
		}
		return ctx.Err()
	}); err != nil {
		return Added{}, err
	}
	if err := kept.sync(); err != nil {
		return Added{}, err
	}
	var ids []string
	err = s.write(ctx, "delivery "+d.Name, func(t *tx) error {
		ids = ids[:0]
		for _, e := range entries {
			if known, err := knownBlank(ctx, t, d.Name, e.blank.Blank, e.id); err != nil {
				return err
			} else if known != "" { // another program entered it just now
				out.Already++
				continue
			}
			for _, f := range e.files {
				if err := t.insertFile(f); err != nil {
					return err
				}
			}
			if err := t.enter(d, e.id, e.blank, e.recordings); err != nil {
				return fmt.Errorf("stick %s: %w", e.blank.Blank, err)
			}
			ids = append(ids, e.id)
		}
		return nil
	})
	if err != nil {
		return Added{}, err
	}
	for _, id := range ids {
		b, err := s.Blank(ctx, id)
		if err != nil {
			return out, err
		}
		out.New = append(out.New, b)
		others, err := all(ctx, s.db, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE blank = ? AND id != ? AND gone = 0`, b.Blank, b.ID)
		if err != nil {
			return out, s.explain(err)
		}
		for _, o := range others {
			out.Same = append(out.Same, fmt.Sprintf("stick %s: there is also %q, %s; say which with the delivery, like %q", b.Blank, o.Name(), o.State, b.Name()))
		}
	}
	return out, nil
}

func (t *tx) enter(d Delivery, id string, b grading.Blank, recordings []TestRecording) error {
	row := b.Row
	fields := map[string]string{"blank": b.Blank, "delivery": d.Name, "lot": row.Lot, "species": row.Species, "supplier": row.Supplier, "currency": row.Currency, "note": row.Note}
	if row.Lot == "" {
		fields["lot"] = d.Lot
	}
	if row.Price != nil {
		fields["price"] = text(*row.Price)
	}
	for name, v := range row.Notes {
		if _, taken := fields[name]; !taken {
			fields[name] = v
		}
	}
	for name, v := range fields {
		if v == "" {
			delete(fields, name)
		}
	}
	bought := Event{Blank: id, Date: d.Date, Kind: Bought, Place: d.Place, Party: row.Supplier, Fields: fields}
	if err := bought.check(); err != nil {
		return err
	}
	if _, _, err := t.enterEvent(bought); err != nil {
		return err
	}
	readings := readingsOfRow(row)
	if len(readings) > 0 {
		if _, err := t.measured(id, d.Date, readings); err != nil {
			return err
		}
	}
	if len(recordings) > 0 {
		method := d.Grading.Method
		if _, err := t.tested(Test{Blank: id, Date: d.Date, Method: method, Profile: d.Grading.Profile, Device: d.Device, Place: d.Where, Recordings: recordings}, b); err != nil {
			return err
		}
	}
	if row.MakerGrade != "" {
		if _, _, err := t.enterEvent(Event{Blank: id, Date: d.Date, Kind: Graded, Grade: row.MakerGrade}); err != nil {
			return err
		}
	}
	return nil
}

// blankID is the id of a stick, the same on every machine that enters the same delivery.
func blankID(delivery, number string, recordings []TestRecording) string {
	parts := []string{"blank", delivery, number}
	var hashes []string
	for _, r := range recordings {
		hashes = append(hashes, r.SHA256)
	}
	slices.Sort(hashes)
	return idOf(append(parts, hashes...)...)
}

func knownBlank(ctx context.Context, q querier, delivery, number, id string) (known string, err error) {
	err = q.QueryRowContext(ctx, `SELECT id FROM blanks WHERE gone = 0 AND (id = ? OR delivery = ? AND blank = ?) LIMIT 1`, id, delivery, number).Scan(&known)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return known, err
}

// differs says in what a stick of a delivery is not the one in stock, or nothing.
func differs(ctx context.Context, q querier, known, id string, row grading.Row) (string, error) {
	if known != id {
		return "is in stock from this delivery with other recordings: if it is another stick, give the delivery another name with --name; if it was recorded anew, use `ringstock stock test`", nil
	}
	h, err := history(ctx, q, known)
	if err != nil {
		return "", err
	}
	for _, r := range readingsOfRow(row) {
		held, same := []string{}, false
		for _, have := range h.Readings {
			if have.Quantity == r.Quantity {
				held = append(held, text(have.Value))
				same = same || have.Value == r.Value
			}
		}
		if !same && len(held) > 0 {
			return fmt.Sprintf("%s is %s in the delivery, but %s in the stock, which keeps what it has: enter a new reading with `ringstock stock test`", r.Quantity, text(r.Value), strings.Join(held, " and ")), nil
		}
	}
	return "", nil
}

// recordingsOfRow finds and hashes the recordings that a row names. One that can't be
// read, or whose name leads out of the folder, is left out with a note.
func recordingsOfRow(row grading.Row, folder *os.Root) (recordings []TestRecording, files []File, gone []string) {
	for _, r := range []struct {
		role  string
		names []string
	}{{"side", row.File}, {"width", row.WidthFile}, {"end", row.EndFile}} {
		for _, name := range r.names {
			clean := path.Clean(strings.ReplaceAll(name, `\`, "/"))
			f, err := hashIn(folder, clean)
			if err != nil {
				gone = append(gone, fmt.Sprintf("its recording %s can't be read: %v", name, err))
				continue
			}
			recordings = append(recordings, TestRecording{Role: r.role, SHA256: f.SHA256, Name: clean})
			files = append(files, f)
		}
	}
	return recordings, files, gone
}

func hashIn(folder *os.Root, name string) (File, error) {
	if !plainName(name) {
		return File{}, errors.New("its name leads out of the folder")
	}
	src, err := folder.Open(name)
	if err != nil {
		return File{}, err
	}
	defer src.Close()
	return hashFile(RecordingFile, src)
}

// keepIn keeps a recording of a folder that was hashed before.
func (k *keeper) keepIn(folder *os.Root, name, sha256 string) error {
	src, err := folder.Open(name)
	if err != nil {
		return err
	}
	defer src.Close()
	f, err := k.keep(RecordingFile, src)
	if err == nil && f.SHA256 != sha256 {
		err = fmt.Errorf("%s changed while it was entered: nothing was entered, do it again", src.Name())
	}
	return err
}

// plainName tells whether a name stays inside the folder it is looked up in.
func plainName(name string) bool {
	return name != "" && !strings.ContainsAny(name, "\\\x00") && fs.ValidPath(name)
}

// quantities are the readings of a stick by name.
func quantities(r *wood.Readings) []struct {
	Name string
	V    *measure.Value
} {
	return []struct {
		Name string
		V    *measure.Value
	}{
		{massQuantity, &r.MassG}, {"length_mm", &r.LengthMM}, {"height_mm", &r.HeightMM}, {"width_mm", &r.WidthMM},
		{"head_length_mm", &r.HeadLengthMM}, {"head_height_mm", &r.HeadHeightMM}, {"tip_height_mm", &r.TipHeightMM}, {"tip_width_mm", &r.TipWidthMM},
		{"moisture_pct", &r.MoisturePct},
	}
}

func readingsOfRow(row grading.Row) (out []Reading) {
	var air [2]*float64
	for i, v := range []measure.Value{row.TemperatureC, row.HumidityPct} {
		if v.Known() {
			air[i] = &v.X
		}
	}
	for _, q := range quantities(&row.Readings) {
		if q.V.Known() {
			out = append(out, Reading{Quantity: q.Name, Value: q.V.X, U: q.V.U, TemperatureC: air[0], HumidityPct: air[1]})
		}
	}
	return out
}

// String is the reading in words: "mass 61.2 g".
func (r Reading) String() string {
	at := strings.LastIndexByte(r.Quantity, '_')
	unit := r.Quantity[at+1:]
	if unit == "pct" {
		unit = "%"
	}
	return strings.ReplaceAll(r.Quantity[:max(at, 0)], "_", " ") + " " + text(r.Value) + " " + unit
}

// enterReading writes a reading down; see enterEvent.
func (t *tx) enterReading(r Reading) (entered Reading, isNew bool, err error) {
	if r.Rank, err = t.rank(r.Blank, ""); err != nil {
		return r, false, err
	}
	r.RecordedAt = t.tick()
	if err := r.check(); err != nil {
		return r, false, err
	}
	r.ID = r.contentID()
	stands, there, err := t.stands("readings", r.ID, r.Blank, "")
	if err != nil || stands {
		return r, false, err
	}
	if there {
		r.ID = idAt(r.ID, r.RecordedAt, r.Rank)
	}
	isNew, err = t.insertReading(r)
	return r, isNew, err
}

// measured enters readings of one day with the event that tells of them.
func (t *tx) measured(blank string, date Date, readings []Reading) (added int, err error) {
	var says []string
	for _, r := range readings {
		r.Blank, r.Date = blank, date
		_, isNew, err := t.enterReading(r)
		if err != nil {
			return added, err
		}
		if isNew {
			added++
			says = append(says, r.String())
		}
	}
	if added == 0 {
		return 0, nil
	}
	_, _, err = t.enterEvent(Event{Blank: blank, Date: date, Kind: Measured, Reason: strings.Join(says, ", ")})
	return added, err
}

// enterTest writes a test down with its whole result; see enterEvent. A judgement of a
// test that was made before is always a new one: it counts from now on.
func (t *tx) enterTest(test Test, result grading.Blank) (id string, err error) {
	raw, err := json.Marshal(result)
	if err != nil {
		return "", err
	}
	// The figures of the row are those that the written result gives back.
	var read grading.Blank
	if err := json.Unmarshal(raw, &read); err != nil {
		return "", fmt.Errorf("the result can't be read back: %w", err)
	}
	if test.Rank, err = t.rank(test.Blank, ""); err != nil {
		return "", err
	}
	test.RecordedAt = t.tick()
	test.take(read)
	test.ID = test.ownID(read.Row, raw)
	stands, there, err := t.stands("tests", test.ID, test.Blank, "")
	if err != nil || stands && test.Redoes == "" {
		return test.ID, err
	}
	if there || test.Redoes != "" {
		test.ID = idAt(test.ID, test.RecordedAt, test.Rank)
	}
	_, err = t.insertTest(test, raw)
	return test.ID, err
}

// tested enters a test with its whole result and the event that tells of it.
func (t *tx) tested(test Test, result grading.Blank) (isNew bool, err error) {
	id, err := t.enterTest(test, result)
	if err != nil {
		return false, err
	}
	e := Event{Blank: test.Blank, Date: test.Date, Kind: Tested, Reference: id}
	if test.Redoes != "" {
		e.Reason = "recordings analysed again by " + test.Method
	}
	_, isNew, err = t.enterEvent(e)
	return isNew, err
}

// take copies the figures of a result that lists and curves need.
func (t *Test) take(b grading.Blank) {
	t.Verdict, t.Score, t.Density, t.SpecificModulus = b.Verdict, b.Score, b.Wood.Density, b.Wood.SpecificModulus
	t.Hz, t.Q = measure.Unknown("no ring"), measure.Unknown("no ring")
	if b.Ring != nil {
		t.Hz, t.Q = b.Ring.Fundamental.Hz, b.Ring.Fundamental.Q
	}
}
