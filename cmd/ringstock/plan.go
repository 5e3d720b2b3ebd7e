package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringstock/grading"
	"ringstock/grading/stick"
	"ringstock/grading/stick/sheet"
	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

type planOptions struct {
	model    modelOptions
	wish     stick.Wish
	match    string
	load     loadOptions
	delivery string
	profile  string
	blanks   []string
	only     []string
	best     int
	reserve  string
	html     string
	ownBows  string
	json     bool
}

func newPlan() *cobra.Command {
	var o planOptions
	var place stockPlace
	cmd := &cobra.Command{
		Use:   "plan --model FILE",
		Short: "Find the blank for a stick: how thick it gets, how heavy, and whether there is wood enough",
		Long: `Scales the stick of a model so that, made of each blank in stock or of a delivery, it is as stiff
as the model (or as heavy), and says what it would weigh, where it would balance, and how much wood
each station would leave. The blanks that fit come first, the nearest to the wish leading: matched
in stiffness, by mass; matched in mass, by stiffness. That none fits is an answer.

Stiffness is load over deflection of the straight stick on two supports at the ends of the span,
in the plane of its height, the load in the middle of the span. The margin is the blank's diameter
less the stick's and the allowance, at the station where that is least.

` + modelHelp + exitHelp,
		Example: `  ringstock plan --model demo-violin --shaft-only
  ringstock plan --model old-one.csv --model-density 1060 --model-modulus 23.5 --delivery ringstock-demo --html plan.html
  ringstock plan --model old-one.toml --shaft-only --match mass --allowance-mm 0.5 --reserve "order 31"`,
		Args: takes(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error { return runPlan(cmd, &place, o) },
	}
	f := cmd.Flags()
	o.model.addFlags(cmd)
	o.load.addFlags(cmd)
	f.StringVar(&o.match, "match", "stiffness", "what the stick has in common with the model: stiffness or mass")
	quantityVar(f, &o.wish.MassG, "mass-g", 0, 1, 1000, "wanted mass in `GRAMS` (default the model's)")
	quantityVar(f, &o.wish.SagMM, "sag-mm", 0, 0.01, 500, "wanted sag under the load in `MM` (default the model's)")
	quantityVar(f, &o.wish.Allowance, "allowance-mm", 0, 0, 20, "wood to leave on every diameter, in `MM`")
	f.BoolVar(&o.wish.ShaftOnly, "shaft-only", false, "don't ask for a head block")
	f.BoolVar(&o.wish.At12, "at-12", false, "wood at 12 % moisture instead of as measured")
	f.StringVar(&o.delivery, "delivery", "", "look among the blanks of this delivery `FOLDER` instead of the stock")
	f.StringVar(&o.profile, "profile", "violin", "judge the ring of a delivery by this profile")
	f.StringSliceVar(&o.blanks, "blank", nil, "look among these `BLANKS` only")
	f.StringArrayVar(&o.only, "where", nil, "look among sticks in stock that meet a `CONDITION`, like density>1050")
	countVar(f, &o.best, "best", 6, 0, 1000000, "how many the short-list has")
	f.StringVar(&o.reserve, "reserve", "", "reserve the short-list in the stock `FOR` an order")
	f.StringVar(&o.ownBows, "own-bows", "", "correct by the finished sticks whose cards are in this `FOLDER` (default: bows in the stock's folder; none: don't)")
	f.StringVar(&o.html, "html", "", "write the plan with bench sheets to this `FILE`")
	f.BoolVar(&o.json, "json", false, "print one JSON document")
	place.addFlag(cmd)
	return cmd
}

func runPlan(cmd *cobra.Command, place *stockPlace, o planOptions) error {
	switch {
	case o.reserve != "" && o.delivery != "":
		return usageError{errors.New("--reserve is for sticks in stock: enter the delivery first, by ringstock stock add")}
	case len(o.only) > 0 && o.delivery != "":
		return usageError{errors.New("--where is for sticks in stock")}
	case o.best < 0:
		return usageError{fmt.Errorf("--best %d: give how many the short-list shall have", o.best)}
	}
	o.wish.Match = stick.Match(o.match)
	if o.wish.Match != stick.MatchStiffness && o.wish.Match != stick.MatchMass {
		return usageError{fmt.Errorf("--match %s: choose stiffness or mass", o.match)}
	}
	model, err := o.model.read(cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	o.wish.Load = o.load.on(model.Stick)
	if o.wish.Learned, err = ownBows(cmd, place, o.ownBows); err != nil {
		return err
	}
	blanks, unused, err := o.candidates(cmd, place)
	if err != nil {
		return err
	}
	plan, err := stick.Lay(model, blanks, o.wish)
	if err != nil {
		return usageError{err}
	}
	if o.json {
		err = writeJSON(cmd.OutOrStdout(), plan)
	} else {
		err = printPlan(cmd.OutOrStdout(), plan, o.best)
	}
	if err != nil {
		return err
	}
	if o.html != "" {
		err := writeFile(o.html, func(w io.Writer) error { return sheet.Plan(w, model, plan, o.best) })
		if err != nil {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), printable("the plan with its bench sheets is in "+o.html))
	}
	if o.reserve != "" {
		if err := reserve(cmd, place, plan, o); err != nil {
			return err
		}
	}
	for _, u := range unused {
		fmt.Fprintln(cmd.ErrOrStderr(), printable(u.File+": "+u.Reason))
	}
	switch {
	case !slices.ContainsFunc(plan.Candidates, func(c stick.Candidate) bool { return c.Scale.Known() }):
		return errors.New("of no blank are density and Young's modulus known; each is listed with its reason")
	case len(unused) > 0:
		return partlyDone{len(unused)}
	}
	return nil
}

// candidates are the blanks of a delivery or of the stock, and what could not be
// used of a delivery.
func (o planOptions) candidates(cmd *cobra.Command, place *stockPlace) (list []stick.Blank, unused []grading.Unused, err error) {
	if o.delivery != "" {
		list, unused, err = o.ofDelivery(cmd)
	} else {
		list, err = o.ofStock(cmd, place)
	}
	if err == nil && len(list) == 0 {
		err = errors.New("there is no blank to choose from")
	}
	return list, unused, err
}

func (o planOptions) ofDelivery(cmd *cobra.Command) (list []stick.Blank, unused []grading.Unused, err error) {
	profile, err := profileFor(cmd, o.profile, o.delivery)
	if err != nil {
		return nil, nil, err
	}
	page, err := gradeFolder(cmd.Context(), o.delivery, profile, nil, false, newProgress(cmd))
	if err != nil {
		return nil, nil, err
	}
	found := map[string]bool{}
	for _, b := range page.Grading.Blanks {
		found[b.Blank] = true
		if len(o.blanks) == 0 || slices.Contains(o.blanks, b.Blank) {
			list = append(list, stick.Blank{Name: b.Blank, Lot: b.Row.Lot, Species: b.Row.Species, Readings: b.Row.Readings, Wood: b.Wood, Quality: b.Score})
		}
	}
	for _, name := range o.blanks {
		if !found[name] {
			return nil, nil, fmt.Errorf("there is no blank %q in %s", name, o.delivery)
		}
	}
	return list, page.Grading.Unused, nil
}

func (o planOptions) ofStock(cmd *cobra.Command, place *stockPlace) (list []stick.Blank, err error) {
	var filters []stock.Filter
	for _, c := range o.only {
		f, err := stock.ParseFilter(c)
		if err != nil {
			return nil, usageError{err}
		}
		filters = append(filters, f)
	}
	err = place.with(cmd, false, func(ctx context.Context, s *stock.Store) error {
		ids, err := find(ctx, s, o.blanks)
		if err != nil {
			return err
		}
		sticks, err := s.List(ctx, filters, nil)
		if err != nil {
			return err
		}
		for _, b := range sticks {
			// A stick that is reserved or started is looked at only when it is asked for.
			if len(ids) > 0 && !slices.Contains(ids, b.ID) || len(ids) == 0 && b.State != stock.InStock {
				continue
			}
			blank, err := ofStick(ctx, s, b)
			if err != nil {
				return err
			}
			list = append(list, blank)
		}
		return nil
	})
	return list, err
}

// notTested is why the wood of a stick without a test is not known.
var notTested = measure.Reason{Code: "not tested", Text: "it was not tested yet"}

// ofStick is a stick in stock with its newest readings and the newest test that tells of
// its wood.
func ofStick(ctx context.Context, s *stock.Store, b stock.Blank) (stick.Blank, error) {
	out := stick.Blank{Name: b.Blank, ID: b.ID, Place: b.Place, Lot: b.Lot, Species: b.Species, State: string(b.State), Quality: b.Score}
	life, err := s.Show(ctx, b.ID)
	if err != nil {
		return out, err
	}
	if out.Readings, err = s.Readings(ctx, b.ID); err != nil {
		return out, err
	}
	out.Wood.Density = notTested.Value()
	for _, t := range slices.Backward(life.TestList) {
		if t.Void || t.Wood == nil {
			continue
		}
		if known := t.Wood.Density.Known() && t.Wood.YoungsModulus.Known(); known || out.Wood.Density.Is(notTested) {
			out.Wood = *t.Wood
			if known {
				break
			}
		}
	}
	return out, nil
}

// reserve reserves the short-list.
func reserve(cmd *cobra.Command, place *stockPlace, plan stick.Plan, o planOptions) error {
	var events []stock.Event
	var names []string
	for _, c := range plan.Candidates[:min(plan.Fitting(), o.best)] {
		if c.State != string(stock.InStock) {
			continue // a reserved stick is not taken from another order
		}
		reason := fmt.Sprintf("planned after %s, scale %.3f", plan.Model.Name, c.Scale.X)
		events = append(events, stock.Event{Kind: stock.Reserved, Blank: c.ID, Party: o.reserve, Reason: reason})
		names = append(names, c.Blank)
	}
	if len(events) == 0 {
		return errors.New("nothing was reserved: no blank that fits is free")
	}
	err := place.with(cmd, false, func(ctx context.Context, s *stock.Store) error { return s.Record(ctx, events...) })
	if err != nil {
		return err
	}
	fmt.Fprintln(cmd.ErrOrStderr(), printable(fmt.Sprintf("reserved for %s: %s", o.reserve, strings.Join(names, ", "))))
	return nil
}

// answerWidth is that of the lines that answer a question: they stand whole on
// the narrowest screen.
const answerWidth = 80

func printPlan(w io.Writer, p stick.Plan, best int) error {
	var out strings.Builder
	for _, line := range p.Says() {
		wrapAt(&out, answerWidth, "", line)
	}
	n := p.Fitting()
	if n > 0 {
		var list []string
		for _, c := range p.Candidates[:min(n, best)] {
			where := ""
			if c.Place != "" {
				where = " (" + c.Place + ")"
			}
			list = append(list, c.Blank+where)
		}
		if len(list) > 0 {
			wrapAt(&out, answerWidth, "", "short-list: "+strings.Join(list, ", "))
		}
		out.WriteString("\n")
		printFitting(&out, p, p.Candidates[:n])
	}
	if rest := p.Candidates[n:]; len(rest) > 0 {
		out.WriteString("\nnot fitting:\n")
		for _, c := range rest {
			wrapAt(&out, answerWidth, "  ", shorten(c.Blank, 12)+": "+strings.Join(c.Reasons, "; "))
		}
	}
	fmt.Fprintf(&out, "\nmodel %s", p.Model.Name)
	if p.Model.Source != "" {
		fmt.Fprintf(&out, " (%s)", p.Model.Source)
	}
	out.WriteString("\n")
	printModel(&out, p.Model)
	for _, note := range p.Notes {
		wrap(&out, "", "note: "+note)
	}
	return say(w, &out)
}

// printFitting sets the blanks that fit in a table and explains its columns.
func printFitting(out *strings.Builder, p stick.Plan, list []stick.Candidate) {
	// What is matched is the same for all, so the table leaves it out.
	what, unit, off := "mass", "g", "g"
	if p.Target.Match == stick.MatchMass {
		what, unit, off = "stiff", "N/m", "%"
	}
	t := textTable{left: 2, head: [][]string{
		{"rank", "blank", "butt", "mid", "head", "scale", what, "off", "spare", "at", "ring"},
		{"", "", "mm", "mm", "mm", "", unit, off, "mm", "mm", ""},
	}}
	for _, c := range list {
		rank := fmt.Sprint(c.Rank)
		if c.RankLow != c.RankHigh {
			rank += fmt.Sprintf(" (%d-%d)", c.RankLow, c.RankHigh)
		}
		name := shorten(c.Blank, 12)
		if c.Front {
			name += " *"
		}
		figure := c.MassG
		if p.Target.Match == stick.MatchMass {
			figure = c.StiffnessNM
		}
		t.add(rank, name, digits(c.ButtMM, 2), digits(c.MiddleMM, 2), digits(c.HeadEndMM, 2), digits(c.Scale, 3), compact(figure), compact(c.Off(p.Target.Match)),
			digits(c.MarginMM, 1), compact(c.MarginAtMM), digits(c.Quality, 0))
	}
	t.write(out, "")
	wish := "as stiff as wanted, " + p.Target.StiffnessNM.Text("N/m")
	if p.Target.Match == stick.MatchMass {
		wish = "as heavy as wanted, " + p.Target.MassG.Text("g")
	}
	for _, line := range []string{
		"butt, mid, head: height of the stick there. scale: of every diameter of the model; it makes the stick " + wish + ".",
		"off: from the wished " + map[bool]string{false: "mass", true: "stiffness"}[p.Target.Match == stick.MatchMass] + ". spare: least wood left over the plan, mm, and at which place from the butt. ring: score, 0-100. * no other is both nearer to the wish and of better ring.",
		"± is one standard uncertainty; ranks in brackets are a 95 % interval. Balance and the same-taper way are in --json and --html.",
	} {
		wrapAt(out, answerWidth, "", line)
	}
}

// printModel tells a stick's figures; the sag goes with span, load and place.
func printModel(out *strings.Builder, m stick.ModelSheet) {
	for _, l := range []struct{ name, text string }{
		{"shaft", m.LengthMM.Text("mm") + " long, " + m.VolumeCM3.Text("cm³")},
		{"mass", m.MassG.Text("g")},
		{"balance", m.CentreOfMassMM.Text("mm") + " from the butt"},
		{"stiffness", m.StiffnessNM.Text("N/m") + "; sideways " + m.WidthStiffnessNM.Text("N/m")},
		{"sag", m.SagMM.Text("mm") + fmt.Sprintf(" under %.4g g at %.4g mm, supports at %.4g and %.4g mm", m.Grams, m.AtMM, m.FromMM, m.ToMM)},
		{"notes, free", notesText(m.ModesHz, m.ModesU) + "; sideways " + notesText(m.WidthModesHz, m.WidthModesU) + "; twist " + notesText(m.TorsionHz, m.TorsionU)},
	} {
		named(out, l.name, l.text)
	}
	if low := m.CentroidMM.Scale(-1); low.X > 5e-4 {
		named(out, "egg", "the centre of the sections lies "+low.Text("mm")+" under the middle on average")
	}
}

// named writes a text beside its name; what does not fit stands under the text.
func named(out *strings.Builder, name, text string) {
	const column = 15
	var lines strings.Builder
	wrap(&lines, spaces(column-2), text)
	first, rest, _ := strings.Cut(lines.String(), "\n")
	fmt.Fprintf(out, "  %-12s %s\n%s", name, strings.TrimLeft(first, " "), rest)
}

func notesText(x, u []float64) string {
	if len(x) == 0 {
		return "not known"
	}
	var list []string
	for i := range x {
		list = append(list, compact(measure.Of(x[i], u[i])))
	}
	return strings.Join(list, ", ") + " Hz"
}

// modelOptions say which model, and of what wood.
type modelOptions struct {
	name                         string
	density, modulus             float64
	densityU, modulusU, tensionN float64
}

var modelHelp = `A model is a table (CSV) with a row per station:

  at_mm                 distance from the butt (needed)
  height_mm, width_mm   of the section; one alone means both
  shape                 round, oval (if empty), octagonal (across flats), egg (narrower side up)
                        or rectangular
  widest_mm             of an egg: height of the widest line over the underside
  d45_mm, d135_mm, ...  diameters at other angles from the height: the section is fitted
  camber_mm             how much nearer to the hair than a straight line through the ends

or a card (TOML) with that and wood, lumps, head and hair; "ringstock card demo-violin --text" prints one to
start from. Built in: ` + strings.Join(stick.Cards(), ", ") + ".\n"

func (o *modelOptions) addFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&o.name, "model", "", "the model: a `FILE`, or the name of a built-in one")
	o.addWoodFlags(cmd)
}

