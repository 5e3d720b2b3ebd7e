package main

import (
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"ringstock/cmd/ringstock/manual"
)

var root = filepath.Join("..", "..")

// documents are the texts for people: two at the top, and the pages of the manual.
func documents(t *testing.T) []string {
	t.Helper()
	pages, err := filepath.Glob(filepath.Join("manual", "pages", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatalf("no pages of the manual (%v)", err)
	}
	names := []string{"README.md", "DEVELOPERS.md"}
	for _, p := range pages {
		names = append(names, filepath.Join("cmd", "ringstock", p))
	}
	return names
}

// document reads one of them.
func document(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// commands are the lines in a text that call the program: in fences, in back quotes, in
// examples of a help.
func commands(text string) (lines []string) {
	fenced := false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "```") {
			fenced = !fenced
		} else if fenced && strings.HasPrefix(line, "ringstock ") {
			lines = append(lines, line)
		} else if !fenced {
			for _, span := range regexp.MustCompile("`(ringstock [^`]*)`").FindAllStringSubmatch(line, -1) {
				lines = append(lines, span[1])
			}
		}
	}
	return lines
}

// understood tells whether the program has the command and the flags of a line.
func understood(t *testing.T, line string) {
	t.Helper()
	line, _, _ = strings.Cut(line, " > ")
	line, _, _ = strings.Cut(line, " | ")
	var words []string
	for _, w := range regexp.MustCompile(`"[^"]*"|'[^']*'|\S+`).FindAllString(line, -1) {
		words = append(words, strings.Trim(w, `"'`))
	}
	root := newRoot()
	root.InitDefaultHelpCmd()
	cmd, rest, err := root.Find(words[1:])
	if err != nil || cmd == cmd.Root() {
		t.Errorf("%s: there is no such command (%v)", line, err)
		return
	}
	cmd.InitDefaultHelpFlag()
	if err := cmd.ParseFlags(rest); err != nil {
		t.Errorf("%s: %v", line, err)
		return
	}
	// A mention without arguments names the command only.
	if help, _ := cmd.Flags().GetBool("help"); help || len(rest) == 0 {
		return
	}
	if err := cmd.ValidateArgs(cmd.Flags().Args()); err != nil {
		t.Errorf("%s: %v", line, err)
	}
	if _, isTopic := manual.Find(rest[0]); cmd.Name() == "help" && !isTopic {
		t.Errorf("%s: there is no such page", line)
	}
}

// TestDocumentsCallWhatThereIs: each call of the program in the documents names a
// command, flags and arguments that it takes.
func TestDocumentsCallWhatThereIs(t *testing.T) {
	n := 0
	for _, name := range documents(t) {
		for _, line := range commands(document(t, name)) {
			understood(t, line)
			n++
		}
	}
	if n < 5 {
		t.Errorf("only %d calls found", n)
	}
}

// TestHelpCallsWhatThereIs: each example in a help text can be typed, and every command
// with arguments has one.
func TestHelpCallsWhatThereIs(t *testing.T) {
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
		if cmd.HasSubCommands() {
			return
		}
		if cmd.Short == "" {
			t.Errorf("%s has no help", cmd.CommandPath())
		}
		n := 0
		for line := range strings.Lines(strings.ReplaceAll(cmd.Example, "\\\n", "")) {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, "ringstock ") {
				understood(t, line)
				n++
			}
		}
		if n == 0 && strings.ContainsAny(cmd.Use, " ") {
			t.Errorf("%s takes arguments and has no example", cmd.CommandPath())
		}
	}
	for _, cmd := range newRoot().Commands() {
		walk(cmd)
	}
}

// TestDocumentsNameWhatThereIs: paths, links and test names in the documents exist.
func TestDocumentsNameWhatThereIs(t *testing.T) {
	var code strings.Builder
	if err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		code.Write(text)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, name := range documents(t) {
		text := document(t, name)
		for _, m := range regexp.MustCompile("`\\.?/?((?:cmd|capture|spectrum|grading|testdata|\\.ci)/[^` ]*)|\\]\\(([^):]+)\\)|go (?:doc|build|test)[^`\\n]* \\./([a-z/]+)").FindAllStringSubmatch(text, -1) {
			path := m[1] + m[2] + m[3]
			if path == "" || strings.HasSuffix(path, "...") {
				continue
			}
			if found, err := filepath.Glob(filepath.Join(root, path)); err != nil || len(found) == 0 {
				t.Errorf("%s names %s, which does not exist", name, path)
			}
			n++
		}
		for _, m := range regexp.MustCompile(`-(?:run|fuzz) (\w+)`).FindAllStringSubmatch(text, -1) {
			if !regexp.MustCompile(`func (Test|Fuzz)?\w*` + m[1]).MatchString(code.String()) {
				t.Errorf("%s names a test %s, which does not exist", name, m[1])
			}
		}
	}
	if n < 15 {
		t.Errorf("only %d paths found", n)
	}
}

// Each direct dependency is listed with what it is for and what would replace it.
func TestDependenciesAreListed(t *testing.T) {
	_, list, ok := strings.Cut(document(t, "DEVELOPERS.md"), "## Dependencies")
	if !ok {
		t.Fatal("DEVELOPERS.md has no list of dependencies")
	}
	for line := range strings.Lines(document(t, "go.mod")) {
		module, _, ok := strings.Cut(strings.TrimSpace(line), " v")
		if !ok || strings.Contains(line, "//") || strings.Contains(line, "(") {
			continue
		}
		host, name := path.Split(module)
		if major.MatchString(name) && strings.Count(module, "/") > 1 {
			host, name = path.Split(path.Clean(host))
			name += "/" + path.Base(module)
		}
		// Written in full, or after another of the same host.
		if !strings.Contains(list, "`"+module+"`") && !(strings.Contains(list, "`"+host) && strings.Contains(list, "`…/"+name+"`")) {
			t.Errorf("DEVELOPERS.md does not say what %s is for", module)
		}
	}
}

var major = regexp.MustCompile(`^v[0-9]+$`)
