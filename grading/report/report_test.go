package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

func write(t *testing.T, p Page) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := Write(&buf, p); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// elements parses a page as a browser without scripts would, so that nothing of it stays
// text, and lists its elements in order.
func elements(t *testing.T, page []byte) []*html.Node {
	t.Helper()
	root, err := html.ParseWithOptions(bytes.NewReader(page), html.ParseOptionEnableScripting(false))
	if err != nil {
		t.Fatal(err)
	}
	var out []*html.Node
	for n := range root.Descendants() {
		if n.Type == html.ElementNode {
			out = append(out, n)
		}
	}
	return out
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	var out strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			out.WriteString(d.Data)
		}
	}
	return out.String()
}

// checkPage holds what must be true of every page, whatever was put into it.
func checkPage(t *testing.T, page []byte) []*html.Node {
	t.Helper()
	for _, bad := range []string{"ZgotmplZ", "<nil>", "NaN", "%!", "+Inf"} {
		if i := bytes.Index(page, []byte(bad)); i >= 0 {
			t.Errorf("the page holds %q: …%s…", bad, page[max(0, i-60):min(len(page), i+60)])
		}
	}
	all := elements(t, page)
	ids := map[string]bool{}
	for _, n := range all {
		if id := attr(n, "id"); id != "" {
			if ids[id] {
				t.Errorf("id %q is there twice", id)
			}
			ids[id] = true
		}
		if n.Data == "svg" && attr(n, "aria-hidden") == "" && attr(n, "aria-label") == "" {
			t.Errorf("a picture (%s) has no text alternative", attr(n, "class"))
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" {
				t.Errorf("<%s> has the attribute %s=%q", n.Data, a.Key, a.Val)
			}
			if a.Key == "href" || a.Key == "src" {
				if !strings.HasPrefix(a.Val, "#") && !strings.HasPrefix(a.Val, "data:audio/wav;base64,") && !strings.HasPrefix(a.Val, "data:image/png;base64,") {
					t.Errorf("<%s %s> leads out of the page: %.80q", n.Data, a.Key, a.Val)
				}
			}
		}
	}
	for _, n := range all {
		for _, key := range []string{"aria-labelledby", "for"} {
			if to := attr(n, key); to != "" && !ids[to] {
				t.Errorf("<%s %s=%q> refers to nothing", n.Data, key, to)
			}
		}
		if to := attr(n, "href"); n.Data == "a" && strings.HasPrefix(to, "#") && !ids[to[1:]] {
			t.Errorf("a link leads to %q, which is not there", to)
		}
	}
	for what, want := range map[string]string{"script": script, "style": style} {
		if got := count1(t, all, what); text(got) != want {
			t.Errorf("<%s> is not the embedded one", what)
		}
	}
	return all
}

