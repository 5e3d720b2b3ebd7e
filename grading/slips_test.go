package grading

import (
	"cmp"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/bar/shooting"
	"ringstock/spectrum/measure"
)

// invented is a blank as nature has it, lengths in mm, with its pitches by a solver that
// the judgement does not know.
type inventedBlank struct {
	shape                                                              wood.Shape
	length, height, width, tipHeight, tipWidth, headLength, headHeight float64
	wood                                                               bar.Wood
	hz                                                                 [4][]float64 // by bar.Kind
	end, otherFace                                                     bool         // tapped there too
}

func (b inventedBlank) bar() bar.Bar {
	sec := func(s bar.Shape, h, w float64) bar.Section {
		return bar.Section{Shape: s, Height: h / 1000, Width: w / 1000}
	}
	shape := bar.Shape(b.shape)
	th, tw := cmp.Or(b.tipHeight, b.height), cmp.Or(b.tipWidth, b.width)
	neck := (b.length - b.headLength) / 1000
	s := []bar.Station{{X: 0, Section: sec(shape, b.height, b.width)}, {X: neck, Section: sec(shape, th, tw)}}
	if b.headLength > 0 {
		head := sec(bar.Rectangular, b.headHeight, tw)
		s = append(s, bar.Station{X: neck, Section: head}, bar.Station{X: b.length / 1000, Section: head})
	}
	return bar.Bar{Stations: s}
}

// wish is what a delivery is to be of.
type wish struct {
	form           string  // "mixed", or one form
	density, dSd   float64 // kg/m3 and its relative scatter
	modulus, mSd   float64 // E/rho, MJ/kg
	size           float64 // mm, of the section
	end, otherFace bool
}

