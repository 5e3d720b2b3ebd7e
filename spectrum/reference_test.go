package spectrum

import (
	"encoding/binary"
	"encoding/json"
	"hash/crc32"
	"math"
	"os"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"ringstock/spectrum/damped"
)

// fixedSignal is a signal of testdata/scipy/reference.py with what SciPy computes of it.
type fixedSignal struct {
	Name     string       `json:"name"`
	Rate     float64      `json:"rate"`
	N        int          `json:"n"`
	CentreHz float64      `json:"centre_hz"`
	Lines    [][4]float64 `json:"lines"` // amplitude, Hz, 1/s, rad
	Noise    float64      `json:"noise"`
	Seed     uint32       `json:"seed"`
	Want     struct {
		CRC32     uint32 `json:"crc32"`
		Transform []struct {
			Bin int     `json:"bin"`
			Re  float64 `json:"re"`
			Im  float64 `json:"im"`
		} `json:"transform"`
		Peak struct {
			Bin     int        `json:"bin"`
			Density [3]float64 `json:"density"`
			Shift   float64    `json:"shift"`
		} `json:"peak"`
		Fit struct {
			Damped []struct {
				Hz        float64 `json:"hz"`
				Alpha     float64 `json:"alpha"`
				HzSD      float64 `json:"hz_sd"`
				AlphaSD   float64 `json:"alpha_sd"`
				Amplitude float64 `json:"amplitude"`
			} `json:"damped"`
			Steady []struct {
				Hz   float64 `json:"hz"`
				HzSD float64 `json:"hz_sd"`
			} `json:"steady"`
			NoisePower float64 `json:"noise_power"`
		} `json:"fit"`
	} `json:"want"`
}

// samples are the ones that the script made, bit for bit.
func (s fixedSignal) samples(t *testing.T) []float64 {
	t.Helper()
	state := s.Seed
	x, raw := make([]float64, s.N), make([]byte, 2*s.N)
	for i := range x {
		noise := -2.0
		for range 4 {
			state = 1664525*state + 1013904223
			noise += float64(state) / (1 << 32)
		}
		at := float64(i) / s.Rate
		y := s.Noise * noise
		for _, l := range s.Lines {
			y += l[0] * math.Exp(-l[2]*at) * math.Cos(2*math.Pi*l[1]*at+l[3])
		}
		v := math.RoundToEven(32768 * y)
		x[i] = v / 32768
		binary.LittleEndian.PutUint16(raw[2*i:], uint16(int16(v)))
	}
	if got := crc32.ChecksumIEEE(raw); got != s.Want.CRC32 {
		t.Fatalf("CRC-32 of the samples %d, the script's %d: not the same signal", got, s.Want.CRC32)
	}
	return x
}

// TestAgainstSciPy compares transform, density, peak and fit of fixed signals with
// SciPy 1.10's (rfft, periodogram, polyfit, least_squares). The script that stored
// them makes them anew:
//
//	python3 testdata/scipy/reference.py
func TestAgainstSciPy(t *testing.T) {
	text, err := os.ReadFile("../testdata/scipy/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var signals []fixedSignal
	if err := json.Unmarshal(text, &signals); err != nil {
		t.Fatal(err)
	}
	if len(signals) != 12 {
		t.Fatalf("%d signals, want 12", len(signals))
	}
	// The stored values have 9 digits.
	const digits = 1e-8
	near := func(t *testing.T, what string, got, want, by float64) {
		t.Helper()
		if !(math.Abs(got-want) <= by) {
			t.Errorf("%s: %.10g, SciPy %.10g, may differ by %.2g", what, got, want, by)
		}
	}
	for _, s := range signals {
		t.Run(s.Name, func(t *testing.T) {
			x := s.samples(t)
			n := powerOfTwo(s.N)
			w := hann(s.N)
			coef := transforms(n, stretch{x: x})[0]
			for _, want := range s.Want.Transform {
				near(t, "real part", real(coef[want.Bin]), want.Re, digits*math.Abs(want.Re)+1e-9)
				near(t, "imaginary part", imag(coef[want.Bin]), want.Im, digits*math.Abs(want.Im)+1e-9)
			}
			d := densities(n, s.Rate, stretch{x: x, w: w})[0]
			top := 0
			for k, v := range d.p {
				if v > d.p[top] {
					top = k
				}
			}
			if top != s.Want.Peak.Bin {
				t.Fatalf("the peak is bin %d, SciPy %d", top, s.Want.Peak.Bin)
			}
			for i, want := range s.Want.Peak.Density {
				near(t, "density", d.p[top-1+i], want, digits*want)
			}
			near(t, "shift of the peak", peakShift(d.p[top-1], d.p[top], d.p[top+1]), s.Want.Peak.Shift, 1e-7)
			s.compareFit(t, x, near)
		})
	}
}

// compareFit minimises the same sum of squares as the script, from worse starting values.
func (s fixedSignal) compareFit(t *testing.T, x []float64, near func(*testing.T, string, float64, float64, float64)) {
	const halfBand = 25
	perBin := s.Rate / float64(s.N)
	middle, half := int(math.RoundToEven(s.CentreHz/perBin)), halfBand*s.N/int(s.Rate)
	centre := float64(middle) * perBin
	coef := fourier.NewFFT(s.N).Coefficients(nil, x)
	rec := damped.Record{First: -half, N: s.N, Bins: coef[middle-half : middle+half+1]}
	var start damped.Model
	for _, l := range s.Lines {
		if l[2] > 0 {
			start.Lines = append(start.Lines, damped.Line{Hz: l[1] - centre + 0.05, Alpha: 1.3 * l[2]})
		} else {
			start.Undamped = append(start.Undamped, l[1]-centre-0.03)
		}
	}
	fit, err := damped.Solve([]damped.Record{rec}, s.Rate, start)
	if err != nil || !fit.Converged {
		t.Fatalf("no fit: %v %+v", err, fit)
	}
	// Solve stops where a further step would gain 1e-6 of the noise: a
	// thousandth of an sd.
	const stop = 1e-3
	want := s.Want.Fit
	near(t, "noise power", fit.NoisePow[0], want.NoisePower, 1e-6*want.NoisePower)
	for m, w := range want.Damped {
		hzSD, alphaSD := fit.SD(m)
		near(t, "frequency", centre+fit.Lines[m].Hz, w.Hz, stop*w.HzSD+1e-8*w.Hz)
		near(t, "decay rate", fit.Lines[m].Alpha, w.Alpha, stop*w.AlphaSD)
		near(t, "sd of the frequency", hzSD, w.HzSD, stop*w.HzSD)
		near(t, "sd of the decay rate", alphaSD, w.AlphaSD, stop*w.AlphaSD)
		// A step of a thousandth of the decay rate's sd moves the amplitude
		// as much, relatively.
		a := fit.Amp[0][m]
		near(t, "amplitude", 2*math.Hypot(real(a), imag(a)), w.Amplitude, stop*w.AlphaSD/w.Alpha*w.Amplitude)
	}
	for h, w := range want.Steady {
		at := 2*len(want.Damped) + h
		near(t, "hum", centre+fit.Undamped[h], w.Hz, stop*w.HzSD+1e-8*w.Hz)
		near(t, "sd of the hum", math.Sqrt(fit.Cov.At(at, at)), w.HzSD, stop*w.HzSD)
	}
}
