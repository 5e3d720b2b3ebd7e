package main

import (
	"fmt"
	"io"
	"os"
	"sync"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// progress is a line on a terminal that says how many recordings are done. Without a
// terminal it is silent.
type progress struct {
	mu   sync.Mutex
	w    io.Writer // nil: silent
	done int
}

func newProgress(cmd *cobra.Command) *progress {
	p := &progress{}
	if f, ok := cmd.ErrOrStderr().(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.w = f
	}
	return p
}

func (p *progress) step(of int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	if p.w != nil {
		fmt.Fprintf(p.w, "\r%d of %d heard", p.done, of)
	}
}

func (p *progress) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.w != nil && p.done > 0 {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
