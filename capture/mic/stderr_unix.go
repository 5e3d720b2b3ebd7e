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

// RedirectStderr keeps what the sound system's libraries print off the terminal, and
// returns a file that has it instead, to be read at places only. The file has no name any
// more, so that nothing is left behind. The program's own messages and crashes still go
// to the terminal. It must be called before anything keeps a copy of os.Stderr; a second
// call does nothing and returns nil.
func RedirectStderr() (log *os.File, err error) {
	if hushed.Swap(true) {
		return nil, nil
	}
	log, err = os.CreateTemp("", "ringstock-sound-*.log")
	if err != nil {
		return nil, err
	}
	if err := os.Remove(log.Name()); err != nil {
		return nil, err
	}
	own, err := unix.FcntlInt(2, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, fmt.Errorf("the terminal can't be kept: %w", err)
	}
	terminal := os.NewFile(uintptr(own), "/dev/stderr")
	os.Stderr = terminal
	if err := debug.SetCrashOutput(terminal, debug.CrashOptions{}); err != nil {
		return nil, err
	}
	for {
		if err = unix.Dup2(int(log.Fd()), 2); err != syscall.EINTR {
			return log, err
		}
	}
}
