package synth

import (
	"math"
	"math/bits"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Box is an empty rectangular room with a source and a microphone in it. It answers a
// click in two ways that have nothing in common with noise that dies away: as a sum of
// its modes, and as a sum of mirrored sources.
type Box struct {
	SizeM    [3]float64
	Absorb   [6]float64 // share of the energy that walls take at right angles: x = 0, x = SizeM[0], y = 0, ...
	From, To [3]float64 // source and microphone, m from one corner
}

const (
	soundMS = 343.0  // m/s in air of 20 deg C
	echoS   = 0.0025 // what comes sooner after the direct sound is taken for part of it
	modeHz  = 600.0  // up to here modes are summed; a blank's fundamental lies far below
	deepDB  = 60.0   // an answer is followed until it has sunk by so much
)

// admittance of a wall relative to air, from the reflection factor at right angles
// r = (1 - b)/(1 + b).
func admittance(absorb float64) float64 {
	r := math.Sqrt(1 - absorb)
	return (1 - r) / (1 + r)
}

// decay is the amplitude's decay rate, 1/s, of a mode: each pair of walls takes c (b1 +
// b2)/(2 L) of it, and twice that where the mode has nodes between them (Kuttruff, Room
// Acoustics, ch. 3; Morse & Ingard, Theoretical Acoustics, ch. 9; derived anew from the
// energy at the walls over the energy in the room). So modes along the hard walls
// outlive the others.
func (b Box) decay(n [3]int) (alpha float64) {
	for i, k := range n {
		at := soundMS * (admittance(b.Absorb[2*i]) + admittance(b.Absorb[2*i+1])) / (2 * b.SizeM[i])
		if k > 0 {
			at *= 2
		}
		alpha += at
	}
	return alpha
}

// modes calls f with frequency, decay rate and strength of every mode below a frequency.
func (b Box) modes(below float64, f func(hz, alpha, gain float64)) {
	most := func(i int) int { return int(2 * below * b.SizeM[i] / soundMS) }
	var n [3]int
	for n[0] = 0; n[0] <= most(0); n[0]++ {
		for n[1] = 0; n[1] <= most(1); n[1]++ {
			for n[2] = 0; n[2] <= most(2); n[2]++ {
				k2, gain := 0.0, 1.0
				for i, l := range b.SizeM {
					k := math.Pi * float64(n[i]) / l
					k2 += k * k
					gain *= math.Cos(k*b.From[i]) * math.Cos(k*b.To[i])
					if n[i] > 0 {
						gain *= 2
					}
				}
				if hz := soundMS * math.Sqrt(k2) / (2 * math.Pi); hz > 0 && hz < below {
					f(hz, b.decay(n), gain)
				}
			}
		}
	}
}

// Modal is the answer as the sum of the room's modes, sin(w t)/w each (Morse & Ingard, as
// above), up to 600 Hz, without the direct sound.
func (b Box) Modal(rate float64) []float64 {
	slowest := math.Inf(1)
	b.modes(modeHz, func(_, alpha, _ float64) { slowest = min(slowest, alpha) })
	long := deepDB / 20 * math.Ln10 / slowest
	// The sum is made at a low rate, and brought to the one wanted by zeros in its
	// spectrum.
	by := max(int(rate/(2.4*modeHz)), 1)
	low := rate / float64(by)
	n := powerOfTwo(int(2 * long * low))
	x := make([]float64, n)
	b.modes(modeHz, func(hz, alpha, gain float64) {
		step := cmplx.Exp(complex(-alpha, 2*math.Pi*hz) / complex(low, 0))
		z := complex(gain/hz*fall(hz), 0)
		for i := range n / 2 {
			x[i] += imag(z)
			z *= step
		}
	})
	wide := make([]complex128, n*by/2+1)
	copy(wide, fourier.NewFFT(n).Coefficients(nil, x))
	y := fourier.NewFFT(n*by).Sequence(nil, wide)
	for i := range y {
		y[i] /= float64(n)
	}
	return b.echoes(y[:int(long*rate)], rate)
}

// fall lets the highest modes fade out, so that the sum has no hard edge.
func fall(hz float64) float64 {
	if hz < 0.8*modeHz {
		return 1
	}
	return (1 + math.Cos(math.Pi*(hz/modeHz-0.8)/0.2)) / 2
}

// Images is the answer as the sum of the source's mirror images (Allen & Berkley, J.
// Acoust. Soc. Am. 65 (1979) 943), each at the nearest sample, for as long as given,
// without the direct sound.
func (b Box) Images(rate, longS float64) []float64 {
	y := make([]float64, int(longS*rate))
	far := soundMS * longS
	var reflect [6]float64
	for i, a := range b.Absorb {
		reflect[i] = math.Sqrt(1 - a)
	}
	type image struct{ off, strength float64 }
	var along [3][]image
	for i, l := range b.SizeM {
		most := int(far/(2*l)) + 1
		for n := -most; n <= most; n++ {
			for side := range 2 {
				x := 2*float64(n)*l + float64(1-2*side)*b.From[i] - b.To[i]
				s := math.Pow(reflect[2*i], math.Abs(float64(n-side))) * math.Pow(reflect[2*i+1], math.Abs(float64(n)))
				along[i] = append(along[i], image{x, s})
			}
		}
	}
	for _, x := range along[0] {
		for _, y2 := range along[1] {
			flat := x.off*x.off + y2.off*y2.off
			if flat > far*far {
				continue
			}
			s := x.strength * y2.strength
			for _, z := range along[2] {
				d := math.Sqrt(flat + z.off*z.off)
				if at := int(d / soundMS * rate); at < len(y) {
					y[at] += s * z.strength / d
				}
			}
		}
	}
	return b.echoes(y, rate)
}

// echoes is what is left of an answer a little after the direct sound, which comes first
// and is its time zero.
func (b Box) echoes(y []float64, rate float64) []float64 {
	d := 0.0
	for i := range b.From {
		d += (b.From[i] - b.To[i]) * (b.From[i] - b.To[i])
	}
	y = y[min(int(math.Sqrt(d)/soundMS*rate), len(y)):]
	clear(y[:min(int(echoS*rate), len(y))])
	return y
}

// RT60 is Eyring's reverberation time of the box: 24 ln(10)/c V/(-S ln(1 - mean
// absorption)) (Kuttruff, as above).
func (b Box) RT60() float64 {
	x, y, z := b.SizeM[0], b.SizeM[1], b.SizeM[2]
	var s, a float64
	for i, area := range []float64{y * z, y * z, x * z, x * z, x * y, x * y} {
		s += area
		a += area * b.Absorb[i]
	}
	return 24 * math.Ln10 / soundMS * x * y * z / (-s * math.Log(1-a/s))
}

// AnswerBand is where an answer's level is compared with the direct sound's, Hz.
var AnswerBand = [2]float64{80, 500}

// AnswerDB is the energy of an answer in the band over that of the click it answers, dB.
func AnswerDB(answer []float64, rate float64) float64 {
	n := powerOfTwo(len(answer))
	padded := make([]float64, n)
	copy(padded, answer)
	c := fourier.NewFFT(n).Coefficients(nil, padded)
	sum, bins := 0.0, 0.0
	for k := int(AnswerBand[0]*float64(n)/rate) + 1; k < min(int(AnswerBand[1]*float64(n)/rate), len(c)); k++ {
		sum += real(c[k])*real(c[k]) + imag(c[k])*imag(c[k])
		bins++
	}
	return 10 * math.Log10(sum/bins)
}

// ReverberationS is an answer's reverberation time, s: the mean of those in the octaves
// about 125 and 250 Hz, each from 5 to 25 dB below the start of the backward integrated
// energy (ISO 3382-2, T20).
func ReverberationS(answer []float64, rate float64) float64 {
	n := powerOfTwo(2 * len(answer)) // the filter's answer before its time must not come round to the end
	fft, padded := fourier.NewFFT(n), make([]float64, n)
	copy(padded, answer)
	sum := 0.0
	for _, centre := range []float64{125, 250} {
		c := fft.Coefficients(nil, padded)
		for k := range c {
			if hz := float64(k) * rate / float64(n); hz < centre/math.Sqrt2 || hz > centre*math.Sqrt2 {
				c[k] = 0
			}
		}
		x := fft.Sequence(nil, c)[:len(answer)]
		total, left := 0.0, 0.0
		for _, v := range x {
			total += v * v
		}
		left = total
		from, to := 0, 0
		for i, v := range x {
			if left -= v * v; left > total*math.Pow(10, -0.5) {
				from = i
			} else if left > total*math.Pow(10, -2.5) {
				to = i
			}
		}
		sum += 60 / 20.0 * float64(to-from) / rate / 2
	}
	return sum
}

// powerOfTwo is the smallest one that is not less than n: transforms of such
// a length are quick.
func powerOfTwo(n int) int { return 1 << bits.Len(uint(max(n, 1)-1)) }
