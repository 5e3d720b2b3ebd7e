//go:build portaudio && cgo && linux

package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringstock/capture/mic/virtual"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/spectrum"
)

// playBlank makes the recording of a blank and plays it into the microphone until done is closed.
func playBlank(t *testing.T, v *virtual.Microphone, seed uint64, done <-chan struct{}) (spectrum.Analysis, <-chan error) {
	t.Helper()
	c := cases.Bar(seed).InRoom().SNR(35).Starting(2).Taps(6)
	c.Scene.Device = synth.Device{Bits: 16}
	rec, _ := c.Render()
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(rec.Tracks[0], done) }()
	_, a := hear("played", rec, nil, spectrum.SideTap)
	return a, fed
}

// A session at the virtual microphone gives per blank what analysing the played file gives.
func TestVirtualSession(t *testing.T) {
	blanks := 1
	if slow {
		blanks = 10
	}
	folder := t.TempDir()
	for k := range blanks {
		v := virtual.Start(t)
		done := make(chan struct{})
		cmd := selfCommand(t, "listen", folder, "--taps", "4", "--rate", "48000")
		var out, side bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &side
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		want, fed := playBlank(t, v, uint64(200+k), done)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("%v\n%s%s", err, &out, &side)
		}
		close(done)
		v.Kill()
		<-fed
		if strings.Contains(side.String(), "ALSA") || strings.Contains(side.String(), "jack") {
			t.Errorf("chatter on the terminal:\n%s", &side)
		}
		page, err := gradeFolder(t.Context(), folder, mustProfile(t), false, &progress{})
		if err != nil || len(page.Grading.Unused) > 0 || len(page.Grading.Blanks) != k+1 {
			t.Fatal(err, page.Grading.Unused)
		}
		var got grading.Blank
		for _, b := range page.Grading.Blanks {
			if len(out.String()) > 0 && strings.HasPrefix(out.String(), b.Blank+" ") {
				got = b
			}
		}
		if got.Ring == nil {
			t.Fatalf("no blank:\n%s", &out)
		}
		f, w := got.Ring.Fundamental, want.Ring.Fundamental
		// The same sound is in both, so they agree better than two measurements would.
		if d := math.Abs(f.Hz.X - w.Hz.X); d > 2*math.Hypot(f.Hz.U, w.Hz.U) {
			t.Errorf("%s: %v Hz, played %v", got.Blank, f.Hz, w.Hz)
		}
		if d := math.Abs(f.Q.X - w.Q.X); d > 2*math.Hypot(f.Q.U, w.Q.U) {
			t.Errorf("%s: Q %v, played %v", got.Blank, f.Q, w.Q)
		}
	}
}

func mustProfile(t *testing.T) grading.Profile {
	t.Helper()
	p, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// When the sound server dies in the middle, the program says so and fails, and what it
// told of is there.
func TestVirtualServerKilled(t *testing.T) {
	rounds := 1
	if slow {
		rounds = 5
	}
	for range rounds {
		v := virtual.Start(t)
		folder := t.TempDir()
		done := make(chan struct{})
		cmd := selfCommand(t, "listen", folder, "--blank", "A1", "--taps", "50", "--rate", "48000")
		var out, side bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &side
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		_, fed := playBlank(t, v, 200, done)
		for wait := 0; ; wait++ {
			if m, _ := filepath.Glob(filepath.Join(folder, "*.wav")); len(m) >= 2 {
				break
			}
			if wait == 600 {
				t.Fatal("no tap was recorded")
			}
			time.Sleep(50 * time.Millisecond)
		}
		v.Kill()
		err := cmd.Wait()
		close(done)
		<-fed
		if cmd.ProcessState.ExitCode() != 1 || !strings.Contains(side.String(), "stopped delivering sound") {
			t.Fatalf("%v\n%s", err, &side)
		}
		told := 0
		for _, line := range strings.Split(out.String(), "\n") {
			if m := goodTap.FindStringSubmatch(line); m != nil {
				told++
				if rec, err := wavfile.Open(filepath.Join(folder, m[1])); err != nil || len(rec.Warnings) > 0 {
					t.Error(err, rec.Warnings)
				}
			}
		}
		d, err := grading.ReadDelivery(os.DirFS(folder))
		if err != nil || told < 2 || len(d.Rows[0].File) != told {
			t.Error(err, told, d)
		}
	}
}
