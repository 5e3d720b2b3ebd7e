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

	"github.com/chromedp/chromedp"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/grading/report/browse"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
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
	r.cmd.Env = append(os.Environ(), "RINGSTOCK_STOCK="+filepath.Join(t.TempDir(), "stock"), "RINGSTOCK_SETTINGS="+t.TempDir())
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

const rate = 48000

// stickScene is an invented stick that is tapped n times, 2.4 s apart.
func stickScene(i, n int) synth.Scene {
	hz, q := 118+7*float64(i), 130+11*float64(i)
	s := synth.Scene{Name: fmt.Sprintf("stick %d", i), Rate: rate, DurationS: 2.4*float64(n) + .4, White: 1e-4, Seed: uint64(i) + 1}
	// Bending modes of a free bar, 760 x 14 x 14 mm with E/G = 18.3, by
	// Timoshenko's theory.
	for k, ratio := range []float64{1, 2.72614, 5.25611} {
		s.Modes = append(s.Modes, synth.Mode{Hz: hz * ratio, Q: q, Gain: .15 / float64(k+1)})
	}
	for k := range n {
		s.Strikes = append(s.Strikes, synth.Strike{AtS: .4 + 2.4*float64(k), ContactS: .001, Strength: 1, Thud: .05})
	}
	return s
}

// tape is the sound of a session: quiet, then one stick after another,
// pauses seconds apart.
func tape(sticks, taps int, pause float64) []float64 {
	whole := quiet(1.2, 1000)
	for i := range sticks {
		whole = append(append(whole, stickScene(i, taps).Render().Tracks[0]...), quiet(pause, 2000+i)...)
	}
	return whole
}

// quiet is the noise of a room.
func quiet(seconds float64, seed int) []float64 {
	return synth.Scene{Rate: rate, DurationS: seconds, White: 1e-4, Seed: uint64(seed)}.Render().Tracks[0]
}

// save writes a sound to a file.
func save(t *testing.T, path string, sound []float64) {
	t.Helper()
	if err := wavfile.Save(path, capture.Recording{Rate: rate, Bits: 16, Tracks: [][]float64{sound}}, 16); err != nil {
		t.Fatal(err)
	}
}

// loop is a file for a microphone that hears the same stick tapped for ever, with a
// pause after the last tap. So nothing depends on how soon a busy computer does
// what a test asks for.
func loop(t *testing.T, stick synth.Scene, pause float64) (path string) {
	t.Helper()
	stick.DurationS += pause
	path = filepath.Join(t.TempDir(), "microphone.wav")
	save(t, path, append(quiet(1.2, 500), stick.Render().Tracks[0]...))
	return path
}

