package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/spreadsheet"
	"ringstock/grading/stock"
)

func newStockStatement(place *stockPlace) *cobra.Command {
	var on day
	var asJSON, asCSV bool
	cmd := &cobra.Command{
		Use:   "statement",
		Short: "Pieces and kg in the house on a day, by lot, species and legal status",
		Long: `Counts pieces and kg at the end of a day. Pieces balance: what came in is in stock, used, sold or
scrapped; reserved and started sticks are in stock, failed ones count as scrapped.
` + stock.Caution + `

Exit status: 0 done, 1 failed or not balanced, 2 wrong usage, 130 interrupted.`,
		Example: `  ringstock stock statement --on 2031-12-31 --csv > statement.csv`,
		Args:    takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				st, err := s.Statement(ctx, on.date)
				if err != nil {
					return err
				}
				switch {
				case asJSON:
					err = writeJSON(cmd.OutOrStdout(), st)
				case asCSV:
					var dialect spreadsheet.Dialect
					if dialect, err = tableDialect(""); err != nil {
						return err
					}
					err = writeStatementCSV(cmd.OutOrStdout(), dialect, st)
				default:
					err = printStatement(cmd.OutOrStdout(), st)
				}
				if err == nil && !st.Balanced {
					err = errors.New("the pieces do not balance: `ringstock stock check` says what to do")
				}
				return err
			})
		},
	}
	dayFlag(cmd, &on, "on", "`DAY` of the statement (default today)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&asCSV, "csv", false, "print CSV")
	return cmd
}

func writeStatementCSV(w io.Writer, dialect spreadsheet.Dialect, st stock.Statement) error {
	out := spreadsheet.NewWriter(w, dialect)
	if err := out.Row("on", "lot", "species", "legal_status", "pieces_in", "in_stock", "reserved", "started", "used", "sold", "scrapped", "failed", "kg_in_stock", "kg_in_stock_u", "not_weighed"); err != nil {
		return err
	}
	for _, l := range st.Lots {
		row := []any{string(st.On), l.Lot, l.Species, l.LegalStatus}
		for _, n := range []int{l.PiecesIn, l.InStock, l.Reserved, l.Started, l.Used, l.Sold, l.Scrapped, l.Failed} {
			row = append(row, n)
		}
		kg, u := strconv.FormatFloat(l.KgInStock.X, 'f', 4, 64), strconv.FormatFloat(l.KgInStock.U, 'f', 4, 64)
		if err := out.Row(append(row, spreadsheet.Number(kg), spreadsheet.Number(u), l.NotWeighed)...); err != nil {
			return err
		}
	}
	return out.Flush()
}

func printStatement(w io.Writer, st stock.Statement) error {
	var out strings.Builder
	fmt.Fprintf(&out, "stock on %s\n\n", st.On)
	t := textTable{left: 2, head: [][]string{
		{"lot", "species", "came in", "in stock", "used", "sold", "scrapped", "in stock"}, {"", "", "pieces", "pieces", "pieces", "pieces", "pieces", "kg"},
	}}
	for _, l := range append(st.Lots, st.Total) {
		kg := compact(l.KgInStock)
		if l.NotWeighed > 0 {
			kg = ">" + kg
		}
		t.add(l.Lot, shorten(l.Species, 28), strconv.Itoa(l.PiecesIn), strconv.Itoa(l.InStock), strconv.Itoa(l.Used), strconv.Itoa(l.Sold), strconv.Itoa(l.Scrapped), kg)
		if l.LegalStatus != "" {
			t.explain("legal status when bought: " + l.LegalStatus)
		}
		if l.NotWeighed > 0 && l.Lot != st.Total.Lot {
			t.explain(plural(l.NotWeighed, "stick") + " never weighed, not in the kg")
		}
	}
	t.write(&out, "")
	out.WriteString("\n")
	if st.Balanced {
		out.WriteString("balanced: came in = in stock + used + sold + scrapped\n")
	}
	for _, p := range st.Problems {
		wrap(&out, "", "not balanced: "+p)
	}
	for _, n := range st.Notes {
		wrap(&out, "", "note: "+n)
	}
	out.WriteString(headLine(st.Head, st.Facts) + ": `ringstock stock prove` shows that it is still there\n")
	out.WriteString(st.Caution + "\n")
	return say(w, &out)
}
