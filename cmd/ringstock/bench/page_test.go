package bench

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/capture"
	"ringstock/grading"
	"ringstock/grading/report/browse"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// open opens the page of a bench that runs, with an invented state.
func open(t *testing.T, o browse.Options) (*bencher, context.Context) {
	t.Helper()
	b := start(t, Options{})
	ctx := browse.Open(t, o)
	b.f.set(func(st *State) { *st = invented() })
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate("http://"+b.host+"/"))
	browse.Until(t, ctx, `role.holds && state`)
	return b, ctx
}

// set changes the state and says so.
func (f *fake) set(how func(*State)) {
	f.mu.Lock()
	how(&f.st)
	f.mu.Unlock()
	f.changed()
}

// invented is the state of a session with many warnings; nothing of it was measured.
func invented() State {
	ring := spectrum.Ring{PurityPct: measure.Of(96.4, 1.2), Fundamental: spectrum.Partial{Hz: measure.Of(121.315, .004), Q: measure.Of(187, 3), T60S: measure.Of(.84, .01)}}
	st := State{Delivery: "invented delivery", Face: TheFace, Good: 3, Room: "the room: noise −62 dB, hum at 100, 150 Hz (left out of what is measured)", RoomPoor: true,
		Notice: "the first taps of blank A017 (1) were otherwise than those since (2): they were taken out, and these count",
		Rig:    []string{"the microphone's noise suppression may be on, the browser does not say; it cuts the end of the ring off: switch it off in the system's sound settings, or use another browser or microphone"}}
	for i := range 40 {
		b := grading.Blank{Blank: fmt.Sprintf("A%03d", i+1), Verdict: grading.Maybe, Rank: i + 1, Score: measure.Of(80-float64(i), 3), Ring: &ring,
			Reasons: []string{"the density is not known: measure the mass, which would narrow it most; the sustain is within its uncertainty of the limit of Q 180"}}
		b.Row = grading.Row{Blank: b.Blank}
		b.Wood.Density, b.Wood.SpecificModulus = measure.Of(1052, 4), measure.Of(22.4, .2)
		b.Wood.MeasureNext = "measure the width at three more places: density now ±0.71 %, then ±0.56 % (95 %)"
		b.Warnings = []capture.Warning{{Code: "hum", Text: "mains hum at 100 Hz is 20 dB under the fundamental; it was fitted and taken out"}}
		st.Blanks = append(st.Blanks, b)
	}
	st.Now = st.Blanks[16]
	st.Last = &Tap{Serial: 3, Blank: "A017", Face: TheFace, Good: true, Ring: &ring, Note: "B2 -31 cents",
		Curve: &Curve{Blank: "A017", Decay: []spectrum.Point{{X: 0, Y: 0}, {X: .5, Y: -36}, {X: 1.6, Y: -38}}, Fit: []spectrum.Point{{X: 0, Y: 0}, {X: 1.6, Y: -114}}}}
	return st
}

// On the screens that stand at dealers' all that warns can be read.
func TestBenchIsReadable(t *testing.T) {
	_, ctx := open(t, browse.Options{})
	for _, s := range [][2]int64{{1366, 768}, {1280, 720}, {1440, 900}, {1920, 1080}, {390, 844}, {320, 640}} {
		browse.Do(t, ctx, browse.View(s[0], s[1], false))
		browse.Eval[bool](t, ctx, `dispatchEvent(new Event("resize")); true`)
		browse.Readable(t, ctx, fmt.Sprint(s))
		for _, text := range []string{"noise suppression", "Measure next"} {
			if s[0] <= 640 && text == "Measure next" {
				continue
			}
			browse.Until(t, ctx, fmt.Sprintf(`(() => {
				const li = [...document.querySelectorAll("#doubts li")].find(l => l.textContent.includes(%q));
				li.scrollIntoView({block: "nearest"});
				const r = li.getBoundingClientRect(), at = document.elementFromPoint(r.left + 20, r.top + 8);
				return li.contains(at);
			})()`, text))
		}
	}
}

