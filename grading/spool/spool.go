// Package spool lays by values that are too many for memory, in one temporary file.
package spool

import (
	"errors"
	"fmt"
	"math"
	"os"
	"sync"

	"github.com/fxamacker/cbor/v2"
)

// inMemory is how many bytes wait in memory: what is less needs no file.
const inMemory = 1 << 20

// Spool holds values of any kinds. It may be used by several goroutines.
type Spool struct {
	mu   sync.Mutex
	dir  string
	file *os.File // nil until there is more than memory is to hold
	name string   // of the file, if it still has one
	size int64    // of the file
	last []byte   // what comes after it
}

// Place is where a value lies.
type Place struct {
	at   int64
	size int
}

// New is an empty spool. Its file, if it comes to need one, lies in dir (empty: the usual
// folder for temporary files) and is gone with Close, or with the program.
func New(dir string) *Spool {
	if dir == "" {
		dir = os.TempDir()
	}
	return &Spool{dir: dir}
}

// Put lays a value by: all its exported fields, to the last bit. A nil list stays
// apart from an empty one.
func (s *Spool) Put(v any) (Place, error) {
	raw, err := cbor.Marshal(v)
	if err != nil {
		return Place{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	p := Place{s.size + int64(len(s.last)), len(raw)}
	s.last = append(s.last, raw...)
	if len(s.last) < inMemory {
		return p, nil
	}
	if err := s.write(); err != nil {
		return Place{}, fmt.Errorf("what is known of the blanks can't be laid by: %w: make room there, or name another folder for temporary files by the variable TMPDIR (on Windows TMP)", err)
	}
	return p, nil
}

func (s *Spool) write() (err error) {
	if s.file == nil {
		if s.file, err = os.CreateTemp(s.dir, "ringstock-*.tmp"); err != nil {
			return err
		}
		// Where an open file can lose its name, nothing can leave it behind, not even a
		// kill.
		if os.Remove(s.file.Name()) != nil {
			s.name = s.file.Name()
		}
	}
	if _, err := s.file.WriteAt(s.last, s.size); err != nil {
		return err
	}
	s.size += int64(len(s.last))
	s.last = s.last[:0]
	return nil
}

var decoder = func() cbor.DecMode {
	// A file's name need not be UTF-8, and a curve has as many points as it likes.
	mode, err := cbor.DecOptions{UTF8: cbor.UTF8DecodeInvalid, MaxArrayElements: math.MaxInt32}.DecMode()
	if err != nil {
		panic(err)
	}
	return mode
}()

// Get reads the value at a place into what the pointer points to, which is to be empty.
func (s *Spool) Get(p Place, pointer any) error {
	raw := make([]byte, p.size)
	s.mu.Lock()
	if p.at >= s.size {
		copy(raw, s.last[p.at-s.size:])
	} else if _, err := s.file.ReadAt(raw, p.at); err != nil {
		s.mu.Unlock()
		return fmt.Errorf("what was laid by of the blanks can't be read: %w", err)
	}
	s.mu.Unlock()
	return decoder.Unmarshal(raw, pointer)
}

// Close throws everything away.
func (s *Spool) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = nil
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	if s.name != "" {
		err = errors.Join(err, os.Remove(s.name))
	}
	s.file = nil
	return err
}
