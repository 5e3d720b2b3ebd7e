package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/grading/settings"
	"ringstock/spectrum"
)

// delivery is a delivery's folder as its page works on it. What was heard of a recording
// is remembered as long as the file stays as it is; all else is read anew each time, so
// that a command may work on the folder meanwhile.
type delivery struct {
	shop   *workshop
	folder string

	mu      sync.Mutex
	heard   map[heardKey]spectrum.Analysis
	hearing bool
	done    int
	of      int
	profile string

	// The last grading, ready for other profiles, and of what state of the folder it is.
	last   *grading.Rejudged
	state  string
	looked time.Time // when the folder was last found to be in that state
}

type heardKey struct {
	file   string
	strike spectrum.Strike
	note   spectrum.Expected
	size   int64
	at     time.Time
}

func newDelivery(shop *workshop, folder string) *delivery {
	d := &delivery{shop: shop, folder: folder, heard: map[heardKey]spectrum.Analysis{}, profile: "violin"}
	if own, err := settingsFor(folder); err == nil { // else its grading says what is wrong
		d.profile = own.Profile
	}
	return d
}

func (d *delivery) Info() bench.Info {
	info := bench.Info{Key: keyOf(d.folder), Name: filepath.Base(d.folder), Folder: d.folder, When: whenOf(d.folder), OnBench: d.shop.bay.at(d.folder) != nil}
	table, err := grading.ReadDelivery(os.DirFS(d.folder))
	if err != nil {
		if entries, e := os.ReadDir(d.folder); e == nil && len(entries) <= 1 {
			return info // nothing is in it yet
		}
		info.Trouble = filefault.Text(err)
		return info
	}
	info.Blanks, info.Entered = len(table.Rows), d.shop.enteredOf(info.Name)
	for _, r := range table.Rows {
		if len(r.File)+len(r.WidthFile)+len(r.EndFile) > 0 {
			info.Tapped++
		}
		if r.LengthMM.Known() && r.HeightMM.Known() && r.WidthMM.Known() && r.MassG.Known() {
			info.Measured++
		}
	}
	return info
}

// gridColumns are what can be typed into the grid.
var gridColumns = []bench.Column{
	{Name: "length_mm", Label: "Length", Unit: "mm", About: "of the whole blank, with a head block"},
	{Name: "height_mm", Label: "Height", Unit: "mm", About: "the side taps bend it in this direction; of a tapered blank at the thick end"},
	{Name: "width_mm", Label: "Width", Unit: "mm", About: "across; of a tapered blank at the thick end"},
	{Name: "mass_g", Label: "Mass", Unit: "g", About: "with mass and size comes the density"},
	{Name: "moisture_pct", Label: "Moisture", Unit: "%", About: "of the wood; if it is empty it is estimated from the air"},
	{Name: "temperature_c", Label: "Air", Unit: "°C", About: "temperature of the room"},
	{Name: "humidity_pct", Label: "Humidity", Unit: "%", About: "relative, of the room"},
	{Name: "head_length_mm", Label: "Head length", Unit: "mm", About: "of an uncut head block"},
	{Name: "head_height_mm", Label: "Head height", Unit: "mm", About: "of an uncut head block"},
	{Name: "tip_height_mm", Label: "Tip height", Unit: "mm", About: "at the thin end of a tapered blank"},
	{Name: "tip_width_mm", Label: "Tip width", Unit: "mm", About: "at the thin end of a tapered blank"},
	{Name: "shape", Label: "Shape", Text: true, About: "rectangular if empty, octagonal or round"},
	{Name: "price", Label: "Price", About: "shown beside the score, never part of it"},
	{Name: "currency", Label: "Currency", Text: true},
	{Name: "maker_grade", Label: "Your grade", Text: true, About: "stands beside the score and never touches it"},
	{Name: "species", Label: "Species", Text: true},
	{Name: "supplier", Label: "Supplier", Text: true},
	{Name: "lot", Label: "Lot", Text: true},
	{Name: "note", Label: "Note", Text: true},
	{Name: "length_u_mm", Label: "± length", Unit: "mm", About: "standard uncertainty; 0.5 if empty"},
	{Name: "height_u_mm", Label: "± height", Unit: "mm", About: "standard uncertainty; 0.05 if empty"},
	{Name: "width_u_mm", Label: "± width", Unit: "mm", About: "standard uncertainty; 0.05 if empty"},
	{Name: "mass_u_g", Label: "± mass", Unit: "g", About: "standard uncertainty; 0.1 if empty"},
	{Name: "moisture_u_pct", Label: "± moisture", Unit: "%", About: "standard uncertainty; 1 if empty"},
}

