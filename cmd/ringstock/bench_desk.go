package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/spectrum"
)

// desk is a tapping session as the bench shows it. The session does the work; the desk
// remembers what it told, so that a page can ask at any time.
type desk struct {
	set      session.Settings
	session  *session.Session // nil: to be opened anew
	commands chan session.Command
	hearings chan hearing
	turn     chan string // a blank to turn to, with what the folder has of it
	over     chan struct{}

	mu      sync.Mutex
	state   bench.State
	blanks  map[string]grading.Blank // judged so far
	serial  int                      // of the last tap
	longest float64                  // seconds in which state.Best falls by 60 dB
	beaten  *bench.Curve             // what was the best before, and its seconds
	second  float64
	unsaved []unsavedEntry
	changed func()
	level   func(capture.Level)
}

// hearing is a source to be heard.
type hearing struct {
	ctx    context.Context
	source capture.Source
	device session.Device
	done   chan error
}

// openDesk opens the session of a folder.
func openDesk(set session.Settings) (*desk, error) {
	set.Live, set.Curves = true, true
	s, err := session.Open(set)
	if err != nil {
		return nil, err
	}
	full, err := filepath.Abs(set.Folder)
	if err != nil {
		return nil, err
	}
	d := &desk{
		set: set, session: s, commands: make(chan session.Command, 16), hearings: make(chan hearing), turn: make(chan string, 1), over: make(chan struct{}),
		state: bench.State{Delivery: filepath.Base(full), Face: bench.TheFace}, blanks: map[string]grading.Blank{},
		changed: func() {}, level: func(capture.Level) {},
	}
	return d, nil
}

// work runs the session until ctx is done: on a microphone, or on nothing
// while there is none.
func (d *desk) work(ctx context.Context) {
	defer close(d.over)
	go d.lookUp(ctx)
	go d.retry(ctx)
	for ctx.Err() == nil {
		next := &waiting{hearings: d.hearings}
		if err := d.run(ctx, next, session.Device{}); err != nil && ctx.Err() == nil {
			d.update(func(st *bench.State) { st.Trouble = filefault.Text(err) })
			time.Sleep(time.Second)
		}
		if h := next.found; h != nil {
			d.update(func(st *bench.State) { st.Trouble, st.Rig = "", h.device.Doubts })
			err := d.run(h.ctx, h.source, h.device)
			d.update(func(st *bench.State) {
				st.Room, st.RoomPoor, st.Rig = "", false, nil
				switch {
				case errors.Is(err, session.ErrSilent):
					st.Trouble = "the microphone gives exact digital silence: it is muted or not permitted; switch it on, allow it for the browser or terminal in the system's privacy settings, or choose another"
				case err != nil && !errors.Is(err, context.Canceled):
					st.Trouble = filefault.Text(err)
				}
			})
			h.done <- err
		}
	}
}

// run lets the session hear a source until that ends.
func (d *desk) run(ctx context.Context, source capture.Source, device session.Device) error {
	for {
		if d.session == nil {
			s, err := session.Open(d.settings())
			if err != nil {
				return err
			}
			d.session = s
		}
		d.session.Device = device
		turning := &turning{Source: source, turn: d.turn}
		err := d.session.Run(ctx, turning, d.commands, d.tell)
		if err == nil && turning.to == "" {
			return nil
		}
		// What is on the disk is what counts: a session that failed is
		// opened anew from there.
		d.session = nil
		d.mu.Lock()
		d.set.Blank = d.state.Now.Blank
		if turning.to != "" {
			// One who turns back to a blank does not want to be sent on from it at once.
			d.set.Blank, d.set.HandsFree, d.set.Taps = turning.to, false, 0
			d.state.HandsFree = 0
		}
		d.mu.Unlock()
		if turning.to == "" {
			return err
		}
	}
}

func (d *desk) settings() session.Settings {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.set.Side = sides[d.state.Face]
	return d.set
}

// waiting is the source while no microphone is heard. It ends as soon as there is one.
type waiting struct {
	hearings <-chan hearing
	found    *hearing
}

func (w *waiting) Rate() float64 { return 48000 }
func (w *waiting) Close() error  { return nil }

func (w *waiting) Read(b *capture.Block) error {
	b.Samples = b.Samples[:0]
	select {
	case h := <-w.hearings:
		w.found = &h
		return io.EOF
	case <-time.After(20 * time.Millisecond):
		return nil
	}
}

// turning is a source that ends when the session is to be opened anew at another blank.
type turning struct {
	capture.Source
	turn <-chan string
	to   string
}

func (t *turning) Read(b *capture.Block) error {
	select {
	case t.to = <-t.turn:
		return io.EOF
	default:
		return t.Source.Read(b)
	}
}

