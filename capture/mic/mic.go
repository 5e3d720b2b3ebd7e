// Package mic hears microphones through PortAudio. It is in the program only if that was
// built with the tag portaudio and with cgo; otherwise every function says how to get it.
//
// PortAudio calls back from a thread of its own. The callback does nothing but copy the
// samples into a ring that was made beforehand; Read empties it. Sound that does not fit
// is counted as lost, never silently left out.
package mic

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Device is an input device.
type Device struct {
	Name     string  `json:"name"`
	HostAPI  string  `json:"host_api"`
	Channels int     `json:"channels"`
	RateHz   float64 `json:"rate_hz"` // the device's own
	Default  bool    `json:"default"`
}

// Options say what to open.
type Options struct {
	Name   string  // a part of the device's name that only one has, its number in the list, or "default"; empty: the default one
	RateHz float64 // 0: the device's own
}

// ErrNotBuilt is returned by everything if PortAudio is not in the program.
var ErrNotBuilt = errors.New(`this program was built without live capture. Install PortAudio and a C compiler:
  Debian, Ubuntu   sudo apt install gcc pkg-config portaudio19-dev
  Fedora           sudo dnf install gcc pkgconf portaudio-devel
  Arch             sudo pacman -S gcc pkgconf portaudio
  macOS            brew install portaudio pkg-config
  Windows          in MSYS2: pacman -S mingw-w64-ucrt-x86_64-gcc mingw-w64-ucrt-x86_64-pkgconf mingw-w64-ucrt-x86_64-portaudio
then build again with: go build -tags portaudio ./cmd/ringstock
Recordings from any other recorder can be graded without it`)

// choose finds the device of a name. Names are what stays the same when
// devices come and go.
func choose(devices []Device, name string) (int, error) {
	if len(devices) == 0 {
		return 0, errors.New("no microphone was found: plug one in, check that the system's sound settings show it and that its privacy settings permit it, then try again")
	}
	if name == "" || strings.EqualFold(name, "default") && !slices.ContainsFunc(devices, func(d Device) bool { return strings.EqualFold(d.Name, name) }) {
		for i, d := range devices {
			if d.Default {
				return i, nil
			}
		}
		return 0, fmt.Errorf("the system names no default microphone; choose one with --device: %s", names(devices))
	}
	if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= len(devices) {
		return n - 1, nil
	}
	var exact, part []int
	for i, d := range devices {
		switch {
		case strings.EqualFold(d.Name, name), strings.EqualFold(d.HostAPI+": "+d.Name, name):
			exact = append(exact, i)
		case strings.Contains(strings.ToLower(d.HostAPI+": "+d.Name), strings.ToLower(name)):
			part = append(part, i)
		}
	}
	found := exact
	if len(found) == 0 {
		found = part
	}
	switch {
	case len(found) == 0:
		return 0, fmt.Errorf("there is no microphone %q; there are: %s", name, names(devices))
	case len(found) == 1:
		return found[0], nil
	}
	// Several sound systems list the same microphone: the one the system
	// prefers, else the first.
	for _, i := range found {
		if !strings.EqualFold(devices[i].Name, devices[found[0]].Name) {
			return 0, fmt.Errorf("%q may be any of %s; give more of the name", name, names(pick(devices, found)))
		}
	}
	for _, i := range found {
		if strings.Contains(devices[i].HostAPI, "WASAPI") || devices[i].Default {
			return i, nil
		}
	}
	return found[0], nil
}

func pick(devices []Device, which []int) (list []Device) {
	for _, i := range which {
		list = append(list, devices[i])
	}
	return list
}

func names(devices []Device) string {
	var list []string
	for _, d := range devices {
		list = append(list, fmt.Sprintf("%q", d.HostAPI+": "+d.Name))
	}
	return strings.Join(list, ", ")
}
