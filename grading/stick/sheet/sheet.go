// Package sheet draws plans, comparisons, work in hand and cards of sticks, each as one
// HTML file that needs nothing else and prints on A4, sections and side view at full
// size. It computes nothing about wood.
package sheet

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"

	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

//go:embed sheet.css
var style string

//go:embed sheet.html
var pages string

var templates = template.Must(template.New("sheet").Parse(pages))

// page is what every sheet has.
type page struct {
	Title            string
	Style            template.CSS
	Policy           string
	Questions, Notes []string
	Cautions         []stick.Caution
}

func newPage(title string, questions, notes []string) page {
	sum := sha256.Sum256([]byte(style))
	return page{
		Title: title, Style: template.CSS(style), Questions: questions, Notes: notes, Cautions: stick.Cautions,
		Policy: "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'",
	}
}

func write(w io.Writer, name string, data any) error {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, name, data); err != nil {
		return fmt.Errorf("sheet: %w", err)
	}
	_, err := w.Write(out.Bytes())
	return err
}

// row is a line of a table, already in words.
type row struct {
	At, Shape, Height, Width, Wood, Spare, Mass string
	Name, Rank, Ranks, Scale, Off, Balance      string
	What, Margin, Add, Ring, Why, Thick         string
	Strip                                       *drawing
	Least, Under, Flag                          bool
}

// figure is a large number.
type figure struct{ Name, Value, Unit, Under string }

func large(name string, v measure.Value, unit, under string) figure {
	if !v.Known() {
		return figure{name, "–", "", v.Text("")}
	}
	x, u := v.Rounded()
	if u != "" {
		unit = "± " + u + " " + unit
	}
	return figure{name, strings.Replace(x, "-", "−", 1), unit, under}
}

// difference is a large number with its sign.
func difference(name string, v measure.Value, unit, under string) figure {
	f := large(name, v, unit, under)
	if v.Known() {
		f.Value, _, _ = strings.Cut(signed(v), " ±")
	}
	return f
}

// signed is a difference with its sign.
func signed(v measure.Value) string {
	if !v.Known() {
		return "–"
	}
	x, u := v.Rounded()
	if v.U == 0 {
		x = fmt.Sprintf("%.2f", v.X)
	}
	if !strings.HasPrefix(x, "-") && strings.Trim(x, "0.") != "" {
		x = "+" + x
	}
	x = strings.Replace(x, "-", "−", 1)
	if u != "" {
		x += " ± " + u
	}
	return x
}

func known(v measure.Value) string {
	if !v.Known() {
		return "–"
	}
	return v.Text("")
}

// facts are a stick's figures in words.
type facts struct {
	Length, Mass, Balance, Stiffness, Sag, Modes, Wood, Egg, Source string
}

func newFacts(m stick.ModelSheet) facts {
	list := func(x, u []float64) string {
		var out []string
		for i := range x {
			out = append(out, measure.Of(x[i], u[i]).Text(""))
		}
		if len(out) == 0 {
			return "not known"
		}
		return strings.Join(out, ", ") + " Hz"
	}
	f := facts{
		Length:    m.LengthMM.Text("mm") + ", " + m.VolumeCM3.Text("cm³"),
		Mass:      m.MassG.Text("g"),
		Balance:   m.CentreOfMassMM.Text("mm") + " from the butt",
		Stiffness: m.StiffnessNM.Text("N/m") + "; sideways " + m.WidthStiffnessNM.Text("N/m"),
		Sag:       m.SagMM.Text("mm") + " under " + loadText(m.Load),
		Modes:     "height " + list(m.ModesHz, m.ModesU) + "; width " + list(m.WidthModesHz, m.WidthModesU) + "; twist " + list(m.TorsionHz, m.TorsionU),
		Wood:      "density " + m.Wood.Density.Text("kg/m³") + ", Young’s modulus " + m.Wood.YoungsModulus.Text("GPa"),
		Source:    m.Source,
	}
	if low := m.CentroidMM.Scale(-1); low.X > 5e-4 {
		f.Egg = "centre of area " + low.Text("mm") + " under the middle, on average"
	}
	return f
}

func loadText(l stick.Load) string {
	return fmt.Sprintf("%.4g g at %.4g mm, supports at %.4g and %.4g mm (span %.4g mm)", l.Grams, l.AtMM, l.FromMM, l.ToMM, l.SpanMM())
}

// bench is a page for the bench.
type bench struct {
	Name, Says, Where, Allowance string
	Spares                       *drawing
	Side, Sections, Rule         *drawing
	HasWood                      bool
	Rows                         []row
}

