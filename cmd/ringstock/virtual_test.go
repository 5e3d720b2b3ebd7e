//go:build portaudio && cgo && linux

package main

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/mic/virtual"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/spectrum"
)

// barAt16Bits is the recording of a bar as the virtual microphone can play it.
func barAt16Bits(seed uint64, taps int) (capture.Recording, cases.Truth) {
	c := cases.Bar(seed).InRoom().SNR(35).Starting(2).Taps(taps)
	c.Scene.Device = synth.Device{Bits: 16}
	return c.Render()
}

// listening is the program listening to a virtual microphone.
type listening struct {
	*exec.Cmd
	out, side bytes.Buffer
}

func startListening(t *testing.T, folder string, args ...string) *listening {
	t.Helper()
	l := &listening{Cmd: selfCommand(t, append([]string{"listen", folder, "--rate", "48000"}, args...)...)}
	l.Stdout, l.Stderr = &l.out, &l.side
	if err := l.Start(); err != nil {
		t.Fatal(err)
	}
	return l
}

var saidOfTap = regexp.MustCompile(`(?m)^\S+ \d+/\d+ (good|again: [^;\n]*)`)

// said is what was said of each tap.
func (l *listening) said() (list []string) {
	for _, m := range saidOfTap.FindAllStringSubmatch(l.out.String(), -1) {
		list = append(list, strings.TrimPrefix(m[1], "again: "))
	}
	return list
}

// promised checks that the taps which were told of are in the folder, whole, and in its
// table.
func (l *listening) promised(t *testing.T, folder string) (names []string) {
	t.Helper()
	for _, line := range strings.Split(l.out.String(), "\n") {
		if m := goodTap.FindStringSubmatch(line); m != nil {
			names = append(names, m[1])
			if rec, err := wavfile.Open(filepath.Join(folder, m[1])); err != nil || len(rec.Warnings) > 0 {
				t.Error(err, rec.Warnings)
			}
		}
	}
	d, err := grading.ReadDelivery(os.DirFS(folder))
	if err != nil || len(names) == 0 || !slices.Equal(d.Rows[0].File, names) {
		t.Errorf("told of %v, the table has %+v; %v\n%s", names, d.Rows, err, &l.side)
	}
	return names
}

// measured is a row of delivery.csv for a bar: 750 mm long, and as high and wide as a bar
// of its sound speed must be for its notes in both planes (Euler and Bernoulli). Sound
// speed and density go from poor to fine.
func measured(blank string, truth cases.Truth, k, of int) string {
	share := (float64(k) + 0.5) / float64(of)
	speed, density := 4000+1200*share, 900+260*share
	const length = 0.75
	across := func(hz float64) float64 { return hz * length * length / (1.028 * speed) }
	height, width := across(truth.Own[0].Hz), across(truth.Own[6].Hz) // six modes in the plane of the taps come first
	return fmt.Sprintf("%s,%g,%.2f,%.2f,%.1f\n", blank, 1000*length, 1000*height, 1000*width, 1000*density*length*height*width)
}

