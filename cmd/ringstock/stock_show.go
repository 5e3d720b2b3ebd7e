package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

func newStockShow(place *stockPlace) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "show STICK",
		Short:   "Show one stick: figures, curves over the years, papers, everything that happened",
		Long:    "Shows one stick with its whole history, and small curves of mass, pitch and Q over the years.\n" + stockExitHelp,
		Example: `  ringstock stock show D12`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
				id, err := s.Find(ctx, args[0])
				if err != nil {
					return err
				}
				life, err := s.Show(ctx, id)
				if err != nil {
					return err
				}
				if asJSON {
					return writeJSON(cmd.OutOrStdout(), life)
				}
				return printLife(cmd.OutOrStdout(), life)
			})
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON document")
	return cmd
}

func printLife(w io.Writer, l stock.Life) error {
	var out strings.Builder
	fmt.Fprintf(&out, "stick %s, %s", l.Blank.Blank, l.State)
	if l.Party != "" {
		fmt.Fprintf(&out, " for %s", l.Party)
	}
	if l.Reference != "" {
		fmt.Fprintf(&out, ", bow %s", l.Reference)
	}
	fmt.Fprintf(&out, "\nid %s\n", l.ID)
	for _, f := range []struct{ name, value string }{
		{"species", l.Species}, {"lot", l.Lot}, {"delivery", l.Delivery}, {"bought", string(l.Bought)}, {"from", l.Supplier}, {"price", price(l.Blank)},
		{"place", l.Place}, {"your grade", l.MakerGrade}, {"note", l.Note},
	} {
		if f.value != "" {
			wrap(&out, "", fmt.Sprintf("%s: %s", f.name, f.value))
		}
	}
	out.WriteString("\n")
	for _, v := range []struct {
		name, unit string
		v          measure.Value
	}{{"score", "", l.Score}, {"note", "Hz", l.Hz}, {"sustain Q", "", l.Q}, {"density", "kg/m³", l.Density}, {"E/rho", "MJ/kg", l.SpecificModulus}, {"mass", "g", l.Mass}} {
		fmt.Fprintf(&out, "%-10s %s\n", v.name, v.v.Text(v.unit))
	}
	if l.Verdict != "" {
		fmt.Fprintf(&out, "%-10s %s by the profile %s\n", "verdict", l.Verdict, l.Profile)
	}
	fmt.Fprintf(&out, "\nseasoning: %s\n", l.Settled.Verdict)
	for _, r := range l.Settled.Reasons {
		wrap(&out, "  ", r)
	}
	printCurves(&out, l)

	out.WriteString("\nhistory (the letters in front are the id that `ringstock stock correct --entry` takes)\n")
	for _, line := range l.History() {
		text := line.ID + "  " + string(line.Date) + " " + line.Text
		if line.Void {
			text += " [taken back]"
		}
		wrap(&out, "  ", text)
	}
	if len(l.Documents) > 0 {
		out.WriteString("\npapers of its lot\n")
		for _, d := range l.Documents {
			wrap(&out, "  ", paperText(d))
		}
	}
	for _, p := range l.Problems {
		wrap(&out, "", "problem: "+p+": take the wrong entry back with `ringstock stock correct`")
	}
	return say(w, &out)
}

func price(b stock.Blank) string {
	if b.Price == nil {
		return ""
	}
	return strings.TrimSpace(fmt.Sprintf("%.2f %s", *b.Price, b.Currency))
}

func paperText(d stock.Document) string {
	text := d.Kind + " " + d.Number
	for _, part := range []struct{ word, value string }{{" of ", d.Issuer}, {", issued ", string(d.IssuedOn)}, {", expires ", string(d.ExpiresOn)}, {", ", d.Note}} {
		if part.value != "" {
			text += part.word + part.value
		}
	}
	if d.SHA256 != "" {
		text += ", scan kept"
	}
	return text
}

// printCurves draws mass, pitch and Q over the years, one bar a value, with the first
// and the last in figures.
func printCurves(out *strings.Builder, l stock.Life) {
	type point struct {
		date stock.Date
		v    measure.Value
	}
	var mass, pitch, q []point
	for _, r := range l.Readings {
		if r.Quantity == "mass_g" && !r.Void {
			mass = append(mass, point{r.Date, measure.Of(r.Value, r.U)})
		}
	}
	for _, t := range l.Sounds() {
		pitch, q = append(pitch, point{t.Date, t.Hz}), append(q, point{t.Date, t.Q})
	}
	for _, c := range []struct {
		name, unit string
		points     []point
	}{{"mass", "g", mass}, {"pitch", "Hz", pitch}, {"Q", "", q}} {
		points := slices.DeleteFunc(c.points, func(p point) bool { return !p.v.Known() })
		if len(points) < 2 {
			continue
		}
		low, high := points[0].v.X, points[0].v.X
		for _, p := range points {
			low, high = min(low, p.v.X), max(high, p.v.X)
		}
		var bars strings.Builder
		for _, p := range points {
			level := 0
			if high > low {
				level = int(7 * (p.v.X - low) / (high - low))
			}
			bars.WriteRune([]rune("▁▂▃▄▅▆▇█")[level])
		}
		first, last := points[0], points[len(points)-1]
		fmt.Fprintf(out, "  %-6s %s  %s (%s) to %s (%s)\n", c.name, bars.String(), first.v.Text(c.unit), first.date, last.v.Text(c.unit), last.date)
	}
}
