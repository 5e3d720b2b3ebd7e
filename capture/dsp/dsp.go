// Package dsp holds the small tools of signal processing that the search for taps, live
// listening and the analysis of rings share: decimation, transforms, filters, order
// statistics. Samples are dimensionless (full scale is +-1), rates in samples per
// second, frequencies in Hz.
package dsp

import "math"

// Decibel is a power ratio, or a mean square re full scale, in dB; -200 for silence.
func Decibel(power float64) float64 { return 10 * math.Log10(max(power, 1e-20)) }

// MeanSquare is the mean of the squared samples; 0 of none.
func MeanSquare(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(max(len(x), 1))
}

// Peak is the greatest magnitude of the samples; 0 of none.
func Peak(x []float64) (peak float64) {
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	return peak
}
