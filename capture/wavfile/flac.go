package wavfile

import (
	"errors"
	"fmt"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"

	"ringstock/capture"
)

// readFLAC decodes a FLAC stream of size bytes (RFC 9639). Every frame carries a
// checksum, so what has been decoded before a damaged place can be trusted.
func readFLAC(r io.Reader, size int64) (rec capture.Recording, err error) {
	stream, err := flac.New(r)
	if err != nil {
		what := "damaged"
		if isEOF(err) {
			what = "cut off"
		}
		return rec, fmt.Errorf("the header of the FLAC file is %s; %s", what, again)
	}
	info := stream.Info
	channels, rate := int(info.NChannels), float64(info.SampleRate)
	if err := checkShape(channels, rate); err != nil {
		return rec, err
	}
	if info.BitsPerSample < 4 || info.BitsPerSample > 24 {
		return rec, fmt.Errorf("the FLAC file has samples of %d bits, not 4 to 24; %s", info.BitsPerSample, export)
	}
	promised := int64(info.NSamples) // 36 bits; 0 if not known
	if promised > 0 {
		if err := checkLength(promised, channels, rate); err != nil {
			return rec, err
		}
	}

	rec = capture.Recording{Rate: rate, Bits: int(info.BitsPerSample), Tracks: make([][]float64, channels)}
	// A lying header reserves no more than a bit a sample would fill. Silence is packed
	// more closely: for it the tracks grow later.
	for c := range rec.Tracks {
		rec.Tracks[c] = make([]float64, 0, min(promised, 8*size/int64(channels)))
	}
	scale := 1 / float64(int64(1)<<(info.BitsPerSample-1))
	var frames int64
	var previous *frame.Frame
	for {
		var f *frame.Frame
		if f, err = nextFrame(stream, previous); err != nil {
			break
		}
		frames += int64(f.BlockSize)
		if err := checkLength(max(frames, 1), channels, rate); err != nil {
			return rec, err
		}
		for c, sub := range f.Subframes {
			rec.Tracks[c] = grown(rec.Tracks[c], len(sub.Samples), promised)
			for _, v := range sub.Samples {
				rec.Tracks[c] = append(rec.Tracks[c], float64(v)*scale)
			}
		}
		previous = f
	}

	err = ended(&rec, frames, promised, err)
	return rec, err
}

// ended warns of how a FLAC stream ended otherwise than its header promises (0 frames: it
// does not say); it is an error if there is no sound.
func ended(rec *capture.Recording, frames, promised int64, err error) error {
	warn := func(code, format string, a ...any) {
		rec.Warnings = append(rec.Warnings, capture.Warning{Code: code, Text: fmt.Sprintf(format, a...)})
	}
	seconds := float64(frames) / rec.Rate
	cut := isEOF(err)
	switch {
	case frames == 0 && !cut:
		return fmt.Errorf("the FLAC file is damaged from its first sample on: %w; %s", err, again)
	case frames == 0:
		return checkLength(0, len(rec.Tracks), rec.Rate)
	case !cut && (promised == 0 || frames < promised):
		warn(Damaged, "the FLAC file is damaged after %.2f s: %v; only the sound before is used; copy it again from the recorder", seconds, err)
	case frames < promised, promised == 0 && errors.Is(err, io.ErrUnexpectedEOF):
		left := ""
		if promised > 0 {
			left = fmt.Sprintf(" %.2f s", float64(promised-frames)/rec.Rate)
		}
		warn(Truncated, "the FLAC file ends%s before its header says it should (recording or copying broke off); %.2f s are there; check that the last ring is complete, or copy it again from the recorder", left, seconds)
	case promised == 0:
		warn(OpenEnded, "the header of the FLAC file does not say how long the sound is; read to the end of the file, %.2f s; check that the last ring is complete", seconds)
	case frames > promised:
		warn(ExtraData, "the FLAC file holds %.2f s of sound where its header says %.2f s; all of it is used", seconds, float64(promised)/rec.Rate)
	}
	return nil
}

// grown makes room for n more samples: fourfold, so that little is copied, but not beyond
// the promised length while that is enough.
func grown(track []float64, n int, promised int64) []float64 {
	need := len(track) + n
	if need <= cap(track) {
		return track
	}
	room := 4 * need
	if promised >= int64(need) {
		room = int(min(promised, int64(room)))
	} else {
		room = need + need/4
	}
	return append(make([]float64, 0, room), track...)
}

// nextFrame decodes the frame after previous, which is nil at the start. It returns
// io.EOF at the end of the stream.
func nextFrame(stream *flac.Stream, previous *frame.Frame) (f *frame.Frame, err error) {
	defer func() {
		if recover() != nil {
			f, err = nil, errFrame
		}
	}()
	if f, err = stream.Next(); err != nil {
		return nil, plain(err)
	}
	// A frame may leave its sample size to the header of the file, but the decoder
	// doesn't look there.
	info := stream.Info
	if f.BitsPerSample == 0 {
		f.BitsPerSample = info.BitsPerSample
	}
	switch {
	case f.BitsPerSample != info.BitsPerSample,
		f.Channels.Count() != int(info.NChannels),
		f.SampleRate != 0 && f.SampleRate != info.SampleRate:
		return nil, errors.New("the sample format changes")
	case previous != nil && f.Num != following(previous):
		return nil, errors.New("a piece is missing")
	}
	if err := f.Parse(); err != nil {
		return nil, plain(err)
	}
	for _, sub := range f.Subframes {
		if len(sub.Samples) != int(f.BlockSize) {
			return nil, errFrame
		}
	}
	return f, nil
}

// following is the number of the frame after f: frames are counted if all have the same
// size, otherwise their samples are.
func following(f *frame.Frame) uint64 {
	if f.HasFixedBlockSize {
		return f.Num + 1
	}
	return f.Num + uint64(f.BlockSize)
}

// errFrame stands for all the ways in which the decoder says it.
var errFrame = errors.New("wrong contents or checksum")

func isEOF(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

func plain(err error) error {
	if isEOF(err) {
		return err
	}
	return errFrame
}
