package grading

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"

	"ringstock/grading/wood"
	"ringstock/spectrum"
	"ringstock/spectrum/measure"
)

// Suspect is an entry that can be read but does not fit: the sound, the other readings of
// its blank, or the rest of the delivery.
type Suspect struct {
	Column   string   `json:"column"`
	Value    any      `json:"value"` // as entered: a number, a text, or nil where nothing was
	Why      string   `json:"why"`
	WouldFit *float64 `json:"would_fit"` // in the column's unit; nil where no one number would
	// WouldFitU is its standard uncertainty: how far the rest of what is known
	// leaves the value open.
	WouldFitU *float64 `json:"would_fit_u,omitempty"`
}

// Text is the suspect in a sentence.
func (s Suspect) Text() string { return s.Entry() + ": " + s.Why }

// Entry is the column with what was entered.
func (s Suspect) Entry() string {
	if s.Value == nil {
		return s.Column
	}
	return fmt.Sprintf("%s %v", s.Column, s.Value)
}

// inDoubt says by which suspect entries a property is in doubt; nil if by none.
func inDoubt(key string, w wood.Values, suspects []Suspect) (columns []string) {
	for _, s := range suspects {
		if !slices.Contains(columns, s.Column) && restsOn(key, s.Column, w) {
			columns = append(columns, s.Column)
		}
	}
	return columns
}

// restsOn tells whether a property is computed from what a column holds.
func restsOn(key, column string, w wood.Values) bool {
	if recordings[column] != nil {
		return true
	}
	switch key {
	case "specific_modulus_mj_kg":
		if w.SpecificModulusFrom == "longitudinal" && (column == "height_mm" || column == "width_mm") {
			// On a plain bar it takes the length alone, if bending did not have to
			// say which mode sounds.
			return slices.ContainsFunc(w.Modes, func(m wood.Mode) bool { return m.Taps == "end" && m.Order > 1 })
		}
		return strings.HasSuffix(column, "_mm") || column == "shape"
	case "density_kg_m3", "youngs_modulus_gpa":
		return strings.HasSuffix(column, "_mm") || column == "shape" || column == "mass_g"
	}
	return false
}

// Slips are found by testing hypotheses. What is known of a blank makes up its evidence:
// natural logarithms of what each recording says of E/rho, of density, of dimensions,
// and how far overtones are from where the form puts them. Before anything is known of
// the blank they are expected about their usual values, with a covariance. A slip in one
// reading moves the evidence along one direction; the test of Baarda (A testing
// procedure for use in geodetic networks, 1968, from memory) tells by how much the
// misfit shrinks if the reading is set free, and which value would fit. The hypothesis
// that explains most, less what such a slip is unlikely beforehand, is told if it
// explains more than chance.

// The entries of an evidence.
const (
	evHeight   = iota // E/rho by the side taps, height plane
	evWidth           // E/rho by the taps on the other face
	evEnd             // E/rho by the end taps
	evDensity         // kg/m3
	evLength          // mm
	evHeightMM        // mm
	evWidthMM         // mm
	evRatio2          // second over first bending note of the side taps, against the form
	evRatio3          // third over first
	evRatio2W         // second over first of the taps on the other face
	evidenceLen
)

type evidence struct {
	x     [evidenceLen]float64
	u     [evidenceLen]float64 // of the measurement
	known [evidenceLen]bool

	headed bool // a head block was entered
}

func (e *evidence) set(i int, v measure.Value) {
	if v.Known() && v.X > 0 {
		e.x[i], e.u[i], e.known[i] = math.Log(v.X), v.Rel(), true
	}
}

// sound are the rings of a blank.
type sound struct{ side, width, end *spectrum.Ring }

// evidenceIn gathers what wood values, readings and rings say together.
func evidenceIn(v wood.Values, r wood.Readings, s sound) (e evidence) {
	e.headed = r.HeadLengthMM.Known() && r.HeadHeightMM.Known()
	if s.side != nil {
		e.set(evHeight, v.SpecificModulusHeight)
	}
	if s.width != nil {
		e.set(evWidth, v.SpecificModulusWidth)
	}
	e.set(evEnd, endModulus(v, r, s.end))
	e.set(evDensity, v.Density)
	e.set(evLength, r.LengthMM)
	e.set(evHeightMM, r.HeightMM)
	if r.Shape == wood.Rectangular || r.Shape == "" {
		e.set(evWidthMM, r.WidthMM)
	}
	for _, c := range []struct {
		at, order int
		ring      *spectrum.Ring
		wide      bool
	}{{evRatio2, 2, s.side, false}, {evRatio3, 3, s.side, false}, {evRatio2W, 2, s.width, true}} {
		if c.ring == nil || !c.ring.Fundamental.Hz.Known() {
			continue
		}
		want, ok := wood.Overtone(r, c.wide, c.order)
		if !ok {
			continue
		}
		for _, p := range c.ring.Partials {
			if p.Family == spectrum.Bending && p.Order == c.order && p.Plane != 2 && p.Hz.Known() && p.Hz.X > 0 {
				e.x[c.at], e.u[c.at], e.known[c.at] = math.Log(p.Hz.X/c.ring.Fundamental.Hz.X/want), p.Hz.Rel(), true
				break
			}
		}
	}
	return e
}

