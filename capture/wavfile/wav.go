package wavfile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/go-audio/wav"

	"ringstock/capture"
)

// layout is what the header of a WAV file says, as far as it can be believed.
type layout struct {
	channels int
	rate     uint32 // Hz
	bits     int    // that a sample takes in the file
	valid    int    // of them that carry sound; the others are zeros below
	float    bool
	at       int64 // offset of the first sample
	frames   int64 // a frame is one sample of every channel
}

func (l layout) frameBytes() int { return l.channels * l.bits / 8 }

// readWAV finds integers with go-audio/wav. That decoder trusts the sizes it finds in
// the file and takes floating point for integers, so it is only shown a header of our own
// making and whole frames.
func readWAV(r io.ReaderAt, size int64) (capture.Recording, error) {
	l, warnings, err := scan(r, size)
	if err != nil {
		return capture.Recording{}, err
	}
	rec := capture.Recording{
		Rate:     float64(l.rate),
		Tracks:   newTracks(l.channels, int(l.frames)),
		Bits:     l.valid,
		Warnings: warnings,
	}
	if l.float {
		rec.Bits = 0
		return rec, l.eachBlock(r, func(block []byte, from int) error {
			return l.decodeFloats(rec.Tracks, block[headerBytes:], from)
		})
	}
	var sound []byte
	return rec, l.eachBlock(r, func(block []byte, from int) error {
		data := len(block) - headerBytes
		putHeader(block, l.channels, l.rate, l.bits, uint32(data))
		d := wav.NewDecoder(bytes.NewReader(block))
		if err := d.FwdToPCM(); err != nil {
			return fmt.Errorf("the sound can't be decoded: %w; %s", err, again)
		}
		sound = slices.Grow(sound[:0], data)[:data]
		if n, err := io.ReadFull(d.PCMChunk, sound); err != nil {
			return fmt.Errorf("decoding stopped after %d of %d bytes: %w; %s", n, data, err, again)
		}
		for c, track := range rec.Tracks {
			l.decodeInts(track[from:from+data/l.frameBytes()], sound[c*l.bits/8:])
		}
		return nil
	})
}

// decodeInts fills a piece of a track with the samples of its channel, the first of which
// begins at the start of data. The decoder's own way takes three times as long: it calls
// a reader for each sample.
func (l layout) decodeInts(track []float64, data []byte) {
	step, scale := l.frameBytes(), 1/float64(int64(1)<<(l.bits-1))
	if l.bits == 24 { // most recordings are: a loop of their own takes half the time
		for i := range track {
			b := data[i*step : i*step+3 : i*step+3]
			// At the top of a number, so that the sign comes of itself.
			track[i] = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)>>8) * scale
		}
		return
	}
	for i := range track {
		b := data[i*step:]
		var v int32
		switch l.bits {
		case 8:
			v = int32(b[0]) - 128 // unsigned
		case 16:
			v = int32(int16(binary.LittleEndian.Uint16(b)))
		case 32:
			v = int32(binary.LittleEndian.Uint32(b))
		}
		track[i] = float64(v) * scale
	}
}

// eachBlock calls f for the sound in pieces that fit a processor's cache, leaving room
// for a header before the samples. The first frame of a piece is frame from.
func (l layout) eachBlock(r io.ReaderAt, f func(block []byte, from int) error) error {
	const blockBytes = 1 << 17
	width := int64(l.frameBytes())
	step := min(blockBytes/width, l.frames)
	buf := make([]byte, headerBytes+step*width)
	for from := int64(0); from < l.frames; from += step {
		block := buf[:headerBytes+min(step, l.frames-from)*width]
		if err := readAt(r, block[headerBytes:], l.at+from*width); err != nil {
			return err
		}
		if err := f(block, int(from)); err != nil {
			return err
		}
	}
	return nil
}

// loudest is the largest sample that can be meant, 120 dB above full scale. Beyond it
// are infinities, numbers that are none, and integers taken for floating point.
const loudest = 1e6

func (l layout) decodeFloats(tracks [][]float64, data []byte, from int) error {
	width := l.bits / 8
	frames := len(data) / l.frameBytes()
	for c, track := range tracks {
		for i := range frames {
			b := data[(i*l.channels+c)*width:]
			var v float64
			if l.bits == 32 {
				v = float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
			} else {
				v = math.Float64frombits(binary.LittleEndian.Uint64(b))
			}
			if !(math.Abs(v) <= loudest) {
				return fmt.Errorf("sample %d of channel %d (%.4f s) is %g, which is no sound; %s",
					from+i+1, c+1, float64(from+i)/float64(l.rate), v, again)
			}
			track[from+i] = v
		}
	}
	return nil
}

