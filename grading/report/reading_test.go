package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/grading"
	"ringstock/grading/report/browse"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Whichever blank is chosen, it is that one's section that comes to the top, also where
// hundreds before it have no height yet, and it stays there while they get theirs.
func TestChosenBlankIsShown(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), browse.Media(map[string]string{"prefers-reduced-motion": "no-preference"}),
		chromedp.Navigate(onDisk(t, fakePage(300, 8).Page)))
	const atTop = `document.elementFromPoint(640, 60)?.closest("article")?.dataset.i ?? "none"`
	for _, i := range []string{"40", "150", "299", "7"} {
		browse.Eval[bool](t, ctx, fmt.Sprintf(`document.querySelector('.ranking tr[data-i="%s"] a').click(); true`, i))
		browse.Until(t, ctx, fmt.Sprintf(`%s === %q`, atTop, i))
	}
	browse.Until(t, ctx, unfolded)
	if got := browse.Eval[string](t, ctx, `new Promise(ok => setTimeout(() => ok(`+atTop+`), 300))`); got != "7" {
		t.Errorf("after all sections got their height, that of blank %s is at the top, want 7", got)
	}
	// From there to the next and the one before, as they are sorted.
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`#b7 [rel=next]`)))
	browse.Until(t, ctx, atTop+` === "8"`)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`#b8 [rel=prev]`)))
	browse.Until(t, ctx, atTop+` === "7"`)
}

// A ring that has sunk into the noise long before the picture ends: the fitted line falls
// as steeply as is said, and ends at the picture's edge.
func TestFitOfShortRing(t *testing.T) {
	page := fakePage(1, 0)
	b := page.Grading.Blanks[0]
	const t60 = .84
	b.Ring.Fundamental.T60S = measure.Of(t60, .01)
	portrait := spectrum.Portrait{FloorDB: -38, Fit: []spectrum.Point{{X: 0, Y: 0}, {X: 1.6, Y: -60 * 1.6 / t60}}}
	for s := 0.0; s <= 1.6; s += .01 {
		portrait.Decay = append(portrait.Decay, spectrum.Point{X: s, Y: math.Max(-37, -60*s/t60)})
	}
	p := decayPicture(b, portrait)
	var ticksX, ticksY []float64 // pixels and values
	fit := ""
	for _, m := range p.Marks {
		if m.Kind == "path" && m.Class == "fit" {
			fit = m.D
		}
		if m.Kind == "text" && m.Class == "num" {
			v, err := strconv.ParseFloat(strings.Replace(m.Text, "−", "-", 1), 64)
			if err != nil {
				continue
			}
			if m.Anchor == "middle" {
				ticksX = append(ticksX, float64(m.X), v)
			} else {
				ticksY = append(ticksY, float64(m.Y)-4, v)
			}
		}
	}
	match := regexp.MustCompile(`^M([\d.]+) ([\d.]+)l([\d.-]+?)[ ]?(-?[\d.]+)$`).FindStringSubmatch(fit)
	if match == nil {
		t.Fatalf("the fit is not one straight line: %q", fit)
	}
	var steps [4]float64
	for i := range steps {
		steps[i], _ = strconv.ParseFloat(match[i+1], 64)
	}
	scale := func(ticks []float64) float64 {
		n := len(ticks)
		return (ticks[n-1] - ticks[1]) / (ticks[n-2] - ticks[0])
	}
	got := -60 / (steps[3] * scale(ticksY) / (steps[2] * scale(ticksX)))
	if math.Abs(got-t60) > .01 {
		t.Errorf("the line falls by 60 dB in %.2f s, the ring in %.2f s", got, t60)
	}
}

// On A4 no table reaches into another, nothing is cut, and the ranking
// prints without the rest.
func TestPaper(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(onDisk(t, fakePage(24, 2).Page)))
	browse.Until(t, ctx, unfolded)
	if _, n := browse.Print(t, ctx); n < 24 {
		t.Errorf("24 blanks print on %d pages", n)
	}
	browse.Eval[bool](t, ctx, `printed = 0; window.print = () => { dispatchEvent(new Event("beforeprint")); printed = getComputedStyle(document.querySelector(".blanks")).display; }; document.querySelector("#print-ranking").click(); true`)
	if _, n := browse.Print(t, ctx); n > 3 {
		t.Errorf("the ranking of 24 blanks alone prints on %d pages, want 3 at most", n)
	}
	browse.Eval[bool](t, ctx, `dispatchEvent(new Event("afterprint")); true`)
	if _, n := browse.Print(t, ctx); n < 24 {
		t.Errorf("after that 24 blanks print on %d pages", n)
	}
	browse.Eval[bool](t, ctx, `document.querySelector("#all").click(); true`)
	browse.Do(t, ctx, browse.Paper())
	browse.Readable(t, ctx, "A4")
}

// On every screen all can be read or scrolled to.
func TestScreens(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(onDisk(t, fakePage(12, 4).Page)))
	browse.Until(t, ctx, unfolded)
	browse.Eval[bool](t, ctx, `document.querySelector("#all").click(); for (const a of document.querySelectorAll(".blank")) a.style.contentVisibility = "visible"; true`)
	for _, s := range [][2]int64{{1366, 768}, {1280, 720}, {390, 844}, {320, 640}} {
		browse.Do(t, ctx, browse.View(s[0], s[1], false))
		browse.Readable(t, ctx, fmt.Sprint(s))
	}
}

