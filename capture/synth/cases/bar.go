package cases

import "math"

// lambdas are the roots of cos x cosh x = 1, the eigenvalues of a thin free bar (Thomson,
// Theory of Vibration with Applications, app. D; further digits by solving the equation).
var lambdas = [...]float64{4.7300407449, 7.8532046241, 10.9956078380, 14.1371654913, 17.2787596574, 20.4203522456}

// sigma is the factor of the sines in the mode shape.
func sigma(l float64) float64 { return (math.Cosh(l) - math.Cos(l)) / (math.Sinh(l) - math.Sin(l)) }

// bendingShape is the shape of the n-th bending mode of a free bar, n from 0, at x from 0
// to 1; it is 2 at the ends and 1 in the mean square (standard result, from memory).
func bendingShape(n int, x float64) float64 {
	l := lambdas[n]
	if x > 0.5 { // where the hyperbolic functions would cancel, use the symmetry
		return bendingShape(n, 1-x) * float64(1-2*(n%2))
	}
	z, s := l*x, sigma(l)
	// cosh z - s sinh z without the difference of large numbers
	return (1-s)/2*math.Exp(z) + (1+s)/2*math.Exp(-z) + math.Cos(z) - s*math.Sin(z)
}

// bendingRatio is the frequency of the n-th bending mode over the lowest, to first order in
// rotary inertia and shear (Goens, Ann. Phys. 403 (1931) 649; from memory), for a
// rectangular bar of the given height over length and E/G.
func bendingRatio(n int, slender, stiff float64) float64 {
	correction := func(n int) float64 {
		th := sigma(lambdas[n]) * lambdas[n]
		f1, f2 := th*th+6*th, th*th-2*th
		return 1 + slender*slender/12*(f1+f2*stiff/(5.0/6))
	}
	l := lambdas[n] / lambdas[0]
	return l * l * math.Sqrt(correction(0)/correction(n))
}