// Hear lets the session hear a source.
func (d *desk) Hear(ctx context.Context, source capture.Source, rig bench.Rig) error {
	h := hearing{ctx, source, session.Device{Name: rig.Device, HostAPI: rig.API}, make(chan error, 1)}
	for _, w := range rig.Doubts {
		h.device.Doubts = append(h.device.Doubts, w.Text)
	}
	select {
	case d.hearings <- h:
	case <-ctx.Done():
		return ctx.Err()
	case <-d.over:
		return context.Canceled
	}
	return <-h.done
}

// Watch names what to call when the state has changed, and with each level.
func (d *desk) Watch(changed func(), level func(capture.Level)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.changed, d.level = changed, level
}

// State is how things stand.
func (d *desk) State() bench.State {
	d.mu.Lock()
	defer d.mu.Unlock()
	st := d.state
	st.Blanks = slices.Clone(st.Blanks)
	return st
}

var orders = map[bench.Order]session.Do{
	bench.Next: session.NextBlank, bench.Again: session.Again, bench.Drop: session.DropTap, bench.Other: session.OtherFace, bench.End: session.EndGrain, bench.Count: session.CountIt,
}

// Order carries out what a key or pedal asks for.
func (d *desk) Order(o bench.Order, blank string) error {
	if o == bench.GoTo {
		blank, err := grading.ParseBlank(blank)
		if err != nil {
			return err
		}
		select {
		case d.turn <- blank:
			return nil
		default:
			return errBusy
		}
	}
	do, ok := orders[o]
	if !ok {
		return fmt.Errorf("the bench does not know the order %q", o)
	}
	return d.send(session.Command{Do: do})
}

// HandsFree goes on to the next blank after so many good taps.
func (d *desk) HandsFree(taps int) error {
	if err := d.send(session.Command{Do: session.HandsFree, Taps: taps}); err != nil {
		return err
	}
	d.update(func(st *bench.State) {
		st.HandsFree = taps
		if d.set.HandsFree = taps > 0; taps > 0 {
			d.set.Taps = taps
		}
	})
	return nil
}

// Set enters a measurement or a word about a blank.
func (d *desk) Set(blank, field, text string, sure bool) error {
	if blank == "" {
		return errors.New("there is no blank yet")
	}
	cell, err := grading.ParseCell(field, text)
	if err != nil {
		return err
	}
	if !sure {
		if why := cell.Doubt(d.row(blank)); why != "" {
			return bench.Doubt{Text: why}
		}
	}
	return d.enter(session.Entry{Blank: blank, Cell: cell})
}

// unsavedEntry is an entry that could not be written yet, and why.
type unsavedEntry struct {
	session.Entry
	why string
}

// enter has an entry written, and answers when it is on the disk. One that
// can't be written, because somebody else holds the table or the disk is full,
// is kept and tried again.
func (d *desk) enter(e session.Entry) error {
	done := make(chan error, 1)
	if err := d.send(session.Command{Do: session.Enter, Entry: e, Done: done}); err != nil {
		d.remember(e, err)
		return bench.Unsaved{Text: filefault.Text(err)}
	}
	select {
	case err := <-done:
		d.remember(e, err)
		if err != nil {
			return bench.Unsaved{Text: filefault.Text(err)}
		}
		return nil
	case <-time.After(patience):
		go func() {
			select {
			case err := <-done:
				d.remember(e, err)
			case <-d.over:
			}
		}()
		d.remember(e, errBusy)
		return bench.Unsaved{Text: errBusy.Error()}
	}
}

// patience is how long an entry waits for the session, which may be analysing a tap.
const patience = 8 * time.Second

// remember keeps an entry that could not be written, instead of an older one of the same
// cell, or forgets it.
func (d *desk) remember(e session.Entry, err error) {
	d.update(func(st *bench.State) {
		d.unsaved = slices.DeleteFunc(d.unsaved, func(u unsavedEntry) bool { return u.Blank == e.Blank && u.Cell.Column == e.Cell.Column })
		if err != nil {
			d.unsaved = append(d.unsaved, unsavedEntry{e, filefault.Text(err)})
		}
		st.Unsaved = nil
		for _, u := range d.unsaved {
			st.Unsaved = append(st.Unsaved, fmt.Sprintf("%s %s %s: %s", u.Blank, u.Cell.Column, u.Cell.Text, u.why))
		}
	})
}

// retry tries to write what could not be written.
func (d *desk) retry(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(retryEvery):
		}
		d.mu.Lock()
		list := slices.Clone(d.unsaved)
		d.mu.Unlock()
		for _, u := range list {
			d.enter(u.Entry)
		}
	}
}

