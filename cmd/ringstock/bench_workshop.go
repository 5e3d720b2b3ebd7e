package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/grading/stock"
)

// memory is what the workshop remembers between starts.
type memory struct {
	Port       int       `json:"port"` // of the bench, kept so that a page stays valid
	Deliveries string    `json:"deliveries"`
	Backups    string    `json:"backups"`
	Folders    []string  `json:"folders"` // deliveries worked on, the latest first
	BackedUp   time.Time `json:"backed_up"`
}

// memoryPath is where it lies: in the user's settings, or where RINGSTOCK_SETTINGS says.
func memoryPath() (string, error) {
	dir, err := settingsDir()
	return filepath.Join(dir, "workshop.json"), err
}

// readMemory reads what is remembered; what can't be read counts as never written, for
// it is a convenience.
func readMemory() (m memory) {
	path, err := memoryPath()
	if err == nil {
		if text, err := os.ReadFile(path); err == nil && json.Unmarshal(text, &m) != nil {
			m = memory{}
		}
	}
	home, err := os.UserHomeDir()
	if err != nil {
		home = "."
	}
	if info, err := os.Stat(filepath.Join(home, "Documents")); err == nil && info.IsDir() {
		home = filepath.Join(home, "Documents")
	}
	m.Deliveries = cmp.Or(m.Deliveries, filepath.Join(home, "ringstock deliveries"))
	m.Backups = cmp.Or(m.Backups, filepath.Join(home, "ringstock backups"))
	return m
}

func (m memory) write() error {
	path, err := memoryPath()
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return fmt.Errorf("the settings can't be kept: %w", err)
	}
	return writeFile(path, func(w io.Writer) error { _, err := w.Write(append(text, '\n')); return err })
}

// workshop is what the pages do beside the tapping.
type workshop struct {
	bay   *bay
	place *stockPlace
	store func(context.Context) (*stock.Store, error)
	stop  func()

	mu         sync.Mutex
	memory     memory
	deliveries map[string]*delivery // by key
	entered    map[string]int       // sticks in the stock by delivery, as last looked
	looked     time.Time
}

func newWorkshop(b *bay, o *benchOptions, store func(context.Context) (*stock.Store, error), stop func()) *workshop {
	return &workshop{bay: b, place: &o.stock, store: store, stop: stop, memory: readMemory(), deliveries: map[string]*delivery{}}
}

func keyOf(folder string) string {
	sum := sha256.Sum256([]byte(folder))
	return hex.EncodeToString(sum[:6])
}

// folders are those of all known deliveries, the latest worked on first.
func (w *workshop) folders() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	list := slices.Clone(w.memory.Folders)
	entries, err := os.ReadDir(w.memory.Deliveries)
	if err == nil {
		for _, e := range entries {
			if full := filepath.Join(w.memory.Deliveries, e.Name()); e.IsDir() && !strings.HasPrefix(e.Name(), ".") && !slices.Contains(list, full) {
				list = append(list, full)
			}
		}
	}
	return slices.DeleteFunc(list, func(f string) bool { _, err := os.Stat(f); return err != nil })
}

// remember puts a delivery at the head of those worked on.
func (w *workshop) remember(folder string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	const most = 200
	now := readMemory() // which another bench may have written
	w.memory.Folders = append([]string{folder}, slices.DeleteFunc(now.Folders, func(f string) bool { return f == folder })...)
	w.memory.Folders = w.memory.Folders[:min(len(w.memory.Folders), most)]
	return w.memory.write()
}

func (w *workshop) NewDelivery(name, place string) (string, error) {
	clean := strings.Trim(notInNames.ReplaceAllString(name, " "), " .")
	if clean == "" {
		return "", errors.New("give the delivery a name")
	}
	full := filepath.Join(w.Settings().Deliveries, clean)
	if _, err := os.Stat(full); err == nil {
		return "", fmt.Errorf("there is a delivery %q already: choose another name, or take that one up", clean)
	}
	if err := os.MkdirAll(full, 0o777); err != nil {
		return "", fmt.Errorf("the delivery's folder can't be made: %w; choose another place in the settings", err)
	}
	if place != "" {
		if err := os.WriteFile(filepath.Join(full, placeName), []byte(place+"\n"), 0o666); err != nil {
			return "", fmt.Errorf("the place can't be kept: %w", err)
		}
	}
	return keyOf(full), w.remember(full)
}

// placeName is a text file in a delivery that says where it was tapped.
const placeName = "place.txt"

var notInNames = regexp.MustCompile(`[^\pL\pN._, ()+-]+`)

