package spectrum_test

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/spectrum"
)

// recordings is the folder of real recordings that .ci/recordings fills, or a skip.
func recordings(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("RINGSTOCK_RECORDINGS")
	if dir == "" {
		t.Skip("RINGSTOCK_RECORDINGS does not name a folder with recordings of real bars: .ci/recordings DIR makes one")
	}
	return dir
}

// ringOf is the ring of a recording of one strike.
func ringOf(t *testing.T, rec capture.Recording) *spectrum.Ring {
	t.Helper()
	a := spectrum.Analyse(capture.FindTaps(rec), spectrum.SideTap)
	if a.Ring == nil {
		t.Fatalf("no ring: %s", a.Error.Text)
	}
	return a.Ring
}

// tolerance is how far a decay time may be from a reference: 5 %. Where a warning says that the
// room hides it, and only there, its uncertainty must cover the reference.
func tolerance(r *spectrum.Ring, ref float64) float64 {
	if r.Room.Limits {
		return 2 * r.Fundamental.TauS.U
	}
	return 0.05 * ref
}

func cents(hz, ref float64) float64 { return 1200 * math.Log2(hz/ref) }

// TestXylophoneBars reads eight real bars of the npm package
// tonejs-instrument-xylophone-wav 1.1.1 and compares with an independent analysis of the
// same files (interpolated Hann-window FFT; straight line through the band-passed
// envelope, 30 dB of it, rms residual under 0.4 dB where tau is given). The highest ones
// are pairs of close lines, of which a window's peak is somewhere between: of them only
// the pitch is compared.
func TestXylophoneBars(t *testing.T) {
	dir := recordings(t)
	bars := []struct {
		name      string
		hz, tauMS float64
	}{
		{"G4", 394.85, 412.1}, {"C5", 526.92, 339.7}, {"G5", 790.20, 242.4}, {"C6", 1055.81, 168.1},
		{"G6", 1582.58, 0}, {"C7", 2113.11, 0}, {"G7", 3171.17, 0}, {"C8", 4225.45, 0},
	}
	var files []string
	for _, b := range bars {
		files = append(files, filepath.Join(dir, "xylophone", b.name+".wav"))
	}
	rings := map[string]*spectrum.Ring{}
	for i, b := range bars {
		t.Run(b.name, func(t *testing.T) {
			rec, err := wavfile.Open(files[i])
			if err != nil {
				t.Fatal(err)
			}
			r := ringOf(t, rec)
			f := r.Fundamental
			if c := cents(f.Hz.X, b.hz); math.Abs(c) > 3 {
				t.Errorf("%.3f Hz, reference %.2f: %.1f cents", f.Hz.X, b.hz, c)
			}
			if b.tauMS > 0 {
				rings[files[i]] = r
				if !f.TauS.Known() || math.Abs(1e3*f.TauS.X-b.tauMS) > tolerance(r, 1e-3*b.tauMS)*1e3 {
					t.Errorf("tau %s, reference %.1f ms", f.TauS.Text("s"), b.tauMS)
				}
			}
		})
	}
	t.Run("SciPy script", func(t *testing.T) {
		for _, p := range plainReading(t, 300, 1500, files[:4]) {
			r := rings[p.File]
			tau := r.Fundamental.TauS
			if p.TauS == nil {
				t.Errorf("%s: the script reads no decay", p.File)
			} else if math.Abs(tau.X-*p.TauS) > tolerance(r, *p.TauS) {
				t.Errorf("%s: tau %s, the script %.3f s", p.File, tau.Text("s"), *p.TauS)
			}
		}
	})
}

// TestFreepatsBars reads marimba and glockenspiel bars out of Debian's freepats: 16-bit
// samples at a known place in the file, at odd rates. Reference: an interpolated
// Hann-window FFT of the same samples. Marimbas are tuned to 1 : 4 : 10; a glockenspiel
// is a plain free bar, 1 : 2.76 : 5.40 less what its thickness takes off (Thomson, Theory
// of Vibration, App. D).
func TestFreepatsBars(t *testing.T) {
	dir := recordings(t)
	for _, b := range []struct {
		name    string
		file    string
		at, n   int // bytes
		rate    float64
		hz      float64
		partial []float64 // ratios to look for
	}{
		{"marimba C#3", "013_Xylophone", 335, 104438, 32000, 138.49, []float64{2.996, 4.021, 9.998}},
		{"marimba F#3", "013_Xylophone", 104869, 121100, 32000, 185.77, []float64{2.997, 4.014, 10.020}},
		{"marimba G#3", "013_Xylophone", 226065, 92196, 32000, 208.23, []float64{2.995, 4.015, 10.018}},
		{"marimba C4", "013_Xylophone", 318357, 70648, 32000, 262.88, []float64{2.995}},
		{"glockenspiel G#5", "009_Glockenspiel", 335, 79420, 31214, 830.52, []float64{2.710, 5.245}},
		{"glockenspiel C6", "009_Glockenspiel", 79851, 66098, 22866, 1046.39, []float64{2.760, 5.233}},
		{"glockenspiel A6", "009_Glockenspiel", 146045, 173984, 43975, 1759.99, []float64{2.715, 5.152}},
		{"glockenspiel E7", "009_Glockenspiel", 320125, 58006, 43601, 2636.90, []float64{2.657}},
		{"glockenspiel B7", "009_Glockenspiel", 378227, 65932, 43903, 3950.97, []float64{2.616}},
	} {
		t.Run(b.name, func(t *testing.T) {
			pat, err := os.ReadFile(filepath.Join(dir, "freepats", b.file+".pat"))
			if err != nil {
				t.Fatal(err)
			}
			x := make([]float64, b.n/2)
			for i := range x {
				x[i] = float64(int16(binary.LittleEndian.Uint16(pat[b.at+2*i:]))) / 32768
			}
			r := ringOf(t, capture.Recording{Source: b.name, Rate: b.rate, Tracks: [][]float64{x}, Bits: 16})
			// The transform reads the middle of the ring, where the note of one that
			// glides has not come to rest yet.
			hz, early := r.Fundamental.Hz.X, r.Fundamental.Hz.X
			if r.DriftCents.Known() {
				early *= math.Exp2(-r.DriftCents.X / 1200)
			}
			if cents(b.hz, min(hz, early)) < -5 || cents(b.hz, max(hz, early)) > 5 {
				t.Errorf("%.3f Hz, and %.3f before it came to rest; reference %.2f", hz, early, b.hz)
			}
			for _, ratio := range b.partial {
				nearest := math.Inf(1)
				for _, p := range r.Partials {
					if math.Abs(p.Hz.X/hz-ratio) < math.Abs(nearest-ratio) {
						nearest = p.Hz.X / hz
					}
				}
				if math.Abs(nearest/ratio-1) > 0.01 {
					t.Errorf("no partial at %.3f times the fundamental, the nearest is at %.3f", ratio, nearest)
				}
			}
		})
	}
}
