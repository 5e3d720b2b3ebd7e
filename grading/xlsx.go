package grading

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
)

// SpreadsheetName is the table of a delivery as a spreadsheet, read where
// there is no TableName.
const SpreadsheetName = "delivery.xlsx"

// How much a spreadsheet may unfold to: a hundred times what a table of a
// thousand blanks takes.
const (
	unzippedLimit = 128 << 20 // bytes
	sheetLimit    = 32 << 20
)

// spreadsheetText is the sheet of an XLSX file that has a column blank, else the first,
// as the text of a delivery.csv with the same rows. Numbers come as they are stored,
// whatever the cell shows.
func spreadsheetText(file []byte) ([]byte, error) {
	f, err := excelize.OpenReader(bytes.NewReader(file), excelize.Options{
		RawCellValue: true, UnzipSizeLimit: unzippedLimit, UnzipXMLSizeLimit: sheetLimit})
	if err != nil {
		return nil, fmt.Errorf("this is no XLSX file that can be read (%w): save the table as CSV UTF-8", err)
	}
	defer f.Close()
	sheets := f.GetSheetList()
	if len(sheets) == 0 {
		return nil, errors.New("the spreadsheet has no sheet")
	}
	var first []byte
	for _, name := range sheets {
		text, named, err := sheetText(f, name)
		if err != nil {
			return nil, err
		}
		if named {
			return text, nil
		}
		if first == nil {
			first = text
		}
	}
	return first, nil
}

// sheetText writes a sheet as text; named tells whether its first row that is not empty
// names a column blank.
func sheetText(f *excelize.File, name string) (text []byte, named bool, err error) {
	rows, err := f.Rows(name)
	if err != nil {
		return nil, false, fmt.Errorf("sheet %s: %w", name, err)
	}
	defer rows.Close()
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	width := 0
	for rows.Next() {
		cells, err := rows.Columns()
		if err != nil {
			return nil, false, fmt.Errorf("sheet %s: %w", name, err)
		}
		for i, c := range cells {
			cells[i] = storedNumber(strings.Join(strings.Fields(c), " ")) // a line of text for each row keeps their numbers
		}
		if empty := !slices.ContainsFunc(cells, func(c string) bool { return c != "" }); empty {
			cells = []string{""}
		} else if width == 0 {
			width = len(cells)
			named = slices.ContainsFunc(cells, func(c string) bool { return strings.EqualFold(c, "blank") })
		} else {
			for len(cells) < width {
				cells = append(cells, "")
			}
		}
		if err := w.Write(cells); err != nil {
			return nil, false, err
		}
		w.Flush()
		if out.Len() > tableLimit {
			return nil, false, fmt.Errorf("the table is larger than %d MB: is it the right file?", tableLimit>>20)
		}
	}
	w.Flush()
	return out.Bytes(), named, w.Error()
}

// storedNumber takes from a number the dust of binary arithmetic that files keep:
// 14.100000000000001 was typed as 14.1.
func storedNumber(text string) string {
	if len(text) < 12 {
		return text
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !onePointForm.MatchString(text) && !strings.ContainsAny(text, "eE") {
		return text
	}
	return strconv.FormatFloat(x, 'g', 12, 64)
}
