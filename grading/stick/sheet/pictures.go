package sheet

import (
	"math"

	"ringstock/grading/stick"
	"ringstock/spectrum/measure"
)

const longestName = 16 // letters of a blank's number beside its dot

// spot is a blank in the picture of nearness and ring.
type spot struct {
	x, y float64
	c    stick.Candidate
}

// front draws nearness to the wish against ring: the Pareto front of those that fit.
func front(p stick.Plan) *drawing {
	d := &drawing{Class: "front", W: 620, H: 400, Title: "Blanks by nearness to the wish and by the score of their ring"}
	far := 0.0
	var shown []stick.Candidate
	for _, c := range p.Candidates {
		if off := c.Off(p.Target.Match); off.Known() && c.Quality.Known() && c.MarginMM.Known() {
			shown = append(shown, c)
			far = max(far, math.Abs(off.X)+off.U)
		}
	}
	if len(shown) < 2 {
		return nil
	}
	x := axis{0, max(1.06*far, 1e-6), 52, 600}
	y := axis{0, 100, 348, 34}
	for _, v := range x.ticks(6) {
		d.line("grid", x.at(v), y.at(0), x.at(v), y.at(100))
		d.text("num", x.at(v), 366, "middle", "%s", tick(v))
	}
	for _, v := range y.ticks(5) {
		d.line("grid", x.from, y.at(v), x.to, y.at(v))
		d.text("num", 44, y.at(v)+4, "end", "%s", tick(v))
	}
	unit := "g from the wanted mass"
	if p.Target.Match == stick.MatchMass {
		unit = "% from the wanted stiffness"
	}
	d.text("", 600, 388, "end", "%s  (nearer is better ←)", unit)
	d.text("", 52, 14, "start", "score of the ring, 0 to 100")
	var stairs, others []spot
	for _, c := range shown {
		s := spot{x.at(math.Abs(c.Off(p.Target.Match).X)), y.at(c.Quality.X), c}
		if c.Front {
			stairs = append(stairs, s) // candidates that fit come by nearness
		} else {
			others = append(others, s)
		}
	}
	d.stairs(stairs, x, y)
	var names labels
	for _, list := range [][]spot{others, stairs} { // the front lies over the others
		for _, s := range list {
			names.take(box{s.x - 6, s.y - 6, s.x + 6, s.y + 6})
			d.spot(s, p.Target.Match, x, y)
		}
	}
	for _, list := range [][]spot{stairs, others} {
		for _, s := range list {
			if s.c.Fits {
				d.name(s, &names)
			}
		}
	}
	return d
}

// stairs draws the front as a staircase: whatever lies above and left of it would
// beat somebody on it.
func (d *drawing) stairs(stairs []spot, x, y axis) {
	if len(stairs) == 0 {
		return
	}
	line := []point{{stairs[0].x, y.at(0)}}
	for i, s := range stairs {
		if i > 0 {
			line = append(line, point{s.x, stairs[i-1].y})
		}
		line = append(line, point{s.x, s.y})
	}
	line = append(line, point{x.to, stairs[len(stairs)-1].y})
	d.path("stairs", "%s", run(line))
}

// spot draws a blank as a dot, with its uncertainties if it fits.
func (d *drawing) spot(s spot, m stick.Match, x, y axis) {
	class := "out"
	if s.c.Fits {
		class = map[bool]string{false: "in", true: "best"}[s.c.Front]
		off, q := s.c.Off(m), s.c.Quality
		d.line("whisker", x.at(max(0, math.Abs(off.X)-off.U)), s.y, x.at(math.Abs(off.X)+off.U), s.y)
		d.line("whisker", s.x, y.at(max(0, q.X-q.U)), s.x, y.at(min(100, q.X+q.U)))
	}
	d.dot(class, s.x, s.y, 5)
}

// name writes a blank's number beside its dot, where there is room.
func (d *drawing) name(s spot, names *labels) {
	name := []rune(s.c.Blank)
	if len(name) > longestName {
		name = append(name[:longestName-1], '…')
	}
	if at, anchor, ok := names.place(s.x, s.y, len(name)); ok {
		d.text(map[bool]string{true: "name best", false: "name"}[s.c.Front], at.x, at.y, anchor, "%s", string(name))
	}
}

