package session

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/spectrum"
)

const (
	recordSchema = "ringstock/tap/1"
	recordEnd    = ".tap.json"

	// DroppedDir is the folder in the folder that holds taps that were taken back:
	// nothing is thrown away.
	DroppedDir = "dropped"
)

// record is what is kept beside the recording of a tap.
type record struct {
	Schema     string    `json:"schema"`
	Blank      string    `json:"blank"`
	Side       Side      `json:"side"`
	File       string    `json:"file"`
	RecordedAt time.Time `json:"recorded_at"`
	Session    time.Time `json:"session"` // when it began
	Device
	RateHz      float64  `json:"sample_rate_hz"`
	AtS         float64  `json:"at_s"`         // of the strike in the session's stream
	StrikeS     float64  `json:"strike_s"`     // of the strike in the recording
	QuietJoined bool     `json:"quiet_joined"` // the quiet at the start is an earlier one
	Lost        int      `json:"lost_samples"` // none of a good tap, as are its flags
	Flags       []string `json:"flags"`
	PeakDB      float64  `json:"peak_db"`
	NoiseDB     float64  `json:"noise_db"`
	Air
	Striker string         `json:"striker"`
	Method  string         `json:"method"`
	Ring    *spectrum.Ring `json:"ring"`
}

func (s *Session) record(c capture.Cut, a spectrum.Analysis) record {
	return record{
		Schema: recordSchema, Blank: s.blank, Side: s.side, RecordedAt: s.Now(), Session: s.began,
		Device: s.Device, RateHz: s.rate, AtS: float64(c.Pos) / s.rate, StrikeS: float64(c.Onset) / s.rate,
		QuietJoined: c.Joined, Lost: c.Lost, Flags: c.Flags.Names(), PeakDB: round2(c.PeakDB), NoiseDB: round2(s.noiseDB),
		Air: s.Air, Striker: s.Striker, Method: spectrum.Method, Ring: a.Ring,
	}
}

func round2(x float64) float64 {
	y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'f', 2, 64), 64)
	return y
}

// keep puts a good tap on the disk: what is kept beside it, then the recording, whose
// presence makes it count, then the table.
func (s *Session) keep(t *tapped) error {
	name, err := s.freeName()
	if err != nil {
		return unsaved(err)
	}
	t.file, t.record.File = name, name
	if err := s.save(t); err != nil {
		return err
	}
	if s.tap[s.blank] == nil {
		s.tap[s.blank] = map[Side][]tapped{}
	}
	kept := *t
	kept.take = capture.Take{} // its sound is on the disk now
	s.tap[s.blank][s.side] = append(s.tap[s.blank][s.side], kept)
	return s.change(func(a *grading.Amended) {
		a.AddFile(s.blank, s.side.column(), name)
		if s.Air.TemperatureC != nil {
			a.SetNumber(s.blank, "temperature_c", *s.Air.TemperatureC)
		}
		if s.Air.HumidityPct != nil {
			a.SetNumber(s.blank, "humidity_pct", *s.Air.HumidityPct)
		}
	})
}

// save writes what is known of a tap, and its recording.
func (s *Session) save(t *tapped) error {
	t.heard.File = t.file
	text, err := json.MarshalIndent(t.record, "", " ")
	if err != nil {
		return fmt.Errorf("a tap can't be described: %w", err)
	}
	if err := saveText(s.path(recordName(t.file)), append(text, '\n')); err != nil {
		return unsaved(err)
	}
	rec := capture.Recording{Source: t.file, Rate: t.take.Rate, Tracks: [][]float64{t.take.Samples}, Bits: 24}
	if err := wavfile.Save(s.path(t.file), rec, 24); err != nil {
		return unsaved(err)
	}
	return nil
}

// drop takes the last good tap back.
func (s *Session) drop() error {
	list := s.tap[s.blank][s.side]
	if len(list) == 0 {
		return nil
	}
	last := list[len(list)-1]
	if err := s.change(func(a *grading.Amended) { a.RemoveFile(s.blank, s.side.column(), last.file) }); err != nil {
		return err
	}
	if err := os.MkdirAll(s.path(DroppedDir), 0o777); err != nil {
		return unsaved(err)
	}
	for _, name := range []string{last.file, recordName(last.file)} {
		if err := os.Rename(s.path(name), s.path(filepath.Join(DroppedDir, name))); err != nil {
			return unsaved(err)
		}
	}
	s.tap[s.blank][s.side] = list[:len(list)-1]
	if last.heard.Ring != nil {
		notes := s.notes[s.side]
		if i := slices.Index(notes, last.heard.Ring.Fundamental.Hz.X); i >= 0 {
			s.notes[s.side] = slices.Delete(notes, i, i+1)
		}
	}
	s.judge(s.blank)
	return nil
}

