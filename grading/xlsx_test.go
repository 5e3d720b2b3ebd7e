package grading

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/xuri/excelize/v2"
)

// spreadsheet writes rows into the second sheet of a file, below an empty row.
func xlsxFile(t testing.TB, rows [][]any) []byte {
	t.Helper()
	f := excelize.NewFile()
	if _, err := f.NewSheet("blanks"); err != nil {
		t.Fatal(err)
	}
	for i, row := range rows {
		if err := f.SetSheetRow("blanks", fmt.Sprintf("A%d", i+2), &row); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	if err := f.Write(&out); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A spreadsheet is read like a table; a bad cell is told by the row that the spreadsheet
// shows.
func TestSpreadsheet(t *testing.T) {
	file := xlsxFile(t, [][]any{
		{"blank", "file", "length_mm", "height_mm", "mass_g", "note", "price"},
		{"A1", "a.wav|b.wav", 750.5, 0.1 + 14.0, "151,8", "rough\nbark", 45},
		{},
		{"A2", "c.wav", 748, "14x", 150.25, "", nil},
	})
	d, err := ReadDelivery(fstest.MapFS{"Delivery.xlsx": {Data: file}, "a.wav": {}})
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Rows) != 2 || !d.Listed {
		t.Fatalf("%+v", d)
	}
	a := d.Rows[0]
	if a.Blank != "A1" || len(a.File) != 2 || a.LengthMM.X != 750.5 || a.HeightMM.X != 14.1 || a.MassG.X != 151.8 || a.Note != "rough bark" || *a.Price != 45 {
		t.Errorf("%+v", a)
	}
	if len(d.Unused) != 1 || d.Unused[0].File != "Delivery.xlsx" || d.Unused[0].Row != 5 || d.Unused[0].Column != "height_mm" {
		t.Errorf("%+v", d.Unused)
	}
	d, err = ReadDelivery(fstest.MapFS{SpreadsheetName: {Data: file}, TableName: {Data: []byte("blank\nB1\n")}})
	if err != nil || d.Rows[0].Blank != "B1" || !strings.Contains(strings.Join(d.Notes, ""), "delivery.xlsx was not read") {
		t.Errorf("%+v, %v", d, err)
	}
	if _, err := ReadDelivery(fstest.MapFS{SpreadsheetName: {Data: []byte("no spreadsheet")}}); err == nil || !strings.Contains(err.Error(), "save the table as CSV") {
		t.Error(err)
	}
}

// The same spreadsheet, saved by LibreOffice as CSV in three dialects and anew as XLSX,
// in a German and in an English locale, gives the same delivery.
func TestLibreOffice(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Skip("soffice (LibreOffice) is not installed")
	}
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("RINGSTOCK_SLOW is not set: LibreOffice takes half a minute")
	}
	source := xlsxFile(t, [][]any{
		{"blank", "file", "length_mm", "height_mm", "mass_g", "moisture_pct", "note"},
		{"A1", "a.wav", 750.5, 14.05, 1151.25, 9.5, "grün, \"rau\"; neu"},
		{"A2", "b.wav", 748, 13.9, 150, nil, "=1+1"},
	})
	read := func(t *testing.T, folder fs.FS) Delivery {
		t.Helper()
		d, err := ReadDelivery(folder)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	want := read(t, fstest.MapFS{SpreadsheetName: {Data: source}})
	if len(want.Rows) != 2 || len(want.Unused) > 0 {
		t.Fatalf("%+v", want)
	}
	dir := t.TempDir()
	from := filepath.Join(dir, "source.xlsx")
	if err := os.WriteFile(from, source, 0o644); err != nil {
		t.Fatal(err)
	}
	// Separator, quotation mark, character set (76: UTF-8), first line, column
	// formats, language, quote all texts, numbers as shown; and which sheet (-1: all,
	// each a file of its own).
	for _, language := range []string{"1031", "1033"} { // German, English
		for name, c := range map[string]string{
			"semicolons": "csv:Text - txt - csv (StarCalc):59,34,76,1,," + language + ",false,true,false,false,false,-1",
			"commas":     "csv:Text - txt - csv (StarCalc):44,34,76,1,," + language + ",true,true,false,false,false,-1",
			"tabs":       "csv:Text - txt - csv (StarCalc):9,34,76,1,," + language + ",false,true,false,false,false,-1",
			"xlsx":       "xlsx",
		} {
			t.Run(language+" "+name, func(t *testing.T) {
				out := t.TempDir()
				cmd := exec.CommandContext(t.Context(), office, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless", "--convert-to", c, "--outdir", out, from)
				if text, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, text)
				}
				saved, name := filepath.Join(out, "source.xlsx"), SpreadsheetName
				if c != "xlsx" {
					saved, name = filepath.Join(out, "source-blanks.csv"), TableName
				}
				text, err := os.ReadFile(saved)
				if err != nil {
					t.Fatal(err)
				}
				got := read(t, fstest.MapFS{name: {Data: text}})
				if !reflect.DeepEqual(got.Rows, want.Rows) {
					t.Errorf("%s\n%+v\nwant\n%+v", text, got.Rows, want.Rows)
				}
				if len(got.Unused) > 0 || len(got.Notes) > 0 {
					t.Errorf("%+v %q", got.Unused, got.Notes)
				}
			})
		}
	}
}
