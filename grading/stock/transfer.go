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
	"hash"
	"io"
	"io/fs"
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
	exportSchema = "ringstock/stock-export/2"
	olderExport  = "ringstock/stock-export/1" // without ranks and head
	longestLine  = 16 << 20                   // bytes
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
	Head       string `json:"head,omitempty"` // of the ledger
	Facts      int    `json:"facts,omitempty"`
}

type exportEnd struct {
	Lines  int    `json:"lines"`
	SHA256 string `json:"sha256"`
}

// Exported says what an export holds, and what could not go with it.
type Exported struct {
	File  string   `json:"file"`
	Files string   `json:"files"` // the folder of recordings and papers
	Head  string   `json:"head"`
	Facts int      `json:"facts"`
	Left  []string `json:"left"` // what is missing or damaged, by name; the rest went
}

// Export writes everything the stock holds. The file appears under its name when it is
// whole. A recording that is missing or altered and an entry that can't be read are named
// and left out; they hold nothing else back.
func (s *Store) Export(ctx context.Context, path string) (x Exported, err error) {
	x = Exported{File: path, Files: FilesFolder(path), Left: []string{}}
	tmp, err := os.CreateTemp(filepath.Dir(path), ".unfinished-*")
	if err != nil {
		return x, err
	}
	defer os.Remove(tmp.Name())
	out := exportWriter{buffered: bufio.NewWriterSize(tmp, 1<<20), hash: sha256.New()}
	err = s.read(ctx, func(q querier) error {
		state, facts, err := readLedger(ctx, q)
		if err != nil {
			x.Left = append(x.Left, err.Error())
		}
		x.Head, x.Facts = state.head(facts).Text, facts
		if err := out.put("stock", exportStart{exportSchema, s.opt.Now().UTC().Format(timeFormat), x.Head, x.Facts}, nil); err != nil {
			return err
		}
		kept := keeper{dir: x.Files}
		for _, f := range factTables {
			err := f.each(ctx, q, func(r rawFact) error {
				fact, result, err := f.fact(r.values)
				if file, ok := fact.(File); ok && err == nil {
					if err := s.exportFile(&kept, file); err != nil {
						x.Left = append(x.Left, err.Error())
					}
				}
				if err == nil {
					err = out.put(f.kind, fact, result)
				}
				if errors.Is(err, errUnfit) || err != nil && out.err == nil {
					x.Left = append(x.Left, fmt.Sprintf("the %s %s can't be read: %v", f.kind, r.id(), err))
					return ctx.Err()
				}
				return errors.Join(err, ctx.Err())
			})
			if out.err != nil || ctx.Err() != nil {
				return errors.Join(err, out.err)
			}
			if err != nil {
				x.Left = append(x.Left, s.explain(err).Error())
			}
		}
		return kept.sync()
	})
	if err == nil {
		err = out.put("end", exportEnd{out.lines, hex.EncodeToString(out.hash.Sum(nil))}, nil)
	}
	if err == nil {
		err = out.buffered.Flush()
	}
	if err == nil {
		err = tmp.Chmod(0o666 &^ umask)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err := errors.Join(err, tmp.Close()); err != nil {
		return x, err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return x, err
	}
	return x, syncDir(filepath.Dir(path))
}

// exportWriter writes the lines of an export and their hash.
type exportWriter struct {
	buffered *bufio.Writer
	hash     hash.Hash
	lines    int
	err      error // of writing
}

// errUnfit is wrapped when an entry can't be written as JSON.
var errUnfit = errors.New("it is not what an entry can be")

func (w *exportWriter) put(kind string, fact any, result json.RawMessage) error {
	raw, err := json.Marshal(fact)
	if err != nil {
		return fmt.Errorf("%w: %w", errUnfit, err)
	}
	b, err := json.Marshal(line{kind, raw, result})
	if err != nil {
		return fmt.Errorf("%w: %w", errUnfit, err)
	}
	w.lines++
	b = append(b, '\n')
	w.hash.Write(b)
	_, w.err = w.buffered.Write(b)
	return w.err
}

// exportFile copies a kept file, if it is still what it was when it came in.
func (s *Store) exportFile(kept *keeper, f File) error {
	path := filepath.Join(s.opt.Dir, f.name())
	if err := f.valid(); err != nil {
		return err
	}
	got, err := kept.keepPath(f.Kind, path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s is missing: %s", path, mend)
	case err != nil:
		return err
	case got.SHA256 != f.SHA256:
		return fmt.Errorf("%s is not what it was when it came in: %s", path, mend)
	}
	return nil
}

// journey is one fact out of an export, or why a line holds none.
type journey struct {
	line   int
	fact   any // File, lotFact, Document, Event, Reading, Test or writtenAgain
	result json.RawMessage
	err    error
}

// read says what an export is as a whole.
type read struct {
	start  exportStart
	sound  bool   // the lines are those that were exported
	faults string // why it is not sound
}

// errNoExport is wrapped when a file is none at all.
var errNoExport = errors.New("this is not an export of a stock, which begins with a line of the type \"stock\"")

// readExport reads the lines of an export. Nothing in it is trusted: a line that is
// damaged or says what can't be goes to do with its error, and the rest goes on.
func readExport(r io.Reader, do func(journey) error) (x read, err error) {
	in := bufio.NewReaderSize(r, 1<<16)
	hash := sha256.New()
	for n := 1; ; n++ {
		raw, err := readLine(in)
		if err != nil && n == 1 {
			return x, fmt.Errorf("line 1: %w", errNoExport)
		}
		if errors.Is(err, io.EOF) {
			x.faults = fmt.Sprintf("line %d: the file ends without its last line: it was cut off; export it again", n)
			return x, nil
		}
		if err != nil {
			x.faults = fmt.Sprintf("line %d: %v; what comes after it was not read", n, err)
			return x, nil
		}
		var l line
		err = strict(raw, &l)
		if n == 1 {
			if err != nil || l.Type != "stock" {
				return x, fmt.Errorf("line 1: %w", errNoExport)
			}
			if err := strict(l.Fact, &x.start); err != nil {
				return x, fmt.Errorf("line 1: %w", err)
			}
			if x.start.Schema != exportSchema && x.start.Schema != olderExport {
				return x, fmt.Errorf("line 1: this export has the schema %q, this program reads %q: use the ringstock that wrote it, or a newer one", x.start.Schema, exportSchema)
			}
		} else if err == nil && l.Type == "end" {
			x.end(n, l, hex.EncodeToString(hash.Sum(nil)), in)
			return x, nil
		} else {
			j := journey{line: n, result: l.Result, err: err}
			if err == nil {
				if j.fact, j.err = l.parse(); j.err != nil {
					j.fact = nil // nobody may go on with what is not fit
				}
			}
			if err := do(j); err != nil {
				return x, err
			}
		}
		hash.Write(raw)
		hash.Write([]byte{'\n'})
	}
}

// end compares the lines that were read with what the last one says of them.
func (x *read) end(n int, l line, sum string, in *bufio.Reader) {
	var end exportEnd
	if err := strict(l.Fact, &end); err != nil {
		x.faults = fmt.Sprintf("line %d: %v", n, err)
	} else if end.Lines != n-1 || end.SHA256 != sum {
		x.faults = fmt.Sprintf("line %d: the lines before this one are not those that were exported: the file was damaged or altered; export it again", n)
	} else if _, err := in.ReadByte(); !errors.Is(err, io.EOF) {
		x.faults = fmt.Sprintf("line %d: there is more after the last line", n+1)
	}
	x.sound = x.faults == ""
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
		if !r.idFits() || r.Record.Lot == "" {
			return nil, errors.New("a lot record that does not say what it said when it was entered")
		}
		return r, written(r.Date, r.RecordedAt, r.Record.Lot)
	case "document":
		var d Document
		if err := strict(l.Fact, &d); err != nil {
			return nil, err
		}
		if !d.idFits() || d.Lot == "" {
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
		lotEvent := e.Kind == LotRecorded || e.Kind == PaperFiled || e.Kind == Corrected && e.Lot != ""
		switch {
		case !isID(e.ID) || lotEvent != (e.Blank == "") || !lotEvent && !isID(e.Blank):
			return nil, errors.New("an event without a proper id")
		case e.Kind == Bought && !e.idFits():
			return nil, errors.New("a second way for the same stick to come in")
		case !knownKind(e.Kind):
			return nil, fmt.Errorf("%q is not a kind of event", e.Kind)
		case !e.idFits():
			return nil, errors.New("an event that does not say what it said when it was entered")
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
		if !r.idFits() || !isID(r.Blank) {
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
		if !t.idFits(result.Row, l.Result) || !isID(t.Blank) {
			return nil, errors.New("a test that does not say what it said when it was entered")
		}
		return t, written(t.Date, t.RecordedAt, texts...)
	}
	if l.Type == "writing" {
		var w writtenAgain
		if err := strict(l.Fact, &w); err != nil {
			return nil, err
		}
		if !isID(w.ID) || !slices.Contains([]string{"event", "reading", "test", "document"}, w.Kind) {
			return nil, errors.New("not a fact that two stocks may both have written")
		}
		return w, written("2000-01-01", w.RecordedAt)
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