// said runs the program and reads the one document it prints, also where it says that
// nothing could be used.
func said[T any](t *testing.T, args ...string) (out T) {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(path, args...).Output()
	if err != nil && len(text) == 0 {
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

// inRealTime skips a test that has to listen for minutes.
func inRealTime(t *testing.T) {
	t.Helper()
	if !slow {
		t.Skip("takes a minute of sound: only with RINGSTOCK_SLOW=1")
	}
}

// microphone switches the browser's microphone on or off, by keys alone.
func microphone(t *testing.T, ctx context.Context, on bool) {
	t.Helper()
	button, then := "phone", "role.mine"
	if !on {
		button, then = "hush", "!role.hears"
	}
	browse.TabTo(t, ctx, "#"+button)
	browse.Press(t, ctx, "Enter")
	browse.Until(t, ctx, then)
}

// A session of ten blanks by keys and a pedal alone: what is in the folder, and what the
// page says, is what `analyse` says of the sound that the microphone heard.
func TestBenchTenBlanksByKeys(t *testing.T) {
	inRealTime(t)
	const blanks, taps = 10, 2
	stick := stickScene(3, 4)
	for i := range stick.Modes { // a short ring, so that the taps may follow one another quickly
		stick.Modes[i].Q = 100
	}
	for k := range stick.Strikes {
		stick.Strikes[k].AtS = .4 + 1.7*float64(k)
	}
	stick.DurationS = .4 + 1.7*4
	sound := loop(t, stick, .3)
	folder := filepath.Join(t.TempDir(), "invented delivery")
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A001")
	ctx := browse.Open(t, browse.Options{Microphone: sound})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `document.querySelector("#blank").textContent === "A001" && role.holds`)
	browse.Press(t, ctx, "s")
	microphone(t, ctx, true)
	browse.Until(t, ctx, `ringing && document.querySelector("#curve .live")?.getTotalLength() > 0`) // the picture moves while it rings
	at := func(n int) string { return fmt.Sprintf(`document.querySelector("#blank").textContent === "A%03d"`, n) }
	want := said[analyses](t, "analyse", "--json", sound).Recordings[0].Ring
	for i := 1; ; i++ {
		browse.Until(t, ctx, fmt.Sprintf(`%s && state.good >= %d && state.last.good && state.last.blank === state.blank`, at(i), taps))
		last := browse.Eval[struct {
			Hz   float64
			Note string
		}](t, ctx, `({Hz: +state.last.figures.find(f => f.name === "note").x, Note: state.last.note})`)
		if math.Abs(last.Hz-want.Fundamental.Hz.X) > .1 || !strings.HasPrefix(noteName(want.Fundamental.Hz.X), last.Note) {
			t.Errorf("A%03d: the page says %s, %g Hz; the file has %.3f Hz", i, last.Note, last.Hz, want.Fundamental.Hz.X)
		}
		if i > blanks {
			break
		}
		if doubts := browse.Eval[string](t, ctx, `document.querySelector("#doubts").textContent`); strings.Contains(doubts, "may be on") || strings.Contains(doubts, "is on") {
			t.Errorf("the microphone is not as it was asked for: %s", doubts)
		}
		if i == 2 { // the other face, the end, and back
			for _, turn := range [][2]string{{"o", "other"}, {"e", "end"}, {"e", "side"}} {
				browse.Press(t, ctx, turn[0])
				browse.Until(t, ctx, fmt.Sprintf(`state.face === %q`, turn[1]))
			}
		}
		browse.Press(t, ctx, []string{"n", "PageDown"}[i%2])
		browse.Until(t, ctx, at(i+1))
	}
	// One blank more, whose taps are taken back.
	microphone(t, ctx, false)
	good := browse.Eval[int](t, ctx, `state.good`)
	browse.Press(t, ctx, "d")
	browse.Until(t, ctx, fmt.Sprintf(`state.good === %d`, good-1))
	browse.Press(t, ctx, "a")
	browse.Until(t, ctx, `!document.querySelector("#sure").hidden && state.good > 0`) // asked first
	browse.Press(t, ctx, "a")
	browse.Until(t, ctx, `state.good === 0`)

	graded := said[grading.Grading](t, "grade", "--json", folder)
	if len(graded.Blanks) != blanks+1 || len(graded.Unused) > 0 {
		t.Fatalf("%d blanks in the folder, want %d; unused: %v", len(graded.Blanks), blanks+1, graded.Unused)
	}
	for _, b := range graded.Blanks {
		if b.Blank == "A011" {
			if b.Verdict != grading.Unread {
				t.Errorf("A011: its taps were taken back, but it is %s", b.Verdict)
			}
			continue
		}
		agree(t, b.Blank, b.Ring, want)
		if b.Ring != nil && b.Ring.TapsUsed < taps {
			t.Errorf("%s: %d taps used, want %d at least", b.Blank, b.Ring.TapsUsed, taps)
		}
	}
}

// A first tap that does not sound like a blank is asked about on the page, and
// counts at the key Y.
func TestBenchDoubtfulTap(t *testing.T) {
	inRealTime(t)
	short := stickScene(1, 1)
	for i := range short.Modes { // of a stick that is shorter than any blank
		short.Modes[i].Hz *= 3
	}
	r := serve(t, filepath.Join(t.TempDir(), "invented delivery"), "127.0.0.1:0", "--blank", "A001")
	ctx := browse.Open(t, browse.Options{Microphone: loop(t, short, 1.5)})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `role.holds && document.querySelector("[data-do=count]").hidden`)
	browse.Press(t, ctx, "s")
	microphone(t, ctx, true)
	browse.Until(t, ctx, `state.last?.asked && !ringing`)
	microphone(t, ctx, false)
	browse.Until(t, ctx, `!document.querySelector("[data-do=count]").hidden && document.querySelector("#say").textContent.endsWith("or press Y to count it")`)
	if n := browse.Eval[int](t, ctx, `state.good`); n != 0 {
		t.Errorf("%d taps count without a question", n)
	}
	browse.Press(t, ctx, "y")
	browse.Until(t, ctx, `state.good === 1 && state.last.good && document.querySelector("[data-do=count]").hidden`)
}

