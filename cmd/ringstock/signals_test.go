//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/wavfile"
)

// The first interrupt ends the program while it waits for a file or reads one,
// with exit code 130.
func TestInterruptedWhileReading(t *testing.T) {
	if !slow {
		t.Skip("slow: set RINGSTOCK_SLOW=1")
	}
	huge := filepath.Join(t.TempDir(), "huge.wav")
	// Seventeen minutes: it takes seconds to read, and to find that there are no taps.
	if err := wavfile.Save(huge, capture.Recording{Rate: 96000, Bits: 24, Tracks: [][]float64{make([]float64, 17*60*96000)}}, 24); err != nil {
		t.Fatal(err)
	}
	delivery := filepath.Dir(huge)
	for _, args := range [][]string{
		{"grade", delivery},
		{"listen", t.TempDir(), "--from", huge},
		{"analyse", huge},
		{"check", "--from", huge},
	} {
		cmd := selfCommand(t, args...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(300 * time.Millisecond)
		if err := cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		since := time.Now()
		cmd.Wait()
		if code := cmd.ProcessState.ExitCode(); code != exitInterrupted {
			t.Errorf("%v: exit code %d", args, code)
		}
		t.Logf("%s ended %.1f s later", args[0], time.Since(since).Seconds())
	}
}

// A terminal that closes (SIGHUP) ends a session as SIGTERM and Ctrl-C do: what was told
// is there, with a summary.
func TestSessionEndsBySignal(t *testing.T) {
	t.Parallel()
	file, _ := sessionFile(t, 8)
	signals := []syscall.Signal{syscall.SIGHUP}
	if slow {
		signals = append(signals, syscall.SIGTERM, syscall.SIGINT)
	}
	for _, s := range signals {
		folder := t.TempDir()
		cmd := selfCommand(t, "listen", folder, "--from", file, "--pace", "--blank", "A1", "--taps", "8")
		var out strings.Builder
		cmd.Stdout = &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for wait := 0; ; wait++ {
			if m, _ := filepath.Glob(filepath.Join(folder, "A1-01.wav")); len(m) > 0 {
				break
			}
			if wait == 600 {
				t.Fatal("no tap was recorded")
			}
			time.Sleep(50 * time.Millisecond)
		}
		if err := cmd.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		if code := cmd.ProcessState.ExitCode(); code != exitInterrupted {
			t.Errorf("%v: exit code %d", s, code)
		}
		summary, err := os.ReadFile(filepath.Join(folder, summaryName))
		if err != nil || !strings.Contains(string(summary), "A1") || !strings.Contains(out.String(), strings.TrimSpace(string(summary))) {
			t.Errorf("%v: %v\nsummary: %s\nsaid: %s", s, err, summary, out.String())
		}
		if table, err := os.ReadFile(filepath.Join(folder, "delivery.csv")); err != nil || !strings.Contains(string(table), "A1-01.wav") {
			t.Errorf("%v: %v %s", s, err, table)
		}
	}
}
