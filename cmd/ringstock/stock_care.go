package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

func newStockExport(place *stockPlace) *cobra.Command {
	var asJSON *bool
	cmd := &cobra.Command{
		Use:     "export FILE",
		Short:   "Write everything as one file of JSON lines, with the recordings beside it",
		Long:    "Writes the whole stock to FILE, one JSON object a line, and the recordings and papers to the\nfolder FILE.files (FILE without its ending). Take both along. What is\nmissing or damaged is named, and the rest goes.\n\nExit status: 0 done, 1 failed, 2 wrong usage, 3 done but something could not go along (it is\nlisted), 130 interrupted.",
		Example: `  ringstock stock export laptop.jsonl`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				x, err := s.Export(ctx, args[0])
				if err != nil {
					return fmt.Errorf("the export failed: %w; `ringstock stock check` looks for damage", err)
				}
				if *asJSON {
					err = writeJSON(cmd.OutOrStdout(), x)
				} else {
					var out strings.Builder
					fmt.Fprintf(&out, "the stock is in %s and in %s\n%s\n", x.File, x.Files, headLine(x.Head, x.Facts))
					for _, l := range x.Left {
						wrap(&out, "  ", "left out: "+l)
					}
					err = say(cmd.OutOrStdout(), &out)
				}
				if err == nil && len(x.Left) > 0 {
					err = partlyDone{len(x.Left)}
				}
				return err
			})
		},
	}
	asJSON = jsonFlag(cmd)
	return cmd
}

func newStockImport(place *stockPlace) *cobra.Command {
	var asJSON, trusting bool
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Merge an export of another stock into this one",
		Long: `Merges an export by id: what is new comes in, what is there stays as it is. Importing twice adds
nothing. What is damaged, or was tampered with, is listed, and the rest comes in. A test that today's
method is said to have judged is judged anew where its sound came along, and is not taken if its
sound says something else; --trust leaves that out.

Exit status: 0 done, 1 refused, 2 wrong usage, 3 done but something was not taken or the two stocks
contradict each other somewhere (it is listed), 130 interrupted.`,
		Example: `  ringstock stock import laptop.jsonl`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, true, func(ctx context.Context, s *stock.Store) error {
				in, err := s.Import(ctx, args[0], trusting)
				if err != nil {
					if asJSON && ctx.Err() == nil {
						in.Refused = append(in.Refused, err.Error())
						return errors.Join(err, writeJSON(cmd.OutOrStdout(), in))
					}
					return err
				}
				if asJSON {
					err = writeJSON(cmd.OutOrStdout(), in)
				} else {
					var out strings.Builder
					fmt.Fprintf(&out, "%s added, %d already there, %s added to them\n", plural(in.Added, "stick"), in.AlreadyThere, plural(in.Facts, "entry"))
					for _, r := range in.Refused {
						wrap(&out, "  ", "not taken: "+r)
					}
					for _, r := range in.Conflicts {
						wrap(&out, "  ", "can't both be: "+r)
					}
					for _, r := range in.Notes {
						wrap(&out, "  ", "note: "+r)
					}
					err = say(cmd.OutOrStdout(), &out)
				}
				if n := len(in.Refused) + len(in.Conflicts); err == nil && n > 0 {
					err = partlyDone{n}
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&trusting, "trust", false, "take judgements as they are, without judging their sound anew")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

// headLine is the fingerprint of a ledger in words.
func headLine(head string, facts int) string {
	return fmt.Sprintf("head of the ledger: %s (%s)", head, plural(facts, "fact"))
}

func newStockBackup(place *stockPlace) *cobra.Command {
	var asJSON *bool
	cmd := &cobra.Command{
		Use:     "backup [DIR]",
		Short:   "Copy the whole stock to a new folder and check the copy",
		Long:    "Copies the stock to a new folder, by default named after today, and checks the copy with all\nrecordings. The copy is a stock itself: --stock-dir opens it.\n" + stockExitHelp,
		Example: `  ringstock stock backup /media/usb/stock`,
		Args:    takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				dir := "stock-backup-" + string(s.Today())
				if len(args) == 1 {
					dir = args[0]
				}
				h, err := s.Backup(ctx, dir)
				if err != nil {
					return fmt.Errorf("the backup failed: %w", err)
				}
				if !h.OK {
					return fmt.Errorf("%s was written, but the copy is not sound, probably because the stock is not: %s", dir, strings.Join(h.Problems, "; "))
				}
				if *asJSON {
					return writeJSON(cmd.OutOrStdout(), struct {
						Folder string `json:"folder"`
						stock.Health
					}{dir, h})
				}
				_, err = fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("%s and %s are in %s, checked\n%s", plural(h.Blanks, "stick"), plural(h.Files, "file"), dir, headLine(h.Head, h.Facts))))
				return err
			})
		},
	}
	asJSON = jsonFlag(cmd)
	return cmd
}

