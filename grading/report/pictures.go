package report

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/png"
	"math"
	"slices"
	"strings"

	"ringstock/grading"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// coverage is the factor k of the intervals that are drawn: 95 % of a normal law.
const coverage = 2

// limitsIn are the limits of a criterion that lie within an axis. beyond is where the
// values are that fail it.
func limitsIn(c grading.Criterion, a axis) (list []limitLine) {
	if !(c.Weight > 0) {
		return nil
	}
	for _, l := range []struct {
		at     *float64
		beyond float64
	}{{c.LimitLow, a.lo}, {c.LimitHigh, a.hi}} {
		if l.at != nil && a.has(*l.at) {
			list = append(list, limitLine{*l.at, l.beyond})
		}
	}
	return list
}

type limitLine struct{ at, beyond float64 }

// mapPicture sets every blank by its density and specific modulus, among the limits of
// the profile. It is nil when no blank has both.
func mapPicture(blanks []glance, profile grading.Profile) *picture {
	type spot struct {
		i           int
		b           glance
		rho, sm     measure.Value
		q           float64
		x, y, r     float64
		left, right float64
		low, high   float64
	}
	var spots []spot
	var qMost float64
	for i, b := range blanks {
		s := spot{i: i, b: b, rho: b.density, sm: b.modulus}
		if !s.rho.Known() || !s.sm.Known() || s.rho.X <= 0 || s.sm.X <= 0 {
			continue
		}
		if b.q.Known() {
			s.q = b.q.X
			qMost = math.Max(qMost, s.q)
		}
		spots = append(spots, s)
	}
	if len(spots) == 0 {
		return nil
	}

	p := newPlot("map", 760, 560, 56, 30, 14, 56)
	var rhos, sms []measure.Value
	for _, s := range spots {
		rhos, sms = append(rhos, s.rho), append(sms, s.sm)
	}
	lo, hi := window(rhos)
	p.xAxis(lo, hi, false)
	lo, hi = window(sms)
	p.yAxis(lo, hi)
	limits := [2][]limitLine{limitsIn(profile.Properties["density_kg_m3"], p.x), limitsIn(profile.Properties["specific_modulus_mj_kg"], p.y)}
	for along, list := range limits {
		for _, l := range list {
			x0, x1, y0, y1 := p.left, p.right, p.top, p.bottom
			if along == 0 {
				x0, x1 = min(p.x.at(l.at), p.x.at(l.beyond)), max(p.x.at(l.at), p.x.at(l.beyond))
			} else {
				y0, y1 = min(p.y.at(l.at), p.y.at(l.beyond)), max(p.y.at(l.at), p.y.at(l.beyond))
			}
			p.add(mark{Kind: "rect", Class: "beyond", X: num(x0), Y: num(y0), W: num(x1 - x0), H: num(y1 - y0)})
		}
	}
	p.frame(8, 7, "density, kg/m³", "specific modulus E/ρ, MJ/kg")

	// Thin lines of equal Young's modulus, because E = density x specific modulus.
	e := axis{lo: p.x.lo * p.y.lo / 1000, hi: p.x.hi * p.y.hi / 1000}
	var taken []box
	for along, list := range limits {
		for _, l := range list {
			label := "limit " + tick(l.at)
			x, y := p.right-textWidth(label)-4, p.top+12
			if along == 0 {
				p.line("limit", p.x.at(l.at), p.top, p.x.at(l.at), p.bottom)
				x = min(p.x.at(l.at)+5, x)
			} else {
				p.line("limit", p.left, p.y.at(l.at), p.right, p.y.at(l.at))
				x, y = p.left+5, p.y.at(l.at)+14
				if y > p.bottom-3 {
					y = p.y.at(l.at) - 5
				}
			}
			p.text("limit", "start", x, y, label)
			taken = append(taken, box{x - 2, y - 11, x + textWidth(label) + 2, y + 3})
			p.Says = "Dotted lines are limits of the profile: what lies in the shade fails one."
		}
	}
	for _, gpa := range e.ticks(6) {
		var line []spectrum.Point
		for k := range 41 {
			rho := p.x.lo + (p.x.hi-p.x.lo)*float64(k)/40
			if sm := 1000 * gpa / rho; p.y.has(sm) {
				line = append(line, spectrum.Point{X: rho, Y: sm})
			}
		}
		if len(line) < 4 {
			continue
		}
		p.path("iso", curve(line, p.x, p.y))
		label := "E " + tick(gpa) + " GPa"
		end := line[len(line)-1]
		x, y := p.x.at(end.X), p.y.at(end.Y)
		b := box{x - textWidth(label) - 4, y - 16, x, y - 2}
		if b.y0 > p.top && b.y1 < p.bottom-4 && !b.hits(taken) {
			p.text("iso", "end", x-3, y-5, label)
			taken = append(taken, b)
		}
	}

	for i := range spots {
		s := &spots[i]
		s.x, s.y, s.r = p.x.at(s.rho.X), p.y.at(s.sm.X), 4
		if qMost > 0 && s.q > 0 {
			s.r = math.Max(3.5, 12*s.q/qMost)
		}
		s.left, s.right = p.x.at(p.x.clamp(s.rho.X-coverage*s.rho.U)), p.x.at(p.x.clamp(s.rho.X+coverage*s.rho.U))
		s.low, s.high = p.y.at(p.y.clamp(s.sm.X-coverage*s.sm.U)), p.y.at(p.y.clamp(s.sm.X+coverage*s.sm.U))
		taken = append(taken, box{s.x - s.r, s.y - s.r, s.x + s.r, s.y + s.r})
	}
	// The best are drawn last, on top.
	for i := len(spots) - 1; i >= 0; i-- {
		s := spots[i]
		g := picture{}
		g.line("bar", s.left, s.y, s.right, s.y)
		g.line("bar", s.x, s.low, s.x, s.high)
		g.add(token(s.b.verdict, s.x, s.y, s.r)...)
		title := fmt.Sprintf("%s: %s. Density %s, specific modulus %s", s.b.blank, s.b.verdict,
			figureOf(s.rho, "kg/m³"), figureOf(s.sm, "MJ/kg"))
		if s.q > 0 {
			title += ", Q " + figureOf(s.b.q, "").String()
		}
		p.add(mark{Kind: "group", Class: "spot " + verdictClass(s.b.verdict), Index: s.i + 1, Text: title, Marks: g.Marks})
	}
	// Names go where they cover nothing, best blanks first; the rest go without.
	for _, s := range spots {
		name := short(s.b.blank, 14)
		w := textWidth(name)
		for _, try := range [][2]float64{{s.r + 4, -4}, {-s.r - 4 - w, -4}, {-w / 2, -s.r - 5}, {-w / 2, s.r + 14}, {s.r + 4, 14}, {-s.r - 4 - w, 14}} {
			x, y := s.x+try[0], s.y+try[1]
			b := box{x - 1, y - 11, x + w + 1, y + 3}
			if x < p.left || x+w > p.right || y-11 < p.top || y > p.bottom-2 || b.hits(taken) {
				continue
			}
			p.add(mark{Kind: "text", Class: "name " + verdictClass(s.b.verdict), Anchor: "start", X: num(x), Y: num(y), Text: name, Index: s.i + 1})
			taken = append(taken, b)
			break
		}
	}
	p.Label = fmt.Sprintf("Map of %d blanks by density, from %s to %s kg/m³, and specific modulus, from %s to %s MJ/kg. The table below has the same figures.",
		len(spots), plain(p.x.lo, 0), plain(p.x.hi, 0), plain(p.y.lo, 1), plain(p.y.hi, 1))
	return &p.picture
}

