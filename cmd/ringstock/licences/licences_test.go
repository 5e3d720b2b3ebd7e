package licences

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write licences.txt anew")

// targets are the systems a release is built for; with their modules they must agree with
// the list in .ci/release, which TestTargets looks after.
var targets = []string{"windows/amd64", "windows/arm64", "darwin/amd64", "darwin/arm64", "linux/amd64", "linux/arm64"}

// TestLicences: licences.txt has the licence of each module that a program contains, and
// no other. After a change of go.mod: go test ./cmd/ringstock/licences -update
func TestLicences(t *testing.T) {
	dirs := map[string]string{} // of modules, by path and version
	for _, target := range targets {
		system, processor, _ := strings.Cut(target, "/")
		list := exec.Command("go", "list", "-deps", "-tags", "portaudio",
			"-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", "ringstock/cmd/ringstock")
		// Cgo on, so that what the tag brings in is listed for every system.
		list.Env = append(os.Environ(), "GOOS="+system, "GOARCH="+processor, "CGO_ENABLED=1")
		out, err := list.Output()
		if err != nil {
			t.Fatalf("go list for %s: %v", target, err)
		}
		for line := range strings.Lines(string(out)) {
			if module, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok {
				dirs[module] = dir
			}
		}
	}
	modules := make([]string, 0, len(dirs))
	for m := range dirs {
		modules = append(modules, m)
	}
	slices.Sort(modules)
	if len(modules) < 20 {
		t.Fatalf("only %d modules found", len(modules))
	}
	var text strings.Builder
	section(t, &text, "ringstock", filepath.Join("..", "..", ".."))
	goRoot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	section(t, &text, "Go, its standard library and runtime", strings.TrimSpace(string(goRoot)))
	for _, m := range modules {
		section(t, &text, m, dirs[m])
	}
	if *update {
		if err := os.WriteFile("licences.txt", []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(titles(Text), titles(text.String())); diff != "" {
		t.Errorf("licences.txt is out of date (go test ./cmd/ringstock/licences -update):\n%s", diff)
	} else if Text != text.String() {
		t.Error("the text of a licence changed (go test ./cmd/ringstock/licences -update, and read it)")
	}
}

var licenceFile = regexp.MustCompile(`(?i)^(un)?(licen[cs]es?|copying|copyright|notice)([-.].*)?$`)

// section writes what the files of a module say of its licence; a module without any
// fails.
func section(t *testing.T, w *strings.Builder, title, dir string) {
	t.Helper()
	fmt.Fprintf(w, "=== %s ===\n", title)
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, e := range entries {
		if !e.Type().IsRegular() || !licenceFile.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		text = []byte(strings.ReplaceAll(string(text), "\r\n", "\n"))
		fmt.Fprintf(w, "--- %s ---\n%s\n\n", e.Name(), strings.TrimSpace(string(text)))
		found = true
	}
	if !found {
		t.Errorf("%s says nothing of its licence", title)
	}
}

func titles(text string) []string {
	return regexp.MustCompile(`(?m)^=== .* ===$`).FindAllString(text, -1)
}

// TestTargets: the release is built for the systems whose licences are collected.
func TestTargets(t *testing.T) {
	script, err := os.ReadFile(filepath.Join("..", "..", "..", ".ci", "release"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(script), "targets=("+strings.Join(targets, " ")+")") {
		t.Errorf(".ci/release does not build for just %v", targets)
	}
}