// Sticks to be kept, left and thought over, and taps that can't be used: the page's
// verdict, score and figures are those of `grade` on the same sound and measurements, and
// what it says of a bad tap is what `analyse` says.
func TestBenchVerdicts(t *testing.T) {
	inRealTime(t)
	stick := func(q float64) synth.Scene {
		s := stickScene(1, 2)
		for i := range s.Modes {
			s.Modes[i].Q = q
		}
		return s
	}
	clipped, double := stick(200), stick(200)
	for i := range clipped.Strikes {
		clipped.Strikes[i].Strength = 15
		double.Strikes = append(double.Strikes, synth.Strike{AtS: double.Strikes[i].AtS + .09, ContactS: .001, Strength: .8, Thud: .05})
	}
	measured := []string{"760", "14,0", "14.0", "160,9"}
	mic := filepath.Join(t.TempDir(), "microphone.wav")
	save(t, mic, quiet(1, 1))
	r := serve(t, filepath.Join(t.TempDir(), "session"), "127.0.0.1:0", "--blank", "1")
	ctx := browse.Open(t, browse.Options{Microphone: mic})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `role.holds && state.blank === "1"`)
	browse.Press(t, ctx, "s")
	for i, c := range []struct {
		name     string
		stick    synth.Scene
		measured []string
		want     string // verdict, or why the taps can't be used
		good     bool
	}{
		{"long ring, measured", stick(260), measured, "keep", true},
		{"short ring, measured", stick(85), measured, "leave", true},
		{"sound alone", stick(260), nil, "maybe", true},
		{"too loud", clipped, nil, "clipped", false},
		{"struck twice", double, nil, "double strike", false},
	} {
		if i > 0 {
			microphone(t, ctx, false)
			browse.Press(t, ctx, "n")
			browse.Until(t, ctx, fmt.Sprintf(`state.blank === "%d"`, i+1))
		}
		own := t.TempDir()
		sound := append(quiet(1.2, 500+i), c.stick.Render().Tracks[0]...)
		save(t, filepath.Join(own, "own.wav"), sound)
		save(t, mic, sound)
		table := "blank,file,length_mm,height_mm,width_mm,mass_g\n1,own.wav,,,,\n"
		if c.measured != nil {
			table = strings.ReplaceAll(table, ",,,,", ",760,14,14,160.9")
			browse.Press(t, ctx, "m")
			for _, text := range c.measured {
				browse.Type(t, ctx, text)
			}
			browse.Until(t, ctx, `state.fields.find(f => f.name === "mass_g").text === "160.9"`)
			browse.Press(t, ctx, "Escape")
		}
		if err := os.WriteFile(filepath.Join(own, "delivery.csv"), []byte(table), 0o644); err != nil {
			t.Fatal(err)
		}
		microphone(t, ctx, true)
		now := fmt.Sprintf(`state.last?.blank === "%d"`, i+1)
		if !c.good {
			browse.Until(t, ctx, now)
			if say := browse.Eval[string](t, ctx, `document.querySelector("#say").textContent`); !strings.HasPrefix(say, "again: "+c.want+"; ") {
				t.Errorf("%s: the page says %q", c.name, say)
			}
			for _, tap := range said[analyses](t, "analyse", "--json", filepath.Join(own, "own.wav")).Recordings[0].Taps {
				if tap.Accepted || string(tap.Reason) != c.want {
					t.Errorf("%s: analyse accepts: %v, because %q; want %q", c.name, tap.Accepted, tap.Reason, c.want)
				}
			}
			continue
		}
		browse.Until(t, ctx, now+` && state.good >= 2 && document.querySelector("#say").textContent === "good"`)
		page := browse.Eval[struct {
			Verdict, Shown, Score string
			Reasons               []string
			Figures               []struct{ Name, X, U string }
		}](t, ctx, `({Shown: document.querySelector("#verdict").textContent, ...state})`)
		b := said[grading.Grading](t, "grade", "--json", own).Blanks[0]
		if string(b.Verdict) != c.want || page.Verdict != c.want || !strings.Contains(page.Shown, c.want) {
			t.Errorf("%s: the page says %q, grade says %q, want %q", c.name, page.Shown, b.Verdict, c.want)
		}
		if len(page.Reasons) == 0 || len(b.Reasons) == 0 {
			t.Errorf("%s: no reasons: page %q, grade %q", c.name, page.Reasons, b.Reasons)
		}
		same := func(name, text string, want measure.Value) {
			t.Helper()
			var x, u float64
			if n, _ := fmt.Sscanf(text, "%g ± %g", &x, &u); n < 1 && want.Known() {
				t.Errorf("%s: %s is %q on the page, %s in the file", c.name, name, text, want.Text(""))
				return
			}
			// A figure is rounded to a tenth of its uncertainty or finer, a pitch to
			// 0.001 Hz.
			if d := math.Abs(x - want.X); want.Known() && d > 2*math.Hypot(u, want.U)+.05*u {
				t.Errorf("%s: %s is %q on the page, %s in the file", c.name, name, text, want.Text(""))
			}
		}
		same("score", page.Score, b.Score)
		values := map[string]measure.Value{"note": b.Ring.Fundamental.Hz, "sustain Q": b.Ring.Fundamental.Q, "60 dB in": b.Ring.Fundamental.T60S,
			"purity": b.Ring.PurityPct, "density": b.Wood.Density, "E/ρ": b.Wood.SpecificModulus}
		if len(page.Figures) != len(values) {
			t.Errorf("%s: figures %v", c.name, page.Figures)
		}
		for _, f := range page.Figures {
			same(f.Name, f.X+" ± "+f.U, values[f.Name])
		}
	}
	if l := r.log.String(); strings.Contains(l, "panic") {
		t.Error(l)
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
	stick := stickScene(1, 1)
	for i := range stick.Modes {
		stick.Modes[i].Q *= 1.55
	}
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A017", "--stock-dir", stock)
	ctx := browse.Open(t, browse.Options{Microphone: loop(t, stick, 7)})
	shot := func(name string, w, h int64, dark bool) {
		t.Helper()
		browse.Do(t, ctx, browse.View(w, h, dark))
		if name == "bench-rings" {
			browse.Until(t, ctx, `ringing && live?.points.at(-1)?.[0] > .7`)
		} else if browse.Eval[bool](t, ctx, `location.pathname === "/"`) {
			browse.Until(t, ctx, `!ringing && !live`)
		}
		browse.Shot(t, ctx, filepath.Join(*screenshots, name+".png"))
	}
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `role.holds && state.blanks.length > 5 && state.best`)
	shot("bench-start", 1280, 800, false)
	browse.Press(t, ctx, "s")
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	shot("bench-rings", 1280, 800, true)
	browse.Until(t, ctx, `state.good >= 1`)
	browse.Press(t, ctx, "m")
	for _, v := range []string{"760", "14,02", "14.05", "152,6"} {
		browse.Type(t, ctx, v)
	}
	browse.Until(t, ctx, `state.fields.find(f => f.name === "mass_g").text === "152.6"`)
	browse.Press(t, ctx, "Escape")
	browse.Until(t, ctx, `state.good >= 3`)
	shot("bench-1280", 1280, 800, false)
	shot("bench-1280-dark", 1280, 800, true)
	shot("bench-1920", 1920, 1080, false)
	shot("bench-1920-dark", 1920, 1080, true)
	shot("bench-phone", 390, 844, false)
	browse.Press(t, ctx, "n")
	browse.Until(t, ctx, `state.good >= 1 && state.blank !== "A017"`)
	browse.Press(t, ctx, "m")
	browse.Type(t, ctx, "76")
	browse.Until(t, ctx, `document.querySelector("#asked").textContent !== ""`)
	shot("bench-asked", 1280, 800, false)
	browse.Press(t, ctx, "Escape")
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("[data-do=keys]")))
	shot("bench-keys", 1280, 800, false)
	for _, page := range []struct{ name, path string }{{"stock", "stock"}, {"statement", "statement"}} {
		browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address+page.path))
		shot("bench-"+page.name, 1280, 800, false)
		shot("bench-"+page.name+"-phone", 390, 844, true)
	}
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address+"stock"), chromedp.Click(chromedp.CSS("tbody a")))
	shot("bench-stick", 1280, 1000, false)
}