const retryEvery = 2 * time.Second

var errBusy = errors.New("the bench is busy with a tap: try again")

func (d *desk) send(c session.Command) error {
	select {
	case d.commands <- c:
		return nil
	case <-time.After(2 * time.Second):
		return errBusy
	}
}

// row is what the table says about a blank.
func (d *desk) row(blank string) grading.Row {
	if delivery, err := grading.ReadDelivery(os.DirFS(d.set.Folder)); err == nil && delivery.Listed {
		for _, r := range delivery.Rows {
			if r.Blank == blank {
				return r
			}
		}
	}
	return grading.Row{Blank: blank}
}

// update changes the state and says so.
func (d *desk) update(how func(*bench.State)) {
	d.mu.Lock()
	how(&d.state)
	changed := d.changed
	d.mu.Unlock()
	changed()
}

var faces = map[session.Side]bench.Face{session.Face: bench.TheFace, session.Width: bench.OtherFace, session.End: bench.EndGrain}

var sides = map[bench.Face]session.Side{bench.TheFace: session.Face, bench.OtherFace: session.Width, bench.EndGrain: session.End}

// tell takes note of what the session tells.
func (d *desk) tell(e session.Event) {
	switch e := e.(type) {
	case session.LevelHeard:
		d.mu.Lock()
		level := d.level
		d.mu.Unlock()
		level(e.Level)
	case session.RoomHeard:
		d.update(func(st *bench.State) { st.Room, st.RoomPoor, st.Trouble = roomText(e), e.RMSDB > loudRoomDB, "" })
	case session.BlankChosen:
		d.update(func(st *bench.State) {
			st.Face, st.Good, st.Notice = faces[e.Side], e.Count, ""
			b, known := d.blanks[e.Blank]
			if !known {
				b = grading.Blank{Blank: e.Blank, Verdict: grading.Unread, Row: d.row(e.Blank)}
			}
			st.Now = b
		})
	case session.TapHeard:
		d.update(func(st *bench.State) { d.heard(st, e) })
	case session.TapWhole:
		d.update(func(st *bench.State) { d.whole(st, e) })
	case session.Entered:
		d.entered(e)
	case session.TapsDropped:
		d.update(func(st *bench.State) {
			st.Last = nil
			if st.Best != nil && st.Best.Blank == e.Judged.Blank && d.longest > 0 {
				st.Best, d.longest = d.beaten, d.second
			}
			d.judged(st, e.Judged)
		})
	case session.HasEnough:
		d.update(func(st *bench.State) {
			st.Notice = fmt.Sprintf("Blank %s has %d good taps already. More taps add to them.", e.Blank, e.Of)
		})
	case session.Notice:
		d.update(func(st *bench.State) {
			if st.Notice != "" && st.Notice != e.Text {
				e.Text = st.Notice + " " + e.Text
			}
			st.Notice = e.Text
		})
	}
}

func (d *desk) heard(st *bench.State, e session.TapHeard) {
	d.serial++
	st.Last = &bench.Tap{Serial: d.serial, Blank: e.Blank, Face: faces[e.Side], Good: e.Good, Asked: e.Asked, Say: e.Why, Ring: e.Ring}
	st.Good, st.Notice = e.Count, ""
	if !e.Good {
		return
	}
	f := e.Ring.Fundamental
	st.Last.Note = noteName(f.Hz.X)
	curve := &bench.Curve{Blank: e.Blank, Decay: e.Curves[0], Fit: e.Curves[1]}
	if len(curve.Decay) > 0 {
		st.Last.Curve = curve
		if e.Side == session.Face && f.T60S.Known() && f.T60S.X > d.longest {
			d.beaten, d.second = st.Best, d.longest
			st.Best, d.longest = curve, f.T60S.X
		}
	}
	d.judged(st, e.Judged)
}

// whole shows what the whole ring of the latest tap tells.
func (d *desk) whole(st *bench.State, e session.TapWhole) {
	if t := st.Last; t != nil && t.Good && t.Blank == e.Blank && t.Face == faces[e.Side] {
		whole := *t // pages may be reading the one before
		whole.Ring = e.Ring
		if t.Curve != nil && len(e.Curves[0]) > 0 {
			whole.Curve = &bench.Curve{Blank: e.Blank, Decay: e.Curves[0], Fit: e.Curves[1]}
		}
		st.Last = &whole
	}
	d.judged(st, e.Judged)
}