// offStrip draws a candidate's distance from the wish with its 95 % interval, on an
// axis common to all.
func offStrip(c stick.Candidate, m stick.Match, low, high float64) *drawing {
	off := c.Off(m)
	if !off.Known() {
		return nil
	}
	d := &drawing{Class: "strip", W: 190, H: 16, Title: "off by " + off.Text("")}
	x := axis{low, high, 4, 186}
	d.line("zero", x.at(0), 0, x.at(0), 16)
	lo, hi := off.X-1.96*off.U, off.X+1.96*off.U
	d.path("span", "M%s 3H%sV13H%sz", num(x.at(lo)), num(x.at(hi)), num(x.at(lo)))
	d.dot("at", x.at(off.X), 8, 2.6)
	return d
}

// spares draws the wood to spare at each station.
func spares(c stick.Candidate) *drawing {
	if len(c.Spares) < 2 {
		return nil
	}
	d := &drawing{Class: "spares", W: 620, H: 118, Title: "Wood to spare at each station, in mm"}
	low, high := 0.0, 0.0
	for _, s := range c.Spares {
		if s.Side != "length" {
			low, high = min(low, s.MM), max(high, s.MM)
		}
	}
	from, to := c.Spares[0].AtMM, c.Spares[len(c.Spares)-1].AtMM
	x := axis{from, to, 40, 606}
	y := axis{min(1.15*low, -0.08*high), max(1.2*high, 0.5), 96, 14}
	for _, v := range y.ticks(3) {
		d.line("grid", x.from, y.at(v), x.to, y.at(v))
		d.text("num", 34, y.at(v)+4, "end", "%s", tick(v))
	}
	d.line("zero", x.from, y.at(0), x.to, y.at(0))
	last := math.Inf(-1)
	for _, s := range c.Spares {
		v := min(max(s.MM, y.low), y.high)
		class := "bar"
		if s.MM < 0 {
			class = "bar short"
		}
		if s.AtMM == c.MarginAtMM.X {
			class += " least"
		}
		d.path(class, "M%s %sV%s", num(x.at(s.AtMM)), num(y.at(0)), num(y.at(v)))
		if px := x.at(s.AtMM); px-last > 34 {
			d.text("num", px, 112, "middle", "%.4g", s.AtMM)
			last = px
		}
	}
	return d
}

const (
	paperWidth = 184.0 // mm to draw on across a portrait A4 sheet
	rowLength  = 180.0 // mm of stick in a row
)

// sections draws every station's section at full size.
func sections(stations []stick.Station) *drawing {
	const across, down = 23.0, 20.0
	size := 0.0
	for _, s := range stations {
		size = max(size, 1000*s.Height, 1000*s.Width)
	}
	cell := max(across, size+6)
	perRow := int(paperWidth / cell)
	rows := (len(stations) + perRow - 1) / perRow
	height := max(down, size+10)
	d := &drawing{Class: "real", W: paperWidth, H: float64(rows) * height, Real: true, Title: "Sections at full size"}
	for i, s := range stations {
		x, y := (float64(i%perRow)+0.5)*cell, float64(i/perRow)*height+size/2+1
		d.path("cross", "M%s %sh3M%s %sv3", num(x-1.5), num(y), num(x), num(y-1.5))
		d.path("cut", "%s", outline(s.Section, x, y))
		d.text("small", x, y+size/2+3.6, "middle", "%.4g", 1000*s.X)
		d.text("tiny", x, y+size/2+6.6, "middle", "%.2f × %.2f", 1000*s.Height, 1000*s.Width)
	}
	return d
}

