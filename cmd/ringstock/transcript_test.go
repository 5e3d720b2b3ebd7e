package main

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

const (
	transcriptFile    = "testdata/ten-blanks.txt"
	transcriptCommand = "listen ten --hands-free --blank D01 --blanks 10 --from ten.wav"
)

// TestTranscript: the session of ten blanks is told as testdata/ten-blanks.txt
// has it, and the README shows the beginning and the end of that. Both are
// written anew with -update.
func TestTranscript(t *testing.T) {
	if !slow {
		t.Skip("hears a tape of ten blanks: only with RINGSTOCK_SLOW=1")
	}
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits may be others on other processors")
	}
	profile, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := writeTape(t.Context(), filepath.Join(dir, "ten.wav"), profile); err != nil {
		t.Fatal(err)
	}
	cmd := selfCommand(t, strings.Fields(transcriptCommand)...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	readme := document(t, "README.md")
	before, after, _ := strings.Cut(readme, "$ ringstock "+transcriptCommand+"\n")
	shown, after, ok := strings.Cut(after, "```\n")
	if !ok {
		t.Fatal("the README has no transcript of", transcriptCommand)
	}
	want := string(out)
	head, _, _ := strings.Cut(want, "blank D02,")
	_, tail, ok := strings.Cut(want, "\nrank ")
	if !ok {
		t.Fatalf("there is no ranking:\n%s", out)
	}
	excerpt := head + "[... D02 to D10 ...]\n\nrank " + tail
	if *update {
		text := before + "$ ringstock " + transcriptCommand + "\n" + excerpt + "```\n" + after
		if err := os.WriteFile(filepath.Join(root, "README.md"), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(transcriptFile, out, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	golden, err := os.ReadFile(transcriptFile)
	if err != nil || string(golden) != want {
		t.Errorf("%s is not what the program says today (%v); `go test ./cmd/ringstock -run Transcript -update` writes it anew:\n%s", transcriptFile, err, out)
	}
	if shown != excerpt {
		t.Errorf("the README's transcript is not what the program says today; `go test ./cmd/ringstock -run Transcript -update` writes it anew")
	}
}
