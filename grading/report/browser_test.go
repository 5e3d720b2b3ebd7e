package report

import (
	"bytes"
	"cmp"
	"context"
	"flag"
	"fmt"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

var screenshotsDir = flag.String("screenshots", "", "write screenshots of the invented report into this folder")

// browser starts a Chromium for one test, or skips the test where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	binary := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			binary = path
			break
		}
	}
	if binary == "" {
		t.Skip("no Chromium on this machine: on Debian, apt-get install chromium")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(binary), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("hide-scrollbars", true))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 3*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

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
	ctx := browser(t)
	address := onDisk(t, fakePage(12, 8))
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
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(shot.w, shot.h), scheme(shot.dark), chromedp.Navigate(address)); err != nil {
			t.Fatal(err)
		}
		if shot.top != "" {
			jump := fmt.Sprintf("document.documentElement.style.scrollBehavior='auto'; document.querySelector(%q).scrollIntoView(); true", shot.top)
			if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](jump)); err != nil {
				t.Fatal(err)
			}
			if err := chromedp.Do(ctx, chromedp.Sleep(300*time.Millisecond)); err != nil {
				t.Fatal(err)
			}
			if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](jump)); err != nil {
				t.Fatal(err)
			}
		}
		if err := chromedp.Do(ctx, chromedp.Sleep(300*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(*screenshotsDir, shot.name+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*screenshotsDir, "report.pdf"), pdf, 0o644); err != nil {
		t.Fatal(err)
	}
}