// change amends the table on the disk, which somebody may have edited meanwhile.
func (s *Session) change(how func(*grading.Amended)) error {
	a, err := AmendTable(s.Folder, how)
	if err == nil {
		s.table = a
	}
	return err
}

// amending keeps two of this program from amending a table at once.
var amending sync.Mutex

// AmendTable reads the table of a folder, changes it, and writes it to the disk,
// all of it or nothing.
func AmendTable(folder string, how func(*grading.Amended)) (*grading.Amended, error) {
	amending.Lock()
	defer amending.Unlock()
	s := &Session{Settings: Settings{Folder: folder}}
	a, err := s.readTable()
	if err != nil {
		return nil, err
	}
	how(a)
	if err := saveText(s.path(s.tableName()), a.Text()); err != nil {
		return nil, unsaved(err)
	}
	return a, nil
}

func (s *Session) path(name string) string { return filepath.Join(s.Folder, name) }

func recordName(wav string) string { return strings.TrimSuffix(wav, ".wav") + recordEnd }

// tableName is that of the table in the folder, however it is capitalised.
func (s *Session) tableName() string {
	entries, err := os.ReadDir(s.Folder)
	if err == nil {
		for _, e := range entries {
			if strings.EqualFold(e.Name(), grading.TableName) {
				return e.Name()
			}
		}
	}
	return grading.TableName
}

func (s *Session) readTable() (*grading.Amended, error) {
	name := s.tableName()
	if info, err := os.Lstat(s.path(name)); err == nil && info.Mode()&fs.ModeSymlink != 0 {
		return nil, fmt.Errorf("%s: this is a link; what is entered would not reach the table that it leads to", s.path(name))
	}
	text, err := grading.ReadTable(os.DirFS(s.Folder), name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s can't be read: %w", s.path(name), err)
	}
	a, err := grading.Amend(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.path(name), err)
	}
	return a, nil
}

// openTable reads the table. One that can't be used is set aside under another name, and
// told of: the session goes on with a new one.
func (s *Session) openTable() (err error) {
	s.table, err = s.readTable()
	if err == nil {
		return nil
	}
	name := s.tableName()
	for i := 1; ; i++ {
		aside := fmt.Sprintf("delivery-set-aside-%d.csv", i)
		if _, taken := os.Lstat(s.path(aside)); taken == nil {
			continue
		}
		if moved := os.Rename(s.path(name), s.path(aside)); moved != nil {
			return errors.Join(err, moved)
		}
		s.unread = append(s.unread, fmt.Sprintf("%v. It is set aside as %s, and a new table is begun; put it right, and copy what is new into it", err, aside))
		s.table, err = grading.Amend(nil)
		return err
	}
}

// row is what the table says about a blank.
func (s *Session) row(blank string) grading.Row {
	if d, err := grading.ReadDelivery(os.DirFS(s.Folder)); err == nil {
		for _, r := range d.Rows {
			if r.Blank == blank {
				return r
			}
		}
	}
	return grading.Row{Blank: blank}
}

var unsafe = regexp.MustCompile(`[^\pL\pN._-]+`)

// stem is the beginning of the names of a blank's files.
func stem(blank string, side Side) string {
	name := strings.TrimLeft(unsafe.ReplaceAllString(blank, "_"), ".")
	if name == "" {
		name = "blank"
	}
	if side != Face {
		name += "-" + string(side)
	}
	return name
}

// freeName is a name for the next tap that no tap has, nor had before it was dropped.
func (s *Session) freeName() (string, error) {
	begin := stem(s.blank, s.side)
	highest := 0
	for _, dir := range []string{".", DroppedDir} {
		entries, err := os.ReadDir(s.path(dir))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		for _, e := range entries {
			number, ok := strings.CutPrefix(strings.ToLower(e.Name()), strings.ToLower(begin)+"-")
			if number, wav := strings.CutSuffix(number, ".wav"); ok && wav {
				if n, err := strconv.Atoi(number); err == nil {
					highest = max(highest, n)
				}
			}
		}
	}
	return fmt.Sprintf("%s-%02d.wav", begin, highest+1), nil
}

