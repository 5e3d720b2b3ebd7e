package trace

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
)

// How the line is looked for, mm on the paper.
const (
	columnMM  = 1.0  // distance of the columns that the line is looked for in
	rowMM     = 0.1  // distance of the places across
	halfWidth = 0.4  // of a pencil line
	ringFrom  = 1.2  // the paper beside it, from so far
	ringTo    = 3.0  // to so far
	steepest  = 0.4  // slope of a line against the marks
	bendCost  = 0.15 // in units of noise, for a change of place by one row from column to column
	clearMM   = 4.0  // about the first line, before a second one is looked for
	rival     = 0.6  // share of the first line's darkness from which a second one is asked about
	seen      = 3.5  // darkness over noise that shows a line in the mean of a few columns
	gapMM     = 12.0 // a line may be interrupted by so much, as by a fold or a lifted pencil
	mostCells = 40e6 // columns times places across
)

// sheet is the picture seen as paper: darkness over its surroundings, in units of noise.
type sheet struct {
	paper
	grey       []float32
	w, h       int
	u0, v0     float64
	cols, rows int
}

func newSheet(img image.Image, p paper) sheet {
	b := img.Bounds()
	s := sheet{paper: p, w: b.Dx(), h: b.Dy(), grey: make([]float32, b.Dx()*b.Dy())}
	for y := range s.h {
		for x := range s.w {
			s.grey[y*s.w+x] = luminance(img, b.Min.X+x, b.Min.Y+y)
		}
	}
	// All of the picture, seen on the paper.
	lowU, highU, lowV, highV := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, c := range []Pixel{{0, 0}, {float64(s.w), 0}, {0, float64(s.h)}, {float64(s.w), float64(s.h)}} {
		u, v := p.mm(c)
		lowU, highU, lowV, highV = min(lowU, u), max(highU, u), min(lowV, v), max(highV, v)
	}
	s.u0, s.v0 = lowU, lowV
	s.cols, s.rows = int((highU-lowU)/columnMM), int((highV-lowV)/rowMM)
	return s
}

func luminance(img image.Image, x, y int) float32 {
	switch img := img.(type) {
	case *image.Gray:
		return float32(img.GrayAt(x, y).Y)
	case *image.YCbCr:
		return float32(img.Y[img.YOffset(x, y)])
	}
	return float32(color.GrayModel.Convert(img.At(x, y)).(color.Gray).Y)
}

// at is the brightness at a place of the picture, between its pixels
// straight; false = outside.
func (s sheet) at(p Pixel) (float64, bool) {
	x, y := p.X-0.5, p.Y-0.5 // a pixel's value is that of its middle
	i, j := int(math.Floor(x)), int(math.Floor(y))
	if i < 0 || j < 0 || i+1 >= s.w || j+1 >= s.h {
		return 0, false
	}
	fx, fy := x-float64(i), y-float64(j)
	q := s.grey[j*s.w+i:]
	r := s.grey[(j+1)*s.w+i:]
	return (1-fy)*((1-fx)*float64(q[0])+fx*float64(q[1])) + fy*((1-fx)*float64(r[0])+fx*float64(r[1])), true
}

// profile is the brightness across the paper at u, the mean over a column; NaN
// outside the picture.
func (s sheet) profile(u float64) []float64 {
	out := make([]float64, s.rows)
	const parts = 4
	for j := range out {
		v := s.v0 + (float64(j)+0.5)*rowMM
		var sum float64
		for k := range parts {
			x, ok := s.at(s.pixel(u+columnMM*((float64(k)+0.5)/parts-0.5), v))
			if !ok {
				sum = math.NaN()
				break
			}
			sum += x / parts
		}
		out[j] = sum
	}
	return out
}

// dark is how much darker each place of a profile is than the paper on both sides of it;
// NaN where the picture ends too near.
func dark(profile []float64) []float64 {
	n := len(profile)
	sum, bad := make([]float64, n+1), make([]int, n+1)
	for i, v := range profile {
		sum[i+1], bad[i+1] = sum[i], bad[i]
		if math.IsNaN(v) {
			bad[i+1]++
		} else {
			sum[i+1] += v
		}
	}
	mean := func(a, b int) (float64, bool) {
		if a < 0 || b > n || a >= b || bad[b] > bad[a] {
			return 0, false
		}
		return (sum[b] - sum[a]) / float64(b-a), true
	}
	half, from, to := rows(halfWidth), rows(ringFrom), rows(ringTo)
	out := make([]float64, n)
	for i := range out {
		over, ok1 := mean(i-to, i-from)
		under, ok2 := mean(i+from, i+to)
		core, ok3 := mean(i-half, i+half+1)
		out[i] = math.NaN()
		if ok1 && ok2 && ok3 {
			// Against the brighter side's lesser: an edge is dark against one side only.
			out[i] = min(over, under) - core
		}
	}
	return out
}

