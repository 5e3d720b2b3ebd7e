package spectrum

import (
	"math"
	"math/bits"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"ringstock/capture/dsp"
)

// plans keeps the transforms of one analysis, since making one costs as much as using it.
type plans map[int]*fourier.CmplxFFT

func (p plans) of(n int) *fourier.CmplxFFT {
	if p[n] == nil {
		p[n] = fourier.NewCmplxFFT(n)
	}
	return p[n]
}

// stretch is a piece of sound on its way into a transform: seen through the window w (nil: as it is), and
// starting so many samples late.
type stretch struct {
	x, w []float64
	late int
}

// into adds the stretch, times a factor, to a transform's input.
func (s stretch) into(buf []complex128, factor complex128) {
	buf = buf[s.late:]
	for i, v := range s.x {
		if s.w != nil {
			v *= s.w[i]
		}
		buf[i] += complex(v*real(factor), v*imag(factor))
	}
}

// pairs transforms real stretches, padded with zeros to n samples, two at a time as real and imaginary part of one
// signal, and tells take the unnormalised DFT of the i-th and the one after it, whose bins 0..n/2 are apart(dft, k).
func pairs(n int, of []stretch, take func(i int, dft []complex128)) {
	buf := make([]complex128, n)
	for i := 0; i < len(of); i += 2 {
		clear(buf)
		of[i].into(buf, 1)
		if i+1 < len(of) {
			of[i+1].into(buf, 1i)
		}
		dsp.Transform(buf)
		take(i, buf)
	}
}

// apart is bin k of the two real signals in a DFT that pairs made.
func apart(dft []complex128, k int) (first, second complex128) {
	z, m := dft[k], dft[(len(dft)-k)&(len(dft)-1)]
	return complex((real(z)+real(m))/2, (imag(z)-imag(m))/2), complex((imag(z)+imag(m))/2, (real(m)-real(z))/2)
}

// transforms are the unnormalised DFTs, bins 0..n/2, of stretches that are padded with zeros to n samples,
// a power of two.
func transforms(n int, of ...stretch) [][]complex128 {
	out := rows[complex128](len(of), n/2+1)
	pairs(n, of, func(i int, dft []complex128) {
		second := out[min(i+1, len(out)-1)]
		for k := range out[i] {
			a, b := apart(dft, k)
			second[k], out[i][k] = b, a
		}
	})
	return out
}

// densities are the periodograms of stretches, each with its window, padded with zeros to n samples, a power of two.
func densities(n int, rate float64, of ...stretch) []density {
	p := rows[float64](len(of), n/2+1)
	scale := make([]float64, len(of))
	out := make([]density, len(of))
	for i, s := range of {
		scale[i] = 2 / (rate * floats.Dot(s.w, s.w))
		out[i] = density{rate / float64(n), p[i]}
	}
	pairs(n, of, func(i int, dft []complex128) {
		j := min(i+1, len(of)-1)
		for k := range p[i] {
			a, b := apart(dft, k)
			p[j][k], p[i][k] = scale[j]*sq(b), scale[i]*sq(a)
		}
	})
	return out
}

// rows are so many slices of one length, side by side in memory.
func rows[T any](count, length int) [][]T {
	flat := make([]T, count*length)
	out := make([][]T, count)
	for i := range out {
		out[i] = flat[i*length : (i+1)*length : (i+1)*length]
	}
	return out
}

// powerOfTwo is the smallest one that is not less than n.
func powerOfTwo(n int) int { return 1 << bits.Len(uint(max(n, 1)-1)) }

// smooth tells whether n has no prime factors over 5: transforms want such lengths.
func smooth(n int) bool {
	for _, p := range []int{2, 3, 5} {
		for n%p == 0 {
			n /= p
		}
	}
	return n == 1
}

// hann is the periodic Hann window (gonum's is the symmetric one).
func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = (1 - math.Cos(2*math.Pi*float64(i)/float64(n))) / 2
	}
	return w
}
