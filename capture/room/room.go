// Package room judges a place for listening and the microphone in it, from a recording of
// some quiet and a hand clap.
package room

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/stat"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

// Report is what the recording tells. A number that could not be had is NaN-free: it has
// a reason in Missing under its name.
type Report struct {
	NoiseDB    float64           `json:"noise_db"` // rms of the quiet, dB re full scale
	HumHz      []float64         `json:"hum_hz"`   // mains lines that stand out of the noise
	PeakDB     float64           `json:"peak_db"`  // of the clap
	Clipped    bool              `json:"clipped"`
	RT60S      float64           `json:"rt60_s"`                  // reverberation time, 500-2000 Hz
	BendDB     float64           `json:"bend_db"`                 // how far its decay strays from a straight line
	PumpDB     float64           `json:"pump_db"`                 // noise after the clap less noise before
	LowSlope   float64           `json:"low_slope_db_per_octave"` // of the microphone, 100 to 500 Hz, the clap's own taken off; positive = the low end is weak
	LowAtLeast bool              `json:"low_slope_at_least"`      // the clap is lost in the noise at the low end: it may be steeper
	Missing    map[string]string `json:"missing"`
	Doubts     capture.Warnings  `json:"doubts"`
}

// Levels at which a doubt is told (common practice, no source).
const (
	loudDB   = -45.0 // noise
	straight = 2.0   // dB that the decay may stray from a line
	steady   = 4.0   // dB that the noise may differ before and after
	weakLow  = 9.0   // dB per octave: halfway between a filter against rumble (6) and a telephone's low end (12)
	clapLow  = 9.0   // dB per octave that the third-octave levels of a clap of flat hands fall themselves, give or take 3
	longS    = 0.8   // reverberation in which taps blur
	aloofDB  = 25.0  // the clap must stand so far over the noise

	leastQuietS = 0.5
)

// Inspect judges a recording that begins with a second of quiet and then has one clap.
func Inspect(rec capture.Recording) (Report, error) {
	take := capture.FindTaps(rec)
	r := Report{HumHz: []float64{}, Missing: map[string]string{}, Doubts: []capture.Warning{}}
	doubt := func(code, format string, a ...any) {
		r.Doubts = append(r.Doubts, capture.Warning{Code: code, Text: fmt.Sprintf(format, a...)})
	}
	x, rate := take.Samples, take.Rate
	for _, w := range take.Warnings {
		if w.Code == capture.Muted {
			return r, errors.New(w.Text)
		}
	}
	if len(take.Taps) == 0 {
		return r, fmt.Errorf("no clap was heard: clap once, loudly, an arm's length from the microphone")
	}
	// The loudest strike is the clap.
	clap, loudest := take.Taps[0], 0.0
	for _, t := range take.Taps {
		if p := dsp.Peak(x[t.Onset:min(t.Onset+int(0.1*rate), len(x))]); p > loudest {
			clap, loudest = t, p
		}
	}
	before := x[:max(clap.Onset-int(0.05*rate), 0)]
	if float64(len(before)) < leastQuietS*rate {
		return r, fmt.Errorf("there is only %.1f s of quiet before the clap: keep quiet for a second first", float64(len(before))/rate)
	}
	r.NoiseDB = dsp.Decibel(dsp.MeanSquare(before))
	r.PeakDB = 20 * math.Log10(max(loudest, 1e-10))
	r.Clipped = clap.Reason == capture.Clipped
	r.HumHz = append(r.HumHz, Hum(before, rate)...)
	after := x[clap.Onset:]
	r.decay(after, before, rate)
	r.low(after, before, rate)
	switch {
	case r.NoiseDB > loudDB:
		doubt("noisy", "the room is loud (%.0f dB; good is below %.0f dB): go nearer to the blank with the microphone, turn machines off", r.NoiseDB, loudDB)
	}
	if r.Clipped {
		doubt("clipped", "the clap was clipped: that is all right for a clap; if taps are clipped too, turn the input level down")
	}
	if _, no := r.Missing["rt60_s"]; !no {
		if r.RT60S > longS {
			doubt("reverberant", "the room rings for %.1f s: bring the microphone to 5-15 cm, hang up a blanket", r.RT60S)
		}
		if r.BendDB > straight {
			doubt("altered", "the clap does not die away evenly (%.1f dB off a straight line): %s", r.BendDB, switchOff)
		}
	}
	if _, no := r.Missing["pump_db"]; !no && math.Abs(r.PumpDB) > steady {
		doubt("altered", "the noise is %+.1f dB after the clap against before: the device changes its gain or suppresses noise: %s", r.PumpDB, switchOff)
	}
	if _, no := r.Missing["low_slope_db_per_octave"]; !no && r.LowSlope > weakLow {
		doubt("weak low end", "the microphone loses %s%.0f dB per octave below 500 Hz: the lowest note of a blank will be inferred from the others; use a USB or measuring microphone if you can", atLeast(r.LowAtLeast), r.LowSlope)
	}
	return r, nil
}