// judged takes in a judgement and ranks the blanks anew.
func (d *desk) judged(st *bench.State, list ...grading.Blank) {
	for _, b := range list {
		if d.blanks[b.Blank] = b; b.Verdict == grading.Unread && len(b.Row.File)+len(b.Row.WidthFile)+len(b.Row.EndFile) == 0 {
			delete(d.blanks, b.Blank) // nothing is heard of it any more
		}
		if b.Blank == st.Now.Blank {
			st.Now = b
		}
	}
	st.Blanks = slices.Collect(maps.Values(d.blanks))
	slices.SortFunc(st.Blanks, func(a, b grading.Blank) int { return grading.NumberOrder(a.Blank, b.Blank) })
	grading.Rank(st.Blanks)
}

// entered shows an entry, with what follows from it.
func (d *desk) entered(e session.Entered) {
	if e.Judged != nil {
		d.update(func(st *bench.State) { d.judged(st, *e.Judged) })
		return
	}
	root, err := os.OpenRoot(d.set.Folder)
	if err != nil {
		return // the session will say so
	}
	defer root.Close()
	b := d.judge(root, d.row(e.Blank))
	d.update(func(st *bench.State) {
		if b.Verdict == grading.Unread {
			if st.Now.Blank == b.Blank {
				st.Now = b
			}
			return
		}
		d.judged(st, b)
	})
}

// judge judges a blank by its recordings, which need not be heard again if a session made
// them.
func (d *desk) judge(root *os.Root, row grading.Row) grading.Blank {
	return grading.Judge(d.set.Profile, row, grading.Listen(row, recalling(root)))
}

// recalling hears one recording at a time, so that enough of the computer is left for the
// taps.
func recalling(root *os.Root) grading.Hear {
	var one sync.Mutex
	return func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
		if a, ok := session.Recall(root.FS(), name); ok {
			return a
		}
		one.Lock()
		defer one.Unlock()
		rec, err := openIn(root, name)
		_, a := hear(name, rec, err, strike, note)
		return a
	}
}

// lookUp judges what the folder already has.
func (d *desk) lookUp(ctx context.Context) {
	root, err := os.OpenRoot(d.set.Folder)
	if err != nil {
		return // the session will say so
	}
	defer root.Close()
	own, err := settingsFor(d.set.Folder)
	if err != nil {
		d.update(func(st *bench.State) { st.Looking, st.Trouble = "", filefault.Text(err) })
		return
	}
	g, err := grading.Grade(ctx, grading.Job{Folder: root.FS(), Profile: d.set.Profile, Instruments: own.Instruments, Hear: recalling(root), Judged: d.found(ctx)})
	d.update(func(st *bench.State) { st.Looking = "" })
	if err != nil {
		return // there is nothing yet
	}
	take := func(st *bench.State) {
		d.judged(st, slices.DeleteFunc(slices.Clone(g.Blanks), func(b grading.Blank) bool {
			_, newer := d.blanks[b.Blank]
			return newer
		})...)
	}
	d.update(take)
	d.findLongest(root, g.Blanks)
}

// found shows the blanks of the folder as they are found, and how many are still to come.
func (d *desk) found(ctx context.Context) func(grading.Blank, grading.Heard, int, int) error {
	var mu sync.Mutex
	var waiting []grading.Blank
	shown := time.Time{}
	return func(b grading.Blank, _ grading.Heard, done, of int) error {
		mu.Lock()
		defer mu.Unlock()
		waiting = append(waiting, b)
		if done < of && time.Since(shown) < 300*time.Millisecond {
			return ctx.Err()
		}
		shown = time.Now()
		d.update(func(st *bench.State) {
			st.Looking = fmt.Sprintf("Looking through the folder: %d of %d blanks", done, of)
			for _, b := range waiting {
				if _, newer := d.blanks[b.Blank]; !newer {
					d.blanks[b.Blank] = b
				}
			}
			d.judged(st)
		})
		waiting = nil
		return ctx.Err()
	}
}

// findLongest draws the ring that sustains longest among those in the folder.
func (d *desk) findLongest(root *os.Root, blanks []grading.Blank) {
	var best grading.Blank
	t60 := 0.0
	for _, b := range blanks {
		if b.Ring != nil && b.Ring.Fundamental.T60S.Known() && b.Ring.Fundamental.T60S.X > t60 {
			best, t60 = b, b.Ring.Fundamental.T60S.X
		}
	}
	for _, name := range best.Row.File {
		rec, err := openIn(root, name)
		take, a := hear(name, rec, err, spectrum.SideTap, spectrum.Expected{})
		p, ok := spectrum.Draw(take, a)
		if !ok {
			continue
		}
		d.update(func(st *bench.State) {
			if t60 > d.longest {
				st.Best, d.longest = &bench.Curve{Blank: best.Blank, Decay: p.Decay, Fit: p.Fit}, t60
			}
		})
		return
	}
}
