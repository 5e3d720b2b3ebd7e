package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/grading/stock"
	"ringstock/spectrum"
)

// todaysJudge grades one stick by today's method.
func todaysJudge(profileName string) (stock.Judge, error) {
	profile, err := loadProfile(profileName)
	if err != nil {
		return stock.Judge{}, err
	}
	return stock.Judge{Method: spectrum.Method, Profile: profile.Name, Grade: func(ctx context.Context, row grading.Row, paths map[string]string) (grading.Blank, error) {
		if err := ctx.Err(); err != nil {
			return grading.Blank{}, err
		}
		var unused []error
		heard := grading.Listen(row, func(name string, strike spectrum.Strike) spectrum.Analysis {
			rec, err := wavfile.Open(paths[name])
			_, a := hear(name, rec, err, strike)
			if a.Error != nil {
				unused = append(unused, fmt.Errorf("%s: %s", name, *a.Error))
			}
			return a
		})
		b := grading.Judge(profile, row, heard)
		if b.Verdict == grading.Unread {
			return b, fmt.Errorf("no tap could be used: %s", strings.Join(b.Reasons, "; "))
		}
		return b, errors.Join(unused...)
	}}, nil
}

type stockTestOptions struct {
	in      stock.Testing
	side    []string
	width   []string
	end     []string
	values  map[string]*float64
	u       *float64
	temp    float64
	humid   float64
	on      day
	scale   string
	remark  string
	profile string
	json    bool
}

// readingFlags are the quantities that can be entered, with the standard uncertainty
// that is taken if none is given, the same as in a delivery.
var readingFlags = []struct {
	flag, quantity, usage string
	u                     float64
}{
	{"mass", "mass_g", "mass in `GRAMS`", 0.1},
	{"length", "length_mm", "length in `MM`", 0.5},
	{"height", "height_mm", "height in `MM`", 0.05},
	{"width", "width_mm", "width in `MM`", 0.05},
	{"moisture", "moisture_pct", "moisture in `PERCENT`", 1.0},
}

func newStockTest(place *stockPlace) *cobra.Command {
	o := stockTestOptions{values: map[string]*float64{}}
	cmd := &cobra.Command{
		Use:   "test STICK [RECORDING...]",
		Short: "Weigh, measure or tap a stick again, and say whether it has settled",
		Long: `Enters new readings of a stick, new recordings of taps on a face (on the other face: --width-file,
on the end: --end-file), or both, and says whether the stick has settled: from how its mass goes
to rest, with the seasons taken out where the temperature and humidity of the air were noted, and
from whether Q still moves. The recordings are judged with the newest reading of every quantity.
` + stockExitHelp,
		Example: `  ringstock stock test 12 --mass 118.4 --temperature 19 --humidity 54
  ringstock stock test 12 taps.wav --mass 118.4`,
		Args: takes(cobra.MinimumNArgs(1)),
	}
	f := cmd.Flags()
	for _, r := range readingFlags {
		o.values[r.flag] = f.Float64(r.flag, 0, r.usage)
		o.values[r.flag+"-u"] = f.Float64(r.flag+"-u", r.u, "standard uncertainty of the "+r.flag)
	}
	f.Float64Var(&o.temp, "temperature", 0, "of the air, in `DEGREES` C")
	f.Float64Var(&o.humid, "humidity", 0, "of the air, relative, in `PERCENT`")
	f.StringVar(&o.scale, "instrument", "", "scale or calliper")
	f.StringVar(&o.remark, "remark", "", "a remark on the readings")
	f.StringArrayVar(&o.width, "width-file", nil, "`RECORDING` of taps on the other face")
	f.StringArrayVar(&o.end, "end-file", nil, "`RECORDING` of taps on the end")
	f.StringVar(&o.in.Device, "device", "", "microphone and recorder")
	f.StringVar(&o.in.Where, "where", "", "where it was recorded")
	f.StringVar(&o.profile, "profile", "", "judge by this profile (default: the one of its last test, else violin)")
	dayFlag(cmd, &o.on, "date", "`DAY` of the test (default today)")
	f.BoolVar(&o.json, "json", false, "print one JSON document: the stick with its history")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var air struct{ t, h *float64 }
		if cmd.Flags().Changed("temperature") {
			air.t = &o.temp
		}
		if cmd.Flags().Changed("humidity") {
			air.h = &o.humid
		}
		for _, r := range readingFlags {
			if cmd.Flags().Changed(r.flag) {
				o.in.Readings = append(o.in.Readings, stock.Reading{Quantity: r.quantity, Value: *o.values[r.flag], U: *o.values[r.flag+"-u"],
					Instrument: o.scale, Remark: o.remark, TemperatureC: air.t, HumidityPct: air.h})
			}
		}
		o.side = args[1:]
		if len(o.in.Readings)+len(o.side)+len(o.width)+len(o.end) == 0 {
			return usageError{errors.New("give a recording or a reading such as --mass 118.4")}
		}
		return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error { return runStockTest(ctx, cmd, s, args[0], o) })
	}
	return cmd
}

