package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading/stick"
	"ringstock/grading/stick/sheet"
	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

func newCompare() *cobra.Command {
	var wood modelOptions
	var load loadOptions
	var tolerance float64
	var html string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "compare MODEL COPY",
		Short: "Compare two sticks: diameters, sections, camber, mass and stiffness",
		Long: `Compares a copy with its model, both measured from the butt: diameters and shapes at the stations
of either, mass, balance and stiffness, and the camber after the copy was shifted and tilted as a
whole to lie best on the model (least squares). Every difference is copy less model.

` + modelHelp + `
The wood given by --model-density and --model-modulus is the model's; the copy's comes from its card.
` + stockExitHelp,
		Example: `  ringstock compare old-one.toml new-one.toml --tolerance-mm 0.1 --html compare.html`,
		Args:    takes(cobra.ExactArgs(2)),
		RunE: func(cmd *cobra.Command, args []string) error {
			wood.name = args[0]
			model, err := wood.read(cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			copy, err := readModel(args[1])
			if err != nil {
				return err
			}
			askBack(cmd.ErrOrStderr(), copy)
			shorter := model.Stick
			if copy.Length() < model.Length() {
				shorter = copy.Stick
			}
			c, err := stick.Compare(model, copy, load.on(shorter), tolerance)
			if err != nil {
				return usageError{err}
			}
			if asJSON {
				err = writeJSON(cmd.OutOrStdout(), c)
			} else {
				err = printComparison(cmd.OutOrStdout(), c)
			}
			if err != nil || html == "" {
				return err
			}
			return writeSheet(cmd, html, func(w io.Writer) error { return sheet.Compare(w, model, copy, c) })
		},
	}
	wood.addWoodFlags(cmd)
	load.addFlags(cmd)
	quantityVar(cmd.Flags(), &tolerance, "tolerance-mm", 0, 0, 50, "name every diameter and camber off by more than so many `MM`")
	sheetFlags(cmd, &html, &asJSON)
	return cmd
}

type workOptions struct {
	model                                                 modelOptions
	load                                                  loadOptions
	place                                                 stockPlace
	scale, mass, hz, density, modulus, densityU, modulusU float64
	blank, stage, html                                    string
	json                                                  bool
}

func newWork() *cobra.Command {
	var o workOptions
	cmd := &cobra.Command{
		Use:   "work READINGS --model FILE --scale S",
		Short: "Hold a stick in the making against its plan: what is still to come off",
		Long: `Compares readings on a stick in the making, at any stage (squared, octagonal, round, bent), with
the model times the scale of the plan: what is still to come off at each station, and what the
stick would weigh and how stiff it would be if it were finished so. With the piece's mass or its
lowest free note the wood is judged anew, and a difference from what was foretold, beyond the
uncertainty, asks for a look for a fault. READINGS is a table or card like a model's.
` + stockExitHelp,
		Example: `  ringstock work round.csv --model demo-violin --scale 1.012 --blank D01 --mass-g 52.4 --hz 84.2 --stage round`,
		Args:    takes(cobra.ExactArgs(1)),
		RunE:    func(cmd *cobra.Command, args []string) error { return o.run(cmd, args[0]) },
	}
	o.model.addFlags(cmd)
	o.load.addFlags(cmd)
	f := cmd.Flags()
	quantityVar(f, &o.scale, "scale", 1, 0.2, 5, "scale of the diameters, from the plan")
	f.StringVar(&o.stage, "stage", "", "name of the stage: squared, octagonal, round, bent")
	quantityVar(f, &o.mass, "mass-g", 0, 0.1, 10000, "mass of the piece now, in `GRAMS` (± 0.1)")
	quantityVar(f, &o.hz, "hz", 0, 1, 20000, "its lowest free bending note in the plane of the height, in `HZ` (± 0.1)")
	f.StringVar(&o.blank, "blank", "", "the `STICK` in stock that it is made of")
	quantityVar(f, &o.density, "density", 0, 50, 3000, "density of its wood in `KG/M3`, if it is not in stock")
	quantityVar(f, &o.modulus, "modulus", 0, 0.1, 1000, "Young's modulus of its wood in `GPA`")
	quantityVar(f, &o.densityU, "density-u", 0, 0, 3000, "standard uncertainty of the density")
	quantityVar(f, &o.modulusU, "modulus-u", 0, 0, 1000, "standard uncertainty of the modulus")
	o.place.addFlag(cmd)
	sheetFlags(cmd, &o.html, &o.json)
	return cmd
}

