//go:build linux || darwin

package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// terminal is a terminal of tmux with the program in it, which shows what a person would
// see.
type terminal struct {
	t      *testing.T
	socket string
}

func startScreen(t *testing.T, env string, args ...string) *terminal {
	t.Helper()
	if _, err := exec.LookPath("tmux"); err != nil {
		t.Skipf("needs tmux for a terminal: %v", err)
	}
	// A socket's path may have 107 bytes only, so not t.TempDir.
	dir, err := os.MkdirTemp("", "tmux")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "ringstock") // by which TestMain knows to be the program
	if err := os.Symlink(self, name); err != nil {
		t.Fatal(err)
	}
	x := &terminal{t, filepath.Join(dir, "socket")}
	t.Cleanup(func() { x.tmux("kill-server") })
	if _, err := x.tmux("-f", "/dev/null", "new-session", "-d", "-x", "80", "-y", "24",
		fmt.Sprintf("%s %s %s; echo exit $?; cat", env, name, strings.Join(args, " "))); err != nil {
		t.Fatal(err)
	}
	return x
}

func (x *terminal) tmux(args ...string) (string, error) {
	out, err := exec.Command("tmux", append([]string{"-u", "-S", x.socket}, args...)...).CombinedOutput()
	return string(out), err
}

func (x *terminal) screen() string {
	x.t.Helper()
	s, err := x.tmux("capture-pane", "-p")
	if err != nil {
		x.t.Fatal(err, s)
	}
	return s
}

// await waits until a text is on the screen; only a hang makes it give up.
func (x *terminal) await(text string) {
	x.t.Helper()
	for range 600 {
		if strings.Contains(x.screen(), text) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	x.t.Fatalf("%q never came; the screen is:\n%s", text, x.screen())
}

func (x *terminal) keys(keys ...string) {
	x.t.Helper()
	if out, err := x.tmux(append([]string{"send-keys"}, keys...)...); err != nil {
		x.t.Fatal(err, out)
	}
}

func TestScreen(t *testing.T) {
	t.Parallel()
	file, _ := sessionFile(t, 10)
	folder := t.TempDir()
	x := startScreen(t, "NO_COLOR=1", "listen", folder, "--from", file, "--blank", "A017", "--taps", "3")
	x.await("blank A017   taps on the face   tap 0 of 3")
	x.await("tap 1 of 3")
	x.await("q quit")
	x.keys("m")
	x.await("length mm, height, width, mass g, moisture %")
	x.keys("length 745,5 mass 190", "Enter")
	x.await("entered for blank A017")
	x.await("spread of 2 taps")
	for _, shown := range []string{"level ", " dB", " Hz, ", " cents, ", "rings ", "purity ", "longest so far", "so far: maybe"} {
		if s := x.screen(); !strings.Contains(s, shown) {
			t.Errorf("no %q on the screen:\n%s", shown, s)
		}
	}
	if s, err := x.tmux("capture-pane", "-e", "-p"); err != nil || regexp.MustCompile(`\x1b\[[0-9;]*(3|4|9|10)[0-7]m`).MatchString(s) {
		t.Errorf("colours although there are to be none: %q, %v", s, err)
	}
	if out, err := x.tmux("resize-window", "-x", "160", "-y", "45"); err != nil {
		t.Fatal(err, out)
	}
	x.await("A017 is done")
	x.keys("n")
	x.await("blank A018   taps on the face   tap 0 of 3")
	x.keys("q")
	x.await("exit 0")
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || d.Rows[0].LengthMM.X != 745.5 || d.Rows[0].MassG.X != 190 || len(d.Rows[0].File) < 3 {
		t.Error(err, d)
	}
}

func TestScreenInterrupted(t *testing.T) {
	t.Parallel()
	file, _ := sessionFile(t, 10)
	x := startScreen(t, "", "listen", t.TempDir(), "--from", file)
	x.await("tap 1 of 5")
	x.keys("C-c")
	x.await("exit 130")
}

// Closing the terminal ends the program; what it told of is there, and it
// goes on from there.
func TestScreenTerminalClosed(t *testing.T) {
	t.Parallel()
	file, _ := sessionFile(t, 10)
	folder := t.TempDir()
	pid := filepath.Join(t.TempDir(), "pid")
	x := startScreen(t, "echo $$ > "+pid+"; exec", "listen", folder, "--from", file, "--blank", "A1", "--taps", "9")
	x.await("tap 2 of 9")
	text, err := os.ReadFile(pid)
	if err != nil {
		t.Fatal(err)
	}
	if out, err := x.tmux("kill-server"); err != nil {
		t.Fatal(err, out)
	}
	gone := func() bool { // ps shows nothing, or one that waits to be buried
		out, _ := exec.Command("ps", "-o", "stat=", "-p", strings.TrimSpace(string(text))).Output()
		return len(out) == 0 || out[0] == 'Z'
	}
	for wait := 0; !gone(); wait++ {
		if wait == 600 {
			t.Fatal("it goes on without a terminal")
		}
		time.Sleep(50 * time.Millisecond)
	}
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || len(d.Rows[0].File) < 2 {
		t.Fatal(err, d)
	}
	for _, name := range d.Rows[0].File {
		if rec, err := wavfile.Open(filepath.Join(folder, name)); err != nil || len(rec.Warnings) > 0 {
			t.Error(err, rec.Warnings)
		}
	}
	n := len(d.Rows[0].File)
	out, err := selfCommand(t, "listen", folder, "--from", file, "--blank", "A1", "--taps", fmt.Sprint(n+1)).CombinedOutput()
	if want := fmt.Sprintf("A1-%02d.wav", n+1); err != nil || !strings.Contains(string(out), want) {
		t.Errorf("no %s: %v\n%s", want, err, out)
	}
}

// The meter marks clipping for a second, and what is large is read from two metres.
func TestScreenShowsLarge(t *testing.T) {
	p := &screen{do: func(session.Command) {}, width: 80, height: 24}
	p.Update(session.LevelHeard{Level: capture.Level{PeakDB: 0, RMSDB: -6, Clipped: true}})
	for range 19 {
		p.Update(session.LevelHeard{Level: capture.Level{PeakDB: -20, RMSDB: -30}})
	}
	if !strings.Contains(strings.Join(p.lines(), "\n"), "CLIPPED!") {
		t.Error("the clipping mark is gone within a second")
	}
	p.Update(session.LevelHeard{Level: capture.Level{PeakDB: -20, RMSDB: -30}})
	if strings.Contains(strings.Join(p.lines(), "\n"), "CLIPPED!") {
		t.Error("the clipping mark stays")
	}
	ring := spectrum.Ring{Fundamental: spectrum.Partial{Hz: measure.Of(104.7, 0.01), Q: measure.Of(200, 2)}}
	p.Update(session.TapHeard{Good: true, Ring: &ring, Count: 1, Of: 5})
	page := strings.Join(p.lines(), "\n")
	for _, line := range slices.Concat(big("104.7", 1), big("GOOD", 1)) {
		if !strings.Contains(page, strings.TrimRight(line, " ")) {
			t.Errorf("no %q on the page:\n%s", line, page)
		}
	}
}

// Whatever the size of the terminal, no line is longer and there are no more of them.
func TestScreenFits(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {40, 10}, {20, 5}, {1, 1}, {200, 60}} {
		p := &screen{do: func(session.Command) {}, width: size[0], height: size[1], notice: strings.Repeat("long ", 100)}
		for range 3 {
			lines := p.lines()
			if len(lines) > size[1] {
				t.Errorf("%v: %d lines", size, len(lines))
			}
			for _, l := range lines {
				if length(l) > size[0] {
					t.Errorf("%v: %q", size, l)
				}
			}
			p.last = &session.TapHeard{Why: "again: clipped"}
			p.asking = "note"
		}
	}
}

