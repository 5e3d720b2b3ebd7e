package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/grading/spool"
	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// invented is a graded delivery in which nothing was measured.
func invented() grading.Grading {
	ring := func(hz, q float64) *spectrum.Ring {
		return &spectrum.Ring{Fundamental: spectrum.Partial{Hz: measure.Of(hz, 0.0021), Q: measure.Of(q, 6.2)}, PurityPct: measure.Of(96.23, 0.8)}
	}
	return grading.Grading{
		Method: "invented/1", Delivery: "invented", Profile: "violin", Qualified: 1,
		Settings: grading.Profile{About: "starting values"},
		Notes:    []string{"something was assumed"},
		Unused:   []grading.Unused{{File: "delivery.csv", Reason: "row 7 (blank X), column mass_g: \"?\" is not a number: write digits only, without unit"}},
		Blanks: []grading.Blank{
			{Blank: "A10", Rank: 1, RankLow: 1, RankHigh: 2, Score: measure.Of(81.2, 3.1), Verdict: grading.Keep, Ring: ring(131.4213, 231),
				Reasons: []string{"the score 81 ± 3 is over the mark of 65, and every limit is passed with 95 % confidence", "in the table already"},
				Wood: wood.Values{
					Density:         measure.FromParts(1088, []measure.Part{{Name: "height", U: 6}, {Name: "width", U: 6}, {Name: "mass", U: 3}}),
					SpecificModulus: measure.FromParts(23.12, []measure.Part{{Name: "height", U: 0.4}, {Name: "length", U: 0.05}, {Name: "pitch of the side taps", U: 0.07}}),
					MeasureNext:     "record end taps: specific modulus now ±3.5 %, then ±0.3 % (95 %)", HoldAtMM: []float64{168, 583}}},
			{Blank: "a number longer than its column", Rank: 2, RankLow: 1, RankHigh: 2, Score: measure.Of(54, 12), Verdict: grading.Maybe, Ring: ring(99.2, 88.8),
				Reasons:  []string{"no density: the mass is missing", "sustain Q 108 ± 6 passes the limit of 100, but not with 95 % confidence"},
				Warnings: []capture.Warning{{Text: "rogue\x1b[2J.wav: the file ends early"}},
				Wood:     wood.Values{Density: measure.Unknown("the mass is missing"), SpecificModulus: measure.Of(21, 1.2)}},
			{Blank: "B0", Rank: 3, RankLow: 1, RankHigh: 3, Score: measure.Unknown("no tap"), Verdict: grading.Unread, Reasons: []string{"B0.wav: no tap was heard"},
				Wood: wood.Values{MeasureNext: "record taps that can be used"}},
			{Blank: "B1", Rank: 3, RankLow: 1, RankHigh: 3, Score: measure.Unknown("no tap"), Verdict: grading.Unread, Reasons: []string{"B1.wav: no tap was heard"},
				Wood: wood.Values{MeasureNext: "record taps that can be used"}},
		},
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s, got:\n%s\nwant:\n%s", name, got, want)
	}
}

func fits(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		if length(strings.TrimRight(line, "\n")) > pageWidth {
			t.Errorf("wider than %d columns: %s", pageWidth, line)
		}
	}
}

func TestPrintGrading(t *testing.T) {
	var out bytes.Buffer
	if err := printGrading(&out, invented()); err != nil {
		t.Fatal(err)
	}
	golden(t, "grading.txt", out.String())
	fits(t, out.String())
}

// The ranking fits on 80 columns, whatever the blanks are called.
func TestPrintRanking(t *testing.T) {
	var out bytes.Buffer
	if err := printRanking(&out, invented(), "report/report.html", 80); err != nil {
		t.Fatal(err)
	}
	golden(t, "ranking.txt", out.String())
	for line := range strings.Lines(out.String()) {
		if length(strings.TrimRight(line, "\n")) > 80 {
			t.Errorf("wider than 80 columns: %s", line)
		}
	}
}

func TestPrintNoneQualifies(t *testing.T) {
	g := invented()
	g.Qualified = 0
	var out bytes.Buffer
	if err := printGrading(&out, g); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "\nnone of 4 qualifies\n") {
		t.Error(out.String())
	}
}

