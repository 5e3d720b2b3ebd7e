package grading

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// table reads rows of a delivery.csv one by one.
type table struct {
	file        string // its name
	instruments Instruments
	csv         *csv.Reader
	comma       rune
	header      []string // in small letters
	written     []string // as it was written
}

// badRow is an error about a row as a whole.
type badRow struct {
	row int
	why string
}

func (b badRow) Error() string { return fmt.Sprintf("row %d%s", b.row, b.why) }

var utf8BOM = []byte("\xef\xbb\xbf")

func newTable(text []byte) (*table, error) {
	text = bytes.TrimPrefix(text, utf8BOM)
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, errors.New("the table is empty: its first row names the columns, one of them is blank")
	}
	if !utf8.Valid(text) || bytes.IndexByte(text, 0) >= 0 {
		return nil, errors.New("the text is not UTF-8: save the table as \"CSV UTF-8\"")
	}
	// Old spreadsheets end rows by a carriage return alone.
	if bytes.IndexByte(text, '\n') < 0 {
		text = bytes.ReplaceAll(text, []byte("\r"), []byte("\n"))
	}
	head, _, _ := bytes.Cut(bytes.TrimLeft(text, "\r\n,;\t\" "), []byte("\n"))
	t := &table{csv: csv.NewReader(bytes.NewReader(text)), comma: ','}
	switch {
	case bytes.IndexByte(head, ';') >= 0:
		t.comma = ';'
	case bytes.IndexByte(head, '\t') >= 0 && bytes.IndexByte(head, ',') < 0:
		t.comma = '\t'
	}
	t.csv.Comma = t.comma
	t.csv.FieldsPerRecord = -1
	header, err := t.csv.Read()
	for err == nil && strings.TrimSpace(strings.Join(header, "")) == "" { // rows left empty above the table
		header, err = t.csv.Read()
	}
	if err != nil {
		return nil, fmt.Errorf("the header row can't be read: %w", plainCSV(err))
	}
	place := map[string]int{}
	for i, h := range header {
		name := strings.ToLower(strings.TrimSpace(h))
		if first, doubled := place[name]; doubled && name != "" {
			return nil, fmt.Errorf("the header names the column %s twice, as columns %d and %d: rename or remove one", name, first, i+1)
		}
		place[name] = i + 1
		t.header, t.written = append(t.header, name), append(t.written, strings.TrimSpace(h))
	}
	if place["blank"] == 0 {
		hint := "name the column with the numbers of the blanks blank, and separate columns by , or ;"
		for _, h := range t.written {
			if suggest(h) == "blank" {
				hint = fmt.Sprintf("if %q holds the numbers of the blanks, write blank there", h)
				break
			}
		}
		return nil, fmt.Errorf("there is no column blank: the header row names %s; %s", strings.Join(t.header, ", "), hint)
	}
	return t, nil
}

// next returns the number of the next row as a spreadsheet shows it, and its cells
// that are not empty, by column. With an error about a row come those of its cells that
// can still be told apart.
func (t *table) next() (row int, cells map[string]string, err error) {
	for {
		fields, err := t.csv.Read()
		if err == io.EOF {
			return 0, nil, io.EOF
		}
		if err != nil {
			return 0, nil, plainCSV(err)
		}
		row, _ = t.csv.FieldPos(0)
		cells = map[string]string{}
		var problem error
		last := 0
		for i, f := range fields {
			if f = strings.TrimFunc(f, unicode.IsSpace); f == "" {
				continue
			}
			last = i + 1
			if strings.ContainsFunc(f, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
				problem = badRow{row, fmt.Sprintf(", column %d: holds a control character: type the cell anew", i+1)}
				continue
			}
			if i < len(t.header) {
				name := t.header[i]
				if name == "" {
					name = fmt.Sprintf("column %d", i+1)
				}
				cells[name] = f
			}
		}
		if last == 0 {
			continue
		}
		if len(fields) < len(t.header) || last > len(t.header) {
			hint := "compare it with the header"
			if last > len(t.header) && t.comma == ',' {
				hint = "write decimals with a point, or separate columns by ;"
			} else if len(fields) == 1 {
				hint = fmt.Sprintf("separate its columns by %c as in the header", t.comma)
			}
			return row, t.before(cells, len(fields)), badRow{row, fmt.Sprintf(": has %d cells, the header has %d: %s", len(fields), len(t.header), hint)}
		}
		return row, cells, problem
	}
}

func plainCSV(err error) error {
	var at *csv.ParseError
	if errors.As(err, &at) {
		if at.Line == at.StartLine {
			return badRow{at.StartLine, ": a quotation mark is out of place: put quotation marks round whole cells, and double those inside"}
		}
		return fmt.Errorf("rows %d to %d: a quotation mark is out of place: put quotation marks round whole cells, and double those inside", at.StartLine, at.Line)
	}
	return err
}

// before keeps of a row with a wrong number of cells what comes before its first number:
// a comma inside a number splits it, and from there on no cell is in its place.
func (t *table) before(cells map[string]string, n int) map[string]string {
	if n == 1 && len(t.header) > 1 {
		return nil // separated by something else
	}
	kept := map[string]string{}
	for _, h := range t.header {
		if _, number := rangeOf(h); number {
			break
		}
		if text, ok := cells[h]; ok {
			kept[h] = text
		}
	}
	return kept
}