func (d *delivery) Table() (bench.Table, error) {
	out := bench.Table{Columns: gridColumns, Rows: []map[string]string{}, Marks: []bench.Answer{}}
	text, err := os.ReadFile(filepath.Join(d.folder, d.tableName()))
	if errors.Is(err, fs.ErrNotExist) {
		text = nil
	} else if err != nil {
		return out, fmt.Errorf("the table can't be read: %w", err)
	}
	a, err := grading.Amend(text)
	if err != nil {
		return out, fmt.Errorf("%s: %w", grading.TableName, err)
	}
	rows := map[string]grading.Row{}
	var order []string
	if table, err := grading.ReadDelivery(os.DirFS(d.folder)); err == nil {
		for _, r := range table.Rows {
			rows[r.Blank] = r
			order = append(order, r.Blank)
		}
	}
	for _, blank := range a.Blanks() {
		if !slices.Contains(order, blank) {
			order = append(order, blank)
		}
	}
	for _, blank := range order {
		row := map[string]string{"blank": blank}
		taps := 0
		for _, files := range [][]string{rows[blank].File, rows[blank].WidthFile, rows[blank].EndFile} {
			taps += len(files)
		}
		row["recordings"] = strconv.Itoa(taps)
		for _, c := range gridColumns {
			text := a.Get(blank, c.Name)
			if text == "" {
				continue
			}
			row[c.Name] = text
			mark := bench.Answer{Blank: blank, Column: c.Name, Text: text, Saved: true}
			if cell, err := grading.ParseCell(c.Name, text); err != nil {
				mark.Error = filefault.Text(err)
			} else {
				mark.Doubt = cell.Doubt(rows[blank])
			}
			if mark.Error != "" || mark.Doubt != "" {
				out.Marks = append(out.Marks, mark)
			}
		}
		out.Rows = append(out.Rows, row)
	}
	return out, nil
}

// tableName is that of the table in the folder, however it is capitalised.
func (d *delivery) tableName() string {
	entries, err := os.ReadDir(d.folder)
	if err == nil {
		for _, e := range entries {
			if strings.EqualFold(e.Name(), grading.TableName) {
				return e.Name()
			}
		}
	}
	return grading.TableName
}

func (d *delivery) Enter(entries []bench.Entry) []bench.Answer {
	defer d.lookAgain()
	answers := make([]bench.Answer, len(entries))
	cells := make([]grading.Cell, len(entries))
	var put []int
	for i, e := range entries {
		answers[i] = bench.Answer{Blank: e.Blank, Column: e.Column, Text: e.Text}
		cell, err := grading.ParseCell(e.Column, e.Text)
		if len(e.Text) > 2000 {
			err = errors.New("this is too long for a cell")
		}
		if _, wrong := grading.ParseBlank(e.Blank); wrong != nil {
			err = wrong
		}
		if err != nil {
			answers[i].Error = err.Error()
			continue
		}
		cells[i] = cell
		put = append(put, i)
	}
	if len(put) == 0 {
		return answers
	}
	before, _ := grading.ReadDelivery(os.DirFS(d.folder)) // without a table, its recordings are the blanks
	a, err := session.AmendTable(d.folder, func(a *grading.Amended) {
		if !before.Listed {
			for _, r := range before.Rows {
				for _, f := range r.File {
					a.AddFile(r.Blank, "file", f)
				}
			}
		}
		for _, i := range put {
			a.Put(strings.TrimSpace(entries[i].Blank), cells[i])
		}
	})
	if err != nil {
		for _, i := range put {
			answers[i].Error = "not saved yet: " + filefault.Text(err)
		}
		return answers
	}
	rows := map[string]grading.Row{}
	if table, err := grading.ReadDelivery(os.DirFS(d.folder)); err == nil {
		for _, r := range table.Rows {
			rows[r.Blank] = r
		}
	}
	for _, i := range put {
		answers[i].Saved, answers[i].Text = true, a.Get(entries[i].Blank, entries[i].Column)
		answers[i].Doubt = cells[i].Doubt(rows[entries[i].Blank])
	}
	if desk := d.shop.bay.at(d.folder); desk != nil {
		go desk.reread(entries)
	}
	return answers
}

var faceColumns = map[bench.Face]string{bench.TheFace: "file", bench.OtherFace: "width_file", bench.EndGrain: "end_file"}

