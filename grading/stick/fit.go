package stick

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"
)

// Diameter is one reading around a section: the jaws close in the direction Deg
// degrees from the height.
type Diameter struct {
	Deg float64
	MM  float64
}

// Fitted is the section that fits several diameters best.
type Fitted struct {
	Section
	RMSmm float64 // of what is left over
	Alike []Shape // other shapes that fit these readings as well within the calliper's uncertainty
}

// An egg's widest line is looked for between these parts of the height.
const lowestWidest = 0.25

// FitSection finds the section of given diameters, each with the standard uncertainty u
// in mm. With no shape named, it is the one of round, oval, octagonal and egg-shaped with
// the smallest chi^2 + n ln(readings) for n unknowns (Schwarz, Ann. Statist. 6 (1978)
// 461, from memory). A regular octagon read across its flats only can't be told from a
// round one: the answer is then round, and the octagon is among those alike.
func FitSection(readings []Diameter, shape Shape, u float64) (Fitted, error) {
	directions := map[float64]bool{}
	for _, r := range readings {
		if !(r.MM > 0) || math.IsInf(r.MM, 0) || math.IsNaN(r.Deg) || math.IsInf(r.Deg, 0) {
			return Fitted{}, fmt.Errorf("a diameter of %g mm at %g degrees", r.MM, r.Deg)
		}
		directions[math.Mod(math.Mod(r.Deg, 180)+180, 180)] = true
	}
	type candidate struct {
		Fitted
		score float64
	}
	var all []candidate
	for _, f := range []struct {
		shape    Shape
		unknowns int
	}{{Round, 1}, {Oval, 2}, {Octagonal, 2}, {Egg, 3}, {Rectangular, 2}} {
		if shape != f.shape && (shape != "" || f.shape == Rectangular) {
			continue
		}
		if len(directions) < f.unknowns {
			if shape != "" {
				return Fitted{}, fmt.Errorf("%d directions are too few for the section %s: it takes %d", len(directions), shape, f.unknowns)
			}
			continue
		}
		s, chi2, err := fitShape(readings, f.shape, u)
		if err != nil {
			return Fitted{}, err
		}
		n := float64(len(readings))
		all = append(all, candidate{
			Fitted{Section: s, RMSmm: u * math.Sqrt(chi2/n)},
			chi2 + float64(f.unknowns)*math.Log(n),
		})
	}
	if len(all) == 0 {
		return Fitted{}, fmt.Errorf("no diameter was read")
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(a.score, b.score) })
	best := all[0].Fitted
	for _, c := range all[1:] {
		if c.score < all[0].score+2 {
			best.Alike = append(best.Alike, c.Shape)
		}
	}
	return best, nil
}

// fitShape fits one shape by least squares; chi2 is the sum of squares over u^2.
func fitShape(readings []Diameter, shape Shape, u float64) (s Section, chi2 float64, err error) {
	var mean float64
	for _, r := range readings {
		mean += r.MM / float64(len(readings))
	}
	section := func(x []float64) Section {
		s := Section{Shape: shape, Height: mean * math.Exp(x[0]), Width: mean * math.Exp(x[0])}
		if len(x) > 1 {
			s.Width = mean * math.Exp(x[1])
		}
		if shape == Egg { // keeps the widest line between its bounds
			s.Widest = lowestWidest + (0.5-lowestWidest)/(1+math.Exp(-x[2]))
		}
		return s
	}
	cost := func(x []float64) float64 {
		var sum float64
		s := section(x)
		for _, r := range readings {
			d := (s.Across(r.Deg) - r.MM) / u
			sum += d * d
		}
		return sum
	}
	start := make([]float64, map[Shape]int{Round: 1, Oval: 2, Octagonal: 2, Egg: 3, Rectangular: 2}[shape])
	result, err := optimize.Minimize(optimize.Problem{Func: cost}, start, nil, &optimize.NelderMead{SimplexSize: 0.05})
	if err != nil {
		return Section{}, 0, fmt.Errorf("the diameters make no %s section: %w", shape, err)
	}
	s = section(result.X).scaled(1e-3)
	return s, result.F, nil
}
