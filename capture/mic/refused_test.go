//go:build portaudio && cgo

package mic

import (
	"errors"
	"strings"
	"testing"

	"github.com/gordonklaus/portaudio"
)

// The library's words mislead, or are none at all; ours say what to do.
func TestRefused(t *testing.T) {
	d := Device{Name: "USB Mic", RateHz: 48000}
	for _, c := range []struct {
		err  error
		want string
	}{
		{portaudio.DeviceUnavailable, "another program uses it, it was unplugged, or it is not permitted"},
		{portaudio.BadIODeviceCombination, "another program uses it, it was unplugged, or it is not permitted"},
		{portaudio.InvalidSampleRate, "try --rate 48000"},
		{portaudio.InvalidChannelCount, "can't record one channel"},
		{portaudio.UnanticipatedHostError{HostApiType: 1 << 31}, "does not say why"},
		{errors.New("Odd"), "can't be opened: Odd"},
	} {
		if got := refused(d, 44100, c.err).Error(); !strings.Contains(got, c.want) || !strings.Contains(got, "USB Mic") {
			t.Errorf("%v: %s", c.err, got)
		}
	}
}
