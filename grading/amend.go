package grading

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Amended is the text of a delivery.csv that is being added to. What is not touched stays as it
// is: the order of rows and columns, columns that the program doesn't know, and the
// separator.
type Amended struct {
	comma  rune
	header []string
	rows   [][]string
}

// Amend begins with the text of a delivery.csv; without any, with an empty table.
func Amend(text []byte) (*Amended, error) {
	if len(bytes.TrimSpace(bytes.TrimPrefix(text, utf8BOM))) == 0 {
		return &Amended{comma: ',', header: []string{"blank", "file", "width_file", "end_file",
			"length_mm", "height_mm", "width_mm", "mass_g", "temperature_c", "humidity_pct", "note"}}, nil
	}
	t, err := newTable(text)
	if err != nil {
		return nil, err
	}
	a := &Amended{comma: t.comma, header: t.header}
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			return a, nil
		}
		if err != nil {
			return nil, plainCSV(err)
		}
		for len(row) < len(a.header) {
			row = append(row, "")
		}
		a.rows = append(a.rows, row)
	}
}

// Blanks are the numbers in the table, in its order.
func (a *Amended) Blanks() (list []string) {
	at := slices.Index(a.header, "blank")
	for _, r := range a.rows {
		if b := strings.TrimSpace(r[at]); b != "" && !slices.Contains(list, b) {
			list = append(list, b)
		}
	}
	return list
}

// Set writes a cell of a blank, in its first row. Unknown blanks and columns are added.
func (a *Amended) Set(blank, column, text string) {
	*a.cell(blank, column) = text
}

// SetNumber writes a number with the decimal sign that goes with the separator.
func (a *Amended) SetNumber(blank, column string, x float64) {
	text := fmt.Sprintf("%.10g", x)
	if a.comma == ';' {
		text = strings.Replace(text, ".", ",", 1)
	}
	a.Set(blank, column, text)
}

// AddFile names a recording of a blank, if none of its rows does yet.
func (a *Amended) AddFile(blank, column, name string) {
	for _, r := range a.rowsOf(blank) {
		if slices.Contains(a.files(r, column), name) {
			return
		}
	}
	c := a.cell(blank, column)
	if *c != "" {
		*c += "|"
	}
	*c += name
}

// Files are the recordings that the rows of a blank name in a column.
func (a *Amended) Files(blank, column string) (names []string) {
	for _, r := range a.rowsOf(blank) {
		names = append(names, a.files(r, column)...)
	}
	return names
}

// RemoveFile takes the name of a recording away.
func (a *Amended) RemoveFile(blank, column, name string) {
	for _, r := range a.rowsOf(blank) {
		if list := a.files(r, column); slices.Contains(list, name) {
			list = slices.DeleteFunc(list, func(f string) bool { return f == name })
			r[slices.Index(a.header, column)] = strings.Join(list, "|")
		}
	}
}

// Text is the table as it is to be saved.
func (a *Amended) Text() []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Comma = a.comma
	if err := w.WriteAll(append([][]string{a.header}, a.rows...)); err != nil {
		panic("grading: writing to memory failed: " + err.Error())
	}
	return b.Bytes()
}

func (a *Amended) rowsOf(blank string) (rows [][]string) {
	at := slices.Index(a.header, "blank")
	for _, r := range a.rows {
		if strings.TrimSpace(r[at]) == blank {
			rows = append(rows, r)
		}
	}
	return rows
}

func (a *Amended) files(row []string, column string) (names []string) {
	at := slices.Index(a.header, column)
	if at < 0 {
		return nil
	}
	for _, f := range strings.FieldsFunc(row[at], func(x rune) bool { return x == '|' || x == ';' && a.comma == ',' }) {
		names = append(names, strings.TrimSpace(f))
	}
	return names
}

func (a *Amended) cell(blank, column string) *string {
	at := slices.Index(a.header, column)
	if at < 0 {
		at = len(a.header)
		a.header = append(a.header, column)
		for i := range a.rows {
			for len(a.rows[i]) <= at {
				a.rows[i] = append(a.rows[i], "")
			}
		}
	}
	rows := a.rowsOf(blank)
	if len(rows) == 0 {
		row := make([]string, len(a.header))
		row[slices.Index(a.header, "blank")] = blank
		a.rows = append(a.rows, row)
		rows = [][]string{row}
	}
	return &rows[0][at]
}