func TestPrintAnalyses(t *testing.T) {
	why := "this is text, not sound; give a WAV or FLAC file"
	f := spectrum.Partial{Hz: measure.Of(131.4213, 0.0021), Q: measure.Of(231, 6.2), T60S: measure.Of(3.87, 0.1), LevelDB: measure.Of(0, 0),
		Ratio: 1, Family: spectrum.Bending, Order: 1, Plane: 1, Taps: 4}
	second := f
	second.Hz, second.Q, second.LevelDB, second.Ratio, second.Order, second.Plane = measure.Of(358.2, 0.02), measure.Unknown("it dies with the room"), measure.Of(-12.3, 0.6), 2.7256, 2, 2
	list := []spectrum.Analysis{
		{File: "A017.wav", SampleRateHz: 44100, DurationS: 9.24,
			Warnings: []capture.Warning{{Text: "channel 1 of 2 is used: it has the best signal-to-noise ratio"}},
			Taps:     []spectrum.TapResult{{AtS: 1, Accepted: true}, {AtS: 3.214, Reason: capture.Clipped}},
			Ring: &spectrum.Ring{Fundamental: f, FundamentalFrom: "peak", Partials: []spectrum.Partial{f, second},
				PurityPct: measure.Of(96.2, 0.8), FundamentalPct: measure.Of(81, 1.4), UnevennessPct: measure.Of(1.2, 0.4),
				DriftCents: measure.Unknown("two close lines beat in the fundamental"), LoudnessDB: measure.Of(-3.1, 0.5), SNRDB: measure.Of(41.2, 0),
				Beat: &spectrum.Beat{Hz: 0.82, DepthDB: 3.1}, Stray: []spectrum.Stray{{Hz: 417.3, LevelDB: -8.2}}, HumHz: []float64{50, 150}}},
		{File: "letter.txt", Error: &spectrum.Failure{Text: why}},
	}
	var out bytes.Buffer
	if err := printAnalyses(&out, list); err != nil {
		t.Fatal(err)
	}
	golden(t, "analysis.txt", out.String())
	fits(t, out.String())
}

func TestPrintable(t *testing.T) {
	if got := printable("a\x1b[31mb\u202e\x00\x9b\nc±ü"); got != "a\ufffd[31mb\ufffd\ufffd\ufffd\nc±ü" {
		t.Errorf("%q", got)
	}
}

// An interrupt ends the work with the code that shells expect.
func TestInterrupted(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a.wav"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, args := range [][]string{{"grade", dir, "--json"}, {"analyse", filepath.Join(dir, "a.wav")}} {
		root := newRoot()
		var out, warnings bytes.Buffer
		root.SetOut(&out)
		root.SetErr(&warnings)
		if code := run(ctx, root, args); code != exitInterrupted || out.Len() > 0 {
			t.Errorf("%v: code %d, stdout %q, stderr %q", args, code, out.String(), warnings.String())
		}
	}
}

// The sound of the best blanks is kept, whatever the order in which they are judged.
func TestAlbumKeepsTheBestSounds(t *testing.T) {
	const n = soundsKept + 30
	rng := rand.New(rand.NewPCG(2, 2))
	laid := spool.New(t.TempDir())
	defer laid.Close()
	a := newAlbum(laid)
	for _, i := range rng.Perm(n) {
		file := fmt.Sprintf("%d.wav", i)
		a.draw(file, spectrum.Portrait{Clip: []float64{1}, AtS: float64(i)})
		if err := a.paste(grading.Blank{Blank: fmt.Sprint(i), Score: measure.Of(float64(n-i), 1)}, grading.Heard{Side: []spectrum.Analysis{{File: file}}}); err != nil {
			t.Fatal(err)
		}
	}
	for i := range n {
		pictures, err := a.of(fmt.Sprint(i))
		if err != nil || pictures.Portrait == nil {
			t.Fatal(err)
		}
		p := pictures.Portrait
		if (p.Clip != nil) != (i < soundsKept) || p.AtS != float64(i) {
			t.Errorf("rank %d: sound %v, at %g", i+1, p.Clip != nil, p.AtS)
		}
	}
	if len(a.drawn) > 0 {
		t.Errorf("%d pictures were forgotten", len(a.drawn))
	}
}

// In a column of the ranking all numbers have one number of decimals, but those too
// uncertain for them; no uncertainty has more than two figures; purity does not pass 100,
// nor a score its bounds.
func TestRankingColumnsLineUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	figures := func(u string) int { return len(strings.TrimLeft(strings.ReplaceAll(u, ".", ""), "0")) }
	for range 2000 {
		c := rankingColumns[rng.IntN(len(rankingColumns))]
		u := math.Pow(10, 4*rng.Float64()-3)
		v := measure.Of(100*rng.Float64(), u*(0.3+rng.Float64()))
		decimals := c.decimals([]float64{u})
		number, after, _ := strings.Cut(c.text(v, decimals), "±")
		_, fraction, _ := strings.Cut(strings.TrimPrefix(number, ">"), ".")
		if step := math.Pow10(-decimals); v.U < 10*step && len(fraction) != decimals {
			t.Errorf("%s %g ± %g: %q has not %d decimals", c.head, v.X, v.U, number, decimals)
		}
		if figures(after) > 2 {
			t.Errorf("%s %g ± %g: %q", c.head, v.X, v.U, after)
		}
		if x, err := strconv.ParseFloat(strings.TrimPrefix(number, ">"), 64); err != nil || c.ceiling && x > 100 {
			t.Errorf("%s %g ± %g: %q, %v", c.head, v.X, v.U, number, err)
		}
		b := grading.Blank{Score: v, Parts: []grading.Part{{Weight: 1, Desirability: measure.Of(0.5, 0)}}}
		for _, end := range regexp.MustCompile(`[-±]`).Split(scoreText(b), 2)[:1] {
			if x, err := strconv.ParseFloat(end, 64); err != nil || x < 0 || x > 100 {
				t.Errorf("score %g ± %g: %q", v.X, v.U, scoreText(b))
			}
		}
		if low, high := b.ScoreInterval(); low < 0 || high > 100 {
			t.Errorf("score %g ± %g: %g to %g", v.X, v.U, low, high)
		}
	}
}
