package stock

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"ringstock/grading"
)

// An export is a text file of JSON lines and, beside it, a folder with the kept files
// laid out as in a stock. Each line is {"type": ..., "fact": ...}; the first says what
// the file is, the last how many lines went before it and their SHA-256.
const (
	exportSchema = "ringstock/stock-export/1"
	longestLine  = 16 << 20 // bytes
	longestText  = 64 << 10
)

// FilesFolder is the folder beside an export.
func FilesFolder(export string) string {
	return strings.TrimSuffix(export, filepath.Ext(export)) + ".files"
}

type line struct {
	Type   string          `json:"type"`
	Fact   json.RawMessage `json:"fact"`
	Result json.RawMessage `json:"result,omitempty"` // of a test
}

type exportStart struct {
	Schema     string `json:"schema"`
	ExportedAt string `json:"exported_at"`
}

type exportEnd struct {
	Lines  int    `json:"lines"`
	SHA256 string `json:"sha256"`
}

// Export writes everything the stock holds. The file appears under its name when it is
// whole.
func (s *Store) Export(ctx context.Context, path string) (err error) {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".unfinished-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	buffered := bufio.NewWriterSize(tmp, 1<<20)
	hash := sha256.New()
	out := io.MultiWriter(buffered, hash)
	lines := 0
	put := func(kind string, fact any, result json.RawMessage) error {
		raw, err := json.Marshal(fact)
		if err != nil {
			return err
		}
		b, err := json.Marshal(line{kind, raw, result})
		if err != nil {
			return err
		}
		lines++
		_, err = out.Write(append(b, '\n'))
		return err
	}
	err = s.read(ctx, func(q querier) error {
		if err := put("stock", exportStart{exportSchema, s.opt.Now().UTC().Format(timeFormat)}, nil); err != nil {
			return err
		}
		kept := keeper{dir: FilesFolder(path)}
		if err := each(ctx, q, scanFile, func(f File) error {
			if _, err := kept.keepPath(f.Kind, filepath.Join(s.opt.Dir, f.name())); err != nil {
				return err
			}
			return put("file", f, nil)
		}, `SELECT sha256, kind, ending, bytes FROM files`); err != nil {
			return err
		}
		if err := kept.sync(); err != nil {
			return err
		}
		if err := each(ctx, q, scanLot, func(l lotFact) error { return put("lot", l, nil) }, `SELECT `+lotColumns+` FROM lot_records ORDER BY seq`); err != nil {
			return err
		}
		if err := each(ctx, q, scanDocument, func(d Document) error { return put("document", d, nil) }, `SELECT `+documentColumns+` FROM documents ORDER BY seq`); err != nil {
			return err
		}
		if err := each(ctx, q, scanEvent, func(e Event) error { return put("event", e, nil) }, `SELECT `+eventColumns+` FROM events ORDER BY seq`); err != nil {
			return err
		}
		if err := each(ctx, q, scanReading, func(r Reading) error { return put("reading", r, nil) }, `SELECT `+readingColumns+` FROM readings ORDER BY seq`); err != nil {
			return err
		}
		return each(ctx, q, scanTest, func(t Test) (err error) {
			if t.Recordings, err = recordingsOf(ctx, q, t.ID); err != nil {
				return err
			}
			result, err := resultOf(ctx, q, t.ID)
			if err != nil {
				return err
			}
			return put("test", t, result)
		}, `SELECT `+testColumns+` FROM tests ORDER BY seq`)
	})
	if err == nil {
		err = put("end", exportEnd{lines, hex.EncodeToString(hash.Sum(nil))}, nil)
	}
	if err == nil {
		err = buffered.Flush()
	}
	if err == nil {
		err = tmp.Chmod(0o666 &^ umask)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err := errors.Join(err, tmp.Close()); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// journey is one fact out of an export.
type journey struct {
	line   int
	fact   any // File, lotFact, Document, Event, Reading or Test
	result json.RawMessage
}

// readExport reads the lines of an export and refuses the first that is damaged or says
// what can't be. Nothing in it is trusted.
func readExport(r io.Reader, do func(journey) error) error {
	in := bufio.NewReaderSize(r, 1<<16)
	hash := sha256.New()
	for n := 1; ; n++ {
		raw, err := readLine(in)
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("line %d: the file ends without its last line: it was cut off; export it again", n)
		}
		if err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		var l line
		if err := strict(raw, &l); err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		if (n == 1) != (l.Type == "stock") {
			return fmt.Errorf("line %d: this is not an export of a stock, which begins with a line of the type \"stock\"", n)
		}
		switch l.Type {
		case "stock":
			var start exportStart
			if err := strict(l.Fact, &start); err != nil {
				return fmt.Errorf("line %d: %w", n, err)
			}
			if start.Schema != exportSchema {
				return fmt.Errorf("line %d: this export has the schema %q, this program reads %q: use the ringstock that wrote it, or a newer one", n, start.Schema, exportSchema)
			}
		case "end":
			var end exportEnd
			if err := strict(l.Fact, &end); err != nil {
				return fmt.Errorf("line %d: %w", n, err)
			}
			if got := hex.EncodeToString(hash.Sum(nil)); end.Lines != n-1 || end.SHA256 != got {
				return fmt.Errorf("line %d: the lines before this one are not those that were exported: the file was damaged or altered; export it again", n)
			}
			if _, err := in.ReadByte(); !errors.Is(err, io.EOF) {
				return fmt.Errorf("line %d: there is more after the last line", n+1)
			}
			return nil
		default:
			fact, err := l.parse()
			if err == nil {
				err = do(journey{n, fact, l.Result})
			}
			if err != nil {
				return fmt.Errorf("line %d: %w", n, err)
			}
		}
		hash.Write(raw)
		hash.Write([]byte{'\n'})
	}
}

// readLine reads up to the next line end, without it.
func readLine(in *bufio.Reader) ([]byte, error) {
	var out []byte
	for {
		part, err := in.ReadSlice('\n')
		if len(out)+len(part) > longestLine {
			return nil, fmt.Errorf("longer than %d MiB, which no entry is", longestLine>>20)
		}
		out = append(out, part...)
		switch {
		case err == nil:
			return out[:len(out)-1], nil
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF) && len(out) > 0:
			return nil, errors.New("cut off in the middle")
		default:
			return nil, err
		}
	}
}

