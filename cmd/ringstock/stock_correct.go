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

func newStockCorrect(place *stockPlace) *cobra.Command {
	c := stock.Correction{Set: map[string]string{}}
	var on, bought day
	var set []string
	cmd := &cobra.Command{
		Use:   "correct [STICK...]",
		Short: "Take a wrong entry back, put the right one in its place, or set right what a stick is",
		Long: `Sets a mistake right by one more entry; the wrong one stays visible, as taken back. --entry names it
by the id that "ringstock stock show" (of a lot: "ringstock stock lot") prints, or by what it is, the
last one of each STICK: bought, sold, moved, mass, length, test ... With --set the right entry takes
its place: date, and for a reading its value (or mass, length ...), u, temperature, humidity; for an
event place, for, bow, grade, why; for a test device, where.

Without --entry, --set says what the sticks are in truth: ` + strings.Join(stock.CorrectableFields(), ", ") + `.
The profile is the one whose judgement counts. The sticks are judged anew from their stored sound,
and what changed is printed. A correction is an entry too: its own id takes it back.
` + stockExitHelp,
		Example: `  ringstock stock correct 12 --entry 7m2k --why "it was number 21"
  ringstock stock correct D12 --entry length --set length=742 --why "read anew"
  ringstock stock correct D15 D16 D18 --bought 2026-03-02 --why "typed 2062"
  ringstock stock correct D12 --set species="Handroanthus" --why "looked at under the microscope"`,
		Args: takes(cobra.ArbitraryArgs),
	}
	f := cmd.Flags()
	f.StringVar(&c.Entry, "entry", "", "`ID` of the entry, its beginning, or what it is")
	f.StringArrayVar(&set, "set", nil, "`NAME=VALUE`: what is right; may be given more than once")
	dayFlag(cmd, &bought, "bought", "`DAY` on which the sticks came in truth")
	f.StringVar(&c.Why, "why", "", "the reason")
	dayFlag(cmd, &on, "date", "`DAY` of the correction (default today)")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		c.Date = on.date
		for _, s := range set {
			name, value, ok := strings.Cut(s, "=")
			if !ok || name == "" {
				return usageError{fmt.Errorf("--set %s: write NAME=VALUE", s)}
			}
			c.Set[strings.TrimSpace(name)] = strings.TrimSpace(value)
		}
		if bought.date != "" {
			if c.Entry != "" {
				return usageError{errors.New("--bought is about the purchase: give it without --entry")}
			}
			c.Entry, c.Set["date"] = string(stock.Bought), string(bought.date)
		}
		switch {
		case c.Why == "":
			return usageError{errors.New("a correction must say why: --why \"typed 2062\"")}
		case c.Entry == "" && len(c.Set) == 0:
			return usageError{errors.New("say which entry is wrong (--entry ID), or what is right (--set NAME=VALUE)")}
		case c.Entry == "" && len(args) == 0:
			return usageError{errors.New("say of which stick")}
		}
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			ids, err := find(ctx, s, args)
			if err != nil {
				return err
			}
			c.Sticks = ids
			revs, err := s.Correct(ctx, c)
			if err != nil {
				return err
			}
			return tellRevisions(cmd.OutOrStdout(), revs, *asJSON)
		})
	}
	return cmd
}

// tellRevisions says what an act made of sticks; of one stick, before and after stand at
// the top of the JSON.
func tellRevisions(w io.Writer, revs []stock.Revision, asJSON bool) error {
	if asJSON {
		document := struct {
			Before *stock.Blank     `json:"before"`
			After  *stock.Blank     `json:"after"`
			Sticks []stock.Revision `json:"sticks"`
		}{Sticks: append([]stock.Revision{}, revs...)}
		if len(revs) > 0 {
			document.Before, document.After = &revs[0].Before, &revs[0].After
		}
		return writeJSON(w, document)
	}
	var out strings.Builder
	writeRevisions(&out, revs)
	if len(revs) == 0 {
		out.WriteString("entered\n")
	}
	return say(w, &out)
}

func writeRevisions(out *strings.Builder, revs []stock.Revision) {
	for _, r := range revs {
		text := "nothing else changed"
		if len(r.Changed) > 0 {
			text = strings.Join(r.Changed, ", ")
		}
		wrap(out, "", fmt.Sprintf("stick %s: %s", r.Blank, text))
		for _, n := range r.Notes {
			wrap(out, "  ", n)
		}
	}
}

func newStockUndo(place *stockPlace) *cobra.Command {
	var look, redo bool
	cmd := &cobra.Command{
		Use:   "undo",
		Short: "Take back the last act, whatever it was",
		Long: `Shows what the last command entered and takes it back; a second undo takes back the act before. Nothing
is deleted: what was taken back stays in the history. --redo brings the last one back, --show only
shows what would be taken back.
` + stockExitHelp,
		Args: takes(cobra.NoArgs),
	}
	cmd.Flags().BoolVar(&look, "show", false, "only show it")
	cmd.Flags().BoolVar(&redo, "redo", false, "bring back what the last undo took back")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			act, err := s.LastAct(ctx, redo)
			if err != nil {
				return err
			}
			var out strings.Builder
			wrap(&out, "", fmt.Sprintf("act %d, written %s: %s", act.N, strings.Replace(act.At[:min(16, len(act.At))], "T", " ", 1), act.What))
			const most = 12
			for i, f := range act.Facts {
				if i == most {
					fmt.Fprintf(&out, "  and %d more\n", len(act.Facts)-most)
					break
				}
				wrap(&out, "  ", f.Stick+": "+f.Text)
			}
			var revs []stock.Revision
			if !look {
				if revs, err = s.Undo(ctx, act); err != nil {
					return err
				}
				out.WriteString("is taken back\n")
				writeRevisions(&out, revs)
			}
			if !*asJSON {
				return say(cmd.OutOrStdout(), &out)
			}
			document := struct {
				Act    stock.Act        `json:"act"`
				Undone bool             `json:"undone"`
				Before *stock.Blank     `json:"before"`
				After  *stock.Blank     `json:"after"`
				Sticks []stock.Revision `json:"sticks"`
			}{Act: act, Undone: !look, Sticks: append([]stock.Revision{}, revs...)}
			if len(revs) > 0 {
				document.Before, document.After = &revs[0].Before, &revs[0].After
			}
			return writeJSON(cmd.OutOrStdout(), document)
		})
	}
	return cmd
}
