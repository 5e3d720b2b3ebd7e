package main

import (
	"encoding/csv"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
)

// wrongEntries are slips, by the word that is typed before them, which is the name of a
// flag too, and the column that they are for.
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

// TestWrongEntries: what can't be right is refused with the same words wherever it is
// typed: in the table, at the keys of listen, on the pages of the bench, in flags, and in
// "stock test". Nothing is entered.
func TestWrongEntries(t *testing.T) {
	if len(wrongEntries) < 40 {
		t.Fatalf("only %d entries", len(wrongEntries))
	}
	t.Setenv("RINGSTOCK_STOCK", filepath.Join(t.TempDir(), "stock"))
	folder := filepath.Join(t.TempDir(), "delivery")
	keys := answersAtKeys(t, folder)
	desk := workingDesk(t, folder)
	page := newDelivery(nil, folder)
	tried := map[string]int{}
	for i, w := range wrongEntries {
		answer := func(door, got string) {
			t.Helper()
			tried[door]++
			if _, want := grading.ParseCell(w.column, w.text); want == nil {
				t.Errorf("%s %q is none", w.column, w.text)
			} else if !strings.Contains(got, want.Error()) {
				t.Errorf("%s: %s %q: %q, elsewhere %q", door, w.word, w.text, got, want)
			}
		}
		answer("table", answerOfTable(t, w.column, w.text))
		answer("keys", keys[i])
		answer("bench", errorText(desk.Set("A1", w.column, w.text, true)))
		answer("delivery at the bench", page.Enter([]bench.Entry{{Blank: "A1", Column: w.column, Text: w.text}})[0].Error)
		flag := "--" + w.word + "=" + w.text
		answer("stock add", answerOfFlag(t, "stock", "add", "--number", "A1", flag))
		if w.word != "price" {
			answer("stock test", answerOfFlag(t, "stock", "test", "A1", flag))
		}
		if w.word == "temperature" || w.word == "humidity" {
			answer("listen", answerOfFlag(t, "listen", folder, flag))
		}
	}
	t.Log(tried)
	if text, err := os.ReadFile(filepath.Join(folder, grading.TableName)); err == nil {
		t.Errorf("something was entered: %s", text)
	}
}

// TestWrongNumbers: so is what can be no blank's number.
func TestWrongNumbers(t *testing.T) {
	t.Setenv("RINGSTOCK_STOCK", filepath.Join(t.TempDir(), "stock"))
	folder := filepath.Join(t.TempDir(), "delivery")
	desk := workingDesk(t, folder)
	page := newDelivery(nil, folder)
	for _, number := range []string{" ", "A\x1b[2J", "A\xff", "A\u202e17", strings.Repeat("9", 200)} {
		_, want := grading.ParseBlank(number)
		if want == nil {
			t.Fatalf("%q is one", number)
		}
		for door, got := range map[string]string{
			"bench":                 errorText(desk.Order(bench.GoTo, number)),
			"delivery at the bench": page.Enter([]bench.Entry{{Blank: number, Column: "mass_g", Text: "190"}})[0].Error,
			"stock add":             answerOfFlag(t, "stock", "add", "--number="+number, "--mass=190"),
			"listen":                answerOfFlag(t, "listen", folder, "--blank="+number),
		} {
			if !strings.Contains(got, want.Error()) {
				t.Errorf("%s: %q: %q, elsewhere %q", door, number, got, want)
			}
		}
	}
}

func errorText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// answerOfTable is what is said of a cell of a delivery's table.
func answerOfTable(t *testing.T, column, text string) string {
	t.Helper()
	folder := t.TempDir()
	f, err := os.Create(filepath.Join(folder, grading.TableName))
	if err != nil {
		t.Fatal(err)
	}
	w := csv.NewWriter(f)
	if err := w.WriteAll([][]string{{"blank", column}, {"A1", text}}); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || len(d.Rows) != 1 {
		t.Fatal(err, d.Rows)
	}
	i := slices.IndexFunc(d.Rows[0].Unused, func(u grading.Unused) bool { return u.Column == column && u.Row == 2 })
	if i < 0 {
		return ""
	}
	return d.Rows[0].Unused[i].Reason
}

// answersAtKeys are what a session answers to the wrong entries.
func answersAtKeys(t *testing.T, folder string) (said []string) {
	t.Helper()
	s, err := session.Open(session.Settings{Folder: folder, Blank: "A1", Taps: 5, Profile: mustProfile(t), Now: now})
	if err != nil {
		t.Fatal(err)
	}
	commands := make(chan session.Command, len(wrongEntries)+1)
	for _, w := range wrongEntries {
		commands <- session.Command{Do: session.SetMeasures, Text: w.word + " " + w.text}
	}
	commands <- session.Command{Do: session.Quit}
	if err := s.Run(t.Context(), capture.Play(make([]float64, rate), rate, 480), commands, func(e session.Event) {
		if n, ok := e.(session.Notice); ok {
			said = append(said, n.Text)
		}
	}); err != nil {
		t.Fatal(err)
	}
	if len(said) != len(wrongEntries) {
		t.Fatalf("%d answers to %d entries: %q", len(said), len(wrongEntries), said)
	}
	return said
}

// answerOfFlag is the error of a command line.
func answerOfFlag(t *testing.T, args ...string) string {
	t.Helper()
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(io.Discard)
	root.SetErr(io.Discard)
	return errorText(root.ExecuteContext(t.Context()))
}