func (o *workOptions) run(cmd *cobra.Command, readings string) error {
	m, err := o.model.read(cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	now, err := readModel(readings)
	if err != nil {
		return err
	}
	askBack(cmd.ErrOrStderr(), now)
	if o.mass > 0 {
		now.Bare.MassG = measure.Of(o.mass, 0.1)
	}
	if o.hz > 0 {
		now.Bare.Hz = measure.Of(o.hz, 0.1)
	}
	wood, name, err := o.wood(cmd)
	if err != nil {
		return err
	}
	if name == "" {
		name = now.Name
	}
	plan := m.Scaled(o.scale)
	load := o.load.on(plan)
	if err := load.Check(plan); err != nil {
		return usageError{err}
	}
	w, err := stick.WorkDown(m, o.scale, now, wood, load, o.stage)
	if err != nil {
		return err
	}
	if o.json {
		err = writeJSON(cmd.OutOrStdout(), w)
	} else {
		err = printWork(cmd.OutOrStdout(), w)
	}
	if err != nil || o.html == "" {
		return err
	}
	return writeSheet(cmd, o.html, func(out io.Writer) error { return sheet.Work(out, now.Stick, plan, name, w) })
}

// wood is that of the blank: from the stock with its name there, else as given.
func (o *workOptions) wood(cmd *cobra.Command) (wood stick.Wood, name string, err error) {
	if o.blank != "" {
		err = o.place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			b, err := stickOf(ctx, s, o.blank)
			wood, name = b.Timber(false), b.Name
			return err
		})
		return wood, name, err
	}
	wood = stick.Wood{Density: measure.Unknown("give --blank or --density"), YoungsModulus: measure.Unknown("give --blank or --modulus")}
	if o.density > 0 {
		wood.Density = measure.Of(o.density, o.densityU)
	}
	if o.modulus > 0 {
		wood.YoungsModulus = measure.Of(o.modulus, o.modulusU)
	}
	return wood, "", nil
}

type cardOptions struct {
	model       modelOptions
	load        loadOptions
	place       stockPlace
	blank, html string
	json, text  bool
	on          day
}

func newCard() *cobra.Command {
	var o cardOptions
	cmd := &cobra.Command{
		Use:   "card MODEL",
		Short: "Print the card of a stick: graduation, camber, mass, balance, sag, notes, wood and papers",
		Long: `Prints the card of a finished stick from its readings, with --blank also the lot and papers of its
wood from the stock. With --text it prints the text of a built-in model, to start your own from.

` + modelHelp + stockExitHelp,
		Example: `  ringstock card demo-violin --text > old-one.toml
  ringstock card old-one.toml --blank D01 --html card.html`,
		Args: takes(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.text {
				return printCardText(cmd.OutOrStdout(), args[0])
			}
			o.model.name = args[0]
			return o.run(cmd)
		},
	}
	o.model.addWoodFlags(cmd)
	o.load.addFlags(cmd)
	f := cmd.Flags()
	f.StringVar(&o.blank, "blank", "", "the `STICK` in stock that it was made of")
	f.BoolVar(&o.text, "text", false, "print the text of a built-in model")
	dayFlag(cmd, &o.on, "date", "`DAY` to put on the card")
	o.place.addFlag(cmd)
	sheetFlags(cmd, &o.html, &o.json)
	return cmd
}

