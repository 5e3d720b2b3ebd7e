package spectrum_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/capture"
	"ringstock/capture/synth"
	"ringstock/capture/synth/cases"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// answered is a room: what it answers to a click, without the click, at 48 kHz.
type answered struct {
	name    string
	answer  []float64
	rt60S   float64
	measure bool // in a real room
}

func heardAs(name string, answer []float64) answered {
	return answered{name: name, answer: answer, rt60S: synth.ReverberationS(answer, 48000)}
}

// measuredRooms are the responses of real rooms in the folder that RINGSTOCK_ROOMS names,
// each recorded from a quarter of a millisecond before the direct sound on; nil without
// it. Where they come from stands in that folder.
func measuredRooms(t *testing.T) (rooms []answered) {
	dir := os.Getenv("RINGSTOCK_ROOMS")
	if dir == "" {
		return nil
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.flac"))
	if err != nil || len(files) == 0 {
		t.Fatalf("RINGSTOCK_ROOMS names %s, where there are no FLAC files (%v)", dir, err)
	}
	for _, file := range files {
		rec, err := wavfile.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		if rec.Rate != 48000 {
			t.Fatalf("%s: %g Hz, want 48000 Hz", file, rec.Rate)
		}
		direct, echoes := int(0.00025*48000), int(0.0025*48000)
		h := rec.Tracks[0][direct:]
		clear(h[:echoes])
		r := heardAs(strings.TrimSuffix(filepath.Base(file), ".flac"), h)
		r.measure = true
		rooms = append(rooms, r)
	}
	return rooms
}

// boxOf is a rectangular room of a seed, by its modes or by mirrored sources;
// reverberation times from 0.2 to 2.5 s.
func boxOf(seed uint64, modal bool) answered {
	random := rand.New(rand.NewPCG(seed, 200))
	rt := 0.2 * math.Pow(2.5/0.2, random.Float64())
	b := cases.Box(seed, rt)
	if modal {
		return heardAs(fmt.Sprintf("modes %d", seed), b.Modal(48000))
	}
	return heardAs(fmt.Sprintf("images %d", seed), b.Images(48000, min(1.2*rt, 2.5)))
}

// classOf is the reverberation class of a room.
func (r answered) classOf() string {
	switch {
	case r.rt60S < 0.6:
		return "RT60 < 0.6 s"
	case r.rt60S < 1.2:
		return "RT60 0.6-1.2 s"
	}
	return "RT60 > 1.2 s"
}

// places are distances of the microphone, told by the least and the most that the room's
// answer lies under the direct sound.
var places = []struct {
	name      string
	low, high float64
}{{"near", 10, 20}, {"arm", 0, 6}}

// told is how well the note and Q of recordings of one class were told.
type told struct {
	n, none, wrong, limits, unread int // limits: the room is said to limit; unread: no Q
	zf, zq, dq                     []float64
	falselyNamed, double, taps     int
	altered                        int
	off                            int // Q off by more than 2u, and nothing said of the room
}

func (s *told) add(rec capture.Recording, truth cases.Truth) string {
	a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
	s.n++
	for _, t := range a.Taps {
		s.taps++
		if t.Reason == capture.DoubleStrike {
			s.double++
		}
	}
	for _, w := range a.Warnings {
		if w.Code == spectrum.Altered {
			s.altered++
			break
		}
	}
	if a.Ring == nil {
		s.none++
		return "no ring"
	}
	f, want := a.Ring.Fundamental, truth.Fundamental
	if math.Abs(f.Hz.X/want.Hz-1) > 0.017 { // 30 cents
		s.wrong++
		return fmt.Sprintf("%.2f Hz for %.2f", f.Hz.X, want.Hz)
	}
	for _, st := range a.Ring.Stray {
		if st.LevelDB > -15 {
			s.falselyNamed++
			break
		}
	}
	s.zf = append(s.zf, (f.Hz.X-want.Hz)/f.Hz.U)
	if !f.Q.Known() {
		s.unread++
		return ""
	}
	z := (f.Q.X - want.Q) / f.Q.U
	if a.Ring.Room.Limits {
		s.limits++
	} else if math.Abs(z) > 2 {
		s.off++
	}
	s.zq, s.dq = append(s.zq, z), append(s.dq, 100*math.Abs(f.Q.X/want.Q-1))
	if math.Abs(z) > 2.5 {
		return fmt.Sprintf("Q %.1f ± %.1f for %.1f at %.1f Hz", f.Q.X, f.Q.U, want.Q, want.Hz)
	}
	return ""
}

// holding counts the values whose size is below k.
func holding(z []float64, k float64) (n int) {
	for _, v := range z {
		if math.Abs(v) < k {
			n++
		}
	}
	return n
}

// plausible tells whether k of n is what chance makes of a share between low and high: it
// is not if fewer, or more, have a chance of less than 1 in 1000 (binomial law).
func plausible(k, n int, low, high float64) bool {
	few := distuv.Binomial{N: float64(n), P: low}.CDF(float64(k))
	many := 1 - distuv.Binomial{N: float64(n), P: high}.CDF(float64(k)-1)
	return n == 0 || few > 0.001 && many > 0.001
}

// readIn renders and reads n recordings in the rooms one after the other, with the
// microphone at one place, on all processors.
func readIn(rooms []answered, place int, n int, seed uint64) map[string]*told {
	byClass := map[string]*told{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for w := range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := w; i < n; i += runtime.GOMAXPROCS(0) {
				room := rooms[i%len(rooms)]
				s := seed + uint64(i)
				random := rand.New(rand.NewPCG(s, 201))
				under := places[place].low + (places[place].high-places[place].low)*random.Float64()
				rec, truth := cases.Bar(s).Heard(room.answer, under).SNR(20 + 20*random.Float64()).Render()
				var one told
				note := one.add(rec, truth)
				mu.Lock()
				class := room.classOf()
				if byClass[class] == nil {
					byClass[class] = &told{}
				}
				byClass[class].join(one)
				if *list > 0 && note != "" {
					fmt.Fprintf(os.Stderr, "  %s %s, %d: %s\n", room.name, places[place].name, s, note)
				}
				mu.Unlock()
			}
		}()
	}
	wg.Wait()
	return byClass
}