// sideView draws the stick from the side at full size, in rows, with the blank around it
// where that is known. Both lie with their centres on one line.
func sideView(s stick.Stick, wood func(x float64) (height float64, ok bool)) *drawing {
	from, to := 1000*s.Stations[0].X, 1000*s.Stations[len(s.Stations)-1].X
	rows := int(math.Ceil((to - from) / rowLength))
	size := 0.0
	for x := from; x <= to; x++ {
		size = max(size, 1000*s.Section(x/1000).Height)
		if h, ok := wood(x); ok {
			size = max(size, h)
		}
	}
	height := size + 8.5
	d := &drawing{Class: "real", W: paperWidth, H: float64(rows) * height, Real: true, Title: "The stick from the side at full size"}
	for r := range rows {
		start, end := from+float64(r)*rowLength, min(from+float64(r+1)*rowLength, to)
		y := float64(r)*height + size/2 + 0.5
		x := func(at float64) float64 { return 2 + at - start }
		edge := func(half func(at float64) float64) []point {
			var up, down []point
			for at := start; ; at = min(at+2, end) {
				up = append(up, point{x(at), y - half(at)})
				down = append([]point{{x(at), y + half(at)}}, down...)
				if at >= end {
					break
				}
			}
			return append(up, down...)
		}
		if _, ok := wood((start + end) / 2); ok {
			d.path("wood", "%sz", run(edge(func(at float64) float64 { h, _ := wood(at); return h / 2 })))
		}
		d.path("cut", "%sz", run(edge(func(at float64) float64 { return 500 * s.Section(at/1000).Height })))
		d.line("centre", x(start)-1.5, y, x(end)+1.5, y)
		for _, st := range s.Stations {
			if at := 1000 * st.X; at >= start-1e-9 && (at < end || at == to) {
				d.line("station", x(at), y-size/2, x(at), y+size/2+1.5)
				d.text("tiny", x(at), y+size/2+4.4, "middle", "%.4g", at)
			}
		}
	}
	return d
}

// rule is 100 mm on paper, to see whether the printer kept the size.
func rule() *drawing {
	d := &drawing{Class: "real", W: 104, H: 7, Real: true, Title: "A line of 100 mm"}
	d.line("cut", 2, 2.5, 102, 2.5)
	for mm := 0.0; mm <= 100; mm += 10 {
		long := 1.2
		if math.Mod(mm, 50) == 0 {
			long = 2
		}
		d.line("cut", 2+mm, 2.5-long/2, 2+mm, 2.5+long)
	}
	d.text("tiny", 2, 6.8, "start", "0")
	d.text("tiny", 102, 6.8, "end", "100 mm")
	return d
}

// overlay draws two sticks over each other: their profile along the length in one
// direction, diameters from zero.
func overlay(model, copy stick.Stick, name string, of func(stick.Section) float64) *drawing {
	d := &drawing{Class: "overlay", W: 760, H: 190, Title: "The " + name + " of both sticks along their length"}
	to := 1000 * max(model.Stations[len(model.Stations)-1].X, copy.Stations[len(copy.Stations)-1].X)
	low, high := math.Inf(1), 0.0
	for _, s := range []stick.Stick{model, copy} {
		for _, at := range s.Stations {
			low, high = min(low, 1000*of(at.Section)), max(high, 1000*of(at.Section))
		}
	}
	x, y := axis{0, to, 46, 746}, axis{low - 0.08*(high-low) - 0.1, high + 0.08*(high-low) + 0.1, 158, 20}
	frame(d, x, y, name+", mm")
	for i, s := range []stick.Stick{model, copy} {
		var p []point
		for _, at := range s.Stations {
			px, py := x.at(1000*at.X), y.at(1000*of(at.Section))
			p = append(p, point{px, py})
			d.dot([]string{"model", "copy"}[i], px, py, 2.6)
		}
		d.path([]string{"model", "copy"}[i], "%s", run(p))
	}
	return d
}

func frame(d *drawing, x, y axis, name string) {
	for _, v := range x.ticks(8) {
		d.line("grid", x.at(v), y.from, x.at(v), y.to)
		d.text("num", x.at(v), y.from+16, "middle", "%s", tick(v))
	}
	for _, v := range y.ticks(4) {
		d.line("grid", x.from, y.at(v), x.to, y.at(v))
		d.text("num", x.from-6, y.at(v)+4, "end", "%s", tick(v))
	}
	d.text("", x.from, y.to-8, "start", "%s", name)
	d.text("", x.to, y.from+29, "end", "mm from the butt")
}

