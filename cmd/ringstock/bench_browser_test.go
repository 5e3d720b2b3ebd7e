package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/spectrum"
)

var screenshots = flag.String("screenshots", "", "write screenshots of the bench into this folder")

// built builds the program as anybody would, once.
var built = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "ringstock-bench")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "ringstock")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return path, nil
})

// running is a bench that runs as a program of its own.
type running struct {
	t       *testing.T
	cmd     *exec.Cmd
	address string
	log     *lockedLog
}

type lockedLog struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lockedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// serve starts a bench; addr may be one that it had before.
func serve(t *testing.T, folder, addr string, more ...string) *running {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	r := &running{t: t, log: &lockedLog{}}
	r.cmd = exec.Command(path, append([]string{"bench", folder, "--addr", addr}, more...)...)
	r.cmd.Env = append(os.Environ(), "RINGSTOCK_STOCK="+filepath.Join(t.TempDir(), "stock"))
	r.cmd.Stderr = r.log
	out, err := r.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.cmd.Process.Kill()
		r.cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("no address: %v\n%s", err, r.log)
	}
	r.address = strings.TrimSpace(line)
	return r
}

func (r *running) host() string { return strings.Trim(strings.TrimPrefix(r.address, "http://"), "/") }

// kill ends the program at once, as a power cut would.
func (r *running) kill() {
	r.t.Helper()
	if err := r.cmd.Process.Kill(); err != nil {
		r.t.Fatal(err)
	}
	r.cmd.Wait()
}

// chromium opens a browser whose microphone plays a file, or skips the test where there is no browser.
func chromium(t *testing.T, sound string) context.Context {
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
		chromedp.Flag("disable-sync", true), chromedp.Flag("autoplay-policy", "no-user-gesture-required"), chromedp.Flag("mute-audio", false),
		chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-fake-device-for-media-stream", true))
	if sound != "" {
		options = append(options, chromedp.Flag("use-file-for-fake-audio-capture", sound+"%noloop"))
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 6*time.Minute)
	t.Cleanup(cancel)
	var mu sync.Mutex
	var complaints []string
	if err := chromedp.Listen(ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			complaints = append(complaints, fmt.Sprint(ev.ExceptionDetails.Text, " ", ev.ExceptionDetails.URL, ":", ev.ExceptionDetails.LineNumber, " ", ev.ExceptionDetails.Exception.Description))
		case *log.EventEntryAdded:
			if !strings.Contains(ev.Entry.Text, "/live") { // a server that is away
				complaints = append(complaints, ev.Entry.Text)
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
	for range 600 {
		if eval[bool](t, ctx, "!!("+js+")") {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("never true: %s\nthe page says:\n%s", js, eval[string](t, ctx, `document.body.innerText`))
}

// press sends a key as a keyboard does: what a page prevents is not typed.
func press(t *testing.T, ctx context.Context, key string) {
	t.Helper()
	down := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyDown, Key: key}
	if len(key) == 1 {
		down.Text = key
	}
	if key == "Enter" {
		down.Text, down.WindowsVirtualKeyCode = "\r", 13
	}
	up := input.DispatchKeyEventParams{Type: input.DispatchKeyEventTypeKeyUp, Key: key}
	do(t, ctx, func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		for _, p := range []input.DispatchKeyEventParams{down, up} {
			if _, err := cdp.Call(ctx, tab, input.DispatchKeyEvent, p); err != nil {
				return chromedp.Void{}, err
			}
		}
		return chromedp.Void{}, nil
	})
}

// typed types as callipers do: a number, then Enter.
func typed(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	for _, c := range text {
		press(t, ctx, string(c))
	}
	press(t, ctx, "Enter")
}

const rate = 48000

// stickScene is an invented stick that is tapped n times, 2.4 s apart.
func stickScene(i, n int) synth.Scene {
	hz, q := 118+7*float64(i), 130+11*float64(i)
	s := synth.Scene{Name: fmt.Sprintf("stick %d", i), Rate: rate, DurationS: 2.4*float64(n) + .4, White: 1e-4, Seed: uint64(i) + 1}
	// Bending modes of a free bar, 760 x 14 x 14 mm with E/G = 18.3, by Timoshenko's theory.
	for k, ratio := range []float64{1, 2.72614, 5.25611} {
		s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: q, Gain: .15 / float64(k+1)})
	}
	for k := range n {
		s.Strikes = append(s.Strikes, synth.Strike{AtS: .4 + 2.4*float64(k), ContactS: .001, Strength: 1, Thud: .05})
	}
	return s
}

