//go:build portaudio && cgo

package mic

import (
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"github.com/gordonklaus/portaudio"

	"ringstock/capture"
)

const (
	ringS     = 10.0                    // of sound that waits for a slow reader
	pollEvery = 5 * time.Millisecond    // nothing is lost by waiting: a tap lasts for seconds
	pollsMost = 10                      // polls in one Read
	silentFor = 2500 * time.Millisecond // without any sound the microphone is given up
	startFor  = 10 * time.Second        // some sound systems take seconds to begin
	closeFor  = time.Second
	sleptFor  = 2 * time.Second // that the clock runs on between two polls
)

// library guards PortAudio, whose binding keeps unguarded globals.
var library sync.Mutex

// Microphone is an open device.
type Microphone struct {
	Device
	rate   float64
	stream *portaudio.Stream
	ring   *ring
	pos    int64
	begun  bool
	idle   int       // polls since the last sound
	last   time.Time // of the last poll, by the wall clock
	err    error
}

// Devices lists the input devices anew: the library looks at them when it is started.
func Devices() ([]Device, error) {
	library.Lock()
	defer library.Unlock()
	if err := portaudio.Initialize(); err != nil {
		return nil, failed("the sound system can't be reached", err)
	}
	defer portaudio.Terminate()
	list, _, err := inputs()
	return list, err
}

func inputs() (list []Device, infos []*portaudio.DeviceInfo, err error) {
	all, err := portaudio.Devices()
	if err != nil {
		return nil, nil, failed("the sound devices can't be listed", err)
	}
	// No default is no error: the list says it.
	standard, _ := portaudio.DefaultInputDevice()
	for _, d := range all {
		if d.MaxInputChannels > 0 {
			list = append(list, Device{d.Name, d.HostApi.Name, d.MaxInputChannels, d.DefaultSampleRate, standard != nil && d.Index == standard.Index})
			infos = append(infos, d)
		}
	}
	return list, infos, nil
}

// Open opens an input device and starts it. Where the device refuses its own rate, 48000
// and 44100 Hz are tried.
func Open(o Options) (*Microphone, error) {
	library.Lock()
	defer library.Unlock()
	runtime.LockOSThread() // some sound systems want all calls from one thread
	if err := portaudio.Initialize(); err != nil {
		return nil, failed("the sound system can't be reached", err)
	}
	m, err := open(o)
	if err != nil {
		portaudio.Terminate()
		return nil, err
	}
	return m, nil
}

func open(o Options) (*Microphone, error) {
	list, infos, err := inputs()
	if err != nil {
		return nil, err
	}
	i, err := choose(list, o.Name)
	if err != nil {
		return nil, err
	}
	rates := []float64{o.RateHz}
	if o.RateHz == 0 {
		rates = []float64{list[i].RateHz, 48000, 44100}
	}
	m := &Microphone{Device: list[i]}
	for _, rate := range rates {
		m.rate, m.ring = rate, newRing(int(ringS*max(rate, 8000)))
		p := portaudio.HighLatencyParameters(infos[i], nil)
		p.SampleRate, p.FramesPerBuffer = rate, portaudio.FramesPerBufferUnspecified
		m.stream, err = portaudio.OpenStream(p, m.hear)
		if !errors.Is(err, portaudio.InvalidSampleRate) {
			break
		}
	}
	if err != nil {
		return nil, refused(m.Device, m.rate, err)
	}
	if err := m.stream.Start(); err != nil {
		m.stream.Close()
		return nil, refused(m.Device, m.rate, err)
	}
	m.last = time.Now().Round(0)
	return m, nil
}

// hear runs on the device's thread: it must not allocate, wait or fail.
func (m *Microphone) hear(in []float32, _ portaudio.StreamCallbackTimeInfo, flags portaudio.StreamCallbackFlags) {
	var f capture.Flags
	if flags&portaudio.InputOverflow != 0 {
		f = capture.Overflow
	}
	m.ring.Put(in, f)
}

// Rate is the number of samples per second.
func (m *Microphone) Rate() float64 { return m.rate }

// Read takes what has come. A sound system that stops delivering says nothing; so does
// this, until too much time has passed without sound. Time is counted in polls, so that a
// computer that slept is not mistaken for one that stopped hearing.
func (m *Microphone) Read(b *capture.Block) error {
	*b = capture.Block{Samples: b.Samples[:0], Pos: m.pos}
	if m.err != nil {
		return m.err
	}
	for range pollsMost {
		if m.ring.Take(b, int(m.rate)) {
			m.begun, m.idle = true, 0
			break
		}
		time.Sleep(pollEvery)
		m.idle++
	}
	now := time.Now().Round(0)
	if now.Sub(m.last) > sleptFor {
		b.Flags |= capture.Gap
	}
	m.last = now
	b.Pos += int64(b.Lost)
	m.pos = b.Pos + int64(len(b.Samples))
	patience := silentFor
	if !m.begun {
		patience = startFor
	}
	if time.Duration(m.idle)*pollEvery > patience {
		m.err = fmt.Errorf("the microphone %q stopped delivering sound: it was unplugged, another program took it, or the sound system broke down; plug it in, see \"ringstock devices\", and start again with the same folder: it goes on where it stopped", m.Name)
		if !m.begun {
			m.err = fmt.Errorf("the microphone %q delivers no sound: check that it is not muted and is permitted in the system's privacy settings, or choose another with --device", m.Name)
		}
	}
	return m.err
}

// Close stops the device. A sound system that hangs is left alone: the program
// must not hang with it.
func (m *Microphone) Close() error {
	done := make(chan error, 1)
	go func() {
		library.Lock()
		defer library.Unlock()
		err := errors.Join(m.stream.Abort(), m.stream.Close())
		done <- errors.Join(err, portaudio.Terminate())
	}()
	select {
	case err := <-done:
		if err != nil {
			return failed("the microphone can't be closed properly", err)
		}
		return nil
	case <-time.After(closeFor):
		return errors.New("the sound system does not answer any more; if this goes on, restart it")
	}
}

// refused explains in plain words why a device could not be opened.
func refused(d Device, rate float64, err error) error {
	switch {
	case errors.Is(err, portaudio.InvalidSampleRate):
		return fmt.Errorf("the microphone %q can't be used at %.0f Hz; leave out --rate, or try --rate %.0f", d.Name, rate, d.RateHz)
	case errors.Is(err, portaudio.InvalidChannelCount):
		return fmt.Errorf("the microphone %q can't record one channel; choose another with --device", d.Name)
	case errors.Is(err, portaudio.DeviceUnavailable), errors.Is(err, portaudio.BadIODeviceCombination):
		return fmt.Errorf("the microphone %q can't be opened: another program uses it, it was unplugged, or it is not permitted; close other programs that record, allow it in the system's privacy settings, and see \"ringstock devices\"", d.Name)
	}
	return failed(fmt.Sprintf("the microphone %q can't be opened", d.Name), err)
}

// failed adds the library's own words where it has any.
func failed(what string, err error) error {
	if err.Error() == "" {
		return fmt.Errorf("%s, and the sound system does not say why; unplug the microphone and plug it in again, or choose another with --device", what)
	}
	return fmt.Errorf("%s: %w", what, err)
}