func strict(raw []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("not an entry of a stock: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("more than one entry on a line")
	}
	return nil
}

// parse reads one fact and refuses what the stock itself would never have written.
func (l line) parse() (any, error) {
	if (l.Type == "test") != (len(l.Result) > 0) {
		return nil, errors.New("a test, and nothing else, has a result")
	}
	switch l.Type {
	case "file":
		var f File
		if err := strict(l.Fact, &f); err != nil {
			return nil, err
		}
		return f, f.valid()
	case "lot":
		var r lotFact
		if err := strict(l.Fact, &r); err != nil {
			return nil, err
		}
		if !isID(r.ID) || r.Record.Lot == "" {
			return nil, errors.New("a lot record without id or lot")
		}
		return r, written(r.Date, r.RecordedAt, r.Record.Lot)
	case "document":
		var d Document
		if err := strict(l.Fact, &d); err != nil {
			return nil, err
		}
		if d.ID != d.contentID() || d.Lot == "" {
			return nil, errors.New("a document that does not say what it said when it was entered")
		}
		return d, written(d.Date, d.RecordedAt, d.Lot, d.Kind, d.Number, d.Issuer, d.Note)
	case "event":
		var e Event
		if err := strict(l.Fact, &e); err != nil {
			return nil, err
		}
		texts := []string{e.Lot, e.Place, e.Party, e.Reference, e.Grade, e.Reason, e.Corrects}
		for k, v := range e.Fields {
			texts = append(texts, k, v)
		}
		if err := errors.Join(e.check(), written(e.Date, e.RecordedAt, texts...)); err != nil {
			return nil, err
		}
		lotEvent := e.Kind == LotRecorded || e.Kind == PaperFiled
		switch {
		case !isID(e.ID) || lotEvent != (e.Blank == "") || !lotEvent && !isID(e.Blank):
			return nil, errors.New("an event without a proper id")
		case e.Kind == Bought && e.ID != idOf("bought", e.Blank):
			return nil, errors.New("a second way for the same stick to come in")
		case e.Kind == Corrected && e.Corrects == idOf("bought", e.Blank):
			return nil, errors.New("that a stick came in can't be taken back")
		case !knownKind(e.Kind):
			return nil, fmt.Errorf("%q is not a kind of event", e.Kind)
		}
		return e, nil
	case "reading":
		var r Reading
		if err := strict(l.Fact, &r); err != nil {
			return nil, err
		}
		if err := errors.Join(r.check(), written(r.Date, r.RecordedAt, r.Instrument, r.Remark)); err != nil {
			return nil, err
		}
		if r.ID != r.contentID() || !isID(r.Blank) {
			return nil, errors.New("a reading that does not say what it said when it was entered")
		}
		return r, nil
	case "test":
		var t Test
		var result grading.Blank
		if err := json.Unmarshal(l.Fact, &t); err != nil {
			return nil, fmt.Errorf("not an entry of a stock: %w", err)
		}
		if err := json.Unmarshal(l.Result, &result); err != nil {
			return nil, fmt.Errorf("the result of a test can't be read: %w", err)
		}
		t.take(result)
		texts := []string{t.Method, t.Profile, t.Device, t.Place, t.Redoes}
		for _, r := range t.Recordings {
			if !slices.Contains([]string{"side", "width", "end"}, r.Role) || (File{SHA256: r.SHA256, Kind: RecordingFile}).valid() != nil {
				return nil, errors.New("a test with a recording that has no proper role or hash")
			}
			if !plainName(r.Name) {
				return nil, fmt.Errorf("the name %q of a recording leads out of its folder", r.Name)
			}
			texts = append(texts, r.Name)
		}
		if t.ID != t.contentID(result.Row) || !isID(t.Blank) {
			return nil, errors.New("a test that does not say what it said when it was entered")
		}
		return t, written(t.Date, t.RecordedAt, texts...)
	}
	return nil, fmt.Errorf("%q is not a type of entry", l.Type)
}

