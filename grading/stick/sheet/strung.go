package sheet

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

// Style is the style sheet that the pictures of this package are drawn for.
func Style() string { return style }

// BowPicture is one picture of up to two strung bows over each other, as SVG in the
// classes of [Style]: at rest, with the unstrung sticks, or pressed at a place by its
// name, with the sticks at rest.
func BowPicture(bows []stick.StrungBow, place string) (template.HTML, error) {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, "drawing", bowDrawing(bows, place)); err != nil {
		return "", fmt.Errorf("sheet: %w", err)
	}
	return template.HTML(out.String()), nil // by the template, which escapes what comes from files
}

// bowDrawing draws sticks and hair, the hair at rest level, heights several times
// larger than lengths.
func bowDrawing(bows []stick.StrungBow, place string) *drawing {
	title := "The bow at rest under the pull of its hair"
	if place != "" {
		title = "The bow pressed at the " + place
	}
	d := &drawing{Class: "overlay bow", W: 760, H: 250, Title: title}
	type line struct {
		class  string
		points []stick.BowPoint
	}
	var lines []line
	for i, b := range bows[:min(2, len(bows))] {
		class := []string{"model", "copy"}[i]
		before, stickLine, hair := onEnds(b.Unstrung, b.Strung), b.Strung, b.HairLine
		if p := pressedAt(b, place); p != nil {
			before, stickLine, hair = b.Strung, p.Stick, p.Hair
		}
		lines = append(lines, line{class + " before", before}, line{class, stickLine}, line{class + " hairs", hair})
	}
	low, high, end := 0.0, 0.0, 0.0
	for _, l := range lines {
		for _, p := range l.points {
			low, high, end = min(low, p.OverMM), max(high, p.OverMM), max(end, p.AlongMM)
		}
	}
	x, y := axis{0, 1.01 * end, 46, 746}, axis{low - 0.05*(high-low), high + 0.08*(high-low), 214, 22}
	for _, v := range x.ticks(8) {
		d.line("grid", x.at(v), y.from, x.at(v), y.to)
		d.text("num", x.at(v), y.from+16, "middle", "%s", tick(v))
	}
	for _, v := range y.ticks(5) {
		d.line("grid", x.from, y.at(v), x.to, y.at(v))
		d.text("num", x.from-6, y.at(v)+4, "end", "%s", tick(v))
	}
	times := math.Abs(y.to-y.from) / (y.high - y.low) / ((x.to - x.from) / (x.high - x.low))
	d.text("", x.from, y.to-8, "start", "mm over the hair at rest (drawn %.2g times larger than along it)", times)
	d.text("", x.to, y.from+29, "end", "mm along the hair, from the frog")
	for _, l := range lines {
		var p []point
		for _, q := range l.points {
			p = append(p, point{x.at(q.AlongMM), y.at(q.OverMM)})
		}
		d.path(l.class, "%s", run(p))
	}
	return d
}

// onEnds lays a line of points on the ends of another.
func onEnds(list, on []stick.BowPoint) (out []stick.BowPoint) {
	n := len(list) - 1
	a, b := on[0].OverMM-list[0].OverMM, on[len(on)-1].OverMM-list[n].OverMM
	for _, p := range list {
		t := (p.AlongMM - list[0].AlongMM) / (list[n].AlongMM - list[0].AlongMM)
		p.OverMM += a + t*(b-a)
		out = append(out, p)
	}
	return out
}

func pressedAt(b stick.StrungBow, place string) *stick.Pressed {
	for i := range b.Pressed {
		if b.Pressed[i].Place == place {
			return &b.Pressed[i]
		}
	}
	return nil
}

// Strung writes one or two strung bows: pictures at rest and pressed, and their
// figures side by side.
func Strung(w io.Writer, s stick.StrungBows) error {
	bows := s.Bows
	type picture struct {
		Drawing *drawing
		Says    string
	}
	view := struct {
		page
		Headline    string
		Names       []string
		Columns     []string
		Pictures    []picture
		Rows        [][]string // a name and a text for each bow
		Assumptions []string
	}{page: newPage("Strung – "+bows[0].Name, nil, nil)}
	lines := stick.StrungBows{} // named as they are drawn
	for i, b := range bows {
		if len(bows) > 1 {
			b.Name = []string{"Solid line", "Dashed line"}[i]
		}
		lines.Bows = append(lines.Bows, b)
		view.Columns = append(view.Columns, b.Name)
	}
	view.Headline = strings.Join(lines.Says(), " ")
	view.Pictures = []picture{{bowDrawing(bows, ""), "At rest. Thin: the stick without the hair’s pull, laid on the same ends."}}
	for _, p := range bows[0].Pressed {
		view.Pictures = append(view.Pictures, picture{bowDrawing(bows, p.Place), fmt.Sprintf("Pressed with %.3g N at the %s, the frog held still. Thin: the stick at rest.", p.ForceN, p.Place)})
	}
	for i, b := range bows {
		view.Names = append(view.Names, b.Name)
		for _, a := range b.Assumptions {
			if i > 0 && slices.Contains(bows[0].Assumptions, a) {
				continue
			}
			if i > 0 {
				a = view.Columns[i] + ": " + a
			}
			view.Assumptions = append(view.Assumptions, a)
		}
	}
	for _, f := range stick.BowFigures(bows[0]) {
		row := []string{f.Name}
		for _, b := range bows {
			row = append(row, figureOf(b, f.Name))
		}
		view.Rows = append(view.Rows, row)
	}
	return write(w, "strung", view)
}

func figureOf(b stick.StrungBow, name string) string {
	for _, f := range stick.BowFigures(b) {
		if f.Name == name {
			return f.Value
		}
	}
	return known(measure.Value{})
}

// Traced is a camber read from a tracing, in words and readings, and what it was laid on.
type Traced struct {
	Name             string
	Says             []string
	Camber           []stick.Point
	CamberU          []measure.Value // the same readings with their uncertainty, mm
	Against          string          // name of the other; empty = none
	Fit              *stick.CamberFit
	Notes, Questions []string
}

// Write writes the sheet of a tracing.
func (t Traced) Write(w io.Writer) error {
	view := struct {
		page
		Name, Headline, Against string
		Camber, Both            *drawing
		Rows                    []row
	}{page: newPage("Tracing – "+t.Name, t.Questions, t.Notes), Name: t.Name, Headline: strings.Join(t.Says, " "), Against: t.Against, Camber: camberOf(stick.Model{Camber: t.Camber})}
	if t.Fit != nil {
		view.Both = camber(*t.Fit, 0)
	}
	for i, p := range t.Camber {
		view.Rows = append(view.Rows, row{At: fmt.Sprintf("%.4g", 1000*p.X), Height: known(t.CamberU[i])})
	}
	return write(w, "traced", view)
}

// CamberPicture is two cambers laid over each other, as SVG in the classes of [Style].
func CamberPicture(f stick.CamberFit) (template.HTML, error) {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, "drawing", camber(f, 0)); err != nil {
		return "", fmt.Errorf("sheet: %w", err)
	}
	return template.HTML(out.String()), nil
}
