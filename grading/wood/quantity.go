package wood

import (
	"math"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// quantity is a result to first order in the errors of the data: its logarithm, and
// what one standard uncertainty of each datum of the fit, and last of the mass, does to
// it. Products and powers of quantities keep track of errors they share.
type quantity struct {
	ln      float64
	effects []float64
	names   []string
}

func (f fit) constant(ln float64) quantity {
	q := quantity{ln: ln, effects: make([]float64, len(f.data)+1)}
	for _, d := range f.data {
		q.names = append(q.names, d.name)
	}
	q.names = append(q.names, "mass")
	return q
}

// quantity is a weighted sum of the fit's unknowns.
func (f fit) quantity(weights [firstReading]float64) quantity {
	q := f.constant(0)
	for j, w := range weights {
		q.ln += w * f.x[j]
		for i, d := range f.data {
			q.effects[i] += w * f.gain.At(j, i) * d.sd
		}
	}
	return q
}

// density is mass over volume, with the same errors of the dimensions as in the fit.
func (f fit) density(b blank, mass measure.Value) quantity {
	volume := b.bar().Volume()
	q := f.constant(math.Log(mass.X / 1000 / volume))
	q.effects[len(q.effects)-1] = mass.Rel()
	slope := b.slope(bar.Bar.Volume)
	for i := range dimensions {
		if b.known(i) {
			own, shared := b.errors(i)
			q.effects[priorsBefore+i] = -slope[i] * own
			q.effects[priorsBefore+dimensions] -= slope[i] * shared
		}
	}
	return q
}

// times is q r^power.
func (q quantity) times(r quantity, power float64) quantity {
	out := quantity{ln: q.ln + power*r.ln, names: q.names, effects: make([]float64, len(q.effects))}
	for i := range out.effects {
		out.effects[i] = q.effects[i] + power*r.effects[i]
	}
	return out
}

// power is q^p.
func (q quantity) power(p float64) quantity { return q.times(q, p-1) }

// rel is the relative standard uncertainty.
func (q quantity) rel() float64 {
	var sum float64
	for _, e := range q.effects {
		sum += e * e
	}
	return math.Sqrt(sum)
}

// value is the quantity as a number in a unit of that many SI units, with its budget.
// Notes of one ring are one entry.
func (q quantity) value(unit float64) measure.Value {
	x := math.Exp(q.ln) / unit
	var parts []measure.Part
	at := map[string]int{}
	for i, e := range q.effects {
		name := q.names[i]
		if e == 0 || name == "" {
			continue
		}
		j, ok := at[name]
		if !ok {
			j = len(parts)
			at[name] = j
			parts = append(parts, measure.Part{Name: measure.Source(name)})
		}
		parts[j].U = math.Hypot(parts[j].U, x*e)
	}
	return measure.FromParts(x, parts)
}
