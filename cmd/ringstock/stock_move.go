package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

// entering says which event brings a stick into a state.
var entering = map[stock.State]stock.Kind{
	stock.InStock: stock.Returned, stock.IsReserved: stock.Reserved, stock.IsStarted: stock.Started, stock.IsUsed: stock.Used,
	stock.IsSold: stock.Sold, stock.IsScrapped: stock.Scrapped, stock.IsFailed: stock.Failed,
}

func newStockMove(place *stockPlace) *cobra.Command {
	var e stock.Event
	var state string
	var on day
	cmd := &cobra.Command{
		Use:   "move STICK...",
		Short: "Change where a stick is or what it is: reserved, started, used, sold, scrapped, failed",
		Long: `Enters what happens to sticks. States and what they need:

  reserved   --for CUSTOMER
  started
  used       --bow NUMBER: it became a bow
  sold       --for CUSTOMER
  failed     --why REASON: broke in bending, run-out, check ...
  scrapped   --why REASON
  in stock   a reserved, started or sold stick comes back

With --place alone the stick is only put elsewhere. What can't have happened, as selling a stick
that was scrapped, is refused; a wrong entry is taken back by "ringstock stock correct".
` + stockExitHelp,
		Example: `  ringstock stock move D12 D15 --state reserved --for "order 31"
  ringstock stock move D12 --place "rack 1, row 2"`,
		Args: takes(cobra.MinimumNArgs(1)),
	}
	f := cmd.Flags()
	f.StringVar(&state, "state", "", "the new `STATE`")
	f.StringVar(&e.Place, "place", "", "the new place: rack and row")
	f.StringVar(&e.Party, "for", "", "for whom it is reserved, to whom it is sold")
	f.StringVar(&e.Reference, "bow", "", "`NUMBER` of the bow it became")
	f.StringVar(&e.Reason, "why", "", "the reason, or a remark")
	dayFlag(cmd, &on, "date", "`DAY` on which it happened (default today)")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		e.Kind, e.Date = stock.Moved, on.date
		if state != "" {
			kind, ok := entering[stock.State(strings.ToLower(state))]
			if !ok {
				states := slices.Sorted(maps.Keys(entering))
				return usageError{fmt.Errorf("--state %s: the states are %s", state, join(states))}
			}
			e.Kind = kind
		} else if e.Place == "" {
			return usageError{errors.New("give --state, --place or both")}
		}
		return recordAll(cmd, place, args, e, *asJSON)
	}
	return cmd
}

func join(states []stock.State) string {
	var out []string
	for _, s := range states {
		out = append(out, string(s))
	}
	return strings.Join(out, ", ")
}

// recordAll enters one event for each of several sticks, and tells what they are now.
func recordAll(cmd *cobra.Command, place *stockPlace, sticks []string, e stock.Event, asJSON bool) error {
	return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
		ids, err := find(ctx, s, sticks)
		if err != nil {
			return err
		}
		var events []stock.Event
		for _, id := range ids {
			e.Blank = id
			events = append(events, e)
		}
		if err := s.Record(ctx, events...); err != nil {
			return err
		}
		var blanks []stock.Blank
		for _, id := range ids {
			b, err := s.Blank(ctx, id)
			if err != nil {
				return err
			}
			blanks = append(blanks, b)
		}
		if asJSON {
			return writeStockJSON(cmd.OutOrStdout(), blanks)
		}
		for _, b := range blanks {
			where := ""
			if b.Place != "" {
				where = ", " + b.Place
			}
			if _, err := fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("stick %s: %s%s", b.Blank, b.State, where))); err != nil {
				return err
			}
		}
		return nil
	})
}

func newStockGrade(place *stockPlace) *cobra.Command {
	e := stock.Event{Kind: stock.Graded}
	var on day
	cmd := &cobra.Command{
		Use:     "grade STICK GRADE",
		Short:   "Write down your own grade of a stick; it never touches the score",
		Long:    "Writes down your own grade and remark. Score and grade are kept side by side; \"ringstock stock\nagree\" compares them.\n" + stockExitHelp,
		Example: `  ringstock stock grade D12 A- --remark "strong, a little dark"`,
		Args:    takes(cobra.ExactArgs(2)),
	}
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		e.Grade, e.Date = args[1], on.date
		return recordAll(cmd, place, args[:1], e, *asJSON)
	}
	cmd.Flags().StringVar(&e.Reason, "remark", "", "a remark")
	dayFlag(cmd, &on, "date", "`DAY` of the judgement (default today)")
	return cmd
}
