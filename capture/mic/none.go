//go:build !portaudio || !cgo

package mic

import (
	"os"

	"ringstock/capture"
)

// Microphone is an open device.
type Microphone struct {
	capture.Source
	Device
}

// Devices lists the input devices anew.
func Devices() ([]Device, error) { return nil, ErrNotBuilt }

// Open opens an input device.
func Open(Options) (*Microphone, error) { return nil, ErrNotBuilt }

// RedirectStderr keeps what the sound system's libraries print off the terminal, and
// returns the file that has it instead; see the live version.
func RedirectStderr() (log *os.File, err error) { return nil, nil }
