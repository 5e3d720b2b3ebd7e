package filefault_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"ringstock/capture/filefault"
)

func TestText(t *testing.T) {
	dir := t.TempDir()
	_, gone := os.Stat(filepath.Join(dir, "none.wav"))
	_, opened := os.Open(filepath.Join(dir, "none.wav"))
	for _, test := range []struct {
		err  error
		want string
	}{
		{gone, filepath.Join(dir, "none.wav") + ": there is no such file or folder"},
		{fmt.Errorf("blank A1: %w; go on", opened), "blank A1: " + filepath.Join(dir, "none.wav") + ": there is no such file or folder; go on"},
		{&fs.PathError{Op: "open", Path: "a", Err: fs.ErrPermission}, "a: the system does not permit that: look at whose file or folder it is, and whether it is write-protected"},
		{&os.LinkError{Op: "rename", Old: "a.tmp", New: "a", Err: syscall.ENOSPC}, "a: the disk is full: free some space, then try again"},
		{&fs.PathError{Op: "read", Path: "a", Err: syscall.EISDIR}, (&fs.PathError{Op: "read", Path: "a", Err: syscall.EISDIR}).Error()},
		{errors.New("row 3: no mass"), "row 3: no mass"},
	} {
		if got := filefault.Text(test.err); got != test.want {
			t.Errorf("%v:\n got %q\nwant %q", test.err, got, test.want)
		}
	}
}

// The numbers 32, 39 and 112 have other meanings on other systems.
func TestNumbersOfWindows(t *testing.T) {
	windows := runtime.GOOS == "windows"
	for _, number := range []syscall.Errno{32, 33} {
		if got := filefault.InUse(&fs.PathError{Op: "open", Path: "a", Err: number}); got != windows {
			t.Errorf("%d: in use is %v", number, got)
		}
	}
	if got := filefault.Full(&fs.PathError{Op: "write", Path: "a", Err: syscall.Errno(112)}); got != windows {
		t.Errorf("112: full is %v", got)
	}
}
