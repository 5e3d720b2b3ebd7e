package main

import (
	"encoding/json"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"ringstock/spectrum/measure"
)

const pageWidth = 100 // columns of a terminal that every table fits into

// textTable sets cells in columns; words may stand under each row.
type textTable struct {
	head  [][]string
	left  int // so many columns are flush left, the others flush right
	rows  [][]string
	under [][]string // lines under each row
}

func (t *textTable) add(cells ...string) {
	t.rows = append(t.rows, cells)
	t.under = append(t.under, nil)
}

// explain puts a text under the last row.
func (t *textTable) explain(text string) {
	t.under[len(t.under)-1] = append(t.under[len(t.under)-1], text)
}

func (t *textTable) write(out *strings.Builder, indent string) {
	all := append(append([][]string{}, t.head...), t.rows...)
	var widths []int
	for _, row := range all {
		for i, c := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
		}
	}
	for n, row := range all {
		line := indent
		for i, c := range row {
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(c))
			if i < t.left {
				line += c + pad
			} else {
				line += pad + c
			}
			line += "  "
		}
		out.WriteString(strings.TrimRight(line, " ") + "\n")
		if i := n - len(t.head); i >= 0 {
			for _, text := range t.under[i] {
				wrap(out, indent+"    ", text)
			}
		}
	}
}

// wrap writes a text in lines no wider than a page, all but the first further indented.
func wrap(out *strings.Builder, indent, text string) {
	line := indent
	width := utf8.RuneCountInString(indent)
	empty := true
	for word := range strings.FieldsSeq(text) {
		n := utf8.RuneCountInString(word)
		if !empty && width+1+n > pageWidth {
			out.WriteString(line + "\n")
			line, width, empty = indent+"  ", utf8.RuneCountInString(indent)+2, true
		}
		if !empty {
			line, width = line+" ", width+1
		}
		line, width, empty = line+word, width+n, false
	}
	out.WriteString(line + "\n")
}

// compact is a value for a narrow column; a dash if it is not known.
func compact(v measure.Value) string {
	if !v.Known() {
		return "-"
	}
	x, u := v.Rounded()
	if u == "" {
		return x
	}
	return x + "±" + u
}

// shorten cuts a text to n characters.
func shorten(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-1]) + "…"
}

// printable takes out of a text what could command a terminal: names come from files.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)) {
			return unicode.ReplacementChar
		}
		return r
	}, s)
}

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", " ")
	return enc.Encode(v)
}
