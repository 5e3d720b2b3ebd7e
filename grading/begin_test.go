package grading

import (
	"io/fs"
	"testing"
	"testing/fstest"

	"ringstock/grading/spreadsheet"
)

func TestBegin(t *testing.T) {
	folder := fstest.MapFS{"A10.wav": {}, "A2-01.wav": {}, "A2-02.wav": {}, "A2-width-01.wav": {}, "A2-end.flac": {}, "notes.txt": {}, "12-3.wav": {}}
	entries, err := fs.ReadDir(folder, ".")
	if err != nil {
		t.Fatal(err)
	}
	a, err := Begin(entries, spreadsheet.Dialect{})
	if err != nil {
		t.Fatal(err)
	}
	const want = `blank,file,width_file,end_file,length_mm,height_mm,width_mm,mass_g,moisture_pct,temperature_c,humidity_pct,species,price,currency,note
12-3,12-3.wav,,,,,,,,,,,,,
A2,A2-01.wav|A2-02.wav,A2-width-01.wav,A2-end.flac,,,,,,,,,,,
A10,A10.wav,,,,,,,,,,,,,
`
	if got := string(a.Text()); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
}
