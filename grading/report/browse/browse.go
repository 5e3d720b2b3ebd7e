// Package browse opens pages in a real Chromium, for tests: it looks, types, prints,
// listens through a microphone that plays a file, and lets axe-core judge. Where there is
// no Chromium, the test is skipped.
package browse

import (
	"bytes"
	"context"
	"fmt"
	"image/png"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Options say what kind of browser a test needs.
type Options struct {
	// Microphone is a WAV file that the browser's microphone plays from its beginning,
	// again and again, each time it is switched on. The file may be replaced in between.
	Microphone string
	// Offline leaves the browser without any network, not even this
	// computer's own servers.
	Offline bool
	// Forgive is a text by which complaints are known that are part of the test.
	Forgive string
}

// Open starts a browser for one test of the slow suite, which fails if a page throws or
// the browser complains of it.
func Open(t *testing.T, o Options) context.Context {
	t.Helper()
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("opens a browser: only with RINGSTOCK_SLOW=1")
	}
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
	flags := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(binary), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("hide-scrollbars", true), chromedp.WSURLReadTimeout(patience))
	if o.Microphone != "" {
		flags = append(flags, chromedp.Flag("mute-audio", false), chromedp.Flag("use-fake-ui-for-media-stream", true),
			chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-file-for-fake-audio-capture", o.Microphone))
	}
	if o.Offline { // all is asked of a proxy that is not there
		flags = append(flags, chromedp.ProxyServer("http://127.0.0.1:9"), chromedp.Flag("proxy-bypass-list", "<-loopback>"))
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), flags...)
	t.Cleanup(cancel)
	return tab(t, ctx, o.Forgive)
}

// Tab opens a second page in a browser that Open has started.
func Tab(t *testing.T, ctx context.Context, o Options) context.Context {
	t.Helper()
	return tab(t, ctx, o.Forgive)
}

func tab(t *testing.T, ctx context.Context, forgive string) context.Context {
	t.Helper()
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	var mu sync.Mutex
	var complaints []string
	if err := chromedp.Listen(ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			d := ev.ExceptionDetails
			what := fmt.Sprint(d.Text, " ", d.URL, ":", d.LineNumber)
			if d.Exception != nil {
				what += " " + d.Exception.Description
			}
			complaints = append(complaints, what)
		case *log.EventEntryAdded:
			if forgive == "" || !strings.Contains(ev.Entry.Text, forgive) {
				complaints = append(complaints, strings.TrimSpace(ev.Entry.Text+" "+ev.Entry.URL))
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		for _, c := range complaints {
			t.Errorf("the browser complains: %s", c)
		}
	})
	return ctx
}

// patience is how long something may take that is sure to come: a busy computer is slow,
// and only a failing test waits to the end.
const patience = 2 * time.Minute

// Do carries out steps in the page.
func Do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// Get carries out a step that gives something.
func Get[T any](t *testing.T, ctx context.Context, step chromedp.Action[T]) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, step)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Eval runs a script in the page; a promise is awaited.
func Eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%v\nin %.300s", err, js)
	}
	return v
}

// Until waits until an expression is true in the page. It must be one that stays true, or
// comes again: nobody knows when the page is looked at.
func Until(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(25 * time.Millisecond) {
		if Eval[bool](t, ctx, "!!("+js+")") {
			return
		}
	}
	t.Fatalf("never true: %s\nthe page says:\n%s", js, Eval[string](t, ctx, `document.body.innerText`))
}

// View is a screen of a size, light or dark, on which nothing moves.
func View(w, h int64, dark bool) chromedp.Action[chromedp.Void] {
	value := "light"
	if dark {
		value = "dark"
	}
	return func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		if _, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}, {Name: "prefers-reduced-motion", Value: "reduce"}}}); err != nil {
			return chromedp.Void{}, err
		}
		return chromedp.EmulateViewport(w, h)(ctx, tab)
	}
}

// Scripts switches JavaScript on or off.
func Scripts(on bool) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return chromedp.Void{}, err
	}
}

// Requests tells, whenever it is asked, what the pages of a browser have asked for.
func Requests(t *testing.T, ctx context.Context) func() []string {
	t.Helper()
	var mu sync.Mutex
	var list []string
	if err := chromedp.Listen(ctx, func(ev any) {
		if ev, ok := ev.(*network.EventRequestWillBeSent); ok {
			mu.Lock()
			defer mu.Unlock()
			list = append(list, ev.Request.URL)
		}
	}); err != nil {
		t.Fatal(err)
	}
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), list...)
	}
}

// keyCodes are the codes of keys by which the browser itself does something.
var keyCodes = map[string]int64{"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36,
	"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}

// TabTo presses Tab until an element that matches has the focus, as who has no mouse does.
func TabTo(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	const most = 400
	has := fmt.Sprintf(`!!document.activeElement?.matches(%q)`, selector)
	for range most {
		if Eval[bool](t, ctx, has) {
			return
		}
		Press(t, ctx, "Tab")
	}
	t.Fatalf("Tab never comes to %s; it is now at %s", selector, Eval[string](t, ctx, `document.activeElement?.outerHTML.slice(0, 200) ?? ""`))
}

// Press sends a key as a keyboard does: what a page prevents is not typed.
func Press(t *testing.T, ctx context.Context, key string) {
	t.Helper()
	down := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: key}
	down.WindowsVirtualKeyCode = keyCodes[key]
	switch {
	case len(key) == 1:
		down.Text = key
	case key == "Enter":
		down.Text = "\r"
	}
	up := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyUp, Key: key}
	Do(t, ctx, func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		for _, p := range []input.DispatchKeyEventParams{down, up} {
			if _, err := cdp.Call(ctx, tab, input.DispatchKeyEvent, p); err != nil {
				return chromedp.Void{}, err
			}
		}
		return chromedp.Void{}, nil
	})
}