func rows(mm float64) int { return int(math.Round(mm / rowMM)) }

// line finds the darkest way along the paper, and asks where there is a second one.
func (s sheet) line(o Options) (l []spot, questions []string, err error) {
	if s.cols < fewest || s.rows < rows(2*ringTo) {
		return nil, nil, errors.New("the picture is smaller than a line and the paper about it: look at the marks and their distance")
	}
	if float64(s.cols)*float64(s.rows) > mostCells {
		return nil, nil, fmt.Errorf("by these marks the picture is %.0f by %.0f mm: look at the marks and their distance", float64(s.cols)*columnMM, float64(s.rows)*rowMM)
	}
	profiles, score, err := s.scores()
	if err != nil {
		return nil, nil, err
	}
	if err := s.restrict(score, o.Through); err != nil {
		return nil, nil, err
	}
	way, darkness := darkest(score)
	from, to := extent(score, way)
	if to-from < fewest {
		return nil, nil, errors.New("no line was found: is the pencil too faint, or are the marks wrong? Name a place on it by --through x,y")
	}
	for i := from; i <= to; i++ {
		if v, ok := centre(profiles[i], way[i]); ok {
			l = append(l, spot{s.u0 + (float64(i)+0.5)*columnMM, s.v0 + v*rowMM})
		}
	}
	// The outer columns reach half their width beyond their middles.
	if len(l) >= fewest {
		a, b := ends(l), ends(reversed(l))
		l = slices.Concat([]spot{a.by(-columnMM / 2)}, l, []spot{b.by(columnMM / 2)})
	}
	if len(o.Through) == 0 {
		questions = s.askSecond(score, way, darkness)
	}
	return l, questions, nil
}

// scores are the brightness across the paper in each column, and how much darker than its
// surroundings each place is, in units of noise.
func (s sheet) scores() (profiles, score [][]float64, err error) {
	profiles, score = make([][]float64, s.cols), make([][]float64, s.cols)
	var size []float64
	for i := range s.cols {
		profiles[i] = s.profile(s.u0 + (float64(i)+0.5)*columnMM)
		score[i] = dark(profiles[i])
		for j := 0; j < len(score[i]); j += 7 {
			if !math.IsNaN(score[i][j]) {
				size = append(size, math.Abs(score[i][j]))
			}
		}
	}
	if len(size) == 0 {
		return nil, nil, errors.New("nothing of the picture lies where the marks say: look at the marks")
	}
	slices.Sort(size)
	noise := max(size[len(size)/2]/0.6745, 0.3) // by the median: most of the paper is empty
	most := firm(score) / noise
	for i := range score {
		for j, v := range score[i] {
			if math.IsNaN(v) {
				v = 0
			}
			score[i][j] = min(max(v/noise, 0), most)
		}
	}
	return profiles, score, nil
}

// restrict forbids every way that does not pass the given places.
func (s sheet) restrict(score [][]float64, through []Pixel) error {
	const near = 1.5 // mm
	for _, p := range through {
		u, v := s.mm(p)
		i, at := int(math.Floor((u-s.u0)/columnMM)), int(math.Floor((v-s.v0)/rowMM))
		if i < 0 || i >= s.cols || at < 0 || at >= s.rows {
			return fmt.Errorf("the place %g,%g that the line shall pass is outside the picture", p.X, p.Y)
		}
		for j := range score[i] {
			if abs(j-at) > rows(near) {
				score[i][j] = -1e6
			}
		}
	}
	return nil
}

// askSecond asks where another line is nearly as dark as the one found.
func (s sheet) askSecond(score [][]float64, way []int, darkness float64) []string {
	for i := range score {
		for j := max(0, way[i]-rows(clearMM)); j < min(s.rows, way[i]+rows(clearMM)); j++ {
			score[i][j] = 0
		}
	}
	second, other := darkest(score)
	a, b := extent(score, second)
	if other <= rival*darkness || b-a <= fewest {
		return nil
	}
	middle := (a + b) / 2
	at := s.pixel(s.u0+(float64(middle)+0.5)*columnMM, s.v0+(float64(second[middle])+0.5)*rowMM)
	return []string{fmt.Sprintf("a second line, %.0f %% as dark over its length, passes %.0f,%.0f: is it the one? Then give --through %.0f,%.0f", 100*other/darkness, at.X, at.Y, at.X, at.Y)}
}

