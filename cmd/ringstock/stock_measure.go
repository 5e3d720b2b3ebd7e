package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

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
		heard := grading.Listen(row, func(name string, strike spectrum.Strike, note spectrum.Expected) spectrum.Analysis {
			rec, err := wavfile.Open(paths[name])
			_, a := hear(name, rec, err, strike, note)
			if a.Error != nil {
				unused = append(unused, fmt.Errorf("%s: %s", name, a.Error.Text))
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
	values  map[string]*cellFlag
	on      day
	scale   string
	remark  string
	profile string
	json    bool
}

// readingFlag is a flag for a quantity of a stick. Its standard uncertainty, if none is
// given, is that of the maker's instruments, the same as in a delivery.
type readingFlag struct{ flag, quantity, usage string }

var readingFlags = []readingFlag{
	{"mass-g", "mass_g", "mass in `GRAMS`"},
	{"length-mm", "length_mm", "length in `MM`"},
	{"height-mm", "height_mm", "height in `MM`"},
	{"width-mm", "width_mm", "width in `MM`"},
	{"moisture", "moisture_pct", "moisture in `PERCENT`"},
	{"head-length-mm", "head_length_mm", "length of an uncut head in `MM`"},
	{"head-height-mm", "head_height_mm", "height of an uncut head in `MM`"},
	{"tip-height-mm", "tip_height_mm", "height at the thin end of a taper in `MM`"},
	{"tip-width-mm", "tip_width_mm", "width at the thin end of a taper in `MM`"},
}

// uncertainty is the flag and the column of its standard uncertainty; one
// calliper measures all.
func (r readingFlag) uncertainty() (flag, column string) {
	name, unit := r.flag, ""
	for _, u := range []string{"-mm", "-g"} {
		if whole, ok := strings.CutSuffix(name, u); ok {
			name, unit = whole, u
		}
	}
	return name + "-u" + unit, uncertaintyColumn(r.quantity)
}

func uncertaintyColumn(quantity string) string {
	return strings.Replace(strings.TrimPrefix(strings.TrimPrefix(quantity, "head_"), "tip_"), "_", "_u_", 1)
}

// shortNames lets flags be given without their unit, as they once were called, and by
// other former names.
func shortNames(f *pflag.FlagSet, former map[string]string) {
	f.SetNormalizeFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		if now, ok := former[name]; ok {
			return pflag.NormalizedName(now)
		}
		for _, r := range readingFlags {
			u, _ := r.uncertainty()
			for _, full := range []string{r.flag, u} {
				if name == strings.TrimSuffix(strings.TrimSuffix(full, "-mm"), "-g") {
					return pflag.NormalizedName(full)
				}
			}
		}
		return pflag.NormalizedName(name)
	})
}

