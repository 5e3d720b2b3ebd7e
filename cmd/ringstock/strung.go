package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stick"
	"ringstock/grading/stick/sheet"
	"ringstock/grading/stock"
)

type strungOptions struct {
	model               modelOptions
	camber, blank, html string
	scale, press, hair  float64
	json                bool
}

func newStrung() *cobra.Command {
	var o strungOptions
	var place stockPlace
	cmd := &cobra.Command{
		Use:   "strung MODEL [OTHER]",
		Short: "String a stick: gap, tilt and lift under the hair, what the hair feels at frog, middle and tip",
		Long: `Bends the stick of a card, with its camber, under the pull of its hair, and under a force on the hair
at frog, middle and tip: how it opens, how the head tilts, how the stick lifts, how the tension
grows, how stiff the hair feels, and how near the stick is to giving way sideways. It needs
the camber at three stations at least, Young's modulus, and under [hair] the hair's distance
from the stick at both ends and its tension.

A second bow is drawn over the first: OTHER, or the same stick with another camber
(--camber-of), or of the wood of a blank in stock (--blank, --scale its plan's).
` + stockExitHelp,
		Example: `  ringstock strung demo-violin
  ringstock strung demo-violin --camber-of old-one.toml --html strung.html
  ringstock strung old-one.toml --blank D01 --scale 1.012 --hair-tension 45 --json`,
		Args: takes(cobra.RangeArgs(1, 2)),
		RunE: func(cmd *cobra.Command, args []string) error { return runStrung(cmd, &place, o, args) },
	}
	f := cmd.Flags()
	o.model.addWoodFlags(cmd)
	f.StringVar(&o.camber, "camber-of", "", "string the stick once more, with the camber of this `MODEL`")
	f.StringVar(&o.blank, "blank", "", "string the stick once more, of the wood of this `STICK` in stock")
	quantityVar(f, &o.scale, "scale", 1, 0.2, 5, "scale of the diameters for --blank, from the plan")
	quantityVar(f, &o.hair, "hair-mm", 0, 1, 200, "distance of the hair from the line of centres at both ends, in `MM` (default the card's)")
	quantityVar(f, &o.press, "press-n", 1, 0.01, 20, "force on the hair in `NEWTON`")
	place.addFlag(cmd)
	sheetFlags(cmd, &o.html, &o.json)
	return cmd
}

func runStrung(cmd *cobra.Command, place *stockPlace, o strungOptions, args []string) error {
	second := 0
	for _, given := range []bool{len(args) > 1, o.camber != "", o.blank != ""} {
		if given {
			second++
		}
	}
	if second > 1 {
		return usageError{errors.New("give one second bow: OTHER, --camber-of or --blank")}
	}
	o.model.name = args[0]
	first, err := o.model.read(cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	if o.hair > 0 {
		first.Hair.ButtMM, first.Hair.HeadMM = o.hair, o.hair
	}
	models := []stick.Model{first}
	if second > 0 {
		m, err := o.second(cmd, place, first, args)
		if err != nil {
			return err
		}
		models = append(models, m)
	}
	out := stick.StrungBows{Schema: stick.BowSchema, Bows: []stick.StrungBow{}}
	for _, m := range models {
		b, err := m.StringUp(m.Hair, o.press)
		if err != nil {
			return fmt.Errorf("%s: %w", m.Name, err)
		}
		out.Bows = append(out.Bows, b)
	}
	if o.json {
		err = writeJSON(cmd.OutOrStdout(), out)
	} else {
		err = printStrung(cmd.OutOrStdout(), out)
	}
	if err != nil || o.html == "" {
		return err
	}
	return writeSheet(cmd, o.html, func(w io.Writer) error { return sheet.Strung(w, out) })
}

// second is the bow that is drawn over the first.
func (o strungOptions) second(cmd *cobra.Command, place *stockPlace, first stick.Model, args []string) (stick.Model, error) {
	switch {
	case len(args) > 1:
		m, err := readModel(args[1])
		if err != nil {
			return m, err
		}
		askBack(cmd.ErrOrStderr(), m)
		if o.model.tensionN > 0 {
			m.Hair.TensionN = o.model.tensionN
		}
		if o.hair > 0 {
			m.Hair.ButtMM, m.Hair.HeadMM = o.hair, o.hair
		}
		return m, nil
	case o.camber != "":
		m, err := readModel(o.camber)
		if err != nil {
			return m, err
		}
		other := first
		other.Name, other.Camber = first.Name+" with the camber of "+m.Name, m.Camber
		return other, nil
	}
	other := first
	err := place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
		b, err := stickOf(ctx, s, o.blank)
		other.Wood = b.Timber(false)
		other.Name, other.Stick = fmt.Sprintf("%s of blank %s", first.Name, b.Name), first.Scaled(o.scale)
		return err
	})
	return other, err
}

func printStrung(w io.Writer, s stick.StrungBows) error {
	var out strings.Builder
	for _, line := range s.Says() {
		wrapAt(&out, answerWidth, "", line)
	}
	for _, b := range s.Bows {
		out.WriteString("\n" + b.Name + "\n")
		for _, f := range stick.BowFigures(b) {
			wrap(&out, "  ", f.Name+": "+f.Value)
		}
		for _, a := range b.Assumptions {
			wrap(&out, "  ", "assumed: "+a)
		}
	}
	return say(w, &out)
}