func (s *told) join(o told) {
	s.n, s.none, s.wrong, s.limits, s.unread = s.n+o.n, s.none+o.none, s.wrong+o.wrong, s.limits+o.limits, s.unread+o.unread
	s.falselyNamed, s.double, s.taps, s.altered = s.falselyNamed+o.falselyNamed, s.double+o.double, s.taps+o.taps, s.altered+o.altered
	s.off += o.off
	s.zf, s.zq, s.dq = append(s.zf, o.zf...), append(s.zq, o.zq...), append(s.dq, o.dq...)
}

// TestRoomsTable prints how well note and Q are told in rooms: measured ones, and boxes
// by their modes and by mirrored sources.
func TestRoomsTable(t *testing.T) {
	wantTable(t)
	sets := []struct {
		name string
		make func() []answered
	}{
		{"measured", func() []answered { return measuredRooms(t) }},
		{"modes", func() (rooms []answered) {
			for i := range *runs {
				rooms = append(rooms, boxOf(*firstSeed+uint64(i), true))
			}
			return rooms
		}},
		{"images", func() (rooms []answered) {
			for i := range *runs / 3 {
				rooms = append(rooms, boxOf(*firstSeed+uint64(i), false))
			}
			return rooms
		}},
	}
	fmt.Println("rooms     place  class             n  wrong none |  Q: 1u   2u  |d| 50 %  90 %  limits unread off | note: 1u   2u | foreign double/taps altered")
	for _, set := range sets {
		if !strings.Contains(set.name, *only) {
			continue
		}
		rooms := set.make()
		if rooms == nil {
			fmt.Println(set.name + ": RINGSTOCK_ROOMS does not name a folder with measured responses")
			continue
		}
		for place := range places {
			by := readIn(rooms, place, *runs, *firstSeed)
			for _, class := range slices.Sorted(maps.Keys(by)) {
				s := by[class]
				pct := func(k, n int) float64 { return 100 * float64(k) / float64(max(n, 1)) }
				fmt.Printf("%-9s %-6s %-15s %3d  %3d  %3d  |  %5.1f %5.1f  %5.2f %6.2f   %3d   %3d   %3d  |  %5.1f %5.1f |  %3d   %3d/%-4d  %3d\n", set.name, places[place].name, class, s.n, s.wrong, s.none,
					pct(holding(s.zq, 1), len(s.zq)), pct(holding(s.zq, 2), len(s.zq)), quantile(s.dq, .5), quantile(s.dq, .9), s.limits, s.unread, s.off,
					pct(holding(s.zf, 1), len(s.zf)), pct(holding(s.zf, 2), len(s.zf)), s.falselyNamed, s.double, s.taps, s.altered)
			}
			if set.name == "measured" {
				asRoomsShould(t, place, by)
			}
		}
	}
}