func (w *workshop) OpenDelivery(folder string) (string, error) {
	full, err := filepath.Abs(folder)
	if err != nil {
		return "", err
	}
	if info, err := os.Stat(full); err != nil || !info.IsDir() {
		return "", fmt.Errorf("there is no folder %s: write its whole path, as the file manager shows it", folder)
	}
	return keyOf(full), w.remember(full)
}

func (w *workshop) Delivery(key string) (bench.Delivery, error) {
	for _, folder := range w.folders() {
		if keyOf(folder) != key {
			continue
		}
		w.mu.Lock()
		defer w.mu.Unlock()
		d := w.deliveries[key]
		if d == nil {
			d = newDelivery(w, folder)
			w.deliveries[key] = d
		}
		return d, nil
	}
	return nil, errors.New("this delivery is not there any more: was its folder moved or renamed? Take it up again from the workshop's first page")
}

func (w *workshop) Lay(key string) error {
	d, err := w.Delivery(key)
	if err != nil {
		return err
	}
	folder := d.(*delivery).folder
	if err := w.bay.lay(folder); err != nil {
		return err
	}
	return w.remember(folder)
}

func (w *workshop) Settings() bench.Settings {
	w.mu.Lock()
	defer w.mu.Unlock()
	return bench.Settings{Deliveries: w.memory.Deliveries, Backups: w.memory.Backups}
}