func newStockCheck(place *stockPlace) *cobra.Command {
	var asJSON, quick bool
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Look for damage: database, recordings, balance of the pieces; say what to do",
		Long:  "Checks the database; every fact against its seal, and its id against what it says; every result\nagainst the row that repeats its figures; every recording against its SHA-256; the balance of the\npieces. Prints the head of the ledger: a fingerprint of all facts that does not depend on the order\nin which they came. Whoever holds the head of an old statement can prove that what it rests on is\nstill there (\"ringstock stock prove\"). It changes nothing.\n\nExit status: 0 sound, 1 a problem was found or the stock can't be opened, 2 wrong usage, 130\ninterrupted.",
		Args:  takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := place.open(cmd.Context(), false)
			if err != nil {
				if asJSON {
					return errors.Join(err, writeJSON(cmd.OutOrStdout(), stock.Health{Problems: []string{err.Error()}, Notes: []string{}}))
				}
				return err
			}
			h, err := s.Check(cmd.Context(), !quick)
			if err := errors.Join(err, s.Close()); err != nil {
				return err
			}
			if asJSON {
				err = writeJSON(cmd.OutOrStdout(), h)
			} else {
				err = printHealth(cmd.OutOrStdout(), h)
			}
			if err == nil && !h.OK {
				err = fmt.Errorf("%s found", plural(len(h.Problems), "problem"))
			}
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	cmd.Flags().BoolVar(&quick, "quick", false, "leave out the results of tests and the content of the recordings")
	return cmd
}

func printHealth(w io.Writer, h stock.Health) error {
	var out strings.Builder
	fmt.Fprintf(&out, "%s, %s, %s looked at\n", plural(h.Blanks, "stick"), plural(h.Events, "event"), plural(h.Files, "file"))
	for _, p := range h.Problems {
		wrap(&out, "  ", "problem: "+p)
	}
	for _, n := range h.Notes {
		wrap(&out, "  ", "note: "+n)
	}
	if h.Head != "" {
		fmt.Fprintln(&out, headLine(h.Head, h.Facts))
	}
	if h.OK {
		out.WriteString("the stock is sound\n")
	}
	return say(w, &out)
}

func newStockProve(place *stockPlace) *cobra.Command {
	var head, with string
	cmd := &cobra.Command{
		Use:   "prove --head HEAD",
		Short: "Prove that what an old statement rests on is still there, unchanged",
		Long: `Looks whether the ledger once had the head that an old statement, check, backup or export printed,
and whether every fact it stood for is still there as it was. Capitals, spaces and hyphens don't
matter. The head of another stock that was brought in here is proven with its backup or export
(--with).

Exit status: 0 proven, 1 not proven, 2 wrong usage, 130 interrupted.`,
		Example: `  ringstock stock prove --head 7m2k-9c1h-4x8r-3t5v-7m2k-9c1h-4x8r-3t5v`,
		Args:    takes(cobra.NoArgs),
	}
	cmd.Flags().StringVar(&head, "head", "", "the `HEAD` as it was printed")
	cmd.Flags().StringVar(&with, "with", "", "`BACKUP` (a folder) or export that had this head")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		text, err := stock.ParseHead(head)
		if err != nil {
			return usageError{err}
		}
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			p, err := s.Prove(ctx, text, with)
			if err != nil {
				return err
			}
			switch {
			case *asJSON:
				err = writeJSON(cmd.OutOrStdout(), p)
			case p.Proven:
				when := ""
				if p.At != "" {
					when = ", as they were on " + p.At[:min(10, len(p.At))]
				}
				_, err = fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("proven: the %s it stands for are all there%s; %d came in since", plural(p.Facts, "fact"), when, p.Since)))
			}
			if err == nil && !p.Proven {
				err = fmt.Errorf("not proven: %s", strings.Join(p.Reasons, "; "))
			}
			return err
		})
	}
	return cmd
}

