package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

func newStockPapers(place *stockPlace) *cobra.Command {
	var stick, html string
	cmd := &cobra.Command{
		Use:   "papers {LOT | --stick STICK}",
		Short: "One page for a buyer or an authority: a lot's papers and what became of each piece",
		Long: `Puts on one page what a question about a lot, or about one stick of it, needs: where it comes from,
its papers, what became of each piece, kilograms, what nobody wrote down, and the head of the ledger
that it rests on. --html writes the page to print.
` + stock.Caution + "\n" + stockExitHelp,
		Example: `  ringstock stock papers L7 --html papers.html`,
		Args:    takes(cobra.MaximumNArgs(1)),
	}
	cmd.Flags().StringVar(&stick, "stick", "", "only this `STICK` of its lot")
	cmd.Flags().StringVar(&html, "html", "", "`FILE` to write as a page to print")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if (len(args) == 1) == (stick != "") {
			return usageError{errors.New("give a lot, or a stick with --stick")}
		}
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			lot, id := strings.Join(args, ""), ""
			if stick != "" {
				var err error
				if id, err = s.Find(ctx, stick); err != nil {
					return err
				}
				b, err := s.Blank(ctx, id)
				if err != nil {
					return err
				}
				lot = b.Lot
			}
			p, err := s.Papers(ctx, lot, id)
			if err != nil {
				return err
			}
			if html != "" {
				if err := writeFile(html, func(w io.Writer) error { return stock.WritePapers(w, p) }); err != nil {
					return err
				}
			}
			switch {
			case *asJSON:
				return writeJSON(cmd.OutOrStdout(), p)
			case html != "":
				_, err := fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("the papers of lot %s are in %s", lot, filepath.Clean(html))))
				return err
			}
			return printPapers(cmd.OutOrStdout(), p)
		})
	}
	return cmd
}

func printPapers(w io.Writer, p stock.Papers) error {
	var out strings.Builder
	fmt.Fprintf(&out, "papers of lot %s on %s\n%s; %s in the house of %s that came in\n\n", p.Lot, p.On, plural(len(p.Pieces), "piece"), p.KgInStock.Text("kg"), p.KgIn.Text("kg"))
	if p.Record != nil {
		for _, l := range p.Record.Lines() {
			wrap(&out, "  ", l[0]+": "+l[1])
		}
	}
	for _, d := range p.Documents {
		wrap(&out, "  ", "paper: "+paperText(d))
	}
	out.WriteString("\n")
	for _, x := range p.Pieces {
		text := fmt.Sprintf("%s: %s since %s", x.Blank, x.State, x.Since)
		if x.What != "" {
			text += ", " + x.What
		}
		wrap(&out, "  ", text+"; "+x.Mass.Text("g"))
	}
	for _, m := range p.Missing {
		wrap(&out, "  ", "not written down: "+m)
	}
	fmt.Fprintf(&out, "\n%s\n%s\n", headLine(p.Head, p.Facts), p.Caution)
	return say(w, &out)
}
