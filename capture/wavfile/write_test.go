package wavfile

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
)

// TestWriteBytes compares with the layout in Multimedia Programming Interface and Data
// Specifications 1.0 (IBM and Microsoft, 1991), chapter 3.
func TestWriteBytes(t *testing.T) {
	want := "RIFF\x28\x00\x00\x00WAVEfmt \x10\x00\x00\x00" + // 40 bytes follow the first 8
		"\x01\x00\x01\x00\x44\xac\x00\x00\xcc\x04\x02\x00\x03\x00\x18\x00" + // PCM, 1, 44100, 132300, 3, 24
		"data\x03\x00\x00\x00\x00\x00\xe0\x00" // -0.25 and the pad
	var b bytes.Buffer
	if err := Write(&b, capture.Recording{Rate: 44100, Tracks: [][]float64{{-0.25}}}, 24); err != nil {
		t.Fatal(err)
	}
	if b.String() != want {
		t.Errorf("wrote\n% x, want\n% x", b.String(), want)
	}
}

func TestRoundTrip(t *testing.T) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2, 3, 64} {
			for _, frames := range []int{1, 2, 3, 1000, 40_001} {
				rec := capture.Recording{Rate: 44153, Bits: bits, Tracks: newTracks(channels, frames)}
				full := 1 << (bits - 1)
				for c, track := range rec.Tracks {
					for i := range track {
						track[i] = float64((i*7919*(c+1)+c*31)%(2*full)-full) / float64(full)
					}
				}
				var b bytes.Buffer
				if err := Write(&b, rec, bits); err != nil {
					t.Fatal(err)
				}
				if b.Len()%2 == 1 {
					t.Errorf("%d channels, %d frames, %d bits: file of odd length", channels, frames, bits)
				}
				got, err := read(b.Bytes())
				if err != nil || got.Rate != rec.Rate || got.Bits != bits || len(got.Warnings) > 0 {
					t.Fatalf("read %v Hz, %d bits, warnings %v, error %v", got.Rate, got.Bits, got.Warnings, err)
				}
				wantTracks(t, got.Tracks, rec.Tracks)
			}
		}
	}
}

func TestWriteRoundsAndClamps(t *testing.T) {
	const lsb = 1.0 / (1 << 15)
	in := []float64{1, 1.7, -1, -1.0001, math.Inf(1), math.Inf(-1), 1e300, 0.4 * lsb, 0.6 * lsb, -0.6 * lsb}
	want := []float64{1 - lsb, 1 - lsb, -1, -1, 1 - lsb, -1, 1 - lsb, 0, lsb, -lsb}
	var b bytes.Buffer
	if err := Write(&b, capture.Recording{Rate: 48000, Tracks: [][]float64{in}}, 16); err != nil {
		t.Fatal(err)
	}
	rec, err := read(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	wantTracks(t, rec.Tracks, [][]float64{want})
}

func TestCannotBeWritten(t *testing.T) {
	one := [][]float64{{0.5}}
	for _, tt := range []struct {
		name string
		rec  capture.Recording
		want string
	}{
		{"no channel", capture.Recording{Rate: 48000}, "no sound"},
		{"no samples", capture.Recording{Rate: 48000, Tracks: [][]float64{{}}}, "no sound"},
		{"unequal channels", capture.Recording{Rate: 48000, Tracks: [][]float64{{0, 0}, {0}}}, "channel 2 has 1"},
		{"NaN", capture.Recording{Rate: 48000, Tracks: [][]float64{{0, math.NaN()}}}, "sample 2 of channel 1"},
		{"fraction of a rate", capture.Recording{Rate: 44100.5, Tracks: one}, "44100.5 Hz"},
		{"NaN rate", capture.Recording{Rate: math.NaN(), Tracks: one}, "NaN Hz"},
		{"no rate", capture.Recording{Tracks: one}, "at 0 Hz"},
		{"too many channels", capture.Recording{Rate: 48000, Tracks: slices.Repeat(one, 65)}, "65 channels"},
	} {
		tt.rec.Source = "microphone"
		path := filepath.Join(t.TempDir(), "bar.wav")
		err := Save(path, tt.rec, 16)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "bar.wav: microphone: ") {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
		if left, _ := os.ReadDir(filepath.Dir(path)); len(left) > 0 {
			t.Errorf("%s: %v is left behind", tt.name, left)
		}
	}
}

type fullDisk struct{ room int }

var errFull = errors.New("no space left on device")

func (d *fullDisk) Write(b []byte) (int, error) {
	if d.room -= len(b); d.room < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestWriteToFullDisk(t *testing.T) {
	rec := capture.Recording{Rate: 48000, Tracks: newTracks(1, 100_000)}
	size := headerBytes + 200_000
	for room := 0; room < size; room += size / 7 {
		if err := Write(&fullDisk{room}, rec, 16); !errors.Is(err, errFull) {
			t.Errorf("room for %d bytes: error %v", room, err)
		}
	}
	if err := Write(&fullDisk{size}, rec, 16); err != nil {
		t.Error(err)
	}
}

func TestSave(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bar.wav")
	old := capture.Recording{Rate: 8000, Tracks: [][]float64{{0}}}
	rec := capture.Recording{Rate: 48000, Tracks: [][]float64{sound}}
	if err := Save(path, old, 16); err != nil {
		t.Fatal(err)
	}
	if err := Save(path, rec, 24); err != nil {
		t.Fatal(err)
	}
	got, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	wantTracks(t, got.Tracks, rec.Tracks[:1])

	// A failure leaves what was there.
	rec.Tracks = [][]float64{{math.NaN()}}
	if err := Save(path, rec, 16); err == nil {
		t.Error("no error")
	}
	if got, err := Open(path); err != nil || got.Rate != 48000 {
		t.Errorf("%v Hz, error %v after a failed save", got.Rate, err)
	}
	files, err := os.ReadDir(dir)
	if err != nil || len(files) != 1 {
		t.Errorf("files %v, error %v; want bar.wav alone", files, err)
	}
	if err := Save(filepath.Join(dir, "none", "bar.wav"), old, 16); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("folder that isn't there: %v", err)
	}

	t.Chdir(dir)
	if err := Save("here.wav", old, 16); err != nil {
		t.Error(err)
	}
}