// Figures of a column stand with their points under one another.
func TestDecimalsLineUp(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	page := fakePage(12, 0)
	for i := range page.Grading.Blanks { // values of very different certainty
		b := &page.Grading.Blanks[i]
		if b.Ring != nil {
			b.Ring.Fundamental.Q = measure.Of(180+float64(i), []float64{.04, 1.2, 23}[i%3])
			b.Ring.Fundamental.Hz = measure.Of(98+float64(i), []float64{.002, .05, 1.2}[i%3])
		}
	}
	browse.Do(t, ctx, browse.View(1600, 900, false), chromedp.Navigate(onDisk(t, page.Page)))
	for column := 6; column <= 10; column++ {
		spread := browse.Eval[float64](t, ctx, fmt.Sprintf(`(() => {
			const at = [];
			for (const td of document.querySelectorAll(".ranking tbody td:nth-child(%d)")) {
				const text = document.createTreeWalker(td, NodeFilter.SHOW_TEXT).nextNode(), m = /\d+/.exec(text?.data);
				if (!m) continue;
				const range = document.createRange();
				range.setStart(text, m.index); range.setEnd(text, m.index + m[0].length);
				at.push(range.getBoundingClientRect().right);
			}
			return at.length < 5 ? 1e6 : Math.max(...at) - Math.min(...at);
		})()`, column))
		if spread > 1 {
			t.Errorf("column %d: the decimal points are spread over %.1f px", column, spread)
		}
	}
}

// The head of the ranking stays in sight, and the map and the table are two
// views of one choice.
func TestMapAndTableAreLinked(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(onDisk(t, fakePage(60, 0).Page)))
	browse.Eval[bool](t, ctx, `document.querySelector('.ranking tr[data-i="45"]').scrollIntoView({block: "center"}); true`)
	if y := browse.Eval[float64](t, ctx, `document.querySelector(".ranking thead th").getBoundingClientRect().top`); y < -1 || y > 60 {
		t.Errorf("in the middle of the ranking its head is at %.0f px", y)
	}
	// By keyboard: one stop of Tab, arrows from point to point, Enter opens the blank.
	if n := browse.Eval[int](t, ctx, `document.querySelectorAll(".map .spot[tabindex='0']").length`); n != 1 {
		t.Fatalf("%d points can be reached by Tab, want 1", n)
	}
	browse.Eval[bool](t, ctx, `document.querySelector(".map .spot[tabindex='0']").focus(); true`)
	first := browse.Eval[string](t, ctx, `document.activeElement.dataset.i`)
	browse.Press(t, ctx, "ArrowRight")
	second := browse.Eval[string](t, ctx, `document.activeElement.dataset.i ?? ""`)
	if second == "" || second == first {
		t.Fatalf("the arrow leads from point %s to %q", first, second)
	}
	if lit := browse.Eval[string](t, ctx, `document.querySelector(".ranking tr.lit")?.dataset.i ?? "none"`); lit != second {
		t.Errorf("the row of blank %s is lit, the point is that of %s", lit, second)
	}
	browse.Press(t, ctx, "Enter")
	browse.Until(t, ctx, fmt.Sprintf(`document.elementFromPoint(640, 60)?.closest("article")?.dataset.i === %q`, second))
}

// The limits of the profile stand in the map.
func TestLimitsAreDrawn(t *testing.T) {
	page := fakePage(12, 0)
	low, high, sm := 1010.0, 1300.0, 21.5
	page.Grading.Settings.Properties = map[string]grading.Criterion{
		"density_kg_m3":          {Weight: 1, LimitLow: &low, Target: 1080, LimitHigh: &high},
		"specific_modulus_mj_kg": {Weight: 1, LimitLow: &sm, Target: 25},
	}
	html := string(write(t, page.Page))
	for _, want := range []string{"limit 1010", "limit 21.5"} {
		if !strings.Contains(html, want) {
			t.Errorf("the map does not show %q", want)
		}
	}
	if strings.Contains(html, "limit 1300") {
		t.Error("a limit off the map is drawn")
	}
}

// What is said of the picture of loudness is true on white, on black and on paper: its
// colour is one hue, the fuller the louder.
func TestLouderIsFuller(t *testing.T) {
	if html := string(write(t, fakePage(2, 0).Page)); strings.Contains(html, "darker") || !strings.Contains(html, "the fuller the colour, the louder") {
		t.Error("the picture over time is explained by its darkness, which is wrong on a dark page")
	}
}

// Two blanks stand side by side with all their pictures and figures.
func TestSideBySide(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(onDisk(t, fakePage(12, 2).Page)))
	browse.Eval[bool](t, ctx, `document.querySelector("#left").value = "2"; document.querySelector("#right").value = "5";
		document.querySelector("#right").dispatchEvent(new Event("change", {bubbles: true})); true`)
	browse.Until(t, ctx, `document.querySelectorAll("#pair .half .decay").length === 2`)
	names := browse.Eval[[]string](t, ctx, `[...document.querySelectorAll("#pair .half h3")].map(h => h.textContent)`)
	want := browse.Eval[[]string](t, ctx, `[2, 5].map(i => document.querySelector("#t" + i).textContent)`)
	if len(names) != 2 || names[0] != want[0] || names[1] != want[1] {
		t.Errorf("side by side are %q, want %q", names, want)
	}
	if n := browse.Eval[int](t, ctx, `[...document.querySelectorAll("[id]")].length - new Set([...document.querySelectorAll("[id]")].map(e => e.id)).size`); n != 0 {
		t.Errorf("%d ids are there twice", n)
	}
	if tops := browse.Eval[[]float64](t, ctx, `[...document.querySelectorAll("#pair .half")].map(h => h.getBoundingClientRect().top)`); math.Abs(tops[0]-tops[1]) > 1 {
		t.Error("the two do not stand side by side")
	}
}