// tape is the sound of a session: quiet, then one stick after another, pauses seconds apart. It
// also keeps each stick's own sound in a file.
func tape(t *testing.T, sticks, taps int, pause float64) (path string, own []string) {
	t.Helper()
	dir := t.TempDir()
	noise := func(seconds float64, seed int) []float64 {
		return synth.Scene{Rate: rate, DurationS: seconds, White: 1e-4, Seed: uint64(seed)}.Render().Tracks[0]
	}
	whole := noise(7, 1000) // a busy computer takes seconds to open its microphone
	for i := range sticks {
		x := stickScene(i, taps).Render().Tracks[0]
		own = append(own, filepath.Join(dir, fmt.Sprintf("stick-%d.wav", i)))
		rec := capture.Recording{Rate: rate, Bits: 16, Tracks: [][]float64{append(noise(1.2, 500+i), x...)}}
		if err := wavfile.Save(own[i], rec, 16); err != nil {
			t.Fatal(err)
		}
		whole = append(append(whole, x...), noise(pause, 2000+i)...)
	}
	path = filepath.Join(dir, "tape.wav")
	if err := wavfile.Save(path, capture.Recording{Rate: rate, Bits: 16, Tracks: [][]float64{whole}}, 16); err != nil {
		t.Fatal(err)
	}
	return path, own
}

