package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

func newStockDue(place *stockPlace) *cobra.Command {
	var on day
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "due",
		Short: "What should be weighed or tapped next, and why; papers that expire",
		Long:  "Lists what should be weighed or tapped, the longest overdue first, and papers about to expire.\n" + stockExitHelp,
		Args:  takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				due, err := s.Due(ctx, on.date)
				if err != nil {
					return err
				}
				if asJSON {
					if due == nil {
						due = []stock.Due{}
					}
					return writeJSON(cmd.OutOrStdout(), map[string]any{"due": due})
				}
				var out strings.Builder
				for _, d := range due {
					name := "stick " + d.Blank
					if d.What == "paper" {
						name = "lot " + d.Lot
					}
					if d.Place != "" {
						name += " (" + d.Place + ")"
					}
					wrap(&out, "", fmt.Sprintf("%s %s: %s", d.What, name, d.Why))
				}
				if len(due) == 0 {
					out.WriteString("nothing is due\n")
				}
				return say(cmd.OutOrStdout(), &out)
			})
		},
	}
	dayFlag(cmd, &on, "on", "`DAY` to look from (default today)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}
