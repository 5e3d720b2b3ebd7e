package spectrum_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"ringstock/capture"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// plain is what the straightforward script says of a recording.
type plain struct {
	File string   `json:"file"`
	Hz   *float64 `json:"hz"`
	Q    *float64 `json:"q"`
	TauS *float64 `json:"tau_s"`
	CPUs float64  `json:"cpu_s"`
}

// plainReading runs testdata/scipy/naive.py on files, or skips where there is no SciPy.
// The script is told between which frequencies to look for the note.
func plainReading(t *testing.T, lowHz, highHz float64, files []string) []plain {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.CommandContext(t.Context(), python, "-c", "import scipy.signal").Run() != nil {
			continue
		}
		cmd := exec.CommandContext(t.Context(), python, append([]string{"../testdata/scipy/naive.py", fmt.Sprint(lowHz), fmt.Sprint(highHz)}, files...)...)
		cmd.Env = append(os.Environ(), "OPENBLAS_NUM_THREADS=1")
		var complaint bytes.Buffer
		cmd.Stderr = &complaint
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("naive.py: %v\n%s", err, complaint.String())
		}
		var read []plain
		for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
			var p plain
			if err := json.Unmarshal(lines.Bytes(), &p); err != nil {
				t.Fatal(err)
			}
			read = append(read, p)
		}
		if len(read) != len(files) {
			t.Fatalf("naive.py read %d of %d files", len(read), len(files))
		}
		return read
	}
	t.Skip("no Python with SciPy on this machine: on Debian, apt-get install python3-scipy")
	return nil
}

// TestBesideTheStraightforwardWay reads the same mixed recordings of known truth with the
// program and with the straightforward script, and prints the two side by side. Only
// recordings whose note the script got right count for its Q.
func TestBesideTheStraightforwardWay(t *testing.T) {
	if !slow() {
		t.Skip("60 recordings, each read twice: only with RINGSTOCK_SLOW=1")
	}
	const n = 60
	var mixed cases.Class
	for _, c := range cases.Classes() {
		if c.Name == "mixed" {
			mixed = c
		}
	}
	dir := t.TempDir()
	var files []string
	var truths []cases.Truth
	for i := range n {
		rec, truth := mixed.Case(uint64(9001 + i)).Render()
		files = append(files, filepath.Join(dir, fmt.Sprintf("%02d.wav", i)))
		truths = append(truths, truth)
		if err := wavfile.Save(files[i], rec, 24); err != nil {
			t.Fatal(err)
		}
	}
	type side struct {
		q     []float64 // relative errors, where the script's note is right
		wrong int
		cpu   float64 // s
	}
	var ours, theirs side
	theirNotes := plainReading(t, 60, 250, files) // where the notes of blanks are
	for i, truth := range truths {
		before := cpuMS()
		rec, err := wavfile.Open(files[i])
		if err != nil {
			t.Fatal(err)
		}
		a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
		ours.cpu += (cpuMS() - before) / 1e3
		theirs.cpu += theirNotes[i].CPUs

		note := func(s *side, hz, q *float64) (dq float64, right bool) {
			if hz == nil || math.Abs(1200*math.Log2(*hz/truth.Fundamental.Hz)) > 30 {
				s.wrong++
				return 0, false
			}
			return math.Abs(*q/truth.Fundamental.Q - 1), true
		}
		p := theirNotes[i]
		dq, right := note(&theirs, p.Hz, p.Q)
		var mine float64
		known := a.Ring != nil && a.Ring.Fundamental.Q.Known()
		if known {
			mine, known = note(&ours, &a.Ring.Fundamental.Hz.X, &a.Ring.Fundamental.Q.X)
		} else {
			ours.wrong++
		}
		if right && known {
			theirs.q, ours.q = append(theirs.q, dq), append(ours.q, mine)
		}
	}
	t.Logf("%d mixed recordings     straightforward    ringstock", n)
	t.Logf("wrong or no note            %12d %12d", theirs.wrong, ours.wrong)
	t.Logf("|dQ| median, %%              %12.2f %12.2f", 100*quantile(theirs.q, .5), 100*quantile(ours.q, .5))
	t.Logf("|dQ| 90 %%, %%                %12.2f %12.2f", 100*quantile(theirs.q, .9), 100*quantile(ours.q, .9))
	t.Logf("CPU per recording, ms       %12.1f %12.1f", 1e3*theirs.cpu/float64(n), 1e3*ours.cpu/float64(n))
	if len(ours.q) < n/3 {
		t.Fatalf("only %d recordings in which both heard the note", len(ours.q))
	}
	if ours.wrong > theirs.wrong {
		t.Errorf("wrong in %d, the straightforward way in %d", ours.wrong, theirs.wrong)
	}
	for _, p := range []float64{.5, .9} {
		if o, s := quantile(ours.q, p), quantile(theirs.q, p); o > s/2 {
			t.Errorf("|dQ| at %g: %.4f is more than half of the straightforward way's %.4f", p, o, s)
		}
	}
}

// slow asks for the long form of tests. It is asked while a test runs, so that a cached
// result of the short form never passes for one of the long.
func slow() bool { return os.Getenv("RINGSTOCK_SLOW") != "" }
