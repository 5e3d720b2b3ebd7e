package damped

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

func (s *Fitter) finish(fit *Fit, theta []float64) {
	p := len(theta)
	for m := range s.nLines {
		fit.Lines = append(fit.Lines, Line{theta[2*m], theta[2*m+1]})
	}
	fit.Undamped = slices.Clone(theta[2*s.nLines : 2*s.nLines+s.nWaves])
	if s.joint {
		fit.Coherent = make([]complex128, s.nWaves)
		for j := range fit.Coherent {
			_, _, fit.Coherent[j] = s.wave(theta, j, Record{})
		}
	}
	fit.Background, fit.Steady = s.bg, s.steady
	fit.Cov = mat.NewSymDense(max(p, 1), nil)
	if p > 0 {
		s.normal()
		if cov, logDet, ok := inverse(s.hess); ok {
			fit.Cov = cov
			fit.Marginal += logDet
		} else {
			for a := range p {
				fit.Cov.SetSym(a, a, math.Inf(1))
			}
			fit.Converged = false
		}
	}
	fit.Given = fit.Cov
	if own := s.own(); s.nShared > 0 && own > 0 {
		if given, _, ok := inverse(s.hess.SliceSym(0, own)); ok {
			fit.Given = given
		}
	}
	data, unknown := 0, p
	for i, r := range s.recs {
		fit.Each = append(fit.Each, s.alone(i, theta, fit.Cov))
		at, from, to := &s.at[i], s.fixed(), s.columns(r)
		lines := from
		if !r.Silent {
			lines += s.nLines
		}
		fit.Amp = append(fit.Amp, slices.Clone(at.amp[from:lines]))
		undam := slices.Clone(at.amp[lines:to])
		for j := range fit.Coherent {
			_, _, amp := s.wave(theta, j, r)
			undam = append(undam, amp)
		}
		fit.Undam = append(fit.Undam, append(undam, at.amp[:len(s.steady)]...))
		fit.Residual = append(fit.Residual, slices.Clone(at.resid))
		fit.NoisePow = append(fit.NoisePow, 2*s.noise(i, p))
		k := 2 * len(r.Bins)
		fit.deviance += float64(k) * math.Log(max(at.rss/float64(k), 1e-300))
		// Of the marginal likelihood: with flat priors the unknowns' own
		// uncertainty counts, too.
		fit.Marginal += float64(k-2*to) * math.Log(max(at.rss/float64(k), 1e-300))
		for a := range to {
			fit.Marginal += 4 * math.Log(max(cmplx.Abs(at.tri[a][a]), 1e-300))
		}
		data += k
		unknown += 2 * to
	}
	for _, k := range s.prior {
		fit.deviance += k.off * k.off
		fit.Marginal += k.off * k.off
	}
	fit.Marginal -= 2 * float64(s.nShared) * math.Ln2
	fit.unknown = unknown
	fit.BIC = fit.deviance + float64(unknown)*math.Log(float64(data))
}

// alone takes record i's own Gauss-Newton step from theta, given the covariance of all.
// What coherent lines are is known from all records, so well as they know it.
func (s *Fitter) alone(i int, theta []float64, all *mat.SymDense) Alone {
	p, q := 2*s.nLines, s.own()
	if s.recs[i].Silent || p == 0 {
		return Alone{}
	}
	hess, grad := mat.NewSymDense(q, nil), mat.NewVecDense(q, nil)
	s.addNormal(i, s.carriers()-s.nShared, hess, grad)
	if !s.joint {
		q = p
	}
	cov, _, ok := inverse(hess.SliceSym(0, p))
	if !ok {
		return Alone{}
	}
	var step mat.VecDense
	step.MulVec(cov, grad.SliceVec(0, p))
	if q > p {
		var moved, share mat.Dense // by the error of the coherent lines
		moved.Mul(cov, mat.DenseCopyOf(hess).Slice(0, p, p, q))
		share.Product(&moved, all.SliceSym(p, q), moved.T())
		for a := range p {
			cov.SetSym(a, a, cov.At(a, a)+share.At(a, a))
		}
	}
	out := Alone{OK: true}
	for m := range s.nLines {
		out.Lines = append(out.Lines, Line{theta[2*m] + step.AtVec(2*m), theta[2*m+1] + step.AtVec(2*m+1)})
		out.SD = append(out.SD, Line{math.Sqrt(cov.At(2*m, 2*m)), math.Sqrt(cov.At(2*m+1, 2*m+1))})
	}
	return out
}

// inverse of a positive definite matrix, and the logarithm of its determinant.
func inverse(a mat.Symmetric) (inv *mat.SymDense, logDet float64, ok bool) {
	inv = mat.NewSymDense(a.SymmetricDim(), nil)
	inv.CopySym(a)
	factor, ok := lapack64.Potrf(inv.RawSymmetric())
	if !ok {
		return nil, 0, false
	}
	for i := range factor.N {
		logDet += 2 * math.Log(factor.Data[i*factor.Stride+i])
	}
	_, ok = lapack64.Potri(factor)
	return inv, logDet, ok
}
