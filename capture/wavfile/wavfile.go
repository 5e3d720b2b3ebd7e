// Package wavfile reads recordings from WAV and FLAC files and writes WAV files.
//
// A file is known by its content, never by its name. Every channel is kept as a track
// of its own, at the file's own sample rate, with full scale at +-1:
//
//	WAV    integers of 8, 16, 24 and 32 bits, floating point of 32 and 64 bits, also
//	       with the extensible header and in the 64-bit forms RF64 and BW64
//	FLAC   4 to 24 bits
//
// Recorders that lose power, cards that fill up and hurried copies leave files whose
// headers are wrong. What can be trusted in such a file is read and comes with a
// [capture.Warning]; everything else is an error that names the file, what was found
// and what to do. No header makes the reader allocate more than the file can fill,
// nor more than [MaxSamples].
package wavfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"ringstock/capture"
)

// What a recording may be; anything beyond is an error.
const (
	MinRate     = 8_000       // Hz
	MaxRate     = 384_000     // Hz
	MaxChannels = 64          //
	MaxSeconds  = 30 * 60     // of one recording
	MaxSamples  = 100_000_000 // over all channels: 0.8 GB in memory, 34 min of one channel at 48 kHz
)

// Codes of the warnings that a recording read from a file may carry.
const (
	Truncated  = "truncated"         // the file ends before its header says it should
	OpenEnded  = "open-ended"        // the header does not say where the sound ends
	ExtraData  = "extra-data"        // there is more in the file than its header accounts for
	SecondData = "second-data-chunk" // only the first of several pieces of sound was read
	Damaged    = "damaged"           // the sound after a damaged place was left out
)

const (
	export = "export it as WAV or FLAC, 48 kHz, 24 bit"
	again  = "copy it again from the recorder, or " + export
)

// Open reads the recording in the file at path.
func Open(path string) (capture.Recording, error) {
	// Stat before opening: to open a named pipe would wait for a writer.
	info, err := os.Stat(path)
	if err != nil {
		return capture.Recording{}, err
	}
	if !info.Mode().IsRegular() {
		what := "not a regular file"
		if info.IsDir() {
			what = "a folder"
		}
		return capture.Recording{}, fmt.Errorf("%s: this is %s; give the name of a WAV or FLAC file", path, what)
	}
	f, err := os.Open(path)
	if err != nil {
		return capture.Recording{}, err
	}
	defer f.Close()
	return Read(f, info.Size(), path)
}

// Read reads the recording in the size bytes of r. The name stands for it in messages.
func Read(r io.ReaderAt, size int64, name string) (rec capture.Recording, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &panicError{p}
		}
		if err != nil {
			rec, err = capture.Recording{}, fmt.Errorf("%s: %w", name, err)
		}
		rec.Source = name
	}()

	head := make([]byte, max(0, min(size, 64)))
	if err := readAt(r, head, 0); err != nil {
		return rec, err
	}
	start := afterID3(head)
	switch {
	case isWave(head):
		return readWAV(r, size)
	case start > 0 && start <= size-4:
		var magic [4]byte
		if err := readAt(r, magic[:], start); err != nil {
			return rec, err
		}
		if string(magic[:]) == "fLaC" {
			return readFLAC(io.NewSectionReader(r, start, size-start), size-start)
		}
	case bytes.HasPrefix(head, []byte("fLaC")):
		return readFLAC(io.NewSectionReader(r, 0, size), size)
	}
	return rec, foreign(head)
}

// AtMost is how many samples, over all channels, the size bytes of r can hold by their
// header: what memory to keep ready before [Read]. It is never more than [MaxSamples], and
// a file that can't be read has no more than its bytes.
func AtMost(r io.ReaderAt, size int64) int64 {
	head := make([]byte, max(0, min(size, 64)))
	if readAt(r, head, 0) != nil {
		return 0
	}
	// A FLAC file begins with its mark, the head of a block and the block STREAMINFO (RFC
	// 9639, 8.2): after ten bytes the rate in 20 bits, channels less one in 3, bits a
	// sample in 5, samples in 36, 0 where unknown.
	const packedAt = 18
	start := afterID3(head)
	first := make([]byte, packedAt+8)
	if readAt(r, first, start) != nil || string(first[:4]) != "fLaC" {
		return min(size, MaxSamples)
	}
	packed := binary.BigEndian.Uint64(first[packedAt:])
	frames, channels := int64(packed&(1<<36-1)), int64(packed>>41&7)+1
	if frames == 0 {
		return MaxSamples
	}
	return min(frames*channels, MaxSamples)
}

// panicError is a panic of a decoder, which is a damaged file to the user.
type panicError struct{ value any }

func (e *panicError) Error() string {
	return fmt.Sprintf("damaged in a way the reader can't make sense of (%v); %s", e.value, again)
}

// readAt fills b from offset off.
func readAt(r io.ReaderAt, b []byte, off int64) error {
	if n, err := r.ReadAt(b, off); n < len(b) {
		if err == nil || errors.Is(err, io.EOF) {
			err = errors.New("the file became shorter while it was read")
		}
		return fmt.Errorf("can't be read at byte %d: %w", off+int64(n), err)
	}
	return nil
}

