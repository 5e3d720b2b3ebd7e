package wood

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// The fit is one weighted least-squares adjustment of everything known about a blank: its
// notes, its dimensions with their uncertainties, and what is assumed (JCGM 102:2011;
// Mikhail, Observations and Least Squares, 1976; from memory). It is linear in the
// logarithms, so every result is a weighted sum of data, and the weights give its budget.

// The unknowns of a fit. After them come one for each known dimension and one for the
// calliper, in units of their standard uncertainty; and one for each note, by which wood
// that varies along the blank moves it, together with its neighbours.
const (
	lnModulus    = iota // ln E/rho in bending in the height plane, m2/s2
	widthShift          // ln E_width/E_height
	lengthwise          // ln E_longitudinal/E_height
	lnShear             // ln G/rho
	firstReading        // where the dimensions start
)

const (
	calliperErrors = firstReading + dimensions // the calliper's
	firstUneven    = calliperErrors + 1        // where the unevenness starts
	mostNotes      = 2*bar.Orders + 6          // two planes, torsion, lengthwise
	unknowns       = firstUneven + mostNotes
	// Of the data, a few priors come first, then those of the dimensions, in their order.
	priorsBefore = 4
)

// datum is one equation a.x = y +- sd of the adjustment.
type datum struct {
	name  string // what it is called in a budget
	a     [unknowns]float64
	y, sd float64
	vague bool // so wide that it only keeps the equations solvable
}

// note is a partial taken for a mode of the bar.
type note struct {
	ring  string // "side", "width" or "end"
	kind  bar.Kind
	place int // its order among the modes of its kind, 1 = lowest
	spectrum.Partial
}

// How well a real bar follows the theory, as standard deviations of ln f: fingers and air
// (they shift a bending note by some 1e-4 and 7e-4; from memory), and Saint-Venant's
// torsion with one G for both planes (assumed).
var theorySd = [4]float64{bar.BendingHeight: 5e-4, bar.BendingWidth: 5e-4, bar.Torsion: 5e-3, bar.Longitudinal: 2e-4}

// equation is a note's datum, as it were for even wood.
func (m model) equation(n note) datum {
	d := datum{name: "pitch of the " + tapNames[n.ring], sd: math.Hypot(n.Hz.Rel(), theorySd[n.kind])}
	md := m.modes[n.kind][n.place-1]
	// ln f = ln f0 + (1-s)/2 ln E + s/2 ln(eg G), by the shares of strain energy.
	e, g := (1-md.shear)/2, md.shear/2
	d.y = math.Log(n.Hz.X) - md.lnHz - g*math.Log(m.eg)
	d.a[lnShear] = g
	switch n.kind {
	case bar.BendingWidth:
		d.a[widthShift] = e
	case bar.Longitudinal:
		d.a[lengthwise] = e
	}
	d.a[lnModulus] = e
	for i := range dimensions {
		if m.blank.known(i) {
			own, shared := m.blank.errors(i)
			d.a[firstReading+i] = md.slope[i] * own
			d.a[calliperErrors] += md.slope[i] * shared
		}
	}
	return d
}

// errors splits a dimension's standard uncertainty into its own and the calliper's.
func (b blank) errors(i int) (own, shared float64) {
	if !calliper(i) {
		return b.u[i], 0
	}
	return b.u[i] * math.Sqrt(1-SharedCalliper), b.u[i] * math.Sqrt(SharedCalliper)
}

const (
	calliperName = "calliper (common to all places)"
	assumedEG    = "assumed E/G"
	unevenName   = "wood uneven along the blank"
)

func (n note) at() bar.Place { return bar.Place{Kind: n.kind, Order: n.place} }

// unevenFactors are L with L L' = covariance of the notes' ln f in wood whose E varies
// along the blank by 1.
func unevenFactors(notes []note) *mat.TriDense {
	n := len(notes)
	cov := mat.NewSymDense(n, nil)
	for i, a := range notes {
		for j := i; j < n; j++ {
			cov.SetSym(i, j, bar.UnevenCovariance(a.at(), notes[j].at()))
		}
		cov.SetSym(i, i, cov.At(i, i)*(1+1e-6)) // for the Cholesky factors of modes that are almost alike
	}
	var chol mat.Cholesky
	lower := mat.NewTriDense(n, mat.Lower, nil)
	if chol.Factorize(cov) {
		chol.LTo(lower)
	}
	return lower
}

// priors are the data that are not notes. planes is the sd with which E is taken to be
// the same in both planes and along the bar.
func priors(planes float64) []datum {
	unit := func(i int, name string, y, sd float64) datum {
		d := datum{name: name, y: y, sd: sd}
		d.a[i] = 1
		return d
	}
	anything := unit(lnModulus, "", math.Log(20e6), 5)
	anything.vague = true
	w, l := unit(widthShift, "equal planes", 0, planes), unit(lengthwise, "equal planes", 0, planes)
	w.vague, l.vague = planes >= 1, planes >= 1
	eg := datum{name: assumedEG, y: math.Log(usualEG), sd: usualEGSd / usualEG}
	eg.a[lnModulus], eg.a[lnShear] = 1, -1
	data := []datum{anything, w, l, eg}
	for i, name := range dimensionNames {
		data = append(data, unit(firstReading+i, name, 0, 1))
	}
	return append(data, unit(calliperErrors, calliperName, 0, 1))
}

