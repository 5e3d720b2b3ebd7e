package wavfile

import (
	"bytes"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"
)

// encodeFLAC makes a FLAC file in frames of 400 samples from the resonator of
// outside_test.go, repeated; promised is the length its header gives.
func encodeFLAC(t testing.TB, rate, channels, bits, frames int, promised uint64) []byte {
	t.Helper()
	var b bytes.Buffer
	enc, err := flac.NewEncoder(&b, &meta.StreamInfo{
		BlockSizeMin: 400, BlockSizeMax: 400,
		SampleRate: uint32(rate), NChannels: uint8(channels), BitsPerSample: uint8(bits), NSamples: promised,
	})
	if err != nil {
		t.Fatal(err)
	}
	tracks := resonator(bits)
	for range frames {
		f := &frame.Frame{Header: frame.Header{
			HasFixedBlockSize: true, BlockSize: 400, SampleRate: uint32(rate),
			Channels: frame.Channels(channels - 1), BitsPerSample: uint8(bits),
		}}
		for c := range channels {
			samples := make([]int32, 400)
			for i, v := range tracks[c%2] {
				samples[i] = int32(v * float64(int(1)<<(bits-1)))
			}
			f.Subframes = append(f.Subframes, &frame.Subframe{
				SubHeader: frame.SubHeader{Pred: frame.PredVerbatim}, Samples: samples, NSamples: 400,
			})
		}
		if err := enc.WriteFrame(f); err != nil {
			t.Fatal(err)
		}
	}
	if err := enc.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// flacs are files of this package's tests that decode without a warning.
func flacs(t testing.TB) (files [][]byte) {
	for _, bits := range []int{8, 16, 24} {
		files = append(files, encodeFLAC(t, 48000, 2, bits, 3, 1200))
	}
	file, err := os.ReadFile("testdata/ring16.flac")
	if err != nil {
		t.Fatal(err)
	}
	return append(files, file)
}

const streamStart = 4 + 4 + 34 // where the first frame begins: after the magic and STREAMINFO

func TestFLACFormats(t *testing.T) {
	for _, tt := range []struct{ rate, channels, bits int }{
		{8000, 1, 8}, {44100, 1, 12}, {44153, 1, 16}, {48000, 2, 20}, {96000, 3, 24}, {192000, 8, 24},
	} {
		rec, err := read(encodeFLAC(t, tt.rate, tt.channels, tt.bits, 2, 800))
		if err != nil {
			t.Fatal(tt, err)
		}
		if rec.Rate != float64(tt.rate) || rec.Bits != tt.bits || len(rec.Warnings) > 0 {
			t.Errorf("%v: %v Hz, %d bits, warnings %v", tt, rec.Rate, rec.Bits, rec.Warnings)
		}
		var want [][]float64
		for c := range tt.channels {
			want = append(want, slices.Repeat(resonator(tt.bits)[c%2], 2))
		}
		wantTracks(t, rec.Tracks, want)
	}
}

func TestFLACInDoubt(t *testing.T) {
	plain := encodeFLAC(t, 48000, 1, 16, 3, 1200)
	frameBytes := (len(plain) - streamStart) / 3
	flip := func(at int) []byte {
		b := slices.Clone(plain)
		b[at] ^= 0x10
		return b
	}
	other := encodeFLAC(t, 48000, 1, 24, 1, 400)[streamStart:]
	for _, tt := range []struct {
		name   string
		data   []byte
		frames int // that are read, of 400 samples
		code   string
		err    string
	}{
		{name: "behind an ID3 tag", data: append([]byte("ID3\x04\x00\x00\x00\x00\x01\x02"+strings.Repeat("x", 130)), plain...), frames: 3},
		{name: "tag at the end", data: append(slices.Clone(plain), "TAGtitle"...), frames: 3},
		{name: "length not known", data: encodeFLAC(t, 48000, 1, 16, 3, 0), frames: 3, code: OpenEnded},
		{name: "length too small", data: encodeFLAC(t, 48000, 1, 16, 3, 400), frames: 3, code: ExtraData},
		{name: "length too large", data: encodeFLAC(t, 48000, 1, 16, 3, 80_000_000), frames: 3, code: Truncated},
		{name: "cut between frames", data: plain[:streamStart+frameBytes], frames: 1, code: Truncated},
		{name: "cut in a frame", data: plain[:len(plain)-1], frames: 2, code: Truncated},
		{name: "cut in a frame, length not known", data: encodeFLAC(t, 48000, 1, 16, 3, 0)[:len(plain)-1], frames: 2, code: Truncated},
		{name: "damaged sample", data: flip(streamStart + frameBytes*3/2), frames: 1, code: Damaged},
		{name: "damaged frame header", data: flip(streamStart + 2*frameBytes + 4), frames: 2, code: Damaged},
		{name: "frame missing", data: slices.Concat(plain[:streamStart+frameBytes], plain[streamStart+2*frameBytes:]), frames: 1, code: Damaged},
		{name: "other format after the first frame", data: slices.Concat(plain[:streamStart+frameBytes], other), frames: 1, code: Damaged},
		{name: "damaged from the start", data: flip(streamStart + frameBytes/2), err: "damaged from its first sample"},
		{name: "no frames", data: plain[:streamStart], err: "no sound"},
		{name: "cut in the first frame", data: plain[:streamStart+100], err: "no sound"},
		{name: "cut in the header", data: plain[:20], err: "header of the FLAC file is cut off"},
		{name: "nothing but the magic", data: plain[:4], err: "header of the FLAC file is cut off"},
		{name: "damaged header", data: slices.Concat(plain[:8], []byte{0, 0}, plain[10:]), err: "header of the FLAC file is damaged"},
		{name: "rate too low", data: encodeFLAC(t, 7000, 1, 16, 1, 400), err: "7000 Hz"},
		{name: "too long", data: encodeFLAC(t, 8000, 1, 16, 1, 1<<36-1), err: "cut it into shorter pieces"},
		{name: "too many samples", data: encodeFLAC(t, 192000, 8, 16, 1, 100_000_000/8+1), err: "100 million that are read at once"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rec, err := read(tt.data)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("error %v, want one with %q", err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(codes(rec), " "); got != tt.code {
				t.Errorf("warnings %v, want %q", rec.Warnings, tt.code)
			}
			wantTracks(t, rec.Tracks, [][]float64{slices.Repeat(resonator(16)[0], tt.frames)})
		})
	}
}

// TestFLACSampleSizeInHeaderOnly reads a frame that refers to the header of the file for
// its sample size, as RFC 9639, 9.1.4 allows.
func TestFLACSampleSizeInHeaderOnly(t *testing.T) {
	file := encodeFLAC(t, 48000, 1, 16, 1, 400)
	f := file[streamStart:]
	const header = 7 // bytes of the frame's header before its CRC-8
	f[3] &^= 0x0e    // the sample size
	f[header] = byte(crc(f[:header], 8, 0x07))
	end := len(f) - 2
	sum := crc(f[:end], 16, 0x8005)
	f[end], f[end+1] = byte(sum>>8), byte(sum)
	rec, err := read(file)
	if err != nil || len(rec.Warnings) > 0 {
		t.Fatal(err, rec.Warnings)
	}
	wantTracks(t, rec.Tracks, resonator(16)[:1])
}

// crc is the remainder of b over a polynomial of the given degree, high bit first.
func crc(b []byte, degree int, poly uint32) (sum uint32) {
	for _, v := range b {
		sum ^= uint32(v) << (degree - 8)
		for range 8 {
			sum <<= 1
			if sum>>degree&1 == 1 {
				sum ^= poly | 1<<degree
			}
		}
	}
	return sum
}

// TestFLACOfSilenceTakesLittleMore: silence is packed a thousandfold, and yet reading it
// takes hardly more memory than the sound it holds.
func TestFLACOfSilenceTakesLittleMore(t *testing.T) {
	const block, blocks = 32768, 100
	var b bytes.Buffer
	enc, err := flac.NewEncoder(&b, &meta.StreamInfo{BlockSizeMin: block, BlockSizeMax: block, SampleRate: 48000, NChannels: 1, BitsPerSample: 16, NSamples: block * blocks})
	if err != nil {
		t.Fatal(err)
	}
	for range blocks {
		if err := enc.WriteFrame(&frame.Frame{
			Header:    frame.Header{HasFixedBlockSize: true, BlockSize: block, SampleRate: 48000, Channels: frame.ChannelsMono, BitsPerSample: 16},
			Subframes: []*frame.Subframe{{SubHeader: frame.SubHeader{Pred: frame.PredConstant}, Samples: make([]int32, block), NSamples: block}},
		}); err != nil {
			t.Fatal(err)
		}
	}
	if err := enc.Close(); err != nil {
		t.Fatal(err)
	}
	if b.Len() > block*blocks/100 {
		t.Fatalf("%d bytes are no packed silence", b.Len())
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	rec, err := read(b.Bytes())
	runtime.ReadMemStats(&after)
	if err != nil || len(rec.Warnings) > 0 || len(rec.Tracks[0]) != block*blocks {
		t.Fatal(err, rec.Warnings)
	}
	// 8 bytes a sample are kept and a third of that is copied while the track grows; the
	// decoder drops up to 12 with each frame, for its slices of 4 bytes a sample double.
	if got := float64(after.TotalAlloc-before.TotalAlloc) / (block * blocks); got > 8*4/3.+12 {
		t.Errorf("%.1f bytes a sample were taken", got)
	}
}

// TestAtMost: no recording holds more samples than its header lets expect.
func TestAtMost(t *testing.T) {
	for i, file := range flacs(t) {
		rec, err := Read(bytes.NewReader(file), int64(len(file)), "invented")
		if err != nil {
			t.Fatal(err)
		}
		got, holds := AtMost(bytes.NewReader(file), int64(len(file))), int64(len(rec.Tracks)*len(rec.Tracks[0]))
		if got != holds {
			t.Errorf("file %d: at most %d, holds %d", i, got, holds)
		}
	}
	for _, c := range []struct {
		file []byte
		want int64
	}{
		{encodeFLAC(t, 48000, 2, 16, 300, 0), MaxSamples},          // its header does not know
		{encodeFLAC(t, 48000, 1, 16, 300, 1<<36-1), MaxSamples},    // nor does this one
		{encodeFLAC(t, 48000, 1, 16, 300, 300)[:20], 20}, {nil, 0}, // cut off
		{make([]byte, 1000), 1000},
	} {
		if got := AtMost(bytes.NewReader(c.file), int64(len(c.file))); got != c.want {
			t.Errorf("%d bytes: at most %d, want %d", len(c.file), got, c.want)
		}
	}
}
