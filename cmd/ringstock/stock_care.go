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
		Long:    "Writes the whole stock to FILE, one JSON object a line, and the recordings and papers to the\nfolder FILE.files (FILE without its ending). Take both along.\n" + stockExitHelp,
		Example: `  ringstock stock export laptop.jsonl`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				if err := s.Export(ctx, args[0]); err != nil {
					return fmt.Errorf("the export failed: %w; `ringstock stock check` looks for damage", err)
				}
				files := stock.FilesFolder(args[0])
				if *asJSON {
					return writeJSON(cmd.OutOrStdout(), map[string]string{"file": args[0], "files": files})
				}
				_, err := fmt.Fprintln(cmd.OutOrStdout(), printable("the stock is in "+args[0]+" and in "+files))
				return err
			})
		},
	}
	asJSON = jsonFlag(cmd)
	return cmd
}

func newStockImport(place *stockPlace) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Merge an export of another stock into this one",
		Long: `Merges an export by id: what is new comes in, what is there stays as it is. Importing twice adds
nothing. A file that is damaged or was tampered with is refused as a whole.

Exit status: 0 done, 1 refused, 2 wrong usage, 3 done but the two stocks contradict each other
somewhere (it is listed), 130 interrupted.`,
		Example: `  ringstock stock import laptop.jsonl`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, true, func(ctx context.Context, s *stock.Store) error {
				in, err := s.Import(ctx, args[0])
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
					for _, r := range append(in.Refused, in.Conflicts...) {
						wrap(&out, "  ", r)
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
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
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
				_, err = fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("%s and %s are in %s, checked", plural(h.Blanks, "stick"), plural(h.Files, "file"), dir)))
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
		Long:  "Checks the database, every recording against its SHA-256, and the balance of the pieces. It\nchanges nothing.\n\nExit status: 0 sound, 1 a problem was found or the stock can't be opened, 2 wrong usage, 130\ninterrupted.",
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
	cmd.Flags().BoolVar(&quick, "quick", false, "leave the content of the recordings out")
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
	if h.OK {
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
		Example: `  ringstock stock agree --grades "excellent,good,plain" --propose learnt.toml`,
		Args:    takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			profile, err := loadProfile(profileName)
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
