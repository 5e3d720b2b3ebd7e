package mic

import (
	"sync/atomic"

	"ringstock/capture"
)

// ring hands samples from the one goroutine that puts to the one that takes, without a
// lock and without allocating. Its length is a power of two.
type ring struct {
	samples []float32
	put     atomic.Uint64 // samples put so far
	taken   atomic.Uint64

	// Marks tell where sound was lost: rare, and taken in the same order.
	marks      [256]mark
	marksPut   atomic.Uint64
	marksTaken atomic.Uint64

	lost  int // not yet marked; the putting side's own
	flags capture.Flags
}

type mark struct {
	at    uint64 // sample put, before which it belongs
	lost  int
	flags capture.Flags
}

func newRing(least int) *ring {
	n := 1
	for n < least {
		n *= 2
	}
	return &ring{samples: make([]float32, n)}
}

// Put is called from the device's thread.
func (r *ring) Put(in []float32, flags capture.Flags) {
	r.flags |= flags
	put := r.put.Load()
	room := len(r.samples) - int(put-r.taken.Load())
	marked := r.lost > 0 || r.flags != 0
	n := r.marksPut.Load()
	if len(in) > room || marked && int(n-r.marksTaken.Load()) == len(r.marks) {
		r.lost += len(in)
		return
	}
	if marked {
		r.marks[n%uint64(len(r.marks))] = mark{put, r.lost, r.flags}
		r.marksPut.Store(n + 1)
		r.lost, r.flags = 0, 0
	}
	at := int(put) & (len(r.samples) - 1)
	copied := copy(r.samples[at:], in)
	copy(r.samples, in[copied:])
	r.put.Store(put + uint64(len(in)))
}

// Take moves what has come into b, up to the next mark or most samples. It says whether
// there was anything.
func (r *ring) Take(b *capture.Block, most int) bool {
	put, taken := r.put.Load(), r.taken.Load()
	n := min(int(put-taken), most)
	b.Samples, b.Lost, b.Flags = b.Samples[:0], 0, 0
	for r.marksTaken.Load() < r.marksPut.Load() {
		m := r.marks[r.marksTaken.Load()%uint64(len(r.marks))]
		if m.at > taken {
			n = min(n, int(m.at-taken))
			break
		}
		b.Lost += m.lost
		b.Flags |= m.flags
		r.marksTaken.Add(1)
	}
	for i := range n {
		b.Samples = append(b.Samples, float64(r.samples[int(taken+uint64(i))&(len(r.samples)-1)]))
	}
	r.taken.Store(taken + uint64(n))
	return n > 0 || b.Lost > 0 || b.Flags != 0
}