// Plan writes a plan, with bench sheets for the best that fit.
func Plan(w io.Writer, model stick.Model, p stick.Plan, best int) error {
	view := struct {
		page
		Model         stick.ModelSheet
		Headline, Aim string
		WhatName      template.HTML
		OffName       template.HTML
		Facts         facts
		Front         *drawing
		Fits, Out     []row
		Count         int
		Bench         []bench
	}{page: newPage("Stick plan – "+p.Model.Name, p.Questions, p.Notes), Model: p.Model, Facts: newFacts(p.Model), Front: front(p), Count: len(p.Candidates)}
	match := p.Target.Match
	view.WhatName = "Mass<br>g"
	view.Aim, view.OffName = "Every diameter times the scale makes the stick as stiff as wanted, "+p.Target.StiffnessNM.Text("N/m")+".", "Off in mass<br>g"
	if match == stick.MatchMass {
		view.WhatName = "Stiffness<br>N/m"
		view.Aim, view.OffName = "Every diameter times the scale makes the stick as heavy as wanted, "+p.Target.MassG.Text("g")+".", "Off in stiffness<br>%"
	}
	fit := p.Fitting()
	view.Headline = strings.Join(p.Says(), " ")
	low, high := 0.0, 1e-9
	for _, c := range p.Candidates[:fit] {
		if off := c.Off(match); off.Known() {
			low, high = min(low, off.X-2*off.U), max(high, off.X+2*off.U)
		}
	}
	for i, c := range p.Candidates {
		r := row{Name: c.Blank, Rank: fmt.Sprint(c.Rank), Scale: strings.TrimPrefix(fixed(c.Scale, 3), "+"), Mass: known(c.MassG), What: known(c.MassG), Off: signed(c.Off(match)), Balance: fixed0(c.CentreOfMassMM),
			Margin: signed(c.MarginMM), At: known(c.MarginAtMM), Add: plain(c.AddMM), Ring: known(c.Quality), Why: strings.Join(c.Reasons, "; "), Thick: Thick(c)}
		if match == stick.MatchMass {
			r.What = known(c.StiffnessNM)
		}
		if i >= fit {
			view.Out = append(view.Out, r)
			continue
		}
		if c.RankLow != c.RankHigh {
			r.Ranks = fmt.Sprintf("(%d–%d)", c.RankLow, c.RankHigh)
		}
		r.Strip = offStrip(c, match, low, high)
		view.Fits = append(view.Fits, r)
		if i < best {
			view.Bench = append(view.Bench, newBench(model, p, c))
		}
	}
	return write(w, "plan", view)
}

// Thick is how thick the stick of a candidate gets, mm: at the butt, in the
// middle, at the head.
func Thick(c stick.Candidate) string {
	if !c.ButtMM.Known() {
		return "–"
	}
	return fmt.Sprintf("%.2f %.2f %.2f", c.ButtMM.X, c.MiddleMM.X, c.HeadEndMM.X)
}

func newBench(model stick.Model, p stick.Plan, c stick.Candidate) bench {
	s := model.Scaled(c.Scale.X)
	b := bench{
		Name: c.Blank, Spares: spares(c), Sections: sections(s.Stations), Rule: rule(),
		Says: fmt.Sprintf("After %s, diameters × %s: %s, balance %s from the butt, %s; sag %s under %s", p.Model.Name, c.Scale.Text(""), c.MassG.Text("g"), c.CentreOfMassMM.Text("mm"),
			c.StiffnessNM.Text("N/m"), c.SagMM.Text("mm"), loadText(p.Model.Load)),
		Allowance: fmt.Sprintf("blank less planned diameter less the allowance of %.4g mm", p.Target.AllowanceMM),
	}
	where := []string{fmt.Sprintf("Lay the butt %.4g mm from the blank’s butt end.", c.ShiftMM)}
	if c.Place != "" {
		where = append(where, "Place: "+c.Place+".")
	}
	if c.Lot != "" {
		where = append(where, "Lot "+c.Lot+".")
	}
	if why := strings.Join(c.Reasons, "; "); why != "" {
		where = append(where, strings.ToUpper(why[:1])+why[1:]+".")
	}
	b.Where = strings.Join(where, " ")
	b.Side = sideView(s, func(at float64) (float64, bool) {
		wood, ok := c.Wood(at - 1000*s.Stations[0].X)
		return 1000 * wood.Height, ok
	})
	for i, at := range s.Stations {
		r := stationRow(at)
		if wood, ok := c.Wood(1000 * (at.X - s.Stations[0].X)); ok {
			b.HasWood = true
			r.Wood = fmt.Sprintf("%.2f × %.2f", 1000*wood.Height, 1000*wood.Width)
		}
		if i < len(c.Spares) {
			r.Spare = fmt.Sprintf("%.2f", c.Spares[i].MM)
			r.Least = c.Spares[i].AtMM == c.MarginAtMM.X
		}
		b.Rows = append(b.Rows, r)
	}
	return b
}

