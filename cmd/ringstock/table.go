package main

import (
	"cmp"
	"encoding/json"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"ringstock/spectrum/measure"
)

const pageWidth = 100 // columns of a terminal that every table fits into

// textTable sets cells in columns: the first ones flush left, the others so that their ±
// stand under each other. Texts may stand under each row.
type textTable struct {
	head  [][]string
	left  int // so many columns are flush left
	cut   int // the column whose texts are cut if the page is too narrow
	width int // of the page; pageWidth if 0
	rows  [][]string
	under [][]string // texts under each row
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
	widths := t.widths()
	page := cmp.Or(t.width, pageWidth)
	over := length(indent) - 2 - page
	for _, w := range widths {
		over += w.all + 2
	}
	if over > 0 {
		for _, row := range t.rows {
			row[t.cut] = shorten(row[t.cut], max(widths[t.cut].all-over, 4))
		}
		widths = t.widths()
	}
	line := func(cells []string, place func(string, width) string) {
		text := indent
		for i, c := range cells {
			if i >= t.left {
				c = place(c, widths[i])
				c = spaces(widths[i].all-length(c)) + c
			}
			text += c + spaces(widths[i].all-length(c)+2)
		}
		out.WriteString(strings.TrimRight(text, " ") + "\n")
	}
	for _, row := range t.head {
		line(row, func(c string, _ width) string { return c })
	}
	for n, row := range t.rows {
		line(row, func(c string, w width) string {
			number, _, _ := strings.Cut(c, "±")
			return c + spaces(w.u-(length(c)-length(number)))
		})
		for _, text := range t.under[n] {
			wrapAt(out, page, indent+"    ", text)
		}
	}
}

// width is that of a column, of its numbers, and of what follows them.
type width struct{ all, number, u int }

func (t *textTable) widths() []width {
	widths := make([]width, len(t.head[0]))
	for _, row := range t.rows {
		for i, c := range row {
			number, _, _ := strings.Cut(c, "±")
			w := &widths[i]
			w.number = max(w.number, length(number))
			w.u = max(w.u, length(c)-length(number))
		}
	}
	for i := range widths {
		widths[i].all = widths[i].number + widths[i].u
		for _, row := range t.head {
			widths[i].all = max(widths[i].all, length(row[i]))
		}
	}
	return widths
}

func length(s string) int { return utf8.RuneCountInString(s) }

func spaces(n int) string { return strings.Repeat(" ", max(n, 0)) }

// glued stands for a blank at which no line ends.
const glued = "\u2060"

// wrap writes a text in lines no wider than a page, all but the first further indented.
func wrap(out *strings.Builder, indent, text string) { wrapAt(out, pageWidth, indent, text) }

// wrapAt does so in lines of another width.
func wrapAt(out *strings.Builder, columns int, indent, text string) {
	line := indent
	width := length(indent)
	empty := true
	for word := range strings.FieldsSeq(strings.ReplaceAll(text, " %", glued+"%")) {
		word = strings.ReplaceAll(word, glued, " ")
		n := length(word)
		if !empty && width+1+n > columns {
			out.WriteString(line + "\n")
			line, width, empty = indent+"  ", length(indent)+2, true
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
	if length(s) <= n {
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