const switchOff = `switch off automatic gain, noise suppression and "enhancements". ` +
	`Windows: Settings, System, Sound, your microphone, Audio enhancements: Off. ` +
	`macOS: in the menu bar's microphone menu choose Standard, not Voice Isolation. ` +
	`Linux: pavucontrol, no echo-cancel source. Phones: a recorder that offers "raw" or "unprocessed"`

const hopS = 0.005

// decay finds the reverberation time between 5 and 25 dB below the start of the backward
// integrated energy (ISO 3382-2, T20), and whether the decay is straight and the noise
// steady.
func (r *Report) decay(after, before []float64, rate float64) {
	hop := int(hopS * rate)
	band := [2]float64{500, 2000}
	e := dsp.BandEnergy(after, rate, band, hop)
	noise := stat.Mean(dsp.BandEnergy(before, rate, band, hop)[4:], nil)
	// Where the decay meets the noise, integration ends.
	end := len(e)
	for i := 4; i+10 <= len(e); i++ {
		if stat.Mean(e[i:i+10], nil) < 2*noise {
			end = i
			break
		}
	}
	if s := 10 * math.Log10(slices.Max(e[:min(20, len(e))])/max(noise, 1e-20)); s < aloofDB || end < 12 {
		r.Missing["rt60_s"] = fmt.Sprintf("the clap stands only %.0f dB over the noise: clap louder, or nearer", s)
		r.Missing["bend_db"] = r.Missing["rt60_s"]
	} else {
		sum := make([]float64, end+1)
		for i := end - 1; i >= 0; i-- {
			sum[i] = sum[i+1] + max(e[i]-noise, 0)
		}
		var t, level []float64
		for i := range end {
			if l := 10 * math.Log10(sum[i]/sum[0]); l <= -5 && l >= -25 {
				t, level = append(t, float64(i)*hopS), append(level, l)
			}
		}
		if len(t) < 4 {
			r.Missing["rt60_s"] = "the sound dies within 20 ms: there is no reverberation to be measured"
			r.Missing["bend_db"] = r.Missing["rt60_s"]
		} else {
			a, b := stat.LinearRegression(t, level, nil, false)
			r.RT60S = -60 / b
			for i := range t {
				r.BendDB = max(r.BendDB, math.Abs(level[i]-a-b*t[i]))
			}
			r.BendDB = max(r.BendDB, drop(e, t, b, noise))
		}
	}
	quiet := after[min((end+int(0.2/hopS))*hop, len(after)):]
	if len(quiet) < int(0.5*rate) {
		r.Missing["pump_db"] = "keep quiet for two seconds after the clap too"
		return
	}
	r.PumpDB = dsp.Decibel(dsp.MeanSquare(quiet[:int(0.5*rate)])) - r.NoiseDB
}

// drop is how far, beyond what noise makes it fluctuate, the decay falls below its own
// line on the way down to the noise: a device that suppresses noise cuts it off. Rooms
// only ever ring on for longer.
func drop(e, t []float64, slope, noise float64) (db float64) {
	const smooth, fluctuation, clear = 10, 3.0, 8.0 // hops; dB; dB over the noise
	level := func(i int) float64 { return 10 * math.Log10(max(stat.Mean(e[i:i+smooth], nil), 1e-20)) }
	offset := 0.0
	for _, at := range t {
		offset += (level(int(math.Round(at/hopS))) - slope*at) / float64(len(t))
	}
	for i := int(math.Round(t[len(t)-1] / hopS)); i+smooth <= len(e); i++ {
		line := offset + slope*float64(i)*hopS
		if line < 10*math.Log10(max(noise, 1e-20))+clear {
			break
		}
		db = max(db, line-level(i)-fluctuation)
	}
	return db
}

func atLeast(yes bool) string {
	if yes {
		return "at least "
	}
	return ""
}

// lowBands are the third-octave bands from 100 to 500 Hz (IEC 61260-1: base ten),
// their middles in Hz.
var lowBands = [...]float64{100, 125.9, 158.5, 199.5, 251.2, 316.2, 398.1, 501.2}