func count1(t *testing.T, all []*html.Node, name string) *html.Node {
	t.Helper()
	var found []*html.Node
	for _, n := range all {
		if n.Data == name {
			found = append(found, n)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d <%s> elements, want one", len(found), name)
	}
	return found[0]
}

func TestWholePage(t *testing.T) {
	all := checkPage(t, write(t, fakePage(12, 8).Page))
	n := map[string]int{}
	for _, e := range all {
		n[e.Data]++
		for _, c := range strings.Fields(attr(e, "class")) {
			n["."+c]++
		}
	}
	// The worst blank is unread: it has no recording to draw.
	for what, want := range map[string]int{"article": 12, "audio": 8, "h1": 1, ".map": 1, ".spectrum": 11, ".decay": 11, ".heat": 11, ".taps": 11, "main": 1} {
		if n[what] != want {
			t.Errorf("%d of %s, want %d", n[what], what, want)
		}
	}
}

// The policy must let exactly the embedded style and script through, or a
// browser shows a bare page.
func TestPolicyLetsOwnScriptThrough(t *testing.T) {
	all := elements(t, write(t, fakePage(1, 0).Page))
	var policy string
	for _, n := range all {
		if attr(n, "http-equiv") == "Content-Security-Policy" {
			policy = attr(n, "content")
		}
	}
	if !strings.Contains(policy, "default-src 'none'") {
		t.Errorf("policy %q does not begin from nothing", policy)
	}
	for _, name := range []string{"script", "style"} {
		sum := sha256.Sum256([]byte(text(count1(t, all, name))))
		want := name + "-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
		if !strings.Contains(policy, want) {
			t.Errorf("policy %q lacks %s", policy, want)
		}
	}
}

func TestHostileNames(t *testing.T) {
	hostile := []string{
		`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' onmouseover='alert(1)`, `</title></style></script><b>`,
		"javascript:alert(1)", "{{.Grading}}", "\u202Egnp.evil", "אגוז 12", "a\nb\tc", strings.Repeat("long ", 200), "&lt;&amp;", "`${1}`",
	}
	p := fakePage(len(hostile), len(hostile))
	taps := p.Taps
	portraits := p.Portraits
	p.Portraits, p.Taps = map[string]spectrum.Portrait{}, map[string][]spectrum.TapResult{}
	for i, name := range hostile {
		b := &p.Grading.Blanks[i]
		p.Portraits[name], p.Taps[name] = portraits[b.Blank], taps[b.Blank]
		b.Blank = name
		b.Row.Species, b.Row.Supplier, b.Row.Lot, b.Row.Note, b.Row.MakerGrade, b.Row.Currency = name, name, name, name, name, name
		b.Reasons, b.Missing = []string{name}, []string{name}
		b.Warnings = []capture.Warning{{Code: name, Text: name}}
		b.Wood.SpecificModulusFrom = name
		b.Wood.Density = measure.Unknown(name)
		for k := range b.Parts {
			b.Parts[k].Name, b.Parts[k].Unit = name, name
		}
		if b.Ring != nil && len(b.Ring.Partials) > 0 {
			b.Ring.Partials[0].Family, b.Ring.FundamentalFrom = spectrum.Family(name), name
		}
		if i%2 == 0 {
			b.Verdict = grading.Verdict(name)
		}
	}
	p.Grading.Delivery, p.Grading.Profile, p.Grading.Method, p.Grading.Settings.Name = hostile[0], hostile[1], hostile[3], hostile[0]
	p.Grading.Unused = []grading.Unused{{File: hostile[0], Reason: hostile[1]}}

	all := checkPage(t, write(t, p.Page))
	var names []string
	for _, n := range all {
		if n.Data == "img" || n.Data == "b" && text(n) == "" && attr(n, "class") == "" && n.FirstChild == nil {
			t.Errorf("a name became the element <%s>", n.Data)
		}
		if n.Data == "h3" && strings.HasPrefix(attr(n, "id"), "t") {
			names = append(names, text(n))
		}
	}
	if !slices.Equal(names, hostile) {
		t.Errorf("names came out changed:\n got %q\nwant %q", names, hostile)
	}
}

func TestUnknownShowsItsReason(t *testing.T) {
	p := fakePage(3, 0)
	b := &p.Grading.Blanks[0]
	b.Wood.SpecificModulus = measure.Unknown("why-modulus: height_mm is empty")
	b.Wood.ShearModulus = measure.Unknown("why-shear: needs taps on the other face")
	b.Score = measure.Unknown("why-score: too little is known")
	b.Ring.PurityPct = measure.Unknown("why-purity: under 530 ms long")
	b.Ring.DriftCents = measure.Unknown("")
	b.Wood.MeasureNext = "measure-next: record end taps"
	b.Wood.Assumptions = []string{"assumed: moisture 12 %"}
	b.Wood.HoldAtMM = []float64{167.4, 581.2}
	p.Grading.Notes = []string{"noted-for-all"}
	b.Parts[0].Value = measure.Unknown("why-part: no taps")
	for _, n := range checkPage(t, write(t, p.Page)) {
		if n.Data == "main" && !strings.Contains(text(n), "noted-for-all") {
			t.Error("the notes on the delivery are not shown")
		}
		if attr(n, "id") != "b1" {
			continue
		}
		got := text(n)
		for _, want := range []string{"why-modulus", "why-shear", "why-score", "why-purity", "why-part", "not known", "measure-next", "assumed: moisture", "167 and 581 mm"} {
			if !strings.Contains(got, want) {
				t.Errorf("blank 1 does not say %q", want)
			}
		}
	}
}

func TestNumbersCarryTheirUncertainty(t *testing.T) {
	p := fakePage(2, 0)
	p.Grading.Blanks[0].Wood.Density = measure.Of(1043.21, 4.4)
	page := string(write(t, p.Page))
	if !strings.Contains(page, "<b>1043</b> <i>kg/m³</i><small>± 4</small>") {
		t.Error("the density of blank 1 is not shown as 1043 ± 4 kg/m³")
	}
}

func TestSparsePages(t *testing.T) {
	none := Page{}
	one := Page{Grading: grading.Grading{Blanks: []grading.Blank{{Blank: "1"}}}}
	bare := fakePage(5, 2)
	bare.Portraits, bare.Taps = nil, nil
	for i := range bare.Grading.Blanks {
		b := &bare.Grading.Blanks[i]
		b.Ring, b.WidthRing, b.EndRing, b.Parts, b.Reasons = nil, nil, nil, nil, nil
	}
	same := fakePage(4, 1)
	for i := range same.Grading.Blanks {
		same.Grading.Blanks[i].Wood.Density = measure.Of(1000, 0)
		same.Grading.Blanks[i].Wood.SpecificModulus = measure.Of(22, 0)
	}
	broken := fakePage(3, 3)
	nan, inf := math.NaN(), math.Inf(1)
	for name, q := range broken.Portraits {
		q.Spectrum[3] = spectrum.Point{X: nan, Y: inf}
		q.Spectrum[4] = spectrum.Point{X: -5, Y: nan}
		q.Decay[2].Y, q.Fit = nan, nil
		q.FloorDB = -inf
		q.Floor = []spectrum.Point{{X: inf, Y: nan}}
		q.Heat[1][3] = float32(nan)
		q.Heat[2][3] = float32(inf)
		if len(q.Clip) > 0 {
			q.Clip[7] = nan
		}
		broken.Portraits[name] = q
	}
	ragged := fakePage(2, 0)
	for name, q := range ragged.Portraits {
		q.Heat[3] = q.Heat[3][:4]
		q.Spectrum, q.Decay = q.Spectrum[:1], q.Decay[:1]
		ragged.Portraits[name] = q
	}
	wild := fakePage(6, 0)
	wild.Grading.Blanks[1].Wood.Density = measure.Of(1e300, 1e299)
	wild.Grading.Blanks[2].Wood.SpecificModulus = measure.Of(-3, 1)
	wild.Grading.Blanks[3].Rank, wild.Grading.Blanks[3].RankLow, wild.Grading.Blanks[3].RankHigh = 0, -4, 900
	wild.Grading.Blanks[4].Score = measure.Of(5000, 400)
	for name, page := range map[string]Page{"none": none, "one": one, "bare": bare.Page, "same place": same.Page, "broken curves": broken.Page, "ragged": ragged.Page, "wild": wild.Page} {
		t.Run(name, func(t *testing.T) { checkPage(t, write(t, page)) })
	}
}

func TestNoneQualifies(t *testing.T) {
	p := fakePage(6, 0)
	p.Grading.Qualified = 0
	if page := string(write(t, p.Page)); !strings.Contains(page, "None of 6 qualifies.") {
		t.Error("the page does not say that none of 6 qualifies")
	}
}

func TestEqualPagesGiveEqualBytes(t *testing.T) {
	first := write(t, fakePage(9, 3).Page)
	for range 3 {
		if !bytes.Equal(first, write(t, fakePage(9, 3).Page)) {
			t.Fatal("two equal pages differ")
		}
	}
}

// 300 blanks stay under 25 MB even when someone hands over sound for all of them.
func TestSizeOfALargeDelivery(t *testing.T) {
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("300 blanks with their sound: only with RINGSTOCK_SLOW=1")
	}
	page := write(t, fakePage(300, 300).Page)
	if mb := float64(len(page)) / 1e6; mb > 25 {
		t.Errorf("300 blanks make %.1f MB, want under 25", mb)
	} else {
		t.Logf("300 blanks make %.1f MB", mb)
	}
	players := strings.Count(string(page), "<audio ")
	if players < 50 || players == 300 {
		t.Errorf("%d players: the sound budget should keep the best fifty and more, not all", players)
	}
}

