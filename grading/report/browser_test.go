package report

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

var screenshotsDir = flag.String("screenshots", "", "write screenshots of the invented report into this folder")

func TestMain(m *testing.M) {
	flag.Parse()
	os.Exit(m.Run())
}

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

// scheme asks for dark or light colours.
func scheme(dark bool) chromedp.Action[chromedp.Void] {
	value := "light"
	if dark {
		value = "dark"
	}
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}}})
		return chromedp.Void{}, err
	}
}
