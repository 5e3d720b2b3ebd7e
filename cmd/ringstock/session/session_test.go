package session_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/faulty"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading"
	"ringstock/spectrum"
)

func violin(t testing.TB) grading.Profile {
	t.Helper()
	text, ok := grading.ProfileText("violin")
	if !ok {
		t.Fatal("no profile violin")
	}
	p, err := grading.ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// clock moves a second at each look.
func clock() func() time.Time {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	return func() time.Time {
		now = now.Add(time.Second)
		return now
	}
}

func settings(t testing.TB, folder string) session.Settings {
	return session.Settings{Folder: folder, Taps: 5, Profile: violin(t), Now: clock(), Device: session.Device{Name: "invented", HostAPI: "none"}}
}

// told is what a session told.
type told struct {
	taps    []session.TapHeard
	done    []string
	chosen  []string
	notices []string
	hum     []float64
}

func (h *told) tell(e session.Event) {
	switch e := e.(type) {
	case session.TapHeard:
		h.taps = append(h.taps, e)
	case session.BlankDone:
		h.done = append(h.done, e.Judged.Blank)
	case session.BlankChosen:
		h.chosen = append(h.chosen, e.Blank)
	case session.RoomHeard:
		h.hum = e.HumHz
	case session.Notice:
		h.notices = append(h.notices, e.Text)
	}
}

func (h *told) good() (names []string) {
	for _, t := range h.taps {
		if t.Good {
			names = append(names, t.File)
		}
	}
	return names
}

// listen opens a session and runs it on a source.
func listen(t testing.TB, set session.Settings, src capture.Source, commands <-chan session.Command) (*session.Session, *told, error) {
	t.Helper()
	s, err := session.Open(set)
	if err != nil {
		t.Fatal(err)
	}
	h := &told{}
	err = s.Run(t.Context(), src, commands, h.tell)
	return s, h, err
}

func plainBar(seed uint64) (capture.Recording, cases.Truth) {
	return cases.Bar(seed).InRoom().Mains().SNR(32).Starting(1.5).Render()
}

func play(rec capture.Recording) capture.Source { return capture.Play(rec.Tracks[0], rec.Rate, 480) }

// names are the files of a folder, without those beside the recordings.
func names(t testing.TB, folder, pattern string) []string {
	t.Helper()
	list, err := fs.Glob(os.DirFS(folder), pattern)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// A session of ten blanks, hands free, gives for each what analysing the whole
// recording gives, within the uncertainties, and grading the folder afterwards gives
// what the session said.
func TestTenBlanks(t *testing.T) {
	folder := t.TempDir()
	var hands person
	var whole []spectrum.Analysis
	for seed := range uint64(10) {
		// More taps than are wanted: now and then one is refused. There is no hum: each
		// recording would have another one, which no room has from one
		// minute to the next.
		c := cases.Bar(100 + seed).InRoom().SNR(32).Starting(1.5).Taps(8)
		c.Scene.Device = synth.Device{Bits: 24}
		rec, _ := c.Render()
		hands.blanks = append(hands.blanks, rec)
		whole = append(whole, spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap))
	}
	set := settings(t, folder)
	set.Blank, set.HandsFree, set.Blanks = "A017", true, 10
	s, err := session.Open(set)
	if err != nil {
		t.Fatal(err)
	}
	h := &told{}
	err = s.Run(t.Context(), &hands, nil, func(e session.Event) {
		h.tell(e)
		if _, done := e.(session.BlankDone); done {
			hands.next()
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := strings.Fields("A017 A018 A019 A020 A021 A022 A023 A024 A025 A026"); !slices.Equal(h.done, want) {
		for _, tap := range h.taps {
			t.Log(tap.Blank, tap.Good, tap.Why, tap.File)
		}
		t.Fatalf("done: %v", h.done)
	}
	live := map[string]grading.Blank{}
	for _, b := range s.Summary().Blanks {
		live[b.Blank] = b
	}
	for i, a := range whole {
		name := h.done[i]
		got, want := live[name].Ring.Fundamental, a.Ring.Fundamental
		for _, v := range []struct {
			what            string
			got, want, u, v float64
		}{{"Hz", got.Hz.X, want.Hz.X, got.Hz.U, want.Hz.U}, {"Q", got.Q.X, want.Q.X, got.Q.U, want.Q.U}} {
			// The same sound is in both, so they agree better than two
			// measurements would.
			if d := math.Abs(v.got - v.want); d > 2*math.Hypot(v.u, v.v) {
				t.Errorf("%s: %s %v live, %v from the whole recording, u %v and %v", name, v.what, v.got, v.want, v.u, v.v)
			}
		}
	}
	again, err := grading.Grade(t.Context(), grading.Job{Folder: os.DirFS(folder), Delivery: "d", Profile: violin(t),
		Hear: func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
			rec, err := wavfile.Open(filepath.Join(folder, name))
			if err != nil {
				t.Error(err)
			}
			return spectrum.Analyse(capture.FindTaps(rec), strike)
		}})
	if err != nil || len(again.Unused) > 0 || len(again.Blanks) != 10 {
		t.Fatal(err, again.Unused, len(again.Blanks))
	}
	for _, b := range again.Blanks {
		l := live[b.Blank]
		if b.Verdict != l.Verdict || b.Score.X != l.Score.X || b.Ring.Fundamental.Hz.X != l.Ring.Fundamental.Hz.X {
			t.Errorf("%s: graded %v %v, live %v %v", b.Blank, b.Verdict, b.Score, l.Verdict, l.Score)
		}
	}
}

// person taps blanks one after the other, the next one when told that one is done.
type person struct {
	blanks []capture.Recording
	at     int
	pos    int64
}

func (p *person) next() {
	p.blanks, p.at = p.blanks[1:], 0
}

func (p *person) Rate() float64 { return 48000 }
func (p *person) Close() error  { return nil }

func (p *person) Read(b *capture.Block) error {
	if len(p.blanks) == 0 || p.at == len(p.blanks[0].Tracks[0]) {
		return io.EOF
	}
	x := p.blanks[0].Tracks[0][p.at:]
	x = x[:min(len(x), 480)]
	*b = capture.Block{Samples: append(b.Samples[:0], x...), Pos: p.pos}
	p.at += len(x)
	p.pos += int64(len(x))
	return nil
}

// A tap is on the disk, described and in the table, when it is told of.
func TestOnDiskBeforeTold(t *testing.T) {
	folder := t.TempDir()
	rec, _ := plainBar(3)
	s, err := session.Open(settings(t, folder))
	if err != nil {
		t.Fatal(err)
	}
	taps := 0
	err = s.Run(t.Context(), play(rec), nil, func(e session.Event) {
		tap, ok := e.(session.TapHeard)
		if !ok || !tap.Good {
			return
		}
		taps++
		if r, err := wavfile.Open(filepath.Join(folder, tap.File)); err != nil || len(r.Warnings) > 0 || r.Bits != 24 {
			t.Error(err, r.Warnings, r.Bits)
		}
		var beside struct {
			Blank, Device, File string
			HostAPI             string  `json:"host_api"`
			Rate                float64 `json:"sample_rate_hz"`
			Lost                *int    `json:"lost_samples"`
			Flags               []string
			Method              string
		}
		text, err := os.ReadFile(filepath.Join(folder, strings.TrimSuffix(tap.File, ".wav")+".tap.json"))
		if err == nil {
			err = json.Unmarshal(text, &beside)
		}
		if err != nil || beside.Blank != "001" || beside.Device != "invented" || beside.File != tap.File || beside.Rate != 48000 || beside.HostAPI != "none" || beside.Lost == nil || beside.Flags == nil || beside.Method != spectrum.Method {
			t.Error(err, beside)
		}
		d, err := grading.ReadDelivery(os.DirFS(folder))
		if err != nil || !slices.Contains(d.Rows[0].File, tap.File) {
			t.Error(err, d)
		}
	})
	if err != nil || taps != 5 {
		t.Fatal(err, taps)
	}
}

// Whatever breaks off a session, what was told is there, and the next one goes on.
func TestGoesOn(t *testing.T) {
	folder := t.TempDir()
	rec, truth := plainBar(6) // its note is 8 Hz and more from any harmonic of the mains: no tap is lost to them
	broken := errors.New("unplugged")
	src := &faulty.Source{Samples: rec.Tracks[0], Hz: rec.Rate, Block: 480, Faults: []faulty.Fault{
		{At: int((truth.Taps[2].AtS - 0.2) * rec.Rate), Err: broken},
	}}
	set := settings(t, folder)
	set.Blank, set.HandsFree = "B9", true
	_, h, err := listen(t, set, src, nil)
	if !errors.Is(err, broken) || len(h.good()) != 2 {
		t.Fatal(err, h.good())
	}
	// One tap was written but not entered; a half-written file and one not
	// described lie about.
	table, err := os.ReadFile(filepath.Join(folder, "delivery.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "delivery.csv"), []byte(strings.ReplaceAll(string(table), "|B9-02.wav", "")), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, ".B9-03.wav.1.part"), []byte("RIFF"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, "B9-03.tap.json"), []byte("{}"), 0o666); err != nil {
		t.Fatal(err)
	}
	set.Blank = ""
	_, h, err = listen(t, set, play(rec), nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"B9-03.wav", "B9-04.wav", "B9-05.wav", "B10-01.wav", "B10-02.wav"}; !slices.Equal(h.good(), want) {
		t.Errorf("good: %v", h.good())
	}
	if part := names(t, folder, ".*.part"); len(part) > 0 {
		t.Errorf("left: %v", part)
	}
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || len(d.Rows) != 2 || len(d.Rows[0].File) != 5 || len(d.Rows[1].File) != 2 {
		t.Fatal(err, d)
	}
}

func TestRefusals(t *testing.T) {
	c := cases.Bar(7).InRoom().SNR(32).Taps(6).Clipped(1).Doubled(3)
	rec, truth := c.Render()
	src := &faulty.Source{Samples: rec.Tracks[0], Hz: rec.Rate, Block: 480, Faults: []faulty.Fault{
		{At: int((truth.Taps[2].AtS + 0.1) * rec.Rate), Lost: 100},
		{At: int((truth.Taps[4].AtS + 0.1) * rec.Rate), Flags: capture.Overflow},
		{At: int((truth.Taps[5].AtS + 0.1) * rec.Rate), Flags: capture.Gap},
	}}
	_, h, err := listen(t, settings(t, t.TempDir()), src, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, tap := range h.taps {
		got = append(got, strings.Split(tap.Why, ";")[0])
	}
	want := []string{"", "again: clipped", "again: sound was lost during the tap (100 samples)", "again: double strike", "again: the device lost sound during the tap", "again: the computer slept or stood still during the tap"}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

// A tap on another blank is told of; if the first one was the odd one out, it is taken
// out. Where the loud notes of a blank die sooner than its fundamental, the first look at
// a ring tells too little: the tap is not refused before the ring is over.
func TestWaitsForTheRing(t *testing.T) {
	c := cases.Bar(7636).InRoom().SNR(36).Starting(4.5).Taps(1)
	c.Scene.Device = synth.Device{Bits: 16}
	rec, truth := c.Render()
	for _, fromS := range []float64{0.2, 0.3, 0.4} { // how the spectra lie to the strike decides what is seen first
		x := rec
		x.Tracks = [][]float64{rec.Tracks[0][int(fromS*rec.Rate):]}
		set := settings(t, t.TempDir())
		set.Taps = 1
		_, h, err := listen(t, set, play(x), nil)
		if err != nil {
			t.Fatal(err)
		}
		if good := h.good(); len(good) != 1 {
			t.Errorf("from %g s: %d good taps of one of %.1f Hz: %q", fromS, len(good), truth.Fundamental.Hz, h.taps[0].Why)
		}
	}
}

// Some microphones give exact silence at first. What is learnt of the room is learnt of
// what comes after it.
func TestWakingMicrophone(t *testing.T) {
	rec, _ := cases.Bar(7603).InRoom().SNR(36).Starting(2.5).Taps(1).Render()
	for _, silentS := range []float64{0, 0.4, 1.3, 2.1, 3.5} {
		x := rec
		x.Tracks = [][]float64{append(make([]float64, int(silentS*rec.Rate)), rec.Tracks[0]...)}
		set := settings(t, t.TempDir())
		set.Taps = 1
		_, h, err := listen(t, set, play(x), nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(h.taps) != 1 || !h.taps[0].Good {
			t.Errorf("after %g s of silence: %d good of %d taps, one was struck: %q", silentS, len(h.good()), len(h.taps), h.taps[0].Why)
		}
	}
}

func TestOtherNote(t *testing.T) {
	// Without hum, which would not jump in a room as it does from one
	// recording to the other.
	one, _ := cases.Bar(11).InRoom().SNR(32).Starting(1.5).Render()
	other, truth := cases.Bar(12).InRoom().SNR(32).Starting(1.5).Render()
	n := int((truth.Taps[1].AtS - 0.3) * one.Rate) // up to the second tap
	set := settings(t, t.TempDir())
	_, h, err := listen(t, set, capture.Play(slices.Concat(one.Tracks[0][:n], other.Tracks[0]), one.Rate, 480), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.taps) != 6 || h.taps[1].Good || !strings.Contains(h.taps[1].Why, "another note") || !h.taps[2].Good || h.taps[2].Count != 2 || len(h.notices) == 0 {
		for _, tap := range h.taps {
			t.Log(tap.Good, tap.Why)
		}
		t.Fatal("the odd tap was not found out")
	}
	if got := names(t, set.Folder, "dropped/*.wav"); !slices.Equal(got, []string{"dropped/001-01.wav"}) {
		t.Errorf("dropped: %v", got)
	}
}

// A tap that rings for less than half as long as those before it does not count,
// with the same note.
func TestHandOnTheBlank(t *testing.T) {
	free := cases.Bar(11).InRoom().SNR(32).Starting(1.5)
	rec, truth := free.Render()
	held, _ := free.Damped(truth.Fundamental.Q / 3).Render()
	from, to := int((truth.Taps[2].AtS-0.3)*rec.Rate), int((truth.Taps[3].AtS-0.3)*rec.Rate)
	x := slices.Concat(rec.Tracks[0][:from], held.Tracks[0][from:to], rec.Tracks[0][to:])
	_, h, err := listen(t, settings(t, t.TempDir()), capture.Play(x, rec.Rate, 480), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.good()) != 4 || h.taps[2].Good || !strings.HasPrefix(h.taps[2].Why, "again: far from the sustain before (") {
		for _, tap := range h.taps {
			t.Log(tap.Good, tap.Why)
		}
		t.Error("the damped tap was not found out")
	}
}

func TestCommands(t *testing.T) {
	rec, truth := plainBar(13)
	at := func(tap int) int { return int((truth.Taps[tap].AtS - 0.1) * rec.Rate) }
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "delivery.csv"), []byte("blank;mass_g;colour\nC1;190,5;red\nC2;;\nC3;;\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	commands := make(chan session.Command, 10)
	src := &commanding{Source: play(rec), at: map[int][]session.Command{
		at(1): {{Do: session.SetMeasures, Text: "length 745.5 h=14,1"}, {Do: session.AddNote, Text: "wavy grain"}, {Do: session.SetMeasures, Text: "colour red"}},
		at(2): {{Do: session.DropTap}},
		at(3): {{Do: session.OtherFace}},
		at(4): {{Do: session.NextBlank}},
	}, to: commands}
	_, h, err := listen(t, settings(t, folder), src, commands)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"C1-01.wav", "C1-02.wav", "C1-03.wav", "C1-width-01.wav", "C2-width-01.wav"}; !slices.Equal(h.good(), want) {
		t.Errorf("good: %v", h.good())
	}
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || len(d.Unused) > 0 {
		t.Fatal(err, d.Unused)
	}
	r := d.Rows[0]
	if !slices.Equal(r.File, []string{"C1-01.wav", "C1-03.wav"}) || !slices.Equal(r.WidthFile, []string{"C1-width-01.wav"}) ||
		r.LengthMM.X != 745.5 || r.HeightMM.X != 14.1 || r.MassG.X != 190.5 || r.Note != "wavy grain" || r.Notes["colour"] != "red" {
		t.Errorf("%+v", r)
	}
	if !slices.ContainsFunc(h.notices, func(n string) bool { return strings.Contains(n, "was not understood") }) {
		t.Errorf("notices: %q", h.notices)
	}
}

// commanding gives commands when the stream has come to a sample.
type commanding struct {
	capture.Source
	at map[int][]session.Command
	to chan<- session.Command
}

func (c *commanding) Read(b *capture.Block) error {
	err := c.Source.Read(b)
	for at, list := range c.at {
		if int(b.Pos) >= at {
			for _, x := range list {
				c.to <- x
			}
			delete(c.at, at)
		}
	}
	return err
}

func TestNumbers(t *testing.T) {
	rec, _ := plainBar(3)
	for _, c := range []struct{ before, first, second string }{
		{"A099", "A099", "A100"}, {"9", "9", "10"}, {"B7-x", "B7-x", "B8-x"}, {"oak", "oak", "oak-2"}, {"99", "99", "100"},
	} {
		set := settings(t, t.TempDir())
		set.Blank, set.HandsFree, set.Taps, set.Blanks = c.before, true, 2, 2
		_, h, err := listen(t, set, play(rec), nil)
		if err != nil || !slices.Equal(h.done, []string{c.first, c.second}) {
			t.Error(c, err, h.done)
		}
	}
}

// The seconds are those of the sound.
func TestSeconds(t *testing.T) {
	rec, truth := plainBar(3)
	set := settings(t, t.TempDir())
	set.Seconds = truth.Taps[1].AtS + 1
	_, h, err := listen(t, set, play(rec), nil)
	if err != nil || len(h.good()) != 2 {
		t.Fatal(err, h.good())
	}
}

// The hum of the room is told of before the first tap.
func TestHum(t *testing.T) {
	c := cases.Bar(3).InRoom().SNR(32).Starting(1.5)
	c.Scene.Hum = []synth.Line{{Hz: 49.99, Amp: 0.005}, {Hz: 149.97, Amp: 0.004}}
	rec, _ := c.Render()
	_, h, err := listen(t, settings(t, t.TempDir()), play(rec), nil)
	if err != nil || !slices.Equal(h.hum, []float64{50, 150}) {
		t.Error(err, h.hum)
	}
}

func TestSilentMicrophone(t *testing.T) {
	set := settings(t, t.TempDir())
	set.Live = true
	_, _, err := listen(t, set, capture.Play(make([]float64, 48000*5), 48000, 480), nil)
	if err == nil || !strings.Contains(err.Error(), "not permitted") {
		t.Fatal(err)
	}
}

func TestInterrupted(t *testing.T) {
	rec, truth := plainBar(3)
	ctx, cancel := context.WithCancel(t.Context())
	folder := t.TempDir()
	s, err := session.Open(settings(t, folder))
	if err != nil {
		t.Fatal(err)
	}
	src := &faulty.Source{Samples: rec.Tracks[0], Hz: rec.Rate, Block: 480, Faults: []faulty.Fault{{At: int((truth.Taps[1].AtS + 0.3) * rec.Rate), Stall: 1 << 30}}}
	err = s.Run(ctx, src, nil, func(e session.Event) {
		if tap, ok := e.(session.TapHeard); ok && tap.Good {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || len(names(t, folder, "*.wav")) != 1 {
		t.Fatal(err, names(t, folder, "*"))
	}
}

// A name that a file can't have still makes a file.
func TestOddNumber(t *testing.T) {
	rec, _ := plainBar(3)
	set := settings(t, t.TempDir())
	set.Blank, set.Taps, set.Blanks = "../lot 7/α|;\"1\"", 1, 1
	_, h, err := listen(t, set, play(rec), nil)
	if err != nil || len(h.good()) != 1 {
		t.Fatal(err, h.good())
	}
	d, err := grading.ReadDelivery(os.DirFS(set.Folder))
	if err != nil || d.Rows[0].Blank != set.Blank || !slices.Equal(d.Rows[0].File, h.good()) {
		t.Fatal(err, d)
	}
	if _, err := os.Stat(filepath.Join(set.Folder, h.good()[0])); err != nil {
		t.Error(err)
	}
}

// timed notes when it gave its latest block.
type timed struct {
	capture.Source
	gave time.Time
}

func (s *timed) Read(b *capture.Block) error {
	err := s.Source.Read(b)
	s.gave = time.Now()
	return err
}

// BenchmarkVerdict tells how long after the last sample of a ring its verdict comes, with
// the tap on the disk.
func BenchmarkVerdict(b *testing.B) {
	rec, _ := plainBar(3)
	var worst, sum time.Duration
	taps := 0
	for b.Loop() {
		s, err := session.Open(settings(b, b.TempDir()))
		if err != nil {
			b.Fatal(err)
		}
		src := &timed{Source: play(rec)}
		if err := s.Run(b.Context(), src, nil, func(e session.Event) {
			if tap, ok := e.(session.TapHeard); ok && tap.Good {
				d := time.Since(src.gave)
				worst, sum, taps = max(worst, d), sum+d, taps+1
			}
		}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(1e3*sum.Seconds()/float64(taps), "ms/verdict")
	b.ReportMetric(1e3*worst.Seconds(), "ms/worst")
}

// A room that gets louder again and again has no taps in it.
func TestNoiseIsNoTap(t *testing.T) {
	for seed := range uint64(6) {
		c := cases.Bar(seed).InRoom().Mains().SNR(25)
		c.Scene.Strikes = nil
		x := c.Scene.Render().Tracks[0]
		for i := range x {
			x[i] *= math.Pow(2.5, float64(4*i/len(x)))
		}
		_, h, err := listen(t, settings(t, t.TempDir()), capture.Play(x, 48000, 480), nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, tap := range h.taps {
			if tap.Good {
				t.Errorf("seed %d: good: %v Hz, Q %v, %v dB", seed, tap.Ring.Fundamental.Hz, tap.Ring.Fundamental.Q, tap.Ring.SNRDB)
			}
		}
	}
}

// A voice in a ring is no tap, and what a voice makes of a ring does not
// count beside the others.
func TestVoiceIsNoTap(t *testing.T) {
	for seed := range uint64(4) {
		c := cases.Bar(300 + seed).InRoom().SNR(32).Starting(1.5).Taps(6)
		for _, strike := range []int{1, 3} {
			c.Scene.Talk = append(c.Scene.Talk, synth.Talk{AtS: c.Scene.Strikes[strike].AtS + 0.3, DurationS: 1, Level: 0.015})
		}
		rec, truth := c.Render()
		_, h, err := listen(t, settings(t, t.TempDir()), play(rec), nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, tap := range h.taps {
			if !tap.Good {
				continue
			}
			f := tap.Ring.Fundamental
			// Half a hertz is 0.4 % of 120 Hz, the distance from which another note is
			// told of; as for sustain.
			if q := truth.Fundamental.Q; math.Abs(f.Hz.X-truth.Fundamental.Hz) > 0.5 || f.Q.Known() && (f.Q.X+2*f.Q.U < q/2 || f.Q.X-2*f.Q.U > 2*q) {
				t.Errorf("seed %d: good: %v Hz, Q %v; the bar has %.2f Hz, Q %.0f", seed, f.Hz, f.Q, truth.Fundamental.Hz, truth.Fundamental.Q)
			}
		}
	}
}

func ExampleOpen() {
	folder, err := os.MkdirTemp("", "session")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(folder)
	rec, _ := cases.Bar(1).SNR(35).Render()
	text, _ := grading.ProfileText("violin")
	profile, err := grading.ParseProfile(text)
	if err != nil {
		panic(err)
	}
	s, err := session.Open(session.Settings{Folder: folder, Blank: "A017", Taps: 3, Blanks: 1, Profile: profile, Now: time.Now})
	if err != nil {
		panic(err)
	}
	err = s.Run(context.Background(), capture.Play(rec.Tracks[0], rec.Rate, 480), nil, func(e session.Event) {
		if tap, ok := e.(session.TapHeard); ok && tap.Good {
			fmt.Println(tap.File)
		}
	})
	fmt.Println(err)
	// Output:
	// A017-01.wav
	// A017-02.wav
	// A017-03.wav
	// <nil>
}

// TestWeakLowEnd: a low end that takes most of the fundamental is told of
// once, a whole one never.
func TestWeakLowEnd(t *testing.T) {
	for seed := uint64(8801); seed <= 8803; seed++ {
		for _, weak := range []bool{false, true} {
			c := cases.Bar(seed).SNR(40).Starting(1.5).Taps(4)
			if weak {
				c = c.Highpassed(24)
			}
			rec, _ := c.Render()
			_, h, err := listen(t, settings(t, t.TempDir()), play(rec), nil)
			if err != nil {
				t.Fatal(err)
			}
			told := 0
			for _, n := range h.notices {
				if strings.Contains(n, "low end is weak") {
					told++
				}
			}
			if want := map[bool]int{true: 1}[weak]; told != want {
				t.Errorf("bar %d, weak %v: told %d times", seed, weak, told)
			}
		}
	}
}