// scan walks over the chunks of a WAV file by their offsets, reading only the few bytes
// it needs (Multimedia Programming Interface and Data Specifications 1.0, IBM and
// Microsoft 1991; for RF64 and BW64: EBU Tech 3306 and ITU-R BS.2088). It is one
// walk over the chunks, each of which is a case of few lines; parts of it would
// share all that it notes.
func scan(r io.ReaderAt, size int64) (l layout, warnings []capture.Warning, err error) {
	const (
		maxChunks = 10_000

		// A program that writes into a pipe can't know the size and gives the largest it
		// can, near 2^31 or 2^32. No recording that is read here is as large.
		unknownSize = 0x7fff0000
	)
	var (
		format    []byte
		bytesOf64 = int64(-1) // size of the sound from a ds64 chunk
		have      int64       // bytes of sound in the file
		missing   int64       // bytes of sound that the header promises beyond them
		openEnded bool
		second    bool
		stray     int64
		broken    string
	)
	off := int64(12)
	for n := 0; off+8 <= size && n < maxChunks; n++ {
		id, length, err := chunkAt(r, off, size)
		if err != nil {
			return l, nil, err
		}
		body := off + 8
		rest := size - body
		if !printable(id) || id != "data" && length > rest {
			stray = size - off
			broken = fmt.Sprintf("; its header stops making sense at byte %d", off)
			break
		}
		switch id {
		case "ds64":
			if bytesOf64, err = length64(r, body, length, bytesOf64); err != nil {
				return l, nil, err
			}
		case "fmt ":
			if format == nil {
				format = make([]byte, min(length, 40))
				if err := readAt(r, format, body); err != nil {
					return l, nil, err
				}
			}
		case "data":
			if length, err = dataLength(r, body, length, bytesOf64, size); err != nil {
				return l, nil, err
			}
			switch {
			case length == 0:
			case have > 0:
				second = true
			default:
				l.at = body
				have = min(length, rest)
				missing = length - have
				openEnded = missing > 0 && length >= unknownSize
			}
			length = min(length, rest)
		}
		off, err = nextChunk(r, body+length, length%2 == 1, size)
		if err != nil {
			return l, nil, err
		}
	}

	if format == nil {
		return l, nil, fmt.Errorf("the WAV file has no description of its samples (chunk \"fmt \")%s; %s", broken, again)
	}
	if err := l.describe(format); err != nil {
		return l, nil, err
	}
	if l.at == 0 {
		return l, nil, fmt.Errorf("the WAV file holds no sound (no chunk \"data\" with samples)%s; %s", broken, again)
	}
	l.frames = have / int64(l.frameBytes())
	if err := checkLength(l.frames, l.channels, float64(l.rate)); err != nil {
		return l, nil, err
	}
	return l, l.warnings(lacks{have, missing, openEnded, second, stray}), nil
}

// length64 is the size of the sound that a ds64 chunk tells, or what was known before.
func length64(r io.ReaderAt, body, length, before int64) (int64, error) {
	var b [16]byte
	if length < 16 {
		return before, nil
	}
	if err := readAt(r, b[:], body); err != nil {
		return 0, err
	}
	return int64(min(binary.LittleEndian.Uint64(b[8:]), math.MaxInt64)), nil
}

// dataLength is the length of a data chunk: what its header says, or bytesOf64 if that is
// known, or as far as the file goes where the recorder never came to fill it in.
func dataLength(r io.ReaderAt, body, length, bytesOf64, size int64) (int64, error) {
	if length == math.MaxUint32 && bytesOf64 >= 0 {
		length = bytesOf64
	}
	rest := size - body
	if length != 0 || rest <= 0 {
		return length, nil
	}
	next, nextLength, err := chunkAt(r, body, size) // if it is a chunk, there is no sound
	if err != nil {
		return 0, err
	}
	if !printable(next) || nextLength > rest-8 {
		return math.MaxUint32, nil
	}
	return 0, nil
}

const strayBytes = 1024 // after the sound that are not worth a word

// lacks is how the sound is not as its header says.
type lacks struct {
	have, missing int64 // bytes of sound in the file, and that the header promises beyond them
	openEnded     bool  // the header does not say how long the sound is
	second        bool  // there is more than one piece of sound
	stray         int64 // bytes that the header does not account for
}