// camber draws both aligned camber curves, the hair side down, with the tolerance
// band about the model.
func camber(f stick.CamberFit, tolerance float64) *drawing {
	d := &drawing{Class: "overlay", W: 760, H: 230, Title: "Both camber curves after alignment"}
	low, high := 0.0, 0.0
	for _, list := range [][]stick.Point{f.Model, f.Copy} {
		for _, p := range list {
			low, high = min(low, 1000*p.Y-tolerance), max(high, 1000*p.Y+tolerance)
		}
	}
	last := f.Model[len(f.Model)-1].X
	x, y := axis{0, 1000 * last, 46, 746}, axis{high + 0.06*(high-low), low - 0.06*(high-low), 196, 20} // towards the hair is down
	frame(d, x, y, "camber, mm towards the hair (drawn down)")
	curve := func(list []stick.Point, shift float64) (p []point) {
		for _, q := range list {
			p = append(p, point{x.at(1000 * q.X), y.at(1000*q.Y + shift)})
		}
		return p
	}
	if tolerance > 0 {
		up, down := curve(f.Model, -tolerance), curve(f.Model, tolerance)
		for i := len(down) - 1; i >= 0; i-- {
			up = append(up, down[i])
		}
		d.path("band", "%sz", run(up))
	}
	d.path("model", "%s", run(curve(f.Model, 0)))
	d.path("copy", "%s", run(curve(f.Copy, 0)))
	if px := x.at(f.LargestAtMM); f.LargestMM != 0 {
		d.line("mark", px, y.to, px, y.from)
		anchor, dx := "start", 6.0
		if px > 560 {
			anchor, dx = "end", -6
		}
		d.text("mark", px+dx, y.to+12, anchor, "%s mm", plain(measure.Of(f.LargestMM, 0)))
	}
	return d
}

// deviations draws copy less model in height, width and aligned camber.
func deviations(c stick.Comparison) *drawing {
	d := &drawing{Class: "overlay", W: 760, H: 210, Title: "Copy less model at every station, in mm"}
	most := max(c.ToleranceMM, 0.05)
	for _, s := range c.At {
		most = max(most, math.Abs(s.HeightMM.X), math.Abs(s.WidthMM.X), math.Abs(s.CamberMM.X))
	}
	x, y := axis{0, c.At[len(c.At)-1].AtMM, 46, 746}, axis{-1.12 * most, 1.12 * most, 176, 20}
	frame(d, x, y, "copy less model, mm")
	if t := c.ToleranceMM; t > 0 {
		d.path("band", "M%s %sH%sV%sH%sz", num(x.from), num(y.at(t)), num(x.to), num(y.at(-t)), num(x.from))
	}
	d.line("zero", x.from, y.at(0), x.to, y.at(0))
	for _, k := range []struct {
		class string
		of    func(stick.Difference) (float64, bool)
	}{
		{"height", func(s stick.Difference) (float64, bool) { return s.HeightMM.X, s.HeightMM.Known() }},
		{"width", func(s stick.Difference) (float64, bool) { return s.WidthMM.X, s.WidthMM.Known() }},
		{"camber", func(s stick.Difference) (float64, bool) { return s.CamberMM.X, s.CamberMM.Known() }},
	} {
		var p []point
		for _, s := range c.At {
			if v, ok := k.of(s); ok {
				p = append(p, point{x.at(s.AtMM), y.at(v)})
				d.dot(k.class, x.at(s.AtMM), y.at(v), 2.6)
			}
		}
		if len(p) > 1 {
			d.path(k.class, "%s", run(p))
		}
	}
	return d
}

// camberOf draws one stick's camber through its readings, the hair side down.
func camberOf(m stick.Model) *drawing {
	d := &drawing{Class: "overlay", W: 760, H: 170, Title: "Camber along the stick"}
	low, high := 0.0, 0.0
	for _, p := range m.Camber {
		low, high = min(low, 1000*p.Y), max(high, 1000*p.Y)
	}
	if high-low < 1 {
		high = low + 1
	}
	x, y := axis{0, 1000 * m.Camber[len(m.Camber)-1].X, 46, 746}, axis{high + 0.08*(high-low), low - 0.08*(high-low), 136, 20}
	frame(d, x, y, "camber, mm towards the hair (drawn down)")
	var p []point
	const drawn = 120
	from, to := m.Camber[0].X, m.Camber[len(m.Camber)-1].X
	for i := range drawn + 1 {
		at := from + (to-from)*float64(i)/drawn
		p = append(p, point{x.at(1000 * at), y.at(1000 * m.CamberAt(at))})
	}
	d.path("model", "%s", run(p))
	for _, q := range m.Camber {
		d.dot("model", x.at(1000*q.X), y.at(1000*q.Y), 2.6)
	}
	return d
}
