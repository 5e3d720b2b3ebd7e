//go:build portaudio && cgo && (linux || darwin)

package mic

import (
	"fmt"
	"os"
	"runtime/debug"
	"sync/atomic"
	"syscall"

	"golang.org/x/sys/unix"
)

var hushed atomic.Bool

// Hush keeps what the sound system's libraries print off the terminal, and returns the file that has it
// instead. The program's own messages and crashes still go to the terminal. It must be called
// before anything keeps a copy of os.Stderr; a second call does nothing.
func Hush() (log string, err error) {
	if hushed.Swap(true) {
		return "", nil
	}
	f, err := os.CreateTemp("", "ringstock-sound-*.log")
	if err != nil {
		return "", err
	}
	defer f.Close()
	own, err := unix.FcntlInt(2, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return "", fmt.Errorf("the terminal can't be kept: %w", err)
	}
	terminal := os.NewFile(uintptr(own), "/dev/stderr")
	os.Stderr = terminal
	if err := debug.SetCrashOutput(terminal, debug.CrashOptions{}); err != nil {
		return "", err
	}
	for {
		if err = unix.Dup2(int(f.Fd()), 2); err != syscall.EINTR {
			return f.Name(), err
		}
	}
}