// printCardText prints a built-in model as it is, to start an own one from.
func printCardText(w io.Writer, name string) error {
	content, ok := stick.CardText(name)
	if !ok {
		return usageError{fmt.Errorf("--text: %s is none of the built-in models: %s", name, strings.Join(stick.Cards(), ", "))}
	}
	_, err := w.Write(content)
	return err
}

func (o *cardOptions) run(cmd *cobra.Command) error {
	m, err := o.model.read(cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	origin := []stick.Fact{{Name: "Lot and papers", Value: "not known: name the stick in stock by --blank"}}
	if o.blank != "" {
		err := o.place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
			b, err := stickOf(ctx, s, o.blank)
			if err != nil {
				return err
			}
			if !m.Wood.Density.Known() || !m.Wood.YoungsModulus.Known() {
				m.Wood = b.Timber(false)
			}
			origin, err = originOf(ctx, s, b.ID)
			return err
		})
		if err != nil {
			return err
		}
	}
	c, err := stick.CardOf(m, o.load.on(m.Stick), string(o.on.date), origin)
	if err != nil {
		return usageError{err}
	}
	if o.json {
		err = writeJSON(cmd.OutOrStdout(), c)
	} else {
		err = printCard(cmd.OutOrStdout(), c)
	}
	if err != nil || o.html == "" {
		return err
	}
	return writeSheet(cmd, o.html, func(w io.Writer) error { return sheet.Card(w, m, c) })
}

func sheetFlags(cmd *cobra.Command, html *string, asJSON *bool) {
	cmd.Flags().StringVar(html, "html", "", "write it as a sheet to read and print to this `FILE`")
	cmd.Flags().BoolVar(asJSON, "json", false, "print one JSON document")
}

func writeSheet(cmd *cobra.Command, path string, write func(io.Writer) error) error {
	if err := writeFile(path, write); err != nil {
		return err
	}
	fmt.Fprintln(cmd.ErrOrStderr(), printable("the sheet is in "+path))
	return nil
}

// stickOf is a stick of the stock by what a person calls it.
func stickOf(ctx context.Context, s *stock.Store, name string) (stick.Blank, error) {
	id, err := s.Find(ctx, name)
	if err != nil {
		return stick.Blank{}, err
	}
	b, err := s.Blank(ctx, id)
	if err != nil {
		return stick.Blank{}, err
	}
	return ofStick(ctx, s, b)
}

// originOf is what the stock knows of where a stick comes from.
func originOf(ctx context.Context, s *stock.Store, id string) (list []stick.Fact, err error) {
	l, err := s.Show(ctx, id)
	if err != nil {
		return nil, err
	}
	add := func(name, value string) {
		if value != "" {
			list = append(list, stick.Fact{Name: name, Value: value})
		}
	}
	add("Blank", l.Blank.Blank+" (id "+l.ID+")")
	add("Bow", l.Reference)
	add("State", string(l.State))
	add("Species", l.Species)
	add("Lot", l.Lot)
	if r := l.LotRecord; r != nil {
		add("Sold as", r.SoldAs)
		add("Botanical name", r.BotanicalName)
		add("Identified", strings.Trim(r.IdentifiedBy+", "+r.IdentifiedHow, ", "))
		add("Legal status", r.LegalStatus)
		add("Harvested in", strings.Trim(r.HarvestRegion+", "+r.HarvestCountry, ", "))
		add("Felled", r.FelledOn)
		add("Acquired", string(r.AcquiredOn))
		add("Supplier", r.Supplier)
		add("Invoice", strings.TrimSpace(r.InvoiceNumber+" "+string(r.InvoiceDate)))
		add("Registered as", r.StockRegistration)
	}
	if len(l.Documents) == 0 {
		add("Papers", "no paper is filed for this lot")
	}
	for _, d := range l.Documents {
		add(d.Kind, strings.Trim(strings.Join([]string{d.Number, d.Issuer, string(d.IssuedOn)}, ", "), ", "))
	}
	return list, nil
}

