// Package spreadsheet writes tables that a spreadsheet opens: CSV in the dialect of the
// maker's country, in which no text is ever run as a formula.
package spreadsheet

import (
	"encoding/csv"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
)

// Dialect is how a table is written. The zero value is that of RFC 4180 with decimal
// points.
type Dialect struct {
	Separator    rune // 0 is a comma
	DecimalComma bool
	BOM          bool // a byte order mark first, by which some spreadsheets know UTF-8
}

// Comma is the separator in force.
func (d Dialect) Comma() rune {
	if d.Separator == 0 {
		return ','
	}
	return d.Separator
}

// Number is a number as it is to be written, with a decimal point; empty
// where none is known.
type Number string

// Writer writes a table row by row.
type Writer struct {
	dialect Dialect
	csv     *csv.Writer
	w       io.Writer
	begun   bool
}

// NewWriter writes to w.
func NewWriter(w io.Writer, d Dialect) *Writer {
	out := &Writer{dialect: d, csv: csv.NewWriter(w), w: w}
	out.csv.Comma = d.Comma()
	return out
}

// Row writes a row of texts (string), whole numbers (int) and numbers (Number). Texts are
// made harmless, numbers get their decimal mark.
func (w *Writer) Row(cells ...any) error {
	if !w.begun && w.dialect.BOM {
		if _, err := io.WriteString(w.w, "\ufeff"); err != nil {
			return err
		}
	}
	w.begun = true
	row := make([]string, len(cells))
	for i, c := range cells {
		switch c := c.(type) {
		case string:
			row[i] = Text(c)
		case int:
			row[i] = strconv.Itoa(c)
		case Number:
			row[i] = string(c)
			if w.dialect.DecimalComma {
				row[i] = strings.Replace(row[i], ".", ",", 1)
			}
		default:
			panic(fmt.Sprintf("spreadsheet: a cell of type %T", c))
		}
	}
	return w.csv.Write(row)
}

// Flush writes what waits; it returns the first error of all writing.
func (w *Writer) Flush() error {
	w.csv.Flush()
	return w.csv.Error()
}

var (
	plainNumber = regexp.MustCompile(`^[+-]?[0-9]+([.,][0-9]+)?$`)
	formulaHead = regexp.MustCompile(`^[\s"]*[=+\-@＝＋－＠\t\r]`)
	// A spreadsheet that takes another mark for the separator splits a text there.
	formulaInside = regexp.MustCompile("([;,|\t\r\n][ \"']*)([=@＝＠]|[+\\-＋－][A-Za-z(])")
)

// Text keeps a spreadsheet from taking a text for a formula, whatever it takes for the
// separator: an apostrophe before it marks it as text. A plain number stays one.
func Text(text string) string {
	if plainNumber.MatchString(text) {
		return text
	}
	text = formulaInside.ReplaceAllString(text, "$1'$2")
	if formulaHead.MatchString(text) {
		text = "'" + text
	}
	return text
}
