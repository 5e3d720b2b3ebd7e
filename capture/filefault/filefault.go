// Package filefault puts into plain words what a system says of a file. Systems differ in
// their words and numbers for the same fault ("GetFileAttributesEx x.wav: The system
// cannot find the file specified."), and none says what to do.
package filefault

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"slices"
	"strings"
	"syscall"
)

// Text returns the text of an error. Where its chain has what a system said of a file,
// that part is in plain words, with what to do; the rest is as it was.
func Text(err error) string {
	text := err.Error()
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		if plain, ok := words(path.Err); ok {
			text = strings.Replace(text, path.Error(), fmt.Sprintf("%s: %s", path.Path, plain), 1)
		}
	case errors.As(err, &link):
		if plain, ok := words(link.Err); ok {
			text = strings.Replace(text, link.Error(), fmt.Sprintf("%s: %s", link.New, plain), 1)
		}
	}
	return text
}

// words are the faults that a user can do something about.
func words(err error) (string, bool) {
	switch {
	case InUse(err):
		return "another program has it open: close it there (most often a spreadsheet), then try again", true
	case Full(err):
		return "the disk is full: free some space, then try again", true
	case errors.Is(err, fs.ErrNotExist):
		return "there is no such file or folder", true
	case errors.Is(err, fs.ErrPermission):
		return "the system does not permit that: look at whose file or folder it is, and whether it is write-protected", true
	}
	return "", false
}

// InUse tells whether a file can't be had because another program holds it.
// Only Windows says so.
func InUse(err error) bool {
	return windows(err, 32, 33) // ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION
}

// Full tells whether a file can't be written because there is no room for it.
func Full(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || windows(err, 39, 112) // ERROR_HANDLE_DISK_FULL, ERROR_DISK_FULL
}

// windows tells whether an error is one of the numbers of Windows ("System Error Codes",
// Microsoft's reference of its API).
func windows(err error, numbers ...syscall.Errno) bool {
	var e syscall.Errno
	return runtime.GOOS == "windows" && errors.As(err, &e) && slices.Contains(numbers, e)
}
