package report

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ringstock/grading/report/browse"
)

var screenshotsDir = flag.String("screenshots", "", "write screenshots of the invented report into this folder")

// onDisk writes the page to a file and gives its address.
func onDisk(t *testing.T, p Page) string {
	t.Helper()
	var buf bytes.Buffer
	if err := Write(&buf, p); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(path, buf.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return "file://" + path
}

// TestScreenshots draws the invented delivery at three sizes, light and dark:
//
//	go test ./grading/report -run Screenshots -args -screenshots DIR
func TestScreenshots(t *testing.T) {
	if *screenshotsDir == "" {
		t.Skip("no folder given: -args -screenshots DIR")
	}
	if err := os.MkdirAll(*screenshotsDir, 0o755); err != nil {
		t.Fatal(err)
	}
	ctx := browse.Open(t, browse.Options{})
	address := onDisk(t, fakePage(12, 8).Page)
	for _, shot := range []struct {
		name string
		w, h int64
		dark bool
		top  string // selector to begin at; empty for the top of the page
	}{
		{"1280-top", 1280, 800, false, ""},
		{"1280-ranking", 1280, 800, false, "#ranking"},
		{"1280-listen", 1280, 800, false, "#listen"},
		{"1280-blank", 1280, 800, false, "#b1"},
		{"1280-blank-doubts", 1280, 800, true, "#b5"},
		{"1920-top", 1920, 1080, false, ""},
		{"1920-blank", 1920, 1080, true, "#b2"},
		{"phone-top", 390, 844, false, ""},
		{"phone-ranking", 390, 844, true, "#ranking"},
		{"phone-blank", 390, 844, false, "#b1"},
	} {
		browse.Do(t, ctx, browse.View(shot.w, shot.h, shot.dark), chromedp.Navigate(address))
		if shot.top != "" {
			browse.Jump(t, ctx, shot.top)
		}
		browse.Until(t, ctx, unfolded)
		browse.Shot(t, ctx, filepath.Join(*screenshotsDir, shot.name+".png"))
	}
	pdf, _ := browse.Print(t, ctx)
	if err := os.WriteFile(filepath.Join(*screenshotsDir, "report.pdf"), pdf, 0o644); err != nil {
		t.Fatal(err)
	}
}

// unfolded holds once every blank of a page is there in full, which takes some leisure
// after it is opened.
const unfolded = `document.querySelector("article .body > noscript") === null`

func TestInBrowser(t *testing.T) {
	ctx := browse.Open(t, browse.Options{Offline: true})
	requests := browse.Requests(t, ctx)
	page := fakePage(12, 8)
	address := onDisk(t, page.Page)
	open := func(t *testing.T) {
		t.Helper()
		browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate("about:blank"), chromedp.Navigate(address))
		browse.Until(t, ctx, unfolded)
	}

	t.Run("pictures", func(t *testing.T) {
		open(t)
		for _, p := range []struct {
			selector string
			least    float64
		}{{".map", .004}, {".strip", .3}, {"#b1 .score", .05}, {"#b1 .spectrum", .01}, {"#b1 .decay", .005}, {"#b1 .heat", .05}, {"#b1 .taps", .005}, {"#b1 .planes", .005}} {
			browse.Drawn(t, ctx, p.selector, p.least)
		}
	})

	t.Run("sort and filter", func(t *testing.T) {
		open(t)
		const order = `[...document.querySelectorAll(".ranking tbody tr")].filter(r => r.checkVisibility()).map(r => r.dataset.%s)`
		q := func() []string { return browse.Eval[[]string](t, ctx, fmt.Sprintf(order, "f1")) }
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`th[data-key=f1] button`)))
		if got := q(); !slices.IsSortedFunc(got, descending) || len(got) != 12 || got[11] != "" {
			t.Errorf("by Q: %v, want falling with the unknown last", got)
		}
		if got := browse.Eval[string](t, ctx, `document.querySelector("th[data-key=f1]").ariaSort`); got != "descending" {
			t.Errorf("aria-sort is %q", got)
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`th[data-key=f1] button`)))
		if got := q(); !slices.IsSortedFunc(got[:11], func(a, b string) int { return descending(b, a) }) || got[11] != "" {
			t.Errorf("by Q again: %v, want rising with the unknown last", got)
		}
		rows := browse.Eval[[]string](t, ctx, fmt.Sprintf(order, "i"))
		articles := browse.Eval[[]string](t, ctx, `[...document.querySelectorAll("article.blank")].map(a => a.dataset.i)`)
		if !slices.Equal(rows, articles) {
			t.Errorf("rows are in the order %v, blanks in %v", rows, articles)
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`input[value=keep]`)))
		if got := browse.Eval[[]string](t, ctx, fmt.Sprintf(order, "verdict")); slices.Contains(got, "keep") || len(got) == 0 {
			t.Errorf("without keep: %v", got)
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`input[value=keep]`)), chromedp.SendKeys(chromedp.CSS("#find"), "a03"))
		if got := browse.Eval[[]string](t, ctx, fmt.Sprintf(order, "name")); !slices.Equal(got, []string{"A03"}) {
			t.Errorf("finding a03: %v", got)
		}
		if got := browse.Eval[int](t, ctx, `[...document.querySelectorAll("article.blank")].filter(a => a.checkVisibility()).length`); got != 1 {
			t.Errorf("%d blanks below, want 1", got)
		}
		if got := browse.Eval[string](t, ctx, `document.querySelector("#shown").textContent`); got != "1 of 12 blanks" {
			t.Errorf("the page says %q", got)
		}
	})

	t.Run("players have sound", func(t *testing.T) {
		open(t)
		levels := browse.Eval[[]float64](t, ctx, `(async () => {
			const context = new OfflineAudioContext(1, 1, 16000), out = [];
			for (const audio of document.querySelectorAll("audio")) {
				const bytes = Uint8Array.from(atob(audio.src.split(",")[1]), c => c.charCodeAt(0));
				const x = (await context.decodeAudioData(bytes.buffer)).getChannelData(0);
				out.push(Math.sqrt(x.reduce((sum, v) => sum + v * v, 0) / x.length));
			}
			return out;
		})()`)
		if len(levels) != 8 {
			t.Errorf("%d players, want 8", len(levels))
		}
		for i, level := range levels {
			if level < .005 {
				t.Errorf("player %d: RMS %.4f of full scale: silent", i+1, level)
			}
		}
		seconds := browse.Eval[float64](t, ctx, `new Promise((ok, bad) => {
			const audio = document.querySelector("#b1 audio");
			audio.onloadedmetadata = () => ok(audio.duration);
			audio.onerror = () => bad(new Error("the player refuses its sound"));
			audio.preload = "auto"; audio.load();
		})`)
		if seconds < 1 || seconds > 2.1 {
			t.Errorf("the player of blank 1 lasts %.2f s", seconds)
		}
	})

	t.Run("blind comparison", func(t *testing.T) {
		open(t)
		browse.Eval[bool](t, ctx, `localStorage.clear(); true`)
		browse.Do(t, ctx, chromedp.Reload())
		browse.Until(t, ctx, `document.readyState === "complete" && !document.querySelector(".desk").hidden`)
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#draw")))
		seen := browse.Eval[string](t, ctx, `document.querySelector(".listen").innerText`)
		for _, b := range page.Grading.Blanks {
			if strings.Contains(seen, b.Blank) {
				t.Fatalf("a drawn pair shows the name %s before the choice", b.Blank)
			}
		}
		browse.Eval[bool](t, ctx, `made = { gains: [], sources: [] };
			for (const [make, list] of [["createGain", made.gains], ["createBufferSource", made.sources]]) {
				const real = BaseAudioContext.prototype[make];
				BaseAudioContext.prototype[make] = function () { const node = real.call(this); list.push(node); return node; };
			}
			true`)
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#play")))
		browse.Until(t, ctx, `document.querySelector(".tile.on .now")?.textContent === "sounding"`)
		if got := browse.Eval[int](t, ctx, `[...document.querySelectorAll(".tile")].findIndex(t => t.classList.contains("on"))`); got != 0 {
			t.Errorf("tile %d sounds first", got)
		}
		// Each blank has two gains: the first matches its level, the second lets it
		// through.
		levels := browse.Eval[[]float64](t, ctx, `made.sources.map((s, k) => {
			const x = s.buffer.getChannelData(0).subarray(0, Math.round(0.3 * s.buffer.sampleRate));
			return made.gains[2 * k].gain.value * Math.sqrt(x.reduce((sum, v) => sum + v * v, 0) / x.length);
		})`)
		if len(levels) != 2 || levels[0] < .01 || math.Abs(levels[0]/levels[1]-1) > .01 {
			t.Errorf("the two levels are %v, want two equal ones", levels)
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#switch")))
		browse.Until(t, ctx, `made.gains[1].gain.value < 0.01 && made.gains[3].gain.value > 0.99`)
		if same := browse.Eval[bool](t, ctx, `made.sources.length === 2 && made.sources[0].buffer.length === made.sources[1].buffer.length`); !same {
			t.Error("the switch did not leave both sounds running in step")
		}
		if got := browse.Eval[int](t, ctx, `[...document.querySelectorAll(".tile")].findIndex(t => t.classList.contains("on"))`); got != 1 {
			t.Errorf("after the switch tile %d sounds", got)
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`[data-choice="1"]`)))
		told := browse.Eval[string](t, ctx, `document.querySelector("#told").textContent`)
		match := regexp.MustCompile(`^The first was (A\d+), the second (A\d+)\. Noted: (A\d+) preferred to (A\d+)\.$`).FindStringSubmatch(told)
		if match == nil || match[3] != match[2] || match[4] != match[1] {
			t.Fatalf("after the choice the page says %q", told)
		}
		want := fmt.Sprintf("blank,maker_grade,note\n%s,preferred 1 of 1,\"preferred to %s, blind\"\n%s,preferred 0 of 1,\"not preferred to %s, blind\"\n", match[2], match[1], match[1], match[2])
		if got := browse.Eval[string](t, ctx, `document.querySelector("#csv").value`); got != want {
			t.Errorf("the CSV is\n%swant\n%s", got, want)
		}
		if got := browse.Eval[string](t, ctx, `document.querySelector("#save").href`); !strings.HasPrefix(got, "blob:") {
			t.Errorf("the CSV can't be saved: %q", got)
		}
		browse.Do(t, ctx, chromedp.Reload())
		browse.Until(t, ctx, `document.readyState === "complete" && document.querySelector("#csv")?.value.length > 30`)
		if got := browse.Eval[string](t, ctx, `document.querySelector("#csv").value`); got != want {
			t.Errorf("after a reload the choice is lost: %q", got)
		}
	})

	t.Run("all measures", func(t *testing.T) {
		open(t)
		const tables = `[...document.querySelectorAll(".blank details[open] .groups")].filter(g => g.textContent.includes("Loss tangent")).length`
		for want := range 2 { // opened, and closed again
			browse.Eval[bool](t, ctx, `document.querySelector("#b1 summary").click(); true`)
			browse.Until(t, ctx, fmt.Sprint(tables, " === ", 1-want))
		}
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#all")))
		browse.Until(t, ctx, tables+" === 12")
		if _, n := browse.Print(t, ctx); n < 2*12 {
			t.Errorf("12 blanks with all measures open print on %d pages, want two each at least", n)
		}
	})

	t.Run("keyboard", func(t *testing.T) {
		open(t)
		var at []string
		for range 60 {
			browse.Do(t, ctx, chromedp.KeyEvent(kb.Tab))
			at = append(at, browse.Eval[string](t, ctx, `document.activeElement.id || document.activeElement.textContent.trim()`))
		}
		for _, want := range []string{"Skip to the ranking", "find", "sort", "Q", "A01", "first", "second", "play", "blind", "draw"} {
			if !slices.Contains(at, want) {
				t.Errorf("Tab never comes to %q: %q", want, at)
			}
		}
	})

	t.Run("paper", func(t *testing.T) {
		open(t)
		if _, n := browse.Print(t, ctx); n < 12+2 || n > 12+4 {
			t.Errorf("12 blanks print on %d pages, want one each and 2 to 4 more", n)
		}
		browse.Do(t, ctx, chromedp.SendKeys(chromedp.CSS("#find"), "a03"))
		if _, n := browse.Print(t, ctx); n < 3 || n > 4 {
			t.Errorf("one blank prints on %d pages, want 3 or 4", n)
		}
	})

	t.Run("without script", func(t *testing.T) {
		browse.Do(t, ctx, browse.Scripts(false), chromedp.Navigate(address))
		browse.Drawn(t, ctx, "#b1 .spectrum", .01)
		browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#b1 summary")))
		browse.Drawn(t, ctx, "#b1 .groups", .01)
		browse.Do(t, ctx, browse.Scripts(true))
	})

	t.Run("accessible", func(t *testing.T) {
		axe := browse.Axe(t)
		// All of it must be laid out, or the colours of what is off the
		// screen are not looked at.
		browse.Do(t, ctx, chromedp.Navigate(onDisk(t, fakePage(5, 3).Page)))
		browse.Until(t, ctx, unfolded)
		browse.Eval[bool](t, ctx, `for (const a of document.querySelectorAll(".blank")) a.style.contentVisibility = "visible";
			document.querySelector("#all").click(); document.querySelector("#draw").click(); true`)
		browse.Accessible(t, ctx, axe, "report", 200)
	})

	for _, url := range requests() {
		if !strings.HasPrefix(url, "file://") && !strings.HasPrefix(url, "data:") && url != "about:blank" {
			t.Errorf("the page asked for %.100s", url)
		}
	}
	if len(requests()) == 0 {
		t.Error("no request was seen at all, not even the page's own")
	}
}

