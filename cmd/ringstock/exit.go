package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"ringstock/capture/filefault"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

// The exit codes, which scripts rely on.
const (
	exitDone        = 0
	exitFailed      = 1 // nothing usable, or an input that can't be read
	exitUsage       = 2
	exitPartly      = 3 // done, but some inputs could not be used
	exitInterrupted = 130
)

const exitHelp = `
Exit status: 0 done, 1 failed, 2 wrong usage, 3 done but some recordings or rows could
not be used (they are listed), 130 interrupted.`

// usageError is a mistake in the command line.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

// partlyDone says that there is a result, but not of all inputs.
type partlyDone struct{ unused int }

func (p partlyDone) Error() string {
	if p.unused == 1 {
		return "1 input could not be used; it is listed with its reason"
	}
	return fmt.Sprintf("%d inputs could not be used; they are listed with their reasons", p.unused)
}

// hinted is an error with what to do about it.
type hinted struct {
	error
	hint string
}

func (h hinted) Error() string { return h.error.Error() + "; " + h.hint }
func (h hinted) Unwrap() error { return h.error }

// exitCode is what an error means for scripts.
func exitCode(err error) int {
	var usage usageError
	var partly partlyDone
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case errors.As(err, &partly):
		return exitPartly
	case errors.As(err, &usage):
		return exitUsage
	}
	return exitFailed
}

// run runs the command line and tells the user what went wrong. With --json standard
// output gets one document also from a failure: the error, if the command failed before
// it had printed its own.
func run(ctx context.Context, root *cobra.Command, args []string) int {
	var out counted
	asJSON := wantsJSON(args)
	if asJSON {
		out.w = root.OutOrStdout()
		root.SetOut(&out)
	}
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	code := exitCode(err)
	if code == exitDone {
		return code
	}
	text := filefault.Text(err)
	if code == exitInterrupted {
		text = "interrupted"
	}
	fmt.Fprintln(root.ErrOrStderr(), "ringstock:", printable(text))
	if asJSON && out.n == 0 && (code == exitFailed || code == exitUsage) {
		document := struct {
			Error string `json:"error"`
			Hint  string `json:"hint,omitempty"`
		}{Error: text}
		if h := (hinted{}); errors.As(err, &h) {
			document.Error, document.Hint = strings.TrimSuffix(text, "; "+h.hint), h.hint
		}
		if err := writeJSON(out.w, document); err != nil {
			return exitFailed
		}
	}
	return code
}

// wantsJSON tells whether a command line asks for JSON, even one that can't be
// understood.
func wantsJSON(args []string) bool {
	for _, arg := range args {
		switch {
		case arg == "--":
			return false
		case arg == "--json":
			return true
		case strings.HasPrefix(arg, "--json="):
			yes, err := strconv.ParseBool(strings.TrimPrefix(arg, "--json="))
			return yes || err != nil
		}
	}
	return false
}

// counted counts what is written.
type counted struct {
	w io.Writer
	n int
}

func (c *counted) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += n
	return n, err
}

// takes makes a mistake in the number of arguments a usage error.
func takes(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usageError{hinted{err, "see " + cmd.CommandPath() + " --help"}}
		}
		return nil
	}
}