// endModulus is E/rho by the end taps alone. The evaluation lets bending say which of the
// longitudinal modes they sound, which a slip in the height turns round; here it is the
// one that usual wood has.
func endModulus(v wood.Values, r wood.Readings, end *spectrum.Ring) measure.Value {
	if end == nil || !r.LengthMM.Known() || !end.Fundamental.Hz.Known() {
		return measure.Unknown("")
	}
	lowest := measure.Unknown("")
	for _, m := range v.Modes {
		if m.Taps == "end" && m.Family == spectrum.Longitudinal {
			n := float64(m.Order * m.Order)
			lowest = measure.Of(n*m.SpecificModulus.X, n*m.SpecificModulus.U)
		}
	}
	if !lowest.Known() {
		// c = 2 L f of a plain bar; the evaluation leaves out a note that is
		// far from the others.
		c := 2 * r.LengthMM.X / 1000 * end.Fundamental.Hz.X
		lowest = measure.Of(c*c/1e6, 0.02*c*c/1e6)
	}
	const usualMJKg = 20.5
	n := math.Round(min(max(math.Sqrt(lowest.X/usualMJKg), 1), 3))
	return measure.Of(lowest.X/(n*n), lowest.U/(n*n))
}

// expectation is what evidence is expected to be, and how surely.
type expectation struct {
	mean [evidenceLen]float64
	// Standard deviations: of E/rho between blanks, of density, of the dimensions.
	modulus, density, length, section float64
	// How unlikely it is beforehand that a head block was left out, and that one was
	// entered that is not there.
	headless, headed float64
	// By how much sooner than usual a reading is asked about that density rests on: the
	// verdict hangs on it alone.
	eager float64
}

// How evidence scatters about what is expected in sound wood of any kind: assumed, wide
// enough for woods from spruce to snakewood, bars of half or double the usual size, and
// readings at one place of an uneven bar.
const (
	planesSd   = 0.022 // of E/rho between planes and lengthwise, with the bar's unevenness, in ln
	squareSd   = 0.18  // of ln(width/height)
	ratio2Sd   = 0.006 // of ln of an overtone's ratio: uneven wood, and E/G that was assumed
	ratio3Sd   = 0.0085
	modulusSd  = 0.24
	densitySd  = 0.33
	lengthSd   = 0.20
	sectionSd  = 0.25
	leastMod   = 0.07 // and the least that is taken from a delivery for the same
	leastDens  = 0.055
	leastLen   = 0.05
	leastSect  = 0.10
	leastOther = 5 // so many other blanks make a delivery that one can be held against
)

// anyBlank is what to expect of a blank of which nothing is known but
// perhaps its species.
func anyBlank(species string) expectation {
	x := expectation{headless: unlikelyHead, headed: unlikelyHead, modulus: modulusSd, density: densitySd, length: lengthSd, section: sectionSd}
	x.mean[evHeight], x.mean[evDensity] = math.Log(20.5), math.Log(900)
	x.mean[evLength], x.mean[evHeightMM] = math.Log(750), math.Log(14.5)
	if low, high, ok := wood.UsualDensity(species); ok {
		// The window's edges lie two standard deviations out.
		x.mean[evDensity], x.density = math.Log(low*high)/2, max(math.Log(high/low)/4, leastDens)
	}
	x.tie()
	return x
}

// tie gives entries of one kind one mean.
func (x *expectation) tie() {
	x.mean[evWidth], x.mean[evEnd] = x.mean[evHeight], x.mean[evHeight]
	x.mean[evWidthMM] = x.mean[evHeightMM]
}

// among is what to expect of a blank after so many others of its delivery, by median and
// median deviation, which a few slips among them hardly move.
func (x expectation) among(others []evidence) expectation {
	robust := func(at int, alike []int, least float64, mean, sd *float64) {
		var list []float64
		for _, o := range others {
			for _, i := range alike {
				if o.known[i] {
					list = append(list, o.x[i])
					break
				}
			}
		}
		if len(list) < leastOther {
			return
		}
		m := median(list)
		var off []float64
		for _, v := range list {
			off = append(off, math.Abs(v-m))
		}
		// 1.4826 makes a standard deviation of it; few blanks know it less surely.
		s := max(1.4826*median(off), least) * (1 + 2/float64(len(list)))
		if s < *sd {
			*mean, *sd = m, s
		}
	}
	robust(evHeight, []int{evHeight, evWidth, evEnd}, leastMod, &x.mean[evHeight], &x.modulus)
	robust(evDensity, []int{evDensity}, leastDens, &x.mean[evDensity], &x.density)
	robust(evLength, []int{evLength}, leastLen, &x.mean[evLength], &x.length)
	robust(evHeightMM, []int{evHeightMM}, leastSect, &x.mean[evHeightMM], &x.section)
	x.tie()
	headed := 0
	for _, o := range others {
		if o.headed {
			headed++
		}
	}
	switch {
	case len(others) < leastOther:
	case 10*headed >= 9*len(others):
		// Where all have one, a slip is as likely as a stick without: its sound tells
		// which.
		x.headless = unlikelyOdd
	case 3*headed > 2*len(others):
		x.headless = unlikelyHead / 2
	case 10*headed <= len(others):
		x.headed = unlikelyLone
	}
	return x
}