// sizeKey shows what the size of a point on the map means.
func sizeKey(blanks []glance) *picture {
	var most float64
	for _, b := range blanks {
		if b.q.Known() && b.density.Known() && b.modulus.Known() {
			most = math.Max(most, b.q.X)
		}
	}
	if most <= 0 {
		return nil
	}
	steps := axis{hi: most}.ticks(4)
	p := &picture{H: 30, Class: "key", Label: "The larger a point, the higher the Q of its fundamental: the longer it rings."}
	x := 0.0
	for _, q := range steps {
		if q == 0 {
			continue
		}
		r := math.Max(3.5, 12*q/most)
		p.add(mark{Kind: "dot", Class: "size", X: num(x + r), Y: 15, R: num(r)})
		x += 2*r + 5
		p.text("num", "start", x, 19, "Q "+tick(q))
		x += textWidth("Q "+tick(q)) + 14
	}
	p.W = num(x)
	return p
}

// window is a range that shows all values and most of their intervals; one wild
// uncertainty must not press the rest into a corner.
func window(values []measure.Value) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	var us []float64
	for _, v := range values {
		lo, hi = math.Min(lo, v.X), math.Max(hi, v.X)
		us = append(us, coverage*v.U)
	}
	slices.Sort(us)
	pad := 0.07*(hi-lo) + math.Min(us[len(us)/2], math.Max(0.5*(hi-lo), 0.05*math.Abs(hi)))
	if pad <= 0 {
		pad = math.Max(1e-6, 0.05*math.Abs(hi))
	}
	return lo - pad, hi + pad
}

