package wood

import (
	"math"

	"ringstock/spectrum/bar"
	"ringstock/spectrum/measure"
)

// The dimensions of a blank.
const (
	length = iota
	height
	width
	tipHeight
	tipWidth
	headLength
	headHeight
	dimensions
)

var dimensionNames = [dimensions]string{"length", "height", "width", "tip height", "tip width", "head length", "head height"}

// blank is what is known of a blank's form, in metres.
type blank struct {
	shape bar.Shape
	size  [dimensions]float64 // NaN where not known
	u     [dimensions]float64
}

// SharedCalliper is the part of the variance of every calliper reading that is one error
// common to all of them (zero point, jaw wear, the user's grip); the rest differs from
// place to place. An assumption: with it, two faces correlate with r = 0.15.
const SharedCalliper = 0.15

// calliper tells whether a dimension is taken with the calliper; lengths are taken with a
// rule.
func calliper(d int) bool { return d != length && d != headLength }

func newBlank(r Readings) blank {
	b := blank{shape: bar.Rectangular}
	switch r.Shape {
	case Octagonal:
		b.shape = bar.Octagonal
	case Round:
		b.shape = bar.Round
	}
	for d, v := range [dimensions]measure.Value{r.LengthMM, r.HeightMM, r.WidthMM, r.TipHeightMM, r.TipWidthMM, r.HeadLengthMM, r.HeadHeightMM} {
		b.size[d] = math.NaN()
		// From a tenth of a millimetre to ten metres, and known to better than a half:
		// anything else says nothing about a blank.
		if v.Known() && v.X > 0.1 && v.X < 1e4 && v.U < v.X/2 {
			b.size[d], b.u[d] = v.X/1000, v.U/1000
		}
	}
	// Dimensions noted without an uncertainty of their own were read with the same rule
	// and calliper as the others.
	for d := range b.u {
		if b.known(d) && b.u[d] == 0 {
			switch d {
			case headLength:
				b.u[d] = b.u[length]
			case tipHeight, tipWidth, headHeight:
				b.u[d] = max(b.u[height], b.u[width])
			}
		}
	}
	return b
}

func (b blank) known(d int) bool { return !math.IsNaN(b.size[d]) }

// hasHead and tapered tell which columns beyond a plain bar were filled in.
func (b blank) hasHead() bool { return b.known(headLength) || b.known(headHeight) }
func (b blank) tapered() bool { return b.known(tipHeight) || b.known(tipWidth) }

// lacks names what is missing for the vibration of one kind, or "".
func (b blank) lacks(k bar.Kind) string {
	need := func(ds ...int) string {
		for _, d := range ds {
			if !b.known(d) {
				return dimensionNames[d]
			}
		}
		return ""
	}
	uneven := b.hasHead() || b.tapered()
	ds := []int{length}
	switch {
	case k == bar.Longitudinal && !uneven:
	case k == bar.BendingHeight && !b.known(tipWidth):
		ds = append(ds, height)
	case k == bar.BendingWidth && !uneven && b.shape == bar.Rectangular:
		ds = append(ds, width)
	default:
		ds = append(ds, height)
		if b.shape == bar.Rectangular {
			ds = append(ds, width)
		}
	}
	if b.hasHead() {
		ds = append(ds, headLength, headHeight)
	}
	return need(ds...)
}

// lacksVolume names what is missing for the volume, or "".
func (b blank) lacksVolume() string { return b.lacks(bar.Torsion) }

// bar is the blank as a bar, butt first. Dimensions that lacks() does not ask for get a
// value that no result depends on.
func (b blank) bar() bar.Bar {
	h, w := b.size[height], b.size[width]
	if !b.known(height) {
		h = w
	}
	if !b.known(height) && !b.known(width) {
		h = b.size[length] / 50
	}
	if !b.known(width) {
		w = h
	}
	th, tw := b.size[tipHeight], b.size[tipWidth]
	if !b.known(tipHeight) {
		th = h
	}
	if !b.known(tipWidth) {
		tw = w
		if b.shape != bar.Rectangular {
			tw = th * w / h
		}
	}
	butt := bar.Section{Shape: b.shape, Height: h, Width: w}
	tip := bar.Section{Shape: b.shape, Height: th, Width: tw}
	l := b.size[length]
	if !b.hasHead() {
		return bar.Bar{Stations: []bar.Station{{X: 0, Section: butt}, {X: l, Section: tip}}}
	}
	// The taper ends, and the tip is measured, where the block begins. The
	// block is square-cut.
	neck := l - b.size[headLength]
	head := bar.Section{Shape: bar.Rectangular, Height: b.size[headHeight], Width: tw}
	return bar.Bar{Stations: []bar.Station{
		{X: 0, Section: butt}, {X: neck, Section: tip}, {X: neck, Section: head}, {X: l, Section: head},
	}}
}

// with is the blank with one dimension changed by dx metres.
func (b blank) with(d int, dx float64) blank {
	b.size[d] += dx
	return b
}

// slope is the derivative of ln f by each known dimension, 1/m, for any f of the bar.
func (b blank) slope(f func(bar.Bar) float64) (s [dimensions]float64) {
	for d := range s {
		if b.known(d) {
			dx := 1e-4 * b.size[d]
			s[d] = math.Log(f(b.with(d, dx).bar())/f(b.with(d, -dx).bar())) / (2 * dx)
		}
	}
	return s
}