// A session at the virtual microphone gives per blank, and of each tap, what analysing
// the played file gives.
func TestVirtualSession(t *testing.T) {
	blanks := 1
	if slow {
		blanks = 10
	}
	folder := t.TempDir()
	table := "blank,length_mm,height_mm,width_mm,mass_g\n"
	var played []capture.Recording
	// A Q that its own uncertainty puts on either side of the limit can be judged either
	// way.
	limit := *mustProfile(t).Properties["q"].LimitLow
	for seed := uint64(200); len(played) < blanks; seed++ {
		rec, truth := barAt16Bits(seed, 6)
		if math.Abs(truth.Fundamental.Q/limit-1) < 0.05 {
			continue
		}
		table += measured(fmt.Sprintf("V%d", len(played)+1), truth, len(played), blanks)
		played = append(played, rec)
	}
	if err := os.WriteFile(filepath.Join(folder, "delivery.csv"), []byte(table), 0o666); err != nil {
		t.Fatal(err)
	}
	verdicts := map[grading.Verdict]int{}
	for k, rec := range played {
		v := virtual.Start(t)
		done, fed := make(chan struct{}), make(chan error, 1)
		l := startListening(t, folder, "--taps", "4")
		go func() { fed <- v.Feed(rec.Tracks[0], done) }()
		_, want := hear("played", rec, nil, spectrum.SideTap, spectrum.Expected{})
		if err := l.Wait(); err != nil {
			t.Fatalf("%v\n%s%s", err, &l.out, &l.side)
		}
		close(done)
		v.Kill()
		<-fed
		if strings.Contains(l.side.String(), "ALSA lib") || strings.Contains(l.side.String(), "jack") {
			t.Errorf("chatter on the terminal:\n%s", &l.side)
		}
		for i, said := range l.said() {
			if tap := want.Taps[i]; tap.Accepted != (said == "good") || !tap.Accepted && said != string(tap.Reason) {
				t.Errorf("blank %d, tap %d: live %q, in the file %v %q", k+1, i+1, said, tap.Accepted, tap.Reason)
			}
		}
		page, err := gradeFolder(t.Context(), folder, mustProfile(t), nil, false, &progress{})
		if err != nil || len(page.Grading.Unused) > 0 || len(page.Grading.Blanks) != blanks {
			t.Fatal(err, page.Grading.Unused)
		}
		i := slices.IndexFunc(page.Grading.Blanks, func(b grading.Blank) bool { return b.Blank == fmt.Sprintf("V%d", k+1) })
		got := page.Grading.Blanks[i]
		if got.Ring == nil {
			t.Fatalf("no ring:\n%s", &l.out)
		}
		f, w := got.Ring.Fundamental, want.Ring.Fundamental
		// The same sound is in both, so they agree better than two measurements would.
		if d := math.Abs(f.Hz.X - w.Hz.X); d > 2*math.Hypot(f.Hz.U, w.Hz.U) {
			t.Errorf("%s: %v Hz, played %v", got.Blank, f.Hz, w.Hz)
		}
		if d := math.Abs(f.Q.X - w.Q.X); d > 2*math.Hypot(f.Q.U, w.Q.U) {
			t.Errorf("%s: Q %v, played %v", got.Blank, f.Q, w.Q)
		}
		whole := grading.Judge(mustProfile(t), got.Row, grading.Heard{Side: []spectrum.Analysis{want}})
		if got.Verdict != whole.Verdict || !strings.Contains(l.out.String(), "; "+string(whole.Verdict)) {
			t.Errorf("%s: %s (%v), from the played file %s (%v)\n%s", got.Blank, got.Verdict, got.Reasons, whole.Verdict, whole.Reasons, &l.out)
		}
		verdicts[whole.Verdict]++
	}
	if slow && len(verdicts) < 2 {
		t.Errorf("all ten got the same verdict: %v", verdicts)
	}
	t.Log(verdicts)
}

func TestVirtualDevices(t *testing.T) {
	virtual.Start(t)
	out, err := selfCommand(t, "devices").CombinedOutput()
	if lines := strings.Split(strings.TrimSpace(string(out)), "\n"); err != nil || len(lines) != 2 || !regexp.MustCompile(`^1 +\* +default +ALSA `).MatchString(lines[1]) {
		t.Errorf("%v\n%s", err, out)
	}
	// What the libraries say about what is not there comes only if it is wanted.
	loud, err := selfCommand(t, "devices", "--verbose").CombinedOutput()
	if err != nil || len(loud) <= len(out) {
		t.Errorf("%v\n%s", err, loud)
	}
}

// A microphone that the system does not permit delivers nothing but zeros, and no error.
func TestVirtualSilence(t *testing.T) {
	for _, args := range [][]string{{"listen", t.TempDir()}, {"check", "--seconds", "3"}} {
		v := virtual.Start(t)
		done, fed := make(chan struct{}), make(chan error, 1)
		cmd := selfCommand(t, append(args, "--rate", "48000")...)
		var side bytes.Buffer
		cmd.Stderr = &side
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		go func() { fed <- v.Feed(make([]float64, 60*virtual.Rate), done) }()
		err := cmd.Wait()
		close(done)
		v.Kill()
		<-fed
		if said := side.String(); cmd.ProcessState.ExitCode() != 1 || !strings.Contains(said, "muted or not permitted") || !strings.Contains(said, "privacy settings") {
			t.Errorf("%v: %v\n%s", args, err, said)
		}
	}
}