// token is a verdict's sign: keep is full, maybe half full, leave empty, unread
// dashed. The same signs stand beside the words everywhere.
func token(v grading.Verdict, x, y, r float64) []mark {
	rim := mark{Kind: "dot", Class: "rim", X: num(x), Y: num(y), R: num(r)}
	switch v {
	case grading.Keep:
		return []mark{{Kind: "dot", Class: "full", X: num(x), Y: num(y), R: num(r)}}
	case grading.Maybe:
		half := fmt.Sprintf("M%v %va%v %v 0 0 0 0 %vz", num(x), num(y-r), num(r), num(r), num(2*r))
		return []mark{rim, {Kind: "path", Class: "half", D: half}}
	case grading.Leave:
		return []mark{rim}
	default:
		rim.Class = "rim dash"
		return []mark{rim}
	}
}

// sign is the token alone, to stand beside a word.
func sign(v grading.Verdict) *picture {
	return &picture{W: 16, H: 16, Class: "sign " + verdictClass(v), Marks: token(v, 8, 8, 6)}
}

func verdictClass(v grading.Verdict) string {
	switch v {
	case grading.Keep, grading.Maybe, grading.Leave:
		return string(v)
	}
	return string(grading.Unread)
}

// rankPicture draws the interval of a blank's rank among n.
func rankPicture(b grading.Blank, n int) *picture {
	p := &picture{W: 120, H: 18, Class: "rank " + verdictClass(b.Verdict),
		Label: fmt.Sprintf("rank %d, between %d and %d of %d", b.Rank, b.RankLow, b.RankHigh, n)}
	a := axis{lo: 1, hi: math.Max(2, float64(n)), from: 6, to: 114}
	p.line("base", 3, 9, 117, 9)
	if b.RankLow >= 1 && b.RankHigh >= b.RankLow {
		from, to := a.at(a.clamp(float64(b.RankLow))), a.at(a.clamp(float64(b.RankHigh)))
		p.add(mark{Kind: "rect", Class: "span", X: num(from - 3), Y: 5, W: num(to - from + 6), H: 8, R: 4})
	}
	p.add(mark{Kind: "dot", Class: "at", X: num(a.at(a.clamp(float64(b.Rank)))), Y: 9, R: 3})
	return p
}

