package wood

import (
	"math"

	"ringstock/spectrum/bar"
)

// What dense hardwoods have in common before anything is measured (the trade's usual
// range is 12 to 20; from memory): the ratio of E along the grain to G.
const (
	usualEG   = 16.0
	usualEGSd = 3.0
)

// mode is one mode of the blank for E/rho = 1 m2/s2, made linear about one ratio E/G.
type mode struct {
	lnHz  float64             // at E/rho = 1
	shear float64             // share of strain energy in shear
	slope [dimensions]float64 // d ln f / d dimension, 1/m
}

// model holds the blank's modes for one ratio E/G.
type model struct {
	blank blank
	eg    float64
	modes [4][]mode // by bar.Kind
	first bar.Mode  // the fundamental in the height plane
}

// newModel solves the blank for as many modes of each kind as asked for.
func newModel(b blank, eg float64, want [4]int) (model, error) {
	m := model{blank: b, eg: eg}
	unit := bar.Wood{E: eg, G: 1, Density: eg}
	body := b.bar()
	for k, n := range want {
		if n == 0 {
			continue
		}
		solved, err := body.Modes(bar.Kind(k), unit, n)
		if err != nil {
			return model{}, err
		}
		for _, s := range solved {
			carried := s.Carried()
			m.modes[k] = append(m.modes[k], mode{
				lnHz:  math.Log(s.Hz),
				shear: s.ShearShare,
				slope: b.slope(func(x bar.Bar) float64 { return carried(x, unit) }),
			})
		}
		if bar.Kind(k) == bar.BendingHeight {
			m.first = solved[0]
		}
	}
	return m, nil
}

// has tells whether the model knows a mode.
func (m model) has(k bar.Kind, order int) bool { return order >= 1 && order <= len(m.modes[k]) }