// fit is a solved adjustment.
type fit struct {
	data  []datum
	x     [unknowns]float64
	cov   *mat.SymDense
	gain  *mat.Dense // d x / d y
	notes []note
	// uneven is the relative sd with which E is taken to vary along the blank.
	uneven float64
	extra  float64 // sd of ln f by which the notes plainly scatter about the even bar's; 0 if they don't
}

// freely lets E differ between planes as it likes; alike ties it to what sound wood does.
const (
	freely = 1.0
	alike  = 0.015 // assumed: E of one stick differs by some 1.5 % between planes and lengthwise
)

// fit adjusts everything, for wood whose E varies along the blank with a
// relative sd of uneven.
func (m model) fit(notes []note, planes, uneven float64) fit {
	notes = notes[:min(len(notes), mostNotes)]
	f := fit{data: priors(planes), notes: notes, uneven: uneven}
	if count(notes, bar.BendingHeight) == 0 {
		// Then nothing but likeness ties the width plane to what the end taps say.
		f.data[widthShift].sd, f.data[widthShift].vague = alike, false
	}
	size := firstUneven
	if uneven > 0 {
		size += len(notes)
		for i := range notes {
			d := datum{name: unevenName, sd: 1}
			d.a[firstUneven+i] = 1
			f.data = append(f.data, d)
		}
	}
	var factors *mat.TriDense
	if uneven > 0 && len(notes) > 0 {
		factors = unevenFactors(notes)
	}
	for i, n := range notes {
		d := m.equation(n)
		for j := 0; factors != nil && j <= i; j++ {
			d.a[firstUneven+j] = uneven * factors.At(i, j)
		}
		f.data = append(f.data, d)
	}
	rows := len(f.data)
	a := mat.NewDense(rows, size, nil)
	y := mat.NewVecDense(rows, nil)
	for i, d := range f.data {
		for j, v := range d.a[:size] {
			a.Set(i, j, v/d.sd)
		}
		y.SetVec(i, d.y/d.sd)
	}
	var normal mat.SymDense
	normal.SymOuterK(1, a.T())
	// Every unknown has a prior and every entry is bounded, so this can't
	// fail but by overflow.
	f.cov = mat.NewSymDense(size, nil)
	var chol mat.Cholesky
	if chol.Factorize(&normal) {
		_ = chol.InverseTo(f.cov) // an ill-conditioned inverse is still far better than the data
	}
	f.gain = new(mat.Dense)
	f.gain.Mul(f.cov, a.T())
	var x mat.VecDense
	x.MulVec(f.gain, y)
	for j := range size {
		f.x[j] = x.AtVec(j)
	}
	for j := range size {
		for i, d := range f.data {
			f.gain.Set(j, i, f.gain.At(j, i)/d.sd)
		}
	}
	return f
}

// variance of a weighted sum of the unknowns.
func (f fit) variance(weights *[unknowns]float64) float64 {
	row := mat.NewVecDense(f.cov.SymmetricDim(), weights[:f.cov.SymmetricDim()])
	return mat.Inner(row, f.cov, row)
}

// How unevenly blanks may be grown or sawn: relative sd of E along them, and how likely
// each is before the notes are heard (common practice, no source: a few per cent).
var (
	unevenSteps = []float64{0.0025, 0.005, 0.01, 0.02, 0.04, 0.08, 0.16}
	unevenPrior = []float64{0.08, 0.12, 0.18, 0.22, 0.24, 0.16, 0.004}
)

const (
	// unevenUsual is what is taken before modes are compared: about the rms of the steps.
	unevenUsual = 0.04
	// unevenUnsure widens for an unevenness that is itself known from a few notes only:
	// Student's t of nine degrees of freedom is 1.15 times the normal's at 95 %, and
	// where it is strong the second order adds to it.
	unevenUnsure = 1.2
	// scatterPerUneven is the sd of ln f_n/f_1 over that of E along the
	// blank, sections included.
	scatterPerUneven = 0.2
	// plainlyUneven is by how much, in ln of the likelihood, unevenness must better
	// the fit to be told.
	plainlyUneven = 5.0
)

