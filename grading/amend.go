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

// Amended is the text of a delivery.csv that is being added to. What is not touched stays
// as it is, byte for byte: marks before the text, ends of lines, quotation marks, order
// and spelling of the columns, columns that the program doesn't know, and the separator.
type Amended struct {
	comma  rune
	before string   // the header: a byte order mark, empty lines
	header []string // in small letters
	head   []string // its cells as they are written
	end    string   // of a line
	headed string   // the end of the header's line
	rows   []amendedRow
	after  string // the rows: empty lines
}

// amendedRow is a row of the table, with its cells as they are written and as they are
// read.
type amendedRow struct {
	before  string // empty lines
	written []string
	cells   []string
	end     string // of its line; the last may have none
}

// Amend begins with the text of a delivery.csv; without any, with an empty table.
func Amend(text []byte) (*Amended, error) {
	if len(bytes.TrimSpace(bytes.TrimPrefix(text, utf8BOM))) == 0 {
		columns := []string{"blank", "file", "width_file", "end_file",
			"length_mm", "height_mm", "width_mm", "mass_g", "temperature_c", "humidity_pct", "note"}
		return &Amended{comma: ',', before: string(text[:len(text)-len(bytes.TrimPrefix(text, utf8BOM))]),
			header: columns, head: slices.Clone(columns), end: "\n", headed: "\n"}, nil
	}
	t, err := newTable(text)
	if err != nil {
		return nil, err
	}
	mark := len(text) - len(bytes.TrimPrefix(text, utf8BOM))
	raw := string(text[mark:])
	at := int(t.csv.InputOffset())
	head := splitRow(raw[:at], t.comma)
	a := &Amended{comma: t.comma, header: t.header, before: string(text[:mark]) + head.before, head: head.written, headed: head.end, end: head.end}
	if a.end == "" {
		a.end = "\n"
	}
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			a.after = raw[at:]
			return a, nil
		}
		if err != nil {
			return nil, plainCSV(err)
		}
		end := int(t.csv.InputOffset())
		r := splitRow(raw[at:end], t.comma)
		at, r.cells = end, row
		a.rows = append(a.rows, r)
	}
}

// splitRow takes a row of a table apart, quotation marks and all.
func splitRow(raw string, comma rune) (r amendedRow) {
	text := strings.TrimLeft(raw, "\r\n")
	r.before = raw[:len(raw)-len(text)]
	line := strings.TrimRight(text, "\r\n")
	r.end = text[len(line):]
	from, quoted := 0, false
	for i, c := range line {
		switch {
		case c == '"' && (quoted || i == from):
			quoted = !quoted // a doubled mark leaves and enters again
		case c == '"' && i > from && line[from] == '"' && line[i-1] == '"':
			quoted = true
		case c == comma && !quoted:
			r.written = append(r.written, line[from:i])
			from = i + 1
		}
	}
	r.written = append(r.written, line[from:])
	return r
}

// written is a cell as it is to be written.
func (a *Amended) written(text string) string {
	if text == "" {
		return ""
	}
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Comma = a.comma
	if err := w.Write([]string{text}); err != nil {
		panic("grading: writing to memory failed: " + err.Error())
	}
	w.Flush()
	return strings.TrimSuffix(b.String(), "\n")
}

// set writes a cell of a row.
func (a *Amended) set(r *amendedRow, column int, text string) {
	for len(r.cells) <= column {
		r.cells = append(r.cells, "")
	}
	for len(r.written) <= column {
		r.written = append(r.written, "")
	}
	if r.cells[column] != text {
		r.cells[column], r.written[column] = text, a.written(text)
	}
}

// of is a cell of a row; rows may be shorter than the header.
func (r amendedRow) of(column int) string {
	if column < 0 || column >= len(r.cells) {
		return ""
	}
	return r.cells[column]
}

// Blanks are the numbers in the table, in its order.
func (a *Amended) Blanks() (list []string) {
	at := slices.Index(a.header, "blank")
	for _, r := range a.rows {
		if b := strings.TrimSpace(r.of(at)); b != "" && !slices.Contains(list, b) {
			list = append(list, b)
		}
	}
	return list
}

// Set writes a cell of a blank, in its first row. Unknown blanks and columns are added.
func (a *Amended) Set(blank, column, text string) {
	r, at := a.cell(blank, column)
	a.set(r, at, text)
}

// Get is the text of a cell of a blank, in its first row; empty where there is none.
func (a *Amended) Get(blank, column string) string {
	at := slices.Index(a.header, column)
	if rows := a.rowsOf(blank); at >= 0 && len(rows) > 0 {
		if cells := rows[0].cells; at < len(cells) {
			return cells[at]
		}
	}
	return ""
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
	if slices.Contains(a.Files(blank, column), name) {
		return
	}
	r, at := a.cell(blank, column)
	if had := r.of(at); had != "" {
		name = had + "|" + name
	}
	a.set(r, at, name)
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
			a.set(r, slices.Index(a.header, column), strings.Join(list, "|"))
		}
	}
}

// Text is the table as it is to be saved.
func (a *Amended) Text() []byte {
	var b bytes.Buffer
	comma := string(a.comma)
	b.WriteString(a.before + strings.Join(a.head, comma))
	end := a.headed
	for _, r := range a.rows {
		if end == "" {
			end = a.end
		}
		b.WriteString(end + r.before + strings.Join(r.written, comma))
		end = r.end
	}
	b.WriteString(end + a.after)
	return b.Bytes()
}

func (a *Amended) rowsOf(blank string) (rows []*amendedRow) {
	at := slices.Index(a.header, "blank")
	for i := range a.rows {
		if strings.TrimSpace(a.rows[i].of(at)) == blank {
			rows = append(rows, &a.rows[i])
		}
	}
	return rows
}

func (a *Amended) files(r *amendedRow, column string) (names []string) {
	text := r.of(slices.Index(a.header, column))
	for _, f := range strings.FieldsFunc(text, func(x rune) bool { return x == '|' || x == ';' && a.comma == ',' }) {
		names = append(names, strings.TrimSpace(f))
	}
	return names
}

// cell is the first row of a blank, and the place of a column in it.
func (a *Amended) cell(blank, column string) (r *amendedRow, at int) {
	if at = slices.Index(a.header, column); at < 0 {
		at = len(a.header)
		for i := range a.rows { // a row as long as the header was stays as long as it is
			if r := &a.rows[i]; len(r.cells) == at {
				r.cells, r.written = append(r.cells, ""), append(r.written, "")
			}
		}
		a.header, a.head = append(a.header, column), append(a.head, column)
	}
	if rows := a.rowsOf(blank); len(rows) > 0 {
		for r := rows[0]; len(r.cells) < len(a.header); {
			r.cells, r.written = append(r.cells, ""), append(r.written, "")
		}
		return rows[0], at
	}
	row := amendedRow{end: a.end, cells: make([]string, len(a.header)), written: make([]string, len(a.header))}
	a.rows = append(a.rows, row)
	r = &a.rows[len(a.rows)-1]
	a.set(r, slices.Index(a.header, "blank"), blank)
	return r, at
}