func (w *workshop) Set(s bench.Settings) error {
	for what, dir := range map[string]string{"deliveries": s.Deliveries, "backups": s.Backups} {
		if !filepath.IsAbs(dir) {
			return fmt.Errorf("the folder for %s: write its whole path, like %s", what, readMemory().Deliveries)
		}
		if err := os.MkdirAll(dir, 0o777); err != nil {
			return fmt.Errorf("the folder for %s can't be made: %w", what, err)
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.memory.Deliveries, w.memory.Backups = s.Deliveries, s.Backups
	return w.memory.write()
}

func (w *workshop) Stop() { w.stop() }

// Run runs a command as the command line would, on the workshop's stock.
func (w *workshop) Run(ctx context.Context, args []string) (ran bench.Ran) {
	var out, log bytes.Buffer
	root := newRoot()
	root.SetOut(&out)
	root.SetErr(&log)
	root.SetIn(strings.NewReader(""))
	if dir := w.place.dir; dir != "" && slices.Contains([]string{"stock", "plan", "work", "card", "strung", "learn"}, args[0]) {
		at := 1
		args = slices.Insert(slices.Clone(args), at, "--stock-dir="+dir)
	}
	if len(args) >= 3 && args[0] == "stock" && slices.Contains(args, "backup") {
		dir := filepath.Join(args[len(args)-1], time.Now().Format("2006-01-02 150405"))
		args = append(slices.Clone(args[:len(args)-1]), dir)
	}
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var partly partlyDone
	if errors.As(err, &partly) {
		fmt.Fprintln(&log, partly.Error())
		err = nil
	}
	if err == nil && slices.Contains(args, "backup") {
		w.mu.Lock()
		w.memory.BackedUp = time.Now()
		err = w.memory.write()
		w.mu.Unlock()
	}
	return bench.Ran{Out: printable(out.String()), Log: printable(log.String()), Err: err, Sheet: bench.SheetOf(args)}
}

func hasCommand(args []string) bool {
	cmd, rest, err := newRoot().Find(args)
	return err == nil && len(rest) == 0 && cmd.Name() == args[len(args)-1]
}

func (w *workshop) Home(ctx context.Context) (h bench.Home) {
	h.Settings = w.Settings()
	store, err := w.store(ctx)
	switch {
	case errors.Is(err, stock.ErrNone):
		h.NoStock, h.Stock = true, "No stick is in the stock yet: enter a delivery when you have decided."
	case err != nil:
		h.NoStock, h.Stock = true, "The stock can't be opened: "+filefault.Text(err)
	default:
		w.lookAtStock(ctx, store, &h)
	}
	w.mu.Lock()
	backedUp := w.memory.BackedUp
	w.mu.Unlock()
	switch {
	case !backedUp.IsZero():
		h.Backup = "Last backup on " + backedUp.Format("2 January 2006, 15:04") + ", in " + h.Settings.Backups
	case h.NoStock:
		h.Backup = "There is nothing to back up yet."
	default:
		h.Backup = "No backup was made from here yet."
	}
	const most = 30
	for _, folder := range w.folders() {
		d, err := w.Delivery(keyOf(folder))
		if err != nil || len(h.Deliveries) == most {
			continue
		}
		h.Deliveries = append(h.Deliveries, d.Info())
	}
	return h
}

func (w *workshop) lookAtStock(ctx context.Context, store *stock.Store, h *bench.Home) {
	list, err := store.List(ctx, nil, nil)
	if err != nil {
		h.Stock = "The stock can't be read: " + filefault.Text(err)
		return
	}
	here := 0
	w.count(list)
	for _, b := range list {
		if b.State.Present() {
			here++
		}
		if b.State == stock.IsStarted {
			h.Work = append(h.Work, strings.TrimSpace("stick "+b.Blank+" "+b.Party))
		}
	}
	due, err := store.Due(ctx, store.Today())
	if err != nil {
		h.Stock = "The stock can't be read: " + filefault.Text(err)
		return
	}
	papers := 0
	const most = 5
	for _, d := range due {
		if d.What == "paper" {
			papers++
		}
		if len(h.Due) < most {
			h.Due = append(h.Due, d.What+" "+cmp.Or(d.Blank, d.Lot)+": "+d.Why)
		}
	}
	h.Stock = fmt.Sprintf("%s here, %s due, %s of them papers that expire.", plural(here, "stick"), plural(len(due), "thing"), fmt.Sprint(papers))
	if len(due) == 0 {
		h.Stock = fmt.Sprintf("%s here, nothing is due.", plural(here, "stick"))
	}
}

// count counts the sticks of each delivery.
func (w *workshop) count(list []stock.Blank) {
	entered := map[string]int{}
	for _, b := range list {
		entered[b.Delivery]++
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.entered, w.looked = entered, time.Now()
}

// enteredOf is how many sticks of a delivery are in the stock.
func (w *workshop) enteredOf(name string) int {
	const fresh = time.Second
	w.mu.Lock()
	old := time.Since(w.looked) > fresh
	w.mu.Unlock()
	if old && w.store != nil {
		if store, err := w.store(context.Background()); err == nil {
			if list, err := store.List(context.Background(), nil, nil); err == nil {
				w.count(list)
			}
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.entered[name]
}

// bay is the place at the bench where one delivery lies; it is the session of the
// server, whichever that is.
type bay struct {
	set func(folder string) (session.Settings, error)

	mu      sync.Mutex
	ctx     context.Context
	desk    *desk
	cancel  context.CancelFunc
	changed func()
	level   func(capture.Level)
}

// lay takes what lies there away, and lays a folder down.
func (b *bay) lay(folder string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.desk != nil && b.desk.set.Folder == folder {
		return nil
	}
	set, err := b.set(folder)
	if err != nil {
		return err
	}
	d, err := openDesk(set)
	if err != nil {
		return err
	}
	b.clear()
	ctx, cancel := context.WithCancel(b.ctx)
	d.Watch(b.changed, b.level)
	b.desk, b.cancel = d, cancel
	go d.work(ctx)
	return nil
}

// clear ends the session that lies there, whose folder has all it accepted.
func (b *bay) clear() {
	if b.desk != nil {
		b.cancel()
		<-b.desk.over
		b.desk = nil
	}
}

func (b *bay) end() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.clear()
}

// at is the desk of a folder, if it lies there; with no folder, whatever lies there.
func (b *bay) at(folder string) *desk {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.desk != nil && (folder == "" || b.desk.set.Folder == folder) {
		return b.desk
	}
	return nil
}

var errEmptyBench = errors.New("no delivery lies on the bench: choose one on the first page")

func (b *bay) State() bench.State {
	if d := b.at(""); d != nil {
		return d.State()
	}
	return bench.State{Face: bench.TheFace}
}

func (b *bay) Watch(changed func(), level func(capture.Level)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.changed, b.level = changed, level
	if b.desk != nil {
		b.desk.Watch(changed, level)
	}
}

func (b *bay) Order(o bench.Order, blank string) error {
	if d := b.at(""); d != nil {
		return d.Order(o, blank)
	}
	return errEmptyBench
}

func (b *bay) Set(blank, field, text string, sure bool) error {
	if d := b.at(""); d != nil {
		return d.Set(blank, field, text, sure)
	}
	return errEmptyBench
}

func (b *bay) HandsFree(taps int) error {
	if d := b.at(""); d != nil {
		return d.HandsFree(taps)
	}
	return errEmptyBench
}

func (b *bay) Hear(ctx context.Context, source capture.Source, rig bench.Rig) error {
	if d := b.at(""); d != nil {
		return d.Hear(ctx, source, rig)
	}
	return errEmptyBench
}

// whenOf is the moment a folder's table was last written, else the folder.
func whenOf(folder string) string {
	info, err := os.Stat(filepath.Join(folder, grading.TableName))
	if errors.Is(err, fs.ErrNotExist) {
		info, err = os.Stat(folder)
	}
	if err != nil {
		return ""
	}
	return info.ModTime().Format("2 January 2006")
}
