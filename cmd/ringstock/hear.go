package main

import (
	"context"
	"os"
	"strings"

	"golang.org/x/sync/semaphore"

	"ringstock/capture"
	"ringstock/capture/filefault"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// hear goes from a recording, or from the error in its place, to what its taps say.
func hear(name string, rec capture.Recording, err error, strike spectrum.Strike, note spectrum.Expected) (capture.Take, spectrum.Analysis) {
	if err != nil {
		return capture.Take{}, spectrum.Unread(name, strings.TrimPrefix(filefault.Text(err), name+": "))
	}
	take := capture.FindTaps(rec)
	a := spectrum.AnalyseNear(take, strike, note)
	return take, a
}

// atOnce bounds the samples of all recordings that are heard at the same time: with one of
// the longest, which takes some 2 GB, no other is.
var atOnce = semaphore.NewWeighted(wavfile.MaxSamples)

// hearWithin opens a recording and hears it, when those that are being heard leave room
// for it. When the program is to end it lets go of one that takes long.
func hearWithin(ctx context.Context, name string, folder opener, open func() (capture.Recording, error), strike spectrum.Strike, note spectrum.Expected) (capture.Take, spectrum.Analysis) {
	type heard struct {
		take capture.Take
		a    spectrum.Analysis
	}
	samples := samplesIn(folder, name)
	if err := atOnce.Acquire(ctx, samples); err != nil {
		return capture.Take{}, spectrum.Unread(name, "it was not read to its end")
	}
	h, err := within(ctx, func() (heard, error) {
		defer atOnce.Release(samples)
		rec, err := open()
		take, a := hear(name, rec, err, strike, note)
		return heard{take, a}, nil
	})
	if err != nil {
		return capture.Take{}, spectrum.Unread(name, "it was not read to its end")
	}
	return h.take, h.a
}

// opener is where recordings lie: a folder, or the whole disk.
type opener interface {
	Stat(name string) (os.FileInfo, error)
	Open(name string) (*os.File, error)
}

type disk struct{}

func (disk) Stat(name string) (os.FileInfo, error) { return os.Stat(name) }
func (disk) Open(name string) (*os.File, error)    { return os.Open(name) }

// samplesIn is how many samples a recording can hold; none where it can't be opened, which
// is told when it is read.
func samplesIn(folder opener, name string) int64 {
	info, err := folder.Stat(name)
	if err != nil || !info.Mode().IsRegular() { // to open a named pipe would wait for a writer
		return 0
	}
	f, err := folder.Open(name)
	if err != nil {
		return 0
	}
	defer f.Close()
	return wavfile.AtMost(f, info.Size())
}

// openIn reads a recording of a folder that no link can lead out of.
func openIn(folder *os.Root, name string) (capture.Recording, error) {
	f, err := folder.Open(name)
	if err != nil {
		return capture.Recording{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return capture.Recording{}, err
	}
	return wavfile.Read(f, info.Size(), name)
}
