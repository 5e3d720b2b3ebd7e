package spectrum

import (
	"math"
	"math/cmplx"
	"slices"

	"ringstock/capture"
	"ringstock/capture/dsp"
)

const (
	drawFromHz  = 20.0
	drawTopHz   = 6000.0
	drawPoints  = 500
	drawStepS   = 0.01
	clipS       = 2.0
	clipRate    = 22050.0
	heatStepS   = 0.03
	heatFrameS  = 0.06
	heatTopHz   = 4000.0
	drawLowest  = -80.0
	drawDecayTo = 3.0
)

// Draw makes the curves of the loudest accepted tap for a page. a must be the
// analysis of that take. ok is false if there is nothing to draw.
func Draw(take capture.Take, a Analysis) (out Portrait, ok bool) {
	if a.Ring == nil {
		return out, false
	}
	best, at := -1, 0
	for i, t := range a.Taps {
		if t.Ring != nil && t.Ring.SNRDB.Known() && (best < 0 || t.Ring.SNRDB.X > a.Taps[best].Ring.SNRDB.X) {
			best = i
		}
	}
	for i, t := range a.Taps {
		if best < 0 && t.Ring != nil {
			best = i
		}
	}
	if best < 0 {
		return out, false
	}
	out.AtS = a.Taps[best].AtS
	at = int(math.Round(out.AtS * take.Rate))
	end := len(take.Samples)
	for _, t := range take.Taps {
		if t.Onset <= at+1 && t.End > at {
			end = t.End
		}
	}
	tap := capture.Tap{Onset: at, End: end}
	take.Taps = []capture.Tap{tap}
	heard := take.Decimate(workRate)
	seen := spectraOf(heard, SideTap, accepted(heard.Taps))
	seen.drawDecay(&out, *a.Taps[best].Ring, a.Ring.Fundamental)
	out.Spectrum, out.Floor = look(heard, timings[SideTap], seen.steady).draw()
	out.drawHeat(heard)
	out.drawClip(take)
	return out, true
}

// draw thins ring and noise to the highest point of each of drawPoints columns, as
// many in every octave.
func (v spectra) draw() (ring, floor []Point) {
	top := 0.0
	for k, p := range v.ring.p {
		if float64(k)*v.ring.perBin > lowestHz {
			top = max(top, p)
		}
	}
	db := func(p float64) float64 { return max(10*math.Log10(p/top+1e-30), drawLowest-20) }
	hz := func(k int) float64 { return float64(k) * v.ring.perBin }
	column := func(k int) int { return int(drawPoints * math.Log(hz(k)/drawFromHz) / math.Log(drawTopHz/drawFromHz)) }
	for k := int(math.Ceil(drawFromHz / v.ring.perBin)); k < len(v.ring.p) && hz(k) < drawTopHz; {
		best, c := k, column(k)
		for ; k < len(v.ring.p) && column(k) == c; k++ {
			if v.ring.p[k] > v.ring.p[best] {
				best = k
			}
		}
		ring = append(ring, Point{hz(best), db(v.ring.p[best])})
		floor = append(floor, Point{hz(best), db(v.noise.p[best])})
	}
	return ring, floor
}

// hush takes lines that sound on for ever out of a band in which a ring at hz falls with
// tau.
func (b band) hush(lines []float64, hz, tau float64) {
	parts := []complex128{complex(-1/tau, 2*math.Pi*(hz-b.centre))}
	for _, h := range lines {
		if d := math.Abs(h - hz); d < skirtHz*b.width && d*b.ring > 2 { // one nearer can't be told from the ring
			parts = append(parts, complex(0, 2*math.Pi*(h-b.centre)))
		}
	}
	at := func(part complex128, i int) complex128 {
		return cmplx.Exp(part * complex(float64(i)/b.rate-b.lead, 0))
	}
	from, to := int((b.lead+edgeS/b.width)*b.rate), min(int((b.lead+b.ring)*b.rate), len(b.y))
	rest, size := slices.Clone(b.y), make([]complex128, len(parts))
	for range 10 { // one after the other, until all agree: their least squares
		for k, part := range parts {
			var dot complex128
			norm := 0.0
			for i := from; i < to; i++ {
				e := at(part, i)
				dot += cmplx.Conj(e) * rest[i]
				norm += sq(e)
			}
			step := dot / complex(norm, 0)
			size[k] += step
			for i := from; i < to; i++ {
				rest[i] -= step * at(part, i)
			}
		}
	}
	for i := range b.y {
		for k, part := range parts[1:] {
			b.y[i] -= size[k+1] * at(part, i)
		}
	}
}

