package wood

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"ringstock/spectrum"
	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// The fit is one weighted least-squares adjustment of everything known about a blank: its
// notes, its dimensions with their uncertainties, and what is assumed (JCGM 102:2011;
// Mikhail, Observations and Least Squares, 1976; from memory). It is linear in the logarithms,
// so every result is a weighted sum of data, and the weights give its budget.

// The unknowns of a fit. After them come one for each known dimension and one for the
// calliper, in units of their standard uncertainty.
const (
	lnModulus    = iota // ln E/rho in bending in the height plane, m2/s2
	widthShift          // ln E_width/E_height
	lengthwise          // ln E_longitudinal/E_height
	lnShear             // ln G/rho
	firstReading        // where the dimensions start
)

const unknowns = firstReading + dimensions + 1

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
// (they shift a bending note by some 1e-4 and 7e-4; from memory), and Saint-Venant's torsion with one G
// for both planes (assumed).
var theorySd = [4]float64{bar.BendingHeight: 5e-4, bar.BendingWidth: 5e-4, bar.Torsion: 5e-3, bar.Longitudinal: 2e-4}

// equation is a note's datum. scatter is an additional sd of ln f for uneven wood.
func (m model) equation(n note, scatter float64) datum {
	d := datum{name: "pitch of the " + tapNames[n.ring], sd: math.Hypot(n.Hz.Rel(), theorySd[n.kind])}
	if n.kind != bar.Longitudinal {
		d.sd = math.Hypot(d.sd, scatter)
	}
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
			d.a[unknowns-1] += md.slope[i] * shared
		}
	}
	return d
}

// errors splits a dimension's standard uncertainty into its own and the calliper's.
func (b blank) errors(i int) (own, shared float64) {
	if !calliper(i) {
		return b.u[i], 0
	}
	return b.u[i] * math.Sqrt(1-sharedCalliper), b.u[i] * math.Sqrt(sharedCalliper)
}

const (
	calliperName = "calliper (common to all places)"
	assumedEG    = "assumed E/G"
)

// priors are the data that are not notes. planes is the sd with which E is taken to be the
// same in both planes and along the bar.
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
	return append(data, unit(unknowns-1, calliperName, 0, 1))
}

// fit is a solved adjustment.
type fit struct {
	data  []datum
	x     [unknowns]float64
	cov   *mat.SymDense
	gain  *mat.Dense // d x / d y
	chi2  float64
	dof   float64
	extra float64 // sd of ln f by which the notes scatter more than they should
}

// freely lets E differ between planes as it likes; alike ties it to what sound wood does.
const (
	freely = 1.0
	alike  = 0.015 // assumed: E of one stick differs by some 1.5 % between planes and lengthwise
)

func (m model) fit(notes []note, planes, scatter float64) fit {
	f := fit{data: priors(planes)}
	if count(notes, bar.BendingHeight) == 0 {
		// Then nothing but likeness ties the width plane to what the end taps say.
		f.data[widthShift].sd, f.data[widthShift].vague = alike, false
	}
	for _, n := range notes {
		f.data = append(f.data, m.equation(n, scatter))
	}
	rows := len(f.data)
	a := mat.NewDense(rows, unknowns, nil)
	y := mat.NewVecDense(rows, nil)
	for i, d := range f.data {
		for j, v := range d.a {
			a.Set(i, j, v/d.sd)
		}
		y.SetVec(i, d.y/d.sd)
	}
	var normal mat.SymDense
	normal.SymOuterK(1, a.T())
	// Every unknown has a prior and every entry is bounded, so this can't fail but by overflow.
	f.cov = mat.NewSymDense(unknowns, nil)
	var chol mat.Cholesky
	if chol.Factorize(&normal) {
		_ = chol.InverseTo(f.cov) // an ill-conditioned inverse is still far better than the data
	}
	f.gain = new(mat.Dense)
	f.gain.Mul(f.cov, a.T())
	var x mat.VecDense
	x.MulVec(f.gain, y)
	for j := range f.x {
		f.x[j] = x.AtVec(j)
	}
	for i, d := range f.data {
		if d.vague {
			continue
		}
		r := f.residual(i) / d.sd
		f.chi2 += r * r
		row := mat.NewVecDense(unknowns, d.a[:])
		f.dof += 1 - mat.Inner(row, f.cov, row)/(d.sd*d.sd)
	}
	for j := range unknowns {
		for i, d := range f.data {
			f.gain.Set(j, i, f.gain.At(j, i)/d.sd)
		}
	}
	return f
}

// settled is the fit with as much scatter of the notes as they show (Mandel & Paule, Anal.
// Chem. 42 (1970) 1194, from memory), none unless it is there with 99 % confidence.
func (m model) settled(notes []note, planes float64) fit {
	f := m.fit(notes, planes, 0)
	if f.dof < 0.5 || f.chi2 < (distuv.ChiSquared{K: f.dof}).Quantile(0.99) {
		return f
	}
	low, high := 0.0, 0.1
	for range 30 {
		mid := (low + high) / 2
		if f = m.fit(notes, planes, mid); f.chi2 > f.dof {
			low = mid
		} else {
			high = mid
		}
	}
	f.extra = high
	return f
}

func (f fit) residual(i int) float64 {
	r := f.data[i].y
	for j, v := range f.data[i].a {
		r -= v * f.x[j]
	}
	return r
}

// predict is ln f of a mode and its standard uncertainty, by what the fit knows.
func (f fit) predict(m model, k bar.Kind, order int) (lnHz, u float64) {
	d := m.equation(note{kind: k, place: order, Partial: spectrum.Partial{Hz: measure.Of(1, 0)}}, f.extra)
	lnHz = -d.y
	for j, v := range d.a {
		lnHz += v * f.x[j]
	}
	row := mat.NewVecDense(unknowns, d.a[:])
	return lnHz, math.Sqrt(mat.Inner(row, f.cov, row))
}
