package stock

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

func TestAddTwiceChangesNothing(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 6)
	if got := len(add(t, s, d)); got != 6 {
		t.Fatalf("%d new, want 6", got)
	}
	before := mustBeSound(t, s)
	d.Date, d.Place = "2026-05-01", "rack 9" // another day, another place: still the same delivery
	out, err := s.Add(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.New) != 0 || out.Already != 6 || len(out.Refused) != 0 {
		t.Fatalf("the second time: %+v", out)
	}
	if after := mustBeSound(t, s); after.Events != before.Events || after.Files != before.Files {
		t.Fatalf("the second time changed the stock: %+v, was %+v", after, before)
	}
}

func TestAddKeepsRecordingsBitForBit(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 1)
	want, err := os.ReadFile(filepath.Join(d.Folder, "1.wav"))
	if err != nil {
		t.Fatal(err)
	}
	b := add(t, s, d)[0]
	life, err := s.Show(t.Context(), b.ID)
	if err != nil {
		t.Fatal(err)
	}
	rec := life.TestList[0].Recordings[0]
	f, err := s.file(t.Context(), s.db, rec.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join(s.Dir(), f.name()))
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) || rec.Name != "1.wav" || filepath.Ext(f.name()) != ".wav" {
		t.Fatalf("kept %q as %q under %s", got, rec.Name, f.name())
	}
}

func TestAddOnlyTheKept(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 4)
	d.Grading.Blanks[1].Verdict = grading.Leave
	d.Grading.Blanks[2].Verdict = grading.Maybe
	d.Only = []grading.Verdict{grading.Keep, grading.Maybe}
	out, err := s.Add(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.New) != 3 || out.Left != 1 {
		t.Fatalf("%d new, %d left", len(out.New), out.Left)
	}
}

func TestAddRefusesAChangedDelivery(t *testing.T) {
	for name, c := range map[string]struct {
		change func(d *Delivery)
		says   string
	}{
		"another recording under the same number": {func(d *Delivery) {
			if err := os.WriteFile(filepath.Join(d.Folder, "2.wav"), []byte("another sound"), 0o666); err != nil {
				t.Fatal(err)
			}
		}, "with other recordings"},
		"another mass": {func(d *Delivery) {
			d.Grading.Blanks[1].Row.MassG = measure.Of(99, 0.1)
		}, "mass_g is 99 in the delivery"},
		"a recording that is gone": {func(d *Delivery) {
			if err := os.Remove(filepath.Join(d.Folder, "2.wav")); err != nil {
				t.Fatal(err)
			}
		}, "with other recordings"},
	} {
		t.Run(name, func(t *testing.T) {
			s, _ := open(t, t.TempDir())
			d := invented(t, "visit", 1, 3)
			add(t, s, d)
			before := mustBeSound(t, s)
			c.change(&d)
			out, err := s.Add(t.Context(), d)
			if err != nil {
				t.Fatal(err)
			}
			if out.Already != 2 || len(out.New) != 0 || len(out.Refused) != 1 || !strings.Contains(out.Refused[0], c.says) || !strings.HasPrefix(out.Refused[0], "stick 2: ") {
				t.Fatalf("%+v", out)
			}
			if after := mustBeSound(t, s); after.Events != before.Events {
				t.Fatalf("%d events, were %d", after.Events, before.Events)
			}
		})
	}
}

func TestTwoMachinesGiveOneID(t *testing.T) {
	d := invented(t, "visit", 1, 3)
	a, _ := open(t, t.TempDir())
	b, _ := open(t, t.TempDir())
	x, y := add(t, a, d), add(t, b, d)
	for i := range x {
		if x[i].ID != y[i].ID {
			t.Errorf("stick %s: %s here, %s there", x[i].Blank, x[i].ID, y[i].ID)
		}
	}
}

func TestMakersGradeStaysApartFromTheScore(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 1)
	d.Grading.Blanks[0].Row.MakerGrade = "C"
	b := add(t, s, d)[0]
	record(t, s, Event{Blank: b.ID, Kind: Graded, Grade: "A", Reason: "rings longer than it looks"})
	now, err := s.Blank(t.Context(), b.ID)
	if err != nil {
		t.Fatal(err)
	}
	if now.MakerGrade != "A" || now.Score.X != b.Score.X || b.MakerGrade != "C" {
		t.Fatalf("grade %s then %s, score %v then %v", b.MakerGrade, now.MakerGrade, b.Score, now.Score)
	}
}

func TestAddTakesNoFileFromOutsideTheFolder(t *testing.T) {
	s, _ := open(t, t.TempDir())
	d := invented(t, "visit", 1, 4)
	secret := filepath.Join(filepath.Dir(d.Folder), "secret.wav")
	if err := os.WriteFile(secret, []byte("nobody's business"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(secret, filepath.Join(d.Folder, "link.wav")); err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"../secret.wav", `..\secret.wav`, secret, "link.wav"} {
		d.Grading.Blanks[i].Row.File = []string{name}
	}
	out, err := s.Add(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.New) != 4 || len(out.Notes) != 4 {
		t.Fatalf("%+v", out)
	}
	if h := mustBeSound(t, s); h.Files != 0 {
		t.Fatalf("%d files came in", h.Files)
	}
}
