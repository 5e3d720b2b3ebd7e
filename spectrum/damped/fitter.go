package damped

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Fitter fits models to the same records again and again. What all of them share is
// prepared once, and its inner loops allocate nothing.
type Fitter struct {
	recs    []Record
	rate    float64
	bg      int
	nLines  int
	nWaves  int  // undamped lines
	joint   bool // whether they are coherent
	steady  []float64
	start   []float64        // starting values of the parameters
	at      []stage          // per record
	known   []Known          // of the undamped lines
	shared  [][][]complex128 // of each record: columns whose coefficients all records share
	nShared int
	anew    bool    // whether the stages don't know them yet
	prior   []prior // of each parameter
	enough  float64 // a predicted gain of the cost, in units of the noise, that is not worth another step
	hess    *mat.SymDense
	grad    *mat.VecDense
}

// stage is what a fit knows of one record.
type stage struct {
	weight float64        // 1/noise power
	basis  [][]complex128 // orthonormal basis of the eliminated part
	tri    [][]complex128 // triangular factor of the columns in the basis
	coef   []complex128   // data in the basis
	amp    []complex128   // amplitudes in the original (not orthonormal) columns
	left   []complex128   // data minus the fixed columns,
	part   []complex128   // which are so much of the data
	wave   []complex128   // one coherent line
	resid  []complex128
	slopes [][]complex128 // of each line, then of each undamped one: projected d(column)/d(-alpha + 2 pi i f) times its amplitude;
	//                       then the columns of the coherent ones, projected
	shared [][]complex128 // the shared columns, off the fixed ones; none if the record is silent
	fixed  [][]complex128 // and the parts of them that lie along the fixed ones,
	gram   [][]complex128 // their inner products,
	along  [][]complex128 // and the parts of them that lie along the rest of the basis
	rss    float64
}

// Known is what other sources say of an undamped line's frequency; no SD means nothing.
type Known struct {
	Hz, SD float64
}

// prior is what is known of a parameter before; no sd means nothing.
type prior struct {
	mean, sd float64
	off      float64 // how far the parameter is from the mean, sd
}

// NewFitter prepares for models that share the steady lines and the background.
func NewFitter(recs []Record, rate float64, steady []float64, background int) *Fitter {
	return &Fitter{recs: recs, rate: rate, steady: steady, bg: background, enough: 1e-4}
}

// Expect gives all further fits what is known of their undamped lines.
func (s *Fitter) Expect(known []Known) { s.known = known }

// Share gives all further fits columns of each record (none for silent ones) whose
// complex coefficients are common to all records, and of which is known before that they
// are independent, of mean zero and variance 1.
func (s *Fitter) Share(columns [][][]complex128) {
	s.shared, s.nShared, s.anew = columns, 0, true
	for _, c := range columns {
		s.nShared = max(s.nShared, len(c))
	}
}

// Roughly ends all further fits when a thirtieth of a standard deviation is all that
// another step would bring; otherwise it is a hundredth.
func (s *Fitter) Roughly() { s.enough = 1e-3 }

// prepare sets out for a model, and makes room for it and for a line more.
func (s *Fitter) prepare(lines []Line, undamped []float64, coherent []complex128) {
	s.nLines, s.nWaves, s.joint = len(lines), len(undamped), coherent != nil
	s.start = append(packTheta(lines, undamped, coherent), make([]float64, 2*s.nShared)...)
	s.prior = make([]prior, len(s.start))
	for j, k := range s.known[:min(len(s.known), s.nWaves)] {
		s.prior[2*s.nLines+j] = prior{mean: k.Hz, sd: k.SD}
	}
	for p := s.own(); p < len(s.start); p++ {
		s.prior[p].sd = 1 / math.Sqrt2 // half the variance in the real part, half in the imaginary
	}
	p := max(len(s.start), 1)
	s.hess, s.grad = mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	carriers := s.carriers()
	columns := s.fixed() + len(lines) + len(undamped)
	if len(s.at) > 0 && len(s.at[0].slopes) >= carriers-s.nShared && len(s.at[0].basis) > columns {
		for i := range s.at {
			s.at[i].weight = 1
		}
		s.prepareShared()
		return
	}
	s.at, s.anew = make([]stage, len(s.recs)), true
	columns += 2
	for i, r := range s.recs {
		k := len(r.Bins)
		at := &s.at[i]
		*at = stage{weight: 1, basis: grid(columns, k), tri: grid(columns, columns), slopes: grid(carriers-s.nShared+1, k)}
		rows := grid(2, columns)
		at.coef, at.amp = rows[0], rows[1]
		rows = grid(3, k)
		at.left, at.resid, at.wave = rows[0], rows[1], rows[2]
		for j, f := range s.steady {
			s.column(at.basis[j], r, f, 0)
		}
		for d := range s.bg {
			mid := float64(k-1) / 2
			for b := range k {
				x := 1.0
				for range d {
					x *= (float64(b) - mid) / max(mid, 1)
				}
				at.basis[len(s.steady)+d][b] = complex(x, 0)
			}
		}
		copy(at.left, r.Bins)
		at.eliminate(0, s.fixed(), at.left)
		at.part = slices.Clone(at.coef[:s.fixed()])
	}
	s.prepareShared()
}

// prepareShared takes out of the shared columns what does not change from step to step.
func (s *Fitter) prepareShared() {
	if !s.anew {
		return
	}
	s.anew = false
	for i := range s.at {
		at := &s.at[i]
		if s.nShared == 0 || s.recs[i].Silent {
			at.shared = nil
			continue
		}
		if len(at.shared) != s.nShared {
			at.shared, at.fixed = grid(s.nShared, len(at.resid)), grid(s.nShared, s.fixed())
			at.gram, at.along = grid(s.nShared, s.nShared), grid(s.nShared, len(at.basis))
		}
		for j, v := range at.shared {
			copy(v, s.shared[i][j])
			for a, q := range at.basis[:s.fixed()] {
				at.fixed[j][a] = dot(q, v)
				axpy(v, -at.fixed[j][a], q)
			}
			for k := range j + 1 {
				at.gram[k][j] = dot(at.shared[k], v)
			}
		}
	}
}

func packTheta(lines []Line, undamped []float64, coherent []complex128) []float64 {
	t := make([]float64, 0, 2*len(lines)+3*len(undamped))
	for _, l := range lines {
		t = append(t, l.Hz, l.Alpha)
	}
	t = append(t, undamped...)
	for _, b := range coherent {
		t = append(t, real(b), imag(b))
	}
	return t
}

// The first fixed columns of every basis, steady lines and background, are the same for
// all parameters: they are made orthonormal once.
func (s *Fitter) fixed() int { return len(s.steady) + s.bg }

// own counts the parameters of lines and waves; those of shared columns follow.
func (s *Fitter) own() int { return len(s.start) - 2*s.nShared }

// columns counts the linear unknowns of a record.
func (s *Fitter) columns(r Record) int {
	n := s.fixed()
	if !s.joint {
		n += s.nWaves
	}
	if !r.Silent {
		n += s.nLines
	}
	return n
}

// carriers counts the vectors of which all derivatives are made.
func (s *Fitter) carriers() int {
	if s.joint {
		return s.nLines + 2*s.nWaves + s.nShared
	}
	return s.nLines + s.nWaves + s.nShared
}

func grid(rows, cols int) [][]complex128 {
	flat := make([]complex128, rows*cols)
	g := make([][]complex128, rows)
	for i := range g {
		g[i] = flat[i*cols : (i+1)*cols : (i+1)*cols]
	}
	return g
}