// Type types as callipers and scales do: a text, then Enter.
func Type(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	for _, c := range text {
		Press(t, ctx, string(c))
	}
	Press(t, ctx, "Enter")
}

// Shot writes what the screen shows as a PNG.
func Shot(t *testing.T, ctx context.Context, path string) {
	t.Helper()
	Eval[bool](t, ctx, `document.fonts.ready.then(() => new Promise(ok => requestAnimationFrame(() => requestAnimationFrame(() => ok(true)))))`)
	if err := os.WriteFile(path, Get(t, ctx, chromedp.CaptureScreenshot()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Jump scrolls to an element. What is above it gets its height only when it comes near,
// so it jumps until that stays.
func Jump(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	Until(t, ctx, fmt.Sprintf(`(() => {
		document.documentElement.style.scrollBehavior = "auto";
		const e = document.querySelector(%q), was = e.getBoundingClientRect().top;
		e.scrollIntoView();
		return Math.abs(e.getBoundingClientRect().top - was) < 1;
	})()`, selector))
}

// Drawn holds that at least this share of an element's pixels differs from its
// corner. What was off the screen is drawn only when it comes near, which may take
// the browser a moment.
func Drawn(t *testing.T, ctx context.Context, selector string, least float64) {
	t.Helper()
	inked := 0.0
	for range 100 {
		Do(t, ctx, chromedp.ScrollIntoView(chromedp.CSS(selector)))
		if inked = inkedShare(t, Get(t, ctx, chromedp.Screenshot(chromedp.CSS(selector)))); inked >= least {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Errorf("%s: %.2f %% of its pixels are drawn on, want %.2f %% at least", selector, 100*inked, 100*least)
}

func inkedShare(t *testing.T, shot []byte) float64 {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		t.Fatal(err)
	}
	r := img.Bounds()
	r0, g0, b0, _ := img.At(r.Max.X-1, r.Min.Y).RGBA()
	apart := func(a, b uint32) bool { return max(a, b)-min(a, b) > 0x2000 }
	inked := 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if r1, g1, b1, _ := img.At(x, y).RGBA(); apart(r0, r1) || apart(g0, g1) || apart(b0, b1) {
				inked++
			}
		}
	}
	return float64(inked) / float64(r.Dx()*r.Dy())
}

// Print prints the page on the paper that it asks for.
func Print(t *testing.T, ctx context.Context) (pdf []byte, sheets int) {
	t.Helper()
	pdf = Get(t, ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	return pdf, len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))
}

// Axe is the source of axe-core, or skips the test where RINGSTOCK_AXE does not name it.
func Axe(t *testing.T) string {
	t.Helper()
	path := os.Getenv("RINGSTOCK_AXE")
	if path == "" {
		t.Skip("RINGSTOCK_AXE does not name axe.min.js of the npm package axe-core")
	}
	axe, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(axe)
}

// Accessible holds that axe finds nothing against the page in light, in dark, on a phone,
// at a zoom of 200 % and in colours that the reader forces, and that the contrast of at
// least so many texts could be told.
func Accessible(t *testing.T, ctx context.Context, axe, name string, texts int) {
	t.Helper()
	for _, view := range []struct {
		name   string
		dark   bool
		w      int64
		forced bool
	}{{"light", false, 1280, false}, {"dark", true, 1280, false}, {"phone", false, 390, false}, {"zoomed to 200 %", false, 640, false}, {"forced colours", true, 1280, true}} {
		Do(t, ctx, View(view.w, 800, view.dark))
		if view.forced {
			Do(t, ctx, Media(map[string]string{"forced-colors": "active", "prefers-color-scheme": "dark", "prefers-reduced-motion": "reduce"}))
			defer Do(t, ctx, View(view.w, 800, false))
		}
		Eval[bool](t, ctx, `new Promise(ok => requestAnimationFrame(() => requestAnimationFrame(ok))).then(() => Promise.allSettled(document.getAnimations().map(a => a.finished))).then(() => true)`) // colours that are on their way
		result := Eval[struct {
			Against []string
			Told    int
		}](t, ctx, axe+`; axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }).then(r => ({
			Against: r.violations.flatMap(v => v.nodes.slice(0, 3).map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary)),
			Told: r.passes.find(p => p.id === "color-contrast")?.nodes.length ?? 0 }))`)
		for _, f := range result.Against {
			t.Errorf("%s, %s: %s", name, view.name, f)
		}
		if result.Told < texts {
			t.Errorf("%s, %s: only %d texts had their contrast checked, want %d", name, view.name, result.Told, texts)
		}
	}
}
