package main

import (
	"bufio"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/grading"
)

// slow tells whether the long tests are wanted.
var slow = os.Getenv("RINGSTOCK_SLOW") != ""

// selfCommand is a command of the program under test.
func selfCommand(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, args...)
	cmd.Args[0] = "ringstock" // by which TestMain knows to be the program
	return cmd
}

// sessionFile makes a recording of a good many taps.
func sessionFile(t testing.TB, taps int) (string, capture.Recording) {
	t.Helper()
	c := cases.Bar(21).InRoom().SNR(35).Starting(1.5).Taps(taps)
	c.Scene.Device = synth.Device{Bits: 16}
	rec, _ := c.Render()
	path := filepath.Join(t.TempDir(), "session.wav")
	if err := wavfile.Save(path, rec, 16); err != nil {
		t.Fatal(err)
	}
	return path, rec
}

var goodTap = regexp.MustCompile(`good .* -> (\S+\.wav)$`)

// Whenever the program is killed, every tap that it told of is there, whole and in the
// table, no half file counts, and the session goes on.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	rounds := 6
	if slow {
		rounds = 100
	}
	file, _ := sessionFile(t, 12)
	random := rand.New(rand.NewPCG(1, 1))
	folder := t.TempDir()
	var told []string
	for round := range rounds {
		cmd := selfCommand(t, "listen", folder, "--from", file, "--hands-free", "--taps", "3")
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Kill it some time after the next line: moments all over its work are met.
		lines := bufio.NewScanner(out)
		after := 1 + random.IntN(6)
		for lines.Scan() {
			if m := goodTap.FindStringSubmatch(lines.Text()); m != nil {
				told = append(told, m[1])
			}
			if after--; after == 0 {
				time.AfterFunc(time.Duration(random.IntN(60))*time.Millisecond, func() { cmd.Process.Kill() })
			}
		}
		cmd.Wait() // it was killed, or came to the end

		d, err := grading.ReadDelivery(os.DirFS(folder))
		if err != nil {
			t.Fatal(round, err)
		}
		var named []string
		for _, r := range d.Rows {
			named = append(named, r.File...)
		}
		for _, name := range told {
			if !slices.Contains(named, name) {
				t.Errorf("round %d: %s was told of but is not in the table", round, name)
			}
		}
		entries, err := os.ReadDir(folder)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".") || filepath.Ext(e.Name()) != ".wav" {
				continue
			}
			rec, err := wavfile.Open(filepath.Join(folder, e.Name()))
			if err != nil || len(rec.Warnings) > 0 {
				t.Errorf("round %d: %s: %v %v", round, e.Name(), err, rec.Warnings)
			}
		}
	}
	if len(told) < rounds {
		t.Errorf("only %d taps were told of in %d rounds", len(told), rounds)
	}
	if slices.Sort(told); len(slices.Compact(slices.Clone(told))) != len(told) {
		t.Error("a name was given twice")
	}
}
