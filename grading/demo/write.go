package demo

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"

	"golang.org/x/sync/errgroup"

	"ringstock/capture/wavfile"
)

const readme = `This delivery is invented.

The blanks, their measurements, lots, suppliers and prices were made up by a
program, and the recordings were computed: nobody tapped anything. They are here
to show what a delivery folder looks like and how it is graded.

delivery.csv   one row per blank: measurements and recordings
D01.wav ...    taps on a face, bending in the plane of the height
D01-width.wav  the same on the other face
D01-end.wav    taps on the end grain
`

// Write makes the folder dir, with the recordings and delivery.csv of invented blanks. It
// refuses a folder in which something else lies.
func Write(dir string, blanks []Blank) error {
	if err := claim(dir); err != nil {
		return err
	}
	var jobs errgroup.Group
	jobs.SetLimit(runtime.GOMAXPROCS(0))
	for _, b := range blanks {
		jobs.Go(func() error {
			for _, plane := range b.Planes {
				r := b.Recording(plane)
				if err := wavfile.Save(filepath.Join(dir, r.Source), r, r.Bits); err != nil {
					return fmt.Errorf("writing the demo delivery: %w", err)
				}
			}
			return nil
		})
	}
	if err := jobs.Wait(); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "delivery.csv"), table(blanks), 0o666); err != nil {
		return fmt.Errorf("writing the demo delivery: %w", err)
	}
	return nil
}

// claim makes dir ours: new, empty, or holding an earlier demo delivery.
func claim(dir string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("making a folder for the demo delivery: %w", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("making a folder for the demo delivery: %w", err)
	}
	mark := filepath.Join(dir, "README.txt")
	if len(entries) > 0 {
		if text, err := os.ReadFile(mark); err != nil || string(text) != readme {
			return fmt.Errorf("%s is not empty and holds no demo delivery; name a new folder", dir)
		}
		return nil
	}
	if err := os.WriteFile(mark, []byte(readme), 0o666); err != nil {
		return errors.Join(errors.New("making a folder for the demo delivery"), err)
	}
	return nil
}

// table is delivery.csv.
func table(blanks []Blank) []byte {
	number := func(v float64) string {
		if v == 0 {
			return ""
		}
		return strconv.FormatFloat(math.Round(100*v)/100, 'f', -1, 64)
	}
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	rows := [][]string{{
		"blank", "file", "width_file", "end_file",
		"length_mm", "height_mm", "width_mm", "head_length_mm", "head_height_mm", "tip_height_mm", "tip_width_mm",
		"shape", "mass_g", "moisture_pct", "temperature_c", "humidity_pct",
		"length_u_mm", "height_u_mm", "width_u_mm", "mass_u_g", "moisture_u_pct",
		"species", "price", "currency", "supplier", "lot", "maker_grade", "note",
	}}
	for k, b := range blanks {
		var files [3]string
		for _, plane := range b.Planes {
			files[plane] = b.Number + plane.suffix() + ".wav"
		}
		lot := string(rune('A' + 2*k/len(blanks)))
		r := b.Readings
		rows = append(rows, []string{
			b.Number, files[Height], files[Width], files[End],
			number(r.LengthMM), number(r.HeightMM), number(r.WidthMM), number(r.HeadLengthMM), number(r.HeadHeightMM),
			number(r.TipHeightMM), number(r.TipWidthMM),
			string(b.Body.Shape), number(r.MassG), number(r.MoisturePct), number(r.TemperatureC), number(r.HumidityPct),
			"0.5", "0.03", "0.03", "0.1", "0.5",
			"demo wood (invented)", number(b.Price), "EUR", "demo supplier " + lot + " (invented)", "DEMO-" + lot + " (invented)",
			b.Grade, "invented demo data",
		})
	}
	if err := w.WriteAll(rows); err != nil {
		panic("demo: writing to memory failed: " + err.Error())
	}
	return text.Bytes()
}