func knownKind(k Kind) bool {
	return slices.Contains([]Kind{Bought, Measured, Tested, Graded, Moved, Reserved, Started, Returned, Failed, Used, Sold, Scrapped, Corrected, LotRecorded, PaperFiled}, k)
}

// written checks what every fact has: when it was, when it was written, texts of a
// length a person may write.
func written(date Date, recordedAt string, texts ...string) error {
	if _, err := ParseDate(string(date)); err != nil {
		return err
	}
	if _, err := time.Parse(timeFormat, recordedAt); err != nil {
		return fmt.Errorf("%q is not a moment in time", recordedAt)
	}
	for _, t := range texts {
		if len(t) > longestText {
			return fmt.Errorf("a text of %d bytes", len(t))
		}
	}
	return nil
}

// Imported says what an import did. Sticks are counted; Facts counts everything else
// that was new about them and their lots.
type Imported struct {
	Added        int      `json:"added"`
	AlreadyThere int      `json:"already_there"`
	Facts        int      `json:"facts_added"`
	Refused      []string `json:"refused"`   // what the two stocks say differently; this stock keeps its own
	Conflicts    []string `json:"conflicts"` // histories that can't both have happened
}

// Import merges an export into the stock, by id: what is new comes in, what is there
// stays. A damaged export is refused as a whole, and the stock is as it was.
func (s *Store) Import(ctx context.Context, path string) (out Imported, err error) {
	out.Refused, out.Conflicts = []string{}, []string{}
	unchanged := func(err error) error {
		return fmt.Errorf("%s: %w; the stock is unchanged", path, err)
	}
	// First look at everything, then write: a stranger's file must not get halfway in.
	files := map[string]File{}
	err = s.scanExport(path, func(j journey) error {
		if f, ok := j.fact.(File); ok {
			if err := s.arrived(ctx, path, f); err != nil {
				return err
			}
			files[f.SHA256] = f
		}
		for _, sum := range needs(j.fact) {
			if _, ok := files[sum]; ok {
				continue
			}
			if _, err := s.file(ctx, s.db, sum); err != nil {
				return fmt.Errorf("a file %s is named that neither the export nor the stock holds", sum)
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return out, unchanged(err)
	}
	incoming := keeper{dir: s.opt.Dir}
	list := slices.Collect(maps.Values(files))
	err = atOnce(len(list), func(i int) error {
		f := list[i]
		from := filepath.Join(FilesFolder(path), f.name())
		if _, err := os.Stat(filepath.Join(s.opt.Dir, f.name())); err == nil {
			return ctx.Err()
		}
		kept, err := incoming.keepPath(f.Kind, from)
		if err == nil && kept.SHA256 != f.SHA256 {
			err = fmt.Errorf("%s changed while it was imported", from)
		}
		return errors.Join(err, ctx.Err())
	})
	if err != nil {
		return out, unchanged(err)
	}
	if err := incoming.sync(); err != nil {
		return out, unchanged(err)
	}
	fresh, known := map[string]bool{}, map[string]bool{}
	err = s.write(ctx, func(t *tx) error {
		err := s.scanExport(path, func(j journey) error {
			isNew, refused, err := t.merge(j)
			if err != nil {
				return err
			}
			if refused != "" {
				out.Refused = append(out.Refused, fmt.Sprintf("line %d: %s", j.line, refused))
			}
			e, isEvent := j.fact.(Event)
			if isEvent && e.Kind == Bought {
				map[bool]map[string]bool{true: fresh, false: known}[isNew][e.Blank] = true
			} else if isNew {
				out.Facts++
			}
			return ctx.Err()
		})
		if err != nil {
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
		}
		return nil
	})
	if err != nil {
		return Imported{Refused: []string{}, Conflicts: []string{}}, unchanged(err)
	}
	out.Added, out.AlreadyThere = len(fresh), len(known)
	return out, nil
}

func (s *Store) scanExport(path string, do func(journey) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(readExport(f, do), f.Close())
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
		return fmt.Errorf("its file is missing: %w: copy the folder %s together with the export", err, FilesFolder(export))
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a plain file", path)
	}
	got, err := hashPath(path)
	if err != nil {
		return err
	}
	if got != f.SHA256 || info.Size() != f.Bytes {
		return fmt.Errorf("%s is not the file that was exported (its SHA-256 is %s)", path, got)
	}
	return nil
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

// merge enters one fact if it is new. Where this stock holds another wording of the
// same fact it keeps its own and says so; an act under the same id that says something
// else is a forgery or damage, and ends the import.
func (t *tx) merge(j journey) (isNew bool, refused string, err error) {
	switch v := j.fact.(type) {
	case File:
		return false, "", t.insertFile(v)
	case lotFact:
		if isNew, err = t.insertLot(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanLot(t.QueryRowContext(t.ctx, `SELECT `+lotColumns+` FROM lot_records WHERE id = ?`, v.ID))
		if err == nil && !sameJSON(have, v) {
			err = fmt.Errorf("the lot record %s says something else in this stock", v.ID)
		}
		return false, "", err
	case Document:
		isNew, err = t.insertDocument(v)
		return isNew, "", err
	case Reading:
		isNew, err = t.insertReading(v)
		return isNew, "", err
	case Test:
		isNew, err = t.insertTest(v, j.result)
		return isNew, "", err
	case Event:
		if isNew, err = t.insertEvent(v); isNew || err != nil {
			return isNew, "", err
		}
		have, err := scanEvent(t.QueryRowContext(t.ctx, `SELECT `+eventColumns+` FROM events WHERE id = ?`, v.ID))
		if err != nil {
			return false, "", err
		}
		v.RecordedAt, have.RecordedAt = "", ""
		if sameJSON(have, v) {
			return false, "", nil
		}
		if v.Kind == Bought {
			return false, fmt.Sprintf("stick %s was entered differently here and there; this stock keeps its own: use `ringstock stock correct` if the other is right", v.Fields["blank"]), nil
		}
		if v.ID == idOf("graded", v.Blank, v.Grade) {
			return false, "", nil // the same grade, written down on two days
		}
		return false, "", fmt.Errorf("the event %s says something else in this stock", v.ID)
	}
	return false, "", fmt.Errorf("%T can't be merged", j.fact)
}
