package spectrum

import (
	"math"
	"math/bits"
	"math/cmplx"

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

// stretch is a piece of sound on its way into a transform: seen through the window w
// (nil: as it is), and starting so many samples late.
type stretch struct {
	x, w []float64
	late int
}

// sample is the stretch's i-th as it is seen.
func (s stretch) sample(i int) float64 {
	if s.w == nil {
		return s.x[i]
	}
	return s.x[i] * s.w[i]
}

// transformPair fills in the unnormalised DFTs, bins 0..n/2, of two real stretches that
// are padded with zeros to n samples, a power of two: they go through one transform as
// real and imaginary part. buf is room for n samples.
func transformPair(buf []complex128, a, b stretch, first, second []complex128) {
	clear(buf)
	for i := range a.x {
		buf[a.late+i] = complex(a.sample(i), 0)
	}
	for i := range b.x {
		buf[b.late+i] += complex(0, b.sample(i))
	}
	dsp.Transform(buf)
	for k := range first {
		z, m := buf[k], buf[(len(buf)-k)&(len(buf)-1)]
		first[k] = complex((real(z)+real(m))/2, (imag(z)-imag(m))/2)
		second[k] = complex((imag(z)+imag(m))/2, (real(m)-real(z))/2)
	}
}

// transformOne is the same for a single stretch, whose even and odd samples go through a
// transform of half the length.
func transformOne(buf []complex128, a stretch, out []complex128) {
	half := len(buf) / 2
	buf = buf[:half]
	clear(buf)
	for i := range a.x {
		if at := a.late + i; at%2 == 0 {
			buf[at/2] += complex(a.sample(i), 0)
		} else {
			buf[at/2] += complex(0, a.sample(i))
		}
	}
	dsp.Transform(buf)
	for k, turn := range dsp.Turns(half) {
		z, m := buf[k], cmplx.Conj(buf[(half-k)&(half-1)])
		out[k] = (z + m - 1i*turn*(z-m)) / 2
	}
	out[half] = complex(real(buf[0])-imag(buf[0]), 0)
}

// transforms are the unnormalised DFTs, bins 0..n/2, of stretches that are padded with
// zeros to n samples, a power of two.
func transforms(n int, of ...stretch) [][]complex128 {
	out, buf := rows[complex128](len(of), n/2+1), make([]complex128, n)
	for i := 0; i+1 < len(of); i += 2 {
		transformPair(buf, of[i], of[i+1], out[i], out[i+1])
	}
	if last := len(of) - 1; last%2 == 0 {
		transformOne(buf, of[last], out[last])
	}
	return out
}

// densities are the periodograms of stretches, each with its window, padded with zeros to
// n samples, a power of two.
func densities(n int, rate float64, of ...stretch) []density {
	buf, bins, p := make([]complex128, n), rows[complex128](2, n/2+1), rows[float64](len(of), n/2+1)
	out := make([]density, len(of))
	for i, s := range of {
		if i%2 == 0 && i+1 < len(of) {
			transformPair(buf, s, of[i+1], bins[0], bins[1])
		} else if i%2 == 0 {
			transformOne(buf, s, bins[0])
		}
		scale := 2 / (rate * floats.Dot(s.w, s.w))
		for k, z := range bins[i%2] {
			p[i][k] = scale * sq(z)
		}
		out[i] = density{rate / float64(n), p[i]}
	}
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
