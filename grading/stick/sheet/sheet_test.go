package sheet

import (
	"bytes"
	"encoding/xml"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

func model(t *testing.T, name string) stick.Model {
	t.Helper()
	text, ok := stick.CardText(name)
	if !ok {
		t.Fatalf("no card %q", name)
	}
	m, err := stick.ReadModel(name+".toml", bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func blank(name string, density, young, height float64) stick.Blank {
	b := stick.Blank{Name: name, Place: "rack <1>", Quality: measure.Of(50, 1)}
	b.Readings.LengthMM, b.Readings.HeightMM, b.Readings.WidthMM = measure.Of(750, 0.5), measure.Of(height, 0.05), measure.Of(13, 0.05)
	b.Wood.Density, b.Wood.YoungsModulus = measure.Of(density, 5), measure.Of(young, 0.2)
	return b
}

// pages renders every kind of page.
func allPages(t *testing.T, name string) map[string]string {
	t.Helper()
	m := model(t, "demo-violin")
	m.Name = name
	p, err := stick.Lay(m, []stick.Blank{blank("a"+name, 1050, 24, 14), blank("b", 990, 22, 14), blank("c", 990, 22, 6)},
		stick.Wish{Match: stick.MatchStiffness, Load: m.MidSpan(0, 500), ShaftOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	c, err := stick.Compare(m, m, m.MidSpan(0, 500), 0.1)
	if err != nil {
		t.Fatal(err)
	}
	w, err := stick.WorkDown(m, 1.02, m, m.Wood, m.MidSpan(0, 500), "round")
	if err != nil {
		t.Fatal(err)
	}
	card, err := stick.CardOf(m, m.MidSpan(0, 500), "2031-03-28", []stick.Fact{{Name: "Lot", Value: name}})
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for kind, write := range map[string]func(*bytes.Buffer) error{
		"plan":    func(b *bytes.Buffer) error { return Plan(b, m, p, 2) },
		"compare": func(b *bytes.Buffer) error { return Compare(b, m, m, c) },
		"work":    func(b *bytes.Buffer) error { return Work(b, m.Stick, m.Scaled(1.02), name, w) },
		"card":    func(b *bytes.Buffer) error { return Card(b, m, card) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		out[kind] = b.String()
	}
	return out
}

// Names come from files: nothing in them may become markup, and no page may ask the
// network.
func TestHostileNames(t *testing.T) {
	for kind, page := range allPages(t, `<script>alert(1)</script>"'&`) {
		if strings.Contains(page, "<script") {
			t.Errorf("%s: a name became markup", kind)
		}
		if regexp.MustCompile(`(src|href)=|url\(|@import`).MatchString(page) {
			t.Errorf("%s: the page asks for something outside itself", kind)
		}
		if strings.Contains(page, "NaN") || strings.Contains(page, "Inf") || strings.Contains(page, "ZgotmplZ") || strings.Contains(page, "%!") {
			t.Errorf("%s: a number or a text went wrong", kind)
		}
	}
}

// Pictures at full size are: each unit is a millimetre, and the sections have the
// diameters they name.
func TestFullSize(t *testing.T) {
	page := allPages(t, "full size")["card"]
	size := regexp.MustCompile(`<svg class="d real" viewBox="0 0 ([\d.]+) ([\d.]+)" width="([\d.]+)mm" height="([\d.]+)mm"`)
	found := size.FindAllStringSubmatch(page, -1)
	if len(found) != 3 {
		t.Fatalf("%d pictures at full size, want side, sections and rule", len(found))
	}
	for _, f := range found {
		if f[1] != f[3] || f[2] != f[4] {
			t.Errorf("scaled picture: %v", f[1:])
		}
		if w, _ := strconv.ParseFloat(f[3], 64); w > paperWidth {
			t.Errorf("%s mm does not fit across the sheet", f[3])
		}
	}
	s := stick.Section{Shape: stick.Egg, Height: 0.008, Width: 0.0076, Widest: 0.45}
	if got, want := outline(s, 10, 20), "M6.2 20.4a3.8 4.4 0 0 1 7.6 0a3.8 3.6 0 0 1 -7.6 0z"; got != want {
		t.Errorf("egg: %s, want %s", got, want)
	}
	if got, want := outline(stick.Section{Shape: stick.Rectangular, Height: 0.014, Width: 0.012}, 10, 20), "M4 13h12v14h-12z"; got != want {
		t.Errorf("rectangle: %s, want %s", got, want)
	}
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		a    axis
		n    int
		want string
	}{
		{axis{0, 4, 0, 1}, 6, "0 1 2 3 4"},
		{axis{-1.1, 1.1, 0, 1}, 4, "−1 −0.5 0 0.5 1"},
		{axis{20, -1, 0, 1}, 4, "0 5 10 15 20"},
		{axis{5.1, 9, 0, 1}, 4, "6 7 8 9"},
	} {
		var got []string
		for _, v := range c.a.ticks(c.n) {
			got = append(got, tick(v))
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%v: %s, want %s", c.a, s, c.want)
		}
	}
	if y := (axis{0, 10, 100, 0}).at(2.5); math.Abs(y-75) > 1e-12 {
		t.Errorf("axis: %g", y)
	}
}

// Every page is well-formed but for what HTML leaves open, and its pictures have words.
func TestPictures(t *testing.T) {
	svg := regexp.MustCompile(`(?s)<svg.*?</svg>`)
	for kind, page := range allPages(t, "a model") {
		list := svg.FindAllString(page, -1)
		if len(list) < 3 {
			t.Errorf("%s: %d pictures", kind, len(list))
		}
		for _, s := range list {
			if err := xml.Unmarshal([]byte(s), new(struct{})); err != nil {
				t.Errorf("%s: %v in %.80s", kind, err, s)
			}
			if !strings.Contains(s, `role="img" aria-label="`) || !strings.Contains(s, "<path") {
				t.Errorf("%s: a picture without words or without lines: %.80s", kind, s)
			}
		}
	}
}