// firm is the darkness that a blot counts with at most: a little more than the darkest
// place of a middling column has.
func firm(score [][]float64) float64 {
	var high []float64
	for _, column := range score {
		most := 0.0
		for _, v := range column {
			if v > most { // false for what is outside
				most = v
			}
		}
		high = append(high, most)
	}
	slices.Sort(high)
	return 1.3 * high[len(high)/2]
}

// darkest is the way through all columns with the largest sum of darkness less what its
// bends cost (dynamic programming: R. Bellman; A. J. Viterbi, IEEE Trans. Inf. Theory 13
// (1967) 260, from memory).
func darkest(score [][]float64) (way []int, darkness float64) {
	n := len(score[0])
	reach := int(math.Ceil(steepest * columnMM / rowMM))
	total := slices.Clone(score[0])
	from := make([][]int16, len(score))
	next := make([]float64, n)
	for i := 1; i < len(score); i++ {
		from[i] = make([]int16, n)
		for j := range next {
			best, step := math.Inf(-1), 0
			for d := -reach; d <= reach; d++ {
				if k := j + d; k >= 0 && k < n {
					if v := total[k] - bendCost*float64(d*d)/float64(reach); v > best {
						best, step = v, d
					}
				}
			}
			next[j], from[i][j] = best+score[i][j], int16(step)
		}
		total, next = next, total
	}
	at := 0
	for j, v := range total {
		if v > total[at] {
			at = j
		}
	}
	darkness = total[at]
	way = make([]int, len(score))
	for i := len(score) - 1; ; i-- {
		way[i] = at
		if i == 0 {
			return way, darkness
		}
		at += int(from[i][at])
	}
}

// extent is from where to where a line is seen along a way.
func extent(score [][]float64, way []int) (from, to int) {
	const about = 2
	mean := make([]float64, len(way))
	for i := range way {
		n := 0.0
		for k := max(0, i-about); k <= min(len(way)-1, i+about); k++ {
			mean[i] += max(score[k][way[k]], 0)
			n++
		}
		mean[i] /= n
	}
	high := slices.Clone(mean)
	slices.Sort(high)
	limit := max(seen, 0.4*high[len(high)*3/4])
	best, start, last := 0, -1, -1
	for i, v := range mean {
		if v < limit {
			continue
		}
		if start < 0 || float64(i-last)*columnMM > gapMM {
			start = i
		}
		last = i
		if last-start > best {
			best, from, to = last-start, start, last
		}
	}
	return trim(score, way, from, to)
}

// trim takes off both ends what is less than half as dark as the line within.
func trim(score [][]float64, way []int, from, to int) (int, int) {
	const within = 12
	for range within {
		if to-from <= 2*within {
			break
		}
		usual := func(a int) float64 {
			var list []float64
			for i := a; i < a+within; i++ {
				list = append(list, score[i][way[i]])
			}
			slices.Sort(list)
			return list[within/2]
		}
		a, b := score[from][way[from]] < usual(from+1)/2, score[to][way[to]] < usual(to-within)/2
		if a {
			from++
		}
		if b {
			to--
		}
		if !a && !b {
			break
		}
	}
	return from, to
}

// centre is the middle of the darkness about a place, in rows.
func centre(profile []float64, at int) (float64, bool) {
	half, ring := rows(0.8), rows(ringTo)
	var paper []float64
	for j := at - ring; j <= at+ring; j++ {
		if j < 0 || j >= len(profile) || math.IsNaN(profile[j]) {
			return 0, false
		}
		if abs(j-at) > rows(ringFrom) {
			paper = append(paper, profile[j])
		}
	}
	slices.Sort(paper)
	white := paper[len(paper)/2]
	var sum, first float64
	for j := at - half; j <= at+half; j++ {
		if d := white - profile[j]; d > 0 {
			sum += d
			first += d * (float64(j) + 0.5)
		}
	}
	if sum == 0 {
		return 0, false
	}
	return first / sum, true
}

// by is a place further along a line of this slope.
func (e end) by(du float64) spot { return spot{e.u + du, e.v + du*e.slope} }

func abs(x int) int { return max(x, -x) }
