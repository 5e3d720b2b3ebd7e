package trace

import (
	"image"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// scan is an invented sheet with a traced line, and how it was made.
type scan struct {
	img    *image.Gray
	o      Options
	length float64
	camber func(at float64) float64 // mm over the line through the ends
}

// invent draws a line of known camber at 200 dpi on grey paper with noise: turned, where
// there are four marks also in perspective, with folds, shade and, in every other one, a
// second line that is fainter.
func invent(seed uint64) scan {
	rng := rand.New(rand.NewPCG(seed, 9))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	const dpmm = 200 / 25.4
	const wide, high = 720.0, 64.0 // mm of paper
	length := between(600, 690)
	u0, y0, tilt := between(12, 20), between(12, 20), between(-0.015, 0.015)
	depth, skew := between(8, 19), between(-0.4, 0.6)
	shape := func(t float64) float64 {
		return 4 * depth * t * (1 - t) * (1 + skew*(t-0.5)) * (1 + 0.03*math.Sin(7*t))
	}
	line := func(u float64) float64 { t := (u - u0) / length; return y0 + tilt*(u-u0) + shape(t) }
	pencil, pressure, noise := between(0.35, 0.7), between(45, 110), between(3, 9)

	four := seed%2 == 0
	angle := between(-0.03, 0.03)
	wpx, hpx := int(math.Round(wide*dpmm)), int((high+wide*math.Abs(math.Sin(angle)))*dpmm)
	// From paper to picture: a turn about the middle and a scale, with four marks
	// also a view aslant.
	var aslant [2]float64
	if four {
		aslant = [2]float64{between(-6e-5, 6e-5), between(-4e-4, 4e-4)}
	}
	sin, cos := math.Sincos(angle)
	toPixel := func(u, v float64) (x, y float64) {
		du, dv := u-wide/2, v-high/2
		w := 1 + aslant[0]*du + aslant[1]*dv
		return float64(wpx)/2 + dpmm*(cos*du-sin*dv)/w, float64(hpx)/2 + dpmm*(sin*du+cos*dv)/w
	}
	toPaper := func(x, y float64) (u, v float64) {
		a, b := (x-float64(wpx)/2)/dpmm, (y-float64(hpx)/2)/dpmm
		a, b = cos*a+sin*b, -sin*a+cos*b
		w := 1 / (1 - aslant[0]*a - aslant[1]*b)
		return a*w + wide/2, b*w + high/2
	}
	folds := []float64{between(100, 300), between(350, 600)}
	second := func(u float64) float64 { return math.NaN() }
	if seed%4 < 2 {
		at, turn, from, to := between(30, 55), between(-0.03, 0.03), between(20, 200), between(450, 700)
		second = func(u float64) float64 {
			if u < from || u > to {
				return math.NaN()
			}
			return at + turn*(u-360)
		}
	}
	// The pencil's pressure and place waver.
	waver := make([]float64, 2*int(wide)+2)
	press := make([]float64, len(waver))
	for i := range waver {
		waver[i], press[i] = 0.05*rng.NormFloat64(), 0.8+0.4*rng.Float64()
	}
	stroke := func(v, at, width, dark float64) float64 {
		d := (v - at) / width
		return dark * math.Exp(-2*d*d)
	}
	img := image.NewGray(image.Rect(0, 0, wpx, hpx))
	for y := range hpx {
		for x := range wpx {
			u, v := toPaper(float64(x)+0.5, float64(y)+0.5)
			grey := 228 + 8*math.Sin(u/190) - 6*v/high
			k := min(max(int(2*u), 0), len(waver)-1)
			if u >= u0 && u <= u0+length {
				grey -= stroke(v, line(u)+waver[k], pencil, pressure*press[k])
			}
			if at := second(u); !math.IsNaN(at) {
				grey -= stroke(v, at, pencil, 0.45*pressure*press[k])
			}
			for _, f := range folds {
				grey -= stroke(u, f, 0.8, 35) - stroke(u, f+1.6, 0.8, 12)
			}
			grey -= stroke(v, high/2+3, 2.5, 12) // a fold along the paper
			img.Pix[y*img.Stride+x] = uint8(min(max(grey+noise*rng.NormFloat64(), 0), 255))
		}
	}
	o := Options{DistanceMM: 660, AcrossMM: 50}
	corners := [][2]float64{{30, 7}, {690, 7}, {690, 57}, {30, 57}}
	if !four {
		corners = corners[:2]
	}
	for _, c := range corners {
		x, y := toPixel(c[0], c[1])
		o.Marks = append(o.Marks, Pixel{math.Round(x), math.Round(y)}) // clicked on a pixel
	}
	chord := func(t float64) float64 { return line(u0) + t*(line(u0+length)-line(u0)) }
	flat := length / math.Cos(math.Atan((line(u0+length)-line(u0))/length))
	return scan{img, o, flat, func(at float64) float64 {
		t := at / flat
		return (line(u0+t*length) - chord(t)) * length / flat
	}}
}

// On twenty invented scans the camber is within 0.15 mm rms of the truth, and
// its uncertainty tells.
func TestInventedScans(t *testing.T) {
	var square, scaled, n float64
	scans := uint64(3)
	if os.Getenv("RINGSTOCK_SLOW") != "" {
		scans = 20
	}
	for seed := range scans {
		s := invent(seed)
		got, err := Find(s.img, s.o)
		if err != nil {
			t.Errorf("scan %d: %v", seed, err)
			continue
		}
		sum, within, readings := 0.0, 0.0, 0.0
		for _, r := range got.Readings[1 : len(got.Readings)-1] {
			e := r.CamberMM.X - s.camber(r.AtMM)
			sum += e * e
			scaled += sq(e / r.CamberMM.U)
			readings++
			if math.Abs(e) < 2*r.CamberMM.U {
				within++
			}
		}
		square, n = square+sum, n+readings
		t.Logf("scan %d: %.3f mm rms, %.0f %% within 2 u (%.3f mm), length %+.2f mm, %v", seed, math.Sqrt(sum/readings), 100*within/readings, got.Readings[5].CamberMM.U, got.LengthMM-s.length, got.Questions)
		if math.Sqrt(sum/readings) > 0.15 {
			t.Errorf("scan %d: the camber is off by %.2f mm rms", seed, math.Sqrt(sum/readings))
		}
		if math.Abs(got.LengthMM-s.length) > 3 {
			t.Errorf("scan %d: %.1f mm long, truly %.1f mm", seed, got.LengthMM, s.length)
		}
	}
	t.Logf("all: %.3f mm rms, errors %.2f of their uncertainty", math.Sqrt(square/n), math.Sqrt(scaled/n))
	if ratio := math.Sqrt(scaled / n); ratio < 0.5 || ratio > 1.5 {
		t.Errorf("errors are %.2f of the stated uncertainty", ratio)
	}
}

// A line corrected by hand gives the same camber; turned round, it starts at the other
// end.
func TestFromLine(t *testing.T) {
	s := invent(3)
	found, err := Find(s.img, s.o)
	if err != nil {
		t.Fatal(err)
	}
	again, err := FromLine(found.Line, s.o)
	if err != nil {
		t.Fatal(err)
	}
	s.o.ButtRight = true
	round, err := FromLine(found.Line, s.o)
	if err != nil {
		t.Fatal(err)
	}
	n := len(found.Readings)
	for i, r := range found.Readings {
		if d := again.Readings[i].CamberMM.X - r.CamberMM.X; math.Abs(d) > 1e-4 {
			t.Errorf("at %g mm: %g mm off", r.AtMM, d)
		}
		if d := round.Readings[n-1-i].CamberMM.X - r.CamberMM.X; math.Abs(d) > 0.01 {
			t.Errorf("turned round, at %g mm: %g mm off", r.AtMM, d)
		}
	}
}

// What can't be a tracing is told.
func TestBadTracings(t *testing.T) {
	paper := image.NewGray(image.Rect(0, 0, 800, 400))
	for i := range paper.Pix {
		paper.Pix[i] = 220
	}
	two := []Pixel{{50, 50}, {750, 50}}
	for _, c := range []struct {
		o    Options
		want string
	}{
		{Options{Marks: two}, "give --scale-mm"},
		{Options{Marks: two[:1], DistanceMM: 100}, "1 marks: give two, or the four"},
		{Options{Marks: []Pixel{{5, 5}, {5, 5}}, DistanceMM: 100}, "pixels apart"},
		{Options{Marks: append(two, two...), DistanceMM: 100}, "give its other side by --across-mm"},
		{Options{Marks: append(two, two...), DistanceMM: 100, AcrossMM: 50}, "rectangle"},
		{Options{Marks: two, DistanceMM: 200}, "no line was found"},
		{Options{Marks: two, DistanceMM: 200, Through: []Pixel{{5000, 10}}}, "outside the picture"},
		{Options{Marks: two, DistanceMM: math.NaN()}, "give --scale-mm"},
	} {
		if _, err := Find(paper, c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
}

// Two lines as dark as each other: a second one is asked about, and a place on one
// of them chooses it.
func TestSecondLine(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 1500, 300))
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range img.Pix {
		x, y := float64(i%img.Stride), float64(i/img.Stride)
		grey := 225 + 4*rng.NormFloat64()
		for _, bulge := range []float64{30, -25} {
			u := (x - 100) / 1300
			if d := math.Abs(y - 150 - bulge - bulge*4*u*(1-u)); u >= 0 && u <= 1 && d < 2 {
				grey -= 90
			}
		}
		img.Pix[i] = uint8(min(max(grey, 0), 255))
	}
	o := Options{Marks: []Pixel{{100, 20}, {1400, 20}}, DistanceMM: 260}
	got, err := Find(img, o)
	if err != nil || len(got.Questions) != 1 || !strings.Contains(got.Questions[0], "a second line") {
		t.Fatalf("%v, asked %q", err, got.Questions)
	}
	for _, c := range []struct{ y, depth float64 }{{210, 6}, {100, 5}} {
		o.Through = []Pixel{{750, c.y}}
		got, err := Find(img, o)
		if err != nil || len(got.Questions) > 0 {
			t.Fatalf("%v, asked %q", err, got.Questions)
		}
		deepest := 0.0
		for _, r := range got.Readings {
			deepest = max(deepest, r.CamberMM.X)
		}
		if math.Abs(deepest-c.depth) > 0.15 {
			t.Errorf("the line through y %g is %.2f mm deep, want %g", c.y, deepest, c.depth)
		}
	}
}