// said runs the program and reads the one document it prints.
func said[T any](t *testing.T, args ...string) (out T) {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(path, args...).Output()
	if err != nil {
		t.Fatalf("ringstock %s: %v", strings.Join(args, " "), err)
	}
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

type analyses struct{ Recordings []spectrum.Analysis }

// agree holds a ring heard at the bench against that of the same sound in a file.
func agree(t *testing.T, what string, got, want *spectrum.Ring) {
	t.Helper()
	if got == nil || want == nil {
		t.Errorf("%s: no ring: bench %v, file %v", what, got != nil, want != nil)
		return
	}
	for _, v := range []struct {
		name       string
		x, xu      float64
		y, yu      float64
		resolution float64
	}{
		{"Hz", got.Fundamental.Hz.X, got.Fundamental.Hz.U, want.Fundamental.Hz.X, want.Fundamental.Hz.U, 0},
		{"Q", got.Fundamental.Q.X, got.Fundamental.Q.U, want.Fundamental.Q.X, want.Fundamental.Q.U, 0},
		{"purity", got.PurityPct.X, got.PurityPct.U, want.PurityPct.X, want.PurityPct.U, 0},
	} {
		if d := math.Abs(v.x - v.y); d > 2*math.Hypot(v.xu, v.yu)+v.resolution {
			t.Errorf("%s: %s %.5g ± %.2g at the bench, %.5g ± %.2g in the file", what, v.name, v.x, v.xu, v.y, v.yu)
		}
	}
}

// A session of ten sticks, with the browser's microphone and keys alone: what the folder and the page then say
// is what `analyse` says of the same sound.
func TestBenchTenBlanksByKeys(t *testing.T) {
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("takes a minute of sound: only with RINGSTOCK_SLOW=1")
	}
	const sticks, taps = 10, 2
	sound, own := tape(t, sticks, taps, 1.2)
	folder := filepath.Join(t.TempDir(), "invented delivery")
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A001")
	ctx := chromium(t, sound)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address))
	waitFor(t, ctx, `document.querySelector("#blank").textContent === "A001" && role.holds`)
	press(t, ctx, "s") // the tape does not wait for signals
	do(t, ctx, chromedp.Focus(chromedp.CSS("#phone")))
	press(t, ctx, "Enter")
	waitFor(t, ctx, `role.mine`)
	if doubts := eval[string](t, ctx, `document.querySelector("#doubts").textContent`); strings.Contains(doubts, "may be on") || strings.Contains(doubts, "is on") {
		t.Errorf("the microphone is not as it was asked for: %s", doubts)
	}
	type notes struct{ Note, Hz, Q, Good string }
	var page []notes
	for i := range sticks {
		waitFor(t, ctx, fmt.Sprintf(`state.good === %d`, taps))
		page = append(page, eval[notes](t, ctx, `(() => { const f = n => state.last.figures.find(f => f.name === n); return {Note: state.last.note, Hz: f("note").x, Q: f("sustain Q").x, Good: document.querySelector("#say").textContent}; })()`))
		if i+1 < sticks {
			press(t, ctx, []string{"n", "PageDown"}[i%2]) // a pedal's key
			waitFor(t, ctx, fmt.Sprintf(`document.querySelector("#blank").textContent === "A%03d"`, i+2))
		}
	}
	files := said[analyses](t, append([]string{"analyse", "--json"}, own...)...)
	graded := said[grading.Grading](t, "grade", "--json", folder)
	if len(graded.Blanks) != sticks || len(graded.Unused) > 0 {
		t.Fatalf("%d blanks in the folder, want %d; unused: %v", len(graded.Blanks), sticks, graded.Unused)
	}
	byBlank := map[string]*spectrum.Ring{}
	for _, b := range graded.Blanks {
		byBlank[b.Blank] = b.Ring
	}
	for i := range sticks {
		blank := fmt.Sprintf("A%03d", i+1)
		agree(t, blank, byBlank[blank], files.Recordings[i].Ring)
		if byBlank[blank] != nil && byBlank[blank].TapsUsed != taps {
			t.Errorf("%s: %d taps used, want %d", blank, byBlank[blank].TapsUsed, taps)
		}
		if page[i].Good != "good" {
			t.Errorf("%s: the page says %q", blank, page[i].Good)
		}
		var hz float64
		fmt.Sscan(page[i].Hz, &hz)
		if math.Abs(hz-files.Recordings[i].Ring.Fundamental.Hz.X) > .1 {
			t.Errorf("%s: the page says %s Hz, the file has %.3f", blank, page[i].Hz, files.Recordings[i].Ring.Fundamental.Hz.X)
		}
	}
}

