package report

import (
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"ringstock/spectrum"
)

// A picture is a display list that the template turns into inline SVG. Its
// colours come from the style sheet by class, so that one picture serves light,
// dark and paper.
type picture struct {
	W, H  num
	Class string
	Label string // what the picture shows, for those who can't see it
	Says  string // what its caption has to add
	Marks []mark
}

// A mark is one element of a picture; Kind says which fields count.
type mark struct {
	Kind    string // path, rect, dot, text, image or group
	Class   string
	X, Y    num // corner of a rect or image; centre of a dot; foot of a text
	W, H, R num
	D       string
	Text    string // of a text; of a group: its tooltip
	Anchor  string // of a text: start, middle or end
	Href    template.URL
	Index   int // of a group: the blank it stands for, or of a text: the blank it names
	Marks   []mark
}

// num prints with one decimal, which is a tenth of a pixel: finer is not seen.
type num float64

func (n num) String() string {
	s := strconv.FormatFloat(float64(n), 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

func (p *picture) add(m ...mark) { p.Marks = append(p.Marks, m...) }

// line draws a straight line. All lines of a class are one path, which saves a browser
// from making tens of thousands of elements for a large delivery.
func (p *picture) line(class string, x1, y1, x2, y2 float64) {
	from, x, y := "M"+num(x1).String()+" "+num(y1).String(), num(x2).String(), num(y2).String()
	d := from + "L" + x + " " + y
	switch {
	case y1 == y2:
		d = from + "H" + x
	case x1 == x2:
		d = from + "V" + y
	}
	for i := range p.Marks {
		if m := &p.Marks[i]; m.Kind == "path" && m.Class == class {
			m.D += d
			return
		}
	}
	p.path(class, d)
}

func (p *picture) text(class, anchor string, x, y float64, s string) {
	p.add(mark{Kind: "text", Class: class, Anchor: anchor, X: num(x), Y: num(y), Text: s})
}

func (p *picture) path(class, d string) {
	if d != "" {
		p.add(mark{Kind: "path", Class: class, D: d})
	}
}

// axis maps a quantity to pixels.
type axis struct {
	lo, hi   float64 // ends of the quantity
	from, to float64 // their places in pixels
	log      bool
}

func (a axis) at(v float64) float64 {
	lo, hi := a.lo, a.hi
	if a.log {
		v, lo, hi = math.Log(v), math.Log(lo), math.Log(hi)
	}
	return a.from + (v-lo)/(hi-lo)*(a.to-a.from)
}

func (a axis) has(v float64) bool { return v >= a.lo && v <= a.hi }

func (a axis) clamp(v float64) float64 { return math.Max(a.lo, math.Min(a.hi, v)) }

// ticks are round numbers inside the axis, at most n of them.
func (a axis) ticks(n int) []float64 {
	if !(a.hi > a.lo) || n < 1 {
		return nil
	}
	var out []float64
	if a.log {
		for decade := math.Pow(10, math.Floor(math.Log10(a.lo))); decade <= a.hi; decade *= 10 {
			for _, k := range []float64{1, 2, 5} {
				if a.has(k * decade) {
					out = append(out, k*decade)
				}
			}
		}
		return out
	}
	step := math.Pow(10, math.Floor(math.Log10((a.hi-a.lo)/float64(n))))
	for _, k := range []float64{1, 2, 5, 10} {
		if (a.hi-a.lo)/(k*step) <= float64(n) {
			step *= k
			break
		}
	}
	for i := math.Ceil(a.lo / step); i*step <= a.hi+1e-9*step; i++ {
		out = append(out, i*step)
	}
	return out
}

// tick is how a round number is written on an axis.
func tick(v float64) string {
	if math.Abs(v) < 1e-9 {
		return "0"
	}
	return strings.Replace(strconv.FormatFloat(v, 'g', 6, 64), "-", "−", 1)
}

// curve is the path through the points, thinned to the lowest and highest point
// of each pixel column, and to those that the straight lines between the rest would miss;
// points outside the x axis or not finite are left out.
func curve(points []spectrum.Point, x, y axis) string {
	var thin []spectrum.Point // in pixels
	var low, high spectrum.Point
	column, n := math.Inf(-1), 0
	flush := func() {
		switch {
		case n == 0:
		case low == high:
			thin = append(thin, low)
		case low.X <= high.X:
			thin = append(thin, low, high)
		default:
			thin = append(thin, high, low)
		}
		n = 0
	}
	for _, p := range points {
		if !finite(p.X) || !finite(p.Y) || !x.has(p.X) {
			continue
		}
		px, py := x.at(p.X), y.at(y.clamp(p.Y))
		if c := math.Floor(px); c != column {
			flush()
			column = c
		}
		if n == 0 || py > low.Y {
			low = spectrum.Point{X: px, Y: py}
		}
		if n == 0 || py < high.Y {
			high = spectrum.Point{X: px, Y: py}
		}
		n++
	}
	flush()

	var d strings.Builder
	var last spectrum.Point
	link := "M"
	for _, p := range straighten(thin) {
		p = spectrum.Point{X: math.Round(p.X*10) / 10, Y: math.Round(p.Y*10) / 10}
		dx, dy := num(p.X-last.X).String(), num(p.Y-last.Y).String()
		switch {
		case link == "M": // the first is a place, the others are steps
			d.WriteString("M" + dx)
			link = "l"
		case dx == "0" && dy == "0":
			continue
		case link == " " && dx[0] == '-':
			d.WriteString(dx)
		default:
			d.WriteString(link + dx)
			link = " "
		}
		if dy[0] != '-' {
			d.WriteByte(' ')
		}
		d.WriteString(dy)
		last = p
	}
	if link == " " {
		return d.String()
	}
	return ""
}

// within cuts a line off at the edges of the field. What is beyond is left out: pressed
// onto the edge, it would bend the line.
func within(line []spectrum.Point, x, y axis) (out []spectrum.Point) {
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		from, to := 0.0, 1.0 // shares of the way from a to b
		for _, edge := range [][3]float64{{a.X, b.X, 0}, {a.Y, b.Y, 1}} {
			at := x
			if edge[2] == 1 {
				at = y
			}
			way := edge[1] - edge[0]
			if way == 0 {
				if !at.has(edge[0]) {
					to = -1
				}
				continue
			}
			s, e := (at.lo-edge[0])/way, (at.hi-edge[0])/way
			from, to = math.Max(from, math.Min(s, e)), math.Min(to, math.Max(s, e))
		}
		if !(from < to) { // also where a coordinate is no number
			continue
		}
		between := func(share float64) spectrum.Point {
			return spectrum.Point{X: a.X + share*(b.X-a.X), Y: a.Y + share*(b.Y-a.Y)}
		}
		if len(out) == 0 {
			out = append(out, between(from))
		}
		out = append(out, between(to))
	}
	// Rounding may leave an end a hair outside, where it would count as beyond.
	for i := range out {
		out[i] = spectrum.Point{X: x.clamp(out[i].X), Y: y.clamp(out[i].Y)}
	}
	return out
}

// straighten leaves out what lies on a straight line between others, to a tenth of a
// pixel (Douglas & Peucker, Cartographica 10, 1973, 112).
func straighten(points []spectrum.Point) []spectrum.Point {
	if len(points) < 3 {
		return points
	}
	from, to := points[0], points[len(points)-1]
	dx, dy := to.X-from.X, to.Y-from.Y
	far, at := 0.1*math.Hypot(dx, dy), 0
	for i, p := range points[1 : len(points)-1] {
		if off := math.Abs(dx*(p.Y-from.Y) - dy*(p.X-from.X)); off > far {
			far, at = off, i+1
		}
	}
	if at == 0 {
		return []spectrum.Point{from, to}
	}
	return slices.Concat(straighten(points[:at+1]), straighten(points[at:])[1:])
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// reach is the least and the greatest finite value; ok is false if there is none.
func reach(points []spectrum.Point, of func(spectrum.Point) float64) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, p := range points {
		if v := of(p); finite(v) {
			lo, hi, ok = math.Min(lo, v), math.Max(hi, v), true
		}
	}
	return lo, hi, ok
}

func pointX(p spectrum.Point) float64 { return p.X }
func pointY(p spectrum.Point) float64 { return p.Y }

// A plot is a picture with a framed field and two axes.
type plot struct {
	picture
	x, y                     axis
	left, top, right, bottom float64 // the field's edges in pixels
}

func newPlot(class string, w, h, left, top, right, bottom float64) *plot {
	return &plot{picture: picture{W: num(w), H: num(h), Class: class},
		left: left, top: top, right: w - right, bottom: h - bottom}
}

func (p *plot) xAxis(lo, hi float64, log bool) {
	p.x = axis{lo: lo, hi: hi, from: p.left, to: p.right, log: log}
}

func (p *plot) yAxis(lo, hi float64) {
	p.y = axis{lo: lo, hi: hi, from: p.bottom, to: p.top}
}

// frame draws ticks, thin grid lines and the names of the axes.
func (p *plot) frame(xTicks, yTicks int, xName, yName string) {
	xs := p.x.ticks(xTicks)
	for _, v := range xs {
		px := p.x.at(v)
		p.line("tick", px, p.bottom, px, p.bottom+4)
		p.text("num", "middle", px, p.bottom+17, tick(v))
	}
	for _, v := range p.y.ticks(yTicks) {
		py := p.y.at(v)
		p.line("grid", p.left, py, p.right, py)
		p.text("num", "end", p.left-7, py+4, tick(v))
	}
	p.line("base", p.left, p.bottom, p.right, p.bottom)
	p.text("axis", "end", p.right, p.bottom+33, xName)
	p.text("axis", "start", 0, 11, yName)
}

// box is the space a label takes up.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) hits(others []box) bool {
	for _, o := range others {
		if b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 {
			return true
		}
	}
	return false
}

// textWidth is a rough width of a label in the pictures' 12 px type.
func textWidth(s string) float64 { return 6.6 * float64(len([]rune(s))) }
