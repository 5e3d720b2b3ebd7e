// Package faulty is a source of sound in which things go wrong on purpose, so that
// everything behind a microphone can be tested without one.
package faulty

import (
	"io"
	"sync/atomic"

	"ringstock/capture"
)

// Source plays samples and lets faults happen at given places of the stream.
type Source struct {
	Samples []float64
	Hz      float64 // samples per second
	Block   int     // samples per block
	Faults  []Fault // by At, none inside a Gap
	Closed  atomic.Bool

	at   int
	next int
	held int
	err  error
}

// Fault happens when the stream has come to sample At.
type Fault struct {
	At    int
	Lost  int           // so many samples are left out and counted as lost
	Flags capture.Flags // raised on the block that starts here
	Stall int           // so many reads bring nothing
	Err   error         // the stream breaks off with it
}

func (s *Source) Rate() float64 { return s.Hz }

// Close marks the source as closed.
func (s *Source) Close() error {
	s.Closed.Store(true)
	return nil
}

func (s *Source) Read(b *capture.Block) error {
	*b = capture.Block{Samples: b.Samples[:0], Pos: int64(s.at)}
	if s.err != nil {
		return s.err
	}
	if s.next < len(s.Faults) && s.Faults[s.next].At <= s.at {
		f := &s.Faults[s.next]
		if s.held < f.Stall {
			s.held++
			return nil
		}
		s.held = 0
		s.next++
		if f.Err != nil {
			s.err = f.Err
			return s.err
		}
		b.Lost, b.Flags = f.Lost, f.Flags
		s.at = min(s.at+f.Lost, len(s.Samples))
		b.Pos = int64(s.at)
	}
	if s.at >= len(s.Samples) {
		return io.EOF
	}
	end := min(s.at+s.Block, len(s.Samples))
	if s.next < len(s.Faults) {
		end = min(end, max(s.Faults[s.next].At, s.at+1))
	}
	b.Samples = append(b.Samples, s.Samples[s.at:end]...)
	s.at = end
	return nil
}