func median(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// precision is the inverse of the covariance that the evidence is expected to have, with
// zeros for what is not known.
func (x expectation) precision(e evidence) *mat.SymDense {
	var at []int
	for i, k := range e.known {
		if k {
			at = append(at, i)
		}
	}
	out := mat.NewSymDense(evidenceLen, nil)
	if len(at) == 0 {
		return out
	}
	cov := mat.NewSymDense(len(at), nil)
	for a, i := range at {
		for b, j := range at[:a+1] {
			c := x.covariance(i, j)
			if i == j {
				c += e.u[i] * e.u[i]
			}
			cov.SetSym(a, b, c)
		}
	}
	var chol mat.Cholesky
	inverse := mat.NewSymDense(len(at), nil)
	if !chol.Factorize(cov) || chol.InverseTo(inverse) != nil {
		return out // can't be: every entry has a variance of its own
	}
	for a, i := range at {
		for b, j := range at[:a+1] {
			out.SetSym(i, j, inverse.At(a, b))
		}
	}
	return out
}

func (x expectation) covariance(i, j int) float64 {
	kind := func(k int) string {
		switch k {
		case evHeight, evWidth, evEnd:
			return "modulus"
		case evHeightMM, evWidthMM:
			return "section"
		case evRatio2, evRatio3:
			return "ratio" // both say the same of E/G and of a head
		}
		return strconv.Itoa(k)
	}
	if kind(i) != kind(j) {
		return 0
	}
	own := map[int]float64{evHeight: planesSd, evWidth: planesSd, evEnd: planesSd, evHeightMM: squareSd / math.Sqrt2, evWidthMM: squareSd / math.Sqrt2,
		evRatio2: ratio2Sd, evRatio3: ratio3Sd, evRatio2W: ratio2Sd}
	common := map[string]float64{"modulus": x.modulus, "section": x.section}[kind(i)]
	switch {
	case i == evDensity:
		return x.density * x.density
	case i == evLength:
		return x.length * x.length
	case kind(i) == "ratio" && i != j:
		return 0.6 * own[i] * own[j]
	case i != j:
		return common * common
	}
	return common*common + own[i]*own[i]
}

// test holds one blank's evidence against what is expected.
type test struct {
	row      Row
	sound    sound
	expected expectation
	e        evidence
	p        *mat.SymDense
	off      *mat.VecDense // of the evidence from its mean; 0 where not known
	misfit   float64       // chi-squared
}

func newTest(r Row, s sound, e evidence, x expectation) test {
	t := test{row: r, sound: s, expected: x, e: e, p: x.precision(e)}
	t.off, t.misfit = t.misfitOf(e)
	return t
}

// misfitOf is how far evidence is from its mean: infinitely, if readings make no bar of
// which a recording or the scale could tell what they do of the one that was entered.
func (t test) misfitOf(e evidence) (off *mat.VecDense, chi2 float64) {
	off = mat.NewVecDense(evidenceLen, nil)
	for i := evHeight; i <= evDensity; i++ {
		if t.e.known[i] && !e.known[i] {
			return off, math.Inf(1)
		}
	}
	for i, k := range e.known {
		if k && t.e.known[i] {
			off.SetVec(i, e.x[i]-t.expected.mean[i])
		}
	}
	return off, mat.Inner(off, t.p, off)
}

// hypothesis explains evidence by one slip.
type hypothesis struct {
	suspects []Suspect
	gain     float64 // by how much the misfit shrinks, less what the slip is unlikely beforehand
}

// How unlikely slips are beforehand, as -2 ln of their probability: some three readings
// in a thousand are slips (assumed), shared out among the ways to make one, and set so
// that right blanks raise hardly any alarm.
const (
	unlikelyShift    = 12.0 // the point in the wrong place, another unit, two columns swapped
	unlikelySwap     = 13.0 // two digits swapped
	unlikelyDigit    = 16.0 // one digit wrong, left out or doubled
	unlikelyHead     = 9.5  // a head block not entered, or entered and gone
	unlikelyOdd      = 3.0  // the same where all others of the delivery are otherwise
	unlikelyLone     = -3.0 // a head block entered that no other has: asked about unless the sound bears it out
	unlikelyForm     = 15.0 // a taper not entered, another section
	unlikelyAny      = 18.0 // anything
	unlikelySound    = 19.0 // the recording of something else
	unlikelyDamage   = 4.0  // a fault of wood that is damped like one
	unlikelyExchange = 12.0 // the recordings of two neighbours exchanged
	quiet            = 9.0  // a misfit that no hypothesis could explain well enough
	alsoPossible     = 5.0  // a hypothesis that explains so much less than the best is told too
	// Where density alone makes a blank go back, one weighing more costs less than a stick:
	// a slip is asked about from odds of 1 in 33.
	decisive = 7.0
)

// stands tells whether a blank differs from the others in having a head block, or in
// having none: its sound is then asked even if nothing else is odd.
func (x expectation) stands(e evidence) bool {
	return e.headed && x.headed == unlikelyLone || !e.headed && x.headless == unlikelyOdd
}

// suspects finds the entries that do not fit.
func (t test) suspects() []Suspect {
	if t.misfit < quiet-t.expected.eager && !t.expected.stands(t.e) {
		return nil
	}
	list := slices.Concat(t.readingsFree(), t.swapped(), t.units(), t.sections(), t.heads(), t.tapers(), t.exchanged(), t.otherSound(), t.damaged())
	list = slices.DeleteFunc(list, func(h hypothesis) bool {
		return h.gain <= 0 && (h.gain <= -t.expected.eager || !h.movesDensity())
	})
	slices.SortStableFunc(list, func(a, b hypothesis) int { return cmp.Compare(b.gain, a.gain) })
	var out []Suspect
	for _, h := range list {
		if h.gain < list[0].gain-alsoPossible {
			break
		}
		for _, s := range h.suspects {
			if !slices.ContainsFunc(out, func(o Suspect) bool { return o.Column == s.Column }) {
				out = append(out, s)
			}
		}
	}
	return out
}

// movesDensity tells whether all of a hypothesis is about readings of mass and size.
func (h hypothesis) movesDensity() bool {
	return !slices.ContainsFunc(h.suspects, func(s Suspect) bool {
		return recordings[s.Column] != nil || !restsOn("density_kg_m3", s.Column, wood.Values{})
	})
}

// with is the evidence if some readings were others.
func (t test) with(change func(*Row)) evidence {
	r := t.row
	change(&r)
	v, _, _ := wood.Evaluate(r.Readings, "", t.sound.side, t.sound.width, t.sound.end)
	return evidenceIn(v, r.Readings, t.sound)
}

// readingColumns are those whose numbers go into wood values.
var readingColumns = []string{"length_mm", "height_mm", "width_mm", "mass_g", "head_length_mm", "head_height_mm", "tip_height_mm", "tip_width_mm"}

func readingOf(column string) reading {
	return readings[slices.IndexFunc(readings, func(q reading) bool { return q.column == column })]
}

// direction is how a reading moves the evidence: its derivative by the reading's
// logarithm, where the reading is x.
func (t test) direction(column string, x float64, at evidence) *mat.VecDense {
	const step = 0.01
	moved := t.with(func(r *Row) { setReading(r, column, x*(1+step)) })
	d := mat.NewVecDense(evidenceLen, nil)
	for i, k := range t.e.known {
		if k && moved.known[i] && at.known[i] {
			d.SetVec(i, (moved.x[i]-at.x[i])/math.Log1p(step))
		}
	}
	return d
}

func setReading(r *Row, column string, x float64) {
	v := readingOf(column).of(r)
	*v = measure.Of(x, v.U)
}

// free sets one reading free. It returns the value that fits best, its relative standard
// deviation, the direction there, and by how much the misfit shrinks. A bar is not
// slender enough for one straight step where the slip is large, hence a few.
func (t test) free(column string, x float64) (fit, sd float64, a *mat.VecDense, gain float64) {
	at, off := t.e, t.off
	for range 8 {
		a = t.direction(column, x, at)
		curve := mat.Inner(a, t.p, a)
		if !(curve > 1e-6) {
			return x, math.Inf(1), a, 0 // nothing depends on it
		}
		delta := -mat.Inner(a, t.p, off) / curve
		sd = 1 / math.Sqrt(curve)
		x *= math.Exp(min(max(delta, -4), 4))
		at = t.with(func(r *Row) { setReading(r, column, x) })
		off, gain = t.misfitOf(at)
		if gain = t.misfit - gain; math.IsInf(gain, -1) {
			return x, math.Inf(1), a, 0
		}
		if math.Abs(delta) < 0.3*sd {
			break
		}
	}
	return x, sd, a, gain
}

// readingsFree tests each reading alone.
func (t test) readingsFree() (list []hypothesis) {
	for _, column := range readingColumns {
		v := *readingOf(column).of(&t.row)
		if !v.Known() || !(v.X > 0) {
			continue
		}
		q := readingOf(column)
		fit, sd, a, gain := t.free(column, v.X)
		if math.IsInf(sd, 1) || math.IsNaN(gain) {
			continue
		}
		text := strconv.FormatFloat(v.X, 'f', -1, 64)
		best, bestGain := slip{}, gain-unlikelyAny
		for _, s := range naturalSlips(text, q.unit) {
			if s.meant < q.min || s.meant > q.max {
				continue
			}
			z := math.Log(s.meant/fit) / sd
			g := gain - z*z - s.unlikely
			if s.unlikely == unlikelyShift { // so far away that only the exact way tells
				_, after := t.misfitOf(t.with(func(r *Row) { setReading(r, column, s.meant) }))
				g = t.misfit - after - s.unlikely
			}
			if g > bestGain {
				best, bestGain = s, g
			}
		}
		s := Suspect{Column: column, Value: v.X}
		if best.how != "" || sd < 0.15 {
			open := fit * sd
			s.WouldFitU = &open
		}
		switch {
		case best.how != "":
			s.WouldFit, s.Why = &best.meant, fmt.Sprintf("%s would fit: %s?", unitText(best.meant, q.unit), best.how)
		case fit >= q.min && fit <= q.max && sd < 0.15:
			fit = roundLike(fit, sd*fit)
			s.WouldFit, s.Why = &fit, fmt.Sprintf("about %s would fit: measure again", unitText(fit, q.unit))
		default:
			s.Why = "does not fit the rest: measure again"
		}
		s.Why = t.conflict(a) + s.Why
		list = append(list, hypothesis{[]Suspect{s}, bestGain})
	}
	return list
}

// conflict says what is odd about the blank, of what a direction touches.
func (t test) conflict(a *mat.VecDense) string {
	type oddity struct {
		text string
		z    float64
	}
	var list []oddity
	add := func(i int, format string, args ...any) {
		if t.e.known[i] && (a == nil || a.AtVec(i) != 0) {
			sd := math.Sqrt(t.expected.covariance(i, i) + t.e.u[i]*t.e.u[i])
			list = append(list, oddity{fmt.Sprintf(format, args...), math.Abs(t.off.AtVec(i)) / sd})
		}
	}
	val := func(i int) float64 { return math.Exp(t.e.x[i]) }
	add(evDensity, "the density comes out as %.0f kg/m³", val(evDensity))
	add(evHeight, "the side taps give E/rho %.3g MJ/kg", val(evHeight))
	add(evWidth, "the taps on the other face give E/rho %.3g MJ/kg", val(evWidth))
	add(evEnd, "the end taps give E/rho %.3g MJ/kg", val(evEnd))
	add(evLength, "the length is unusual")
	add(evHeightMM, "the height is unusual")
	add(evWidthMM, "the width is unusual")
	slices.SortStableFunc(list, func(x, y oddity) int { return cmp.Compare(y.z, x.z) })
	if len(list) > 0 && list[0].z > 2 {
		return list[0].text + "; "
	}
	if t.e.known[evEnd] && (t.e.known[evHeight] || t.e.known[evWidth]) {
		return "bending and end taps do not agree on E/rho; "
	}
	if t.e.known[evWidth] && t.e.known[evHeight] {
		return "the taps on both faces do not agree on E/rho; "
	}
	return ""
}

// roundLike rounds to two figures of the uncertainty.
func roundLike(x, u float64) float64 {
	text, _ := measure.Of(x, u).Rounded()
	y, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return x
	}
	return y
}

