package main

import (
	"cmp"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"ringstock/grading"
	"ringstock/spectrum"
)

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "ringstock",
		Short: "Hear taps on blanks of bow wood, measure their ring, grade a delivery",
		Long: `ringstock hears taps on blanks of wood for bows, measures their ring (note, sustain,
purity), adds density and stiffness where the blank was measured, and says which blanks of a
delivery to keep, which to leave, and why.

Start with: ringstock demo
The manual is inside: ringstock help`,
		Version:           version(),
		SilenceErrors:     true,
		SilenceUsage:      true,
		DisableAutoGenTag: true,
		// Set, so that an unknown command comes here and is a usage error like any other.
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return noCommand(cmd, args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			if atScreen() {
				return runBench(cmd, "", openedBench())
			}
			cmd.SetOut(cmd.ErrOrStderr())
			if err := cmd.Help(); err != nil {
				return err
			}
			return usageError{errors.New("give a command")}
		},
	}
	cobra.MousetrapHelpText = ""                   // a double click is a fair way to start
	root.CompletionOptions.HiddenDefaultCmd = true // the manual tells of it
	root.SetHelpCommand(newHelp())
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		hint := "see " + cmd.CommandPath() + " --help"
		var unknown *pflag.NotExistError
		if errors.As(err, &unknown) {
			var names []string
			cmd.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
			if like := grading.Nearest(unknown.GetSpecifiedName(), names); like != "" {
				hint = "did you mean --" + like + "? " + hint
			}
		}
		return usageError{hinted{err, hint}}
	})
	root.AddCommand(newAnalyse(), newGrade(), newListen(), newBench(), newDevices(), newCheck(), newProfile(), newStockCommand(), newPlan(), newWork(), newCompare(), newCard(), newStrung(), newTrace(), newLearn(), newNew(), newSettings(), newDemo(), newLicences())
	return root
}

// noCommand says that a command has no such one below it, and which may be meant.
func noCommand(cmd *cobra.Command, name string) error {
	cmd.SuggestionsMinimumDistance = 2
	hint := "see " + cmd.CommandPath() + " --help"
	if like := cmd.SuggestionsFor(name); len(like) > 0 {
		hint = "did you mean " + strings.Join(like, " or ") + "?"
	}
	asked := strings.TrimSpace(strings.TrimPrefix(cmd.CommandPath(), "ringstock") + " " + name)
	return usageError{hinted{fmt.Errorf("there is no command %q", asked), hint}}
}

// release is the number of a release and its commit; the script that makes one sets it.
var release string

// version is that of the release or else of the module, and of the method that makes
// results comparable.
func version() string {
	v := release
	if info, ok := debug.ReadBuildInfo(); v == "" && ok && info.Main.Version != "" {
		v = info.Main.Version
	}
	return cmp.Or(v, "(unknown version)") + ", method " + spectrum.Method
}