// takeUp reads what is in the folder, enters taps that a broken-off session could not
// enter any more, and chooses the blank to begin with.
func (s *Session) takeUp() error {
	entries, err := os.ReadDir(s.Folder)
	if err != nil {
		return err
	}
	if err := s.openTable(); err != nil {
		return err
	}
	var records []record
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") && strings.HasSuffix(e.Name(), ".part") {
			os.Remove(s.path(e.Name())) // half a file of a session that was killed
			continue
		}
		if !strings.HasSuffix(e.Name(), recordEnd) {
			continue
		}
		r, err := s.readRecord(e)
		if err != nil {
			s.unread = append(s.unread, fmt.Sprintf("%s can't be used: %v; the recording beside it counts only if delivery.csv names it", e.Name(), err))
			continue
		}
		if _, err := os.Stat(s.path(r.File)); err == nil {
			records = append(records, r)
		}
	}
	slices.SortStableFunc(records, func(a, b record) int { return a.RecordedAt.Compare(b.RecordedAt) })
	before := s.table.Text()
	for _, r := range records {
		if r.Ring != nil {
			s.notes[r.Side] = append(s.notes[r.Side], r.Ring.Fundamental.Hz.X)
		}
		s.table.AddFile(r.Blank, r.Side.column(), r.File)
	}
	if !bytes.Equal(before, s.table.Text()) {
		if err := saveText(s.path(s.tableName()), s.table.Text()); err != nil {
			return unsaved(err)
		}
	}
	s.blank = s.Blank
	if s.blank == "" && len(records) > 0 {
		s.blank = records[len(records)-1].Blank
	}
	if s.blank != "" {
		s.load(s.blank, records)
		if s.Blank == "" && len(s.tap[s.blank][s.side]) >= s.Taps {
			s.blank = s.next()
		}
	} else {
		s.blank = s.next()
	}
	return nil
}

// readRecord reads what is kept beside a recording.
func (s *Session) readRecord(e fs.DirEntry) (r record, err error) {
	const most = 4 << 20 // bytes; a ring of two hundred partials takes 0.1 MB
	info, err := e.Info()
	switch {
	case err != nil:
		return r, err
	case !info.Mode().IsRegular(): // to open a named pipe would wait for a writer
		return r, errors.New("this is not a file")
	case info.Size() > most:
		return r, fmt.Errorf("it has %d MB", info.Size()>>20)
	}
	text, err := os.ReadFile(s.path(e.Name()))
	if err != nil {
		return r, err
	}
	if json.Unmarshal(text, &r) != nil || r.Schema != recordSchema || recordName(r.File) != e.Name() {
		return r, errors.New("it is not what a session writes")
	}
	return r, nil
}

// load hears the good taps that a blank has already.
func (s *Session) load(blank string, records []record) {
	for _, r := range records {
		if r.Blank != blank {
			continue
		}
		rec, err := wavfile.Open(s.path(r.File))
		if err != nil { // one bad file must not keep the others from being used
			s.unread = append(s.unread, fmt.Sprintf("a tap of blank %s can't be read and does not count: %v", blank, err))
			continue
		}
		take := capture.FindTaps(rec)
		a := spectrum.Analyse(take, r.Side.strike())
		a.File, a.Channels = r.File, len(rec.Tracks)
		if a.Ring == nil {
			continue
		}
		if s.tap[blank] == nil {
			s.tap[blank] = map[Side][]tapped{}
		}
		s.tap[blank][r.Side] = append(s.tap[blank][r.Side], tapped{file: r.File, heard: a, record: r})
	}
}

// next is the blank after the present one: the next of the table that has no taps on this
// side, else a new number.
func (s *Session) next() string {
	blanks := s.table.Blanks()
	for _, b := range blanks[slices.Index(blanks, s.blank)+1:] {
		if len(s.table.Files(b, s.side.column())) == 0 && len(s.tap[b][s.side]) == 0 {
			return b
		}
	}
	number := "001"
	if s.blank != "" {
		number = after(s.blank)
	}
	for slices.Contains(blanks, number) {
		number = after(number)
	}
	return number
}

var lastNumber = regexp.MustCompile(`^(.*?)([0-9]+)([^0-9]*)$`)

// after counts the last number in the name of a blank up: A017 -> A018.
func after(blank string) string {
	m := lastNumber.FindStringSubmatch(blank)
	if m == nil {
		return blank + "-2"
	}
	digits := []byte(m[2])
	for i := len(digits) - 1; ; i-- {
		if i < 0 {
			return m[1] + "1" + string(digits) + m[3]
		}
		if digits[i]++; digits[i] <= '9' {
			return m[1] + string(digits) + m[3]
		}
		digits[i] = '0'
	}
}

// saveText writes a file that appears under its name complete or not at all, also
// when the power fails.
func saveText(path string, text []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err := f.Write(text); err != nil {
		return err
	}
	if err := f.Chmod(0o644); err != nil { // CreateTemp keeps others out
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// unsaved explains that a tap could not be saved. Why not is in the chain; filefault.Text
// says it in plain words.
func unsaved(err error) error {
	return fmt.Errorf("the last tap could not be saved: %w; start again with this folder, or choose another: what was announced before is safe", err)
}
