package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"image"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/wavfile"
	"ringstock/grading/demo"
)

// TestExamples runs every example of every help text, those of one help one after the
// other, in a folder with what a maker has there: the demo's blanks, in the stock
// too, cards and a scan.
func TestExamples(t *testing.T) {
	if !slow {
		t.Skip("RINGSTOCK_SLOW is not set: all examples take a minute")
	}
	w := newExampleWorld(t)
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
		var lines []string
		for line := range strings.Lines(strings.ReplaceAll(cmd.Example, "\\\n", "")) {
			if line = strings.TrimSpace(line); line != "" {
				lines = append(lines, line)
			}
		}
		if len(lines) == 0 {
			return
		}
		t.Run(cmd.CommandPath(), func(t *testing.T) {
			dir := w.copyTo(t)
			for _, line := range lines {
				w.run(t, dir, line)
			}
		})
	}
	walk(newRoot())
}

// exampleWorld is a folder to run examples in copies of.
type exampleWorld struct {
	dir     string
	standIn *strings.Replacer // of what an example can't know: an entry's id, the head of the ledger
}

func newExampleWorld(t *testing.T) *exampleWorld {
	t.Helper()
	w := &exampleWorld{dir: t.TempDir(), standIn: strings.NewReplacer()}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(name string, text []byte) {
		t.Helper()
		path := filepath.Join(w.dir, name)
		must(errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, text, 0o666)))
	}
	read := func(name string) []byte {
		t.Helper()
		text, err := os.ReadFile(filepath.Join(w.dir, name))
		must(err)
		return text
	}
	must(demo.Write(filepath.Join(w.dir, "ringstock-demo"), demo.Blanks(demo.Seed)))
	write("taps.wav", read("ringstock-demo/D12.wav"))
	bar := synth.Scene{Rate: 44100, DurationS: 5.5, White: 1e-4, Device: synth.Device{Bits: 16}, Seed: 1}
	// A steel bar 600 mm long and 10 mm thick by Euler and Bernoulli: E/rho = 26.6e6
	// m2/s2 gives 127.3 Hz.
	for i, ratio := range []float64{1, 2.7565, 5.4039} {
		bar.Modes = append(bar.Modes, synth.Mode{Hz: 127.3 * ratio, Q: 900, Gain: 0.1 / float64(i+1)})
	}
	for _, at := range []float64{1.2, 2.6, 4.0} {
		bar.Strikes = append(bar.Strikes, synth.Strike{AtS: at, ContactS: 0.001, Strength: 1, Thud: 0.05})
	}
	must(wavfile.Save(filepath.Join(w.dir, "bar.wav"), bar.Render(), 16))
	must(wavfile.Save(filepath.Join(w.dir, "clap.wav"), clap(), 16))
	write("permit.pdf", []byte("%PDF-1.4\n% invented\n"))
	w.drawScans(t)

	card := w.run(t, w.dir, "ringstock card demo-violin --text")
	for _, name := range []string{"old-one.toml", "new-one.toml", "mine.toml"} {
		write(name, card)
	}
	for _, name := range []string{"1", "2", "3", "4", "5"} {
		write("my-bows/"+name+".toml", card)
	}
	write("my-profile.toml", w.run(t, w.dir, "ringstock profile violin"))
	stations := "at_mm,height_mm,width_mm\n0,8.6,8.6\n110,8.6,8.6\n350,7.8,7.8\n500,6.9,6.9\n700,5.4,5.4\n"
	write("old-one.csv", []byte(stations))
	write("round.csv", []byte(strings.NewReplacer(".6", ".9", ".8", ".9", ".4", ".8").Replace(stations)))

	w.run(t, w.dir, "ringstock stock add ringstock-demo")
	w.run(t, w.dir, `ringstock stock add --number E6 --length-mm 750 --height-mm 14.0 --width-mm 13.1 --mass-g 148 --lot L7`)
	w.run(t, w.dir, "ringstock stock backup media/earlier")
	w.run(t, w.dir, "ringstock stock export laptop.jsonl")
	var check struct{ Head string }
	must(json.Unmarshal(w.run(t, w.dir, "ringstock stock check --json"), &check))
	entry := regexp.MustCompile(`(?m)^  (\w{4,}) \S+ measured width`).FindSubmatch(w.run(t, w.dir, "ringstock stock show D12"))
	if entry == nil || check.Head == "" {
		t.Fatalf("no entry or no head: %q %q", entry, check.Head)
	}
	w.standIn = strings.NewReplacer(
		"7m2k-9c1h-4x8r-3t5v-7m2k-9c1h-4x8r-3t5v", check.Head, "correct 12 --entry 7m2k", "correct D12 --entry "+string(entry[1]),
		"repair --from /media/usb/stock", "repair --from media/earlier", "/media/usb/", "media/")
	return w
}

