package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ringstock/cmd/ringstock/bench"
	"ringstock/grading"
	"ringstock/grading/demo"
)

// shopWith is a workshop with one invented delivery of eight blanks.
func shopWith(t testing.TB) (*workshop, *delivery) {
	t.Helper()
	t.Setenv("RINGSTOCK_SETTINGS", t.TempDir())
	folder := filepath.Join(t.TempDir(), "invented")
	if err := demo.Write(folder, demo.Blanks(demo.Seed)[:8]); err != nil {
		t.Fatal(err)
	}
	b := &bay{ctx: t.Context()}
	shop := newWorkshop(b, &benchOptions{stock: stockPlace{dir: filepath.Join(t.TempDir(), "stock")}}, nil, func() {})
	key, err := shop.OpenDelivery(folder)
	if err != nil {
		t.Fatal(err)
	}
	d, err := shop.Delivery(key)
	if err != nil {
		t.Fatal(err)
	}
	return shop, d.(*delivery)
}

// ranked waits until all is heard.
func (d *delivery) ranked(t testing.TB, p *grading.Profile) grading.Grading {
	t.Helper()
	for {
		g, looking, err := d.Grade(t.Context(), p)
		if err != nil {
			t.Fatal(err)
		}
		if looking == "" {
			return g
		}
	}
}

// A profile changed with sliders judges as a grading of the folder by it does.
func TestSlidersJudgeAsGradeDoes(t *testing.T) {
	_, d := shopWith(t)
	d.ranked(t, nil)
	p, err := loadProfile("viola")
	if err != nil {
		t.Fatal(err)
	}
	// On the way there by other ones, of which it keeps what it can.
	for _, by := range []float64{5, 0} {
		mark := p
		mark.KeepMark += by
		d.ranked(t, &mark)
		weight := p
		weight.Properties = maps.Clone(p.Properties)
		c := weight.Properties["q"]
		c.Weight, c.Target = 2-by/5, c.Target+by
		weight.Properties["q"] = c
		d.ranked(t, &weight)
	}
	quick := d.ranked(t, &p)
	page, err := gradeFolder(t.Context(), d.folder, p, nil, false, &progress{})
	if err != nil {
		t.Fatal(err)
	}
	want := page.Grading
	if quick.Qualified != want.Qualified || len(quick.Blanks) != len(want.Blanks) {
		t.Fatalf("%d of %d qualify, want %d of %d", quick.Qualified, len(quick.Blanks), want.Qualified, len(want.Blanks))
	}
	for i, w := range want.Blanks {
		g := quick.Blanks[i]
		if g.Blank != w.Blank || g.Score.X != w.Score.X || g.Score.U != w.Score.U || g.Verdict != w.Verdict || g.RankLow != w.RankLow || g.RankHigh != w.RankHigh || strings.Join(g.Reasons, ";") != strings.Join(w.Reasons, ";") {
			t.Errorf("place %d: %s %s %s (%d-%d) %q, want %s %s %s (%d-%d) %q", i+1, g.Blank, g.Score.Text(""), g.Verdict, g.RankLow, g.RankHigh, g.Reasons, w.Blank, w.Score.Text(""), w.Verdict, w.RankLow, w.RankHigh, w.Reasons)
		}
	}
}

// Cells are checked, saved, and asked back; a recording is copied in; a changed profile
// is kept in a file that grade reads.
func TestDeliveryAtTheBench(t *testing.T) {
	_, d := shopWith(t)
	answers := d.Enter([]bench.Entry{{Blank: "D01", Column: "mass_g", Text: "150,4"}, {Blank: "D02", Column: "mass_g", Text: "heavy"}, {Blank: "D03", Column: "length_mm", Text: "75.1"}})
	if !answers[0].Saved || answers[0].Error != "" || answers[1].Saved || answers[1].Error == "" {
		t.Errorf("the answers are %+v", answers)
	}
	table, err := grading.ReadDelivery(os.DirFS(d.folder))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range table.Rows {
		if r.Blank == "D01" && r.MassG.X != 150.4 {
			t.Errorf("the table has %v g", r.MassG)
		}
	}
	source := filepath.Join(d.folder, table.Rows[3].File[0])
	data, err := os.ReadFile(source)
	if err != nil {
		t.Fatal(err)
	}
	heard, err := d.Bring("../sneaky.wav", "NEW1", bench.TheFace, strings.NewReader(string(data)))
	if err != nil || !strings.Contains(heard, "good tap") {
		t.Errorf("a recording dropped in: %q, %v", heard, err)
	}
	if _, err := d.Bring("letter.wav", "NEW2", bench.TheFace, strings.NewReader("no sound")); err == nil {
		t.Error("what is no sound was taken")
	}
	if _, err := os.Stat(filepath.Join(d.folder, "sneaky.wav")); err != nil {
		t.Error(err)
	}
	p, err := d.Profile()
	if err != nil {
		t.Fatal(err)
	}
	p.Name, p.KeepMark = "mine", 72
	if err := d.SaveProfile(p); err != nil {
		t.Fatal(err)
	}
	if got, err := loadProfile(filepath.Join(d.folder, "mine.toml")); err != nil || got.KeepMark != 72 || fmt.Sprint(got.Properties) == "" {
		t.Errorf("the kept profile: %+v, %v", got, err)
	}
	if g := d.ranked(t, nil); g.Profile != "mine" {
		t.Errorf("judged by %s", g.Profile)
	}
	p.Name = "violin"
	if err := d.SaveProfile(p); err == nil {
		t.Error("a built-in profile's name was taken")
	}
}

// How soon a ranking of 300 blanks follows a slider: a mark, a weight, a limit.
func BenchmarkSlider300(b *testing.B) {
	_, d := shopWith(b)
	g := d.ranked(b, nil)
	for len(g.Blanks) < 300 {
		g.Blanks = append(g.Blanks, g.Blanks...)
	}
	g.Blanks = g.Blanks[:300]
	for i := range g.Blanks {
		g.Blanks[i].Blank = fmt.Sprint("D", i)
	}
	first, err := d.Profile()
	if err != nil {
		b.Fatal(err)
	}
	for _, move := range []struct {
		what string
		do   func(p *grading.Profile, c *grading.Criterion, by float64)
	}{
		{"mark", func(p *grading.Profile, _ *grading.Criterion, by float64) { p.KeepMark += by }},
		{"weight", func(_ *grading.Profile, c *grading.Criterion, by float64) { c.Weight += by / 10 }},
		{"target", func(_ *grading.Profile, c *grading.Criterion, by float64) { c.Target += by }},
	} {
		b.Run(move.what, func(b *testing.B) {
			ready := g.Rejudge()
			for i := 0; b.Loop(); i++ {
				p := first
				p.Properties = maps.Clone(first.Properties)
				c := p.Properties["q"]
				move.do(&p, &c, float64(i%9))
				p.Properties["q"] = c
				if view := ready.By(p); len(view.Blanks) != 300 {
					b.Fatal("blanks got lost")
				}
			}
		})
	}
}
