package wavfile

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
)

// resonator is the sound of the files in testdata: y[n+1] = a y[n] - y[n-1] in integers.
func resonator(bits int) [][]float64 {
	tracks := newTracks(2, 400)
	for c, track := range tracks {
		y, next := 0, 1<<(bits-4)
		for i := range track {
			track[i] = float64(y) / float64(int(1)<<(bits-1))
			y, next = next, (31-6*c)*next>>4-y
		}
	}
	return tracks
}

// TestFilesOfOtherPrograms reads files made by flac 1.4.2 and sox 14.4.2
// (testdata/make.sh).
func TestFilesOfOtherPrograms(t *testing.T) {
	for _, tt := range []struct {
		file  string
		sound int // bits of the sound
		bits  int // that the recording is to report
		codes []string
		err   string
	}{
		{file: "ring8.wav", sound: 8, bits: 8},
		{file: "ring16.wav", sound: 16, bits: 16},
		{file: "ring24.wav", sound: 24, bits: 24}, // extensible
		{file: "ring32f.wav", sound: 24},          // fmt of 18 bytes
		{file: "ring64f.wav", sound: 24},
		{file: "ring24.rf64", sound: 24, bits: 24},
		{file: "piped.wav", sound: 24, bits: 24, codes: []string{OpenEnded}},
		{file: "ring8.flac", sound: 8, bits: 8},
		{file: "ring16.flac", sound: 16, bits: 16},
		{file: "ring24.flac", sound: 24, bits: 24},
		{file: "ringalaw.wav", err: "A-law"},
		{file: "ring24.w64", err: "a Wave64 file"},
		{file: "ring24.aiff", err: "an AIFF file"},
		{file: "make.sh", err: "text, not sound"},
	} {
		t.Run(tt.file, func(t *testing.T) {
			rec, err := Open(filepath.Join("testdata", tt.file))
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("error %v, want one with %q", err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if rec.Rate != 44100 || rec.Bits != tt.bits || !slices.Equal(codes(rec), tt.codes) {
				t.Errorf("rate %v, %d bits, warnings %v; want 44100, %d, %v", rec.Rate, rec.Bits, rec.Warnings, tt.bits, tt.codes)
			}
			wantTracks(t, rec.Tracks, resonator(tt.sound))
		})
	}
}

func codes(rec capture.Recording) (codes []string) {
	for _, w := range rec.Warnings {
		codes = append(codes, w.Code)
	}
	return codes
}

func wantTracks(t *testing.T, got, want [][]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d channels, want %d", len(got), len(want))
	}
	for c := range want {
		if len(got[c]) != len(want[c]) {
			t.Fatalf("channel %d has %d samples, want %d", c+1, len(got[c]), len(want[c]))
		}
		for i := range want[c] {
			if got[c][i] != want[c][i] {
				t.Fatalf("channel %d, sample %d is %v, want %v", c+1, i+1, got[c][i], want[c][i])
			}
		}
	}
}