func between(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

func invent(t testing.TB, r *rand.Rand, w wish) inventedBlank {
	t.Helper()
	form := w.form
	if form == "mixed" {
		form = []string{"plain", "plain", "plain", "plain", "tapered", "headed", "headed", "octagonal", "round"}[r.IntN(9)]
	}
	b := inventedBlank{shape: wood.Rectangular, length: between(r, 735, 765), height: w.size * between(r, 0.94, 1.06), end: w.end, otherFace: w.otherFace}
	b.width = b.height * between(r, 0.85, 1.02)
	switch form {
	case "octagonal", "round":
		b.shape, b.width = wood.Shape(form), b.height
	case "tapered":
		thin := between(r, 0.72, 0.92)
		b.tipHeight, b.tipWidth = b.height*thin, b.width*thin
	case "headed":
		b.headLength, b.headHeight = between(r, 42, 56), between(r, 1.55, 1.85)*b.height
	}
	density := w.density * (1 + w.dSd*r.NormFloat64())
	e := density * 1e6 * w.modulus * (1 + w.mSd*r.NormFloat64())
	b.wood = bar.Wood{E: e, G: e / between(r, 13, 19), Density: density}
	for k, n := range map[bar.Kind]int{bar.BendingHeight: 3, bar.BendingWidth: 3, bar.Longitudinal: 1} {
		hz, err := shooting.Frequencies(b.bar(), k, b.wood, n)
		if err != nil {
			t.Fatal(err)
		}
		b.hz[k] = hz
		// Wood and thickness are uneven along a bar: each mode feels it in its own way.
		for i := range hz {
			hz[i] *= 1 + 0.004*r.NormFloat64()
		}
	}
	// E differs between the planes and lengthwise.
	for k := range b.hz {
		by := 1 + 0.006*r.NormFloat64()
		for i := range b.hz[k] {
			b.hz[k][i] *= by
		}
	}
	return b
}

// hear is what taps in one way say.
func (b inventedBlank) hear(name string, k bar.Kind) spectrum.Analysis {
	a := spectrum.Analysis{File: name, SampleRateHz: 48000, Taps: []spectrum.TapResult{}}
	family, plane := spectrum.Bending, 1
	if k == bar.Longitudinal {
		family, plane = spectrum.Longitudinal, 0
	}
	var list []spectrum.Partial
	for i, hz := range b.hz[k] {
		list = append(list, spectrum.Partial{Hz: measure.Of(hz, 2e-4*hz), Q: measure.Of(190, 4), Family: family, Order: i + 1, Plane: plane, Ratio: hz / b.hz[k][0], Taps: 5})
	}
	a.Ring = &spectrum.Ring{Method: spectrum.Method, TapsUsed: 5, Fundamental: list[0], FundamentalFrom: "peak", Partials: list,
		PurityPct: measure.Of(97, 1), UnevennessPct: measure.Of(1, 0.5), DriftCents: measure.Of(0, 1), LoudnessDB: measure.Of(-5, 1)}
	return a
}

// inventedRow is what the maker writes, by column.
type inventedRow map[string]string

func (b inventedBlank) write(r *rand.Rand, number string) inventedRow {
	row := inventedRow{"blank": number, "file": number + ".wav", "moisture_pct": fmt.Sprintf("%.1f", 9+0.5*r.NormFloat64()),
		"temperature_c": fmt.Sprintf("%.1f", 20+r.NormFloat64()), "humidity_pct": fmt.Sprintf("%.0f", 50+3*r.NormFloat64())}
	put := func(column string, x, u float64, form string) {
		if x > 0 {
			row[column] = fmt.Sprintf(form, x+u*r.NormFloat64())
		}
	}
	put("length_mm", b.length, 0.5, "%.1f")
	put("height_mm", b.height, 0.08, "%.2f")
	put("mass_g", 1000*b.bar().Volume()*b.wood.Density, 0.1, "%.1f")
	put("head_length_mm", b.headLength, 0.5, "%.1f")
	put("head_height_mm", b.headHeight, 0.1, "%.1f")
	put("tip_height_mm", b.tipHeight, 0.08, "%.2f")
	if b.shape == wood.Rectangular {
		put("width_mm", b.width, 0.08, "%.2f")
		put("tip_width_mm", b.tipWidth, 0.08, "%.2f")
	} else {
		row["shape"] = string(b.shape)
	}
	if b.otherFace {
		row["width_file"] = number + "-w.wav"
	}
	if b.end {
		row["end_file"] = number + "-e.wav"
	}
	return row
}

// gradeInvented grades blanks by the rows that are written about them.
func gradeInvented(t testing.TB, blanks []inventedBlank, rows []inventedRow) Grading {
	t.Helper()
	columns := []string{"blank", "file", "width_file", "end_file", "length_mm", "height_mm", "width_mm", "tip_height_mm", "tip_width_mm",
		"head_length_mm", "head_height_mm", "shape", "mass_g", "moisture_pct", "temperature_c", "humidity_pct"}
	folder := fstest.MapFS{}
	sounds := map[string]func() spectrum.Analysis{}
	table := strings.Join(columns, ";") + "\n"
	for i, row := range rows {
		var cells []string
		for _, c := range columns {
			cells = append(cells, row[c])
		}
		table += strings.Join(cells, ";") + "\n"
		number := fmt.Sprintf("B%d", i+1)
		for suffix, k := range map[string]bar.Kind{".wav": bar.BendingHeight, "-w.wav": bar.BendingWidth, "-e.wav": bar.Longitudinal} {
			name := number + suffix
			folder[name] = &fstest.MapFile{Data: []byte(name)}
			sounds[name] = func() spectrum.Analysis { return blanks[i].hear(name, k) }
		}
	}
	folder[TableName] = &fstest.MapFile{Data: []byte(table)}
	g, err := Grade(t.Context(), Job{Folder: folder, Delivery: "invented", Profile: builtIn(t, "violin"),
		Hear: func(name string, _ spectrum.Strike, _ spectrum.Expected) spectrum.Analysis { return sounds[name]() }})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// wishes are deliveries of many kinds: makers buy all of them.
var wishes = map[string]wish{
	"pernambuco, violin, one face": {"mixed", 1050, 0.05, 22, 0.06, 14, false, false},
	"pernambuco, violin, and end":  {"mixed", 1020, 0.05, 23, 0.06, 13.5, true, false},
	"ipe, cello, both faces":       {"mixed", 1080, 0.04, 20.5, 0.05, 16, false, true},
	"snakewood, all taps":          {"plain", 1290, 0.04, 18.5, 0.06, 13, true, true},
	"spruce, all taps":             {"plain", 430, 0.08, 26, 0.08, 15, true, true},
	"of every quality, one face":   {"mixed", 950, 0.10, 20, 0.12, 14.5, false, false},
	"tapered, one face and end":    {"tapered", 1000, 0.05, 21, 0.06, 14, true, false},
	"headed, both faces":           {"headed", 1000, 0.05, 21, 0.06, 14, false, true},
	"octagonal, end":               {"octagonal", 1000, 0.05, 21, 0.06, 12, true, false},
	"bass, one face":               {"mixed", 980, 0.06, 21, 0.07, 19, false, false},
}

func (w wish) delivery(t testing.TB, r *rand.Rand, n int) (blanks []inventedBlank, rows []inventedRow) {
	for i := range n {
		b := invent(t, r, w)
		blanks = append(blanks, b)
		rows = append(rows, b.write(r, fmt.Sprintf("B%d", i+1)))
	}
	return blanks, rows
}

// Right blanks of all kinds raise hardly any alarm: at most 1 in 100.
func TestRightBlanksRaiseNoAlarm(t *testing.T) {
	n := 6
	if os.Getenv("RINGSTOCK_SLOW") != "" {
		n = *rightBlanks / len(wishes)
	}
	alarms, all := 0, 0
	for i, name := range slices.Sorted(maps.Keys(wishes)) {
		if n == 6 && i%4 != 0 {
			continue // unit tests take a sample
		}
		r := rand.New(rand.NewPCG(*seed, uint64(200+i)))
		blanks, rows := wishes[name].delivery(t, r, n)
		for _, b := range gradeInvented(t, blanks, rows).Blanks {
			all++
			if len(b.Suspect) > 0 {
				alarms++
				t.Logf("%s: %s %+v", name, b.Blank, b.Suspect)
			}
		}
	}
	if alarms > all/100 {
		t.Errorf("%d false alarms in %d blanks", alarms, all)
	} else {
		t.Logf("%d false alarms in %d blanks", alarms, all)
	}
}

// kindOfSlip is a way to spoil a row.
type kindOfSlip struct {
	name    string
	form    string   // of the blank it can happen to; "" any
	columns []string // at which it may be told
	// spoil changes row i, and says whether it could.
	spoil func(r *rand.Rand, rows []inventedRow, i int) bool
	blind bool // physics can't tell: no share of it must be found, but nothing may be decided by it
	apart bool // the next row's note must be another one
}

func times(column string, by float64, form string) func(*rand.Rand, []inventedRow, int) bool {
	return func(_ *rand.Rand, rows []inventedRow, i int) bool {
		x, err := strconv.ParseFloat(rows[i][column], 64)
		rows[i][column] = fmt.Sprintf(form, x*by)
		return err == nil
	}
}

// digitsSwapped swaps the first two digits; that must change the number by a fifth.
func digitsSwapped(column string) func(*rand.Rand, []inventedRow, int) bool {
	return func(_ *rand.Rand, rows []inventedRow, i int) bool {
		s := []byte(rows[i][column])
		if len(s) < 2 {
			return false
		}
		old := parsed(string(s))
		s[0], s[1] = s[1], s[0]
		rows[i][column] = string(s)
		return s[0] != '0' && math.Abs(math.Log(parsed(string(s))/old)) > 0.25
	}
}

// digitWrong changes one of the first two digits so that the number changes by
// a quarter at least.
func digitWrong(column string) func(*rand.Rand, []inventedRow, int) bool {
	return func(r *rand.Rand, rows []inventedRow, i int) bool {
		old := parsed(rows[i][column])
		for range 40 {
			s := []byte(rows[i][column])
			if len(s) < 2 {
				return false
			}
			s[r.IntN(2)] = '0' + byte(r.IntN(10))
			if x := parsed(string(s)); s[0] != '0' && math.Abs(math.Log(x/old)) > 0.3 {
				rows[i][column] = string(s)
				return true
			}
		}
		return false
	}
}

func exchange(a, b string) func(*rand.Rand, []inventedRow, int) bool {
	return func(_ *rand.Rand, rows []inventedRow, i int) bool {
		x, y := rows[i][a], rows[i][b]
		rows[i][a], rows[i][b] = y, x
		return x != "" && y != ""
	}
}

// exchangedWithNext exchanges recordings with the next row's. Its note must differ by a
// twentieth at least, else nothing could tell.
func exchangedWithNext(columns ...string) func(*rand.Rand, []inventedRow, int) bool {
	return func(_ *rand.Rand, rows []inventedRow, i int) bool {
		next := rows[(i+1)%len(rows)]
		for _, c := range columns {
			rows[i][c], next[c] = next[c], rows[i][c]
		}
		return true
	}
}

func dropped(columns ...string) func(*rand.Rand, []inventedRow, int) bool {
	return func(_ *rand.Rand, rows []inventedRow, i int) bool {
		had := rows[i][columns[0]] != ""
		for _, c := range columns {
			rows[i][c] = ""
		}
		return had
	}
}

func all(list ...func(*rand.Rand, []inventedRow, int) bool) func(*rand.Rand, []inventedRow, int) bool {
	return func(r *rand.Rand, rows []inventedRow, i int) bool {
		ok := true
		for _, f := range list {
			ok = f(r, rows, i) && ok
		}
		return ok
	}
}

var slipKinds = []kindOfSlip{
	{name: "mass, point to the left", columns: []string{"mass_g"}, spoil: times("mass_g", 0.1, "%.2f")},
	{name: "mass, point to the right", columns: []string{"mass_g"}, spoil: times("mass_g", 10, "%.0f")},
	{name: "mass, digits swapped", columns: []string{"mass_g"}, spoil: digitsSwapped("mass_g")},
	{name: "mass, digit wrong", columns: []string{"mass_g"}, spoil: digitWrong("mass_g")},
	{name: "mass in ounces", columns: []string{"mass_g"}, spoil: times("mass_g", 1/28.3495, "%.2f")},
	{name: "mass in kilograms", columns: []string{"mass_g"}, spoil: times("mass_g", 0.001, "%.4f")},
	{name: "mass, a digit left out", columns: []string{"mass_g"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		s := rows[i]["mass_g"]
		rows[i]["mass_g"] = s[:1] + s[2:]
		return true
	}},
	{name: "length, point to the left", columns: []string{"length_mm"}, spoil: times("length_mm", 0.1, "%.2f")},
	{name: "length, point to the right", columns: []string{"length_mm"}, spoil: times("length_mm", 10, "%.0f")},
	{name: "length in inches", columns: []string{"length_mm"}, spoil: times("length_mm", 1/25.4, "%.2f")},
	{name: "length, digit wrong", columns: []string{"length_mm"}, spoil: digitWrong("length_mm")},
	{name: "height, point to the left", columns: []string{"height_mm"}, spoil: times("height_mm", 0.1, "%.3f")},
	{name: "height, point to the right", columns: []string{"height_mm"}, spoil: times("height_mm", 10, "%.1f")},
	{name: "height in inches", columns: []string{"height_mm"}, spoil: times("height_mm", 1/25.4, "%.3f")},
	{name: "height, digits swapped", columns: []string{"height_mm"}, spoil: digitsSwapped("height_mm")},
	{name: "height, digit wrong", columns: []string{"height_mm"}, spoil: digitWrong("height_mm")},
	{name: "width, point to the left", form: "plain", columns: []string{"width_mm"}, spoil: times("width_mm", 0.1, "%.3f")},
	{name: "width, point to the right", form: "plain", columns: []string{"width_mm"}, spoil: times("width_mm", 10, "%.1f")},
	{name: "width in inches", form: "plain", columns: []string{"width_mm"}, spoil: times("width_mm", 1/25.4, "%.3f")},
	{name: "width, digits swapped", form: "plain", columns: []string{"width_mm"}, spoil: digitsSwapped("width_mm")},
	{name: "width, digit wrong", form: "plain", columns: []string{"width_mm"}, spoil: digitWrong("width_mm")},
	{name: "height and width swapped", form: "flat", columns: []string{"height_mm", "width_mm"}, spoil: exchange("height_mm", "width_mm")},
	{name: "all in centimetres", form: "plain", columns: []string{"length_mm", "height_mm", "width_mm"}, spoil: all(times("length_mm", 0.1, "%.2f"), times("height_mm", 0.1, "%.3f"), times("width_mm", 0.1, "%.3f"))},
	{name: "all in inches", form: "plain", columns: []string{"length_mm", "height_mm", "width_mm"}, spoil: all(times("length_mm", 1/25.4, "%.2f"), times("height_mm", 1/25.4, "%.3f"), times("width_mm", 1/25.4, "%.3f"))},
	{name: "head left out", form: "headed", columns: []string{"head_length_mm", "head_height_mm"}, spoil: dropped("head_length_mm", "head_height_mm")},
	{name: "head left in", form: "plain", columns: []string{"head_length_mm", "head_height_mm"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["head_length_mm"], rows[i]["head_height_mm"] = "50", "24"
		return true
	}},
	{name: "taper left out, end tapped", form: "tapered", columns: []string{"tip_height_mm", "tip_width_mm"}, spoil: dropped("tip_height_mm", "tip_width_mm")},
	{name: "taper left in, end tapped", form: "plain end", columns: []string{"tip_height_mm", "tip_width_mm"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["tip_height_mm"], rows[i]["tip_width_mm"] = fmt.Sprintf("%.2f", 0.75*parsed(rows[i]["height_mm"])), fmt.Sprintf("%.2f", 0.75*parsed(rows[i]["width_mm"]))
		return true
	}},
	{name: "octagon as rectangle, end tapped", form: "octagonal", columns: []string{"shape"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["shape"], rows[i]["width_mm"] = "", rows[i]["height_mm"]
		return true
	}},
	{name: "rectangle as octagon, end tapped", form: "plain end", columns: []string{"shape"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["shape"] = "octagonal"
		return true
	}},
	{name: "round as rectangle, end tapped", form: "round", columns: []string{"shape"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["shape"], rows[i]["width_mm"] = "", rows[i]["height_mm"]
		return true
	}},
	{name: "face and end swapped", form: "plain end", columns: []string{"file", "end_file"}, spoil: exchange("file", "end_file")},
	{name: "the two faces swapped", form: "flat", columns: []string{"file", "width_file", "height_mm", "width_mm"}, spoil: exchange("file", "width_file")},
	{name: "the same file twice", columns: []string{"file"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["file"] = rows[(i+1)%len(rows)]["file"]
		return true
	}},
	{name: "recordings of two blanks exchanged, end tapped", form: "plain end", apart: true, columns: []string{"file"}, spoil: exchangedWithNext("file")},
	{name: "all recordings of two blanks exchanged", form: "plain end", apart: true, columns: []string{"file", "end_file"}, blind: true, spoil: exchangedWithNext("file", "end_file")},
	{name: "moisture, point to the right", columns: []string{"moisture_pct"}, spoil: times("moisture_pct", 10, "%.0f")},
	{name: "moisture as a part of one", columns: []string{"moisture_pct"}, spoil: times("moisture_pct", 0.01, "%.3f")},
	{name: "temperature in °F", columns: []string{"temperature_c"}, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["temperature_c"] = fmt.Sprintf("%.0f", parsed(rows[i]["temperature_c"])*9/5+32)
		return true
	}},
	{name: "humidity as a part of one", columns: []string{"humidity_pct"}, spoil: times("humidity_pct", 0.01, "%.2f")},
	{name: "temperature and humidity swapped", columns: []string{"temperature_c", "humidity_pct"}, spoil: exchange("temperature_c", "humidity_pct")},
	{name: "head height, point to the right", form: "headed", columns: []string{"head_height_mm"}, spoil: times("head_height_mm", 10, "%.0f")},
	{name: "the next row's mass", columns: []string{"mass_g"}, blind: true, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		rows[i]["mass_g"] = rows[(i+1)%len(rows)]["mass_g"]
		return true
	}},
	{name: "mass, last digits swapped", columns: []string{"mass_g"}, blind: true, spoil: func(_ *rand.Rand, rows []inventedRow, i int) bool {
		s := []byte(rows[i]["mass_g"])
		s[1], s[2] = s[2], s[1]
		rows[i]["mass_g"] = string(s)
		return s[1] != s[2]
	}},
}