// slip is a way in which a number may have come to be typed.
type slip struct {
	meant    float64
	how      string
	unlikely float64
}

// naturalSlips lists what may have been meant by a typed number.
func naturalSlips(text, unit string) (list []slip) {
	x := parsed(text)
	add := func(meant float64, how string, unlikely float64) {
		if meant > 0 && meant != x {
			list = append(list, slip{meant, how, unlikely})
		}
	}
	clean := func(x float64) float64 { return parsed(strconv.FormatFloat(x, 'g', 6, 64)) }
	for _, k := range []float64{10, 100, 0.1, 0.01} {
		add(clean(k*x), "is the point in the wrong place", unlikelyShift)
	}
	switch unit {
	case "mm":
		add(clean(10*x), "were these centimetres", unlikelyShift)
		add(clean(25.4*x), "were these inches", unlikelyShift)
		add(clean(1000*x), "were these metres", unlikelyShift)
	case "g":
		add(clean(28.349523125*x), "were these ounces", unlikelyShift)
		add(clean(1000*x), "were these kilograms", unlikelyShift)
	}
	digits := []byte(text)
	for i, c := range digits {
		if c == '.' {
			continue
		}
		if j := i + 1; j < len(digits) {
			if digits[j] == '.' && j+1 < len(digits) {
				j++
			}
			if digits[j] != c {
				other := slices.Clone(digits)
				other[i], other[j] = other[j], other[i]
				add(parsed(string(other)), "were two digits swapped", unlikelySwap)
			}
		}
		for d := byte('0'); d <= '9'; d++ {
			other := slices.Clone(digits)
			other[i] = d
			add(parsed(string(other)), "is a digit wrong", unlikelyDigit)
			add(parsed(string(slices.Insert(slices.Clone(digits), i, d))), "was a digit left out", unlikelyDigit+1)
		}
		add(parsed(string(slices.Delete(slices.Clone(digits), i, i+1))), "is there a digit too many", unlikelyDigit)
	}
	return list
}

