package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/stock"
	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

type stockAddOptions struct {
	only    []string
	date    day
	lot     string
	place   string
	name    string
	device  string
	where   string
	profile string
	json    bool
}

func newStockAdd(place *stockPlace) *cobra.Command {
	var o stockAddOptions
	cmd := &cobra.Command{
		Use:   "add {FOLDER | --number NUMBER}",
		Short: "Enter a delivery: grade its folder and take its sticks into the stock; or one stick by hand",
		Long: `Grades a delivery folder and enters its sticks: what was bought, what was measured, the test with
its recordings, your own grade. Adding the same delivery twice changes nothing. FOLDER may also be
a grading.json that "ringstock grade --out" wrote; its recordings are then looked for with
--recordings, or beside it.

--number enters one stick by hand, with what was measured: "ringstock stock test NUMBER taps.wav"
adds its sound later.

Exit status: 0 done, 1 failed, 2 wrong usage, 3 done but some sticks or recordings could not be
entered (they are listed), 130 interrupted.`,
		Example: `  ringstock stock add ringstock-demo --only keep --place "rack 2, row 3"
  ringstock stock add --number E7 --length-mm 750 --height-mm 14.1 --width-mm 13.0 --mass-g 149.2 --species "Handroanthus" --lot L7`,
		Args: takes(cobra.MaximumNArgs(1)),
	}
	byHand := map[string]*string{}
	hand := func(flag, column, usage string) { byHand[column] = cmd.Flags().String(flag, "", usage) }
	number := func(flag, column, usage string) {
		f := &cellFlag{column: column}
		byHand[column] = &f.cell.Text
		cmd.Flags().Var(f, flag, usage)
	}
	hand("number", "blank", "your `NUMBER` of one stick, entered by hand")
	number("length-mm", "length_mm", "its length in `MM`")
	number("height-mm", "height_mm", "its height in `MM`")
	number("width-mm", "width_mm", "its width in `MM`")
	number("mass-g", "mass_g", "its mass in `GRAMS`")
	number("moisture", "moisture_pct", "its moisture in `PERCENT`")
	number("temperature", "temperature_c", "temperature of the air in `DEGREES` C")
	number("humidity", "humidity_pct", "humidity of the air in `PERCENT`")
	hand("species", "species", "its species")
	number("price", "price", "its price")
	hand("currency", "currency", "currency of the price")
	hand("supplier", "supplier", "from whom it came")
	hand("grade", "maker_grade", "your own grade")
	f := cmd.Flags()
	f.StringSliceVar(&o.only, "only", nil, "enter only sticks of these verdicts: keep, maybe, leave, unread")
	dayFlag(cmd, &o.date, "date", "`DAY` on which they came, like 2031-03-28 (default today)")
	f.StringVar(&o.lot, "lot", "", "lot of the sticks whose row names none")
	f.StringVar(&o.place, "place", "", "where they lie: rack and row")
	f.StringVar(&o.name, "name", "", "another name for the delivery than the folder's")
	f.StringVar(&o.device, "device", "", "microphone and recorder")
	f.StringVar(&o.where, "recorded-at", "", "`PLACE` where they were recorded")
	f.StringVar(&o.profile, "profile", "violin", "judge by this profile: "+strings.Join(grading.Profiles(), ", ")+", or a `FILE` of your own")
	recordings := f.String("recordings", "", "`FOLDER` of the recordings, if a grading.json is entered")
	f.BoolVar(&o.json, "json", false, "print one JSON document")
	shortNames(f, map[string]string{"where": "recorded-at"})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		for _, v := range o.only {
			if !slices.Contains([]grading.Verdict{grading.Keep, grading.Maybe, grading.Leave, grading.Unread}, grading.Verdict(v)) {
				return usageError{fmt.Errorf("--only %s: the verdicts are keep, maybe, leave and unread", v)}
			}
		}
		var g grading.Grading
		var folder string
		var err error
		byNumber := *byHand["blank"]
		switch {
		case len(args) == 1 && byNumber == "":
			g, folder, err = gradedDelivery(cmd, args[0], *recordings, o.profile)
		case len(args) == 0 && byNumber != "":
			g, folder, err = stickByHand(byHand, place.meant)
		default:
			err = usageError{errors.New("give the folder of a delivery, or --number for one stick by hand")}
		}
		if err != nil {
			return err
		}
		out, err := enterStock(cmd.Context(), place, g, folder, o)
		if err != nil {
			return err
		}
		if o.json {
			err = writeJSON(cmd.OutOrStdout(), out)
		} else {
			err = printAdded(cmd.OutOrStdout(), out)
		}
		if err != nil {
			return err
		}
		switch n := len(out.Refused) + len(out.Notes) + len(g.Unused); {
		case len(out.Refused) > 0 && len(out.New) == 0 && out.Already == 0:
			return errors.New("no stick could be entered; each is listed with its reason")
		case n > 0:
			return partlyDone{n}
		}
		return nil
	}
	return cmd
}

