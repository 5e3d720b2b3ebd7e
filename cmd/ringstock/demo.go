package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"ringstock/grading/demo"
)

func newDemo() *cobra.Command {
	o := gradeOptions{profile: "violin"}
	var tape string
	cmd := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Invent a delivery of 24 blanks and grade it",
		Long: `Writes an invented delivery of 24 blanks (computed sound and made-up measurements, always the
same) to DIR, by default ringstock-demo, and grades it. The report is in DIR/report.

With --tape it writes a practice tape instead: the sound of a session in which ten of these blanks are
tapped, one after the other, to play to "ringstock listen" in the place of a microphone.
` + exitHelp,
		Example: `  ringstock demo
  ringstock demo --tape ten.wav
  ringstock listen ten --hands-free --blank D01 --blanks 10 --from ten.wav --pace`,
		Args: takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if tape != "" {
				return runTape(cmd, tape)
			}
			dir := "ringstock-demo"
			if len(args) == 1 {
				dir = args[0]
			}
			blanks := demo.Blanks(demo.Seed)
			if err := demo.Write(dir, blanks); err != nil {
				return err
			}
			fmt.Fprintln(cmd.ErrOrStderr(), printable(fmt.Sprintf("%d invented blanks are in %s", len(blanks), dir)))
			o.out = filepath.Join(dir, "report")
			return runGrade(cmd, dir, o)
		},
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&o.details, "details", false, "say all that is known of each blank")
	cmd.Flags().StringVar(&tape, "tape", "", "write the practice tape of ten blanks to `FILE` instead")
	return cmd
}

func runTape(cmd *cobra.Command, path string) error {
	profile, err := loadProfile("violin")
	if err != nil {
		return err
	}
	if err := writeTape(cmd.Context(), path, profile); err != nil {
		return err
	}
	_, err = fmt.Fprintln(cmd.ErrOrStderr(), printable(fmt.Sprintf("ten invented blanks are on %s; play it with: ringstock listen ten --hands-free --blank D01 --blanks %d --from %s --pace", path, tapeBlanks, path)))
	return err
}
