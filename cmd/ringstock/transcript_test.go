package main

import (
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading/demo"
)

// patient is a person who taps one blank of the invented delivery after the other, each until told that it has
// its taps. What was played is kept.
type patient struct {
	blanks []demo.Blank
	room   synth.Scene // all of it is heard in one room
	sound  []float64   // still to come of the present one
	played []float64
}

// next puts the present blank down and takes up the next one: the sound of the one fades over into that of
// the other. After its five taps there is time for the verdict; if it is not done, there are more.
func (p *patient) next() {
	s := p.blanks[0].Scene(demo.Height)
	p.blanks = p.blanks[1:]
	if p.room.Rate == 0 {
		p.room = s
	}
	s.Pink, s.White, s.Hum, s.Room = p.room.Pink, p.room.White, p.room.Hum, p.room.Room
	last := 0.0
	for _, strike := range s.Strikes {
		last = max(last, strike.AtS)
	}
	const handling, pause = 4, 4.5 // s: until the first tap; between further ones
	for i := range s.Strikes {
		s.Strikes[i].AtS += handling
	}
	for i := range s.Talk {
		s.Talk[i].AtS += handling
	}
	last += handling
	for range 3 {
		last += pause
		more := s.Strikes[0]
		more.AtS = last
		s.Strikes = append(s.Strikes, more)
	}
	s.DurationS, s.Device = last+pause, synth.Device{}
	sound := s.Render().Tracks[0]
	fade := min(len(p.sound), int(0.1*p.Rate()))
	for i, x := range p.sound[:fade] {
		w := float64(i+1) / float64(fade+1)
		sound[i] = w*sound[i] + (1-w)*x
	}
	const full = 1 << 23 // as the file has it
	for i, x := range sound {
		sound[i] = min(max(math.RoundToEven(x*full), -full), full-1) / full
	}
	p.sound = sound
}

func (p *patient) Rate() float64 { return 48000 }
func (p *patient) Close() error  { return nil }
func (p *patient) Read(b *capture.Block) error {
	n := min(480, len(p.sound))
	*b = capture.Block{Samples: append(b.Samples[:0], p.sound[:n]...), Pos: int64(len(p.played))}
	p.sound, p.played = p.sound[n:], append(p.played, p.sound[:n]...)
	return nil
}

const (
	transcriptFile    = "testdata/ten-blanks.txt"
	transcriptCommand = "listen ten --hands-free --blank D01 --blanks 10 --from ten.wav"
)

// TestTranscript: the session of ten blanks is told as testdata/ten-blanks.txt has it, and the README shows the
// beginning and the end of that. Both are written anew with -update.
func TestTranscript(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits may be others on other processors")
	}
	profile, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	p := &patient{blanks: demo.Blanks(demo.Seed)[:10]}
	p.next()
	s, err := session.Open(session.Settings{Folder: t.TempDir(), Blank: "D01", Taps: 5, Blanks: 10, HandsFree: true, Profile: profile, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Run(t.Context(), p, nil, func(e session.Event) {
		if _, done := e.(session.BlankDone); done && len(p.blanks) > 0 {
			p.next()
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := wavfile.Save(filepath.Join(dir, "ten.wav"), capture.Recording{Rate: p.Rate(), Tracks: [][]float64{p.played}, Bits: 24}, 24); err != nil {
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