// scorePicture draws a score between 0 and 100 with its interval.
func scorePicture(b grading.Blank) *picture {
	p := &picture{W: 110, H: 18, Class: "score " + verdictClass(b.Verdict), Label: "score " + figureOf(b.Score, "of 100").String()}
	a := axis{hi: 100, from: 2, to: 108}
	p.line("base", 2, 9, 108, 9)
	if b.Score.Known() {
		x := a.at(a.clamp(b.Score.X))
		p.add(mark{Kind: "rect", Class: "fill", X: 2, Y: 6.5, W: num(x - 2), H: 5})
		from, to := a.at(a.clamp(b.Score.X-coverage*b.Score.U)), a.at(a.clamp(b.Score.X+coverage*b.Score.U))
		p.line("whisker", from, 9, to, 9)
		p.line("whisker", from, 5, from, 13)
		p.line("whisker", to, 5, to, 13)
	}
	return p
}

// barPicture is a bar that fills share (0-1) of its width, with the interval of share.
func barPicture(class string, share measure.Value) *picture {
	p := &picture{W: 100, H: 10, Class: "share " + class}
	a := axis{hi: 1, from: 0, to: 100}
	p.add(mark{Kind: "rect", Class: "track", X: 0, Y: 1, W: 100, H: 8, R: 4})
	if share.Known() && share.X > 0 {
		p.add(mark{Kind: "rect", Class: "fill", X: 0, Y: 1, W: num(math.Max(2, a.at(a.clamp(share.X)))), H: 8, R: 4})
	}
	if from, to := a.at(a.clamp(share.X-coverage*share.U)), a.at(a.clamp(share.X+coverage*share.U)); to > from {
		p.line("whisker", from, 5, to, 5)
	}
	return p
}

// Size of the pictures of one blank: readable unscaled on a phone.
const pictureW, pictureH = 400, 270

// spectrumPicture is nil when the portrait has no spectrum.
func spectrumPicture(b grading.Blank, t spectrum.Portrait) *picture {
	audible := make([]spectrum.Point, 0, len(t.Spectrum))
	for _, q := range t.Spectrum {
		if q.X >= 20 && finite(q.Y) {
			audible = append(audible, q)
		}
	}
	f0, f1, ok := reach(audible, pointX)
	if !ok || f1 <= f0 {
		return nil
	}
	low, high, _ := reach(audible, pointY)
	if floorLow, _, ok := reach(t.Floor, pointY); ok {
		low = math.Max(low, floorLow-12)
	}
	top := math.Ceil((high+2)/10) * 10
	bottom := math.Max(math.Floor(low/10)*10, top-110)
	if bottom >= top {
		bottom = top - 10
	}

	p := newPlot("spectrum", pictureW, pictureH, 38, 58, 16, 40)
	p.xAxis(f0, f1, true)
	p.yAxis(bottom, top)
	p.frame(8, 5, "frequency, Hz", "level, dB")
	if d := curve(t.Floor, p.x, p.y); d != "" {
		p.path("floor", d)
	}
	if b.Ring != nil {
		for _, hz := range b.Ring.HumHz {
			if p.x.has(hz) {
				p.line("hum", p.x.at(hz), p.top, p.x.at(hz), p.bottom)
			}
		}
	}
	p.path("curve", curve(audible, p.x, p.y))
	p.Label = "Spectrum of the ring, level against frequency."
	if b.Ring == nil {
		return &p.picture
	}

	// Labels stand in three rows over the field, the fundamental's first.
	var taken []box
	label := func(hz, db float64, class, s string) {
		if !finite(hz) || !p.x.has(hz) {
			return
		}
		x := p.x.at(hz)
		foot := p.y.at(p.y.clamp(db)) - 2
		w := textWidth(s) * 0.92
		for row := range 3 {
			y := p.top - 6 - 13*float64(row)
			tx := math.Max(p.left, math.Min(x-w/2, p.right-w))
			if bx := (box{tx - 3, y - 10, tx + w + 3, y + 2}); !bx.hits(taken) {
				p.line("lead "+class, x, y+3, x, math.Max(y+3, foot))
				p.text("mark "+class, "start", tx, y, s)
				taken = append(taken, bx)
				return
			}
		}
		p.line("lead "+class, x, p.top, x, math.Max(p.top, foot))
	}
	fundamental := b.Ring.Fundamental
	var names []string
	if fundamental.Hz.Known() {
		s := plain(fundamental.Hz.X, 1) + " Hz"
		label(fundamental.Hz.X, levelNear(audible, fundamental.Hz.X), "first", s)
		names = append(names, "fundamental "+s)
	}
	partials := slices.Clone(b.Ring.Partials)
	slices.SortStableFunc(partials, func(a, b spectrum.Partial) int {
		switch {
		case a.LevelDB.X > b.LevelDB.X:
			return -1
		case a.LevelDB.X < b.LevelDB.X:
			return 1
		}
		return 0
	})
	for _, q := range partials {
		if !q.Hz.Known() || q.Hz.X == fundamental.Hz.X {
			continue
		}
		s := partialName(q) + " " + plain(q.Hz.X, 0)
		label(q.Hz.X, levelNear(audible, q.Hz.X), string(q.Family), s)
		names = append(names, s+" Hz")
	}
	for _, q := range b.Ring.Stray {
		label(q.Hz, levelNear(audible, q.Hz), "stray", "× "+plain(q.Hz, 0))
		names = append(names, "stray note "+plain(q.Hz, 0)+" Hz")
	}
	if len(names) > 0 {
		p.Label += " Marked: " + strings.Join(names, ", ") + "."
	}
	return &p.picture
}

