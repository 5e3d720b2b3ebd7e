//go:build portaudio && cgo && !linux && !darwin

package mic

import "os"

// RedirectStderr does nothing where the libraries don't print.
func RedirectStderr() (log *os.File, err error) { return nil, nil }