var faceStrikes = map[bench.Face]spectrum.Strike{bench.TheFace: spectrum.SideTap, bench.OtherFace: spectrum.SideTap, bench.EndGrain: spectrum.EndTap}

func (d *delivery) Bring(name, blank string, face bench.Face, sound io.Reader) (heard string, err error) {
	defer d.lookAgain()
	column, ok := faceColumns[face]
	blank = strings.TrimSpace(blank)
	if !ok || blank == "" || len(blank) > 100 {
		return "", errors.New("say of which blank and which face the recording is")
	}
	base := strings.TrimLeft(notInNames.ReplaceAllString(filepath.Base(strings.ReplaceAll(name, `\`, "/")), "_"), ".")
	if len(base) > 100 || len(base) < 2 {
		return "", errors.New("the name of the file can't be used: give it a short one of letters and digits")
	}
	const most = 512 << 20
	data, err := io.ReadAll(io.LimitReader(sound, most+1))
	if err != nil {
		return "", fmt.Errorf("the file did not come over whole: %w", err)
	}
	if len(data) > most {
		return "", errors.New("the file is too large: cut the recording into pieces of some minutes")
	}
	rec, err := wavfile.Read(bytes.NewReader(data), int64(len(data)), base)
	if err != nil {
		return "", errors.New(strings.TrimPrefix(err.Error(), base+": "))
	}
	_, a := hear(base, rec, nil, faceStrikes[face], spectrum.Expected{})
	good := 0
	why := map[string]int{}
	for _, t := range a.Taps {
		if t.Accepted {
			good++
		} else {
			why[string(t.Reason)]++
		}
	}
	heard = plural(good, "good tap")
	for reason, n := range why {
		heard += fmt.Sprintf(", %d %s", n, reason)
	}
	if a.Ring == nil {
		return "", fmt.Errorf("no tap in it can be used (%s): it was not taken", heard)
	}
	file, there, err := d.keep(base, data)
	if err != nil {
		return "", err
	}
	if there {
		heard += "; this recording was here already"
	}
	before, _ := grading.ReadDelivery(os.DirFS(d.folder))
	if _, err := session.AmendTable(d.folder, func(a *grading.Amended) {
		if !before.Listed { // whose blanks were its recordings
			for _, r := range before.Rows {
				for _, f := range r.File {
					if f != file {
						a.AddFile(r.Blank, "file", f)
					}
				}
			}
		}
		a.AddFile(blank, column, file)
	}); err != nil {
		return "", fmt.Errorf("the recording is in the folder as %s, but the table could not be written: %w", file, err)
	}
	return heard, nil
}

// keep puts bytes into the folder under a name that is free, or finds that they are
// there.
func (d *delivery) keep(base string, data []byte) (file string, there bool, err error) {
	stem, end := strings.TrimSuffix(base, filepath.Ext(base)), filepath.Ext(base)
	for i := 1; ; i++ {
		file = base
		if i > 1 {
			file = fmt.Sprintf("%s (%d)%s", stem, i, end)
		}
		old, err := os.ReadFile(filepath.Join(d.folder, file))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return file, false, writeFile(filepath.Join(d.folder, file), func(w io.Writer) error { _, err := w.Write(data); return err })
		case err != nil:
			return "", false, fmt.Errorf("the folder can't be read: %w", err)
		case bytes.Equal(old, data):
			return file, true, nil
		}
	}
}

// hearAll hears what was not heard yet, two recordings at a time, and tells how far it
// is.
func (d *delivery) hearAll() (looking string) {
	table, err := grading.ReadDelivery(os.DirFS(d.folder))
	if err != nil {
		return ""
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.hearing {
		return fmt.Sprintf("Listening to the recordings: %d of %d blanks", d.done, d.of)
	}
	var jobs []grading.Row
rows:
	for _, r := range table.Rows {
		for _, side := range []struct {
			files  []string
			strike spectrum.Strike
		}{{r.File, spectrum.SideTap}, {r.WidthFile, spectrum.SideTap}, {r.EndFile, spectrum.EndTap}} {
			for _, f := range side.files {
				if !d.known(f, side.strike) {
					jobs = append(jobs, r)
					continue rows
				}
			}
		}
	}
	const few = 2 // so many are heard while one waits
	if len(jobs) <= few {
		return ""
	}
	d.hearing, d.done, d.of = true, 0, len(jobs)
	go func() {
		var workers sync.WaitGroup
		next := make(chan grading.Row)
		for range 2 {
			workers.Go(func() {
				for r := range next {
					grading.Listen(r, d.hear)
					d.mu.Lock()
					d.done++
					d.mu.Unlock()
				}
			})
		}
		for _, r := range jobs {
			next <- r
		}
		close(next)
		workers.Wait()
		d.mu.Lock()
		d.hearing = false
		d.mu.Unlock()
	}()
	return fmt.Sprintf("Listening to the recordings: 0 of %d blanks", len(jobs))
}

// known tells whether a recording was heard; the lock is held.
func (d *delivery) known(file string, strike spectrum.Strike) bool {
	info, err := os.Stat(filepath.Join(d.folder, filepath.FromSlash(file)))
	if err != nil {
		return true // it tells so quickly enough
	}
	_, ok := d.heard[heardKey{file, strike, spectrum.Expected{}, info.Size(), info.ModTime()}]
	return ok
}

// hear hears a recording, if it is not remembered.
func (d *delivery) hear(file string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
	root, err := os.OpenRoot(d.folder)
	if err != nil {
		_, a := hear(file, capture.Recording{}, err, strike, note)
		return a
	}
	defer root.Close()
	info, err := root.Stat(filepath.FromSlash(file))
	if err != nil {
		_, a := hear(file, capture.Recording{}, err, strike, note)
		return a
	}
	key := heardKey{file, strike, note, info.Size(), info.ModTime()}
	d.mu.Lock()
	a, ok := d.heard[key]
	d.mu.Unlock()
	if ok {
		return a
	}
	if a, ok = session.Recall(root.FS(), file); !ok {
		rec, err := openIn(root, file)
		_, a = hear(file, rec, err, strike, note)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.heard[key] = a
	key.note = spectrum.Expected{} // whatever its note was expected to be, it is known
	if _, ok := d.heard[key]; !ok {
		d.heard[key] = a
	}
	return a
}

func (d *delivery) Grade(ctx context.Context, p *grading.Profile) (g grading.Grading, looking string, err error) {
	if p != nil { // tried out: from one move of a slider to the next the folder stays as it is
		if g, ok, err := d.tryOut(*p); ok {
			return g, "", err
		}
	}
	if looking = d.hearAll(); looking != "" {
		return g, looking, nil
	}
	profile, err := d.Profile()
	if err != nil {
		return g, "", err
	}
	if p != nil {
		if profile, err = checkedProfile(*p); err != nil {
			return g, "", err
		}
	}
	state := d.stateOf()
	d.mu.Lock()
	last, same := d.last, d.state == state
	d.mu.Unlock()
	if same {
		d.mu.Lock()
		d.looked = time.Now()
		d.mu.Unlock()
		return last.By(profile), "", nil
	}
	own, err := settingsFor(d.folder)
	if err != nil {
		return g, "", err
	}
	root, err := os.OpenRoot(d.folder)
	if err != nil {
		return g, "", err
	}
	defer root.Close()
	g, err = grading.Grade(ctx, grading.Job{Folder: root.FS(), Delivery: filepath.Base(d.folder), Profile: profile, Instruments: own.Instruments, Hear: d.hear})
	if err == nil {
		d.mu.Lock()
		d.last, d.state, d.looked = g.Rejudge(), state, time.Now()
		d.mu.Unlock()
	}
	return g, "", err
}

func (d *delivery) lookAgain() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.looked = time.Time{}
}

// tryOut judges by a profile what was judged a moment ago, if the folder was looked at
// then and nothing came in by the page since.
func (d *delivery) tryOut(p grading.Profile) (g grading.Grading, ok bool, err error) {
	const moment = time.Second
	d.mu.Lock()
	last, looked := d.last, d.looked
	d.mu.Unlock()
	if last == nil || time.Since(looked) > moment {
		return g, false, nil
	}
	profile, err := checkedProfile(p)
	if err != nil {
		return g, true, err
	}
	return last.By(profile), true, nil
}

// stateOf tells two states of the folder apart: by the table's text, and the names, sizes
// and times of the files.
func (d *delivery) stateOf() string {
	sum := sha256.New()
	text, err := os.ReadFile(filepath.Join(d.folder, d.tableName()))
	fmt.Fprintf(sum, "%q %v", text, err)
	err = filepath.WalkDir(d.folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if info, err := e.Info(); err == nil && !e.IsDir() {
			fmt.Fprintf(sum, "%q %d %v", path, info.Size(), info.ModTime())
		}
		return nil
	})
	fmt.Fprint(sum, err)
	return hex.EncodeToString(sum.Sum(nil))
}

// checkedProfile checks a profile as if it had been read from a file.
func checkedProfile(p grading.Profile) (grading.Profile, error) {
	text, err := profileText(p)
	if err != nil {
		return p, err
	}
	return grading.ParseProfile(text)
}

// ownProfiles are the profile files beside the recordings.
func (d *delivery) ownProfiles() []string {
	files, err := filepath.Glob(filepath.Join(d.folder, "*.toml"))
	if err != nil {
		return nil
	}
	for i, f := range files {
		files[i] = filepath.Base(f)
	}
	return slices.DeleteFunc(files, func(f string) bool { return f == settings.DeliveryName })
}

func (d *delivery) Profiles() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	list := append(grading.Profiles(), d.ownProfiles()...)
	inUse := func(name string) int {
		if name == d.profile {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(list, func(a, b string) int { // the one in use first
		return cmp.Compare(inUse(b), inUse(a))
	})
	return list
}

func (d *delivery) UseProfile(name string) error {
	if !slices.Contains(append(grading.Profiles(), d.ownProfiles()...), name) {
		return fmt.Errorf("there is no profile %q", name)
	}
	if _, err := d.profileNamed(name); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.profile = name
	return nil
}

func (d *delivery) profileNamed(name string) (grading.Profile, error) {
	return loadProfile(d.profilePath(name))
}

// profilePath is what a command calls a profile: a built-in one by its name, an own one
// of the folder or of the settings by its path.
func (d *delivery) profilePath(name string) string {
	if _, builtIn := grading.ProfileText(name); builtIn || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(d.folder, name)
}

func (d *delivery) Profile() (grading.Profile, error) {
	d.mu.Lock()
	name := d.profile
	d.mu.Unlock()
	return d.profileNamed(name)
}

// SaveProfile writes a profile to a file of its own beside the recordings, and
// judges by it from now on.
func (d *delivery) SaveProfile(p grading.Profile) error {
	p, err := checkedProfile(p)
	if err != nil {
		return err
	}
	name := strings.Trim(notInNames.ReplaceAllString(p.Name, " "), " .") + ".toml"
	if _, builtIn := grading.ProfileText(strings.TrimSuffix(name, ".toml")); builtIn {
		return fmt.Errorf("%q is the name of a built-in profile: give your own another one", p.Name)
	}
	path := filepath.Join(d.folder, name)
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("there is a profile %q already: give this one another name", p.Name)
	}
	text, err := profileText(p)
	if err != nil {
		return err
	}
	if err := writeFile(path, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
		return err
	}
	return d.UseProfile(name)
}

func (d *delivery) Sound(blank string) ([]byte, error) {
	table, err := grading.ReadDelivery(os.DirFS(d.folder))
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(d.folder)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	for _, r := range table.Rows {
		if r.Blank != blank {
			continue
		}
		for _, file := range r.File {
			rec, err := openIn(root, file)
			take, a := hear(file, rec, err, spectrum.SideTap, spectrum.Expected{})
			if p, ok := spectrum.Draw(take, a); ok && len(p.Clip) > 0 {
				n := min(len(p.Clip), int(2*p.ClipRate))
				var out bytes.Buffer
				err := wavfile.Write(&out, capture.Recording{Source: "best tap", Rate: p.ClipRate, Tracks: [][]float64{p.Clip[:n]}}, 16)
				return out.Bytes(), err
			}
		}
	}
	return nil, fmt.Errorf("there is no tap of %s to listen to", blank)
}

// choicesName is the table of what was preferred by ear. Its name is not that of a
// recording, so grading passes it by.
const choicesName = "listening.csv"

func (d *delivery) Choices() ([]bench.Choice, error) {
	list := []bench.Choice{}
	text, err := os.ReadFile(filepath.Join(d.folder, choicesName))
	if errors.Is(err, fs.ErrNotExist) {
		return list, nil
	} else if err != nil {
		return list, fmt.Errorf("what was chosen by ear can't be read: %w", err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		return list, fmt.Errorf("%s can't be read: %w", choicesName, err)
	}
	for _, r := range rows[min(1, len(rows)):] {
		if len(r) >= 5 {
			list = append(list, bench.Choice{First: r[0], Second: r[1], Preferred: r[2], Blind: r[3] == "yes", When: r[4]})
		}
	}
	return list, nil
}

func (d *delivery) Choose(c bench.Choice) error {
	if c.First == "" || c.Second == "" || c.First == c.Second || c.Preferred != "" && c.Preferred != c.First && c.Preferred != c.Second {
		return errors.New("a choice is between two blanks")
	}
	list, err := d.Choices()
	if err != nil {
		return err
	}
	c.When = time.Now().Format(time.RFC3339)
	return writeFile(filepath.Join(d.folder, choicesName), func(w io.Writer) error {
		out := csv.NewWriter(w)
		rows := [][]string{{"first", "second", "preferred", "blind", "when"}}
		for _, c := range append(list, c) {
			rows = append(rows, []string{c.First, c.Second, c.Preferred, map[bool]string{true: "yes", false: "no"}[c.Blind], c.When})
		}
		return out.WriteAll(rows)
	})
}

func (d *delivery) Enrol(ctx context.Context, blanks []string, lot, place string) (string, error) {
	if len(blanks) == 0 {
		return "", errors.New("choose the blanks first")
	}
	g, looking, err := d.Grade(ctx, nil)
	if err != nil {
		return "", err
	}
	if looking != "" {
		return "", errors.New(looking + "; enter them when that is done")
	}
	g.Blanks = slices.DeleteFunc(slices.Clone(g.Blanks), func(b grading.Blank) bool { return !slices.Contains(blanks, b.Blank) })
	if len(g.Blanks) != len(blanks) {
		return "", errors.New("some of these blanks are not in the delivery any more: look at the ranking again")
	}
	added, err := enterStock(ctx, d.shop.place, g, d.folder, stockAddOptions{lot: lot, place: place})
	if err != nil {
		return "", err
	}
	var out strings.Builder
	err = printAdded(&out, added)
	return strings.TrimSpace(out.String()), err
}

func (d *delivery) Report(ctx context.Context) ([]byte, error) {
	dir, err := os.MkdirTemp("", "ringstock-report-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	d.mu.Lock()
	profile := d.profilePath(d.profile)
	d.mu.Unlock()
	ran := d.shop.Run(ctx, []string{"grade", "--out=" + dir, "--profile=" + profile, "--", d.folder})
	page, err := os.ReadFile(filepath.Join(dir, reportName))
	if err != nil {
		return nil, errors.Join(ran.Err, errors.New("there is no report to show"))
	}
	return page, nil
}

// reread takes in what was entered elsewhere.
func (d *desk) reread(entries []bench.Entry) {
	done := map[string]bool{}
	for _, e := range entries {
		if !done[e.Blank] {
			done[e.Blank] = true
			d.entered(session.Entered{Entry: session.Entry{Blank: e.Blank}})
		}
	}
}

// profileText is a profile as the text of a file.
func profileText(p grading.Profile) ([]byte, error) {
	var out bytes.Buffer
	quoted := func(s string) string {
		text, _ := json.Marshal(s) // a JSON string is a TOML one
		return string(text)
	}
	fmt.Fprintf(&out, "# Changed at the bench.\n\nname = %s\nabout = %s\nkeep_mark = %s\n", quoted(p.Name), quoted(p.About), number(p.KeepMark))
	for _, key := range slices.Sorted(maps.Keys(p.Properties)) {
		if !plainKey.MatchString(key) {
			return nil, fmt.Errorf("%q is no property", key)
		}
		c := p.Properties[key]
		fmt.Fprintf(&out, "\n[properties.%s]\nweight = %s\n", key, number(c.Weight))
		if c.LimitLow != nil {
			fmt.Fprintf(&out, "limit_low = %s\n", number(*c.LimitLow))
		}
		fmt.Fprintf(&out, "target = %s\n", number(c.Target))
		if c.LimitHigh != nil {
			fmt.Fprintf(&out, "limit_high = %s\n", number(*c.LimitHigh))
		}
		fmt.Fprintf(&out, "shape = %s\n", number(c.Shape))
	}
	return out.Bytes(), nil
}

var plainKey = regexp.MustCompile(`^[a-z0-9_]+$`)

// number writes a float as TOML does; it needs a point.
func number(x float64) string {
	text := strconv.FormatFloat(x, 'f', -1, 64)
	if x == math.Trunc(x) {
		text += ".0"
	}
	return text
}

var _ bench.Delivery = (*delivery)(nil)
var _ bench.Workshop = (*workshop)(nil)
var _ bench.Session = (*bay)(nil)