func TestClipIsPlainMonoWAV(t *testing.T) {
	const rate = 16000
	samples := make([]float64, 3*rate)
	for i := range samples {
		samples[i] = 0.5 * math.Sin(float64(i)/9)
	}
	address, err := clip(spectrum.Portrait{Clip: samples, ClipRate: rate})
	if err != nil {
		t.Fatal(err)
	}
	raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(string(address), "data:audio/wav;base64,"))
	if err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	// Offsets of the canonical RIFF/WAVE header: Microsoft & IBM, Multimedia Programming
	// Interface 1.0 (1991).
	if string(raw[:4]) != "RIFF" || string(raw[8:16]) != "WAVEfmt " || le.Uint16(raw[20:]) != 1 || le.Uint16(raw[22:]) != 1 ||
		le.Uint32(raw[24:]) != rate || le.Uint16(raw[34:]) != 16 || int(le.Uint32(raw[4:])) != len(raw)-8 {
		t.Fatalf("header % x is not that of 16-bit mono PCM", raw[:44])
	}
	if n := (len(raw) - 44) / 2; n != 2*rate {
		t.Errorf("%d samples, want 2 s", n)
	}
	if last := int16(le.Uint16(raw[len(raw)-2:])); last != 0 {
		t.Errorf("a clip that was cut ends at %d, want a fade to 0", last)
	}
	if first := int16(le.Uint16(raw[44+2*9:])); math.Abs(float64(first)-32767*samples[9]) > 1 {
		t.Errorf("sample 9 is %d, want %.0f", first, 32767*samples[9])
	}
}

