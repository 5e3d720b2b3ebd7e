package bench

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"ringstock/capture"
)

// ear is a source as the session hears it. While a signal of the page sounds it is
// deaf, or the signal would be taken for a tap: what is left out counts as lost, and a
// tap in it is refused.
type ear struct {
	capture.Source
	name   string
	owner  *client // whose browser's microphone it is; nil for one of the computer
	cancel context.CancelFunc
	done   chan struct{}
	deaf   atomic.Int64 // samples still to be left out
	lost   int
}

func (e *ear) Read(b *capture.Block) error {
	if err := e.Source.Read(b); err != nil {
		return err
	}
	if n := int(min(e.deaf.Load(), int64(len(b.Samples)))); n > 0 {
		e.deaf.Add(-int64(n))
		b.Samples = b.Samples[n:]
		b.Pos += int64(n)
		e.lost += b.Lost + n
		b.Lost = 0
	}
	if len(b.Samples) > 0 {
		b.Lost += e.lost
		e.lost = 0
	}
	return nil
}

// plug leaves out the sound of the next seconds.
func (e *ear) plug(seconds float64) {
	e.deaf.Store(max(e.deaf.Load(), int64(seconds*e.Rate())))
}

// phone is the microphone of a page. Its sound comes in pieces that carry their place in
// the stream, so that what got lost on the way is known.
type phone struct {
	rate   float64
	pieces chan piece
	mu     sync.Mutex
	gone   error // why no more will come
	over   chan struct{}
	next   int64
	began  bool
	zeros  int
}

const startS = 5.0 // in which a microphone starts at the latest

type piece struct {
	pos     int64
	samples []float64
}

var errPageGone = errors.New("the page whose microphone was used was closed or lost its connection; what was accepted is kept: open the page again")

func newPhone(rate float64) *phone {
	// Ten seconds of the pieces that the page sends, for while a tap is analysed.
	return &phone{rate: rate, pieces: make(chan piece, 240), over: make(chan struct{})}
}

func (p *phone) Rate() float64 { return p.rate }

// put takes one message of a page: the place of its first sample, eight bytes,
// then samples of four. It tells whether the message makes sense. If nobody
// reads, the piece is lost.
func (p *phone) put(message []byte) bool {
	const head = 8
	if len(message) < head || (len(message)-head)%4 != 0 {
		return false
	}
	at := binary.LittleEndian.Uint64(message)
	if at > 1<<53 { // more than a page can count
		return false
	}
	message = message[head:]
	in := piece{int64(at), make([]float64, len(message)/4)}
	for i := range in.samples {
		x := float64(math.Float32frombits(binary.LittleEndian.Uint32(message[4*i:])))
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
		in.samples[i] = min(max(x, -1), 1)
	}
	select {
	case p.pieces <- in:
	default:
	}
	return true
}

// Read gives the next piece, or nothing if none comes soon.
func (p *phone) Read(b *capture.Block) error {
	*b = capture.Block{Samples: b.Samples[:0], Pos: p.next}
	var in piece
	select {
	case in = <-p.pieces:
	default:
		select {
		case in = <-p.pieces:
		case <-time.After(50 * time.Millisecond):
			return nil
		case <-p.over:
			p.mu.Lock()
			defer p.mu.Unlock()
			return p.gone
		}
	}
	if !p.began {
		// Browsers give zeros until the microphone has started; they are no quiet to
		// measure a room's noise from. One that never starts gives nothing else, which
		// the session tells of.
		n := 0
		for n < len(in.samples) && in.samples[n] == 0 && p.zeros < int(startS*p.rate) {
			n++
			p.zeros++
		}
		in = piece{in.pos + int64(n), in.samples[n:]}
		if len(in.samples) == 0 {
			return nil
		}
		p.began, p.next = true, in.pos
	}
	if in.pos < p.next { // twice the same
		in.samples = in.samples[min(int(p.next-in.pos), len(in.samples)):]
		in.pos = p.next
	}
	b.Lost = int(min(in.pos-p.next, math.MaxInt32))
	b.Pos = in.pos
	b.Samples = append(b.Samples, in.samples...)
	p.next = in.pos + int64(len(in.samples))
	return nil
}

// hangUp says that no more sound will come, and why.
func (p *phone) hangUp(why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone == nil {
		p.gone = why
		close(p.over)
	}
}

// Close ends the sound.
func (p *phone) Close() error {
	p.hangUp(io.EOF)
	return nil
}
