package wavfile

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"ringstock/capture"
)

const headerBytes = 44

// putHeader fills the first headerBytes of b with the header of a WAV file that holds the
// given number of bytes of integer samples and nothing else.
func putHeader(b []byte, channels int, rate uint32, bits int, data uint32) {
	le := binary.LittleEndian
	align := channels * bits / 8
	copy(b, "RIFF")
	le.PutUint32(b[4:], headerBytes-8+data+data%2)
	copy(b[8:], "WAVEfmt ")
	le.PutUint32(b[16:], 16)
	le.PutUint16(b[20:], 1)
	le.PutUint16(b[22:], uint16(channels))
	le.PutUint32(b[24:], rate)
	le.PutUint32(b[28:], rate*uint32(align))
	le.PutUint16(b[32:], uint16(align))
	le.PutUint16(b[34:], uint16(bits))
	copy(b[36:], "data")
	le.PutUint32(b[40:], data)
}

// Write writes rec to w as a WAV file with integer samples of 16 or 24 bits. Samples
// beyond full scale are set to full scale. A recording that came from integers of no more
// bits is kept exactly. Recordings longer than [Read] accepts are written too.
//
// It does not use the encoder of go-audio/wav: that one must seek in its output, leaves
// out the byte after data of odd length, and writes sample by sample.
func Write(w io.Writer, rec capture.Recording, bits int) error {
	if bits != 16 && bits != 24 {
		panic(fmt.Sprintf("wavfile: Write with %d bits, not 16 or 24", bits))
	}
	if err := writable(rec); err != nil {
		return err
	}
	channels, frames := len(rec.Tracks), len(rec.Tracks[0])
	width := bits / 8
	data := int64(frames) * int64(channels*width)
	if data > math.MaxUint32-headerBytes {
		return fmt.Errorf("%s: the recording is %.1f GB, more than the 4.3 GB of a WAV file; save it in pieces or with fewer channels", rec.Source, float64(data)/1e9)
	}

	buf := make([]byte, headerBytes, 1<<16)
	putHeader(buf, channels, uint32(rec.Rate), bits, uint32(data))
	scale := float64(int64(1) << (bits - 1))
	for i := range frames {
		for c, t := range rec.Tracks {
			if math.IsNaN(t[i]) {
				return fmt.Errorf("%s: sample %d of channel %d is not a number and can't be saved", rec.Source, i+1, c+1)
			}
			v := int32(min(max(math.RoundToEven(t[i]*scale), -scale), scale-1))
			if bits == 16 {
				buf = append(buf, byte(v), byte(v>>8))
			} else {
				buf = append(buf, byte(v), byte(v>>8), byte(v>>16))
			}
		}
		if len(buf)+channels*width > cap(buf) {
			if _, err := w.Write(buf); err != nil {
				return err
			}
			buf = buf[:0]
		}
	}
	if data%2 == 1 {
		buf = append(buf, 0)
	}
	_, err := w.Write(buf)
	return err
}

// writable tells what keeps a recording from being a WAV file, if anything.
func writable(rec capture.Recording) error {
	channels := len(rec.Tracks)
	if channels == 0 || len(rec.Tracks[0]) == 0 {
		return fmt.Errorf("%s: there is no sound to be saved", rec.Source)
	}
	if channels > MaxChannels || !(rec.Rate >= MinRate && rec.Rate <= MaxRate) {
		return fmt.Errorf("%s: %d channels at %g Hz can't be saved; possible are 1 to %d channels and %d to %d Hz",
			rec.Source, channels, rec.Rate, MaxChannels, MinRate, MaxRate)
	}
	if float64(uint32(rec.Rate)) != rec.Rate {
		return fmt.Errorf("%s: a WAV file can't have a sample rate of %g Hz; only whole numbers", rec.Source, rec.Rate)
	}
	frames := len(rec.Tracks[0])
	for c, t := range rec.Tracks {
		if len(t) != frames {
			return fmt.Errorf("%s: channel 1 has %d samples but channel %d has %d", rec.Source, frames, c+1, len(t))
		}
	}
	return nil
}

// Save writes rec to a WAV file at path. The file appears under that name complete or
// not at all, also when the power fails; one that was there before is replaced.
func Save(path string, rec capture.Recording, bits int) (err error) {
	folder, name := filepath.Split(path)
	if folder == "" {
		folder = "."
	}
	f, err := os.CreateTemp(folder, "."+name+".*.part")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := Write(f, rec, bits); err != nil {
		return fmt.Errorf("saving %s: %w", path, err)
	}
	// CreateTemp keeps others out; a recording is a file like any other.
	if err := f.Chmod(0o644); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	// The file is whole and in its place. Some systems can't sync a folder, and then
	// there is nothing to be done about it.
	if d, err := os.Open(folder); err == nil {
		d.Sync()
		d.Close()
	}
	return nil
}
