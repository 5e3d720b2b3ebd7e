package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
)

// workingDesk is a desk at a new folder, which works until the test ends.
func workingDesk(t *testing.T, folder string) *desk {
	t.Helper()
	profile, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	d, err := openDesk(session.Settings{Folder: folder, Blank: "A1", Taps: 5, Profile: profile, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	go d.work(ctx)
	t.Cleanup(func() { cancel(); <-d.over })
	return d
}

// until waits for a state.
func (d *desk) until(t *testing.T, what string, is func(bench.State) bool) bench.State {
	t.Helper()
	for range 3000 {
		if st := d.State(); is(st) {
			return st
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("never %s: %+v", what, d.State())
	return bench.State{}
}

func (d *desk) hearTape(t *testing.T, sticks, taps int) {
	t.Helper()
	if err := d.Hear(t.Context(), capture.Play(tape(sticks, taps, 1), rate, 2048), bench.Rig{Device: "tape", API: "test"}); err != nil {
		t.Fatal(err)
	}
}

// What was taken back is no longer shown as good, nor judged.
func TestDeskForgetsDroppedTaps(t *testing.T) {
	d := workingDesk(t, filepath.Join(t.TempDir(), "delivery"))
	d.hearTape(t, 1, 2)
	st := d.until(t, "two taps", func(st bench.State) bool { return st.Good == 2 })
	if st.Last == nil || st.Best == nil || st.Now.Verdict == grading.Unread {
		t.Fatalf("after two taps: %+v", st)
	}
	if err := d.Order(bench.Drop, ""); err != nil {
		t.Fatal(err)
	}
	st = d.until(t, "one tap", func(st bench.State) bool { return st.Good == 1 })
	if st.Last != nil {
		t.Errorf("the page still shows a dropped tap: %+v", st.Last)
	}
	if st.Now.Ring == nil || st.Now.Ring.TapsUsed != 1 {
		t.Errorf("the blank is judged by %+v, want by one tap", st.Now.Ring)
	}
	if err := d.Order(bench.Again, ""); err != nil {
		t.Fatal(err)
	}
	st = d.until(t, "no tap", func(st bench.State) bool { return st.Good == 0 })
	if st.Now.Ring != nil || st.Now.Verdict != grading.Unread || st.Best != nil || len(st.Blanks) != 0 {
		t.Errorf("an emptied blank: ring %v, verdict %s, best %v, %d blanks", st.Now.Ring, st.Now.Verdict, st.Best, len(st.Blanks))
	}
	d.hearTape(t, 1, 1)
	if st = d.until(t, "tapped anew", func(st bench.State) bool { return st.Good == 1 }); st.Last.Serial != 3 {
		t.Errorf("the tap after dropped ones is the %dth, want the 3rd", st.Last.Serial)
	}
}

// Turning to a finished blank says so in words of the bench.
func TestDeskTurnsToFinishedBlank(t *testing.T) {
	d := workingDesk(t, filepath.Join(t.TempDir(), "delivery"))
	d.hearTape(t, 1, 2)
	d.until(t, "two taps", func(st bench.State) bool { return st.Good == 2 })
	if err := d.Order(bench.Next, ""); err != nil {
		t.Fatal(err)
	}
	d.until(t, "at the next", func(st bench.State) bool { return st.Now.Blank == "A2" })
	if err := d.Order(bench.GoTo, "A1"); err != nil {
		t.Fatal(err)
	}
	st := d.until(t, "back", func(st bench.State) bool { return st.Now.Blank == "A1" && st.Good == 2 })
	time.Sleep(100 * time.Millisecond) // for what it might still say
	if st = d.State(); strings.Contains(st.Notice, "--") || strings.Contains(st.Notice, " 0 ") {
		t.Errorf("the page says %q", st.Notice)
	}
}

// An entry is answered when it is on the disk. One that can't be written is told, kept,
// and written when it can.
func TestDeskKeepsEntriesOfALockedTable(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "delivery")
	d := workingDesk(t, folder)
	table := filepath.Join(folder, grading.TableName)
	masses := []string{"151.1", "152.2", "153.3"}
	if err := d.Set("A1", "mass_g", "150", false); err != nil {
		t.Fatal(err)
	}
	if text, err := os.ReadFile(table); err != nil || !strings.Contains(string(text), "150") {
		t.Fatalf("answered before it was on the disk: %v\n%s", err, text)
	}
	// As good as locked: the table can be neither read nor replaced.
	if err := os.Rename(table, table+".away"); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(table, "held"), 0o755); err != nil {
		t.Fatal(err)
	}
	for i, mass := range masses {
		if err := d.Set("B"+string(rune('1'+i)), "mass_g", mass, false); !errors.As(err, new(bench.Unsaved)) {
			t.Errorf("an entry into a locked table: %v, want Unsaved", err)
		}
	}
	if st := d.State(); len(st.Unsaved) != 3 || !strings.Contains(st.Unsaved[2], "B3") {
		t.Errorf("unsaved are %q", st.Unsaved)
	}
	if err := os.RemoveAll(table); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(table+".away", table); err != nil {
		t.Fatal(err)
	}
	d.until(t, "all saved", func(st bench.State) bool { return len(st.Unsaved) == 0 })
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	for _, mass := range masses {
		if !strings.Contains(string(text), mass) {
			t.Errorf("%s g was lost:\n%s", mass, text)
		}
	}
}

// One recording that can't be read does not keep the session from going on.
func TestDeskGoesOnBesideAnUnreadableRecording(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "delivery")
	d := workingDesk(t, folder)
	d.hearTape(t, 1, 2)
	d.until(t, "two taps", func(st bench.State) bool { return st.Good == 2 })
	if err := os.WriteFile(filepath.Join(folder, "A1-01.wav"), []byte("no sound"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := d.Order(bench.GoTo, "A1"); err != nil {
		t.Fatal(err)
	}
	d.until(t, "told", func(st bench.State) bool {
		return st.Good == 1 && strings.Contains(st.Notice, "can't be read") && st.Trouble == ""
	})
	d.hearTape(t, 1, 1)
	d.until(t, "tapped on", func(st bench.State) bool { return st.Good == 2 })
}

// A refused act leaves what was typed in the form; an unknown stick is not found.
func TestBenchStickFormKeepsWhatWasTyped(t *testing.T) {
	r, stick := stocked(t)
	page := r.address + "stock/" + stick
	q, err := http.NewRequest("POST", page, strings.NewReader(url.Values{"state": {"sold"}, "for": {"an invented player"}, "why": {"wanted a stiff one"}, "date": {"1999-01-01"}}.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	q.Header.Set("Origin", strings.TrimSuffix(r.address, "/"))
	w, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Body.Close()
	text := body(t, w)
	for _, want := range []string{"an invented player", "wanted a stiff one", "1999-01-01", "<option selected>sold"} {
		if w.StatusCode != http.StatusBadRequest || !strings.Contains(text, want) {
			t.Errorf("%d: after a refusal the form lacks %q", w.StatusCode, want)
		}
	}
	if w, err = http.Get(r.address + "stock/nosuchstick"); err != nil {
		t.Fatal(err)
	}
	defer w.Body.Close()
	if w.StatusCode != http.StatusNotFound {
		t.Errorf("an unknown stick: %d, want 404", w.StatusCode)
	}
}

// A first tap that does not sound like a blank is asked about, and counts when
// the person says so.
func TestDeskCountsWhatItAskedAbout(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "delivery")
	d := workingDesk(t, folder)
	short := stickScene(1, 1)
	for i := range short.Modes { // of a stick that is shorter than any blank
		short.Modes[i].Hz *= 3
	}
	rec := short.Render()
	if err := d.Hear(t.Context(), capture.Play(rec.Tracks[0], rec.Rate, 2048), bench.Rig{Device: "tape", API: "test"}); err != nil {
		t.Fatal(err)
	}
	st := d.until(t, "asked", func(st bench.State) bool { return st.Last != nil })
	if !st.Last.Asked || st.Last.Good || st.Good != 0 {
		t.Fatalf("not asked: %+v", st.Last)
	}
	if err := d.Order(bench.Count, ""); err != nil {
		t.Fatal(err)
	}
	d.until(t, "counted", func(st bench.State) bool { return st.Good == 1 && st.Last.Good && !st.Last.Asked })
}

// A folder that holds much is looked through in sight: how far, and each blank as it is
// found.
func TestDeskLooksThroughAFolderInSight(t *testing.T) {
	const blanks = 8
	folder := t.TempDir()
	for i := range blanks {
		save(t, filepath.Join(folder, fmt.Sprintf("B%d.wav", i+1)), append(quiet(1.2, i), stickScene(i, 4).Render().Tracks[0]...))
	}
	d := workingDesk(t, folder)
	st := d.until(t, "looked through in part", func(st bench.State) bool { return strings.HasPrefix(st.Looking, "Looking through the folder: ") })
	if len(st.Blanks) == 0 || len(st.Blanks) == blanks || !strings.HasSuffix(st.Looking, fmt.Sprintf(" of %d blanks", blanks)) {
		t.Errorf("while it is looked through: %q, %d blanks", st.Looking, len(st.Blanks))
	}
	if st := d.until(t, "looked through", func(st bench.State) bool { return st.Looking == "" }); len(st.Blanks) != blanks {
		t.Errorf("%d blanks were found", len(st.Blanks))
	}
}