// Pages are loaded anew, looked at from a second tab, and the program dies in the middle:
// what was said to be good is there, once, and the session goes on.
func TestBenchLosesNothing(t *testing.T) {
	inRealTime(t)
	folder := filepath.Join(t.TempDir(), "invented delivery")
	const evil = `<img src=x onerror=alert(1)>`
	away := browse.Options{Forgive: "/live"} // a server that is away
	r := serve(t, folder, "127.0.0.1:0", "--blank", evil+"1")
	ctx := browse.Open(t, browse.Options{Microphone: loop(t, stickScene(3, 2), .6), Forgive: away.Forgive})
	type tap struct {
		Serial int
		Blank  string
	}
	heard := map[tap]bool{} // good taps that a page has told of
	open := func() {
		t.Helper()
		browse.Eval[bool](t, ctx, `told = []; { const was = show; show = s => {
			if (s !== state && s.last?.good && s.last.serial !== told.at(-1)?.serial) told.push({serial: s.last.serial, blank: s.last.blank});
			was(s); }; } true`)
	}
	note := func(run int) { // of the program, which counts the taps anew
		t.Helper()
		for _, x := range browse.Eval[[]tap](t, ctx, `told`) {
			heard[tap{x.Serial + 1000*run, x.Blank}] = true
		}
		t.Logf("good taps that the page told of: %v", browse.Eval[[]tap](t, ctx, `told`))
	}
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `role.holds && document.querySelector("#blank").textContent.startsWith("<img")`)
	open()
	if n := browse.Eval[int](t, ctx, `document.querySelectorAll("img").length`); n != 0 {
		t.Error("the name of a blank became a picture")
	}
	browse.Press(t, ctx, "s")
	browse.Eval[bool](t, ctx, `keep("taps", 2); true`)
	browse.Press(t, ctx, "h")
	browse.Until(t, ctx, `state.hands_free === 2`)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	browse.Until(t, ctx, `role.mine`)
	// The blanks go on by themselves, so all that is known is which ones are past.
	const number = `(state && +state.blank.match(/[0-9]+$/)[0])`
	past := func(n int) string { return fmt.Sprintf("%s > %d", number, n) }
	now := func() int { t.Helper(); return browse.Eval[int](t, ctx, number) }
	browse.Until(t, ctx, past(1))

	// A second tab sees the same and disturbs nothing.
	second := browse.Tab(t, ctx, away)
	browse.Do(t, second, chromedp.Navigate(r.address))
	browse.Until(t, second, past(1)+` && role.held && !role.holds && !document.querySelector("#viewer").hidden && state.blanks.length >= 1`)
	n := now()
	browse.Press(t, second, "n")
	browse.Until(t, ctx, past(n))
	browse.Until(t, second, past(n))

	// The page is loaded anew, and shows how things stand.
	note(1)
	n = now()
	browse.Do(t, ctx, chromedp.Reload())
	browse.Until(t, ctx, past(n-1)+` && state.hands_free === 2 && state.blanks.length >= 2 && document.querySelectorAll("#blanks tr").length === state.blanks.length`)
	open()
	browse.Until(t, ctx, `role.mine`)
	n = now()
	browse.Until(t, ctx, past(n))

	// The program dies and is started again.
	r.kill()
	browse.Until(t, ctx, `!document.querySelector("#broken").hidden`)
	note(1)
	n = now()
	browse.Eval[bool](t, ctx, `told = []; true`)
	r = serve(t, folder, r.host())
	browse.Until(t, ctx, fmt.Sprintf(`document.querySelector("#broken").hidden && state.blanks.length >= %d`, n-1))
	again := now() // where it goes on, by hand until it is told otherwise
	browse.Until(t, ctx, `role.mine`)
	browse.Press(t, ctx, "h")
	browse.Until(t, ctx, `state.hands_free === 2`)
	browse.Until(t, ctx, past(again+1))

	// Measurements: the focus moves on by itself, and what can hardly be is asked back.
	browse.Press(t, ctx, "m")
	of := browse.Eval[string](t, ctx, `fieldsOf`)
	browse.Type(t, ctx, "760,5")
	browse.Until(t, ctx, `document.activeElement.name === "height_mm"`)
	browse.Type(t, ctx, "140.2")
	browse.Until(t, ctx, `document.querySelector("#asked").textContent.includes("unusual") && document.activeElement.name === "height_mm"`)
	browse.Type(t, ctx, "14.02")
	browse.Until(t, ctx, `document.activeElement.name === "width_mm" && document.querySelector("#asked").textContent === ""`)
	browse.Press(t, ctx, "Escape")
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#hush")))
	browse.Until(t, ctx, `!role.hears`)
	note(2)
	last := now()
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
	for n := 1; n < last; n++ {
		b := have[fmt.Sprint(evil, n)]
		if n != again && (b.Ring == nil || b.Ring.TapsUsed != 2 || len(b.Row.File) != 2) {
			t.Errorf("%s%d: files %v, want two good taps", evil, n, b.Row.File)
		}
	}
	told := map[string]int{}
	for x := range heard {
		told[x.Blank]++
	}
	if len(told) < 4 {
		t.Errorf("good taps were told of %v only", told)
	}
	for blank, n := range told {
		if have[blank].Ring == nil || have[blank].Ring.TapsUsed < n || len(have[blank].Row.File) < n {
			t.Errorf("%s: %d good taps were told, the folder has %v", blank, n, have[blank].Row.File)
		}
	}
	if row := have[of].Row; row.LengthMM.X != 760.5 || row.HeightMM.X != 14.02 {
		t.Errorf("%s: length %v, height %v in the table, want 760.5 and 14.02", of, row.LengthMM, row.HeightMM)
	}
}

// Every page passes axe-core, in light, dark and on a phone.
func TestBenchAccessible(t *testing.T) {
	axe := browse.Axe(t)
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
	r := serve(t, folder, "127.0.0.1:0", "--blank", "A1", "--stock-dir", stock)
	ctx := browse.Open(t, browse.Options{Microphone: loop(t, stickScene(0, 1), 2)})
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate(r.address))
	browse.Until(t, ctx, `role.holds && state.blanks.length > 5`)
	browse.Accessible(t, ctx, axe, "at the start", 20)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#phone")))
	browse.Until(t, ctx, `state.good >= 1`)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("#hush")))
	browse.Until(t, ctx, `!role.hears && !ringing`)
	browse.Accessible(t, ctx, axe, "after a tap", 20)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS("[data-do=keys]")))
	browse.Accessible(t, ctx, axe, "keys", 10)
	for _, page := range []string{"stock", "statement"} {
		browse.Do(t, ctx, chromedp.Navigate(r.address+page))
		browse.Accessible(t, ctx, axe, page, 10)
	}
	browse.Do(t, ctx, chromedp.Navigate(r.address+"stock"), chromedp.Click(chromedp.CSS("tbody a")))
	browse.Accessible(t, ctx, axe, "stick", 10)
}
