//go:build linux

// Package virtual is a microphone without hardware, for tests: a PulseAudio server
// of its own, with a pipe in the place of a sound card, to which ALSA and so
// PortAudio are pointed.
package virtual

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// Rate is the microphone's sample rate in Hz; its samples have 16 bits.
const Rate = 48000

// Microphone is a running server.
type Microphone struct {
	server *exec.Cmd
	dead   chan error
	fifo   string
}

// Start starts a server and points this process and its children to it. The test is
// skipped if there is no PulseAudio.
func Start(t testing.TB) *Microphone {
	t.Helper()
	for _, program := range []string{"pulseaudio", "pactl"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("needs PulseAudio for a virtual microphone (Debian: pulseaudio pulseaudio-utils libasound2-plugins): %v", err)
		}
	}
	// A socket's path may have 107 bytes only, so not t.TempDir.
	dir, err := os.MkdirTemp("", "mic")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	m := &Microphone{fifo: filepath.Join(dir, "vmic.fifo"), dead: make(chan error, 1)}
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	script := write("start.pa", "load-module module-native-protocol-unix auth-anonymous=1\n"+
		fmt.Sprintf("load-module module-pipe-source source_name=vmic file=%s format=s16le rate=%d channels=1\n", m.fifo, Rate)+
		"set-default-source vmic\n")
	alsa := write("asound.conf", `pcm.!default { type pulse  hint { show on description "virtual microphone" } }
ctl.!default { type pulse }
`)
	for name, value := range map[string]string{
		"XDG_RUNTIME_DIR": dir, "PULSE_RUNTIME_PATH": filepath.Join(dir, "pulse"), "HOME": dir,
		"PULSE_SERVER": "unix:" + filepath.Join(dir, "pulse", "native"), "ALSA_CONFIG_PATH": alsa,
	} {
		t.Setenv(name, value)
	}
	m.server = exec.Command("pulseaudio", "-n", "-F", script, "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
		"--disallow-exit=yes", "--realtime=no", "--high-priority=no", "--log-target=stderr")
	if err := m.server.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { m.dead <- m.server.Wait() }()
	t.Cleanup(m.Kill)
	for range 100 {
		if exec.Command("pactl", "info").Run() == nil {
			return m
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatal("the PulseAudio server does not answer")
	return nil
}

// Kill ends the server at once.
func (m *Microphone) Kill() {
	if m.server.Process.Kill() == nil {
		<-m.dead
	}
}

// Freeze stops the server without ending it.
func (m *Microphone) Freeze() error { return m.server.Process.Signal(syscall.SIGSTOP) }

// Thaw lets a frozen server go on.
func (m *Microphone) Thaw() error { return m.server.Process.Signal(syscall.SIGCONT) }

// Unplug takes the microphone away from the server, which goes on without it.
func (m *Microphone) Unplug() error {
	return exec.Command("pactl", "unload-module", "module-pipe-source").Run()
}

// Feed plays the samples at the pace of the microphone, until done is closed or nobody
// has listened for ten seconds.
func (m *Microphone) Feed(samples []float64, done <-chan struct{}) error {
	// The pipe is read only while somebody records, so writing must be able to give up.
	f, err := os.OpenFile(m.fifo, os.O_WRONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	const block = Rate / 100
	began := time.Now()
	buf := make([]byte, 0, 2*block)
	for at := 0; at < len(samples); at += block {
		select {
		case <-done:
			return nil
		default:
		}
		buf = buf[:0]
		for _, x := range samples[at:min(at+block, len(samples))] {
			buf = binary.LittleEndian.AppendUint16(buf, uint16(Integer(x)))
		}
		if err := f.SetWriteDeadline(time.Now().Add(10 * time.Second)); err != nil {
			return err
		}
		if _, err := f.Write(buf); err != nil {
			if errors.Is(err, syscall.EPIPE) {
				return nil // the server is gone
			}
			return err
		}
		due := time.Duration(at) * time.Second / Rate
		time.Sleep(due - time.Since(began))
	}
	return nil
}

// Integer is a sample as the pipe carries it.
func Integer(x float64) int16 { return int16(min(max(x*32768, -32768), 32767)) }
