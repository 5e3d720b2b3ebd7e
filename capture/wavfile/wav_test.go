package wavfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ringstock/capture"
)

var le = binary.LittleEndian

// chunk has the size it should have, and the byte after odd lengths.
func chunk(id string, data ...byte) []byte {
	b := sized(id, uint32(len(data)), data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

// sized is a chunk that claims any size.
func sized(id string, size uint32, data ...byte) []byte {
	return append(le.AppendUint32([]byte(id), size), data...)
}

func form(id, kind string, chunks ...[]byte) []byte {
	body := append([]byte(kind), bytes.Join(chunks, nil)...)
	return sized(id, uint32(len(body)), body...)
}

func wave(chunks ...[]byte) []byte { return form("RIFF", "WAVE", chunks...) }

// format is the content of a "fmt " chunk of 16 bytes.
func format(tag, channels, rate, bits int) []byte {
	b := le.AppendUint16(nil, uint16(tag))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*bits/8))
	b = le.AppendUint16(b, uint16(channels*bits/8))
	return le.AppendUint16(b, uint16(bits))
}

func fmtChunk(tag, channels, rate, bits int) []byte {
	return chunk("fmt ", format(tag, channels, rate, bits)...)
}

// extFormat is the content of an extensible "fmt " chunk.
func extFormat(tag, channels, rate, bits, valid int) []byte {
	b := append(format(0xfffe, channels, rate, bits), 22, 0, byte(valid), 0, 0, 0, 0, 0)
	b = le.AppendUint16(b, uint16(tag))
	return append(b, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71)
}

func ds64(data uint64) []byte {
	b := le.AppendUint64(make([]byte, 8), data)
	return chunk("ds64", append(b, make([]byte, 12)...)...)
}

// put16 and the like encode samples that are given as fractions of full scale.
func put16(x ...float64) (b []byte) {
	for _, v := range x {
		b = le.AppendUint16(b, uint16(int16(v*(1<<15))))
	}
	return b
}

func put24(x ...float64) (b []byte) {
	for _, v := range x {
		n := int32(v * (1 << 23))
		b = append(b, byte(n), byte(n>>8), byte(n>>16))
	}
	return b
}

func put32(x ...float64) (b []byte) {
	for _, v := range x {
		b = le.AppendUint32(b, uint32(int32(v*(1<<31))))
	}
	return b
}

func putFloat32(x ...float64) (b []byte) {
	for _, v := range x {
		b = le.AppendUint32(b, math.Float32bits(float32(v)))
	}
	return b
}

func putFloat64(x ...float64) (b []byte) {
	for _, v := range x {
		b = le.AppendUint64(b, math.Float64bits(v))
	}
	return b
}

func read(data []byte) (capture.Recording, error) {
	return Read(bytes.NewReader(data), int64(len(data)), "bar.wav")
}

// sound can be told from its neighbours and from its own bits read as another format.
var sound = []float64{0, 0.5, -1, 0.25, -0.125, 0.75, -0.5}

type file struct {
	name  string
	data  []byte
	want  []float64 // of the first channel; later ones hold the same, negated where even
	codes []string
	bits  int
	err   string // part of the error that is due
}

