package capture

import (
	"math"
	"slices"
)

// clipLimits are the thresholds of the search for clipped samples, in full scale.
var clipLimits = struct{ Full, NearTop, Quietest float64 }{
	Full:     0.999, // a converter's end: 24 bits and any rounding reach it
	NearTop:  0.97,  // of the recording's greatest magnitude: where an amplifier's flat tops lie
	Quietest: 0.05,  // a recording that stays below was not clipped
}

const (
	clipFull    = 2 // samples in a row at full scale that are clipped: one alone can be chance
	clipFlat    = 3 // equal samples in a row that are a flat top,
	clipTops    = 2 // so many of which, or one
	clipLongest = 6 // of this length, are clipped: one short run may be chance
)

// clippedSamples finds samples at which the converter or an amplifier was at its end:
// two or more in a row at full scale, or flat tops at the recording's own maximum.
// They come in order.
func clippedSamples(x []float64) []int {
	tops, top := blockPeaks(x)
	var out, flat []int
	tiers, longest := 0, 0
	least := max(min(clipLimits.NearTop*top, clipLimits.Full), clipLimits.Quietest)
	for i := 0; i < len(x); {
		if tops[i/peakBlock] < least {
			i = (i/peakBlock + 1) * peakBlock
			continue
		}
		if a := math.Abs(x[i]); a < least {
			i++
			continue
		}
		full := math.Abs(x[i]) >= clipLimits.Full
		j := run(x, i, full)
		switch {
		case full && j-i >= clipFull:
			out = appendSpan(out, i, j)
		case !full && j-i >= clipFlat:
			flat = appendSpan(flat, i, j)
			tiers++
			longest = max(longest, j-i)
		}
		i = j
	}
	if tiers >= clipTops || longest >= clipLongest {
		out = append(out, flat...)
		slices.Sort(out)
	}
	return out
}

// run is one past the last sample of a row that begins at i: at full scale on the
// same side, or equal.
func run(x []float64, i int, full bool) int {
	j := i + 1
	for j < len(x) && (x[j] == x[i] || full && math.Abs(x[j]) >= clipLimits.Full && (x[j] > 0) == (x[i] > 0)) {
		j++
	}
	return j
}

func appendSpan(list []int, from, to int) []int {
	for k := from; k < to; k++ {
		list = append(list, k)
	}
	return list
}

// peakBlock is a number of samples: few blocks need a look at every one.
const peakBlock = 256

// blockPeaks are the greatest magnitudes of blocks of samples, and the greatest of them.
func blockPeaks(x []float64) (peaks []float64, top float64) {
	// Without its sign a number is the greater the greater its bits are as a whole
	// number, and whole numbers are compared without a branch. NaN can't come
	// here: readers refuse it.
	const magnitude = 1<<63 - 1
	peaks = make([]float64, 0, len(x)/peakBlock+1)
	for len(x) > 0 {
		n := min(peakBlock, len(x))
		var a, b, c, d uint64
		for len(x) >= 4 && n >= 4 {
			a, b = max(a, math.Float64bits(x[0])&magnitude), max(b, math.Float64bits(x[1])&magnitude)
			c, d = max(c, math.Float64bits(x[2])&magnitude), max(d, math.Float64bits(x[3])&magnitude)
			x, n = x[4:], n-4
		}
		for _, v := range x[:n] {
			a = max(a, math.Float64bits(v)&magnitude)
		}
		x = x[n:]
		peak := math.Float64frombits(max(a, b, c, d))
		peaks, top = append(peaks, peak), max(top, peak)
	}
	return peaks, top
}