// slipDeliveries are the deliveries in which slips are made, by the form a
// kind of slip wants.
var slipDeliveries = map[string]wish{
	"":          {"mixed", 1040, 0.05, 22, 0.06, 14, true, false},
	"plain":     {"plain", 1040, 0.05, 22, 0.06, 14, false, false},
	"plain end": {"plain", 1040, 0.05, 22, 0.06, 14, true, false},
	"flat":      {"plain", 1040, 0.05, 22, 0.06, 14, true, true},
	"headed":    {"headed", 1040, 0.05, 22, 0.06, 14, true, false},
	"tapered":   {"tapered", 1040, 0.05, 22, 0.06, 14, true, false},
	"octagonal": {"octagonal", 1040, 0.05, 22, 0.06, 12, true, false},
	"round":     {"round", 1040, 0.05, 22, 0.06, 12, true, false},
}

// seed draws the blanks; limits were set with 23, and are reported with others.
var (
	seed        = flag.Uint64("seed", 23, "of the blanks invented for slips and false alarms")
	slipsOfKind = flag.Int("slips", 3, "so many slips of each kind, by RINGSTOCK_SLOW=1")
	rightBlanks = flag.Int("right-blanks", 300, "so many right blanks, by RINGSTOCK_SLOW=1")
)

// slipCount counts what came of slips.
type slipCount struct{ all, told, fitted, fits int }