// crafted are the files that decoders get wrong, and the plain ones.
func crafted() []file {
	pcm16 := fmtChunk(1, 1, 48000, 16)
	data16 := chunk("data", put16(sound...)...)
	data24 := chunk("data", put24(sound...)...)
	odd := sound[:len(sound)-1]
	unknown := bytes.Repeat([]byte{1, 2, 0x90}, 700)
	cut := func(b []byte, n int) []byte { return b[:len(b)-n] }
	resize := func(b []byte, off int, size uint32) []byte {
		b = slices.Clone(b)
		le.PutUint32(b[off:], size)
		return b
	}
	list := chunk("LIST", []byte("INFOISFT\x04\x00\x00\x00none")...)

	return []file{
		// Every format.
		{name: "8 bit, even", data: wave(fmtChunk(1, 1, 48000, 8), chunk("data", 128, 192, 0, 160)), want: sound[:4], bits: 8},
		{name: "8 bit, odd and padded", data: wave(fmtChunk(1, 1, 48000, 8), chunk("data", 128, 192, 0)), want: sound[:3], bits: 8},
		{name: "16 bit", data: wave(pcm16, data16), want: sound, bits: 16},
		{name: "24 bit, odd and padded", data: wave(fmtChunk(1, 1, 48000, 24), data24), want: sound, bits: 24},
		{name: "24 bit, odd without the pad", data: cut(wave(fmtChunk(1, 1, 48000, 24), data24), 1), want: sound, bits: 24},
		{name: "32 bit", data: wave(fmtChunk(1, 1, 48000, 32), chunk("data", put32(sound...)...)), want: sound, bits: 32},
		{name: "float 32", data: wave(fmtChunk(3, 1, 48000, 32), chunk("data", putFloat32(sound...)...)), want: sound},
		{name: "float 64", data: wave(fmtChunk(3, 1, 48000, 64), chunk("data", putFloat64(sound...)...)), want: sound},
		{name: "float over full scale", data: wave(fmtChunk(3, 1, 48000, 32), chunk("data", putFloat32(1.5, -8)...)), want: []float64{1.5, -8}},
		{name: "fmt of 18 bytes", data: wave(chunk("fmt ", append(format(1, 1, 44100, 16), 0, 0)...), data16), want: sound, bits: 16},
		{name: "fmt of 17 bytes", data: wave(chunk("fmt ", append(format(1, 1, 44100, 16), 0)...), data16), want: sound, bits: 16},
		{name: "extensible 16 bit", data: wave(chunk("fmt ", extFormat(1, 1, 48000, 16, 16)...), data16), want: sound, bits: 16},
		{name: "extensible, 24 of 32 bits", data: wave(chunk("fmt ", extFormat(1, 1, 48000, 32, 24)...), chunk("data", put32(sound...)...)), want: sound, bits: 24},
		{name: "extensible, no valid bits given", data: wave(chunk("fmt ", extFormat(1, 1, 48000, 24, 0)...), data24), want: sound, bits: 24},
		{name: "extensible, too many valid bits", data: wave(chunk("fmt ", extFormat(1, 1, 48000, 24, 99)...), data24), want: sound, bits: 24},
		{name: "extensible float 32", data: wave(chunk("fmt ", extFormat(3, 1, 48000, 32, 32)...), chunk("data", putFloat32(sound...)...)), want: sound},
		{name: "RF64", data: form("RF64", "WAVE", ds64(14), pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16},
		{name: "BW64", data: form("BW64", "WAVE", ds64(14), pcm16, sized("data", math.MaxUint32, put16(sound...)...), list), want: sound, bits: 16},
		{name: "RF64 with its size in the data chunk", data: form("RF64", "WAVE", ds64(99), pcm16, data16), want: sound, bits: 16},
		{name: "RF64 without ds64", data: form("RF64", "WAVE", pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "RF64, cut off", data: form("RF64", "WAVE", ds64(1<<20), pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16, codes: []string{Truncated}},
		{name: "RF64 beyond all bounds", data: form("RF64", "WAVE", ds64(math.MaxUint64), pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "RF64 not finished", data: form("RF64", "WAVE", ds64(0), pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "lowest rate", data: wave(fmtChunk(1, 1, 8000, 16), data16), want: sound, bits: 16},
		{name: "highest rate", data: wave(fmtChunk(1, 1, 384000, 16), data16), want: sound, bits: 16},
		{name: "no block size given", data: wave(chunk("fmt ", append(format(1, 1, 48000, 16)[:12], 0, 0, 16, 0)...), data16), want: sound, bits: 16},

		// Other chunks around.
		{name: "chunks before and after", data: wave(chunk("bext", make([]byte, 602)...), list, pcm16, chunk("fact", 7, 0, 0, 0), data16, list), want: sound, bits: 16},
		{name: "odd LIST", data: wave(chunk("LIST", 'I', 'N', 'F', 'O', 0), pcm16, data16), want: sound, bits: 16},
		{name: "odd LIST without the pad", data: wave(sized("LIST", 5, 'I', 'N', 'F', 'O', 0), pcm16, data16), want: sound, bits: 16},
		{name: "odd data without the pad, then LIST", data: wave(fmtChunk(1, 1, 48000, 24), sized("data", 21, put24(sound...)...), list), want: sound, bits: 24},
		{name: "data before fmt", data: wave(data16, pcm16), want: sound, bits: 16},
		{name: "second fmt", data: wave(pcm16, fmtChunk(1, 2, 8000, 8), data16), want: sound, bits: 16},
		{name: "two data chunks", data: wave(pcm16, data16, data16), want: sound, bits: 16, codes: []string{SecondData}},
		{name: "first data chunk empty", data: wave(pcm16, chunk("data"), data16), want: sound, bits: 16},
		{name: "a few stray bytes after", data: append(wave(pcm16, data16), unknown[:200]...), want: sound, bits: 16},
		{name: "much after", data: append(wave(pcm16, data16), unknown...), want: sound, bits: 16, codes: []string{ExtraData}},
		{name: "placeholder sizes never filled in", data: resize(wave(fmtChunk(1, 1, 48000, 8), sized("data", 2, append([]byte{128, 192}, unknown...)...)), 4, 42), want: sound[:2], bits: 8, codes: []string{ExtraData}},

		// Sizes that lie.
		{name: "RIFF size 0", data: resize(wave(pcm16, data16), 4, 0), want: sound, bits: 16},
		{name: "RIFF size huge", data: resize(wave(pcm16, data16), 4, math.MaxUint32), want: sound, bits: 16},
		{name: "data size 0", data: wave(pcm16, sized("data", 0, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "data size ffffffff", data: wave(pcm16, sized("data", math.MaxUint32, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "data size fffffffe", data: wave(pcm16, sized("data", math.MaxUint32-1, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "data size 7fffffff", data: wave(pcm16, sized("data", math.MaxInt32, put16(sound...)...)), want: sound, bits: 16, codes: []string{OpenEnded}},
		{name: "data size too large", data: wave(pcm16, sized("data", 1000, put16(sound...)...)), want: sound, bits: 16, codes: []string{Truncated}},
		{name: "cut between samples", data: cut(wave(pcm16, data16), 2), want: odd, bits: 16, codes: []string{Truncated}},
		{name: "cut inside a 16-bit sample", data: cut(wave(pcm16, data16), 1), want: odd, bits: 16, codes: []string{Truncated}},
		{name: "cut inside a 24-bit sample", data: cut(wave(fmtChunk(1, 1, 48000, 24), data24), 2), want: odd, bits: 24, codes: []string{Truncated}},
		{name: "cut inside a 32-bit sample", data: cut(wave(fmtChunk(1, 1, 48000, 32), chunk("data", put32(sound...)...)), 1), want: odd, bits: 32, codes: []string{Truncated}},
		{name: "cut inside a frame", data: cut(wave(fmtChunk(1, 2, 48000, 16), chunk("data", put16(0, 0, .5, -.5, .25, -.25)...)), 2), want: []float64{0, .5}, bits: 16, codes: []string{Truncated}},

		// What can't be read.
		{name: "cut inside the data header", data: cut(wave(pcm16, data16), 14+2), err: "no sound"},
		{name: "cut after the data header", data: cut(wave(pcm16, data16), 14), err: "no sound"},
		{name: "cut inside fmt", data: wave(pcm16)[:25], err: `chunk "fmt "`},
		{name: "cut after WAVE", data: wave(), err: `chunk "fmt "`},
		{name: "cut after RIFF", data: []byte("RIFF"), err: "cut off after 4 bytes"},
		{name: "empty data", data: wave(pcm16, chunk("data"), list), err: "no sound"},
		{name: "less than a frame", data: wave(pcm16, chunk("data", 1)), err: "no sound"},
		{name: "no data", data: wave(pcm16, list), err: "no sound"},
		{name: "no fmt", data: wave(data16), err: `chunk "fmt "`},
		{name: "fmt empty", data: wave(chunk("fmt "), data16), err: "has 0 bytes"},
		{name: "fmt too short", data: wave(chunk("fmt ", 1, 0, 1, 0), data16), err: "has 4 bytes"},
		{name: "extensible but short", data: wave(fmtChunk(0xfffe, 1, 48000, 16), data16), err: "instead of 40"},
		{name: "extensible, foreign sub-format", data: wave(chunk("fmt ", append(extFormat(1, 1, 48000, 16, 16)[:39], 0)...), data16), err: "unknown kind"},
		{name: "no channels", data: wave(fmtChunk(1, 0, 48000, 16), data16), err: "0 channels"},
		{name: "too many channels", data: wave(fmtChunk(1, 65, 48000, 16), data16), err: "65 channels"},
		{name: "rate 0", data: wave(fmtChunk(1, 1, 0, 16), data16), err: "is 0 Hz"},
		{name: "rate too low", data: wave(fmtChunk(1, 1, 7999, 16), data16), err: "7999 Hz"},
		{name: "rate too high", data: wave(fmtChunk(1, 1, 384001, 16), data16), err: "384001 Hz"},
		{name: "0 bit", data: wave(fmtChunk(1, 1, 48000, 0), data16), err: "0 bits"},
		{name: "12 bit", data: wave(fmtChunk(1, 1, 48000, 12), data16), err: "12 bits"},
		{name: "64-bit integers", data: wave(fmtChunk(1, 1, 48000, 64), data16), err: "64 bits"},
		{name: "16-bit float", data: wave(fmtChunk(3, 1, 48000, 16), data16), err: "16 bits"},
		{name: "A-law", data: wave(fmtChunk(6, 1, 8000, 8), data16), err: "A-law"},
		{name: "mu-law", data: wave(chunk("fmt ", extFormat(7, 1, 8000, 8, 8)...), data16), err: "mu-law"},
		{name: "ADPCM", data: wave(fmtChunk(2, 1, 48000, 4), data16), err: "ADPCM"},
		{name: "unknown tag", data: wave(fmtChunk(0x1234, 1, 48000, 16), data16), err: "0x1234"},
		{name: "contradicting block size", data: wave(chunk("fmt ", append(format(1, 1, 48000, 24)[:12], 4, 0, 24, 0)...), data24), err: "contradicts itself"},
		{name: "NaN", data: wave(fmtChunk(3, 2, 48000, 32), chunk("data", putFloat32(0, 0, 0, math.NaN())...)), err: "sample 2 of channel 2 (0.0000 s) is NaN"},
		{name: "infinity", data: wave(fmtChunk(3, 1, 48000, 64), chunk("data", putFloat64(0, 0, math.Inf(-1))...)), err: "sample 3 of channel 1 (0.0000 s) is -Inf"},
		{name: "integers said to be float", data: wave(fmtChunk(3, 1, 48000, 32), chunk("data", put32(0.5, 0.9)...)), err: "sample 2 of channel 1"},
		{name: "huge LIST", data: wave(pcm16, sized("LIST", 0xfffffff0, []byte("INFO")...), data16), err: "stops making sense at byte 36"},
		{name: "huge sub-chunk", data: wave(pcm16, chunk("LIST", append([]byte("INFO"), sized("ISFT", 0xfffffff0)...)...), data16), want: sound, bits: 16},
		{name: "huge fmt", data: wave(sized("fmt ", 0xfffffff0, format(1, 1, 48000, 16)...), data16), err: `chunk "fmt "`},

		// What is no WAV file.
		{name: "empty", err: "is empty"},
		{name: "zeros", data: make([]byte, 5000), err: "nothing but zeros"},
		{name: "AVI", data: form("RIFF", "AVI ", pcm16, data16), err: `of the kind "AVI "`},
		{name: "big-endian", data: form("RIFX", "WAVE", pcm16, data16), err: "RIFX"},
		{name: "M4A", data: []byte("\x00\x00\x00\x20ftypM4A \x00\x00\x00\x00"), err: "M4A"},
		{name: "MP3", data: []byte("\xff\xfb\x90\x64\x00"), err: "MP3"},
		{name: "MP3 with a tag", data: append([]byte("ID3\x04\x00\x00\x00\x00\x00\x04abcd\xff\xfb"), make([]byte, 100)...), err: "MP3"},
		{name: "MP3 with a tag beyond the end", data: []byte("ID3\x04\x00\x00\x7f\x7f\x7f\x7fabcd"), err: "MP3"},
		{name: "Ogg", data: []byte("OggS\x00\x02"), err: "Ogg"},
		{name: "AIFF", data: []byte("FORM\x00\x00\x10\x00AIFFCOMM"), err: "AIFF"},
		{name: "AMR", data: []byte("#!AMR\n"), err: "AMR"},
		{name: "text", data: []byte("blank,length_mm\nA1,735\n"), err: "text"},
		{name: "text in another language", data: []byte(strings.Repeat("Länge Höhe Stück ", 20)), err: "text"},
		{name: "other", data: []byte("\x7fELF\x02\x01\x01\x00\x00"), err: "starts with the bytes 7f 45 4c 46"},
		{name: "one byte", data: []byte{0xff}, err: "starts with the bytes ff"},
	}
}

func TestCrafted(t *testing.T) {
	for _, tt := range crafted() {
		t.Run(tt.name, func(t *testing.T) {
			rec, err := read(tt.data)
			if tt.err != "" {
				if err == nil {
					t.Fatalf("no error but %d samples; want an error with %q", len(rec.Tracks[0]), tt.err)
				}
				if msg := err.Error(); !strings.Contains(msg, tt.err) || !strings.HasPrefix(msg, "bar.wav: ") {
					t.Errorf("error %q, want one with the file's name and %q", msg, tt.err)
				}
				if rec.Tracks != nil {
					t.Error("samples come with an error")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if rec.Bits != tt.bits || rec.Source != "bar.wav" || !slices.Equal(codes(rec), tt.codes) {
				t.Errorf("got %d bits of %q, warnings %v; want %d bits, %v", rec.Bits, rec.Source, rec.Warnings, tt.bits, tt.codes)
			}
			wantTracks(t, rec.Tracks[:1], [][]float64{tt.want})
		})
	}
}

func TestRatesAreKept(t *testing.T) {
	for _, rate := range []int{8000, 11025, 20000, 22050, 44100, 44153, 48000, 88200, 96000, 176400, 192000, 384000} {
		rec, err := read(wave(fmtChunk(1, 1, rate, 16), chunk("data", put16(sound...)...)))
		if err != nil || rec.Rate != float64(rate) {
			t.Errorf("rate %d is read as %v (error %v)", rate, rec.Rate, err)
		}
	}
}

// TestChannelsStayApart reads files longer than a block, with up to the most channels.
func TestChannelsStayApart(t *testing.T) {
	for _, channels := range []int{1, 2, 3, 7, MaxChannels} {
		const frames = 70_001
		want := newTracks(channels, frames)
		data := make([]byte, 0, 3*channels*frames)
		for i := range frames {
			for c := range channels {
				want[c][i] = float64((i*31+c*1000)%65536-32768) / 65536
				data = append(data, put24(want[c][i])...)
			}
		}
		rec, err := read(wave(fmtChunk(1, channels, 48000, 24), chunk("data", data...)))
		if err != nil {
			t.Fatal(err)
		}
		wantTracks(t, rec.Tracks, want)
	}
}

// silence is a file of any size that takes no room.
type silence struct {
	header []byte
	size   int64
}

func (s silence) ReadAt(b []byte, off int64) (int, error) {
	if off >= s.size {
		return 0, io.EOF
	}
	clear(b)
	if off < int64(len(s.header)) {
		copy(b, s.header[off:])
	}
	return len(b), nil
}

func TestTooLong(t *testing.T) {
	for _, tt := range []struct {
		name                 string
		channels, rate, bits int
		seconds              int64
		want                 string
	}{
		{"too long", 1, 8000, 8, 1801, "cut it into shorter pieces"},
		{"too many samples", 64, 48000, 8, 60, "184 million samples"},
		{"terabytes", 64, 384000, 32, 1 << 20, "cut it into shorter pieces"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := silence{size: 20 + 24 + int64(tt.channels*tt.rate*tt.bits/8)*tt.seconds}
			s.header = wave(fmtChunk(1, tt.channels, tt.rate, tt.bits), sized("data", math.MaxUint32))
			_, err := Read(s, s.size, "bar.wav")
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one with %q", err, tt.want)
			}
		})
	}
}

func TestLongestIsRead(t *testing.T) {
	s := silence{size: 44 + 8000*MaxSeconds}
	s.header = wave(fmtChunk(1, 1, 8000, 8), sized("data", 8000*MaxSeconds))
	rec, err := Read(s, s.size, "bar.wav")
	if err != nil || rec.Duration() != MaxSeconds || len(rec.Warnings) > 0 {
		t.Errorf("%v s, warnings %v, error %v; want %d s", rec.Duration(), rec.Warnings, err, MaxSeconds)
	}
}

// TestManyChunks would take minutes if each of a hundred million chunks were visited.
func TestManyChunks(t *testing.T) {
	visits := 0
	r := readerAt(func(b []byte, off int64) (int, error) {
		visits++
		return copy(b, "JUNK\x00\x00\x00\x00RIFF"), nil
	})
	head := readerAt(func(b []byte, off int64) (int, error) {
		if off == 0 {
			clear(b)
			return max(copy(b, "RIFF\x00\x00\x00\x00WAVE"), len(b)), nil
		}
		return r(b, off)
	})
	if _, err := Read(head, 1<<30, "bar.wav"); err == nil {
		t.Error("no error")
	}
	if visits > 20_000 {
		t.Errorf("%d reads for the header", visits)
	}
}

type readerAt func(b []byte, off int64) (int, error)

func (r readerAt) ReadAt(b []byte, off int64) (int, error) { return r(b, off) }

// TestFailingDisk checks that an error of the disk comes out, whenever it happens.
func TestFailingDisk(t *testing.T) {
	data := wave(fmtChunk(1, 1, 48000, 16), chunk("data", put16(make([]float64, 100_000)...)...))
	disk := errors.New("input/output error")
	reads := 0
	for limit := 0; ; limit++ {
		n := 0
		r := readerAt(func(b []byte, off int64) (int, error) {
			if n++; n > limit {
				return 0, disk
			}
			return bytes.NewReader(data).ReadAt(b, off)
		})
		_, err := Read(r, int64(len(data)), "bar.wav")
		if err == nil {
			reads = n
			break
		}
		if !errors.Is(err, disk) {
			t.Fatalf("after %d reads: %v", limit, err)
		}
	}
	if reads < 4 {
		t.Errorf("the file was read in %d pieces, too few for this test", reads)
	}

	_, err := Read(bytes.NewReader(data[:5000]), int64(len(data)), "bar.wav")
	if err == nil || !strings.Contains(err.Error(), "became shorter") {
		t.Errorf("file that shrinks: %v", err)
	}
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "this is a folder") {
		t.Errorf("folder: %v", err)
	}
	if _, err := Open(filepath.Join(dir, "none.wav")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	// The name doesn't matter.
	path := filepath.Join(dir, "bar.mp3")
	if err := os.WriteFile(path, wave(fmtChunk(1, 1, 48000, 16), chunk("data", put16(sound...)...)), 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := Open(path)
	if err != nil || rec.Source != path {
		t.Fatalf("source %q, error %v", rec.Source, err)
	}
	wantTracks(t, rec.Tracks, [][]float64{sound})
}

// usable fails unless rec keeps what Read promises.
func usable(t *testing.T, rec capture.Recording) {
	t.Helper()
	n := 0
	for _, track := range rec.Tracks {
		n += len(track)
		if len(track) == 0 || len(track) != len(rec.Tracks[0]) {
			t.Fatal("channels are empty or differ in length")
		}
		for _, v := range track {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatal("sample is not finite")
			}
		}
	}
	if n == 0 || n > MaxSamples || rec.Rate < MinRate || rec.Rate > MaxRate || rec.Duration() > MaxSeconds ||
		len(rec.Tracks) > MaxChannels || rec.Bits < 0 || rec.Bits > 32 {
		t.Fatalf("%d channels, %d samples, %v Hz, %d bits", len(rec.Tracks), n, rec.Rate, rec.Bits)
	}
}

// FuzzRead checks that any file gives either an error that names it or a recording that
// can be saved and read again. No WAV file may panic, not even where Read would catch it.
func FuzzRead(f *testing.F) {
	for _, c := range crafted() {
		f.Add(c.data)
	}
	for _, b := range flacs(f) {
		f.Add(b)
		f.Add(b[:len(b)*2/3])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rec, err := read(data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "bar.wav: ") {
				t.Errorf("error without the file: %v", err)
			}
			if p := (*panicError)(nil); errors.As(err, &p) && isWave(data) {
				t.Fatal(err)
			}
			return
		}
		usable(t, rec)
		var b bytes.Buffer
		if err := Write(&b, rec, 24); err != nil {
			t.Fatal(err)
		}
		back, err := read(b.Bytes())
		if err != nil || len(back.Warnings) > 0 || len(back.Tracks) != len(rec.Tracks) || len(back.Tracks[0]) != len(rec.Tracks[0]) {
			t.Fatalf("not the same after a round trip: error %v, warnings %v", err, back.Warnings)
		}
	})
}

func BenchmarkReadWAV(b *testing.B) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			b.Run(fmt.Sprintf("12s-48kHz-%dbit-%dch", bits, channels), func(b *testing.B) {
				path := filepath.Join(b.TempDir(), "bar.wav")
				rec := capture.Recording{Rate: 48000, Tracks: newTracks(channels, 12*48000)}
				for _, track := range rec.Tracks {
					for i := range track {
						track[i] = math.Sin(float64(i) * 0.1)
					}
				}
				if err := Save(path, rec, bits); err != nil {
					b.Fatal(err)
				}
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Open(path); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