// partialName is a short sign for a partial: the key under the picture explains it.
func partialName(q spectrum.Partial) string {
	s := map[spectrum.Family]string{spectrum.Bending: "B", spectrum.Longitudinal: "L", spectrum.Torsion: "T"}[q.Family]
	if s == "" {
		return "?"
	}
	if q.Order > 0 {
		s += fmt.Sprint(q.Order)
	}
	if q.Plane == 2 {
		s += "′"
	}
	return s
}

// levelNear is the level of the drawn curve about hz, for the foot of a label.
func levelNear(points []spectrum.Point, hz float64) float64 {
	level := math.Inf(-1)
	for _, q := range points {
		if math.Abs(q.X-hz) <= math.Max(2, 0.01*hz) && q.Y > level {
			level = q.Y
		}
	}
	if !finite(level) {
		return 0
	}
	return level
}

// decayPicture is nil when the portrait has no decay curve.
func decayPicture(b grading.Blank, t spectrum.Portrait) *picture {
	_, end, ok := reach(t.Decay, pointX)
	if !ok || end <= 0 {
		return nil
	}
	low, high, _ := reach(t.Decay, pointY)
	floorKnown := finite(t.FloorDB) && t.FloorDB < 0
	if floorKnown {
		low = math.Min(low, t.FloorDB-3)
	}
	top := math.Ceil((high+1)/10) * 10
	bottom := math.Max(math.Floor(low/10)*10, top-110)
	if bottom >= top {
		bottom = top - 10
	}
	p := newPlot("decay", pictureW, pictureH, 38, 26, 16, 40)
	p.xAxis(0, end, false)
	p.yAxis(bottom, top)
	p.frame(6, 6, "time after the strike, s", "level of the fundamental, dB")
	if floorKnown && p.y.has(t.FloorDB) {
		y := p.y.at(t.FloorDB)
		p.line("floor", p.left, y, p.right, y)
		p.text("key", "start", p.left+4, y-5, "noise")
	}
	p.path("curve", curve(t.Decay, p.x, p.y))
	p.path("fit", curve(within(t.Fit, p.x, p.y), p.x, p.y))
	p.Label = "Decay of the fundamental: level against time, measured curve and fitted line."
	if b.Ring != nil && b.Ring.Fundamental.T60S.Known() {
		t60 := figureOf(b.Ring.Fundamental.T60S, "s")
		p.text("key wood", "end", p.right, p.top+12, "fit: falls 60 dB in "+t60.X+" s")
		p.Label += " It falls 60 dB in " + t60.String() + "."
	}
	return &p.picture
}