// changed is the hypothesis that some readings were others.
func (t test) changed(unlikely float64, change func(*Row), suspects ...Suspect) hypothesis {
	_, after := t.misfitOf(t.with(change))
	return hypothesis{suspects, t.misfit - after - unlikely}
}

// swapped tests height and width for having changed places.
func (t test) swapped() (list []hypothesis) {
	h, w := t.row.HeightMM, t.row.WidthMM
	if !h.Known() || !w.Known() || h.X == w.X {
		return nil
	}
	why := fmt.Sprintf("height and width look swapped, or the recordings of the two faces (%s x %s mm would fit)", unitText(w.X, ""), unitText(h.X, ""))
	return []hypothesis{t.changed(unlikelyShift, func(r *Row) {
		r.HeightMM, r.WidthMM = r.WidthMM, r.HeightMM
		r.TipHeightMM, r.TipWidthMM = r.TipWidthMM, r.TipHeightMM
	}, Suspect{"height_mm", h.X, why, &w.X, &w.U}, Suspect{"width_mm", w.X, why, &h.X, &h.U})}
}

// units tests all dimensions for having been typed in another unit.
func (t test) units() (list []hypothesis) {
	for _, unit := range []struct {
		name   string
		factor float64
	}{{"centimetres", 10}, {"inches", 25.4}} {
		for _, columns := range [][]string{{"length_mm", "height_mm", "width_mm"}, {"height_mm", "width_mm"}} {
			var suspects []Suspect
			for _, c := range columns {
				if v := *readingOf(c).of(&t.row); v.Known() {
					fit := parsed(strconv.FormatFloat(v.X*unit.factor, 'g', 6, 64))
					u := v.U * unit.factor
					suspects = append(suspects, Suspect{c, v.X, fmt.Sprintf("were these %s? %s would fit", unit.name, unitText(fit, "mm")), &fit, &u})
				}
			}
			if len(suspects) < 2 || slices.ContainsFunc(suspects, func(s Suspect) bool {
				w := usual[s.Column]
				return *s.WouldFit < w[0] || *s.WouldFit > w[1]
			}) {
				continue
			}
			list = append(list, t.changed(unlikelyShift+2, func(r *Row) {
				for _, c := range columns {
					if v := readingOf(c).of(r); v.Known() {
						*v = measure.Of(v.X*unit.factor, v.U*unit.factor)
					}
				}
			}, suspects...))
		}
	}
	return list
}

// sections tests other sections than the one entered.
func (t test) sections() []hypothesis {
	entered := cmp.Or(t.row.Shape, wood.Rectangular)
	best := hypothesis{gain: math.Inf(-1)}
	var fits []string
	for _, s := range shapes {
		if s == entered {
			continue
		}
		h := t.changed(unlikelyForm, func(r *Row) {
			r.Shape = s
			if s != wood.Rectangular {
				r.WidthMM = measure.Unknown("")
			} else if !r.WidthMM.Known() {
				r.WidthMM = r.HeightMM
			}
		})
		switch {
		case h.gain > best.gain+alsoPossible:
			fits = []string{string(s)}
		case h.gain > best.gain-alsoPossible:
			fits = append(fits, string(s))
		}
		best.gain = max(best.gain, h.gain)
	}
	best.suspects = []Suspect{{"shape", string(entered), "the bar fits with the section " + strings.Join(fits, " or ") + ": which is it?", nil, nil}}
	return []hypothesis{best}
}

