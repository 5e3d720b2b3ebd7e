package demo

import (
	"encoding/csv"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ringstock/capture/wavfile"
)

var update = flag.Bool("update", false, "rewrite testdata/delivery.csv")

// The table that everybody gets changes only on purpose: what the documentation shows is
// made from it.
func TestTableIsGolden(t *testing.T) {
	golden := filepath.Join("testdata", "delivery.csv")
	got := table(Blanks(Seed))
	if *update {
		if err := os.WriteFile(golden, got, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Errorf("the table is not that of %s; if it should change, run go test -update", golden)
	}
	rows, err := csv.NewReader(strings.NewReader(string(got))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != Count+1 {
		t.Errorf("%d rows for %d blanks", len(rows), Count)
	}
}

func TestWrite(t *testing.T) {
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("writes 50 MB of sound: only with RINGSTOCK_SLOW=1")
	}
	dir := filepath.Join(t.TempDir(), "delivery")
	blanks := Blanks(Seed)
	if err := Write(dir, blanks); err != nil {
		t.Fatal(err)
	}
	for _, b := range blanks {
		for _, plane := range b.Planes {
			scene := b.Scene(plane)
			r, err := wavfile.Open(filepath.Join(dir, scene.Name))
			if err != nil {
				t.Fatal(err)
			}
			if r.Rate != rate || r.Bits != 24 || len(r.Tracks) != 1 || len(r.Warnings) > 0 {
				t.Errorf("%s: %v Hz, %d bits, %d channels, warnings %v", scene.Name, r.Rate, r.Bits, len(r.Tracks), r.Warnings)
			}
			if b.Fault == Stray && !slices.Equal(r.Tracks[0], scene.Render().Tracks[0]) {
				t.Errorf("%s does not hold the samples of the recording", scene.Name)
			}
		}
	}
	if err := claim(dir); err != nil {
		t.Errorf("it can't be written again: %v", err)
	}
}

func TestWriteRefusesAForeignFolder(t *testing.T) {
	dir := t.TempDir()
	mine := filepath.Join(dir, "delivery.csv")
	if err := os.WriteFile(mine, []byte("blank\nmine\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := Write(dir, Blanks(Seed)); err == nil || !strings.Contains(err.Error(), dir) {
		t.Errorf("writing into a folder with a delivery: error %v, want one that names the folder", err)
	}
	if text, err := os.ReadFile(mine); err != nil || string(text) != "blank\nmine\n" {
		t.Errorf("the delivery became %q, %v", text, err)
	}
}