func runStockTest(ctx context.Context, cmd *cobra.Command, s *stock.Store, stick string, o stockTestOptions) error {
	id, err := s.Find(ctx, stick)
	if err != nil {
		return err
	}
	b, err := s.Blank(ctx, id)
	if err != nil {
		return err
	}
	if o.profile == "" {
		o.profile = "violin"
		for _, name := range grading.Profiles() {
			if b.Profile == name {
				o.profile = name
			}
		}
	}
	judge, err := todaysJudge(o.profile)
	if err != nil {
		return err
	}
	o.in.Blank, o.in.Date = id, o.on.date
	o.in.Recording = map[string][]string{"side": o.side, "width": o.width, "end": o.end}
	if err := s.Test(ctx, o.in, judge); err != nil {
		return fmt.Errorf("stick %s: %w", b.Blank, err)
	}
	life, err := s.Show(ctx, id)
	if err != nil {
		return err
	}
	if o.json {
		return writeJSON(cmd.OutOrStdout(), life)
	}
	var out strings.Builder
	fmt.Fprintf(&out, "stick %s: mass %s", b.Blank, life.Mass.Text("g"))
	if len(o.side)+len(o.width)+len(o.end) > 0 {
		fmt.Fprintf(&out, ", note %s, Q %s, score %s", life.Hz.Text("Hz"), life.Q.Text(""), life.Score.Text(""))
	}
	fmt.Fprintf(&out, "\n%s\n", life.Settled.Verdict)
	for _, r := range life.Settled.Reasons {
		wrap(&out, "  ", r)
	}
	return say(cmd.OutOrStdout(), &out)
}

func newStockReanalyse(place *stockPlace) *cobra.Command {
	var asJSON bool
	profile := "violin"
	cmd := &cobra.Command{
		Use:   "reanalyse",
		Short: "Judge all stored recordings by today's method; the old results stay beside the new",
		Long: `Analyses the recordings of every test again that today's method and the profile have not judged
yet. Old results are kept; figures that differ by more than twice their joint uncertainty are
listed.

Exit status: 0 done, 1 failed, 2 wrong usage, 3 done but some recordings could not be used (they
are listed), 130 interrupted.`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			judge, err := todaysJudge(profile)
			if err != nil {
				return err
			}
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				p := newProgress(cmd)
				changes, err := s.Reanalyse(ctx, judge, func(_, of int) { p.step(of) })
				p.clear()
				if err != nil {
					return err
				}
				if asJSON {
					if changes == nil {
						changes = []stock.Change{}
					}
					err = writeJSON(cmd.OutOrStdout(), map[string]any{"method": judge.Method, "profile": judge.Profile, "changes": changes})
				} else {
					err = printChanges(cmd, judge, changes)
				}
				failed := 0
				for _, c := range changes {
					if c.Error != "" {
						failed++
					}
				}
				if err == nil && failed > 0 {
					err = partlyDone{failed}
				}
				return err
			})
		},
	}
	cmd.Flags().StringVar(&profile, "profile", profile, "judge by this profile: "+strings.Join(grading.Profiles(), ", ")+", or a `FILE` of your own")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

func printChanges(cmd *cobra.Command, judge stock.Judge, changes []stock.Change) error {
	var out strings.Builder
	same := 0
	for _, c := range changes {
		switch {
		case c.Error != "":
			wrap(&out, "", fmt.Sprintf("stick %s, test of %s: can't be judged: %s", c.Blank, c.Date, c.Error))
		case len(c.Moved) > 0:
			wrap(&out, "", fmt.Sprintf("stick %s, test of %s (%s): %s", c.Blank, c.Date, c.Old.Method, strings.Join(c.Moved, "; ")))
		default:
			same++
		}
	}
	fmt.Fprintf(&out, "%s judged by %s, profile %s; %d the same within uncertainty\n", plural(len(changes), "test"), judge.Method, judge.Profile, same)
	return say(cmd.OutOrStdout(), &out)
}

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
	f.StringArrayVar(&o.where, "where", nil, "a `CONDITION`, as for list")
	f.StringVar(&o.state, "state", "", "only this state")
	f.StringVar(&o.lot, "lot", "", "only this lot")
	f.StringVar(&out, "out", out, "`FILE` to write")
	f.IntVar(&sheet.Columns, "columns", sheet.Columns, "labels side by side")
	f.IntVar(&sheet.Rows, "rows", sheet.Rows, "labels below each other")
	f.IntVar(&sheet.Skip, "skip", 0, "labels already gone from the first sheet")
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
			if err := writeFile(out, labelWriter(blanks, sheet)); err != nil {
				return err
			}
			_, err := fmt.Fprintln(cmd.OutOrStdout(), printable(fmt.Sprintf("%s in %s: print it at 100 %%, without margins", plural(len(blanks), "label"), filepath.Clean(out))))
			return err
		})
	}
	return cmd
}
