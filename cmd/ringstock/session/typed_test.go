package session_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
)

// wrongEntries are slips, by the word that is typed before them and the column that they are for.
var wrongEntries = []struct{ word, column, text string }{
	{"length", "length_mm", "NaN"}, {"length", "length_mm", "inf"}, {"length", "length_mm", "-745"}, {"length", "length_mm", "0"},
	{"length", "length_mm", "1e308"}, {"length", "length_mm", "0x1p4"}, {"length", "length_mm", "745 g"}, {"length", "length_mm", "seven"},
	{"length", "length_mm", "7e9"}, {"length", "length_mm", "745±1"}, {"length", "length_mm", "745/746"}, {"length", "length_mm", "1_000"},
	{"length", "length_mm", "74 5"}, {"length", "length_mm", "--7"}, {"length", "length_mm", "1.2.3"}, {"length", "length_mm", "99999999"},
	{"height", "height_mm", "5000"}, {"height", "height_mm", "-1"}, {"height", "height_mm", "0"}, {"height", "height_mm", "14 kg"},
	{"height", "height_mm", "+Inf"}, {"height", "height_mm", "14,1,2"}, {"width", "width_mm", "1e99"}, {"width", "width_mm", "nan"},
	{"width", "width_mm", "14 %"}, {"width", "width_mm", "-14"}, {"mass", "mass_g", "1e308"}, {"mass", "mass_g", "0"},
	{"mass", "mass_g", "189 mm"}, {"mass", "mass_g", "-0.1"}, {"mass", "mass_g", "1e9 kg"}, {"mass", "mass_g", "18O"},
	{"moisture", "moisture_pct", "-2"}, {"moisture", "moisture_pct", "900"}, {"moisture", "moisture_pct", "12 g"}, {"temperature", "temperature_c", "-400"},
	{"temperature", "temperature_c", "2000"}, {"humidity", "humidity_pct", "455"}, {"humidity", "humidity_pct", "-1"}, {"price", "price", "-5"},
}

// TestWrongEntries: what can't be right is refused at the keys as in the table, with the same words, and nothing is
// entered.
func TestWrongEntries(t *testing.T) {
	if len(wrongEntries) < 40 {
		t.Fatalf("only %d entries", len(wrongEntries))
	}
	folder := t.TempDir()
	set := settings(t, folder)
	set.Blank = "A1"
	commands := make(chan session.Command, len(wrongEntries)+1)
	for _, w := range wrongEntries {
		commands <- session.Command{Do: session.SetMeasures, Text: w.word + " " + w.text}
	}
	commands <- session.Command{Do: session.Quit}
	_, h, err := listen(t, set, nothing{}, commands)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.notices) != len(wrongEntries) {
		t.Fatalf("%d answers to %d entries: %q", len(h.notices), len(wrongEntries), h.notices)
	}
	for i, w := range wrongEntries {
		_, want := grading.ParseCell(w.column, w.text)
		if want == nil {
			t.Errorf("the table takes %s %q", w.column, w.text)
		} else if !strings.Contains(h.notices[i], want.Error()) {
			t.Errorf("%s %q: %q, the table says %q", w.column, w.text, h.notices[i], want)
		}
	}
	if text, err := os.ReadFile(filepath.Join(folder, "delivery.csv")); err == nil {
		t.Errorf("something was entered: %s", text)
	}
}

// TestOddEntry: what can hardly be right is asked back with what was probably meant, and entered when typed once
// more; units and single letters are read.
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
