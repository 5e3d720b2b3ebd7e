package spectrum

// Point is one point of a drawn curve.
type Point struct{ X, Y float64 }

// Portrait holds the curves that a page draws of a recording's best tap, thinned
// to what a screen can show. Levels are in dB relative to the strongest partial.
type Portrait struct {
	AtS      float64     // onset of the tap in its recording, s
	Spectrum []Point     // Hz, dB: the spectrum of the ring
	Floor    []Point     // Hz, dB: the noise under it
	Decay    []Point     // s after the strike, dB: level of the fundamental
	Fit      []Point     // s, dB: the fitted decay
	FloorDB  float64     // noise level in the decay picture
	Heat     [][]float32 // short-time spectra in dB, [time][frequency]
	HeatS    float64     // seconds per row of Heat
	HeatHz   float64     // hertz per column of Heat
	Clip     []float64   // the tap to listen to, full scale +-1
	ClipRate float64     // samples per second of Clip
}