// TestBenchScreenshots draws the bench at three sizes, light and dark:
//
//	go test ./cmd/ringstock -run BenchScreenshots -args -screenshots DIR
func TestBenchScreenshots(t *testing.T) {
	if *screenshots == "" {
		t.Skip("no folder given: -args -screenshots DIR")
	}
	if err := os.MkdirAll(*screenshots, 0o755); err != nil {
		t.Fatal(err)
	}
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(t.TempDir(), "spring delivery (invented)")
	stock := filepath.Join(t.TempDir(), "stock")
	for _, args := range [][]string{{"demo", folder}, {"stock", "--stock-dir", stock, "add", folder}} {
		if out, err := exec.Command(path, args...).CombinedOutput(); err != nil {
			t.Fatalf("ringstock %v: %v\n%s", args, err, out)
		}
	}
	sound, _ := tape(t, 2, 5, 12)
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A017", "--stock-dir", stock)
	ctx := chromium(t, sound)
	shot := func(name string, w, h int64, dark bool) {
		t.Helper()
		do(t, ctx, chromedp.EmulateViewport(w, h), scheme(dark))
		time.Sleep(200 * time.Millisecond)
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(*screenshots, name+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address))
	waitFor(t, ctx, `role.holds && state.blanks.length > 5 && state.best`)
	shot("bench-start", 1280, 800, false)
	press(t, ctx, "s") // the tape does not wait for signals
	do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	waitFor(t, ctx, `ringing`)
	time.Sleep(700 * time.Millisecond)
	shot("bench-rings", 1280, 800, true)
	waitFor(t, ctx, `state.good >= 1`)
	press(t, ctx, "m")
	for _, v := range []string{"760", "14,02", "14.05", "152,6"} {
		typed(t, ctx, v)
		time.Sleep(150 * time.Millisecond)
	}
	press(t, ctx, "Escape")
	waitFor(t, ctx, `state.good >= 3`)
	shot("bench-1280", 1280, 800, false)
	shot("bench-1280-dark", 1280, 800, true)
	shot("bench-1920", 1920, 1080, false)
	shot("bench-1920-dark", 1920, 1080, true)
	shot("bench-phone", 390, 844, false)
	press(t, ctx, "n")
	waitFor(t, ctx, `state.good >= 1 && state.blank !== "A017"`)
	press(t, ctx, "m")
	typed(t, ctx, "76")
	waitFor(t, ctx, `document.querySelector("#asked").textContent !== ""`)
	shot("bench-asked", 1280, 800, false)
	press(t, ctx, "Escape")
	do(t, ctx, chromedp.Click(chromedp.CSS("[data-do=keys]")))
	shot("bench-keys", 1280, 800, false)
	for _, page := range []struct{ name, path string }{{"stock", "stock"}, {"statement", "statement"}} {
		do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address+page.path))
		shot("bench-"+page.name, 1280, 800, false)
		shot("bench-"+page.name+"-phone", 390, 844, true)
	}
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address+"stock"), chromedp.Click(chromedp.CSS("tbody a")))
	shot("bench-stick", 1280, 1000, false)
}

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

// Pages are loaded anew, looked at from a second tab, and the program dies in the middle: what was said to be
// good is there, once, and the session goes on.
func TestBenchLosesNothing(t *testing.T) {
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("takes a minute of sound: only with RINGSTOCK_SLOW=1")
	}
	sound, _ := tape(t, 14, 2, 1)
	folder := filepath.Join(t.TempDir(), "invented delivery")
	const evil = `<img src=x onerror=alert(1)>`
	r := serve(t, folder, "127.0.0.1:0", "--blank", evil+"1")
	ctx := chromium(t, sound)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address))
	waitFor(t, ctx, `role.holds && document.querySelector("#blank").textContent.startsWith("<img")`)
	if n := eval[int](t, ctx, `document.querySelectorAll("img").length`); n != 0 {
		t.Error("the name of a blank became a picture")
	}
	press(t, ctx, "s")
	eval[bool](t, ctx, `keep("taps", 2); true`)
	press(t, ctx, "h")
	waitFor(t, ctx, `state.hands_free === 2`)
	do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	waitFor(t, ctx, `role.mine`)
	blank := func(n int) string { return fmt.Sprintf("%s%d", evil, n) }
	now := func(n int) string { return fmt.Sprintf("state && state.blank === %q", blank(n)) }
	waitFor(t, ctx, now(2))

	// A second tab sees the same and disturbs nothing.
	second, cancel := chromedp.NewContext(ctx)
	defer cancel()
	do(t, second, chromedp.Navigate(r.address))
	waitFor(t, second, now(2)+` && role.held && !role.holds && !document.querySelector("#viewer").hidden && state.blanks.length === 1`)
	press(t, second, "n")
	waitFor(t, ctx, now(3))
	waitFor(t, second, now(3))

	// The page is loaded anew, and shows how things stand.
	do(t, ctx, chromedp.Reload())
	waitFor(t, ctx, now(3)+` && state.hands_free === 2 && state.blanks.length === 2 && document.querySelectorAll("#blanks tr").length === 2`)
	waitFor(t, ctx, `role.mine`)
	waitFor(t, ctx, now(4))

	// The program dies and is started again.
	r.kill()
	waitFor(t, ctx, `!document.querySelector("#broken").hidden`)
	r = serve(t, folder, r.host(), "--blank", blank(4))
	waitFor(t, ctx, `document.querySelector("#broken").hidden && state.blanks.length >= 3`)
	waitFor(t, ctx, `role.mine`)
	press(t, ctx, "h")
	waitFor(t, ctx, `state.hands_free === 2`)
	waitFor(t, ctx, now(5))

	// Measurements: the focus moves on by itself, and what can hardly be is asked back.
	press(t, ctx, "m")
	of := eval[string](t, ctx, `fieldsOf`)
	typed(t, ctx, "760,5")
	waitFor(t, ctx, `document.activeElement.name === "height_mm"`)
	typed(t, ctx, "140.2")
	waitFor(t, ctx, `document.querySelector("#asked").textContent.includes("unusual") && document.activeElement.name === "height_mm"`)
	typed(t, ctx, "14.02")
	waitFor(t, ctx, `document.activeElement.name === "width_mm" && document.querySelector("#asked").textContent === ""`)
	press(t, ctx, "Escape")
	do(t, ctx, chromedp.Click(chromedp.CSS("#hush")))
	waitFor(t, ctx, `!role.hears`)
	if strings.Contains(r.log.String(), "panic") {
		t.Error(r.log)
	}
	r.kill()

	graded := said[grading.Grading](t, "grade", "--json", folder)
	if len(graded.Unused) > 0 {
		t.Errorf("unused: %v", graded.Unused)
	}
	have := map[string]grading.Blank{}
	for _, b := range graded.Blanks {
		have[b.Blank] = b
	}
	for n := 1; n <= 4; n++ {
		b := have[blank(n)]
		if b.Ring == nil || b.Ring.TapsUsed != 2 || len(b.Row.File) != 2 {
			t.Errorf("%s: files %v, want two good taps", blank(n), b.Row.File)
		}
	}
	if row := have[of].Row; row.LengthMM.X != 760.5 || row.HeightMM.X != 14.02 {
		t.Errorf("%s: length %v, height %v in the table, want 760.5 and 14.02", of, row.LengthMM, row.HeightMM)
	}
}

