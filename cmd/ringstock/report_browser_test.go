package main

import (
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/grading/report/browse"
)

// The report of the demo, opened from the disk without a network: its pictures are there,
// its players have sound, its table sorts, and it asks for nothing. Screenshots of it,
// and what it prints:
//
//	go test ./cmd/ringstock -run DemoReport -args -screenshots DIR
func TestDemoReportWithoutNetwork(t *testing.T) {
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(t.TempDir(), "ringstock-demo")
	if out, err := exec.Command(path, "demo", folder).CombinedOutput(); err != nil {
		t.Fatalf("ringstock demo: %v\n%s", err, out)
	}
	ctx := browse.Open(t, browse.Options{Offline: true, Forgive: "ERR_PROXY"})
	var asked atomic.Bool
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { asked.Store(true) }))
	defer server.Close()
	if said := browse.Eval[string](t, ctx, `fetch("`+server.URL+`", {mode: "no-cors"}).then(() => "answered", () => "no network")`); said != "no network" || asked.Load() {
		t.Fatalf("this browser has a network: %s", said)
	}
	requests := browse.Requests(t, ctx)
	browse.Do(t, ctx, browse.View(1280, 800, false), chromedp.Navigate("file://"+filepath.Join(folder, "report", "report.html")))
	const inFull = `document.querySelector("article .body > noscript") === null`
	browse.Until(t, ctx, inFull)
	for selector, least := range map[string]float64{".map": .004, ".strip": .3, "#b1 .spectrum": .01, "#b1 .decay": .005, "#b1 .heat": .05, "#b1 .taps": .005} {
		browse.Drawn(t, ctx, selector, least)
	}
	if n := browse.Eval[int](t, ctx, `document.querySelectorAll("article.blank").length`); n != 24 {
		t.Errorf("%d blanks, want 24", n)
	}
	// RMS of each player's sound; a tap to listen to peaks at half of full scale.
	silent := browse.Eval[[]string](t, ctx, `(async () => {
		const context = new OfflineAudioContext(1, 1, 16000), out = [];
		for (const audio of document.querySelectorAll("audio")) {
			const bytes = Uint8Array.from(atob(audio.src.split(",")[1]), c => c.charCodeAt(0));
			const x = (await context.decodeAudioData(bytes.buffer)).getChannelData(0);
			if (x.length < 8000 || Math.max(...x.map(Math.abs)) < .3) out.push(audio.ariaLabel);
		}
		return document.querySelector("audio") ? out : ["no player"];
	})()`)
	if len(silent) > 0 {
		t.Errorf("without sound: %q", silent)
	}
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS(`th[data-key=f1] button`)))
	if got := browse.Eval[string](t, ctx, `document.querySelector("th[data-key=f1]").ariaSort`); got != "descending" {
		t.Errorf("after a click on a column aria-sort is %q", got)
	}
	browse.Do(t, ctx, browse.Paper())
	browse.Readable(t, ctx, "on A4")
	if dir := *screenshots; dir != "" {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		browse.Do(t, ctx, chromedp.Reload())
		browse.Until(t, ctx, inFull)
		for _, dark := range []bool{false, true} {
			tone := map[bool]string{false: "", true: "-dark"}[dark]
			browse.Do(t, ctx, browse.View(1280, 1150, dark))
			for name, top := range map[string]string{"report": "html", "report-listen": "#listen", "report-blank": "#b1", "report-doubts": "#b13"} {
				browse.Jump(t, ctx, top)
				browse.Shot(t, ctx, filepath.Join(dir, name+tone+".png"))
			}
		}
		pdf, _ := browse.Print(t, ctx)
		if err := os.WriteFile(filepath.Join(dir, "report.pdf"), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, url := range requests() {
		if !strings.HasPrefix(url, "file://") && !strings.HasPrefix(url, "data:") && url != "about:blank" {
			t.Errorf("the page asked for %.100s", url)
		}
	}
	if len(requests()) == 0 {
		t.Error("no request was seen at all, not even the page's own")
	}
}