// When the sound server dies, hangs or loses its microphone in the middle, the program
// says so and fails; what it told of is there, and it goes on from there.
func TestVirtualServerKilled(t *testing.T) {
	rounds := 1
	if slow {
		rounds = 5
	}
	for range rounds {
		t.Run("killed", func(t *testing.T) { brokenSession(t, func(v *virtual.Microphone) error { v.Kill(); return nil }) })
	}
	t.Run("frozen", func(t *testing.T) { brokenSession(t, (*virtual.Microphone).Freeze) })
	t.Run("unplugged", func(t *testing.T) { brokenSession(t, (*virtual.Microphone).Unplug) })
}

func brokenSession(t *testing.T, breaks func(*virtual.Microphone) error) {
	rec, _ := barAt16Bits(200, 6)
	folder := t.TempDir()
	session := func(taps string) (*virtual.Microphone, *listening, func()) {
		v := virtual.Start(t)
		done, fed := make(chan struct{}), make(chan error, 1)
		l := startListening(t, folder, "--blank", "A1", "--taps", taps)
		go func() { fed <- v.Feed(rec.Tracks[0], done) }()
		return v, l, func() {
			close(done)
			v.Kill()
			<-fed
		}
	}
	v, l, end := session("50")
	for wait := 0; ; wait++ {
		if m, _ := filepath.Glob(filepath.Join(folder, "*.wav")); len(m) >= 2 {
			break
		}
		if wait == 600 {
			t.Fatal("no tap was recorded")
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err := breaks(v); err != nil {
		t.Fatal(err)
	}
	broken := time.Now()
	err := l.Wait()
	t.Logf("ended %.1f s later", time.Since(broken).Seconds())
	end()
	if l.ProcessState.ExitCode() != 1 || !strings.Contains(l.side.String(), "stopped delivering sound") {
		t.Fatalf("%v\n%s", err, &l.side)
	}
	before := l.promised(t, folder)

	_, l, end = session(fmt.Sprint(len(before) + 1))
	if err := l.Wait(); err != nil {
		t.Errorf("it does not go on: %v\n%s", err, &l.side)
	}
	end()
	if want := fmt.Sprintf("A1-%02d.wav", len(before)+1); !strings.Contains(l.out.String(), want) {
		t.Errorf("no %s:\n%s", want, &l.out)
	}
}

// contiguous tells whether a recording, from its strike on, is one stretch
// of what was played.
func contiguous(t *testing.T, path string, played []float64) bool {
	t.Helper()
	rec, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	take := capture.FindTaps(rec)
	if len(take.Taps) == 0 {
		t.Fatalf("%s: no tap", path)
	}
	x := rec.Tracks[0][take.Taps[0].Onset:]
	for at := range len(played) - len(x) + 1 {
		if slices.Equal(x, played[at:at+len(x)]) {
			return true
		}
	}
	return false
}

func (l *listening) signal(t *testing.T, s syscall.Signal) {
	t.Helper()
	if err := l.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
}

// A laptop that falls asleep while a tap rings loses that tap, says so, and goes on.
// Nothing that was kept has a gap in its ring.
func TestVirtualAsleep(t *testing.T) {
	asleep := 3 * time.Second
	if slow {
		asleep = time.Minute
	}
	rec, truth := barAt16Bits(200, 6)
	x := rec.Tracks[0]
	falls, wakes := int((truth.Taps[1].AtS+0.3)*rec.Rate), int((truth.Taps[2].AtS-0.4)*rec.Rate)
	v := virtual.Start(t)
	folder := t.TempDir()
	l := startListening(t, folder, "--blank", "A1", "--taps", "3")
	done := make(chan struct{})
	if err := v.Feed(x[:falls], done); err != nil {
		t.Fatal(err)
	}
	l.signal(t, syscall.SIGSTOP)
	if err := v.Freeze(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(asleep)
	if err := v.Thaw(); err != nil {
		t.Fatal(err)
	}
	l.signal(t, syscall.SIGCONT)
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(x[wakes:], done) }()
	err := l.Wait()
	close(done)
	v.Kill()
	<-fed
	if want := []string{"good", "the computer slept or stood still during the tap", "good", "good"}; err != nil || !slices.Equal(l.said(), want) {
		t.Fatalf("%v: %q\n%s", err, l.said(), &l.side)
	}
	for _, name := range l.promised(t, folder) {
		if !contiguous(t, filepath.Join(folder, name), x) {
			t.Errorf("%s has a gap in its ring", name)
		}
	}
}

// A program that is stopped for a while (Ctrl-Z) keeps nothing with a gap in
// its ring either, although the sound server goes on without it and throws away
// what it can't hold.
func TestVirtualSuspended(t *testing.T) {
	suspended := 3 * time.Second
	if slow {
		suspended = time.Minute
	}
	rec, truth := barAt16Bits(201, 12)
	x := rec.Tracks[0]
	period := truth.Taps[2].AtS - truth.Taps[1].AtS
	for float64(len(x))/rec.Rate < suspended.Seconds()+10*period {
		x = append(x, rec.Tracks[0][int(rec.Rate):]...)
	}
	v := virtual.Start(t)
	folder := t.TempDir()
	l := startListening(t, folder, "--blank", "A1", "--taps", "6")
	done, fed := make(chan struct{}), make(chan error, 1)
	go func() { fed <- v.Feed(x, done) }()
	time.Sleep(time.Duration((truth.Taps[1].AtS + 0.3) * float64(time.Second)))
	l.signal(t, syscall.SIGSTOP)
	time.Sleep(suspended)
	l.signal(t, syscall.SIGCONT)
	err := l.Wait()
	close(done)
	v.Kill()
	<-fed
	if err != nil {
		t.Fatalf("%v\n%s", err, &l.side)
	}
	for _, name := range l.promised(t, folder) {
		if !contiguous(t, filepath.Join(folder, name), x) {
			t.Errorf("%s has a gap in its ring", name)
		}
	}
	t.Logf("%q", l.said())
}

// foreignTaps is how often a foreign sound and a tap of wood after it are played in
// TestVirtualForeign.
const foreignTaps = 60

// foreignLeftOut is how many bars may be no use because their tap does not count even
// without a foreign sound: 2 of 62 were.
const foreignLeftOut = 5

// None of a workshop's sounds counts as a tap without a question, and the first tap of
// wood after one still does.
func TestVirtualForeign(t *testing.T) {
	each := 1
	if slow {
		each = foreignTaps
	}
	kinds := slices.Sorted(maps.Keys(cases.WorkshopSounds))
	counted, good := 0, 0
	for i, bar := 0, uint64(7600); i < each; i, bar = i+1, bar+1 {
		kind := kinds[i%len(kinds)]
		c := cases.Bar(bar).InRoom().SNR(36).Starting(4.5).Taps(1)
		c.Scene.Device = synth.Device{Bits: 16}
		c.Scene.DurationS += 3 // the ring is heard to its end, however late the tape begins
		rec, truth := c.Render()
		// A tap that does not count without a foreign sound before it tells nothing.
		alone := filepath.Join(t.TempDir(), "alone.wav")
		if err := wavfile.Save(alone, rec, 16); err != nil {
			t.Fatal(err)
		}
		if out, err := selfCommand(t, "listen", t.TempDir(), "--from", alone, "--blank", "A1", "--taps", "1").Output(); err != nil {
			t.Logf("bar %d is left out: %s", bar, out)
			if i--; bar-7600 > uint64(i+foreignLeftOut) {
				t.Fatalf("more than %d bars don't count by themselves", foreignLeftOut)
			}
			continue
		}
		sound := cases.WorkshopSounds[kind](rec.Rate, rand.New(rand.NewPCG(uint64(i), 60)))
		addAt(rec.Tracks[0], 1.5, sound)
		out := listenToTape(t, rec.Tracks[0], t.TempDir(), "--blank", "A1", "--taps", "1", "--seconds", fmt.Sprint(math.Floor(float64(len(rec.Tracks[0]))/rec.Rate-0.5)))
		if !noteOfTap.MatchString(out) {
			t.Logf("%s %d, bar %d: the tap of wood did not count: %s", kind, i, bar, out)
		}
		for _, m := range noteOfTap.FindAllStringSubmatch(out, -1) {
			if hz, _ := strconv.ParseFloat(m[2], 64); math.Abs(hz/truth.Fundamental.Hz-1) < 0.01 {
				good++
			} else {
				counted++
				t.Errorf("%s %d counts: %s", kind, i, m[0])
			}
		}
	}
	if good < each {
		t.Errorf("%d of %d taps of wood are good", good, each)
	}
	t.Logf("%d of %d foreign sounds counted; %d of %d taps of wood after them good", counted, each, good, each)
}

// Hands-free, a scale that beeps five times before each of five sticks does not
// move their numbers.
func TestVirtualBeeps(t *testing.T) {
	if !slow {
		t.Skip("slow: set RINGSTOCK_SLOW=1")
	}
	var tape, notes []float64
	for stick := range uint64(5) {
		// Just the taps that are wanted: the blank after these begins by itself.
		c := cases.Bar(7700 + stick).InRoom().SNR(36).Starting(7).Taps(3)
		c.Scene.Device = synth.Device{Bits: 16}
		rec, truth := c.Render()
		for beep := range uint64(5) {
			addAt(rec.Tracks[0], 1.5+0.9*float64(beep), cases.WorkshopSounds["beep of a scale"](rec.Rate, rand.New(rand.NewPCG(stick, beep)))[:int(0.8*rec.Rate)])
		}
		tape, notes = append(tape, rec.Tracks[0]...), append(notes, truth.Fundamental.Hz)
	}
	out := listenToTape(t, tape, t.TempDir(), "--blank", "A1", "--taps", "3", "--hands-free", "--blanks", "5", "--seconds", fmt.Sprint(len(tape)/virtual.Rate-1))
	taps := noteOfTap.FindAllStringSubmatch(out, -1)
	for _, m := range taps {
		if hz, _ := strconv.ParseFloat(m[2], 64); math.Abs(hz/notes[m[1][0]-'1']-1) > 0.01 {
			t.Errorf("blank A%s has a tap of %s Hz; its note is %.1f Hz", m[1], m[2], notes[m[1][0]-'1'])
		}
	}
	if done := strings.Count(out, " done: "); done != 5 || len(taps) != 15 {
		t.Errorf("%d blanks done, %d taps:\n%s", done, len(taps), out)
	}
}

var noteOfTap = regexp.MustCompile(`(?m)^A([1-5]) \d+/\d+ good +([0-9.]+)`)

// addAt adds a sound to a recording at the virtual microphone's rate, somewhat softer
// than the recording's peak.
func addAt(x []float64, atS float64, sound []float64) {
	top := 0.0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	for i, v := range cases.Loud(sound, 0.7*top) {
		x[int(atS*virtual.Rate)+i] += v
	}
}

// listenToTape is what is said of a tape that the virtual microphone plays.
func listenToTape(t *testing.T, tape []float64, folder string, args ...string) string {
	t.Helper()
	v := virtual.Start(t)
	done, fed := make(chan struct{}), make(chan error, 1)
	l := startListening(t, folder, args...)
	go func() { fed <- v.Feed(tape, done) }()
	if err := l.Wait(); err != nil && l.ProcessState.ExitCode() != 3 && !strings.Contains(l.side.String(), "nothing was recorded") {
		t.Errorf("%v\n%s", err, &l.side)
	}
	close(done)
	v.Kill()
	<-fed
	return l.out.String()
}
