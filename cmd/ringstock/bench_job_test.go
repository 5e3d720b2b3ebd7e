package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ringstock/grading"
	"ringstock/grading/report/browse"
)

// opened starts the workshop without a folder, as a double click does, with a home of its
// own.
func opened(t *testing.T, home string, more ...string) *running {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	r := &running{t: t, log: &lockedLog{}}
	r.cmd = exec.Command(path, append([]string{"bench"}, more...)...)
	r.cmd.Env = append(os.Environ(), "HOME="+home, "RINGSTOCK_SETTINGS="+filepath.Join(home, "settings"), "RINGSTOCK_STOCK="+filepath.Join(home, "stock"))
	r.cmd.Stderr = r.log
	out, err := r.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.cmd.Process.Kill(); r.cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("no address: %v\n%s", err, r.log)
	}
	r.address = strings.TrimSpace(line)
	return r
}

// fill types into a field of a page as a maker does.
func fill(t *testing.T, ctx context.Context, selector, text string) {
	t.Helper()
	browse.Until(t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e?.focus(); e?.select(); return e && document.activeElement === e; })()`, selector))
	for _, c := range text {
		browse.Press(t, ctx, string(c))
	}
}

// choose chooses from a list.
func choose(t *testing.T, ctx context.Context, selector, value string) {
	t.Helper()
	browse.Eval[bool](t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value === %q; })()`, selector, value, value))
}

// Each page of the workshop can be read on the screens that stand at benches and in
// pockets, one of them zoomed to 200 %, and on A4 paper, and passes axe-core.
func TestBenchWorkshopPages(t *testing.T) {
	opensMany(t)
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	folder := filepath.Join(home, "ringstock deliveries", "demo (invented)")
	if out, err := exec.Command(program, "demo", folder).CombinedOutput(); err != nil {
		t.Fatalf("ringstock demo: %v\n%s", err, out)
	}
	if out, err := exec.Command(program, "stock", "--stock-dir", filepath.Join(home, "stock"), "add", folder, "--only", "keep").CombinedOutput(); err != nil {
		t.Fatalf("ringstock stock add: %v\n%s", err, out)
	}
	r := opened(t, home)
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 720, false), chromedp.Navigate(r.address+"home"))
	delivery := browse.Eval[string](t, ctx, `document.querySelector(".cards a").getAttribute("href").slice(1)`)
	for _, page := range []struct{ path, until string }{
		{"home", `true`},
		{delivery + "#tap", `true`}, {delivery + "#bring", `true`},
		{delivery + "#measure", `document.querySelector("#grid tbody tr")`},
		{delivery + "#rank", `document.querySelector("#ranking tbody tr")`},
		{delivery + "#listen", `document.querySelector("#first option")`},
		{delivery + "#decide", `document.querySelector("#chosen tbody tr")`},
		{"do/due", `document.querySelector("#live-sheet")?.textContent.includes("due")`}, {"sticks", `true`}, {"acts", `true`}, {"do/plan", `true`}, {"do/lot", `true`}, {"do/strung", `true`}, {"do/trace", `true`}, {"manual", `true`}, {"manual/words", `true`}, {"stock", `document.querySelector("tbody tr")`}, {"statement", `true`},
	} {
		browse.Do(t, ctx, browse.View(1280, 720, false), chromedp.Navigate("about:blank"), chromedp.Navigate(r.address+page.path))
		browse.Until(t, ctx, `document.readyState === "complete" && (`+page.until+`)`)
		for _, s := range [][2]int64{{1366, 768}, {1280, 720}, {640, 360}, {390, 844}, {320, 640}} {
			browse.Do(t, ctx, browse.View(s[0], s[1], false))
			browse.Readable(t, ctx, fmt.Sprint(page.path, " ", s))
		}
		browse.Do(t, ctx, browse.Paper())
		browse.Readable(t, ctx, page.path+" on paper")
		if axe := os.Getenv("RINGSTOCK_AXE"); axe != "" {
			browse.Accessible(t, ctx, browse.Axe(t), page.path, 8)
		}
	}
}