func newStockTest(place *stockPlace) *cobra.Command {
	o := stockTestOptions{values: map[string]*cellFlag{}}
	cmd := &cobra.Command{
		Use:   "test STICK [RECORDING...]",
		Short: "Weigh, measure or tap a stick again, and say whether it has settled",
		Long: `Enters new readings of a stick, new recordings of taps on a face (on the other face: --width-file,
on the end: --end-file), or both, and says whether the stick has settled: from how its mass goes
to rest, with the seasons taken out where the temperature and humidity of the air were noted, and
from whether Q still moves. The recordings are judged with the newest reading of every quantity.
` + stockExitHelp,
		Example: `  ringstock stock test D12 --mass-g 118.4 --temperature 19 --humidity 54
  ringstock stock test D12 taps.wav --mass-g 118.4`,
		Args: takes(cobra.MinimumNArgs(1)),
	}
	f := cmd.Flags()
	value := func(flag, column, usage, usual string) {
		o.values[flag] = &cellFlag{column: column}
		f.Var(o.values[flag], flag, usage+usual)
	}
	for _, r := range readingFlags {
		value(r.flag, r.quantity, r.usage, "")
		flag, column := r.uncertainty()
		value(flag, column, "standard uncertainty of --"+r.flag, fmt.Sprintf(" (default %g, or your settings')", grading.Instruments{}.Of(column)))
	}
	value("temperature", "temperature_c", "of the air, in `DEGREES` C", "")
	value("humidity", "humidity_pct", "of the air, relative, in `PERCENT`", "")
	f.StringVar(&o.scale, "instrument", "", "scale or calliper")
	f.StringVar(&o.remark, "remark", "", "a remark on the readings")
	f.StringArrayVar(&o.width, "width-file", nil, "`RECORDING` of taps on the other face")
	f.StringArrayVar(&o.end, "end-file", nil, "`RECORDING` of taps on the end")
	f.StringVar(&o.in.Device, "device", "", "microphone and recorder")
	f.StringVar(&o.in.Where, "recorded-at", "", "`PLACE` where it was recorded")
	f.StringVar(&o.profile, "profile", "", "judge by this profile (default: the one of its last test, else violin)")
	dayFlag(cmd, &o.on, "date", "`DAY` of the test (default today)")
	f.BoolVar(&o.json, "json", false, "print one JSON document: the stick with its history")
	shortNames(f, map[string]string{"where": "recorded-at"})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		own, err := settingsFor("")
		if err != nil {
			return err
		}
		number := func(flag string) *float64 { return o.values[flag].number() }
		for _, r := range readingFlags {
			x := number(r.flag)
			if x == nil {
				continue
			}
			flag, column := r.uncertainty()
			u := own.Instruments.Of(column)
			if given := number(flag); given != nil {
				u = *given
			}
			o.in.Readings = append(o.in.Readings, stock.Reading{Quantity: r.quantity, Value: *x, U: u,
				Instrument: o.scale, Remark: o.remark, TemperatureC: number("temperature"), HumidityPct: number("humidity")})
		}
		o.side = args[1:]
		if len(o.in.Readings)+len(o.side)+len(o.width)+len(o.end) == 0 {
			return usageError{errors.New("give a recording or a reading such as --mass-g 118.4")}
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
	tapped := len(o.side)+len(o.width)+len(o.end) > 0
	var judge stock.Judge
	if tapped {
		profile := cmp.Or(o.profile, b.Profile, "violin")
		if judge, err = todaysJudge(profile); err != nil && o.profile == "" {
			return fmt.Errorf("stick %s was judged by a profile %q that is not built in: name its file with --profile", b.Blank, b.Profile)
		} else if err != nil {
			return err
		}
	}
	o.in.Blank, o.in.Date = id, o.on.date
	o.in.Recording = map[string][]string{"side": o.side, "width": o.width, "end": o.end}
	rev, err := s.Test(ctx, o.in, judge)
	if err != nil {
		return fmt.Errorf("stick %s: %w", b.Blank, err)
	}
	life, err := s.Show(ctx, id)
	if err != nil {
		return err
	}
	if o.json {
		life.Before, life.After = &rev.Before, &rev.After
		return writeJSON(cmd.OutOrStdout(), life)
	}
	var out strings.Builder
	fmt.Fprintf(&out, "stick %s: mass %s", b.Blank, life.Mass.Text("g"))
	if tapped {
		fmt.Fprintf(&out, ", note %s, Q %s, score %s", life.Hz.Text("Hz"), life.Q.Text(""), life.Score.Text(""))
	}
	out.WriteString("\n")
	for _, n := range rev.Notes {
		wrap(&out, "  ", n)
	}
	if len(rev.Changed) > 0 {
		wrap(&out, "  ", strings.Join(rev.Changed, ", "))
	}
	fmt.Fprintf(&out, "%s\n", life.Settled.Verdict)
	for _, r := range life.Settled.Reasons {
		wrap(&out, "  ", r)
	}
	return say(cmd.OutOrStdout(), &out)
}
