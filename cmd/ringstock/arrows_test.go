package main

import (
	"encoding/json"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// TestArrows keeps the rooms in order: cmd -> grading/* -> spectrum -> capture. Rooms
// side by side in grading meet only above them, and nothing that analyses knows how the
// sound for tests is made.
func TestArrows(t *testing.T) {
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Deps,Imports", "ringstock/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	type room struct {
		ImportPath    string
		Deps, Imports []string
	}
	own := func(path string) (string, bool) { return strings.CutPrefix(path, "ringstock/") }
	floor := func(path string) int {
		top, _, _ := strings.Cut(path, "/")
		return map[string]int{"capture": 1, "spectrum": 2, "grading": 3, "cmd": 4}[top]
	}
	// Grading's own types, and spool, TOML reader and writer of tables under them, are
	// what every room of grading may stand on.
	common := []string{"grading", "grading/wood", "grading/spool", "grading/tomlfile", "grading/spreadsheet"}
	// What makes sound or faults for tests, and who may have it in a program.
	made := map[string]string{"capture/synth": "grading/demo", "capture/synth/beam": "grading/demo", "capture/synth/cases": "", "capture/faulty": "", "grading/demo": "cmd/ringstock", "spectrum/bar/shooting": "", "grading/report/browse": ""}
	rooms := 0
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; rooms++ {
		var r room
		if err := dec.Decode(&r); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		from, _ := own(r.ImportPath)
		if floor(from) == 0 {
			t.Errorf("%s is on none of the floors", r.ImportPath)
		}
		for _, dep := range r.Deps {
			if to, ok := own(dep); ok && floor(to) > floor(from) {
				t.Errorf("%s is below %s and must not need it", from, to)
			}
		}
		for _, imp := range r.Imports {
			to, ok := own(imp)
			if !ok {
				continue
			}
			if by, is := made[to]; is && from != by && !strings.HasPrefix(from, "capture/synth/") && !strings.HasPrefix(from, to+"/") {
				t.Errorf("%s imports %s, which is for tests and the demo", from, to)
			}
			if floor(from) == 3 && floor(to) == 3 && !strings.HasPrefix(from, to+"/") && !slices.Contains(common, to) {
				t.Errorf("%s imports %s beside it", from, to)
			}
		}
	}
	if rooms < 15 {
		t.Fatalf("only %d packages", rooms)
	}
}