// The sheets of sticks follow what is filled in: the bow bends with the slider, the line
// of a tracing is found between marks that are clicked into the picture, and a click
// says where it passes.
func TestBenchLiveSheets(t *testing.T) {
	opensMany(t)
	home := t.TempDir()
	r := opened(t, home)
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 720, false), chromedp.Navigate(r.address+"do/strung"))
	choose(t, ctx, "[name=a0]", "demo-violin")
	const sheet = `document.querySelector("#live-sheet iframe:not(.coming)")?.contentDocument?.body?.innerText`
	browse.Until(t, ctx, `!busy && `+sheet+`?.includes("at 40 N")`)
	browse.Eval[bool](t, ctx, `(() => { const s = document.querySelector("[data-for=hair-tension]"); s.value = 60; s.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`)
	browse.Until(t, ctx, `!busy && `+sheet+`?.includes("at 60 N")`)

	// An invented tracing: an arc 60 mm deep in the picture's scale, between two
	// marks 600 mm apart.
	const w, h = 1500, 320
	img := image.NewGray(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = 240
	}
	for x := 100; x < 1400; x++ {
		u := float64(x-750) / 650
		y := 220 - int(75*u*u)
		for d := range 3 {
			img.SetGray(x, y+d, color.Gray{90})
		}
	}
	scan := filepath.Join(home, "scan.png")
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(scan, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	browse.Do(t, ctx, chromedp.Navigate(r.address+"do/trace"))
	browse.Do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("[name=a0-file]"), []string{scan}))
	fill(t, ctx, "[name=scale-mm]", "600")
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelector("#picture svg").viewBox.baseVal.width === %d`, w))
	press := func(x, y int) {
		browse.Eval[bool](t, ctx, fmt.Sprintf(`(() => { const s = document.querySelector("#picture svg"), b = s.getBoundingClientRect(), at = {bubbles: true, pointerId: 1, clientX: b.left + %d / %d * b.width, clientY: b.top + %d / %d * b.height};
			s.setPointerCapture = () => {}; s.dispatchEvent(new PointerEvent("pointerdown", at)); s.dispatchEvent(new PointerEvent("pointerup", at)); return true; })()`, x, w, y, h))
	}
	press(100, 40)
	press(1400, 40)
	browse.Until(t, ctx, `!busy && found.length > 100 && `+sheet+`?.includes("deepest")`)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("[name=hand][value=through]")))
	press(750, 221)
	browse.Until(t, ctx, `!busy && document.querySelector("[name=through]").value.startsWith("7") && document.querySelectorAll("#picture .through").length === 1`)
	browse.Readable(t, ctx, "tracing")
}

// What is due leads to the stick and to the page where it is entered.
func TestBenchDueList(t *testing.T) {
	opensMany(t)
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	folder := filepath.Join(home, "demo (invented)")
	for _, args := range [][]string{{"demo", folder}, {"stock", "--stock-dir", filepath.Join(home, "stock"), "add", folder, "--only", "keep"}} {
		if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
			t.Fatalf("ringstock %v: %v\n%s", args, err, out)
		}
	}
	r := opened(t, home)
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 720, false), chromedp.Navigate(r.address+"do/due"))
	browse.Until(t, ctx, `document.querySelector("#live-sheet").textContent === "Nothing is due."`)
	browse.Eval[bool](t, ctx, `(() => { const d = document.querySelector("[name=on]"); d.value = new Date(Date.now() + 400 * 86400e3).toISOString().slice(0, 10); d.dispatchEvent(new Event("change", {bubbles: true})); return true; })()`)
	browse.Until(t, ctx, `document.querySelectorAll("#live-sheet tbody tr").length > 10`)
	browse.Readable(t, ctx, "what is due")
	blank := browse.Eval[string](t, ctx, `document.querySelector("#live-sheet tbody th").textContent`)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`#live-sheet tbody tr:nth-child(1) td a`)))
	browse.Until(t, ctx, `location.pathname === "/do/test" && document.readyState === "complete"`)
	id := browse.Eval[string](t, ctx, `document.querySelector("[name=a0]").value`)
	browse.Do(t, ctx, chromedp.Navigate(r.address+"stock/"+id))
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelector("h1")?.textContent === %q`, blank))
}

// How score and own grades agree is a picture: a dot and its interval a row.
func TestBenchAgreeIsDrawn(t *testing.T) {
	opensMany(t)
	home := t.TempDir()
	folder, dir := filepath.Join(home, "demo (invented)"), filepath.Join(home, "stock")
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	command := func(args ...string) {
		t.Helper()
		if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
			t.Fatalf("ringstock %v: %v\n%s", args, err, out)
		}
	}
	command("demo", folder)
	command("stock", "--stock-dir", dir, "add", folder)
	for i, b := range said[grading.Grading](t, "grade", "--json", folder).Blanks {
		command("stock", "--stock-dir", dir, "grade", b.Blank, string(rune('A'+(i+i%3)/8)))
	}
	r := opened(t, home)
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, browse.View(1280, 720, false), chromedp.Navigate(r.address+"do/agree"))
	browse.Until(t, ctx, `document.querySelectorAll("svg.agree circle").length >= 3 && !busy`)
	browse.Readable(t, ctx, "agree")
	browse.Drawn(t, ctx, "svg.agree", 0.01)
	if label := browse.Eval[string](t, ctx, `document.querySelector("svg.agree").getAttribute("aria-label")`); !strings.HasPrefix(label, "score: 0.") {
		t.Errorf("the picture says %q", label)
	}
	if dir := os.Getenv("RINGSTOCK_SHOTS"); dir != "" {
		browse.Shot(t, ctx, filepath.Join(dir, "agree.png"))
	}
}

// Started by a script the program gives its help; asked to, it opens a
// window of the browser.
func TestBenchStart(t *testing.T) {
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path)
	cmd.Env = append(os.Environ(), "DISPLAY=:0", "RINGSTOCK_SETTINGS="+t.TempDir())
	if out, err := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != 2 || !strings.Contains(string(out), "Usage:") {
		t.Errorf("without a terminal: %v\n%s", err, out)
	}
	home := t.TempDir()
	told, browser := filepath.Join(home, "told"), filepath.Join(home, "browser")
	if err := os.WriteFile(browser, []byte("#!/bin/sh\necho \"$@\" >"+told+"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("RINGSTOCK_BROWSER", browser)
	r := opened(t, home, "--open")
	for range 500 {
		if text, err := os.ReadFile(told); err == nil && strings.TrimSpace(string(text)) == "--app="+r.address {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if text, err := os.ReadFile(told); err != nil || strings.TrimSpace(string(text)) != "--app="+r.address {
		t.Errorf("the browser was called with %q, %v", text, err)
	}
	// The port is kept: the address is the same after a stop.
	r.kill()
	if again := opened(t, home); again.address != r.address {
		t.Errorf("started anew it is at %s, was at %s", again.address, r.address)
	}
}

// The whole job, from an empty home to the printed statement and a backup, without a
// terminal, by the keyboard alone and by the mouse alone; and the commands say the same of
// the same folders. Files are chosen in the computer's own window, which is not ours.
func TestBenchWholeJob(t *testing.T) {
	opensMany(t)
	for _, hand := range []hand{keyboard{}, mouse{}} {
		t.Run(fmt.Sprintf("%T", hand), func(t *testing.T) { wholeJob(t, hand) })
	}
}

func wholeJob(t *testing.T, hand hand) {
	const blanks = 12
	home := t.TempDir()
	r := opened(t, home)
	ctx := browse.Open(t, browse.Options{Microphone: loop(t, stickScene(3, 2), 1)})
	browse.Do(t, ctx, browse.View(1366, 768, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `location.pathname === "/home"`)
	browse.Readable(t, ctx, "an empty home")

	// A second start finds the first.
	path, _ := built()
	second := exec.Command(path, "bench")
	second.Env = r.cmd.Env
	if out, err := second.Output(); err != nil || strings.TrimSpace(string(out)) != r.address {
		t.Errorf("a second start: %v, %q; want %s", err, out, r.address)
	}

	// A delivery, one blank tapped at the microphone.
	hand.write(t, ctx, "[name=name]", "spring (invented)")
	hand.press(t, ctx, "[value=new] ~ label ~ button")
	browse.Until(t, ctx, `document.querySelector("h1")?.textContent === "spring (invented)"`)
	hand.press(t, ctx, "#tap button")
	browse.Until(t, ctx, `location.pathname === "/tap" && document.readyState === "complete" && role.holds && state`)
	hand.press(t, ctx, "[data-do=mute]")
	hand.press(t, ctx, "#phone")
	browse.Until(t, ctx, `state.good >= 1`)
	hand.press(t, ctx, "#hush")
	browse.Until(t, ctx, `!role.hears`)
	tapped := browse.Eval[string](t, ctx, `state.blank`)

	// The others are dropped in.
	dir := t.TempDir()
	var files []string
	for i := range blanks - 1 {
		name := filepath.Join(dir, fmt.Sprintf("B%02d.wav", i+1))
		save(t, name, append(quiet(1.2, 700+i), stickScene(i%9, 2).Render().Tracks[0]...))
		files = append(files, name)
	}
	save(t, filepath.Join(dir, "talk.wav"), quiet(3, 5))
	files = append(files, filepath.Join(dir, "talk.wav"))
	goTo(t, ctx, hand, "/home")
	hand.press(t, ctx, ".cards a")
	browse.Until(t, ctx, `document.querySelector(".tabs")`)
	hand.press(t, ctx, `.tabs [href="#bring"]`)
	browse.Do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("#files"), files))
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelectorAll("#bringing tbody tr").length === %d`, blanks))
	hand.press(t, ctx, "#bring-all")
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelectorAll("#bringing .good").length === %d && document.querySelectorAll("#bringing .bad").length === 1`, blanks-1))

	// Measured; one entry is no number, one can hardly be.
	hand.press(t, ctx, `.tabs [href="#measure"]`)
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelectorAll("#grid tbody tr").length === %d`, blanks))
	rows := make([][]string, blanks)
	for i := range rows {
		rows[i] = []string{"760", "14,0", "14.0", "160,9"}
	}
	rows[3][3], rows[6][0] = "heavy", "76,0"
	hand.measure(t, ctx, rows)
	browse.Until(t, ctx, `document.querySelectorAll("#grid [aria-invalid]").length === 1 && document.querySelectorAll("#grid .suspect").length >= 1 && !document.querySelector("#saved").classList.contains("pending")`)
	for _, slip := range []string{`[aria-invalid]`, `.suspect[data-column=length_mm]`} {
		right := map[bool]string{true: "160.9", false: "760"}[slip == "[aria-invalid]"]
		hand.write(t, ctx, "#grid "+slip, right)
		browse.Press(t, ctx, "Enter")
	}
	browse.Until(t, ctx, `document.querySelectorAll("#grid [aria-invalid], #grid .suspect").length === 0 && document.querySelector("#saved").textContent === "All is saved."`)

	// A changed profile, kept.
	hand.press(t, ctx, `.tabs [href="#rank"]`)
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelectorAll("#ranking tbody tr[data-blank]").length === %d`, blanks))
	hand.slide(t, ctx, "#sliders input", 30)
	browse.Until(t, ctx, `document.querySelector("#looking").textContent.includes("changed")`)
	hand.write(t, ctx, "#profile-name", "mine")
	hand.press(t, ctx, "#save-profile button")
	browse.Until(t, ctx, `ranking.profile === "mine"`)
	browse.Readable(t, ctx, "ranking")
	page := browse.Eval[[]struct {
		Blank, Verdict string
		Rank           int
		X              float64
	}](t, ctx, `ranking.rows`)
	folder := filepath.Join(home, "ringstock deliveries", "spring (invented)")
	graded := said[grading.Grading](t, "grade", "--json", folder, "--profile", filepath.Join(folder, "mine.toml"))
	if len(graded.Blanks) != blanks || len(graded.Unused) > 0 {
		t.Fatalf("the command grades %d blanks, unused: %v", len(graded.Blanks), graded.Unused)
	}
	for i, b := range graded.Blanks {
		if page[i].Blank != b.Blank || page[i].Verdict != string(b.Verdict) || page[i].Rank != b.Rank || math.Abs(page[i].X-b.Score.X) > 1e-3 {
			t.Errorf("place %d: the page says %+v, the command %s %s %.3f", i+1, page[i], b.Blank, b.Verdict, b.Score.X)
		}
	}

	// By ear, blind.
	hand.press(t, ctx, `.tabs [href="#listen"]`)
	hand.press(t, ctx, "#draw")
	hand.press(t, ctx, "#play")
	browse.Until(t, ctx, `document.querySelector("#heard").textContent === "You hear the first."`)
	hand.press(t, ctx, "#switch")
	hand.press(t, ctx, `[data-choice="1"]`)
	browse.Until(t, ctx, `document.querySelectorAll("#choices li").length === 2`)

	// Eight into the stock.
	hand.press(t, ctx, `.tabs [href="#decide"]`)
	hand.write(t, ctx, "#best", "8")
	browse.Until(t, ctx, `document.querySelector("#sum").textContent.startsWith("8 chosen")`)
	hand.write(t, ctx, "#lot", "L1")
	hand.write(t, ctx, "#place", "rack 1")
	hand.press(t, ctx, "#enrol button")
	browse.Until(t, ctx, `document.querySelector("#entered").textContent.startsWith("8 sticks entered")`)

	// The lot's paper.
	scan := filepath.Join(dir, "permit.pdf")
	if err := os.WriteFile(scan, []byte("%PDF invented"), 0o644); err != nil {
		t.Fatal(err)
	}
	hand.press(t, ctx, `#decide [href="/do/paper"]`)
	browse.Until(t, ctx, `location.pathname === "/do/paper" && document.readyState === "complete"`)
	hand.write(t, ctx, "[name=a0]", "L1")
	hand.write(t, ctx, "[name=kind]", "permit")
	hand.write(t, ctx, "[name=number]", "invented 1")
	browse.Do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("[name=scan-file]"), []string{scan}))
	hand.press(t, ctx, "form.act button")
	browse.Until(t, ctx, `document.querySelector(".said")`)

	// One is planned, moved to work, and carded.
	goTo(t, ctx, hand, "/sticks")
	goTo(t, ctx, hand, "/do/plan")
	hand.pick(t, ctx, "[name=model]", "demo-violin")
	hand.press(t, ctx, "[name=shaft-only]")
	hand.press(t, ctx, "form.act button")
	browse.Until(t, ctx, `document.querySelector("svg") && document.body.textContent.includes("stiff")`)
	browse.Readable(t, ctx, "a plan")
	goTo(t, ctx, hand, "/home")
	goTo(t, ctx, hand, "/stock")
	hand.press(t, ctx, `.sticks tbody tr:nth-child(1) th a`)
	browse.Until(t, ctx, `document.querySelector("form.act [name=state]") && document.readyState === "complete"`)
	hand.pick(t, ctx, "[name=state]", "started")
	hand.press(t, ctx, "form.act button")
	browse.Until(t, ctx, `document.querySelector(".done") && document.querySelector(".facts dd").textContent.startsWith("started")`)

	// Worked down: squared so far, a millimetre over the plan everywhere.
	readings := filepath.Join(dir, "readings.csv")
	if err := os.WriteFile(readings, []byte("at_mm,height_mm,width_mm\n0,9.6,9.6\n100,9.5,9.5\n200,9.3,9.2\n300,9.0,8.9\n400,8.6,8.4\n500,8.2,8.0\n600,7.6,7.4\n695,6.8,6.6\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	goTo(t, ctx, hand, "/sticks")
	goTo(t, ctx, hand, "/do/work")
	browse.Do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("[name=a0-file]"), []string{readings}))
	hand.pick(t, ctx, "[name=model]", "demo-violin")
	hand.write(t, ctx, "[name=blank]", graded.Blanks[0].Blank)
	hand.press(t, ctx, "form.act button")
	browse.Until(t, ctx, `document.querySelector("svg") && document.querySelector(".way-back") && document.body.textContent.includes("still to come off")`)
	goTo(t, ctx, hand, "/home")
	goTo(t, ctx, hand, "/stock")
	hand.press(t, ctx, `.sticks tbody tr:nth-child(1) th a`)
	browse.Until(t, ctx, `document.querySelector("form.act [name=state]") && document.readyState === "complete"`)
	hand.press(t, ctx, `[href^="/do/card"]`)
	browse.Until(t, ctx, `location.pathname === "/do/card" && document.readyState === "complete"`)
	hand.pick(t, ctx, "[name=a0]", "demo-violin")
	hand.press(t, ctx, "form.act button")
	browse.Until(t, ctx, `document.querySelector("svg")`)

	// The statement, and a backup.
	goTo(t, ctx, hand, "/home")
	goTo(t, ctx, hand, "/statement")
	browse.Until(t, ctx, `document.body.textContent.includes("The pieces balance.") && document.querySelector("tfoot td").textContent === "8"`)
	if _, n := browse.Print(t, ctx); n != 1 {
		t.Errorf("the statement prints on %d pages", n)
	}
	goTo(t, ctx, hand, "/home")
	hand.press(t, ctx, "[value=backup] ~ button")
	browse.Until(t, ctx, `document.querySelector(".done") && document.body.textContent.includes("Last backup on")`)
	browse.Readable(t, ctx, "home")
	if found, _ := filepath.Glob(filepath.Join(home, "ringstock backups", "*", "stock.db")); len(found) != 1 {
		t.Errorf("backups: %v", found)
	}
	if !slices.ContainsFunc(graded.Blanks, func(b grading.Blank) bool { return b.Blank == tapped }) {
		t.Errorf("the tapped blank %s is not in the delivery", tapped)
	}

	// Closed from the page.
	hand.press(t, ctx, "[value=stop] ~ button")
	browse.Until(t, ctx, `document.title === "Workshop closed" && document.readyState === "complete"`)
	if err := r.cmd.Wait(); err != nil {
		t.Errorf("closed from its page the program ends with %v\n%s", err, r.log)
	}
	if strings.Contains(r.log.String(), "panic") {
		t.Error(r.log)
	}
}

// opensMany skips a test that opens many pages.
func opensMany(t *testing.T) {
	t.Helper()
	if !slow {
		t.Skip("opens many pages: only with RINGSTOCK_SLOW=1")
	}
}