func (o *modelOptions) addWoodFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	quantityVar(f, &o.density, "model-density", 0, 50, 3000, "density of the model's wood in `KG/M3`")
	quantityVar(f, &o.modulus, "model-modulus", 0, 0.1, 1000, "Young's modulus of the model's wood in `GPA`")
	quantityVar(f, &o.densityU, "model-density-u", 0, 0, 3000, "standard uncertainty of the density")
	quantityVar(f, &o.modulusU, "model-modulus-u", 0, 0, 1000, "standard uncertainty of the modulus")
	quantityVar(f, &o.tensionN, "hair-tension", 0, 0.1, 1000, "hair tension in `NEWTON` for the strung stick (default the card's)")
}

// read reads the model and asks back what looks wrong in it.
func (o modelOptions) read(stderr io.Writer) (stick.Model, error) {
	if o.name == "" {
		return stick.Model{}, usageError{fmt.Errorf("give --model FILE, or one of %s", strings.Join(stick.Cards(), ", "))}
	}
	m, err := readModel(o.name)
	if err != nil {
		return m, err
	}
	for _, v := range []struct {
		flag string
		x, u float64
		to   *measure.Value
	}{{"--model-density", o.density, o.densityU, &m.Wood.Density}, {"--model-modulus", o.modulus, o.modulusU, &m.Wood.YoungsModulus}} {
		switch {
		case v.x == 0 && v.u == 0:
			continue
		case v.x == 0:
			return m, usageError{fmt.Errorf("%s-u %g: give %s as well", v.flag, v.u, v.flag)}
		case v.u >= v.x:
			return m, usageError{fmt.Errorf("%s-u %g: an uncertainty as large as the %g it belongs to", v.flag, v.u, v.x)}
		}
		*v.to = measure.Of(v.x, v.u)
		m.Wood.SpecificModulus = measure.Unknown("given apart")
	}
	if o.tensionN > 0 {
		m.Hair.TensionN = o.tensionN
	}
	askBack(stderr, m)
	return m, nil
}

