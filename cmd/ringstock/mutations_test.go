package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// TestMutations: each fault of testdata/mutations.toml can still be put in, so
// that .ci/mutate asks what it says. After a change of the code named there,
// change the list with it.
func TestMutations(t *testing.T) {
	var list struct {
		Mutation []struct {
			Name, File, Old, New, Why string
			Tests                     []string
		}
	}
	meta, err := toml.DecodeFile(filepath.Join(root, "testdata", "mutations.toml"), &list)
	if err != nil || len(meta.Undecoded()) > 0 {
		t.Fatal(err, meta.Undecoded())
	}
	names := map[string]bool{}
	for _, m := range list.Mutation {
		source, err := os.ReadFile(filepath.Join(root, m.File))
		if err != nil {
			t.Errorf("%s: %v", m.Name, err)
		} else if n := strings.Count(string(source), m.Old); n != 1 {
			t.Errorf("%s: %s has %q %d times, not once", m.Name, m.File, m.Old, n)
		}
		if m.Name == "" || names[m.Name] || m.Old == m.New || len(m.Tests) == 0 {
			t.Errorf("%q: a name of its own, a change and tests are needed", m.Name)
		}
		names[m.Name] = true
		for _, pkg := range m.Tests {
			if _, err := os.Stat(filepath.Join(root, pkg)); err != nil {
				t.Errorf("%s: %v", m.Name, err)
			}
		}
	}
	if len(list.Mutation) < 30 {
		t.Errorf("only %d mutations", len(list.Mutation))
	}
}