func (c *slipCount) add(o slipCount) {
	c.all, c.told, c.fitted, c.fits = c.all+o.all, c.told+o.told, c.fitted+o.fitted, c.fits+o.fits
}

// A table of slips: each kind over blanks of several deliveries. Unit tests
// take a sample of it.
func TestSlips(t *testing.T) {
	each, step := 1, 9
	// The sample has few: what comes once in a thousand at the rates asked is let pass.
	least := func(n int, p float64) float64 {
		k, b := 0.0, distuv.Binomial{N: float64(n), P: p}
		for b.CDF(k) < 0.001 {
			k++
		}
		return k
	}
	if os.Getenv("RINGSTOCK_SLOW") != "" {
		each, step = *slipsOfKind, 1
		least = func(n int, p float64) float64 { return p * float64(n) }
	}
	const blanks = 7
	deliveries := map[string][]inventedBlank{}
	forms := slices.Sorted(maps.Keys(slipDeliveries))
	delivery := func(t *testing.T, form string) []inventedBlank {
		if bodies, made := deliveries[form]; made {
			return bodies
		}
		bodies, _ := slipDeliveries[form].delivery(t, rand.New(rand.NewPCG(*seed, uint64(slices.Index(forms, form)))), blanks)
		if form == "flat" {
			for i := range bodies {
				bodies[i].width = 0.8 * bodies[i].height
				bodies[i] = reTuned(t, bodies[i])
			}
		}
		deliveries[form] = bodies
		return bodies
	}
	var sum slipCount
	for k := 0; k < len(slipKinds); k += step {
		kind := slipKinds[k]
		t.Run(kind.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(*seed, uint64(100+k)))
			bodies := delivery(t, kind.form)
			var count slipCount
			for n := range each {
				count.add(kind.try(t, r, bodies, n%blanks))
			}
			if !kind.blind {
				sum.add(count)
			}
		})
	}
	t.Logf("told at the right cell %d of %d that physics can tell; the value that would fit is within 2 u of the truth in %d of %d", sum.told, sum.all, sum.fits, sum.fitted)
	if float64(sum.told) < least(sum.all, 0.9) {
		t.Errorf("told at the right cell in %d of %d", sum.told, sum.all)
	}
	if float64(sum.fits) < least(sum.fitted, 0.8) {
		t.Errorf("the value that would fit is right in %d of %d", sum.fits, sum.fitted)
	}
}

