//go:build portaudio && cgo && linux

package mic_test

import (
	"errors"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"ringstock/capture"
	"ringstock/capture/mic"
	"ringstock/capture/mic/virtual"
)

// slow tells whether the long tests are wanted.
var slow = os.Getenv("RINGSTOCK_SLOW") != ""

// sequence is noise in which each sample tells where it belongs.
func sequence(n int) []float64 {
	x, state := make([]float64, n, n+virtual.Rate), uint32(1) // with room for what follows
	for i := range x {
		state = state*1664525 + 1013904223 // Knuth's generator, as in Numerical Recipes
		x[i] = float64(int16(state>>16)) / 32768
	}
	return x
}

// followed is a sequence with a second of silence behind it: the sound server hands on
// whole pieces only, so that the end of what is played last stays with it. There is room
// for it behind a whole sequence: while ten minutes are copied the collector can stop the
// reader for longer than a computer that does not sleep.
func followed(x []float64) []float64 { return append(x, make([]float64, virtual.Rate)...) }

func open(t *testing.T) *mic.Microphone {
	t.Helper()
	if _, err := mic.RedirectStderr(); err != nil {
		t.Fatal(err)
	}
	m, err := mic.Open(mic.Options{RateHz: virtual.Rate})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// What is played arrives to the bit.
func TestBitExact(t *testing.T) {
	runs, seconds := 3, 2
	if slow {
		runs, seconds = 10, 6
	}
	want := sequence(seconds * virtual.Rate)
	for range runs {
		t.Run("", func(t *testing.T) { // a server of its own: what one recorder leaves in the pipe, the next would hear
			v := virtual.Start(t)
			m := open(t)
			if m.Rate() != virtual.Rate || !m.Default {
				t.Fatal(m.Device)
			}
			listenTo(t, v, m, want, func(capture.Block) {})
			if err := m.Close(); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// listenTo plays a sequence and checks that it arrives to the bit.
func listenTo(t *testing.T, v *virtual.Microphone, m *mic.Microphone, want []float64, each func(capture.Block)) {
	t.Helper()
	done := make(chan struct{})
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(followed(want), done) }()
	var b capture.Block
	for at := 0; at < len(want); {
		if err := m.Read(&b); err != nil {
			t.Fatal(err)
		}
		if b.Lost > 0 || b.Flags != 0 {
			t.Fatalf("lost %d, flags %v at %.1f s", b.Lost, b.Flags, float64(at)/virtual.Rate)
		}
		for _, x := range b.Samples {
			if at == 0 && x == 0 {
				continue // silence before the sequence, which does not begin with 0
			}
			if at < len(want) && x != want[at] {
				t.Fatalf("sample %d is %v, want %v", at, x, want[at])
			}
			at++
		}
		each(b)
	}
	close(done)
	if err := <-fed; err != nil {
		t.Error(err)
	}
}

func TestServerKilled(t *testing.T) {
	runs := 1
	if slow {
		runs = 5
	}
	for range runs {
		t.Run("", func(t *testing.T) { brokenServer(t, (*virtual.Microphone).Kill) })
	}
}

func TestServerFrozen(t *testing.T) {
	brokenServer(t, func(v *virtual.Microphone) {
		if err := v.Freeze(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestUnplugged(t *testing.T) {
	brokenServer(t, func(v *virtual.Microphone) {
		if err := v.Unplug(); err != nil {
			t.Fatal(err)
		}
	})
}

// brokenServer checks that a server which breaks down while it records is told of, and
// that nothing hangs.
func brokenServer(t *testing.T, breaks func(*virtual.Microphone)) {
	v := virtual.Start(t)
	m := open(t)
	done := make(chan struct{})
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(sequence(60*virtual.Rate), done) }()
	var b capture.Block
	heard := 0
	for heard < virtual.Rate {
		if err := m.Read(&b); err != nil {
			t.Fatal(err)
		}
		heard += len(b.Samples)
	}
	breaks(v)
	ended := make(chan error, 1)
	go func() {
		for {
			if err := m.Read(&b); err != nil {
				ended <- err
				return
			}
		}
	}()
	select {
	case err := <-ended:
		if !strings.Contains(err.Error(), "stopped delivering") || !strings.Contains(err.Error(), "goes on where it stopped") {
			t.Error(err)
		}
	case <-time.After(30 * time.Second): // a hang, not a measure of speed
		t.Fatal("nothing is told of it")
	}
	if err := m.Close(); err != nil {
		t.Log(err) // it may say that the sound system hangs
	}
	close(done)
	v.Kill()
	<-fed
}

func TestFaultsAtOpening(t *testing.T) {
	virtual.Start(t)
	for _, c := range []struct {
		o    mic.Options
		want string
	}{
		{mic.Options{Name: "nobody"}, `there is no microphone "nobody"; there are: "ALSA: default"`},
		{mic.Options{RateHz: 100}, "can't be used at 100 Hz"},
		{mic.Options{RateHz: -1}, "can't be used at -1 Hz"},
		{mic.Options{RateHz: 1e6}, "can't be used at 1000000 Hz"},
	} {
		if _, err := mic.Open(c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
}

// Microphones that come and go are seen each time.
func TestDevicesAreListedAnew(t *testing.T) {
	for range 2 {
		v := virtual.Start(t)
		list, err := mic.Devices()
		if err != nil || len(list) != 1 || list[0].HostAPI != "ALSA" || !list[0].Default {
			t.Error(list, err)
		}
		v.Kill()
		if list, err := mic.Devices(); err != nil || len(list) != 0 {
			t.Error("without the server: ", list, err)
		}
		if _, err := mic.Open(mic.Options{}); err == nil || !strings.Contains(err.Error(), "no microphone was found") {
			t.Error(err)
		}
	}
}

// A rate that no device has is made of another by the sound server, which does not say
// so.
func TestOddRate(t *testing.T) {
	v := virtual.Start(t)
	m, err := mic.Open(mic.Options{RateHz: 12345})
	if err != nil || m.Rate() != 12345 {
		t.Fatal(m, err)
	}
	done := make(chan struct{})
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(sequence(10*virtual.Rate), done) }()
	var b capture.Block
	for heard := 0; heard < 12345; heard += len(b.Samples) {
		if err := m.Read(&b); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Error(err)
	}
	close(done)
	v.Kill()
	<-fed
}

// A reader that is busy loses nothing as long as the ring holds what comes meanwhile;
// what it does not hold is counted.
func TestSlowReader(t *testing.T) {
	const s = time.Second
	stalls := []time.Duration{s / 10, 3 * s / 2}
	if slow {
		stalls = append(stalls, 6*s, 14*s)
	}
	seconds := 3
	for _, d := range stalls {
		seconds += int(d/s) + 2
	}
	want := sequence(seconds * virtual.Rate)
	v := virtual.Start(t)
	m := open(t)
	done := make(chan struct{})
	fed := make(chan error, 1)
	go func() { fed <- v.Feed(followed(want), done) }()
	var b capture.Block
	lost, since := 0, 0
	var stalled time.Duration
	for at := 0; at < len(want); {
		if err := m.Read(&b); err != nil {
			t.Fatal(err)
		}
		lost, at = lost+b.Lost, at+b.Lost
		if b.Flags != 0 && stalled < 2*s {
			t.Fatalf("flags %v after a stall of %v", b.Flags, stalled)
		}
		for _, x := range b.Samples {
			if at == 0 && x == 0 {
				continue // silence before the sequence, which does not begin with 0
			}
			if at < len(want) && x != want[at] {
				t.Fatalf("sample %d is %v, want %v; %d lost", at, x, want[at], lost)
			}
			at++
			since++
		}
		if since > virtual.Rate && len(stalls) > 0 {
			if stalled < 10*s && lost > 0 {
				t.Errorf("%d samples lost in a stall of %v", lost, stalled)
			}
			stalled, stalls, since = stalls[0], stalls[1:], 0
			time.Sleep(stalled)
		}
	}
	if slow && lost == 0 {
		t.Error("nothing was lost in a stall that no ring holds")
	}
	close(done)
	if err := errors.Join(<-fed, m.Close()); err != nil {
		t.Error(err)
	}
}

// Ten minutes without a lost sample, in the same memory.
func TestTenMinutes(t *testing.T) {
	seconds := 5
	if slow {
		seconds = 600
	}
	want := sequence(seconds * virtual.Rate) // before anything is heard: a reader that is late has missed something
	v := virtual.Start(t)
	m := open(t)
	l := capture.NewListener(m.Rate(), m.Name)
	var early, late runtime.MemStats
	heard := 0
	listenTo(t, v, m, want, func(b capture.Block) {
		l.Hear(b)
		if heard += len(b.Samples); early.Sys == 0 && heard > len(want)/4 {
			runtime.GC()
			runtime.ReadMemStats(&early)
		}
	})
	runtime.GC()
	runtime.ReadMemStats(&late)
	if late.HeapAlloc > early.HeapAlloc+8<<20 {
		t.Errorf("the heap grew from %d to %d bytes", early.HeapAlloc, late.HeapAlloc)
	}
	if err := m.Close(); err != nil {
		t.Error(err)
	}
}