// warnings say what the sound lacks.
func (l layout) warnings(a lacks) (out []capture.Warning) {
	warn := func(code, format string, a ...any) {
		out = append(out, capture.Warning{Code: code, Text: fmt.Sprintf(format, a...)})
	}
	seconds := func(n int64) float64 { return float64(n) / float64(l.frameBytes()) / float64(l.rate) }
	switch {
	case a.openEnded:
		warn(OpenEnded, "the header does not say how long the sound is (recording not stopped properly, or written into a pipe); read to the end of the file, %.2f s; check that the last ring is complete", seconds(a.have))
	case a.missing > 0:
		warn(Truncated, "the file ends %.2f s before its header says it should (recording or copying broke off); %.2f s are there; check that the last ring is complete, or copy it again from the recorder", seconds(a.missing), seconds(a.have))
	}
	if a.second {
		warn(SecondData, "the file holds several pieces of sound; only the first, %.2f s, was read; export it anew to get all", seconds(a.have))
	}
	if a.stray > strayBytes {
		warn(ExtraData, "after the %.2f s of sound come %d bytes that the header does not account for (recording not stopped properly?); they were not read; export it anew if sound is missing", seconds(a.have), a.stray)
	}
	return out
}

// describe takes over a "fmt " chunk.
func (l *layout) describe(b []byte) error {
	const (
		pcm        = 1
		ieeeFloat  = 3
		extensible = 0xfffe
		// What follows the format tag in a sub-format made from one
		// (KSDATAFORMAT_SUBTYPE_WAVEFORMATEX in Microsoft's ksmedia.h).
		guidTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
	)
	le := binary.LittleEndian
	if len(b) < 16 {
		return fmt.Errorf("the description of the samples (chunk \"fmt \") has %d bytes instead of 16 or more; %s", len(b), again)
	}
	tag := le.Uint16(b)
	l.channels = int(le.Uint16(b[2:]))
	l.rate = le.Uint32(b[4:])
	align := int(le.Uint16(b[12:]))
	l.bits = int(le.Uint16(b[14:]))
	l.valid = l.bits
	if err := checkShape(l.channels, float64(l.rate)); err != nil {
		return err
	}
	if tag == extensible {
		if len(b) < 40 {
			return fmt.Errorf("the extended description of the samples (chunk \"fmt \") has %d bytes instead of 40; %s", len(b), again)
		}
		if v := int(le.Uint16(b[18:])); v > 0 && v < l.bits {
			l.valid = v
		}
		if string(b[26:40]) != guidTail {
			return fmt.Errorf("the samples are of an unknown kind (sub-format % x); %s", b[24:40], export)
		}
		tag = le.Uint16(b[24:])
	}
	switch {
	case tag == pcm && (l.bits == 8 || l.bits == 16 || l.bits == 24 || l.bits == 32):
	case tag == ieeeFloat && (l.bits == 32 || l.bits == 64):
		l.float = true
	case tag == pcm || tag == ieeeFloat:
		return fmt.Errorf("the header gives samples of %d bits, which no usual WAV file has; %s", l.bits, export)
	default:
		return fmt.Errorf("the sound in this WAV file is %s, not plain samples; %s", codec(tag), export)
	}
	if align != 0 && align != l.frameBytes() {
		return fmt.Errorf("the header contradicts itself: %d channels of %d bits take %d bytes, not %d; %s",
			l.channels, l.bits, l.frameBytes(), align, export)
	}
	return nil
}

// codec names the format tags met most (RFC 2361).
func codec(tag uint16) string {
	name := map[uint16]string{
		0x02: "Microsoft ADPCM", 0x06: "A-law", 0x07: "mu-law", 0x11: "IMA ADPCM",
		0x31: "GSM 6.10", 0x50: "MPEG", 0x55: "MP3", 0xff: "AAC",
	}[tag]
	if name == "" {
		return fmt.Sprintf("of an unknown kind (format tag %#04x)", tag)
	}
	return "compressed (" + name + ")"
}

// chunkAt reads the header of a chunk; the id is empty where there is no room for one.
func chunkAt(r io.ReaderAt, off, size int64) (id string, length int64, err error) {
	if off+8 > size {
		return "", 0, nil
	}
	var b [8]byte
	err = readAt(r, b[:], off)
	return string(b[:4]), int64(binary.LittleEndian.Uint32(b[4:])), err
}

// nextChunk is where the chunk after one that ends at end begins. A chunk of odd length
// is followed by a zero byte; careless programs forget it.
func nextChunk(r io.ReaderAt, end int64, odd bool, size int64) (int64, error) {
	if !odd {
		return end, nil
	}
	id, _, err := chunkAt(r, end, size)
	if printable(id) {
		return end, err
	}
	return end + 1, err
}

func printable(id string) bool {
	for i := range len(id) {
		if id[i] < ' ' || id[i] > '~' {
			return false
		}
	}
	return len(id) == 4
}