// A fitted line that leaves the picture is cut at its edge, not bent along it.
func TestBenchFitOfShortRing(t *testing.T) {
	_, ctx := open(t, browse.Options{})
	slope := browse.Eval[float64](t, ctx, `(() => {
		const n = document.querySelector("#curve .fit").getAttribute("d").match(/[\d.]+/g).map(Number), right = 1000 / 2;
		const depth = document.querySelector("#axis-y span:last-child").textContent === "−40" ? 40 : 60;
		return -60 / ((n[3] - n[1]) / 400 * -depth / ((n[2] - n[0]) / right));
	})()`)
	if slope < .82 || slope > .86 {
		t.Errorf("the line falls by 60 dB in %.2f s, the ring in 0.84 s", slope)
	}
}

// One key does not empty a blank.
func TestBenchAsksBeforeItEmptiesABlank(t *testing.T) {
	b, ctx := open(t, browse.Options{})
	again := func() (n int) {
		for _, a := range b.f.was() {
			if strings.HasPrefix(a, "again") {
				n++
			}
		}
		return n
	}
	browse.Press(t, ctx, "a")
	browse.Until(t, ctx, `!document.querySelector("#sure").hidden && document.querySelector("#sure").textContent.includes("all 3 good taps of A017")`)
	browse.Press(t, ctx, "Escape")
	browse.Until(t, ctx, `document.querySelector("#sure").hidden`)
	browse.Press(t, ctx, "a")
	browse.Until(t, ctx, `!document.querySelector("#sure").hidden`)
	if n := again(); n != 0 {
		t.Fatalf("a blank was emptied without a question")
	}
	browse.Press(t, ctx, "a")
	browse.Until(t, ctx, `document.querySelector("#sure").hidden`)
	for again() != 1 {
		browse.Until(t, ctx, `true`)
	}
}

// What is heard of the microphone stands in the headline, and a meter without a
// microphone is empty.
func TestBenchTellsOfTheMicrophone(t *testing.T) {
	b, ctx := open(t, browse.Options{})
	b.f.set(func(st *State) { st.Last = nil })
	browse.Eval[bool](t, ctx, `document.querySelector("#meter i").style.transform = "scaleX(0.7)";
		navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException("no", "NotAllowedError"));
		document.querySelector("#phone").click(); true`)
	browse.Until(t, ctx, `document.querySelector("#say").textContent.startsWith("The browser may not use a microphone")`)
	browse.Eval[bool](t, ctx, `showRole(); true`)
	browse.Until(t, ctx, `document.querySelector("#meter i").style.transform === "scaleX(0)" && document.querySelector("#hears").textContent === "No microphone is on."`)
}

// The list shows the blank in hand, and says how far the folder has been looked through.
func TestBenchList(t *testing.T) {
	b, ctx := open(t, browse.Options{})
	const seen = `(() => { const r = document.querySelector("#blanks .now").getBoundingClientRect(), p = document.querySelector("#list .scroll").getBoundingClientRect(); return r.top >= p.top && r.bottom <= p.bottom + 1; })()`
	browse.Until(t, ctx, seen)
	b.f.set(func(st *State) { st.Now = st.Blanks[38] })
	browse.Until(t, ctx, `state.blank === "A039" && `+seen)
	b.f.set(func(st *State) { st.Blanks, st.Looking = nil, "Looking through the folder: 12 of 300 blanks" })
	browse.Until(t, ctx, `document.querySelector("#none").textContent.includes("12 of 300") && document.querySelector("#none").checkVisibility()`)
}

// A link with the token opens also from a page of another site, as a mail in a browser
// is.
func TestTokenFromAMail(t *testing.T) {
	b := start(t, Options{Token: "secret-of-the-test"})
	mail := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!doctype html><link rel="icon" href="data:,"><a id="link" href="http://%s/?token=secret-of-the-test">the bench</a>`, b.host)
	}))
	defer mail.Close()
	ctx := browse.Open(t, browse.Options{})
	browse.Do(t, ctx, chromedp.Navigate(strings.Replace(mail.URL, "127.0.0.1", "localhost", 1)), chromedp.Click(chromedp.CSS("#link")))
	browse.Until(t, ctx, `location.search === "" && document.querySelector("#blank")?.textContent === "A001"`)
}