func newStockRepair(place *stockPlace) *cobra.Command {
	var from string
	cmd := &cobra.Command{
		Use:   "repair",
		Short: "Mend what check found: damaged facts from a backup or an export, the rest anew",
		Long: `Makes the database anew from the facts that are as they were entered, and from a backup (the
folder that "ringstock stock backup" wrote) or an export for those that are not. Only what has the
seal that this ledger gave it is taken. What comes back, what is left and what another program had
put in is listed; the damaged database is kept in the folder backups. Guards and the list of sticks
are made anew. Without --from it mends what needs no backup.

Exit status: 0 the stock is sound, 1 something is left (it is listed) or it failed, 2 wrong usage,
130 interrupted.`,
		Example: `  ringstock stock repair --from /media/usb/stock`,
		Args:    takes(cobra.NoArgs),
	}
	cmd.Flags().StringVar(&from, "from", "", "`BACKUP` (a folder) or export to take sound facts and recordings from")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		opt, err := place.options()
		if err != nil {
			return err
		}
		r, err := stock.Repair(cmd.Context(), opt, from)
		if err != nil {
			return err
		}
		if *asJSON {
			err = writeJSON(cmd.OutOrStdout(), r)
		} else {
			err = printRepaired(cmd.OutOrStdout(), r)
		}
		if err == nil && !r.OK {
			err = fmt.Errorf("%s left that could not be mended", plural(len(r.Left), "problem"))
		}
		return err
	}
	return cmd
}

func printRepaired(w io.Writer, r stock.Repaired) error {
	var out strings.Builder
	for _, part := range []struct {
		word string
		list []string
	}{{"mended: ", r.Mended}, {"brought back: ", r.Files}, {"removed, put in by another program: ", r.Removed}, {"left: ", r.Left}} {
		for _, text := range part.list {
			wrap(&out, "", part.word+text)
		}
	}
	if len(r.Mended)+len(r.Files)+len(r.Removed)+len(r.Left) == 0 {
		out.WriteString("no fact was damaged\n")
	}
	fmt.Fprintf(&out, "the database as it was is kept as %s\n%s\n", r.Kept, headLine(r.Head, r.Facts))
	if r.OK {
		out.WriteString("the stock is sound\n")
	}
	return say(w, &out)
}

func newStockAgree(place *stockPlace) *cobra.Command {
	var asJSON bool
	var grades []string
	var propose string
	profileName := "violin"
	cmd := &cobra.Command{
		Use:   "agree",
		Short: "How well does the score foresee your own grades? Propose weights that do it better",
		Long: `Compares the score and its parts with your own grades: rank correlation (Kendall's tau-b) with its
95 % interval, which is wide as long as few sticks have both. When enough have, weights are learnt
from your grades, and each stick is judged by weights learnt from the others, so that the gain is
an honest one. --propose writes them to a new profile file; no profile is ever changed.
` + stockExitHelp,
		Example: `  ringstock stock agree --grades A,B,C`,
		Args:    takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			profile, err := profileFor(cmd, profileName, "")
			if err != nil {
				return err
			}
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				sticks, err := s.Judged(ctx, profile.Name)
				if err != nil {
					return err
				}
				a, err := stock.Agree(sticks, grades)
				if err != nil {
					return err
				}
				if propose != "" {
					if a.Proposal == nil {
						return fmt.Errorf("there are no weights to propose: %s", strings.Join(a.Reasons, "; "))
					}
					if _, err := os.Stat(propose); err == nil {
						return fmt.Errorf("%s exists: name a new file, no profile is written over", propose)
					}
					learnt := a.Proposal.Profile(profile, strings.TrimSuffix(filepath.Base(propose), ".toml"))
					if err := writeFile(propose, func(w io.Writer) error { return toml.NewEncoder(w).Encode(learnt) }); err != nil {
						return err
					}
				}
				if asJSON {
					return writeJSON(cmd.OutOrStdout(), a)
				}
				return printAgreement(cmd.OutOrStdout(), a)
			})
		},
	}
	f := cmd.Flags()
	f.StringSliceVar(&grades, "grades", nil, "your grades, best first (default: letters from A, with + and -)")
	f.StringVar(&profileName, "profile", profileName, "sticks judged by this profile, whose weights are compared")
	f.StringVar(&propose, "propose", "", "write learnt weights to a new profile `FILE`")
	f.BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

func printAgreement(w io.Writer, a stock.Agreement) error {
	var out strings.Builder
	for _, r := range a.Reasons {
		wrap(&out, "", r)
	}
	if len(a.Parts) > 0 {
		t := textTable{left: 1, head: [][]string{{"part", "sticks", "correlation", "95 % interval"}}}
		for _, p := range a.Parts {
			t.add(p.Name, fmt.Sprint(p.N), fmt.Sprintf("%.2f", p.Tau), fmt.Sprintf("%.2f to %.2f", p.Low, p.High))
		}
		out.WriteString("\n")
		t.write(&out, "")
	}
	if a.Proposal != nil {
		out.WriteString("\n")
		t := textTable{left: 1, head: [][]string{{"part", "learnt weight"}}}
		for _, p := range a.Parts {
			if weight, ok := a.Proposal.Weights[p.Key]; ok {
				t.add(p.Name, fmt.Sprintf("%.2f", weight))
			}
		}
		t.write(&out, "")
	}
	return say(w, &out)
}
