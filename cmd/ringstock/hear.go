package main

import (
	"context"
	"os"
	"strings"

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

// hearWithin opens a recording and hears it. When the program is to end it lets go of
// one that takes long.
func hearWithin(ctx context.Context, name string, open func() (capture.Recording, error), strike spectrum.Strike, note spectrum.Expected) (capture.Take, spectrum.Analysis) {
	type heard struct {
		take capture.Take
		a    spectrum.Analysis
	}
	h, err := within(ctx, func() (heard, error) {
		rec, err := open()
		take, a := hear(name, rec, err, strike, note)
		return heard{take, a}, nil
	})
	if err != nil {
		return capture.Take{}, spectrum.Unread(name, "it was not read to its end")
	}
	return h.take, h.a
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
