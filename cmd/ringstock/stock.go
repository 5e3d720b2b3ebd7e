package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
)

// stockPlace is where the stock lies, as the command line says, and whether what would be
// asked back is meant.
type stockPlace struct {
	dir      string
	delivery string // the folder whose settings count, if one is worked on
	meant    bool
}

// now is the clock of the stock.
var now = time.Now

func (p *stockPlace) addFlag(cmd *cobra.Command) {
	cmd.PersistentFlags().StringVar(&p.dir, "stock-dir", "", "`DIR` of the stock (default: the variable RINGSTOCK_STOCK, the settings, else the user's data folder)")
}

func (p *stockPlace) open(ctx context.Context, create bool) (*stock.Store, error) {
	opt, err := p.options()
	if err != nil {
		return nil, err
	}
	opt.Create = create
	return stock.Open(ctx, opt)
}

func (p *stockPlace) options() (opt stock.Options, err error) {
	dir := p.dir
	if dir == "" {
		dir = os.Getenv("RINGSTOCK_STOCK")
	}
	if dir == "" {
		s, err := settingsFor(p.delivery)
		if err != nil {
			return opt, err
		}
		dir = s.StockDir
	}
	if dir == "" {
		data, err := dataDir()
		if err != nil {
			return opt, fmt.Errorf("no place for the stock: %w; name one with --stock-dir", err)
		}
		dir = filepath.Join(data, "ringstock")
	}
	return stock.Options{Dir: dir, Now: now, Meant: p.meant, JudgeFor: todaysJudge}, nil
}

// with runs do on the open stock.
func (p *stockPlace) with(cmd *cobra.Command, create bool, do func(ctx context.Context, s *stock.Store) error) error {
	s, err := p.open(cmd.Context(), create)
	if err != nil {
		return err
	}
	return errors.Join(do(cmd.Context(), s), s.Close())
}

// dataDir is where the system wants programs to keep a user's data.
func dataDir() (string, error) {
	for _, name := range map[string][]string{"windows": {"LocalAppData"}, "darwin": nil}[runtime.GOOS] {
		if dir := os.Getenv(name); dir != "" {
			return dir, nil
		}
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) && runtime.GOOS != "windows" {
		return dir, nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", err
	}
	if runtime.GOOS == "darwin" {
		return filepath.Join(home, "Library", "Application Support"), nil
	}
	return filepath.Join(home, ".local", "share"), nil
}

const stockExitHelp = `
Exit status: 0 done, 1 failed, 2 wrong usage, 130 interrupted.`

func newStockCommand() *cobra.Command {
	var place stockPlace
	cmd := &cobra.Command{
		Use:   "stock",
		Short: "Keep graded blanks while they season: numbers, sound, places, papers, what became of them",
		Long: `Keeps graded blanks for the years they season. Nothing in the stock is ever overwritten or
deleted: what happens to a stick is one more line in its history, and a mistake is set right by
one more. Every stick has an id of its own besides your number; where a command wants a STICK,
give the number, the id or its beginning, or LOT/NUMBER.

The stock is one folder (--stock-dir, or the variable RINGSTOCK_STOCK) with stock.db, which any
SQLite tool can read, and the recordings as they came.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return noCommand(cmd, args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			cmd.SetOut(cmd.ErrOrStderr())
			if err := cmd.Help(); err != nil {
				return err
			}
			return usageError{errors.New("give a command")}
		},
	}
	place.addFlag(cmd)
	cmd.PersistentFlags().BoolVar(&place.meant, "yes", false, "what would be asked back, like a day that has not come yet, is meant")
	for _, g := range []struct {
		id, title string
		commands  []*cobra.Command
	}{
		{"in", "Sticks:", []*cobra.Command{newStockAdd(&place), newStockList(&place), newStockShow(&place), newStockTest(&place), newStockMove(&place),
			newStockGrade(&place), newStockCorrect(&place), newStockUndo(&place), newStockDue(&place), newStockLabels(&place)}},
		{"lots", "Lots, papers and money:", []*cobra.Command{newStockLot(&place), newStockPaper(&place), newStockPapers(&place), newStockAccounts(&place), newStockStatement(&place)}},
		{"learn", "Method and judgement:", []*cobra.Command{newStockReanalyse(&place), newStockAgree(&place)}},
		{"care", "The stock itself:", []*cobra.Command{newStockExport(&place), newStockImport(&place), newStockBackup(&place), newStockCheck(&place), newStockProve(&place), newStockRepair(&place)}},
	} {
		cmd.AddGroup(&cobra.Group{ID: g.id, Title: g.title})
		for _, c := range g.commands {
			c.GroupID = g.id
			cmd.AddCommand(c)
		}
	}
	return cmd
}

// day is a flag that takes a date.
type day struct{ date stock.Date }

func (d *day) String() string { return string(d.date) }
func (d *day) Type() string   { return "day" }
func (d *day) Set(s string) (err error) {
	d.date, err = stock.ParseDate(s)
	return err
}

func dayFlag(cmd *cobra.Command, d *day, name, usage string) { cmd.Flags().Var(d, name, usage) }

func jsonFlag(cmd *cobra.Command) *bool {
	return cmd.Flags().Bool("json", false, "print one JSON document")
}

// find turns what sticks are called into ids, all of them or none.
func find(ctx context.Context, s *stock.Store, names []string) (ids []string, err error) {
	var missing []error
	for _, n := range names {
		id, err := s.Find(ctx, n)
		if err != nil {
			missing = append(missing, err)
		}
		ids = append(ids, id)
	}
	return ids, errors.Join(missing...)
}

// say writes a text of several parts for people.
func say(w io.Writer, out *strings.Builder) error {
	_, err := io.WriteString(w, printable(out.String()))
	return err
}

// plural is "1 stick", "2 sticks".
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	if strings.HasSuffix(one, "ry") {
		return fmt.Sprintf("%d %sies", n, strings.TrimSuffix(one, "y"))
	}
	return fmt.Sprintf("%d %ss", n, one)
}