// low fits a line to the third-octave levels of the clap, noise subtracted. Cupped hands
// clap lower than flat ones by several dB (Papadakis and Stavroulakis, Acoustics 2 (2020)
// 224), so no better than 3 dB per octave is known of the microphone.
func (r *Report) low(after, before []float64, rate float64) {
	const long, rises = 0.25, 0.02 // s of the clap and its echo, of the window's slope before it
	lead := int(rises * rate)
	n := 1
	for float64(n) < long*rate {
		n *= 2
	}
	if len(before) < n+lead || len(after) < n-lead {
		r.Missing["low_slope_db_per_octave"] = "keep quiet for a second before the clap, and for half a second after it"
		return
	}
	// The window is 1 over the clap: nothing of it may leak from where it is loud
	// to where it is not.
	clap := thirds(slices.Concat(before[len(before)-lead:], after[:n-lead]), rate, lead)
	noise := make([]float64, len(lowBands))
	parts := 0
	for from := 0; from+n <= len(before)-lead; from += n / 2 {
		for i, p := range thirds(before[from:from+n], rate, lead) {
			noise[i] += p
		}
		parts++
	}
	var octave, level []float64
	lost := 0
	for i := len(lowBands) - 1; i >= 0; i-- {
		there := noise[i] / float64(parts)
		over := clap[i] - there
		if over < there { // of what is lost only a bound is known
			lost++
			over = there
		}
		octave, level = append(octave, math.Log2(lowBands[i])), append(level, 10*math.Log10(over+1e-30))
		if lost > 0 {
			break
		}
	}
	const least = 5 // bands
	if len(octave) < least {
		r.Missing["low_slope_db_per_octave"] = fmt.Sprintf("the clap is lost in the noise below %.0f Hz: clap louder, nearer, or with hollow hands", lowBands[len(lowBands)-len(octave)])
		return
	}
	_, slope := stat.LinearRegression(octave, level, nil, false)
	r.LowSlope, r.LowAtLeast = slope-clapLow, lost > 0
}

// thirds are the powers of a sound in the bands lowBands, under a window that rises over
// the first samples and falls over the last quarter.
func thirds(x []float64, rate float64, rise int) []float64 {
	c := make([]complex128, len(x))
	fall := len(x) / 4
	for i, v := range x {
		w := 1.0
		if i < rise {
			w = (1 - math.Cos(math.Pi*(float64(i)+0.5)/float64(rise))) / 2
		} else if k := len(x) - i; k < fall {
			w = (1 - math.Cos(math.Pi*(float64(k)-0.5)/float64(fall))) / 2
		}
		c[i] = complex(w*v, 0)
	}
	dsp.Transform(c)
	out := make([]float64, len(lowBands))
	perBin := rate / float64(len(x))
	for i, middle := range lowBands {
		from, to := middle/math.Pow(10, 0.05), middle*math.Pow(10, 0.05)
		for k := int(from/perBin) + 1; float64(k)*perBin <= to; k++ {
			out[i] += dsp.Power(c[k])
		}
	}
	return out
}

// Hum finds lines at multiples of the mains frequencies that stand 15 dB over their
// surroundings. It is nil if there is too little sound to tell.
func Hum(x []float64, rate float64) []float64 {
	if float64(len(x)) < leastQuietS*rate || len(x) == 0 {
		return nil
	}
	list := []float64{}
	n := 1
	for 2*n <= len(x) {
		n *= 2
	}
	y := make([]float64, n)
	for i := range y {
		y[i] = x[i] * (1 - math.Cos(2*math.Pi*float64(i)/float64(n))) / 2
	}
	c := fourier.NewFFT(n).Coefficients(nil, y)
	power := func(k int) float64 { return real(c[k])*real(c[k]) + imag(c[k])*imag(c[k]) }
	bin := rate / float64(n)
	for _, mains := range []float64{50, 60} {
		for hz := mains; hz <= 600; hz += mains {
			k := int(math.Round(hz / bin))
			line := max(power(k-1), power(k), power(k+1))
			var around []float64
			for d := 3; d <= int(12/bin)+3; d++ {
				around = append(around, power(k-d), power(k+d))
			}
			slices.Sort(around)
			if line > 30*around[len(around)/2] && !slices.Contains(list, hz) {
				list = append(list, hz)
			}
		}
	}
	slices.Sort(list)
	return list
}