// settled is the fit with as much unevenness as the notes show: the mean over what it may
// be, each weighed by how likely it makes the notes.
func (m model) settled(notes []note, planes float64) fit {
	e := m.evidenceOf(notes, planes)
	logs := make([]float64, len(unevenSteps))
	for i, u := range unevenSteps {
		logs[i] = e.log(u)
	}
	most := slices.Max(logs)
	var sum, square float64
	for i, u := range unevenSteps {
		p := unevenPrior[i] * math.Exp(logs[i]-most)
		sum += p
		square += p * u * u
	}
	f := m.fit(notes, planes, unevenUnsure*math.Sqrt(square/sum))
	if most-logs[0] > plainlyUneven {
		f.extra = scatterPerUneven * f.uneven / unevenUnsure
	}
	return f
}

// evidence is what the notes alone say, everything else known only as its priors tell.
type evidence struct {
	notes  []note
	r      *mat.VecDense // ln f less what the priors expect
	known  *mat.SymDense // its covariance in even wood
	uneven *mat.SymDense // and what unevenness of 1 adds
}

func (m model) evidenceOf(notes []note, planes float64) evidence {
	n := len(notes)
	e := evidence{notes: notes}
	if n == 0 {
		return e
	}
	e.r, e.known, e.uneven = mat.NewVecDense(n, nil), mat.NewSymDense(n, nil), mat.NewSymDense(n, nil)
	sd := [firstReading]float64{}
	for _, p := range priors(planes)[:priorsBefore-1] {
		for j := range firstReading {
			if p.a[j] == 1 {
				sd[j] = p.sd
			}
		}
	}
	if count(notes, bar.BendingHeight) == 0 {
		sd[widthShift] = alike
	}
	var data []datum
	for i, x := range notes {
		d := m.equation(x)
		// G as E over a ratio that is about known: the two have E in common.
		ratio := d.a[lnShear]
		d.a[lnModulus] += ratio
		d.a[lnShear] = -ratio
		e.r.SetVec(i, d.y-d.a[lnModulus]*math.Log(20e6)-d.a[lnShear]*math.Log(usualEG))
		data = append(data, d)
	}
	sd[lnShear] = usualEGSd / usualEG
	for i, a := range data {
		for j := i; j < n; j++ {
			sum := 0.0
			for k := range firstUneven {
				w := a.a[k] * data[j].a[k]
				if k < firstReading {
					w *= sd[k] * sd[k]
				}
				sum += w
			}
			if i == j {
				sum += a.sd * a.sd
			}
			e.known.SetSym(i, j, sum)
			e.uneven.SetSym(i, j, bar.UnevenCovariance(notes[i].at(), notes[j].at()))
		}
	}
	return e
}

// factored is the Cholesky factorisation of the notes' covariance in wood of that
// unevenness.
func (e evidence) factored(uneven float64) (chol mat.Cholesky, ok bool) {
	n := len(e.notes)
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			cov.SetSym(i, j, e.known.At(i, j)+uneven*uneven*e.uneven.At(i, j))
		}
	}
	ok = chol.Factorize(cov)
	return chol, ok
}

// log is ln of the likelihood of the notes in wood of that unevenness, but for a
// constant.
func (e evidence) log(uneven float64) float64 {
	if len(e.notes) == 0 {
		return 0
	}
	chol, ok := e.factored(uneven)
	if !ok {
		return math.Inf(-1)
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, e.r); err != nil {
		return math.Inf(-1)
	}
	return -(mat.Dot(e.r, &x) + chol.LogDet()) / 2
}

func (f fit) residual(i int) float64 {
	r := f.data[i].y
	for j, v := range f.data[i].a {
		r -= v * f.x[j]
	}
	return r
}

// off is by how much a note departs, in ln f, from that of the even bar which
// fits all notes best.
func (f fit) off(i int) float64 {
	r := f.residual(i)
	for j := firstUneven; j < unknowns; j++ {
		r += f.data[i].a[j] * f.x[j]
	}
	return r
}

// predict is ln f of a mode and its standard uncertainty, by what the fit knows; what
// unevenness does to the mode it does in part to its neighbours, too.
func (f fit) predict(m model, k bar.Kind, order int) (lnHz, u float64) {
	n := note{kind: k, place: order, Partial: spectrum.Partial{Hz: measure.Of(1, 0)}}
	d := m.equation(n)
	own := 0.0
	if f.uneven > 0 {
		own = bar.UnevenCovariance(n.at(), n.at())
	}
	if f.uneven > 0 && len(f.notes) > 0 {
		factors, with := unevenFactors(f.notes), mat.NewVecDense(len(f.notes), nil)
		for i, x := range f.notes {
			with.SetVec(i, bar.UnevenCovariance(n.at(), x.at()))
		}
		var w mat.VecDense
		if w.SolveVec(factors, with) == nil {
			for i := range f.notes {
				d.a[firstUneven+i] = f.uneven * w.AtVec(i)
			}
			own = max(own-mat.Dot(&w, &w), 0)
		}
	}
	lnHz = -d.y
	for j, v := range d.a {
		lnHz += v * f.x[j]
	}
	return lnHz, math.Sqrt(f.variance(&d.a) + f.uneven*f.uneven*own)
}