// eval runs a script in the page; a promise is awaited.
func eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%v\nin %s", err, js)
	}
	return v
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// waitFor polls the page until the expression is true.
func waitFor(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	for range 200 {
		if eval[bool](t, ctx, js) {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("never true: %s", js)
}

func TestInBrowser(t *testing.T) {
	ctx := browser(t)
	var mu sync.Mutex
	var requests, complaints []string
	if err := chromedp.Listen(ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch ev := ev.(type) {
		case *network.EventRequestWillBeSent:
			requests = append(requests, ev.Request.URL)
		case *runtime.EventExceptionThrown:
			complaints = append(complaints, fmt.Sprint(ev.ExceptionDetails.Text, " ", ev.ExceptionDetails.LineNumber))
		case *log.EventEntryAdded:
			complaints = append(complaints, ev.Entry.Text)
		}
	}); err != nil {
		t.Fatal(err)
	}
	page := fakePage(12, 8)
	address := onDisk(t, page)
	open := func(t *testing.T) {
		t.Helper()
		do(t, ctx, chromedp.EmulateViewport(1280, 800), scheme(false), chromedp.Navigate("about:blank"), chromedp.Navigate(address))
	}

	t.Run("pictures", func(t *testing.T) {
		open(t)
		for _, p := range []struct {
			selector string
			least    float64
		}{{".map", .004}, {".strip", .3}, {"#b1 .score", .05}, {"#b1 .spectrum", .01}, {"#b1 .decay", .005}, {"#b1 .heat", .05}, {"#b1 .taps", .005}, {"#b1 .planes", .005}} {
			checkDrawn(t, ctx, p.selector, p.least)
		}
	})

	t.Run("sort and filter", func(t *testing.T) {
		open(t)
		const order = `[...document.querySelectorAll(".ranking tbody tr")].filter(r => r.checkVisibility()).map(r => r.dataset.%s)`
		q := func() []string { return eval[[]string](t, ctx, fmt.Sprintf(order, "f1")) }
		do(t, ctx, chromedp.Click(chromedp.CSS(`th[data-key=f1] button`)))
		if got := q(); !slices.IsSortedFunc(got, descending) || len(got) != 12 || got[11] != "" {
			t.Errorf("by Q: %v, want falling with the unknown last", got)
		}
		if got := eval[string](t, ctx, `document.querySelector("th[data-key=f1]").ariaSort`); got != "descending" {
			t.Errorf("aria-sort is %q", got)
		}
		do(t, ctx, chromedp.Click(chromedp.CSS(`th[data-key=f1] button`)))
		if got := q(); !slices.IsSortedFunc(got[:11], func(a, b string) int { return descending(b, a) }) || got[11] != "" {
			t.Errorf("by Q again: %v, want rising with the unknown last", got)
		}
		rows := eval[[]string](t, ctx, fmt.Sprintf(order, "i"))
		articles := eval[[]string](t, ctx, `[...document.querySelectorAll("article.blank")].map(a => a.dataset.i)`)
		if !slices.Equal(rows, articles) {
			t.Errorf("rows are in the order %v, blanks in %v", rows, articles)
		}
		do(t, ctx, chromedp.Click(chromedp.CSS(`input[value=keep]`)))
		if got := eval[[]string](t, ctx, fmt.Sprintf(order, "verdict")); slices.Contains(got, "keep") || len(got) == 0 {
			t.Errorf("without keep: %v", got)
		}
		do(t, ctx, chromedp.Click(chromedp.CSS(`input[value=keep]`)), chromedp.SendKeys(chromedp.CSS("#find"), "a03"))
		if got := eval[[]string](t, ctx, fmt.Sprintf(order, "name")); !slices.Equal(got, []string{"A03"}) {
			t.Errorf("finding a03: %v", got)
		}
		if got := eval[int](t, ctx, `[...document.querySelectorAll("article.blank")].filter(a => a.checkVisibility()).length`); got != 1 {
			t.Errorf("%d blanks below, want 1", got)
		}
		if got := eval[string](t, ctx, `document.querySelector("#shown").textContent`); got != "1 of 12 blanks" {
			t.Errorf("the page says %q", got)
		}
	})

	t.Run("players have sound", func(t *testing.T) {
		open(t)
		levels := eval[[]float64](t, ctx, `(async () => {
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
		seconds := eval[float64](t, ctx, `new Promise((ok, bad) => {
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
		eval[bool](t, ctx, `localStorage.clear(); true`)
		do(t, ctx, chromedp.Reload())
		waitFor(t, ctx, `document.readyState === "complete" && !document.querySelector(".desk").hidden`)
		do(t, ctx, chromedp.Click(chromedp.CSS("#draw")))
		seen := eval[string](t, ctx, `document.querySelector(".listen").innerText`)
		for _, b := range page.Grading.Blanks {
			if strings.Contains(seen, b.Blank) {
				t.Fatalf("a drawn pair shows the name %s before the choice", b.Blank)
			}
		}
		eval[bool](t, ctx, `made = { gains: [], sources: [] };
			for (const [make, list] of [["createGain", made.gains], ["createBufferSource", made.sources]]) {
				const real = BaseAudioContext.prototype[make];
				BaseAudioContext.prototype[make] = function () { const node = real.call(this); list.push(node); return node; };
			}
			true`)
		do(t, ctx, chromedp.Click(chromedp.CSS("#play")))
		waitFor(t, ctx, `document.querySelector(".tile.on .now")?.textContent === "sounding"`)
		if got := eval[int](t, ctx, `[...document.querySelectorAll(".tile")].findIndex(t => t.classList.contains("on"))`); got != 0 {
			t.Errorf("tile %d sounds first", got)
		}
		// Each blank has two gains: the first matches its level, the second lets it through.
		levels := eval[[]float64](t, ctx, `made.sources.map((s, k) => {
			const x = s.buffer.getChannelData(0).subarray(0, Math.round(0.3 * s.buffer.sampleRate));
			return made.gains[2 * k].gain.value * Math.sqrt(x.reduce((sum, v) => sum + v * v, 0) / x.length);
		})`)
		if len(levels) != 2 || levels[0] < .01 || math.Abs(levels[0]/levels[1]-1) > .01 {
			t.Errorf("the two levels are %v, want two equal ones", levels)
		}
		do(t, ctx, chromedp.Click(chromedp.CSS("#switch")))
		waitFor(t, ctx, `made.gains[1].gain.value < 0.01 && made.gains[3].gain.value > 0.99`)
		if same := eval[bool](t, ctx, `made.sources.length === 2 && made.sources[0].buffer.length === made.sources[1].buffer.length`); !same {
			t.Error("the switch did not leave both sounds running in step")
		}
		if got := eval[int](t, ctx, `[...document.querySelectorAll(".tile")].findIndex(t => t.classList.contains("on"))`); got != 1 {
			t.Errorf("after the switch tile %d sounds", got)
		}
		do(t, ctx, chromedp.Click(chromedp.CSS(`[data-choice="1"]`)))
		told := eval[string](t, ctx, `document.querySelector("#told").textContent`)
		match := regexp.MustCompile(`^The first was (A\d+), the second (A\d+)\. Noted: (A\d+) preferred to (A\d+)\.$`).FindStringSubmatch(told)
		if match == nil || match[3] != match[2] || match[4] != match[1] {
			t.Fatalf("after the choice the page says %q", told)
		}
		want := fmt.Sprintf("blank,maker_grade,note\n%s,preferred 1 of 1,\"preferred to %s, blind\"\n%s,preferred 0 of 1,\"not preferred to %s, blind\"\n", match[2], match[1], match[1], match[2])
		if got := eval[string](t, ctx, `document.querySelector("#csv").value`); got != want {
			t.Errorf("the CSV is\n%swant\n%s", got, want)
		}
		if got := eval[string](t, ctx, `document.querySelector("#save").href`); !strings.HasPrefix(got, "blob:") {
			t.Errorf("the CSV can't be saved: %q", got)
		}
		do(t, ctx, chromedp.Reload())
		waitFor(t, ctx, `document.readyState === "complete" && document.querySelector("#csv")?.value.length > 30`)
		if got := eval[string](t, ctx, `document.querySelector("#csv").value`); got != want {
			t.Errorf("after a reload the choice is lost: %q", got)
		}
	})

	t.Run("keyboard", func(t *testing.T) {
		open(t)
		var at []string
		for range 60 {
			do(t, ctx, chromedp.KeyEvent(kb.Tab))
			at = append(at, eval[string](t, ctx, `document.activeElement.id || document.activeElement.textContent.trim()`))
		}
		for _, want := range []string{"Skip to the ranking", "find", "sort", "Q", "A01", "first", "second", "play", "blind", "draw"} {
			if !slices.Contains(at, want) {
				t.Errorf("Tab never comes to %q: %q", want, at)
			}
		}
	})

	t.Run("paper", func(t *testing.T) {
		open(t)
		if n := pages(t, ctx); n < 12+2 || n > 12+4 {
			t.Errorf("12 blanks print on %d pages, want one each and 2 to 4 more", n)
		}
		do(t, ctx, chromedp.SendKeys(chromedp.CSS("#find"), "a03"))
		if n := pages(t, ctx); n < 3 || n > 4 {
			t.Errorf("one blank prints on %d pages, want 3 or 4", n)
		}
	})

	t.Run("without script", func(t *testing.T) {
		do(t, ctx, scripts(false))
		open(t)
		checkDrawn(t, ctx, "#b1 .spectrum", .01)
		do(t, ctx, scripts(true))
	})

	t.Run("accessible", func(t *testing.T) {
		path := os.Getenv("RINGSTOCK_AXE")
		if path == "" {
			t.Skip("RINGSTOCK_AXE does not name axe.min.js of the npm package axe-core")
		}
		axe, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		few := onDisk(t, fakePage(5, 3))
		for _, view := range []struct {
			name string
			dark bool
			w    int64
		}{{"light", false, 1280}, {"dark", true, 1280}, {"phone", false, 390}} {
			t.Run(view.name, func(t *testing.T) {
				do(t, ctx, chromedp.EmulateViewport(view.w, 800), scheme(view.dark), chromedp.Navigate(few))
				// All of it must be laid out, or the colours of what is off the screen are not looked at.
				eval[bool](t, ctx, `for (const a of document.querySelectorAll(".blank")) a.style.contentVisibility = "visible";
					document.querySelector("#all").click(); document.querySelector("#draw").click(); true`)
				eval[bool](t, ctx, string(axe)+"; true")
				for _, f := range eval[[]string](t, ctx, `axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] })
					.then(r => { result = r; return r.violations.flatMap(v => v.nodes.slice(0, 3).map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary)); })`) {
					t.Error(f)
				}
				checked := eval[int](t, ctx, `result.passes.find(p => p.id === "color-contrast").nodes.length`)
				if checked < 200 {
					t.Errorf("only %d texts had their contrast checked", checked)
				}
			})
		}
	})

	mu.Lock()
	defer mu.Unlock()
	for _, url := range requests {
		if !strings.HasPrefix(url, "file://") && !strings.HasPrefix(url, "data:") && url != "about:blank" {
			t.Errorf("the page asked for %.100s", url)
		}
	}
	if len(requests) == 0 {
		t.Error("no request was seen at all, not even the page's own")
	}
	for _, c := range complaints {
		t.Errorf("the browser complains: %s", c)
	}
}

// A delivery of 300 must be there soon. What is timed is only told, for a loaded machine is slow.
func TestLargeDeliveryOpens(t *testing.T) {
	ctx := browser(t)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(onDisk(t, fakePage(300, 60))))
	if n := eval[int](t, ctx, `document.querySelectorAll("article.blank").length`); n != 300 {
		t.Errorf("%d blanks, want 300", n)
	}
	t.Logf("loaded after %.0f ms, first painted after %.0f ms",
		eval[float64](t, ctx, `performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd`),
		eval[float64](t, ctx, `performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? -1`))
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

// inkedShare is the share of a screenshot's pixels that differ from its corner.
func inkedShare(t *testing.T, shot []byte) float64 {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		t.Fatal(err)
	}
	r := img.Bounds()
	r0, g0, b0, _ := img.At(r.Max.X-1, r.Min.Y).RGBA()
	inked := 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			r1, g1, b1, _ := img.At(x, y).RGBA()
			apart := func(a, b uint32) bool { return max(a, b)-min(a, b) > 0x2000 }
			if apart(r0, r1) || apart(g0, g1) || apart(b0, b1) {
				inked++
			}
		}
	}
	return float64(inked) / float64(r.Dx()*r.Dy())
}

// checkDrawn holds that at least this share of an element's pixels is drawn on. Blanks off the
// screen are drawn only when one comes near, which may take the browser a moment.
func checkDrawn(t *testing.T, ctx context.Context, selector string, least float64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	inked := 0.0
	for range 20 {
		do(t, ctx, chromedp.ScrollIntoView(chromedp.CSS(selector)), chromedp.Sleep(100*time.Millisecond))
		shot, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS(selector)))
		if err != nil {
			t.Fatalf("%s: %v", selector, err)
		}
		if inked = inkedShare(t, shot); inked >= least {
			return
		}
	}
	t.Errorf("%s: %.2f %% of its pixels are drawn on, want %.2f %% at least", selector, 100*inked, 100*least)
}

// pages prints the page and counts the sheets.
func pages(t *testing.T, ctx context.Context) int {
	t.Helper()
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	if err != nil {
		t.Fatal(err)
	}
	return len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))
}

func scripts(on bool) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return chromedp.Void{}, err
	}
}

// scheme asks for dark or light colours.
func scheme(dark bool) chromedp.Action[chromedp.Void] {
	value := "light"
	if dark {
		value = "dark"
	}
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return chromedp.Void{}, err
	}
}
