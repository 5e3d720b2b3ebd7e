package stock

import (
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"

	"github.com/boombuler/barcode/qr"
	"golang.org/x/sync/errgroup"
)

// Sheet is how labels are laid out on A4 paper.
type Sheet struct {
	Columns, Rows int
	Skip          int // labels already gone from the first page
}

// A4Labels is 24 labels of 70 x 37 mm, a size sold everywhere.
var A4Labels = Sheet{Columns: 3, Rows: 8}

//go:embed labels.html
var labelsHTML string

var labelsPage = template.Must(template.New("labels").Parse(labelsHTML))

type label struct {
	Blank
	Empty   bool
	Figures []string
	Code    template.HTMLAttr // the QR code as an SVG path
	Size    int               // its width in modules, with the quiet zone
}

// Labels writes a page to print: for each stick its number, key figures, and its id
// as a QR code (ISO/IEC 18004) with the quiet zone of four modules that readers need.
func Labels(w io.Writer, blanks []Blank, sheet Sheet) error {
	if sheet.Columns < 1 || sheet.Rows < 1 || sheet.Columns > 5 || sheet.Rows > 16 || sheet.Skip < 0 || sheet.Skip >= sheet.Columns*sheet.Rows {
		return errors.New("a sheet has 1 to 5 columns and 1 to 16 rows, and fewer labels left out than it holds")
	}
	labels := make([]label, sheet.Skip+len(blanks))
	for i := range sheet.Skip {
		labels[i].Empty = true
	}
	var drawing errgroup.Group // codes take most of the time
	const atOnce = 500
	for from := 0; from < len(blanks); from += atOnce {
		drawing.Go(func() (err error) {
			for i := from; i < min(from+atOnce, len(blanks)); i++ {
				if labels[sheet.Skip+i], err = labelOf(blanks[i]); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := drawing.Wait(); err != nil {
		return err
	}
	var pages [][]label
	for per := sheet.Columns * sheet.Rows; len(labels) > 0; {
		n := min(per, len(labels))
		pages, labels = append(pages, labels[:n]), labels[n:]
	}
	return labelsPage.Execute(w, struct {
		Sheet
		Width, Height float64 // mm
		Pages         [][]label
	}{sheet, 210 / float64(sheet.Columns), 296 / float64(sheet.Rows), pages})
}

func labelOf(b Blank) (label, error) {
	path, size, err := qrPath(b.ID)
	if err != nil {
		return label{}, fmt.Errorf("stick %s: no QR code: %w", b.Blank, err)
	}
	return label{Blank: b, Code: template.HTMLAttr(`d="` + path + `"`), Size: size, Figures: []string{
		"density " + known(b.Density, "kg/m³"), "E/ρ " + known(b.SpecificModulus, "MJ/kg"), "Q " + known(b.Q, ""), "score " + known(b.Score, ""),
	}}, nil
}

// qrPath draws the dark modules row by row, one horizontal bar for each run.
func qrPath(text string) (path string, size int, err error) {
	const quiet = 4
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return "", 0, err
	}
	var d strings.Builder
	n := code.Bounds().Dx()
	dark := func(x, y int) bool {
		if x >= n {
			return false
		}
		r, _, _, _ := code.At(x, y).RGBA()
		return r < 0x8000
	}
	for y := range n {
		for x := 0; x < n; x++ {
			from := x
			for dark(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&d, "M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
			}
		}
	}
	return d.String(), n + 2*quiet, nil
}
