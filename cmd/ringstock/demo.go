package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"ringstock/grading/demo"
)

func newDemo() *cobra.Command {
	o := gradeOptions{profile: "violin"}
	cmd := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Invent a delivery of 24 blanks and grade it",
		Long: `Writes an invented delivery of 24 blanks (computed sound and made-up measurements, always the
same) to DIR, by default ringstock-demo, and grades it. The report is in DIR/report.
` + exitHelp,
		Example: `  ringstock demo`,
		Args:    takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir := "ringstock-demo"
			if len(args) == 1 {
				dir = args[0]
			}
			blanks, err := demo.Write(dir)
			if err != nil {
				return err
			}
			fmt.Fprintln(cmd.ErrOrStderr(), printable(fmt.Sprintf("%d invented blanks are in %s", len(blanks), dir)))
			o.out = filepath.Join(dir, "report")
			return runGrade(cmd, dir, o)
		},
	}
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&o.details, "details", false, "say all that is known of each blank")
	return cmd
}
