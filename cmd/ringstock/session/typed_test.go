package session_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/cmd/ringstock/session"
)

// TestOddEntry: what can hardly be right is asked back with what was probably meant, and
// entered when typed once more; units and single letters are read.
func TestOddEntry(t *testing.T) {
	folder := t.TempDir()
	set := settings(t, folder)
	set.Blank = "A1"
	commands := make(chan session.Command, 8)
	for _, text := range []string{"length 74,55", "l 0.745 m h 14.1 m 189,2", "length 74,55", "length 74,55"} {
		commands <- session.Command{Do: session.SetMeasures, Text: text}
	}
	commands <- session.Command{Do: session.GoTo, Text: "A\x1b[2J"}
	commands <- session.Command{Do: session.GoTo, Text: strings.Repeat("9", 200)}
	commands <- session.Command{Do: session.Quit}
	_, h, err := listen(t, set, nothing{}, commands)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"Or 745.5?", "length_mm 0.745 m (was read as 745 mm), height_mm 14.1, mass_g 189,2", "Or 745.5?",
		"entered for blank A1: length_mm 74,55", "can't be printed", "200 characters"} {
		if i >= len(h.notices) || !strings.Contains(h.notices[i], want) {
			t.Fatalf("answer %d lacks %q: %q", i, want, h.notices)
		}
	}
	text, _ := os.ReadFile(filepath.Join(folder, "delivery.csv"))
	if !strings.Contains(string(text), "A1,,,,74.55,14.1,,189.2") {
		t.Errorf("the table holds %s", text)
	}
}

// nothing is a source from which nothing comes.
type nothing struct{}

func (nothing) Rate() float64               { return 48000 }
func (nothing) Close() error                { return nil }
func (nothing) Read(b *capture.Block) error { b.Samples = b.Samples[:0]; return nil }
