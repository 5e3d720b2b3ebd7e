package bar

import (
	"math"
	"sync"
)

// Place in the series: which mode of a bar.
type Place struct {
	Kind  Kind
	Order int // 1 = lowest
}

// Energies are the densities of strain and kinetic energy of a mode at x (0 to 1 along
// the bar), each with mean 1, for a slender uniform free bar. By Rayleigh's principle a
// stiffness that varies by s(x) and a mass by m(x), both relative, move ln f by half the
// mean of strain*s - kinetic*m.
func (p Place) Energies(x float64) (strain, kinetic float64) {
	if !p.Kind.bends() {
		sin, cos := math.Sincos(float64(p.Order) * math.Pi * x)
		return 2 * sin * sin, 2 * cos * cos
	}
	if x > 0.5 { // where the hyperbolic functions would cancel; the energies are symmetric
		x = 1 - x
	}
	lam := slenderModes[p.Order-1].lam
	sigma := (math.Cosh(lam) - math.Cos(lam)) / (math.Sinh(lam) - math.Sin(lam))
	z := lam * x
	// cosh z - sigma sinh z without the difference of large numbers
	hyperbolic := (1-sigma)/2*math.Exp(z) + (1+sigma)/2*math.Exp(-z)
	circular := math.Cos(z) - sigma*math.Sin(z)
	return (hyperbolic - circular) * (hyperbolic - circular), (hyperbolic + circular) * (hyperbolic + circular)
}

// What varies along a bar of wood, for one unit of E's standard deviation: density,
// height and width, each for itself and none bound to another, correlated exponentially
// over a seventh of the length (assumed; how uneven real blanks are is common practice,
// no source: a few per cent of E).
const (
	densityPerYoung = 0.35
	sectionPerYoung = 0.18
	correlation     = 0.133
	// What of a mode's scatter is its own: wood is of no such law, and the shapes of the
	// modes follow the unevenness.
	ownPerYoung = 0.04
)

// places are all modes of which UnevenCovariance knows.
var places = func() (list []Place) {
	for _, k := range []Kind{BendingHeight, BendingWidth} {
		for n := 1; n <= Orders; n++ {
			list = append(list, Place{k, n})
		}
	}
	for n := 1; n <= 2; n++ {
		list = append(list, Place{Torsion, n})
	}
	for n := 1; n <= 3; n++ {
		list = append(list, Place{Longitudinal, n})
	}
	return list
}()

// weights are how ln f of a mode answers, times two, at x to what varies there: E,
// density, height, width.
func (p Place) weights(x float64) [4]float64 {
	strain, kinetic := p.Energies(x)
	switch p.Kind {
	case BendingHeight:
		return [4]float64{strain, -kinetic, 3*strain - kinetic, strain - kinetic}
	case BendingWidth:
		return [4]float64{strain, -kinetic, strain - kinetic, 3*strain - kinetic}
	case Torsion:
		return [4]float64{strain, -kinetic, 2 * (strain - kinetic), 2 * (strain - kinetic)}
	}
	return [4]float64{strain, -kinetic, strain - kinetic, strain - kinetic}
}

var unevenCovariance = sync.OnceValue(func() map[[2]Place]float64 {
	const n = 160
	sd := [4]float64{1, densityPerYoung, sectionPerYoung, sectionPerYoung}
	w := make([][4][n]float64, len(places))
	for k, p := range places {
		var mean [4]float64
		for i := range n {
			for f, v := range p.weights((float64(i) + 0.5) / n) {
				w[k][f][i] = v * sd[f] / n
				mean[f] += v * sd[f] / n / n
			}
		}
		for f := range mean { // what is meant by a bar's E or height is the mean along it
			for i := range n {
				w[k][f][i] -= mean[f]
			}
		}
	}
	keep := math.Exp(-1 / (n * correlation))
	out := map[[2]Place]float64{}
	for a := range places {
		// The exponential's product with a weight, by two recursions.
		var smooth [4][n]float64
		for f := range smooth {
			left, right := 0.0, 0.0
			for i := range n {
				left = left*keep + w[a][f][i]
				smooth[f][i] += left
				right = right*keep + w[a][f][n-1-i]
				smooth[f][n-1-i] += right - w[a][f][n-1-i]
			}
		}
		for b := range places {
			sum := 0.0
			for f := range smooth {
				for i := range n {
					sum += smooth[f][i] * w[b][f][i]
				}
			}
			out[[2]Place{places[a], places[b]}] = sum / 4
			if a == b {
				out[[2]Place{places[a], places[b]}] += ownPerYoung * ownPerYoung
			}
		}
	}
	return out
})

// UnevenCovariance is the covariance of ln f of two modes of a bar whose E varies along
// it with a relative standard deviation of 1, and with it density and section: times the
// square of what E does vary by. Frequencies are compared with those of a bar that has
// the means of E, density and section all along.
func UnevenCovariance(a, b Place) float64 { return unevenCovariance()[[2]Place{a, b}] }
