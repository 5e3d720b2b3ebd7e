package capture

import "io"

// Source is sound that comes piece by piece: a microphone, a recording that is played, or
// one made up for a test. Everything behind it is the same for all of them.
type Source interface {
	// Rate is the number of samples per second. It does not change.
	Rate() float64
	// Read fills the block with what came next, of any length. A block without samples
	// means that nothing has come yet; io.EOF, that nothing more will. Read returns
	// within a tenth of a second, so that whoever reads can attend to other things.
	Read(*Block) error
	// Close ends the sound. What was read before stays valid.
	Close() error
}

// Block is a piece of a Source's sound.
type Block struct {
	Samples []float64 // full scale is +-1; valid until the next Read
	Pos     int64     // place of Samples[0] in the stream, lost samples counted
	Lost    int       // samples lost just before Samples[0]
	Flags   Flags
}

// Flags tell what may be wrong with a block beyond the samples known to be lost.
type Flags uint8

// The flags.
const (
	Overflow Flags = 1 << iota // the device or its driver lost sound, nobody knows how much
	Gap                        // the computer slept, or the sound stood still for some other reason
)

// Names are the flags in words.
func (f Flags) Names() []string {
	names := []string{}
	for i, name := range []string{"overflow", "gap"} {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// Play is a Source that gives the samples of one track in blocks of the given length. It
// never waits.
func Play(samples []float64, rate float64, block int) Source {
	return &player{samples: samples, rate: rate, block: block}
}

type player struct {
	samples []float64
	rate    float64
	block   int
	at      int
}

func (p *player) Rate() float64 { return p.rate }
func (p *player) Close() error  { return nil }

func (p *player) Read(b *Block) error {
	if p.at >= len(p.samples) {
		return io.EOF
	}
	n := min(p.block, len(p.samples)-p.at)
	*b = Block{Samples: append(b.Samples[:0], p.samples[p.at:p.at+n]...), Pos: int64(p.at)}
	p.at += n
	return nil
}
