package measure

import (
	"cmp"
	"math"
	"slices"
)

// FromParts is a known value x whose uncertainty is made up of independent signed
// contributions c_i u(x_i): u_c^2 = sum (c_i u_i)^2, the law of propagation of
// uncertainty (JCGM 100:2008, eq. 10). Parts of one name stem from one source and
// are added with their signs first, which is how a common cause (one calliper for two
// faces) enters. The budget lists them without sign, largest first; nothings are left
// out.
func FromParts(x float64, parts []Part) Value {
	var sum []Part
	for _, p := range parts {
		if i := slices.IndexFunc(sum, func(q Part) bool { return q.Name == p.Name }); i >= 0 {
			sum[i].U += p.U
		} else {
			sum = append(sum, p)
		}
	}
	var u2 float64
	for i := range sum {
		sum[i].U = math.Abs(sum[i].U)
		u2 += sum[i].U * sum[i].U
	}
	v := Of(x, math.Sqrt(u2))
	if !v.known {
		return v
	}
	slices.SortStableFunc(sum, func(a, b Part) int { return cmp.Compare(b.U, a.U) })
	for _, p := range sum {
		if p.U > 0 {
			v.Budget = append(v.Budget, p)
		}
	}
	return v
}

// Input is one quantity that a result depends on.
type Input struct {
	Name Source
	X, U float64 // estimate and standard uncertainty
}

// Propagate carries the uncertainties of independent inputs through f by central
// differences over one standard uncertainty to either side (JCGM 100:2008, 5.1.3 note 2).
func Propagate(f func(x []float64) float64, in []Input) Value {
	return PropagateCorrelated(f, in, nil)
}

// PropagateCorrelated is Propagate for inputs with correlation coefficients r(i, j),
// i < j (JCGM 100:2008, eq. 13); a nil r means independent. The budget holds |c_i u_i|
// and, where there is any, the covariance terms' share as one "correlation" part.
func PropagateCorrelated(f func(x []float64) float64, in []Input, r func(i, j int) float64) Value {
	x := make([]float64, len(in))
	for i, q := range in {
		x[i] = q.X
	}
	parts := make([]Part, len(in))
	for i, q := range in {
		x[i] = q.X + q.U
		up := f(x)
		x[i] = q.X - q.U
		parts[i] = Part{q.Name, (up - f(x)) / 2}
		x[i] = q.X
	}
	v := FromParts(f(x), parts)
	if r == nil || !v.known {
		return v
	}
	var covariance float64
	for j := range parts {
		for i := range j {
			covariance += 2 * r(i, j) * parts[i].U * parts[j].U
		}
	}
	if covariance == 0 {
		return v
	}
	budget := v.Budget
	v = Of(v.X, math.Sqrt(max(0, v.U*v.U+covariance)))
	v.Budget = append(budget, Part{"correlation", math.Copysign(math.Sqrt(math.Abs(covariance)), covariance)})
	return v
}

// EffectiveDoF is the Welch-Satterthwaite number of degrees of freedom of a result
// with contributions u_i known with dof_i (JCGM 100:2008, eq. G.2b; +Inf for a type B
// contribution taken as exact). It is truncated to the next lower integer for use in a
// table of t.
func EffectiveDoF(u, dof []float64) float64 {
	var u2, sum float64
	for i := range u {
		u2 += u[i] * u[i]
		sum += math.Pow(u[i], 4) / dof[i]
	}
	return u2 * u2 / sum
}