// stickByHand is a delivery of one stick that somebody typed.
func stickByHand(typed map[string]*string, meant bool) (g grading.Grading, folder string, err error) {
	own, err := settingsFor("")
	if err != nil {
		return g, "", err
	}
	var row grading.Row
	if row.Blank, err = grading.ParseBlank(*typed["blank"]); err != nil {
		return g, "", usageError{fmt.Errorf("--number: %w", err)}
	}
	row.Shape = wood.Rectangular
	for _, column := range slices.Sorted(maps.Keys(typed)) {
		text := *typed[column]
		if column == "blank" || text == "" {
			continue
		}
		c, err := grading.ParseCell(column, text)
		if err != nil {
			return g, "", usageError{fmt.Errorf("--%s: %w", strings.ReplaceAll(strings.TrimSuffix(strings.TrimSuffix(column, "_pct"), "_c"), "_", "-"), err)}
		}
		if why := c.Doubt(row); why != "" && !meant {
			return g, "", fmt.Errorf("asked back, nothing was entered: %s. If it is right all the same, say so with --yes", why)
		}
		putCell(&row, c, own.Instruments)
	}
	g = grading.Grading{Schema: grading.Schema, Delivery: "by hand", Blanks: []grading.Blank{{Blank: row.Blank, Row: row}}}
	return g, ".", nil
}

// putCell puts what was typed where it belongs, with the standard uncertainty of the
// maker's instruments.
func putCell(row *grading.Row, c grading.Cell, own grading.Instruments) {
	for column, to := range map[string]*measure.Value{
		"length_mm": &row.LengthMM, "height_mm": &row.HeightMM, "width_mm": &row.WidthMM, "mass_g": &row.MassG, "moisture_pct": &row.MoisturePct,
		"temperature_c": &row.TemperatureC, "humidity_pct": &row.HumidityPct,
	} {
		if column == c.Column && c.HasNumber() {
			*to = measure.Of(c.Number, own.Of(uncertaintyColumn(column)))
		}
	}
	for column, to := range map[string]*string{"species": &row.Species, "currency": &row.Currency, "supplier": &row.Supplier, "maker_grade": &row.MakerGrade} {
		if column == c.Column {
			*to = c.Text
		}
	}
	if c.Column == "price" && c.HasNumber() {
		row.Price = &c.Number
	}
}

// gradedDelivery grades a folder, or reads a grading that was written before.
func gradedDelivery(cmd *cobra.Command, path, recordings, profileName string) (g grading.Grading, folder string, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return g, "", fmt.Errorf("the delivery can't be opened: %w", err)
	}
	if info.IsDir() {
		profile, err := profileFor(cmd, profileName, path)
		if err != nil {
			return g, "", err
		}
		page, err := gradeFolder(cmd.Context(), path, profile, nil, false, newProgress(cmd))
		return page.Grading, path, err
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return g, "", err
	}
	if err := json.Unmarshal(b, &g); err != nil || g.Schema != grading.Schema {
		return g, "", fmt.Errorf("%s is neither a delivery folder nor a grading that `ringstock grade` wrote (%v)", path, err)
	}
	if recordings == "" {
		recordings = filepath.Dir(path)
	}
	return g, recordings, nil
}

// enterStock takes a graded delivery into the stock.
func enterStock(ctx context.Context, place *stockPlace, g grading.Grading, folder string, o stockAddOptions) (out stock.Added, err error) {
	s, err := place.open(ctx, true)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	d := stock.Delivery{Grading: g, Folder: folder, Name: o.name, Date: o.date.date, Lot: o.lot, Place: o.place, Device: o.device, Where: o.where}
	for _, v := range o.only {
		d.Only = append(d.Only, grading.Verdict(v))
	}
	return s.Add(ctx, d)
}

func printAdded(w io.Writer, out stock.Added) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%s entered", plural(len(out.New), "stick"))
	if out.Already > 0 {
		fmt.Fprintf(&text, ", %d already there", out.Already)
	}
	if out.Left > 0 {
		fmt.Fprintf(&text, ", %d left out by verdict", out.Left)
	}
	text.WriteString("\n")
	for _, r := range out.Notes {
		wrap(&text, "  ", "note: "+r)
	}
	for _, r := range out.Refused {
		wrap(&text, "  ", "not entered: "+r)
	}
	for _, r := range out.Same {
		wrap(&text, "  ", "note: "+r)
	}
	return say(w, &text)
}

// compareWithStock adds to a grading, as a note, where its best blanks would stand in
// the stock. It is information: no score depends on it.
func compareWithStock(ctx context.Context, place *stockPlace, g *grading.Grading) error {
	s, err := place.open(ctx, false)
	if errors.Is(err, stock.ErrNone) {
		return nil
	}
	if err != nil {
		return err
	}
	defer s.Close()
	var names []string
	var scores []float64
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		if b.Verdict == grading.Keep && b.Score.Known() {
			names, scores = append(names, b.Blank), append(scores, b.Score.X)
		}
	}
	standings, err := s.Standings(ctx, g.Profile, scores)
	if err != nil {
		return err
	}
	var stand []string
	for i, st := range standings {
		if st.Of > 0 {
			stand = append(stand, fmt.Sprintf("%s than %.0f %%", names[i], 100*float64(st.BetterThan)/float64(st.Of)))
		}
	}
	if len(stand) > 0 {
		g.Notes = append(g.Notes, fmt.Sprintf("of the %s in your stock judged by the profile %s, the keeps score higher: %s", plural(standings[0].Of, "stick"), g.Profile, strings.Join(stand, ", ")))
	}
	return nil
}