// Heat is thinned to this many times and frequencies: 20 kB a blank would be 6 MB a
// delivery.
const heatTimes, heatBands, heatRangeDB, heatLevels = 110, 90, 60, 24

// heatPicture shows the short-time spectra; nil when there are none.
func heatPicture(t spectrum.Portrait) *picture {
	rows, cols := len(t.Heat), 0
	if rows > 0 {
		cols = len(t.Heat[0])
	}
	if cols == 0 || !(t.HeatS > 0) || !(t.HeatHz > 0) {
		return nil
	}
	for _, row := range t.Heat {
		if len(row) != cols {
			return nil
		}
	}
	w, h := min(rows, heatTimes), min(cols, heatBands)
	peak := math.Inf(-1)
	cells := make([]float64, w*h)
	for i := range cells {
		cells[i] = math.Inf(-1)
	}
	for i, row := range t.Heat {
		for j, level := range row {
			v := float64(level)
			if math.IsNaN(v) || math.IsInf(v, 1) {
				continue
			}
			k := (h-1-j*h/cols)*w + i*w/rows
			cells[k] = math.Max(cells[k], v)
			peak = math.Max(peak, v)
		}
	}
	if !finite(peak) {
		return nil
	}
	// One hue from clear to full: it reads on light, dark and paper alike.
	palette := make(color.Palette, heatLevels)
	for i := range palette {
		palette[i] = color.NRGBA{0xbf, 0x5b, 0x26, uint8(255 * i / (heatLevels - 1))}
	}
	img := image.NewPaletted(image.Rect(0, 0, w, h), palette)
	for k, v := range cells {
		level := math.Max(0, 1+(v-peak)/heatRangeDB)
		img.Pix[k] = uint8(math.Round(level * (heatLevels - 1)))
	}
	var buf bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	if err := encoder.Encode(&buf, img); err != nil {
		return nil
	}

	p := newPlot("heat", pictureW, pictureH, 38, 26, 16, 40)
	p.xAxis(0, t.HeatS*float64(rows), false)
	p.yAxis(0, t.HeatHz*float64(cols))
	p.add(mark{Kind: "image", X: num(p.left), Y: num(p.top), W: num(p.right - p.left), H: num(p.bottom - p.top),
		Href: template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(buf.Bytes()))})
	p.frame(6, 5, "time after the strike, s", "frequency, Hz")
	p.Label = fmt.Sprintf("Short-time picture of the ring: which frequencies sound, up to %s Hz, over %s s; the fuller the colour the louder, over a range of %d dB.",
		plain(p.y.hi, 0), plain(p.x.hi, 1), heatRangeDB)
	return &p.picture
}

