package main

import (
	"context"
	"errors"
	"fmt"
	"io"

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

// partlyDone says that there is a result, but not of all inputs.
type partlyDone struct{ unused int }

func (p partlyDone) Error() string {
	if p.unused == 1 {
		return "1 input could not be used; it is listed with its reason"
	}
	return fmt.Sprintf("%d inputs could not be used; they are listed with their reasons", p.unused)
}

// conclude tells the user what went wrong and returns the exit code.
func conclude(w io.Writer, err error) int {
	var usage usageError
	var partly partlyDone
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(w, "ringstock: interrupted")
		return exitInterrupted
	case errors.As(err, &partly):
		fmt.Fprintln(w, "ringstock:", printable(err.Error()))
		return exitPartly
	case errors.As(err, &usage):
		fmt.Fprintln(w, "ringstock:", printable(err.Error()))
		return exitUsage
	}
	fmt.Fprintln(w, "ringstock:", printable(err.Error()))
	return exitFailed
}

// takes makes a mistake in the number of arguments a usage error.
func takes(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usageError{fmt.Errorf("%w; see %s --help", err, cmd.CommandPath())}
		}
		return nil
	}
}