func stationRow(at stick.Station) row {
	return row{At: fmt.Sprintf("%.4g", 1000*at.X), Shape: string(at.Shape), Height: fmt.Sprintf("%.2f", 1000*at.Height), Width: fmt.Sprintf("%.2f", 1000*at.Width)}
}

// Compare writes how a copy differs from its model.
func Compare(w io.Writer, model, copy stick.Model, c stick.Comparison) error {
	view := struct {
		page
		Model, Copy, Headline, CamberSays, BandSays, USays string
		Lead                                               []figure
		Heights, Widths, Camber, Deviations                *drawing
		Outside                                            []string
		Readings                                           []namedRow
		Rows                                               []row
		ModelFacts, CopyFacts                              facts
	}{
		page:  newPage(c.Copy.Name+" against "+c.Model.Name, c.Questions, c.Notes),
		Model: c.Model.Name, Copy: c.Copy.Name, Outside: c.Outside, ModelFacts: newFacts(c.Model), CopyFacts: newFacts(c.Copy),
		Heights:    overlay(model.Stick, copy.Stick, "height", func(s stick.Section) float64 { return s.Height }),
		Widths:     overlay(model.Stick, copy.Stick, "width", func(s stick.Section) float64 { return s.Width }),
		Deviations: deviations(c),
		USays:      fmt.Sprintf("Diameters ± %.2g mm.", math.Hypot(model.Accuracy.CalliperMM, copy.Accuracy.CalliperMM)),
	}
	view.Headline = fmt.Sprintf("Against %s: diameters differ by %.2f mm rms, most in the %s at %.4g mm.", c.Model.Name, c.RMSmm, c.LargestSide, c.LargestAtMM)
	if c.RMSmm == 0 {
		view.Headline = fmt.Sprintf("Against %s: no diameter differs.", c.Model.Name)
	}
	view.Lead = []figure{
		difference("largest in diameter", c.LargestMM, "mm", fmt.Sprintf("%s at %.4g mm", c.LargestSide, c.LargestAtMM)),
		difference("mass", c.MassOffG, "g", ""),
		difference("balance", c.BalanceOff, "mm", "towards the head is +"),
		difference("stiffness", c.StiffOffPct, "%", ""),
	}
	if f := c.Camber; f != nil {
		view.Lead = append(view.Lead, difference("camber, largest", measure.Of(f.LargestMM, 0), "mm", fmt.Sprintf("rms %.2f mm, band %.2f mm", f.RMSmm, f.BandMM)))
		view.Camber = camber(*f, c.ToleranceMM)
		view.CamberSays = fmt.Sprintf("The copy was shifted by %s mm and tilted by %s mm per metre as a whole (least squares). Left over: %s mm at most, at %.4g mm; %.2f mm rms. The narrowest band about the model’s curve that holds the copy is %.2f mm high.",
			plain(measure.Of(f.ShiftMM, 0)), plain(measure.Of(f.TiltMMPerM, 0)), plain(measure.Of(f.LargestMM, 0)), f.LargestAtMM, f.RMSmm, f.BandMM)
	}
	if c.ToleranceMM > 0 {
		view.BandSays = fmt.Sprintf("Shaded: ± %.4g mm, the tolerance.", c.ToleranceMM)
	}
	for _, p := range c.Readings {
		view.Readings = append(view.Readings, namedRow{p.Part, p.Name + ", " + p.Unit, known(p.Model), known(p.Copy), signed(p.Off)})
	}
	for _, d := range c.At {
		r := row{At: fmt.Sprintf("%.4g", d.AtMM), Shape: string(d.Shapes[0]), Height: plain(d.HeightMM), Width: plain(d.WidthMM), Wood: plain(d.CamberMM), Mass: tenth(d.MassPct), Spare: tenth(d.FlexPct)}
		if d.Shapes[0] != d.Shapes[1] {
			r.Shape += " → " + string(d.Shapes[1])
		}
		view.Rows = append(view.Rows, r)
	}
	return write(w, "compare", view)
}

// plain is a difference in hundredths, tenth one in tenths, without its uncertainty,
// which is told once for all.
func fixed0(v measure.Value) string { return strings.TrimPrefix(fixed(v, 0), "+") }
func plain(v measure.Value) string  { return fixed(v, 2) }
func tenth(v measure.Value) string  { return fixed(v, 1) }

func fixed(v measure.Value, digits int) string {
	if !v.Known() {
		return "–"
	}
	s := fmt.Sprintf("%+.*f", digits, v.X)
	if strings.Trim(s, "+-0.") == "" {
		s = s[1:]
	}
	return strings.Replace(s, "-", "−", 1)
}

