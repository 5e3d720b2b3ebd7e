package main

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/stock"
	"ringstock/spectrum"
)

func newStockReanalyse(place *stockPlace) *cobra.Command {
	var asJSON bool
	var profile string
	cmd := &cobra.Command{
		Use:   "reanalyse",
		Short: "Judge all stored recordings by today's method; the old results stay beside the new",
		Long: `Analyses the recordings of every test again that today's method has not judged yet, by the
profile the test had, or by another one. Old results are kept; figures that differ by more than
twice their joint uncertainty are listed.

Exit status: 0 done, 1 failed, 2 wrong usage, 3 done but some recordings could not be used (they
are listed), 130 interrupted.`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if profile != "" {
				if _, err := todaysJudge(profile); err != nil {
					return err
				}
			}
			judges := map[string]stock.Judge{}
			judgeFor := func(old string) (stock.Judge, error) {
				name := cmp.Or(profile, old)
				if j, ok := judges[name]; ok {
					return j, nil
				}
				j, err := todaysJudge(name)
				if err != nil {
					return j, fmt.Errorf("it was judged by a profile %q that is not built in: name a profile with --profile", old)
				}
				judges[name] = j
				return j, nil
			}
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				p := newProgress(cmd)
				changes, err := s.Reanalyse(ctx, judgeFor, func(_, of int) { p.step(of) })
				p.clear()
				if err != nil {
					return err
				}
				if asJSON {
					if changes == nil {
						changes = []stock.Change{}
					}
					err = writeJSON(cmd.OutOrStdout(), map[string]any{"method": spectrum.Method, "changes": changes})
				} else {
					err = printChanges(cmd, changes)
				}
				failed := 0
				for _, c := range changes {
					if c.Error != "" {
						failed++
					}
				}
				if err == nil && failed > 0 {
					err = partlyDone{failed}
				}
				return err
			})
		},
	}
	cmd.Flags().StringVar(&profile, "profile", "", "judge all by this profile instead of their own: "+strings.Join(grading.Profiles(), ", ")+", or a `FILE` of your own")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

func printChanges(cmd *cobra.Command, changes []stock.Change) error {
	var out strings.Builder
	same := 0
	for _, c := range changes {
		switch {
		case c.Error != "":
			wrap(&out, "", fmt.Sprintf("stick %s, test of %s: can't be judged: %s", c.Blank, c.Date, c.Error))
		case len(c.Moved) > 0:
			wrap(&out, "", fmt.Sprintf("stick %s, test of %s (%s): %s", c.Blank, c.Date, c.Old.Method, strings.Join(c.Moved, "; ")))
		default:
			same++
		}
	}
	fmt.Fprintf(&out, "%s judged by %s; %d the same within uncertainty\n", plural(len(changes), "test"), spectrum.Method, same)
	return say(cmd.OutOrStdout(), &out)
}