// heads tests a head block that was not entered, and one that is not there.
func (t test) heads() (list []hypothesis) {
	r := t.row
	if r.HeadLengthMM.Known() || r.HeadHeightMM.Known() {
		why := "a bar without a head block would fit: is it cut off?"
		return []hypothesis{t.changed(t.expected.headed, func(r *Row) {
			r.HeadLengthMM, r.HeadHeightMM = measure.Unknown(""), measure.Unknown("")
		}, Suspect{"head_length_mm", numberOrNil(r.HeadLengthMM), why, nil, nil}, Suspect{"head_height_mm", numberOrNil(r.HeadHeightMM), why, nil, nil})}
	}
	if !r.HeightMM.Known() || !r.LengthMM.Known() {
		return nil
	}
	// The sound tells little more than the block's mass.
	lengthU, heightU := 7.0, 2.5
	best := hypothesis{gain: math.Inf(-1)}
	for _, length := range []float64{40, 52} {
		for _, height := range []float64{20, 24, 29} {
			if height < 1.25*r.HeightMM.X || length > r.LengthMM.X/8 {
				continue
			}
			fit := height
			why := fmt.Sprintf("a head block would fit (about %g mm long, %g mm high): measure it if there is one; if not, something else is uneven along the bar", length, height)
			h := t.changed(t.expected.headless, func(r *Row) {
				r.HeadLengthMM, r.HeadHeightMM = measure.Of(length, 5), measure.Of(height, 1)
			}, Suspect{"head_length_mm", nil, why, &length, &lengthU}, Suspect{"head_height_mm", nil, why, &fit, &heightU})
			if h.gain > best.gain {
				best = h
			}
		}
	}
	if best.suspects == nil {
		return nil
	}
	return []hypothesis{best}
}

// tapers tests a taper that was not entered, and one that is not there.
func (t test) tapers() (list []hypothesis) {
	r := t.row
	if r.TipHeightMM.Known() || r.TipWidthMM.Known() {
		why := "an even bar would fit: is it tapered?"
		return []hypothesis{t.changed(unlikelyForm, func(r *Row) {
			r.TipHeightMM, r.TipWidthMM = measure.Unknown(""), measure.Unknown("")
		}, Suspect{"tip_height_mm", numberOrNil(r.TipHeightMM), why, nil, nil}, Suspect{"tip_width_mm", numberOrNil(r.TipWidthMM), why, nil, nil})}
	}
	if !r.HeightMM.Known() || r.HeadLengthMM.Known() {
		return nil
	}
	// Tapers are tried a tenth apart, and one that bends alike is thinner in one
	// plane than in the other.
	open := func(v measure.Value) *float64 { u := 0.06 * v.X; return &u }
	best := hypothesis{gain: math.Inf(-1)}
	for _, thin := range []float64{0.9, 0.8, 0.7, 0.6} {
		height := roundLike(thin*r.HeightMM.X, 1)
		why := fmt.Sprintf("a taper would fit, to about %s mm at the thin end: measure there", unitText(height, ""))
		suspects := []Suspect{{"tip_height_mm", nil, why, &height, open(r.HeightMM)}}
		if r.WidthMM.Known() {
			width := roundLike(thin*r.WidthMM.X, 1)
			suspects = append(suspects, Suspect{"tip_width_mm", nil, why, &width, open(r.WidthMM)})
		}
		h := t.changed(unlikelyForm, func(r *Row) {
			r.TipHeightMM = measure.Of(thin*r.HeightMM.X, 0.05)
			if r.WidthMM.Known() {
				r.TipWidthMM = measure.Of(thin*r.WidthMM.X, 0.05)
			}
		}, suspects...)
		if h.gain > best.gain {
			best = h
		}
	}
	return []hypothesis{best}
}

func numberOrNil(v measure.Value) any {
	if !v.Known() {
		return nil
	}
	return v.X
}

// damaged tests the wood for a fault rather than an entry for a slip: a check or a knot
// lowers the modes unequally, as a head block does, and damps them, which a block does
// not. It is no suspect entry; the ring's own measures tell of it.
func (t test) damaged() []hypothesis {
	const dampedQ = 80 // sound hardwood has a hundred and more (shares of damping: from memory)
	without := t.e
	faulty := false
	for _, c := range []struct {
		ring *spectrum.Ring
		at   []int
	}{{t.sound.side, []int{evHeight, evRatio2, evRatio3}}, {t.sound.width, []int{evWidth, evRatio2W}}} {
		if c.ring == nil || !c.ring.Fundamental.Q.Known() || c.ring.Fundamental.Q.X+2*c.ring.Fundamental.Q.U > dampedQ {
			continue
		}
		faulty = true
		for _, i := range c.at {
			without.known[i] = false
		}
	}
	if !faulty {
		return nil
	}
	rest := newTest(t.row, t.sound, without, t.expected)
	return []hypothesis{{nil, t.misfit - rest.misfit - unlikelyDamage}}
}

// exchanged tests side and end taps for having been exchanged.
func (t test) exchanged() []hypothesis {
	if t.sound.side == nil || t.sound.end == nil {
		return nil
	}
	other := t
	other.sound.side, other.sound.end = t.sound.end, t.sound.side
	e := other.with(func(*Row) {})
	for i := range e.known {
		e.known[i] = e.known[i] && t.e.known[i]
	}
	_, after := t.misfitOf(e)
	const why = "the recordings of the face and of the end look exchanged"
	return []hypothesis{{[]Suspect{{"file", strings.Join(t.row.File, "|"), why, nil, nil}, {"end_file", strings.Join(t.row.EndFile, "|"), why, nil, nil}}, t.misfit - after - unlikelyShift}}
}