// Work writes a stick in the making against its plan.
func Work(w io.Writer, now, plan stick.Stick, name string, x stick.Work) error {
	view := struct {
		page
		Name, Stage, Headline string
		Lead                  []figure
		Checks                []row
		Side, Sections, Rule  *drawing
		Rows                  []row
	}{page: newPage("Working down – "+name, x.Questions, x.Notes), Name: name, Stage: x.Stage, Sections: sections(plan.Stations), Rule: rule()}
	view.Headline = strings.Join(x.Says(), " ") + fmt.Sprintf(" After %s, diameters × %.3f.", x.Model, x.Scale)
	for _, c := range x.Checks {
		view.Checks = append(view.Checks, row{Name: c.Name, Mass: c.Foretold.Text(c.Unit), Off: c.Found.Text(c.Unit), Why: c.Says, Flag: c.Surprise})
	}
	for _, t := range x.ToGo {
		view.Rows = append(view.Rows, row{At: fmt.Sprintf("%.4g", t.AtMM), Height: fmt.Sprintf("%.2f", t.NowHeight), Wood: fmt.Sprintf("%.2f", t.PlanHeight), Spare: plain(t.HeightToGo), Under: t.UnderHeight,
			Width: fmt.Sprintf("%.2f", t.NowWidth), Mass: fmt.Sprintf("%.2f", t.PlanWidth), Shape: plain(t.WidthToGo), Least: t.UnderWidth})
	}
	view.Lead = []figure{
		large("still to come off", x.OffG, "g", ""),
		large("mass if finished so", x.Planned.MassG, "g", ""),
		large("balance then", x.Planned.CentreOfMassMM, "mm", "from the butt"),
		large("stiffness then", x.Planned.StiffnessNM, "N/m", "sag "+x.Planned.SagMM.Text("mm")),
	}
	view.Side = sideView(plan, func(at float64) (float64, bool) {
		first, last := now.Stations[0].X, now.Stations[len(now.Stations)-1].X
		if at/1000 < first-1e-9 || at/1000 > last+1e-9 {
			return 0, false
		}
		return 1000 * now.Section(at/1000).Height, true
	})
	return write(w, "work", view)
}

// namedRow is a named reading in words.
type namedRow struct{ Part, Name, Model, Copy, Off string }

func namedRows(list []stick.Named) (rows []namedRow) {
	for _, n := range list {
		rows = append(rows, namedRow{Name: n.Name, Model: n.Value.Text(n.Unit)})
	}
	return rows
}

// Card writes the card of a finished stick.
func Card(w io.Writer, m stick.Model, c stick.Card) error {
	view := struct {
		page
		Name, About, Day     string
		Lead                 []figure
		Facts                facts
		Whole                []stick.Fact
		Origin               []stick.Fact
		Head, Frog           []namedRow
		Camber               *drawing
		Side, Sections, Rule *drawing
		Rows                 []row
	}{
		page: newPage("Card – "+m.Name, c.Questions, c.Notes), Name: m.Name, About: m.About, Day: c.Date, Facts: newFacts(c.ModelSheet), Origin: c.Origin,
		Whole: c.Weighed(), Head: namedRows(c.HeadReadings), Frog: namedRows(c.FrogReadings),
		Side: sideView(m.Stick, func(float64) (float64, bool) { return 0, false }), Sections: sections(m.Stations), Rule: rule(),
	}
	mass, balance := c.MassG, c.CentreOfMassMM
	from, about := "by stations and wood", "from the butt, by stations and wood"
	if m.Bare.MassG.Known() {
		mass, from = m.Bare.MassG, "weighed, bare stick"
	}
	if m.Bare.BalanceMM.Known() {
		balance, about = m.Bare.BalanceMM, "from the butt, measured"
	}
	view.Lead = []figure{
		large("mass", mass, "g", from), large("balance", balance, "mm", about),
		large("sag", c.SagMM, "mm", fmt.Sprintf("%.4g g, span %.4g mm, at %.4g mm", c.Grams, c.SpanMM, c.AtMM)),
		large("stiffness", c.StiffnessNM, "N/m", ""),
	}
	if len(c.ModesHz) > 0 {
		view.Lead = append(view.Lead, large("lowest note, free", measure.Of(c.ModesHz[0], c.ModesU[0]), "Hz", ""))
	}
	if len(m.Camber) > 2 {
		view.Camber = camberOf(m)
	}
	for i, at := range m.Stations {
		r := stationRow(at)
		r.Wood = "–"
		if camber := c.Stations[i].CamberMM; camber.Known() {
			r.Wood = fmt.Sprintf("%.1f", camber.X)
		}
		view.Rows = append(view.Rows, r)
	}
	return write(w, "card", view)
}