func printCard(w io.Writer, c stick.Card) error {
	var out strings.Builder
	out.WriteString(c.Name + "\n")
	for _, l := range []struct{ name, text string }{{"", c.About}, {"source: ", c.Source}, {"date: ", c.Date}} {
		if l.text != "" {
			wrap(&out, "  ", l.name+l.text)
		}
	}
	printModel(&out, c.ModelSheet)
	named(&out, "wood", fmt.Sprintf("density %s, Young's modulus %s", c.Wood.Density.Text("kg/m³"), c.Wood.YoungsModulus.Text("GPa")))
	if b := c.Strung; b != nil {
		named(&out, "strung", fmt.Sprintf("%.4g N of hair tension: gap %s at %.0f mm, gives way sideways at %s; more by ringstock strung",
			b.TensionN, b.GapMM.Text("mm"), b.GapAtMM, b.SidewaysN.Text("N")))
	}
	out.WriteString("\nweighed and measured\n")
	for _, f := range c.Weighed() {
		wrap(&out, "  ", f.Name+": "+f.Value)
	}
	fmt.Fprintf(&out, "\nstations (diameters ± %.2g mm)\n", c.CalliperU)
	t := textTable{left: 0, head: [][]string{{"at", "height", "width", "camber", "section"}, {"mm", "mm", "mm", "mm", ""}}}
	for _, at := range c.Stations {
		section := string(at.Shape)
		if at.WidestMM.Known() {
			section += fmt.Sprintf(", widest at %.2f", at.WidestMM.X)
		}
		t.add(fmt.Sprintf("%.4g", at.AtMM), fmt.Sprintf("%.2f", at.HeightMM), fmt.Sprintf("%.2f", at.WidthMM), digits(at.CamberMM, 1), section)
	}
	t.write(&out, "  ")
	for _, part := range []struct {
		name string
		list []stick.Named
	}{{"head", c.HeadReadings}, {"frog", c.FrogReadings}} {
		out.WriteString("\n" + part.name + "\n")
		for _, n := range part.list {
			wrap(&out, "  ", n.Name+": "+n.Value.Text(n.Unit))
		}
		if len(part.list) == 0 {
			out.WriteString("  nothing read\n")
		}
	}
	out.WriteString("\nthe wood and its papers\n")
	for _, f := range c.Origin {
		wrap(&out, "  ", f.Name+": "+f.Value)
	}
	out.WriteString("\n")
	for _, note := range c.Notes {
		wrap(&out, "", "note: "+note)
	}
	for _, caution := range c.Cautions {
		wrap(&out, "", "caution: "+caution.Text)
	}
	return say(w, &out)
}

