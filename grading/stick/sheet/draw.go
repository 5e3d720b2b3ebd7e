package sheet

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ringstock/grading/stick"
)

// drawing is a picture as SVG. Where its size is real, one unit is one
// millimetre of paper.
type drawing struct {
	Class, Title string
	W, H         float64
	Real         bool
	Marks        []mark
}

// mark is one thing drawn. Exactly one of D (a path), Text and R (a dot) is set.
type mark struct {
	Class  string
	D      string
	Text   string
	R      float64
	X, Y   float64
	Anchor string // of a text: start, middle or end
}

func (d *drawing) path(class, format string, a ...any) {
	d.Marks = append(d.Marks, mark{Class: class, D: fmt.Sprintf(format, a...)})
}

func (d *drawing) line(class string, x, y, x2, y2 float64) {
	d.path(class, "M%s %sL%s %s", num(x), num(y), num(x2), num(y2))
}

func (d *drawing) text(class string, x, y float64, anchor, format string, a ...any) {
	d.Marks = append(d.Marks, mark{Class: class, Text: fmt.Sprintf(format, a...), X: round(x), Y: round(y), Anchor: anchor})
}

func (d *drawing) dot(class string, x, y, r float64) {
	d.Marks = append(d.Marks, mark{Class: class, X: round(x), Y: round(y), R: r})
}

func round(x float64) float64 { return math.Round(1000*x) / 1000 }

func num(x float64) string { return strconv.FormatFloat(round(x), 'f', -1, 64) }

type point struct{ x, y float64 }

// labels keeps names from lying over each other: each takes the first free
// place about its dot.
type labels struct{ taken []box }

type box struct{ x, y, x2, y2 float64 }

func (b box) meets(c box) bool { return b.x < c.x2 && c.x < b.x2 && b.y < c.y2 && c.y < b.y2 }

func (l *labels) take(b box) bool {
	for _, t := range l.taken {
		if t.meets(b) {
			return false
		}
	}
	l.taken = append(l.taken, b)
	return true
}

// place is where a text of so many letters can stand beside a dot; false = nowhere.
func (l *labels) place(x, y float64, letters int) (at point, anchor string, ok bool) {
	w := 7.2 * float64(letters)
	for _, c := range []struct {
		dx, dy float64
		anchor string
	}{{9, -5, "start"}, {9, 12, "start"}, {-9, -5, "end"}, {-9, 12, "end"}, {0, -10, "middle"}, {0, 19, "middle"}} {
		px, py := x+c.dx, y+c.dy
		left := px - w*map[string]float64{"start": 0, "middle": 0.5, "end": 1}[c.anchor]
		if left < 54 || left+w > 612 {
			continue
		}
		if l.take(box{left, py - 10, left + w, py + 2}) {
			return point{px, py}, c.anchor, true
		}
	}
	return point{}, "", false
}

// run is the data of a path through points.
func run(points []point) string {
	var b strings.Builder
	for i, p := range points {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(num(p.x) + " " + num(p.y))
	}
	return b.String()
}

// axis maps values to a stretch of a drawing.
type axis struct{ low, high, from, to float64 }

func (a axis) at(v float64) float64 {
	return a.from + (v-a.low)/(a.high-a.low)*(a.to-a.from)
}

// ticks are round values on an axis, about n of them.
func (a axis) ticks(n int) (list []float64) {
	if a.low > a.high {
		a.low, a.high = a.high, a.low
	}
	step := math.Pow10(int(math.Floor(math.Log10((a.high - a.low) / float64(n)))))
	for _, k := range []float64{1, 2, 5, 10} {
		if (a.high-a.low)/(k*step) <= float64(n)+0.5 {
			step *= k
			break
		}
	}
	for v := math.Ceil(a.low/step-1e-9) * step; v <= a.high+1e-9*step; v += step {
		list = append(list, math.Round(v/step)*step+0) // no -0
	}
	return list
}

func tick(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'g', 6, 64), "-", "−", 1)
}

// outline is a section seen from the butt, its middle at x, y, in mm; up is up.
func outline(s stick.Section, x, y float64) string {
	h, w := 1000*s.Height, 1000*s.Width
	switch s.Shape {
	case stick.Rectangular:
		return fmt.Sprintf("M%s %sh%sv%sh%sz", num(x-w/2), num(y-h/2), num(w), num(h), num(-w))
	case stick.Octagonal:
		const t = math.Sqrt2 - 1
		var p []point
		for _, c := range [8][2]float64{{-t, -1}, {t, -1}, {1, -t}, {1, t}, {t, 1}, {-t, 1}, {-1, t}, {-1, -t}} {
			p = append(p, point{x + c[0]*w/2, y + c[1]*h/2})
		}
		return run(p) + "z"
	}
	under := h / 2
	if s.Shape == stick.Egg {
		under = s.Widest * h
	}
	widest := y + h/2 - under
	return fmt.Sprintf("M%s %sa%s %s 0 0 1 %s 0a%s %s 0 0 1 %s 0z", num(x-w/2), num(widest),
		num(w/2), num(h-under), num(w), num(w/2), num(under), num(-w))
}
