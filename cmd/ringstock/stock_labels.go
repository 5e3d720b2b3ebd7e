package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

func newStockLabels(place *stockPlace) *cobra.Command {
	o := stockListOptions{}
	sheet := stock.A4Labels
	out := "labels.html"
	cmd := &cobra.Command{
		Use:   "labels [STICK...]",
		Short: "Make a sheet of labels to print: number, key figures, QR code of the id",
		Long: `Writes a page to print on A4 labels, 24 of 70 x 37 mm if you say nothing else, for the sticks you
name or for all that fit the conditions. The QR code holds the stick's id.
` + stockExitHelp,
		Example: `  ringstock stock labels --lot L7 --out labels.html`,
	}
	f := cmd.Flags()
	o.addFilters(f)
	f.StringVar(&out, "out", out, "`FILE` to write")
	countVar(f, &sheet.Columns, "columns", sheet.Columns, 1, 1000000, "labels side by side")
	countVar(f, &sheet.Rows, "rows", sheet.Rows, 1, 1000000, "labels below each other")
	countVar(f, &sheet.Skip, "skip", 0, 0, 1000000, "labels already gone from the first sheet")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		filters, err := o.filters()
		if err != nil {
			return err
		}
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			var blanks []stock.Blank
			if len(args) > 0 {
				ids, err := find(ctx, s, args)
				if err != nil {
					return err
				}
				for _, id := range ids {
					b, err := s.Blank(ctx, id)
					if err != nil {
						return err
					}
					blanks = append(blanks, b)
				}
			} else if blanks, err = s.List(ctx, filters, nil); err != nil {
				return err
			}
			if len(blanks) == 0 {
				return errors.New("no stick fits, so there is nothing to print")
			}
			if err := writeFile(out, func(w io.Writer) error { return stock.Labels(w, blanks, sheet) }); err != nil {
				return err
			}
			if *asJSON {
				return writeJSON(cmd.OutOrStdout(), struct {
					File   string `json:"file"`
					Labels int    `json:"labels"`
				}{out, len(blanks)})
			}
			_, err := fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("%s in %s: print it at 100 %%, without margins", plural(len(blanks), "label"), filepath.Clean(out))))
			return err
		})
	}
	return cmd
}
