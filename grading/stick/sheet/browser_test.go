package sheet

import (
	"bytes"
	"compress/zlib"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/grading/report/browse"
	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

var screenshotsDir = flag.String("screenshots", "", "write screenshots and prints of all sheets into this folder")

// invented are the sheets of an invented maker: a dozen blanks, one of them too thin, a
// copy that is off, and a stick in the making.
func invented(t *testing.T) map[string]string {
	t.Helper()
	m := model(t, "demo-violin")
	load := m.MidSpan(0, 500)
	var blanks []stick.Blank
	for i := range 12 {
		x := float64(i)
		b := blank(fmt.Sprintf("D%02d", i+1), 1090-12*x+30*math.Sin(2*x), 26-0.5*x+math.Cos(3*x), 14.2-0.1*x)
		b.Quality, b.Place, b.Lot = measure.Of(96-5*x+8*math.Sin(5*x), 2), "rack 1", "L1 (invented)"
		blanks = append(blanks, b)
	}
	blanks[7].Readings.HeightMM = measure.Of(7, 0.05)
	blanks[10].Wood.Density = measure.Unknown("the mass is missing")
	plan, err := stick.Lay(m, blanks, stick.Wish{Match: stick.MatchStiffness, Load: load, ShaftOnly: true, Allowance: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	copy := m.Scaled(1.01)
	made := m
	made.Name, made.Stick, made.Camber = "copy no. 3 (invented)", copy, slices.Clone(m.Camber)
	for i := range made.Stations {
		made.Stations[i].Height += 1e-4 * math.Sin(2*float64(i))
		made.Stations[i].Width -= 1.5e-4 * math.Cos(float64(i))
	}
	for i := range made.Camber {
		made.Camber[i].Y += 3e-4 * math.Sin(3*float64(i))
	}
	comparison, err := stick.Compare(m, made, load, 0.15)
	if err != nil {
		t.Fatal(err)
	}
	rough := m
	rough.Name, rough.Stick = "D03", m.Scaled(1.06)
	rough.Stations[2].Height = m.Stations[2].Height - 3e-4
	rough.Bare.MassG, rough.Bare.Hz = measure.Of(44.1, 0.1), measure.Of(59.9, 0.1)
	work, err := stick.WorkDown(m, 1.01, rough, m.Wood, load, "octagonal")
	if err != nil {
		t.Fatal(err)
	}
	papers := []stick.Fact{{Name: "Blank", Value: "D03"}, {Name: "Species", Value: "invented wood"}, {Name: "Lot", Value: "L1 (invented)"}, {Name: "Supplier", Value: "an invented dealer"}, {Name: "Invoice", Value: "none: invented"}, {Name: "Permit", Value: "none: invented"}}
	card, err := stick.CardOf(m, load, "2031-03-28", papers)
	if err != nil {
		t.Fatal(err)
	}
	flat := m
	flat.Name, flat.Camber = "the same with less camber (invented)", slices.Clone(m.Camber)
	for i := range flat.Camber {
		flat.Camber[i].Y *= 0.8
	}
	var strung stick.StrungBows
	for _, m := range []stick.Model{m, flat} {
		b, err := m.StringUp(m.Hair, 1)
		if err != nil {
			t.Fatal(err)
		}
		strung.Bows = append(strung.Bows, b)
	}
	fit, _, err := stick.CompareCamber(m.Camber, flat.Camber)
	if err != nil {
		t.Fatal(err)
	}
	traced := Traced{Name: "scan (invented)", Says: []string{"A line of 650 mm was found."}, Camber: m.Camber, Against: "another (invented)", Fit: &fit}
	for _, p := range m.Camber {
		traced.CamberU = append(traced.CamberU, measure.Of(1000*p.Y, 0.05))
	}
	sheets := map[string]string{}
	for name, write := range map[string]func(io.Writer) error{
		"plan":    func(w io.Writer) error { return Plan(w, m, plan, 3) },
		"names":   func(w io.Writer) error { return Plan(w, m, longNames(plan), 1) },
		"compare": func(w io.Writer) error { return Compare(w, m, made, comparison) },
		"work":    func(w io.Writer) error { return Work(w, rough.Stick, m.Scaled(1.01), rough.Name, work) },
		"traced":  traced.Write,
		"strung":  func(w io.Writer) error { return Strung(w, strung) },
		"card":    func(w io.Writer) error { return Card(w, m, card) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		path := filepath.Join(t.TempDir(), name+".html")
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		sheets[name] = "file://" + path
	}
	return sheets
}

// longNames gives every blank a name as no table has room for.
func longNames(p stick.Plan) stick.Plan {
	p.Candidates = slices.Clone(p.Candidates)
	for i := range p.Candidates {
		p.Candidates[i].Blank = strings.Repeat("Blank", 12) + p.Candidates[i].Blank
	}
	return p
}

// TestScreenshots draws the sheets, light, dark, on a phone and on paper:
//
//	go test ./grading/stick/sheet -run Screenshots -args -screenshots DIR
func TestScreenshots(t *testing.T) {
	if *screenshotsDir == "" {
		t.Skip("no folder given: -args -screenshots DIR")
	}
	if err := os.MkdirAll(*screenshotsDir, 0o755); err != nil {
		t.Fatal(err)
	}
	ctx := browse.Open(t, browse.Options{})
	for name, address := range invented(t) {
		for _, view := range []struct {
			name string
			w, h int64
			dark bool
		}{{"light", 1280, 1800, false}, {"dark", 1280, 1800, true}, {"phone", 390, 1200, false}} {
			browse.Do(t, ctx, browse.View(view.w, view.h, view.dark), chromedp.Navigate(address))
			browse.Shot(t, ctx, filepath.Join(*screenshotsDir, name+"-"+view.name+".png"))
		}
		pdf, _ := browse.Print(t, ctx)
		if err := os.WriteFile(filepath.Join(*screenshotsDir, name+".pdf"), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestInBrowser(t *testing.T) {
	ctx := browse.Open(t, browse.Options{Offline: true})
	requests := browse.Requests(t, ctx)
	sheets := invented(t)
	for _, c := range []struct {
		sheet    string
		drawn    []string // pictures that must show something
		paper    int      // sheets of A4 at most
		contrast int      // texts whose contrast must be told
	}{
		{"plan", []string{".front", ".strip", ".bench .spares", ".bench .real"}, 7, 120},
		{"names", []string{".front"}, 7, 80},
		{"compare", []string{".overlay"}, 4, 60},
		{"work", []string{".real"}, 3, 60},
		{"card", []string{".overlay", ".real"}, 3, 40},
		{"strung", []string{".bow"}, 3, 40},
		{"traced", []string{".overlay"}, 2, 30},
	} {
		t.Run(c.sheet, func(t *testing.T) {
			browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(sheets[c.sheet]))
			for _, selector := range c.drawn {
				browse.Drawn(t, ctx, selector, .004)
			}
			for _, w := range []int64{1280, 390} {
				browse.Do(t, ctx, browse.View(w, 800, false))
				if over := browse.Eval[int](t, ctx, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("at %d pixels the page is %d too wide", w, over)
				}
			}
			browse.Do(t, ctx, browse.View(1280, 800, false))
			pdf, n := browse.Print(t, ctx)
			if n < 1 || n > c.paper {
				t.Errorf("prints on %d sheets, want %d at most", n, c.paper)
			}
			holdsFullSize(t, pdf, c.sheet != "compare" && c.sheet != "strung" && c.sheet != "traced")
		})
		t.Run(c.sheet+", accessible", func(t *testing.T) {
			axe := browse.Axe(t)
			browse.Do(t, ctx, chromedp.Navigate(sheets[c.sheet]))
			browse.Accessible(t, ctx, axe, c.sheet, c.contrast)
		})
	}
	for _, url := range requests() {
		if !strings.HasPrefix(url, "file://") && url != "about:blank" {
			t.Errorf("a sheet asked for %.100s", url)
		}
	}
}

// holdsFullSize finds on the printed A4 the line that says it is 100 mm
// long, and measures it.
func holdsFullSize(t *testing.T, pdf []byte, ruled bool) {
	t.Helper()
	for _, box := range regexp.MustCompile(`/MediaBox\s*\[([^\]]*)\]`).FindAllSubmatch(pdf, -1) {
		var x, y, w, h float64
		if _, err := fmt.Sscan(string(box[1]), &x, &y, &w, &h); err != nil || math.Abs(w-210/mmPerPoint) > 1 || math.Abs(h-297/mmPerPoint) > 1 {
			t.Errorf("a sheet is %s points, want A4", box[1])
		}
	}
	rules, nearest := 0, 0.0
	for _, mm := range horizontals(t, pdf) {
		if math.Abs(mm-100) < math.Abs(nearest-100) {
			nearest = mm
		}
		if math.Abs(mm-100) < 0.1 {
			rules++
		}
	}
	if ruled != (rules > 0) {
		t.Errorf("%d lines of 100 mm on paper, nearest %.2f mm", rules, nearest)
	}
}

const mmPerPoint = 25.4 / 72

// horizontals are the lengths on paper, in mm, of all lines that run
// straight across a sheet.
func horizontals(t *testing.T, pdf []byte) (list []float64) {
	t.Helper()
	type matrix [6]float64
	for _, part := range regexp.MustCompile(`(?s)stream\r?\n(.*?)endstream`).FindAllSubmatch(pdf, -1) {
		unpack, err := zlib.NewReader(bytes.NewReader(part[1]))
		if err != nil {
			continue
		}
		text, _ := io.ReadAll(unpack)
		at := matrix{1, 0, 0, 1, 0, 0}
		var kept []matrix
		var numbers []float64
		var x, y float64
		for _, word := range strings.Fields(string(text)) {
			if v, err := strconv.ParseFloat(word, 64); err == nil {
				numbers = append(numbers, v)
				continue
			}
			n := len(numbers)
			switch {
			case word == "q":
				kept = append(kept, at)
			case word == "Q" && len(kept) > 0:
				at, kept = kept[len(kept)-1], kept[:len(kept)-1]
			case word == "cm" && n >= 6:
				m := numbers[n-6:]
				at = matrix{m[0]*at[0] + m[1]*at[2], m[0]*at[1] + m[1]*at[3], m[2]*at[0] + m[3]*at[2], m[2]*at[1] + m[3]*at[3],
					m[4]*at[0] + m[5]*at[2] + at[4], m[4]*at[1] + m[5]*at[3] + at[5]}
			case word == "m" && n >= 2:
				x, y = numbers[n-2], numbers[n-1]
			case word == "l" && n >= 2:
				if numbers[n-1] == y {
					list = append(list, mmPerPoint*math.Abs(numbers[n-2]-x)*math.Hypot(at[0], at[1]))
				}
				x, y = numbers[n-2], numbers[n-1]
			}
			numbers = numbers[:0]
		}
	}
	return list
}