// otherSound tests recordings for being of something else than this blank, tapped there.
func (t test) otherSound() (list []hypothesis) {
	for _, c := range []struct {
		column string
		ring   *spectrum.Ring
		at     []int
	}{{"file", t.sound.side, []int{evHeight, evRatio2, evRatio3}}, {"width_file", t.sound.width, []int{evWidth, evRatio2W}}, {"end_file", t.sound.end, []int{evEnd}}} {
		if c.ring == nil || !t.e.known[c.at[0]] {
			continue
		}
		without := t.e
		for _, i := range c.at {
			without.known[i] = false
		}
		rest := newTest(t.row, t.sound, without, t.expected)
		a := mat.NewVecDense(evidenceLen, nil)
		a.SetVec(c.at[0], 1)
		list = append(list, hypothesis{[]Suspect{{c.column, strings.Join(*recordings[c.column](&t.row), "|"), t.conflict(a) + "is the recording of this blank, tapped there?", nil, nil}}, t.misfit - rest.misfit - unlikelySound})
	}
	return list
}

// rings are those of the taps on the face, the other face, the end.
func (s sound) rings() [3]*spectrum.Ring { return [3]*spectrum.Ring{s.side, s.width, s.end} }

func (b Blank) sound() sound { return sound{b.Ring, b.WidthRing, b.EndRing} }

// evidence of a judged blank.
func (b Blank) evidence() evidence { return evidenceIn(b.Wood, b.Row.Readings, b.sound()) }

// ownSuspects finds the entries that do not fit by what is known of the blank alone.
func (b Blank) ownSuspects() []Suspect {
	list := append([]Suspect{}, unusualAir(b.Row)...)
	return append(list, newTest(b.Row, b.sound(), b.evidence(), anyBlank(b.Row.Species)).suspects()...)
}

// unusualAir finds air and moisture that no workshop and no seasoned wood has.
func unusualAir(r Row) (list []Suspect) {
	for _, column := range []string{"moisture_pct", "temperature_c", "humidity_pct"} {
		v := *readingOf(column).of(&r)
		w := usual[column]
		if !v.Known() || v.X >= w[0] && v.X <= w[1] {
			continue
		}
		q := readingOf(column)
		s := Suspect{Column: column, Value: v.X, Why: fmt.Sprintf("a %s of %s is unusual (%s to %s)", q.name, unitText(v.X, q.unit), unitText(w[0], ""), unitText(w[1], q.unit))}
		try := func(x float64, how string) {
			if x = parsed(strconv.FormatFloat(x, 'g', 4, 64)); s.WouldFit == nil && x >= w[0] && x <= w[1] {
				s.WouldFit = &x
				s.Why += fmt.Sprintf("; %s would fit: %s?", unitText(x, q.unit), how)
			}
		}
		switch column {
		case "temperature_c":
			try((v.X-32)*5/9, "was it in °F")
		case "humidity_pct", "moisture_pct":
			if v.X <= 1 {
				try(100*v.X, "is it a part of one")
			}
		}
		try(v.X/10, "is the point in the wrong place")
		try(v.X*10, "is the point in the wrong place")
		list = append(list, s)
	}
	if t, h := r.TemperatureC, r.HumidityPct; airSwapped(r) {
		const why = "temperature and humidity look swapped"
		list = slices.DeleteFunc(list, func(s Suspect) bool { return s.Column != "moisture_pct" })
		list = append(list, Suspect{Column: "temperature_c", Value: t.X, Why: why, WouldFit: &h.X, WouldFitU: &h.U},
			Suspect{Column: "humidity_pct", Value: h.X, Why: why, WouldFit: &t.X, WouldFitU: &t.U})
	}
	// Moisture that no wood takes up in such air, nor is wood that is still
	// drying usual at a bench.
	if m, t, h := r.MoisturePct, r.TemperatureC, r.HumidityPct; len(list) == 0 && m.Known() && t.Known() && h.Known() {
		if air := wood.EquilibriumMoisture(t.X, h.X); math.Abs(m.X-air) > 8 {
			s := Suspect{Column: "moisture_pct", Value: m.X, Why: fmt.Sprintf("in air of %.0f °C and %.0f %% wood comes to about %.0f %%: is it settled, and are all three right?", t.X, h.X, air)}
			list = append(list, s)
		}
	}
	return list
}

// airSwapped tells whether temperature and humidity would be usual if they changed
// places, and are not as they stand: too hot for people to work in, or in such air the
// wood would not hold the moisture that was measured.
func airSwapped(r Row) bool {
	t, h, m := r.TemperatureC, r.HumidityPct, r.MoisturePct
	if !t.Known() || !h.Known() || !(t.X > 30 && t.X < 95 && h.X > 10 && h.X < 35) {
		return false
	}
	if t.X > usual["temperature_c"][1] {
		return true
	}
	if !m.Known() {
		return false
	}
	off := func(celsius, humidity float64) float64 {
		return math.Abs(m.X - wood.EquilibriumMoisture(celsius, humidity))
	}
	return off(t.X, h.X) > off(h.X, t.X)+3
}

// witness is what a delivery keeps of each blank to hold the others against.
type witness struct {
	evidence evidence
	species  string
	notes    [3]float64 // ln of the notes in Hz of the taps on the face, the other face, the end; NaN where none
	weighs   bool       // it is left for its density alone
}