// Every page passes axe-core, in light, dark and on a phone.
func TestBenchAccessible(t *testing.T) {
	path := os.Getenv("RINGSTOCK_AXE")
	if path == "" {
		t.Skip("RINGSTOCK_AXE does not name axe.min.js of the npm package axe-core")
	}
	axe, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	folder, stock := filepath.Join(t.TempDir(), "delivery"), filepath.Join(t.TempDir(), "stock")
	for _, args := range [][]string{{"demo", folder}, {"stock", "--stock-dir", stock, "add", folder}} {
		if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
			t.Fatalf("ringstock %v: %v\n%s", args, err, out)
		}
	}
	sound, _ := tape(t, 1, 3, 5)
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A1", "--stock-dir", stock)
	ctx := chromium(t, sound)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.address))
	waitFor(t, ctx, `role.holds && state.blanks.length > 5`)
	check := func(name string) {
		t.Helper()
		for _, view := range []struct {
			name string
			dark bool
			w    int64
		}{{"light", false, 1280}, {"dark", true, 1280}, {"phone", false, 390}} {
			do(t, ctx, chromedp.EmulateViewport(view.w, 800), scheme(view.dark))
			for _, f := range eval[[]string](t, ctx, string(axe)+`; axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] })
				.then(r => r.violations.flatMap(v => v.nodes.slice(0, 3).map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary)))`) {
				t.Errorf("%s, %s: %s", name, view.name, f)
			}
		}
	}
	check("at the start")
	do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	waitFor(t, ctx, `state.good >= 1 && !ringing`)
	check("after a tap")
	do(t, ctx, chromedp.Click(chromedp.CSS("[data-do=keys]")))
	check("keys")
	for _, page := range []string{"stock", "statement"} {
		do(t, ctx, chromedp.Navigate(r.address+page))
		check(page)
	}
	do(t, ctx, chromedp.Navigate(r.address+"stock"), chromedp.Click(chromedp.CSS("tbody a")))
	check("stick")
}