// try makes a slip of this kind in one row of a delivery and sees what is told.
func (kind kindOfSlip) try(t *testing.T, r *rand.Rand, bodies []inventedBlank, i int) (c slipCount) {
	var rows []inventedRow
	for i, b := range bodies {
		rows = append(rows, b.write(r, fmt.Sprintf("B%d", i+1)))
	}
	right := maps.Clone(rows[i])
	var rightRows []inventedRow
	for _, row := range rows {
		rightRows = append(rightRows, maps.Clone(row))
	}
	if next := bodies[(i+1)%len(bodies)]; kind.apart && math.Abs(math.Log(bodies[i].hz[bar.BendingHeight][0]/next.hz[bar.BendingHeight][0])) < 0.05 {
		return c
	}
	if !kind.spoil(r, rows, i) {
		return c
	}
	graded := func(rows []inventedRow) Blank {
		g := gradeInvented(t, bodies, rows)
		return g.Blanks[slices.IndexFunc(g.Blanks, func(b Blank) bool { return b.Blank == fmt.Sprintf("B%d", i+1) })]
	}
	b := graded(rows)
	c.all = 1
	if slipTold(b, kind) {
		c.told = 1
	}
	if b.Verdict != Maybe && !kind.blind {
		if without := graded(rightRows); without.Verdict != b.Verdict {
			t.Errorf("%s by a slip, %s without: %q, suspect %v", b.Verdict, without.Verdict, b.Reasons, b.Suspect)
		}
	}
	for _, s := range b.Suspect {
		truth, err := strconv.ParseFloat(right[s.Column], 64)
		if c.told == 0 || err != nil || !slices.Contains(kind.columns, s.Column) || !readingOfOK(s.Column) {
			continue
		}
		c.fitted = 1
		// Both the value and what was read rightly have their uncertainty.
		if s.WouldFit != nil && s.WouldFitU != nil && math.Abs(*s.WouldFit-truth) <= 2*math.Hypot(*s.WouldFitU, readingOf(s.Column).u) {
			c.fits = 1
		}
	}
	t.Logf("told %d, would fit %d of %d: %s", c.told, c.fits, c.fitted, shortened(fmt.Sprint(b.Suspect)))
	return c
}

// slipTold tells whether a slip is told at one of the cells where it was made.
func slipTold(b Blank, kind kindOfSlip) bool {
	for _, s := range b.Suspect {
		if slices.Contains(kind.columns, s.Column) {
			return true
		}
	}
	for _, u := range b.Row.Unused { // it can't even be read
		if slices.Contains(kind.columns, u.Column) {
			return true
		}
	}
	return false
}

func shortened(s string) string { return s[:min(len(s), 150)] }

func readingOfOK(column string) bool {
	return slices.ContainsFunc(readings, func(q reading) bool { return q.column == column })
}

// reTuned has the pitches of a changed blank.
func reTuned(t testing.TB, b inventedBlank) inventedBlank {
	for k, n := range map[bar.Kind]int{bar.BendingHeight: 3, bar.BendingWidth: 3, bar.Longitudinal: 1} {
		hz, err := shooting.Frequencies(b.bar(), k, b.wood, n)
		if err != nil {
			t.Fatal(err)
		}
		b.hz[k] = hz
	}
	return b
}