// clap is one in a quiet room: a burst of noise and what the room makes of it.
func clap() capture.Recording {
	const rate = 44100
	random := rand.New(rand.NewPCG(1, 2))
	track := make([]float64, 6*rate)
	for i := range track {
		s := float64(i)/rate - 3
		x := 1e-4 * random.NormFloat64()
		if s >= 0 {
			x += (0.2*math.Exp(-s/0.003) + 0.02*math.Exp(-s/0.045)) * random.NormFloat64()
		}
		track[i] = max(min(x, 0.99), -0.99)
	}
	return capture.Recording{Rate: rate, Bits: 16, Tracks: [][]float64{track}}
}

// drawScans draws what the examples of tracing name: a pencil line in a scan, and one in
// a picture that is taken a little aslant.
func (w *exampleWorld) drawScans(t *testing.T) {
	t.Helper()
	draw := func(width, height int, x0, y0, x1, y1, deep float64) image.Image {
		img := image.NewGray(image.Rect(0, 0, width, height))
		for i := range img.Pix {
			x, y := float64(i%img.Stride), float64(i/img.Stride)
			u := (x - x0) / (x1 - x0)
			img.Pix[i] = uint8(220 + i*7%5)
			if d := math.Abs(y - y0 - u*(y1-y0) - deep*4*u*(1-u)); u >= 0 && u <= 1 && d < 3 {
				img.Pix[i] -= uint8(110 * min(3-d, 1))
			}
		}
		return img
	}
	var scan, photo bytes.Buffer
	if err := errors.Join(png.Encode(&scan, draw(5344, 420, 310, 200, 5034, 212, 110)),
		jpeg.Encode(&photo, draw(4000, 1100, 110, 800, 3905, 780, 80), &jpeg.Options{Quality: 95}),
		os.WriteFile(filepath.Join(w.dir, "scan.png"), scan.Bytes(), 0o666),
		os.WriteFile(filepath.Join(w.dir, "photo.jpg"), photo.Bytes(), 0o666)); err != nil {
		t.Fatal(err)
	}
}

// copyTo makes a copy of the world; recordings, which nothing changes, are linked.
func (w *exampleWorld) copyTo(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := filepath.WalkDir(w.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(w.dir, path)
		to := filepath.Join(dir, name)
		if err != nil || d.IsDir() {
			return errors.Join(err, os.MkdirAll(to, 0o777))
		}
		if filepath.Ext(name) == ".wav" && os.Link(path, to) == nil {
			return nil
		}
		text, err := os.ReadFile(path)
		return errors.Join(err, os.WriteFile(to, text, 0o666))
	}); err != nil {
		t.Fatal(err)
	}
	return dir
}

// run runs one line as a shell would, and returns what it printed.
func (w *exampleWorld) run(t *testing.T, dir, line string) []byte {
	t.Helper()
	call, to, toFile := strings.Cut(w.standIn.Replace(line), " > ")
	var words []string
	for _, s := range regexp.MustCompile(`(?:"[^"]*"|'[^']*'|[^\s"'])+`).FindAllString(call, -1) {
		words = append(words, strings.NewReplacer(`"`, "", `'`, "").Replace(s))
	}
	// A tape is played as fast as it is heard; where a microphone would listen, a
	// recording is played.
	words = slices.DeleteFunc(words, func(s string) bool { return s == "--pace" })
	if (words[1] == "listen" || words[1] == "check") && !slices.Contains(words, "--from") {
		from := "taps.wav"
		if words[1] == "check" {
			from = "clap.wav"
		}
		if slices.Contains(words, "--metal") {
			from = "bar.wav"
		}
		words = append(words, "--from", from)
	}
	cmd := selfCommand(t, words[1:]...)
	cmd.Dir = dir
	// The day on which the stock was begun, so that no day named in an
	// example has still to come.
	cmd.Env = append(os.Environ(), "RINGSTOCK_STOCK="+filepath.Join(dir, "stock"), "RINGSTOCK_SETTINGS="+filepath.Join(dir, "settings"),
		"RINGSTOCK_BROWSER=true", "TODAY=2031-12-31")
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if words[1] == "bench" {
		w.interrupted(t, cmd, line)
		return nil
	}
	if err := cmd.Run(); err != nil {
		t.Errorf("%s: %v\n%s%s", line, err, errs.Bytes(), out.Bytes())
	}
	if out.Len()+errs.Len() == 0 {
		t.Errorf("%s: nothing was printed", line)
	}
	if toFile {
		if err := os.WriteFile(filepath.Join(dir, to), out.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return out.Bytes()
}

// interrupted runs a program that does not end by itself: it must print its address,
// and end when asked.
func (w *exampleWorld) interrupted(t *testing.T, cmd *exec.Cmd, line string) {
	t.Helper()
	cmd.Stdout = nil
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stop := time.AfterFunc(2*time.Minute, func() { cmd.Process.Kill() })
	defer stop.Stop()
	first := make([]byte, 7)
	if _, err := pipe.Read(first); err != nil || string(first) != "http://" {
		t.Errorf("%s: %q, %v; %s", line, first, err, cmd.Stderr)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Error(err)
	}
	if err := cmd.Wait(); err != nil && cmd.ProcessState.ExitCode() != 130 {
		t.Errorf("%s: %v; %s", line, err, cmd.Stderr)
	}
}