// drawDecay follows the level of the fundamental and the line that was fitted to it.
func (a tapSpectra) drawDecay(out *Portrait, tap Ring, f Partial) {
	if !f.Q.Known() || tap.FundamentalFrom != "peak" {
		return
	}
	b := a.rings[0].zoom(f.Hz.X)
	smooth := int(drawStepS * 2 * b.rate)
	b.hush(a.hum, f.Hz.X, f.TauS.X)
	var level []float64
	for i := range b.y {
		t := float64(i)/b.rate - b.lead
		if t > min(b.ring, drawDecayTo) {
			break
		}
		sum, n := 0.0, 0
		for j := max(i-smooth/2, 0); j <= min(i+smooth/2, len(b.y)-1); j++ {
			sum += sq(b.y[j])
			n++
		}
		level = append(level, sum/float64(n))
		out.Decay = append(out.Decay, Point{t, 0})
	}
	// The fitted amplitude: what the tap's own SNR says over the noise in the octave.
	octave := f.Hz.X * (math.Sqrt2 - 1/math.Sqrt2)
	noise := a.noise.mean(f.Hz.X/math.Sqrt2, f.Hz.X*math.Sqrt2) * octave
	power := noise * math.Pow(10, tap.SNRDB.X/10)
	ref := 2 * power // |y|^2 = A^2 = twice the power
	for i := range out.Decay {
		out.Decay[i].Y = max(10*math.Log10(level[i]/ref+1e-30), -100)
	}
	last := out.Decay[len(out.Decay)-1].X
	slope := -20 * math.Log10(math.E) / f.TauS.X
	out.Fit = []Point{{0, 0}, {last, slope * last}}
	out.FloorDB = 10 * math.Log10(2*noise/octave*2*(flatHz+skirtHz)/2/ref+1e-30)
}

// drawHeat takes short-time spectra from just before the strike on.
func (out *Portrait) drawHeat(take capture.Take) {
	rate, tap := take.Rate, take.Taps[0]
	frame := int(heatFrameS * rate)
	w := hann(frame)
	var frames []stretch
	for t := -heatStepS; t < 1.5; t += heatStepS {
		from := tap.Onset + int(t*rate) - frame/2
		if from+frame > tap.End {
			break
		}
		if from >= 0 {
			frames = append(frames, stretch{x: take.Samples[from : from+frame], w: w})
		}
	}
	out.HeatS = heatStepS
	out.HeatHz = 20
	cols := int(heatTopHz / out.HeatHz)
	top := 0.0
	for _, d := range densities(powerOfTwo(frame), rate, frames...) {
		row := make([]float32, cols)
		for c := range row {
			p := d.mean(float64(c)*out.HeatHz, float64(c+1)*out.HeatHz)
			top = max(top, p)
			row[c] = float32(10 * math.Log10(p+1e-30))
		}
		out.Heat = append(out.Heat, row)
	}
	ref := float32(10 * math.Log10(top+1e-30))
	for _, row := range out.Heat {
		for c := range row {
			row[c] = max(row[c]-ref, drawLowest)
		}
	}
}

// drawClip cuts the tap to listen to, at a lower rate, faded out, at half of full scale.
func (out *Portrait) drawClip(take capture.Take) {
	tap := take.Taps[0]
	from := max(tap.Onset-int(0.05*take.Rate), 0)
	to := min(tap.End, tap.Onset+int(clipS*take.Rate))
	out.Clip, out.ClipRate = dsp.Decimate(take.Samples[from:to], take.Rate, clipRate)
	peak := 1e-12
	for _, v := range out.Clip {
		peak = max(peak, math.Abs(v))
	}
	fade := min(int(0.05*out.ClipRate), len(out.Clip))
	for i := range out.Clip {
		out.Clip[i] *= 0.5 / peak
		if left := len(out.Clip) - i; left < fade {
			out.Clip[i] *= float64(left) / float64(fade)
		}
	}
}