func printComparison(w io.Writer, c stick.Comparison) error {
	var out strings.Builder
	fmt.Fprintf(&out, "%s against %s: copy less model\n", c.Copy.Name, c.Model.Name)
	for _, l := range []struct{ name, text string }{
		{"diameters", fmt.Sprintf("%.2f mm rms; most %s in the %s at %.4g mm", c.RMSmm, c.LargestMM.Text("mm"), c.LargestSide, c.LargestAtMM)},
		{"mass", c.MassOffG.Text("g")},
		{"balance", c.BalanceOff.Text("mm")},
		{"stiffness", c.StiffOffPct.Text("%")},
	} {
		fmt.Fprintf(&out, "  %-10s %s\n", l.name, l.text)
	}
	if f := c.Camber; f != nil {
		wrap(&out, "  ", fmt.Sprintf("camber     after a shift of %+.2f mm and a tilt of %+.2f mm/m: %+.2f mm at most, at %.4g mm; %.2f mm rms; in a band of %.2f mm",
			f.ShiftMM, f.TiltMMPerM, f.LargestMM, f.LargestAtMM, f.RMSmm, f.BandMM))
	}
	out.WriteString("\n")
	t := textTable{left: 0, head: [][]string{{"at", "height", "width", "camber", "mass/length", "stiffness", "section"}, {"mm", "mm", "mm", "mm", "%", "%", ""}}}
	for _, d := range c.At {
		shape := string(d.Shapes[0])
		if d.Shapes[0] != d.Shapes[1] {
			shape += " -> " + string(d.Shapes[1])
		}
		t.add(fmt.Sprintf("%.4g", d.AtMM), compact(d.HeightMM), compact(d.WidthMM), digits(d.CamberMM, 2), digits(d.MassPct, 1), digits(d.FlexPct, 1), shape)
	}
	t.write(&out, "  ")
	if len(c.Readings) > 0 {
		out.WriteString("\nhead and frog\n")
		t := textTable{left: 2, head: [][]string{{"", "reading", "model", "copy", "copy less model"}}}
		for _, p := range c.Readings {
			t.add(p.Part, p.Name+", "+p.Unit, compact(p.Model), compact(p.Copy), compact(p.Off))
		}
		t.write(&out, "  ")
	}
	switch {
	case c.ToleranceMM == 0:
	case len(c.Outside) == 0:
		fmt.Fprintf(&out, "\nall within ±%.4g mm\n", c.ToleranceMM)
	default:
		fmt.Fprintf(&out, "\noutside ±%.4g mm:\n", c.ToleranceMM)
		for _, o := range c.Outside {
			out.WriteString("  " + o + "\n")
		}
	}
	for _, note := range c.Notes {
		wrap(&out, "", "note: "+note)
	}
	return say(w, &out)
}

// digits is a number whose uncertainty is told elsewhere.
func digits(v measure.Value, n int) string {
	if !v.Known() {
		return "-"
	}
	if s := fmt.Sprintf("%.*f", n, v.X); strings.Trim(s, "-0.") != "" {
		return s
	}
	return fmt.Sprintf("%.*f", n, 0.0)
}

func printWork(w io.Writer, x stick.Work) error {
	var out strings.Builder
	for _, line := range x.Says() {
		wrapAt(&out, answerWidth, "", line)
	}
	fmt.Fprintf(&out, "\nafter %s, diameters times %.4g", x.Model, x.Scale)
	if x.Stage != "" {
		out.WriteString(", stage: " + x.Stage)
	}
	out.WriteString("\n\n")
	t := textTable{left: 0, head: [][]string{
		{"at", "height", "planned", "to come off", "width", "planned", "to come off", ""}, {"mm", "mm", "mm", "mm", "mm", "mm", "mm", ""},
	}}
	for _, s := range x.ToGo {
		flag := ""
		if s.UnderHeight || s.UnderWidth {
			flag = "under the plan"
		}
		mm := func(v float64) string { return fmt.Sprintf("%.2f", v) }
		t.add(fmt.Sprintf("%.4g", s.AtMM), mm(s.NowHeight), mm(s.PlanHeight), compact(s.HeightToGo), mm(s.NowWidth), mm(s.PlanWidth), compact(s.WidthToGo), flag)
	}
	t.write(&out, "  ")
	out.WriteString("\nif finished so:\n")
	p := x.Planned
	for _, l := range []struct{ name, text string }{
		{"mass", p.MassG.Text("g")}, {"balance", p.CentreOfMassMM.Text("mm") + " from the butt"},
		{"stiffness", p.StiffnessNM.Text("N/m")}, {"sag", p.SagMM.Text("mm")}, {"to come off", x.OffG.Text("g")},
	} {
		named(&out, l.name, l.text)
	}
	for _, c := range x.Checks {
		wrap(&out, "", fmt.Sprintf("%s: %s, foretold %s: %s", c.Name, c.Found.Text(c.Unit), c.Foretold.Text(c.Unit), c.Says))
	}
	for _, note := range x.Notes {
		wrap(&out, "", "note: "+note)
	}
	return say(w, &out)
}
