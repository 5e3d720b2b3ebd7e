package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

func newStockLot(place *stockPlace) *cobra.Command {
	var r stock.LotRecord
	var on, acquired, invoiced day
	var pieces int
	var kg, m3 float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "lot LOT",
		Short: "Write down where a lot comes from, or show what is known",
		Long: `Without flags, shows what is known of a lot: record, papers, money. With flags, writes down what is
known; what you don't give stays as it was, and the earlier record is kept.

What the wood was sold as and what it was identified as, by whom and how, are separate fields.
` + stock.Caution + "\n" + stockExitHelp,
		Example: `  ringstock stock lot L7 --sold-as "pernambuco" --botanical "Paubrasilia echinata" --pieces 24 \
    --legal "appendix and annotation as on the permit" --supplier "…" --invoice 118 --invoice-date 2026-03-02`,
		Args: takes(cobra.ExactArgs(1)),
	}
	f := cmd.Flags()
	texts := []struct {
		flag, usage string
		to          *string
	}{
		{"sold-as", "name it was sold under", &r.SoldAs}, {"botanical", "botanical name", &r.BotanicalName},
		{"identified-by", "who identified it", &r.IdentifiedBy}, {"identified-how", "how it was identified", &r.IdentifiedHow},
		{"legal", "legal status when it was bought, as the papers say", &r.LegalStatus},
		{"country", "country of harvest", &r.HarvestCountry}, {"region", "region of harvest", &r.HarvestRegion},
		{"felled", "when it was felled: a day, a year, what is known", &r.FelledOn}, {"age-proof", "what proves felling or acquisition", &r.AgeProof},
		{"supplier", "supplier", &r.Supplier}, {"invoice", "number of the invoice", &r.InvoiceNumber},
		{"registration", "number of the stock registration", &r.StockRegistration}, {"note", "a note", &r.Note},
	}
	for _, t := range texts {
		f.StringVar(t.to, t.flag, "", t.usage)
	}
	dayFlag(cmd, &acquired, "acquired", "`DAY` of acquisition")
	dayFlag(cmd, &invoiced, "invoice-date", "`DAY` of the invoice")
	countVar(f, &pieces, "pieces", 0, 0, 1000000, "pieces on the invoice")
	quantityVar(f, &kg, "kg", 0, 0, 1e9, "mass on the invoice, kg")
	quantityVar(f, &m3, "m3", 0, 0, 1e6, "volume on the invoice, m3")
	dayFlag(cmd, &on, "date", "`DAY` of the record (default today)")
	f.BoolVar(&asJSON, "json", false, "print one JSON document")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		given := map[string]string{}
		for _, t := range texts {
			if f.Changed(t.flag) {
				given[t.flag] = *t.to
			}
		}
		writes := len(given) > 0
		for _, flag := range []string{"acquired", "invoice-date", "pieces", "kg", "m3"} {
			writes = writes || f.Changed(flag)
		}
		// What was not given stays as the record says that counts when this is entered.
		change := func(have *stock.LotRecord) {
			r = *have
			for _, t := range texts {
				if v, ok := given[t.flag]; ok {
					*t.to = v
				}
			}
			if f.Changed("acquired") {
				r.AcquiredOn = acquired.date
			}
			if f.Changed("invoice-date") {
				r.InvoiceDate = invoiced.date
			}
			if f.Changed("pieces") {
				r.Pieces = &pieces
			}
			if f.Changed("kg") {
				r.MassKg = &kg
			}
			if f.Changed("m3") {
				r.VolumeM3 = &m3
			}
			*have = r
		}
		return place.with(cmd, writes, func(ctx context.Context, s *stock.Store) error {
			if writes {
				if err := s.RecordLot(ctx, on.date, args[0], change); err != nil {
					return err
				}
			}
			a, err := s.Accounts(ctx)
			if err != nil {
				return err
			}
			lot := lotNamed(a, args[0])
			if lot == nil {
				return fmt.Errorf("nothing is known of a lot %q: `ringstock stock accounts` lists the lots", args[0])
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), lot)
			}
			return printLot(cmd.OutOrStdout(), *lot)
		})
	}
	return cmd
}