// A thinned curve keeps the extremes of every column and never leaves the field.
func TestCurveKeepsExtremes(t *testing.T) {
	var points []spectrum.Point
	for i := range 20000 {
		points = append(points, spectrum.Point{X: float64(i), Y: -40 + 20*math.Sin(float64(i)/300)})
	}
	points[7777].Y, points[12345].Y, points[500].Y = 0, -90, 400
	x, y := axis{lo: 0, hi: 19999, from: 0, to: 400}, axis{lo: -100, hi: 10, from: 200, to: 0}
	d := curve(points, x, y)
	var px, py float64
	low, high, n := math.Inf(1), math.Inf(-1), 0
	for i, m := range regexp.MustCompile(`-?[0-9.]+`).FindAllString(d, -1) {
		v := number(t, m)
		switch {
		case i == 0:
			px = v
		case i == 1:
			py = v
		case i%2 == 0:
			px += v
		default:
			py += v
		}
		if i%2 == 1 {
			low, high, n = math.Min(low, py), math.Max(high, py), n+1
		}
		if px < -0.2 || px > 400.2 || py < -0.2 || py > 200.2 {
			t.Fatalf("the curve leaves its field at %.1f, %.1f", px, py)
		}
	}
	if n > 802 {
		t.Errorf("%d points for 400 columns, want two a column at most", n)
	}
	if math.Abs(high-y.at(-90)) > 0.2 || math.Abs(low-y.at(10)) > 0.2 {
		t.Errorf("drawn from %.1f to %.1f px, want %.1f to %.1f: a peak was lost", low, high, y.at(10), y.at(-90))
	}
}

func TestTicksAreRoundAndInside(t *testing.T) {
	for _, a := range []axis{{lo: 0, hi: 1}, {lo: 983, hi: 1127}, {lo: -0.31, hi: 0.44}, {lo: 20, hi: 20000, log: true}, {lo: 21.2, hi: 21.4}} {
		ticks := a.ticks(7)
		if len(ticks) < 2 || !a.log && len(ticks) > 8 {
			t.Errorf("axis %v: ticks %v", a, ticks)
		}
		for _, v := range ticks {
			if v < a.lo-1e-9 || v > a.hi+1e-9 {
				t.Errorf("axis %v: tick %v lies outside", a, v)
			}
			if s := tick(v); len(s) > 7 {
				t.Errorf("axis %v: tick %q is not round", a, s)
			}
		}
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