// A delivery of 300 must be there soon, and in full when it is printed. What is timed is
// only told, for a loaded machine is slow.
func TestLargeDeliveryOpens(t *testing.T) {
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(onDisk(t, fakePage(300, 60).Page)))
	if n := browse.Eval[int](t, ctx, `document.querySelectorAll("article.blank").length`); n != 300 {
		t.Errorf("%d blanks, want 300", n)
	}
	if n := browse.Eval[int](t, ctx, `dispatchEvent(new Event("beforeprint")); document.querySelectorAll(".body dl.lead").length`); n != 300 {
		t.Errorf("%d blanks in full on paper, want 300", n)
	}
	browse.Until(t, ctx, `performance.getEntriesByType("navigation")[0].loadEventEnd > 0`)
	t.Logf("complete after %.0f ms, first painted after %.0f ms",
		browse.Eval[float64](t, ctx, `performance.getEntriesByType("navigation")[0].loadEventEnd`),
		browse.Eval[float64](t, ctx, `performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? -1`))
}

// descending orders numbers from the page, the largest first and the unknown last.
func descending(a, b string) int {
	if a == "" || b == "" {
		return cmp.Compare(len(b), len(a))
	}
	x, _ := strconv.ParseFloat(a, 64)
	y, _ := strconv.ParseFloat(b, 64)
	return cmp.Compare(y, x)
}