func isWave(head []byte) bool {
	if len(head) < 12 || string(head[8:12]) != "WAVE" {
		return false
	}
	switch string(head[:4]) {
	case "RIFF", "RF64", "BW64":
		return true
	}
	return false
}

// afterID3 is where an ID3v2 tag at the start of a file ends, or 0 if there is none.
// Its size is four bytes of seven bits (ID3 tag version 2.4.0, section 3.1).
func afterID3(head []byte) int64 {
	if len(head) < 10 || string(head[:3]) != "ID3" {
		return 0
	}
	var n int64
	for _, b := range head[6:10] {
		n = n<<7 | int64(b&0x7f)
	}
	return n + 10
}

// foreign says what a file that starts with head is, and what to do with it.
func foreign(head []byte) error {
	at := func(off int, magic string) bool {
		return len(head) >= off+len(magic) && string(head[off:off+len(magic)]) == magic
	}
	compressed := func(what string) error {
		return fmt.Errorf("this is %s, which is not read; set the recorder to WAV or FLAC, or, if that can't be, %s", what, export)
	}
	other := func(what string) error {
		return fmt.Errorf("this is %s; %s", what, export)
	}
	switch {
	case len(head) == 0:
		return fmt.Errorf("the file is empty (0 bytes); %s", again)
	case len(strings.Trim(string(head), "\x00")) == 0:
		return fmt.Errorf("the file starts with nothing but zeros, as after a failed copy or recording; %s", again)
	case at(4, "ftyp"):
		return compressed("an M4A, MP4 or 3GP file (compressed sound, usual on phones)")
	case at(0, "OggS"):
		return compressed("an Ogg file (compressed sound)")
	case at(0, "#!AMR"):
		return compressed("an AMR file (compressed sound, usual on phones)")
	case at(0, "\x30\x26\xb2\x75"):
		return compressed("a WMA file (compressed sound)")
	case at(0, "\x1a\x45\xdf\xa3"):
		return compressed("a Matroska or WebM file (compressed sound)")
	case at(0, "ID3"), head[0] == 0xff && len(head) > 1 && head[1]&0xe0 == 0xe0:
		return compressed("an MP3 or AAC file (compressed sound)")
	case at(0, "FORM") && (at(8, "AIFF") || at(8, "AIFC")):
		return other("an AIFF file")
	case at(0, "caff"):
		return other("a CAF file")
	case at(0, "riff\x2e\x91\xcf\x11"):
		return other("a Wave64 file")
	case at(0, "RIFX"):
		return other("a big-endian WAV file (RIFX)")
	case at(0, "RIFF"), at(0, "RF64"), at(0, "BW64"):
		if len(head) < 12 {
			return fmt.Errorf("the file is cut off after %d bytes, inside the header; %s", len(head), again)
		}
		return other(fmt.Sprintf("a RIFF file of the kind %q, not a WAV file", head[8:12]))
	case isText(head):
		return fmt.Errorf("this is text, not sound; give a WAV or FLAC file")
	}
	return fmt.Errorf("this is no known kind of sound file (it starts with the bytes % x); if it holds sound, %s", head[:min(len(head), 8)], export)
}

func isText(head []byte) bool {
	// A character may be cut at the end of head.
	for i := 0; i < utf8.UTFMax && len(head) > 1 && !utf8.Valid(head); i++ {
		head = head[:len(head)-1]
	}
	return utf8.Valid(head) && !strings.ContainsFunc(string(head), func(r rune) bool {
		return r < ' ' && !strings.ContainsRune("\t\r\n\f", r) || r == 0x7f
	})
}

func checkShape(channels int, rate float64) error {
	switch {
	case rate < MinRate || rate > MaxRate:
		return fmt.Errorf("the sample rate in the header is %.0f Hz, not between %d and %d Hz; %s", rate, MinRate, MaxRate, export)
	case channels < 1 || channels > MaxChannels:
		return fmt.Errorf("the header gives %d channels, not between 1 and %d; %s", channels, MaxChannels, export)
	}
	return nil
}

func checkLength(frames int64, channels int, rate float64) error {
	switch seconds := float64(frames) / rate; {
	case frames == 0:
		return fmt.Errorf("the file has a header but holds no sound; %s", again)
	case seconds > MaxSeconds:
		return fmt.Errorf("the recording lasts %.1f min, more than the %d min that are read at once; cut it into shorter pieces",
			seconds/60, MaxSeconds/60)
	case frames > MaxSamples/int64(channels):
		return fmt.Errorf("the recording has %.0f million samples (%.1f min, %d channels, %.0f Hz), more than the %d million that are read at once; cut it into shorter pieces or keep fewer channels",
			float64(frames)*float64(channels)/1e6, seconds/60, channels, rate, MaxSamples/1_000_000)
	}
	return nil
}

func newTracks(channels, frames int) [][]float64 {
	tracks := make([][]float64, channels)
	for c := range tracks {
		tracks[c] = make([]float64, frames)
	}
	return tracks
}