// TestScreenWraps: at 80x24 a long message, a long verdict and a long entry are
// shown whole, and what is large is still there; while a tap rings, the last
// one's word is gone.
func TestScreenWraps(t *testing.T) {
	ring := spectrum.Ring{Fundamental: spectrum.Partial{Hz: measure.Of(104.7, 0.01), Q: measure.Of(200, 2), T60S: measure.Of(3.2, 0.1)}, PurityPct: measure.Of(98, 1)}
	for _, size := range [][2]int{{80, 24}, {120, 40}} {
		p := &screen{do: func(session.Command) {}, width: size[0], height: size[1]}
		p.Update(session.BlankChosen{Blank: "A017", Side: session.Face, Of: 5})
		judged := grading.Blank{Blank: "A017", Verdict: grading.Maybe, Reasons: []string{"no specific modulus: the length is missing, and the moisture is unknown, so that it can't be told at twelve per cent"}}
		p.Update(session.TapHeard{Blank: "A017", Good: true, Ring: &ring, Count: 3, Of: 5, Judged: judged, File: "A017-03.wav"})
		notice := "the microphone gives exact digital silence: it was muted, or unplugged from its adapter; switch it on again, the session goes on from here"
		p.Update(session.Notice{Text: notice})
		p.asking, p.typed = "note", strings.Repeat("rather dark wood ", 8)+"END"
		page := p.lines()
		if len(page) > size[1] {
			t.Errorf("%v: %d lines", size, len(page))
		}
		flat := strings.Join(strings.Fields(strings.Join(page, " ")), " ")
		for _, whole := range []string{notice, judged.Reasons[0], "END_"} {
			if !strings.Contains(flat, whole) {
				t.Errorf("%v: %q is cut:\n%s", size, whole, strings.Join(page, "\n"))
			}
		}
		scale := map[int]int{80: 1, 120: 2}[size[0]]
		for _, large := range []string{"104.7", "GOOD", "Q 200", "3/5"} {
			if size[0] == 80 && (large == "Q 200" || large == "3/5") {
				continue // a long entry takes their room
			}
			for _, line := range big(large, scale) {
				if !strings.Contains(strings.Join(page, "\n"), strings.TrimRight(line, " ")) {
					t.Errorf("%v: %s is not large:\n%s", size, large, strings.Join(page, "\n"))
					break
				}
			}
		}
		p.asking, p.typed, p.notice = "", "", ""
		page = p.lines()
		if !strings.Contains(strings.Join(page, "\n"), strings.TrimRight(big("Q 200", scale)[0], " ")) {
			t.Errorf("%v: the sustain is not large:\n%s", size, strings.Join(page, "\n"))
		}
		p.Update(session.LevelHeard{Level: capture.Level{PeakDB: -20, RMSDB: -30, Ringing: true}})
		page = p.lines()
		if strings.Contains(strings.Join(page, "\n"), strings.TrimRight(big("GOOD", scale)[2], " ")) || !strings.Contains(strings.Join(page, "\n"), strings.TrimRight(big("RING", scale)[0], " ")) {
			t.Errorf("%v: the last tap's word is still there while one rings:\n%s", size, strings.Join(page, "\n"))
		}
	}
}
