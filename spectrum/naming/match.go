package naming

// Match pairs places with lines, both in rising order of frequency, such that the sum of gains is greatest: every line has one
// place at most, every place one line, and no two pairs cross (for places of one width a crossing can't gain). A gain
// that is not positive forbids the pair. It returns the line of each place, or -1.
//
// All are paired at once, so that no mode loses its line to a neighbour that could have had another.
func Match(places, lines int, gain func(place, line int) float64) []int {
	best := make([][]float64, places+1) // best[p][l]: of the first p places and the first l lines
	for p := range best {
		best[p] = make([]float64, lines+1)
	}
	for p := 1; p <= places; p++ {
		for l := 1; l <= lines; l++ {
			best[p][l] = max(best[p-1][l], best[p][l-1])
			if g := gain(p-1, l-1); g > 0 {
				best[p][l] = max(best[p][l], best[p-1][l-1]+g)
			}
		}
	}
	out := make([]int, places)
	for p, l := places, lines; p > 0; {
		switch {
		case best[p][l] == best[p-1][l]:
			p--
			out[p] = -1
		case best[p][l] == best[p][l-1]:
			l--
		default:
			p, l = p-1, l-1
			out[p] = l
		}
	}
	return out
}