// asRoomsShould fails if more is wrong in measured rooms than chance makes of what is
// allowed: wrong notes, double strikes and foreign notes that are none, and Q's beyond
// two uncertainties; of halls more may be beyond.
func asRoomsShould(t *testing.T, place int, by map[string]*told) {
	t.Helper()
	var all told
	for class, s := range by {
		all.join(*s)
		least := []float64{0.92, 0.90}[place]
		if class == "RT60 > 1.2 s" {
			least = 0.88
		}
		if two := holding(s.zq, 2); !plausible(two, len(s.zq), least, 0.98) {
			t.Errorf("%s, %s: two standard uncertainties of Q hold %d of %d", places[place].name, class, two, len(s.zq))
		}
	}
	if all.wrong > exceptional(all.n, 0.003) || all.double > exceptional(all.taps, 0.005) || all.falselyNamed > exceptional(all.n, []float64{0.01, 0.03}[place]) {
		t.Errorf("%s: %d wrong notes and %d falsely named foreign ones in %d recordings, %d of %d taps taken for double strikes", places[place].name,
			all.wrong, all.falselyNamed, all.n, all.double, all.taps)
	}
}

// honest fails if errors over their uncertainties are not as they should be, on
// either side: within one 60 to 80 % of them, within two 92 to 98 %, as far as
// chance allows in so many.
func honest(t *testing.T, what string, z []float64) {
	t.Helper()
	if one := holding(z, 1); !plausible(one, len(z), 0.6, 0.8) {
		t.Errorf("%s: one standard uncertainty holds %d of %d", what, one, len(z))
	}
	if two := holding(z, 2); !plausible(two, len(z), 0.92, 0.98) {
		t.Errorf("%s: two standard uncertainties hold %d of %d", what, two, len(z))
	}
}

// TestMeasuredRooms reads bars in eight real rooms. Their answers were measured by
// others; the folder says by whom.
func TestMeasuredRooms(t *testing.T) {
	rooms := measuredRooms(t)
	if rooms == nil {
		t.Skip("RINGSTOCK_ROOMS does not name a folder with measured responses of rooms")
	}
	n := 4 * len(rooms)
	for place := range places {
		var z, short []float64
		wrong, off := 0, 0
		for class, s := range readIn(rooms, place, n, 64000) {
			z = append(z, s.zq...)
			wrong, off = wrong+s.wrong, off+s.off
			if class == "RT60 < 0.6 s" {
				short = append(short, s.dq...)
			}
		}
		t.Logf("%s: 1u holds %d, 2u %d of %d; %d wrong notes, %d off without a word; RT60 < 0.6 s: error of Q %.2f %% median, %.2f %% at 90 %%",
			places[place].name, holding(z, 1), holding(z, 2), len(z), wrong, off, quantile(short, .5), quantile(short, .9))
		if one, two := holding(z, 1), holding(z, 2); !plausible(one, len(z), 0.6, 0.8) || !plausible(two, len(z), 0.88, 0.98) {
			t.Errorf("%s: one standard uncertainty holds %d, two hold %d of %d", places[place].name, one, two, len(z))
		}
		if most := []float64{1.0, 1.3}[place]; quantile(short, .5) > most {
			t.Errorf("%s: the median error of Q is %.2f %% where RT60 is under 0.6 s, %.1f %% asked", places[place].name, quantile(short, .5), most)
		}
	}
}

// TestMainsBesideARoom: the mains' harmonics off the note, each with a phase of its own
// in every tap and weakened where they lie at the edge of what is listened to, are no
// part of a room that rings on for ever.
func TestMainsBesideARoom(t *testing.T) {
	for seed := uint64(8800); seed < 8816; seed++ {
		rec, truth := cases.Bar(seed).InRoom().Highpassed(8).Mains().SNR(36).Render()
		q := analyse(t, rec).Fundamental.Q
		if math.Abs(q.X-truth.Fundamental.Q) > 3*q.U || q.Rel() > 0.15 {
			t.Errorf("seed %d: Q %.1f ± %.1f, true %.1f", seed, q.X, q.U, truth.Fundamental.Q)
		}
	}
}

// TestHeldTapsInRooms: a ring that a hand damps to a Q of 44 dies as fast as many rooms;
// for most it is told from them, and the truth is inside.
func TestHeldTapsInRooms(t *testing.T) {
	n, told, inside := 16, 0, 0
	if slow() {
		n = 60
	}
	for seed := range uint64(n) {
		rec, truth := cases.Bar(8920 + seed).Damped(44).InRoom().SNR(35).Render()
		a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
		if a.Ring == nil || !a.Ring.Fundamental.Q.Known() {
			continue
		}
		q := a.Ring.Fundamental.Q
		told++
		if math.Abs(q.X-truth.Fundamental.Q) < 2*q.U {
			inside++
		}
	}
	t.Logf("Q is told of %d of %d, and within 2u in %d", told, n, inside)
	if !plausible(told, n, 0.9, 1) || !plausible(inside, told, 0.92, 1) {
		t.Errorf("Q is told of %d of %d, and within 2u in %d", told, n, inside)
	}
}
