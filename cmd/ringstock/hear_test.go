package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// TestLargeRecordingsWait: while one of the longest recordings is heard no other is read,
// and when it is done the next one is.
func TestLargeRecordingsWait(t *testing.T) {
	path := filepath.Join(t.TempDir(), "long.wav")
	if err := os.WriteFile(path, make([]byte, 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	read := false
	hear := func(ctx context.Context) {
		hearWithin(ctx, path, disk{}, func() (capture.Recording, error) {
			read = true
			return capture.Recording{}, errors.New("invented")
		}, spectrum.SideTap, spectrum.Expected{})
	}
	if err := atOnce.Acquire(t.Context(), wavfile.MaxSamples); err != nil {
		t.Fatal(err)
	}
	ended, end := context.WithCancel(t.Context())
	end() // it would wait for ever
	if hear(ended); read {
		t.Error("a recording is read beside one of the longest")
	}
	atOnce.Release(wavfile.MaxSamples)
	if hear(t.Context()); !read {
		t.Error("a recording is not read when there is room for it")
	}
	if !atOnce.TryAcquire(wavfile.MaxSamples) {
		t.Error("what was heard still takes room")
	} else {
		atOnce.Release(wavfile.MaxSamples)
	}
}