// tapsPicture sets the taps side by side: pitch against the blank's own, and Q. It
// is nil with fewer than two taps.
func tapsPicture(b grading.Blank, taps []spectrum.TapResult) *picture {
	if b.Ring == nil || !b.Ring.Fundamental.Hz.Known() || b.Ring.Fundamental.Hz.X <= 0 || len(taps) < 2 {
		return nil
	}
	const h = 200
	p := newPlot("taps", pictureW, h, 44, 26, 10, 34)
	x := axis{lo: 0.5, hi: float64(len(taps)) + 0.5, from: p.left, to: p.right}
	type lane struct {
		name      string
		top, foot float64
		of        func(*spectrum.Ring) measure.Value
	}
	pitch := b.Ring.Fundamental.Hz.X
	lanes := []lane{
		{"pitch, cents from the blank's own", 26, 82, func(r *spectrum.Ring) measure.Value {
			if !r.Fundamental.Hz.Known() || r.Fundamental.Hz.X <= 0 {
				return measure.Unknown("")
			}
			centsPerHz := 1200 / math.Ln2 / r.Fundamental.Hz.X
			return measure.Of(1200*math.Log2(r.Fundamental.Hz.X/pitch), centsPerHz*r.Fundamental.Hz.U)
		}},
		{"Q of the fundamental", 112, 166, func(r *spectrum.Ring) measure.Value { return r.Fundamental.Q }},
	}
	drawn := 0
	for _, l := range lanes {
		var values []measure.Value
		for _, t := range taps {
			if t.Ring != nil && t.Accepted && l.of(t.Ring).Known() {
				values = append(values, l.of(t.Ring))
			}
		}
		if len(values) == 0 {
			continue
		}
		lo, hi := window(values)
		y := axis{lo: lo, hi: hi, from: l.foot, to: l.top}
		p.text("axis", "start", 0, l.top-13, l.name)
		for _, v := range y.ticks(3) {
			p.line("grid", p.left, y.at(v), p.right, y.at(v))
			p.text("num", "end", p.left-7, y.at(v)+4, tick(v))
		}
		for i, t := range taps {
			if t.Ring == nil || !t.Accepted {
				continue
			}
			v := l.of(t.Ring)
			if !v.Known() {
				continue
			}
			px := x.at(float64(i + 1))
			p.line("bar", px, y.at(y.clamp(v.X-coverage*v.U)), px, y.at(y.clamp(v.X+coverage*v.U)))
			p.add(mark{Kind: "dot", Class: "at", X: num(px), Y: num(y.at(v.X)), R: 3.5})
			drawn++
		}
	}
	if drawn == 0 {
		return nil
	}
	good := 0
	for i, t := range taps {
		px := x.at(float64(i + 1))
		name := fmt.Sprint(i + 1)
		if t.Accepted {
			good++
		} else {
			name = "×"
			p.line("refused", px, 22, px, h-30)
		}
		if len(taps) <= 24 || i%5 == 4 {
			p.text("num", "middle", px, h-16, name)
		}
	}
	p.text("axis", "end", p.right, h-2, "tap")
	p.Label = fmt.Sprintf("Tap by tap: pitch and Q of %d taps, %d of them used.", len(taps), good)
	return &p.picture
}

// planesPicture sets the Q of the taps on the two faces and on the end
// against each other.
func planesPicture(b grading.Blank) *picture {
	type plane struct {
		name string
		q    measure.Value
	}
	var planes []plane
	var values []measure.Value
	for _, r := range []struct {
		name string
		ring *spectrum.Ring
	}{{"height", b.Ring}, {"width", b.WidthRing}, {"end", b.EndRing}} {
		if r.ring != nil && r.ring.Fundamental.Q.Known() {
			planes = append(planes, plane{r.name, r.ring.Fundamental.Q})
			values = append(values, r.ring.Fundamental.Q)
		}
	}
	if len(planes) < 2 {
		return nil
	}
	h := 44 + 26*float64(len(planes))
	p := newPlot("planes", pictureW, h, 56, 8, 10, 40)
	lo, hi := window(values)
	p.xAxis(lo, hi, false)
	for _, v := range p.x.ticks(6) {
		p.line("grid", p.x.at(v), p.top, p.x.at(v), p.bottom)
		p.text("num", "middle", p.x.at(v), p.bottom+17, tick(v))
	}
	p.text("axis", "end", p.right, p.bottom+33, "Q of the fundamental")
	var said []string
	for i, l := range planes {
		y := p.top + 18 + 26*float64(i)
		p.text("row", "start", 0, y+4, l.name)
		p.line("bar", p.x.at(p.x.clamp(l.q.X-coverage*l.q.U)), y, p.x.at(p.x.clamp(l.q.X+coverage*l.q.U)), y)
		p.add(mark{Kind: "dot", Class: "at", X: num(p.x.at(l.q.X)), Y: num(y), R: 4.5})
		said = append(said, l.name+" "+figureOf(l.q, "").String())
	}
	p.Label = "Q of the fundamental by plane: " + strings.Join(said, "; ") + "."
	return &p.picture
}

// short cuts a name to n characters.
func short(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
