package stock

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"ringstock/spectrum/measure"
)

// Imported says what an import did. Sticks are counted; Facts counts everything else
// that was new about them and their lots.
type Imported struct {
	Added        int      `json:"added"`
	AlreadyThere int      `json:"already_there"`
	Facts        int      `json:"facts_added"`
	Refused      []string `json:"refused"`   // what was not taken, by line, and why; the rest was
	Conflicts    []string `json:"conflicts"` // histories that can't both have happened
	Notes        []string `json:"notes"`     // sticks that both stocks had entered, what could not be judged anew
	Head         string   `json:"head"`      // of the ledger after it
}

// mostListed is how many refused lines are listed one by one.
const mostListed = 200

func (in *Imported) refuse(format string, args ...any) {
	if len(in.Refused) < mostListed {
		in.Refused = append(in.Refused, fmt.Sprintf(format, args...))
	} else if len(in.Refused) == mostListed {
		in.Refused = append(in.Refused, "and more like these")
	}
}

// importing is an import under way: what the first look at all lines found.
type importing struct {
	*Imported
	path    string
	read    read
	files   map[string]File
	sticks  map[string]bool // that come in by it
	skip    map[int]bool    // lines that are not taken
	doubted map[string]bool // ids of tests that are not taken
}

// Import merges an export into the stock, by id: what is new comes in, what is there
// stays. What is damaged or can't be is listed and the rest is taken. Where its sound
// came along, a judgement by today's method is made anew and must find the same; trusting
// leaves that out.
func (s *Store) Import(ctx context.Context, path string, trusting bool) (out Imported, err error) {
	out.Refused, out.Conflicts, out.Notes = []string{}, []string{}, []string{}
	in := importing{Imported: &out, path: path, files: map[string]File{}, sticks: map[string]bool{}, skip: map[int]bool{}, doubted: map[string]bool{}}
	unchanged := func(err error) error {
		return fmt.Errorf("%s: %w; the stock is unchanged", path, err)
	}
	// First look at everything, then write: a stranger's file must not get halfway in.
	if err := s.look(ctx, &in); err != nil {
		return out, unchanged(err)
	}
	if err := s.bring(ctx, &in); err != nil {
		return out, unchanged(err)
	}
	if !trusting && s.opt.JudgeFor != nil {
		if err := s.doubt(ctx, &in); err != nil {
			return out, unchanged(err)
		}
	}
	fresh, known := map[string]bool{}, map[string]bool{}
	err = s.write(ctx, "import of "+filepath.Base(path), func(t *tx) error {
		if err := in.scan(func(j journey) error { return t.take(&in, j, fresh, known) }); err != nil {
			return err
		}
		for _, id := range slices.Sorted(maps.Keys(t.dirty)) {
			h, err := history(ctx, t, id)
			if err != nil {
				return err
			}
			b, problems := h.On("")
			for _, p := range problems {
				out.Conflicts = append(out.Conflicts, fmt.Sprintf("stick %s (%s): %s", b.Blank, id, p))
			}
			if first, again := h.purchases(h.Void()); len(again) > 0 {
				out.Notes = append(out.Notes, fmt.Sprintf("stick %s (%s) was entered differently in the two stocks, here %s, there %s: the first counts; `ringstock stock correct --entry %s` takes the wrong one back",
					b.Blank, id, bareText(first[0], again[0]), bareText(again[0], first[0]), first[0].ID))
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return Imported{Refused: []string{}, Conflicts: []string{}, Notes: []string{}}, unchanged(err)
	}
	out.Added, out.AlreadyThere = len(fresh), len(known)
	head, err := s.Head(ctx)
	out.Head = head.Text
	return out, err
}

// bareText is a purchase with what distinguishes it from another one.
func bareText(e, other Event) string {
	out := []string{"on " + string(e.Date)}
	for _, name := range slices.Sorted(maps.Keys(e.Fields)) {
		if e.Fields[name] != other.Fields[name] {
			out = append(out, name+" "+e.Fields[name])
		}
	}
	return strings.Join(out, ", ")
}

func (in *importing) scan(do func(journey) error) error {
	f, err := os.Open(in.path)
	if err != nil {
		return err
	}
	in.read, err = readExport(f, do)
	return errors.Join(err, f.Close())
}

// look goes through all lines and notes those that can't be taken.
func (s *Store) look(ctx context.Context, in *importing) error {
	unvouched := []int{} // acts of schema 1, whose ids do not follow from what they say
	wants := map[int]string{}
	err := in.scan(func(j journey) error {
		refuse := func(why any) {
			in.skip[j.line] = true
			in.refuse("line %d: %v", j.line, why)
		}
		if j.err != nil {
			refuse(j.err)
			return nil
		}
		switch v := j.fact.(type) {
		case File:
			in.files[v.SHA256] = v
		case Event:
			if v.Kind == Bought {
				in.sticks[v.Blank] = true
			}
			if v.Rank == 0 && v.ID != v.ownID() && v.Kind != Bought {
				unvouched = append(unvouched, j.line)
			}
			wants[j.line] = v.Blank
		case lotFact:
			if v.Rank == 0 {
				unvouched = append(unvouched, j.line)
			}
		case Reading:
			wants[j.line] = v.Blank
		case Test:
			wants[j.line] = v.Blank
		}
		for _, sum := range needs(j.fact) {
			if _, ok := in.files[sum]; ok {
				continue
			}
			if _, err := s.file(ctx, s.db, sum); err != nil {
				refuse(fmt.Sprintf("a file %s is named that neither the export nor the stock holds", sum))
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return err
	}
	if !in.read.sound {
		in.refuse("%s", in.read.faults)
		for _, n := range unvouched {
			in.skip[n] = true
			in.refuse("line %d: an entry of an older ringstock, for which nothing vouches in a file that was altered", n)
		}
	}
	there := map[string]bool{}
	for _, n := range slices.Sorted(maps.Keys(wants)) {
		id := wants[n]
		if id == "" || in.sticks[id] || in.skip[n] {
			continue
		}
		if _, ok := there[id]; !ok {
			_, err := s.Blank(ctx, id)
			there[id] = err == nil
		}
		if !there[id] {
			in.skip[n] = true
			in.refuse("line %d: an entry of a stick %s that never came in", n, id)
		}
	}
	return nil
}

// bring copies the files that came along. One that is missing or altered is named; what
// rests on it comes in, and a check names the file until it is brought.
func (s *Store) bring(ctx context.Context, in *importing) error {
	incoming := keeper{dir: s.opt.Dir}
	list := slices.SortedFunc(maps.Values(in.files), func(a, b File) int { return strings.Compare(a.SHA256, b.SHA256) })
	faults := make([]error, len(list))
	if err := atOnce(len(list), func(i int) error {
		var size *otherSize
		if faults[i] = s.arrived(ctx, in.path, list[i]); faults[i] != nil && !errors.As(faults[i], &size) {
			return ctx.Err()
		}
		if _, err := os.Stat(filepath.Join(s.opt.Dir, list[i].name())); err == nil {
			return ctx.Err()
		}
		from := filepath.Join(FilesFolder(in.path), list[i].name())
		kept, err := incoming.keepPath(list[i].Kind, from)
		if err == nil && kept.SHA256 != list[i].SHA256 {
			err = fmt.Errorf("%s changed while it was imported", from)
		}
		return errors.Join(err, ctx.Err())
	}); err != nil {
		return err
	}
	for i, err := range faults {
		var size *otherSize
		if errors.As(err, &size) { // its content is what its hash says
			f := list[i]
			f.Bytes = size.have
			in.files[f.SHA256] = f
		}
		if err != nil {
			in.refuse("%v", err)
		}
	}
	return incoming.sync()
}

// doubt judges anew, from their sound, the tests that today's method is said to have
// judged. One that finds something else is not taken: somebody changed the figures.
func (s *Store) doubt(ctx context.Context, in *importing) error {
	type job struct {
		j    journey
		test Test
		why  string
	}
	var jobs []*job
	if err := in.scan(func(j journey) error {
		t, ok := j.fact.(Test)
		if !ok || in.skip[j.line] || len(t.Recordings) == 0 {
			return nil
		}
		if _, err := resultOf(ctx, s.db, t.ID); err == nil {
			return nil // it is here already
		}
		jobs = append(jobs, &job{j: j, test: t})
		return nil
	}); err != nil {
		return err
	}
	if err := atOnce(len(jobs), func(i int) error {
		x := jobs[i]
		judge, err := s.opt.JudgeFor(x.test.Profile)
		if err != nil || judge.Method != x.test.Method {
			return ctx.Err()
		}
		was, err := resultRow(x.j.result)
		if err != nil {
			return err
		}
		found, err := s.judgeStored(ctx, x.test, was, judge)
		if err == nil && !sameFigures(found.Test, x.test) {
			x.why = fmt.Sprintf("the test %s of stick %s says %s, its sound gives %s: the figures were changed; it is not taken", x.test.ID, was.Blank, figuresText(x.test), figuresText(found.Test))
		}
		return ctx.Err()
	}); err != nil {
		return err
	}
	for _, x := range jobs {
		if x.why != "" {
			in.skip[x.j.line], in.doubted[x.test.ID] = true, true
			in.refuse("line %d: %s", x.j.line, x.why)
		}
	}
	return nil
}

func figuresText(t Test) string {
	return fmt.Sprintf("score %s, note %s, Q %s, density %s, E/rho %s, %s", known(t.Score, ""), known(t.Hz, "Hz"), known(t.Q, ""), known(t.Density, "kg/m³"), known(t.SpecificModulus, "MJ/kg"), t.Verdict)
}

// sameFigures allows for the last digits of another processor's arithmetic: a thousandth
// of the uncertainty, or of the value where it has none.
func sameFigures(a, b Test) bool {
	for i, v := range []measure.Value{a.Score, a.Hz, a.Q, a.Density, a.SpecificModulus} {
		w := []measure.Value{b.Score, b.Hz, b.Q, b.Density, b.SpecificModulus}[i]
		if v.Known() != w.Known() {
			return false
		}
		if v.Known() {
			slack := 1e-3*max(v.U, w.U) + 1e-6*max(v.X, -v.X)
			if d := v.X - w.X; d > slack || -d > slack {
				return false
			}
			if d := v.U - w.U; d > slack || -d > slack {
				return false
			}
		}
	}
	return a.Verdict == b.Verdict
}

// take enters one line of an import.
func (t *tx) take(in *importing, j journey, fresh, known map[string]bool) error {
	e, isEvent := j.fact.(Event)
	if in.skip[j.line] || isEvent && e.Kind == Tested && in.doubted[e.Reference] {
		return nil
	}
	switch v := j.fact.(type) {
	case writtenAgain:
		return t.insertWriting(v)
	case File:
		j.fact = in.files[v.SHA256]
	}
	isNew, refused, err := t.merge(j)
	if err != nil {
		return err
	}
	if refused != "" {
		in.refuse("line %d: %s", j.line, refused)
	}
	if isEvent && e.Kind == Bought {
		if isNew && !known[e.Blank] {
			var n int
			if err := t.QueryRowContext(t.ctx, `SELECT count(*) FROM blanks WHERE id = ?`, e.Blank).Scan(&n); err != nil {
				return err
			}
			isNew = n == 0
		}
		map[bool]map[string]bool{true: fresh, false: known}[isNew][e.Blank] = true
		if known[e.Blank] {
			delete(fresh, e.Blank)
		}
	} else if _, isFile := j.fact.(File); isNew && !isFile {
		in.Facts++
	}
	return t.ctx.Err()
}

// merge enters one fact if it is new. The same fact that another stock wrote down at
// another moment gets that moment noted. Where this stock holds another wording under the
// same id it keeps its own and says so.
func (t *tx) merge(j journey) (isNew bool, refused string, err error) {
	again := func(kind, id, here, there string, rankHere, rankThere int, same bool, what string) (bool, string, error) {
		switch {
		case !same:
			return false, what + " is written differently here and there; this stock keeps its own: `ringstock stock correct` puts it right if the other is right", nil
		case here != there || rankHere != rankThere:
			return false, "", t.insertWriting(writtenAgain{kind, id, there, rankThere})
		}
		return false, "", nil
	}
	switch v := j.fact.(type) {
	case File:
		return false, "", t.insertFile(v)
	case lotFact:
		if isNew, err = t.insertLot(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanLot(t.QueryRowContext(t.ctx, `SELECT `+lotColumns+` FROM lot_records WHERE id = ?`, v.ID))
		if err == nil && !sameJSON(have, v) {
			refused = fmt.Sprintf("the lot record %s says something else in this stock, which keeps its own", v.ID)
		}
		return false, refused, err
	case Document:
		if isNew, err = t.insertDocument(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanDocument(t.QueryRowContext(t.ctx, `SELECT `+documentColumns+` FROM documents WHERE id = ?`, v.ID))
		if err != nil {
			return false, "", err
		}
		bare := func(d Document) Document { d.RecordedAt, d.Rank = "", 0; return d }
		return again("document", v.ID, have.RecordedAt, v.RecordedAt, have.Rank, v.Rank, sameJSON(bare(have), bare(v)), "the paper "+v.Number)
	case Reading:
		if isNew, err = t.insertReading(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanReading(t.QueryRowContext(t.ctx, `SELECT `+readingColumns+` FROM readings WHERE id = ?`, v.ID))
		if err != nil {
			return false, "", err
		}
		bare := func(r Reading) Reading { r.RecordedAt, r.Rank = "", 0; return r }
		return again("reading", v.ID, have.RecordedAt, v.RecordedAt, have.Rank, v.Rank, sameJSON(bare(have), bare(v)), "the reading "+v.ID)
	case Test:
		if isNew, err = t.insertTest(v, j.result); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanTest(t.QueryRowContext(t.ctx, `SELECT `+testColumns+` FROM tests WHERE id = ?`, v.ID))
		if err != nil {
			return false, "", err
		}
		result, err := resultOf(t.ctx, t, v.ID)
		if err != nil {
			return false, "", err
		}
		return again("test", v.ID, have.RecordedAt, v.RecordedAt, have.Rank, v.Rank, string(result) == string(j.result), "the test "+v.ID)
	case Event:
		if isNew, err = t.insertEvent(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanEvent(t.QueryRowContext(t.ctx, `SELECT `+eventColumns+` FROM events WHERE id = ?`, v.ID))
		if err != nil {
			return false, "", err
		}
		if v.Rank == 0 && v.ID == idOf("graded", v.Blank, v.Grade) && v.Date != have.Date {
			return false, "", nil // the same grade, written down on two days
		}
		bare := func(e Event) Event { e.RecordedAt, e.Rank = "", 0; return e }
		what := fmt.Sprintf("the event %s", v.ID)
		if v.Kind == Bought {
			what = fmt.Sprintf("the purchase of stick %s", v.Fields["blank"])
		}
		return again("event", v.ID, have.RecordedAt, v.RecordedAt, have.Rank, v.Rank, sameJSON(bare(have), bare(v)), what)
	}
	return false, "", fmt.Errorf("%T can't be merged", j.fact)
}

// insertWriting notes that another stock wrote the same fact down at another moment.
func (t *tx) insertWriting(w writtenAgain) error {
	f := tableOf(w.Kind)
	var n int
	if err := t.QueryRowContext(t.ctx, `SELECT count(*) FROM `+f.table+` WHERE id = ?`, w.ID).Scan(&n); err != nil || n == 0 {
		return err // the fact itself was not taken
	}
	if err := t.QueryRowContext(t.ctx, `SELECT count(*) FROM `+f.table+` WHERE id = ? AND recorded_at = ? AND rank = ?`, w.ID, w.RecordedAt, w.Rank).Scan(&n); err != nil || n > 0 {
		return err
	}
	if w.Kind != "document" {
		var blank string
		if err := t.QueryRowContext(t.ctx, `SELECT coalesce(blank, '') FROM `+f.table+` WHERE id = ?`, w.ID).Scan(&blank); err != nil {
			return err
		}
		if blank != "" {
			t.dirty[blank] = true
		}
	}
	_, err := t.insert(`INSERT INTO writings (kind, id, recorded_at, rank) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`, w.Kind, w.ID, w.RecordedAt, w.Rank)
	return err
}

// arrived looks whether a file of an export is what its entry says. Where it lies
// follows from its hash alone, never from a name in the export.
func (s *Store) arrived(ctx context.Context, export string, f File) error {
	path := filepath.Join(FilesFolder(export), f.name())
	info, err := os.Lstat(path)
	if err != nil {
		if _, held := s.file(ctx, s.db, f.SHA256); held == nil {
			return nil
		}
		return fmt.Errorf("a file is missing: %w: copy the folder %s together with the export", err, FilesFolder(export))
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a plain file", path)
	}
	got, err := hashPath(path)
	if err != nil {
		return err
	}
	if got != f.SHA256 {
		return fmt.Errorf("%s is not the file that was exported (its SHA-256 is %s)", path, got)
	}
	if info.Size() != f.Bytes {
		return &otherSize{path, f.Bytes, info.Size()}
	}
	return nil
}

// otherSize is a file whose entry says another length than it has.
type otherSize struct {
	path       string
	says, have int64
}

func (e *otherSize) Error() string {
	return fmt.Sprintf("the entry of %s says %d bytes, it has %d: the length it has is taken", e.path, e.says, e.have)
}

// needs are the files that a fact names.
func needs(fact any) (out []string) {
	switch v := fact.(type) {
	case Document:
		if v.SHA256 != "" {
			out = append(out, v.SHA256)
		}
	case Test:
		for _, r := range v.Recordings {
			out = append(out, r.SHA256)
		}
	}
	return out
}
