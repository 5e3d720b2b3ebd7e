package tomlfile

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Files that would take the parser's stack or minutes are refused at once; what
// people write is not.
func TestDecode(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"brackets":        {"a = " + strings.Repeat("[", 100000) + strings.Repeat("]", 100000), "nested too deeply"},
		"braces":          {"a = " + strings.Repeat("{b=", 20000), "nested too deeply"},
		"dots":            {strings.Repeat("a.", 60000) + "a = 1", "nested too deeply"},
		"large":           {strings.Repeat("# x\n", 1<<18), "larger than"},
		"a text":          {"a = \"[[[[[[[[[[[[[[[[[[[[[[[[[[[[ it's\"\nb = '\\'\n# [[[[[[[[[[[[[[[[[[[[[[[[[[[[[\nc = 1", ""},
		"a sentence":      {"a = \"one. two. three. four. five. six. seven. eight. nine. ten. 1. 2. 3. 4. 5. 6. 7. 8.\"", ""},
		"lists of tables": {strings.Repeat("[[s]]\nat = 1.5\nd = [[1.0, 2.0], [1.0, 3.0]]\n", 500), ""},
	} {
		var into map[string]any
		_, err := Decode([]byte(c.text), &into)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	path := filepath.Join(t.TempDir(), "x.toml")
	if err := os.WriteFile(path, make([]byte, largest+1), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Read(path); err == nil || !strings.Contains(err.Error(), "larger than 256 KB") {
		t.Error(err)
	}
}
