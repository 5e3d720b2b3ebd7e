package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stick"
	"ringstock/grading/stock"
)

func newLearn() *cobra.Command {
	var place stockPlace
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "learn [FOLDER]",
		Short: "Hold your finished sticks against what their blanks foretold, and correct plans by it",
		Long: `Reads the cards (TOML) of finished sticks in a folder, by default bows in the stock's folder, and
holds mass, lowest note and stiffness over a gauge, as given under [bare], against what the
card's readings and the wood of its blank foretell. The blank is named under [blank]: its name
in the stock, or its density and Young's modulus as they were measured before.

From five sticks on, what is found over what was foretold is a correction with its
uncertainty; ringstock plan uses it and shows it.
` + stockExitHelp,
		Example: `  ringstock learn my-bows`,
		Args:    takes(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			folder, err := place.bows()
			if len(args) > 0 {
				folder, err = args[0], nil
			}
			if err != nil {
				return err
			}
			l, err := learn(cmd, &place, folder)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), l)
			}
			return printLearned(cmd.OutOrStdout(), l)
		},
	}
	place.addFlag(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

// bows is the folder in which the cards of finished sticks lie.
func (p *stockPlace) bows() (string, error) {
	opt, err := p.options()
	return filepath.Join(opt.Dir, "bows"), err
}

// ownBows is what is learned from a folder of own sticks; nil: there is none.
func ownBows(cmd *cobra.Command, place *stockPlace, folder string) (*stick.Learned, error) {
	if folder == "none" {
		return nil, nil
	}
	if folder == "" {
		usual, err := place.bows()
		if err != nil {
			return nil, nil // without a place for a stock there are no own sticks
		}
		if _, err := os.Stat(usual); err != nil {
			return nil, nil
		}
		folder = usual
	}
	l, err := learn(cmd, place, folder)
	if err != nil {
		return nil, err
	}
	return &l, nil
}

// learn reads the cards in a folder.
func learn(cmd *cobra.Command, place *stockPlace, folder string) (stick.Learned, error) {
	files, err := os.ReadDir(folder)
	if err != nil {
		return stick.Learned{}, fmt.Errorf("the cards of finished sticks: %w", err)
	}
	var list []stick.Finished
	var named []string // blanks in the stock, and whose they are
	var whose []int
	for _, f := range files {
		if f.IsDir() || !strings.EqualFold(filepath.Ext(f.Name()), ".toml") {
			continue
		}
		m, err := readModel(filepath.Join(folder, f.Name()))
		if err != nil {
			return stick.Learned{}, err
		}
		askBack(cmd.ErrOrStderr(), m)
		switch {
		case m.Blank.Stick != "":
			named, whose = append(named, m.Blank.Stick), append(whose, len(list))
		case !m.Blank.Wood.Density.Known():
			fmt.Fprintln(cmd.ErrOrStderr(), printable(f.Name()+": its blank is not known: give stick, or density_kg_m3 and youngs_modulus_gpa, under [blank]; it is left out"))
			continue
		}
		list = append(list, stick.Finished{Model: m, Blank: m.Blank.Wood})
	}
	if len(named) > 0 {
		err := place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			for i, name := range named {
				b, err := stickOf(ctx, s, name)
				if err != nil {
					return err
				}
				list[whose[i]].Blank = b.Timber(false)
			}
			return nil
		})
		if err != nil {
			return stick.Learned{}, err
		}
	}
	if len(list) == 0 {
		return stick.Learned{}, fmt.Errorf("%s: there is no card of a finished stick whose blank is known", folder)
	}
	slices.SortStableFunc(list, func(a, b stick.Finished) int { return strings.Compare(a.Name, b.Name) })
	return stick.Learn(list)
}

func printLearned(w io.Writer, l stick.Learned) error {
	var out strings.Builder
	for _, line := range l.Says() {
		wrapAt(&out, answerWidth, "", line)
	}
	out.WriteString("\n")
	t := textTable{left: 1, head: [][]string{{"stick", "mass", "off", "note", "off", "stiffness", "off"}, {"", "g", "%", "Hz", "%", "N/m", "%"}}}
	for _, s := range l.Sticks {
		t.add(shorten(s.Name, 24), compact(s.Mass.Found), compact(s.Mass.OffPct), compact(s.Note.Found), compact(s.Note.OffPct), compact(s.Stiffness.Found), compact(s.Stiffness.OffPct))
	}
	t.write(&out, "")
	out.WriteString("off: found less what the blank foretold; ± is one standard uncertainty\n")
	for _, note := range l.Notes {
		wrap(&out, "", "note: "+note)
	}
	return say(w, &out)
}