func lotNamed(a stock.Accounts, name string) *stock.Lot {
	for _, l := range a.Lots {
		if l.Lot == name {
			return &l
		}
	}
	return nil
}

func printLot(w io.Writer, l stock.Lot) error {
	var out strings.Builder
	name := l.Lot
	if name == "" {
		name = "(no lot)"
	}
	fmt.Fprintf(&out, "lot %s: %s entered", name, plural(l.Pieces, "stick"))
	for _, m := range l.Spent {
		fmt.Fprintf(&out, "; %s", m)
	}
	out.WriteString("\n")
	if l.Record != nil {
		wrap(&out, "  ", fmt.Sprintf("record [%s]", l.RecordID))
		for _, f := range l.Record.Lines() {
			wrap(&out, "  ", f[0]+": "+f[1])
		}
	}
	for _, d := range l.Documents {
		wrap(&out, "  ", fmt.Sprintf("paper: %s [%s]", paperText(d), d.ID))
	}
	return say(w, &out)
}

func newStockPaper(place *stockPlace) *cobra.Command {
	var d stock.Document
	var on, issued, expires day
	var scan string
	cmd := &cobra.Command{
		Use:     "paper LOT",
		Short:   "File a permit, certificate or invoice of a lot, with its scan",
		Long:    "Files a paper of a lot. The scan is copied into the stock and known by its SHA-256. Filing the\nsame paper twice changes nothing.\n" + stock.Caution + "\n" + stockExitHelp,
		Example: `  ringstock stock paper L7 --kind permit --number 26DE001 --issuer "…" --expires 2026-09-30 --scan permit.pdf`,
		Args:    takes(cobra.ExactArgs(1)),
	}
	f := cmd.Flags()
	f.StringVar(&d.Kind, "kind", "", "permit, certificate, invoice ...")
	f.StringVar(&d.Number, "number", "", "its number")
	f.StringVar(&d.Issuer, "issuer", "", "who issued it")
	dayFlag(cmd, &issued, "issued", "`DAY` of issue")
	dayFlag(cmd, &expires, "expires", "`DAY` it expires")
	f.StringVar(&scan, "scan", "", "`FILE` to keep")
	f.StringVar(&d.Note, "note", "", "a note")
	dayFlag(cmd, &on, "date", "`DAY` it is filed (default today)")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if d.Kind == "" || d.Number == "" {
			return usageError{errors.New("a paper needs --kind and --number")}
		}
		d.Lot, d.Date, d.IssuedOn, d.ExpiresOn = args[0], on.date, issued.date, expires.date
		return place.with(cmd, true, func(ctx context.Context, s *stock.Store) error {
			filed, err := s.FilePaper(ctx, d, scan)
			if err != nil {
				return err
			}
			if *asJSON {
				return writeJSON(cmd.OutOrStdout(), filed)
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("lot %s: %s", filed.Lot, paperText(filed))))
			return err
		})
	}
	return cmd
}

func newStockAccounts(place *stockPlace) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "accounts",
		Short: "What was paid: by lot, and visit by visit with a running total",
		Long:  "Sums what was paid, each currency by itself, by lot and visit by visit.\n" + stockExitHelp,
		Args:  takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				a, err := s.Accounts(ctx)
				if err != nil {
					return err
				}
				if asJSON {
					return writeJSON(cmd.OutOrStdout(), a)
				}
				for _, l := range a.Lots {
					if err := printLot(cmd.OutOrStdout(), l); err != nil {
						return err
					}
				}
				var out strings.Builder
				out.WriteString("\n")
				for _, v := range a.Visits {
					wrap(&out, "", fmt.Sprintf("%s %s: %s; in all so far %s", v.Date, v.Delivery, monies(v.Spent), monies(v.Running)))
				}
				return say(cmd.OutOrStdout(), &out)
			})
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

func monies(list []stock.Money) string {
	var out []string
	for _, m := range list {
		out = append(out, m.String())
	}
	return strings.Join(out, " + ")
}