func (b Blank) witness(p Profile) witness {
	w := witness{evidence: b.evidence(), species: b.Row.Species, weighs: b.weighs(p)}
	for i, r := range b.sound().rings() {
		w.notes[i] = math.NaN()
		if r != nil && r.Fundamental.Hz.Known() {
			w.notes[i] = math.Log(r.Fundamental.Hz.X)
		}
	}
	return w
}

// with is the evidence of a blank if some of its recordings were another's: a modulus
// goes with the square of a note, and a ratio comes along, near enough to see which pairs
// are worth a closer look.
func (w witness) with(o witness, sides []int) (e evidence) {
	e = w.evidence
	for _, side := range sides {
		at := []int{evHeight, evWidth, evEnd}[side]
		if !e.known[at] || !o.evidence.known[at] {
			continue // as it is, or no recording to change places with
		}
		e.x[at] += 2 * (o.notes[side] - w.notes[side])
		for _, ratio := range [][]int{{evRatio2, evRatio3}, {evRatio2W}, nil}[side] {
			e.known[ratio], e.x[ratio] = e.known[ratio] && o.evidence.known[ratio], o.evidence.x[ratio]
		}
	}
	return e
}

// exchangePair is a pair of blanks whose recordings may have changed places.
type exchangePair struct {
	a, b     int
	sides    []int
	unlikely float64
}

// exchangesAmong lists the pairs of a delivery that would fit better with each other's
// recordings, those of the taps on the face alone or all. Beforehand neighbours are
// likelier than others.
func exchangesAmong(list []witness, odd map[int]expectation) (out []exchangePair) {
	for a, x := range odd {
		of := newTest(Row{}, sound{}, list[a].evidence, x)
		for b, y := range list {
			if _, bOdd := odd[b]; b == a || bOdd && b < a || !strings.EqualFold(list[a].species, y.species) {
				continue
			}
			unlikely := unlikelyExchange
			if b != a+1 && b != a-1 {
				unlikely += 2 * math.Log(float64(len(list)))
			}
			other := newTest(Row{}, sound{}, y.evidence, x) // they are of one kind
			for _, sides := range [][]int{{0}, {0, 1, 2}} {
				_, mA := of.misfitOf(list[a].with(y, sides))
				_, mB := other.misfitOf(y.with(list[a], sides))
				if mA < of.misfit && mB < other.misfit && of.misfit+other.misfit-mA-mB > unlikely { // both must gain
					out = append(out, exchangePair{a, b, sides, unlikely})
				}
			}
		}
	}
	slices.SortFunc(out, func(x, y exchangePair) int { return cmp.Or(x.a-y.a, x.b-y.b, len(x.sides)-len(y.sides)) })
	return out
}

// exchangedWith tells how much better two blanks fit with each other's recordings.
func (b Blank) exchangedWith(o Blank, sides []int, x expectation) (gain float64) {
	mine, theirs := b.sound().rings(), o.sound().rings()
	before := newTest(b.Row, b.sound(), b.evidence(), x).misfit + newTest(o.Row, o.sound(), o.evidence(), x).misfit
	for _, side := range sides {
		if mine[side] != nil && theirs[side] != nil {
			mine[side], theirs[side] = theirs[side], mine[side]
		}
	}
	after := func(b Blank, rings [3]*spectrum.Ring) float64 {
		t := newTest(b.Row, sound{rings[0], rings[1], rings[2]}, b.evidence(), x)
		_, misfit := t.misfitOf(t.with(func(*Row) {}))
		return misfit
	}
	return before - after(b, mine) - after(o, theirs)
}

// exchangeSuspects asks the recordings of a blank back that look like another's.
func (b Blank) exchangeSuspects(o Blank, sides []int) (list []Suspect) {
	columns := []string{"file", "width_file", "end_file"}
	for _, side := range sides {
		names := *recordings[columns[side]](&b.Row)
		if len(names) == 0 || len(*recordings[columns[side]](&o.Row)) == 0 {
			continue
		}
		list = append(list, Suspect{Column: columns[side], Value: strings.Join(names, "|"),
			Why: fmt.Sprintf("it looks as if the recordings of the blanks %s and %s changed places: both would fit", b.Blank, o.Blank)})
	}
	return list
}

// fewBlanks is a number of blanks among which one still moves a median: each of so few is
// held against the others alone.
const fewBlanks = 40

// amongOthers tells which blanks do not fit the others of their kind in a delivery, and
// what is expected of them.
func amongOthers(list []witness) map[int]expectation {
	kinds := map[string][]int{}
	for i, w := range list {
		kind := strings.ToLower(w.species)
		kinds[kind] = append(kinds[kind], i)
	}
	odd := map[int]expectation{}
	for _, kind := range kinds {
		if len(kind) <= leastOther {
			continue
		}
		var all expectation
		for n, i := range kind {
			if n == 0 || len(kind) <= fewBlanks {
				var others []evidence
				for _, j := range kind {
					if j != i || len(kind) > fewBlanks {
						others = append(others, list[j].evidence)
					}
				}
				all = anyBlank(list[i].species).among(others)
			}
			x := all
			if list[i].weighs {
				x.eager = decisive
			}
			if e := list[i].evidence; x.stands(e) || newTest(Row{}, sound{}, e, x).misfit >= quiet-x.eager {
				odd[i] = x
			}
		}
	}
	return odd
}

// suspectsAmong finds the entries of a blank that do not fit what is expected of it.
func (b Blank) suspectsAmong(x expectation) []Suspect {
	return newTest(b.Row, b.sound(), b.evidence(), x).suspects()
}