func askBack(stderr io.Writer, m stick.Model) {
	for _, q := range m.Questions {
		fmt.Fprintln(stderr, printable(m.Name+": "+q))
	}
}

// readModel reads a model by its file, else by the name of a built-in one.
func readModel(name string) (stick.Model, error) {
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		if text, ok := stick.CardText(name); ok {
			return stick.ReadModel(name+".toml", strings.NewReader(string(text)))
		}
		return stick.Model{}, fmt.Errorf("there is no model %s: neither a file nor one of %s", name, strings.Join(stick.Cards(), ", "))
	}
	if err != nil {
		return stick.Model{}, fmt.Errorf("model: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && !info.Mode().IsRegular() {
		return stick.Model{}, fmt.Errorf("model %s: this is not a file", name)
	}
	m, err := stick.ReadModel(name, f)
	if err != nil {
		return m, fmt.Errorf("model %s: %w", name, err)
	}
	return m, nil
}

// loadOptions say how the sag is taken.
type loadOptions struct{ span, from, at, grams float64 }

func (o *loadOptions) addFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	quantityVar(f, &o.span, "span-mm", 0, 1, 2000, "distance of the supports in `MM` (default the whole length)")
	quantityVar(f, &o.from, "support-at-mm", -1, 0, 2000, "place of the first support from the butt in `MM` (default: the span lies in the middle)")
	f.Lookup("support-at-mm").DefValue = "" // the text says it
	quantityVar(f, &o.at, "load-at-mm", 0, 0.1, 2000, "place of the load from the butt in `MM` (default the middle of the span)")
	quantityVar(f, &o.grams, "load-g", 500, 0.1, 100000, "load in `GRAMS`")
}

func (o loadOptions) on(s stick.Stick) stick.Load {
	l := s.MidSpan(o.span, o.grams)
	if o.from >= 0 {
		l.FromMM, l.ToMM = o.from, o.from+l.SpanMM()
		l.AtMM = (l.FromMM + l.ToMM) / 2
	}
	if o.at > 0 {
		l.AtMM = o.at
	}
	return l
}
