package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/testscript"

	"ringstock/capture/synth"
	"ringstock/capture/wavfile"
	"ringstock/grading"
)

var update = flag.Bool("update", false, "write the results of golden tests and scripts as what is wanted")

func TestMain(m *testing.M) {
	// Nobody's own settings count in tests.
	if os.Getenv("RINGSTOCK_SETTINGS") == "" {
		os.Setenv("RINGSTOCK_SETTINGS", filepath.Join(os.TempDir(), "ringstock-no-settings"))
	}
	testscript.Main(m, map[string]func(){"ringstock": func() {
		// A script says what day it is in TODAY: what happens over years is told in one
		// run.
		if day, err := time.Parse(time.DateOnly, os.Getenv("TODAY")); err == nil {
			began := time.Now()
			now = func() time.Time { return day.Add(12*time.Hour + time.Since(began)) }
		}
		main()
	}})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			for _, folder := range []string{"HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "USERPROFILE", "APPDATA", "LOCALAPPDATA"} {
				env.Setenv(folder, filepath.Join(env.WorkDir, ".home"))
			}
			return nil
		},
		Condition: func(cond string) (bool, error) {
			switch cond {
			case "long":
				return !testing.Short(), nil
			case "live":
				return liveBuilt, nil
			case "deaf": // live capture, but no sound card
				_, err := os.Stat("/dev/snd")
				return liveBuilt && runtime.GOOS == "linux" && err != nil, nil
			}
			return false, fmt.Errorf("unknown condition %s", cond)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exitcode": exitcode, "taps": taps, "scan": scan, "json": jsonPath, "onscreen": onScreen, "alike": alike, "files": files,
		},
	})
}

// exitcode N PROGRAM ARGS... runs a program that must end with that very code.
func exitcode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exitcode N program args...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	code := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		code = exit.ExitCode()
	}
	if code != want {
		ts.Fatalf("exit code %d, want %d; stderr:\n%s", code, want, ts.ReadFile("stderr"))
	}
}

// alike A B fails unless two texts say the same but for ids and the history, which keeps
// what was taken back.
func alike(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: alike file file")
	}
	var said [2][]string
	for i, name := range args {
		text, _, _ := strings.Cut(ts.ReadFile(name), "\nhistory (")
		said[i] = strings.Split(anyID.ReplaceAllString(text, ""), "\n")
	}
	if differ := cmp.Diff(said[0], said[1]); differ != "" {
		ts.Fatalf("%s and %s differ:\n%s", args[0], args[1], differ)
	}
}

var anyID = regexp.MustCompile(`(?m)^id .*$| *\[[0-9a-z]{4,16}\]`)

// files DIR NAME... fails unless a folder has these files and no others.
func files(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: files dir name...")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if differ := cmp.Diff(args[1:], names); differ != "" {
		ts.Fatalf("%s has other files:\n%s", args[0], differ)
	}
}

// taps FILE HZ Q [silent|clipped|stray] synthesises three taps on a uniform bar.
func taps(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: taps file hz q [fault]")
	}
	hz, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	q, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	fault := strings.Join(args[3:], " ")
	s := synth.Scene{Rate: 44100, DurationS: 5.5, White: 1e-4, Device: synth.Device{Bits: 16}, Seed: uint64(hz)}
	// Bending modes of a free bar of wood, 760 x 14 x 14 mm with E/G = 18.3, by
	// Timoshenko's theory.
	for i, ratio := range []float64{1, 2.72614, 5.25611} {
		s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: q, Gain: 0.1 / float64(i+1)})
	}
	if fault == "stray" {
		s.Modes = append(s.Modes, synth.Mode{Hz: 1.9 * hz, Q: q, Gain: 0.2})
	}
	strength := 1.0
	switch fault {
	case "silent":
		strength = 0
	case "clipped":
		strength = 30
	}
	for _, at := range []float64{0.8, 2.3, 3.8} {
		if strength > 0 {
			s.Strikes = append(s.Strikes, synth.Strike{AtS: at, ContactS: 0.001, Strength: strength, Thud: 0.05 * strength})
		}
	}
	ts.Check(os.MkdirAll(filepath.Dir(ts.MkAbs(args[0])), 0o777))
	ts.Check(wavfile.Save(ts.MkAbs(args[0]), s.Render(), 16))
}

// onscreen COLUMNS LINES tells whether what the last program printed fits a
// terminal of that size.
func onScreen(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: onscreen columns lines")
	}
	columns, err := strconv.Atoi(args[0])
	ts.Check(err)
	lines, err := strconv.Atoi(args[1])
	ts.Check(err)
	n := 0
	for line := range strings.Lines(ts.ReadFile("stdout")) {
		if n++; length(strings.TrimRight(line, "\n")) > columns {
			ts.Fatalf("wider than %d columns: %s", columns, line)
		}
	}
	if n > lines {
		ts.Fatalf("%d lines, more than %d", n, lines)
	}
}

// json PATH WANT compares a value in the one JSON document that the last program printed.
// The path has names and indices with / between them; WANT may leave the end of
// a text open with *.
func jsonPath(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: json path want")
	}
	dec := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	dec.UseNumber()
	var v any
	ts.Check(dec.Decode(&v))
	if _, err := dec.Token(); err != io.EOF {
		ts.Fatalf("there is more than one document on stdout")
	}
	for _, name := range strings.Split(args[0], "/") {
		switch in := v.(type) {
		case map[string]any:
			x, ok := in[name]
			if !ok {
				ts.Fatalf("%s: there is no %s", args[0], name)
			}
			v = x
		case []any:
			if name == "len" {
				v = len(in)
				break
			}
			i, err := strconv.Atoi(name)
			if err != nil || i >= len(in) {
				ts.Fatalf("%s: no %s in a list of %d", args[0], name, len(in))
			}
			v = in[i]
		default:
			ts.Fatalf("%s: nothing has a %s", args[0], name)
		}
	}
	got := filepath.ToSlash(fmt.Sprint(v)) // so that a path in a script is that of every system
	if start, open := strings.CutSuffix(args[1], "*"); got != args[1] && !(open && strings.HasPrefix(got, start)) {
		ts.Fatalf("%s is %s, want %s", args[0], got, args[1])
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
