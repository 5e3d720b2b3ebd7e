package main

import (
	"image"
	"image/png"
	"math"
	"os"

	"github.com/rogpeppe/go-internal/testscript"
)

// scan FILE draws a pencil line of 260 mm with 6 mm of camber, 5 pixels a millimetre,
// from x = 100 to 1400.
func scan(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: scan file.png")
	}
	img := image.NewGray(image.Rect(0, 0, 1500, 260))
	for i := range img.Pix {
		x, y := float64(i%img.Stride), float64(i/img.Stride)
		u := (x - 100) / 1300
		img.Pix[i] = uint8(220 + i*7%5)
		if d := math.Abs(y - 130 - 30*4*u*(1-u)); u >= 0 && u <= 1 && d < 2.5 {
			img.Pix[i] -= uint8(110 * min(2.5-d, 1))
		}
	}
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Check(png.Encode(f, img))
	ts.Check(f.Close())
}
