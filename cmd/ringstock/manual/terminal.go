package manual

import (
	"fmt"
	"strings"

	"github.com/charmbracelet/x/ansi"
	"github.com/yuin/goldmark/ast"
	tables "github.com/yuin/goldmark/extension/ast"
	"github.com/yuin/goldmark/text"
)

// Terminal renders the page as plain text, with lines of at most width columns. Code
// keeps its lines, however long.
func (t Topic) Terminal(width int) string {
	source := []byte(t.Text)
	p := printer{source: source, width: max(width, 40)}
	p.blocks(markdown.Parser().Parse(text.NewReader(source)), "")
	return strings.TrimLeft(p.out.String(), "\n")
}

type printer struct {
	source []byte
	width  int
	out    strings.Builder
}

// blocks prints the blocks inside parent, each behind an indent and after an empty line.
func (p *printer) blocks(parent ast.Node, indent string) {
	for n := parent.FirstChild(); n != nil; n = n.NextSibling() {
		switch n := n.(type) {
		case *ast.Heading:
			p.heading(n)
		case *ast.List:
			p.list(n, indent)
		case *ast.FencedCodeBlock:
			p.code(n.Lines(), indent)
		case *ast.CodeBlock:
			p.code(n.Lines(), indent)
		case *tables.Table:
			p.table(n, indent)
		default:
			p.out.WriteByte('\n')
			p.paragraph(p.inline(n), indent, indent)
		}
	}
}

func (p *printer) heading(n *ast.Heading) {
	title := p.inline(n)
	if n.Level == 1 {
		fmt.Fprintf(&p.out, "%s\n%s\n", title, strings.Repeat("=", ansi.StringWidth(title)))
		return
	}
	fmt.Fprintf(&p.out, "\n%s\n%s\n", title, strings.Repeat("-", ansi.StringWidth(title)))
}

func (p *printer) list(n *ast.List, indent string) {
	p.out.WriteByte('\n')
	number := n.Start
	for item := n.FirstChild(); item != nil; item = item.NextSibling() {
		mark := "- "
		if n.IsOrdered() {
			mark = fmt.Sprintf("%d. ", number)
			number++
		}
		hanging := indent + strings.Repeat(" ", len(mark))
		first := item.FirstChild()
		if first == nil {
			continue
		}
		p.paragraph(p.inline(first), indent+mark, hanging)
		item.RemoveChild(item, first)
		p.blocks(item, hanging)
	}
}

func (p *printer) code(lines *text.Segments, indent string) {
	p.out.WriteByte('\n')
	for i := range lines.Len() {
		line := lines.At(i)
		p.out.WriteString(strings.TrimRight(indent+"    "+string(line.Value(p.source)), " \n") + "\n")
	}
}

// paragraph wraps words; first stands before the first line, hanging before all others.
func (p *printer) paragraph(words, first, hanging string) {
	for i, line := range wrap(words, p.width-len(hanging)) {
		if i == 0 {
			p.out.WriteString(first + line + "\n")
		} else {
			p.out.WriteString(hanging + line + "\n")
		}
	}
}

// wrap breaks a text at its spaces only, so that --flags and 5-15 cm stay whole; a word
// that is wider than a line is cut.
func wrap(words string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(words) {
		if line != "" && ansi.StringWidth(line)+1+ansi.StringWidth(word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for ansi.StringWidth(word) > width {
			head := ansi.Truncate(word, width, "")
			lines = append(lines, head)
			word = word[len(head):]
		}
		line = word
	}
	return append(lines, line)
}

const columnGap = 2

// table prints the cells side by side, the widest columns wrapped. Where not even the
// longest words stand beside each other, each row becomes a list under its first cell.
func (p *printer) table(n *tables.Table, indent string) {
	var rows [][]string
	for row := n.FirstChild(); row != nil; row = row.NextSibling() {
		var cells []string
		for cell := row.FirstChild(); cell != nil; cell = cell.NextSibling() {
			cells = append(cells, p.inline(cell))
		}
		rows = append(rows, cells)
	}
	widths, least := make([]int, len(rows[0])), make([]int, len(rows[0]))
	room := p.width - len(indent) - columnGap*(len(widths)-1)
	for _, cells := range rows {
		for i, c := range cells {
			widths[i] = max(widths[i], ansi.StringWidth(c))
			for _, word := range strings.Fields(c) {
				least[i] = max(least[i], ansi.StringWidth(word))
			}
		}
	}
	p.out.WriteByte('\n')
	if total(least) > room {
		p.records(rows, indent)
		return
	}
	for total(widths) > room {
		widest := -1
		for i, w := range widths {
			if w > least[i] && (widest < 0 || w > widths[widest]) {
				widest = i
			}
		}
		widths[widest]--
	}
	for i, cells := range rows {
		p.row(cells, widths, indent)
		if i == 0 {
			rules := make([]string, len(widths))
			for j, w := range widths {
				rules[j] = strings.Repeat("-", w)
			}
			p.row(rules, widths, indent)
		}
	}
}

// records prints each row of a table as a list, its first cell as the list's head.
func (p *printer) records(rows [][]string, indent string) {
	for i, cells := range rows[1:] {
		if i > 0 {
			p.out.WriteByte('\n')
		}
		p.paragraph(rows[0][0]+": "+cells[0], indent, indent+"  ")
		for j, c := range cells[1:] {
			p.paragraph(rows[0][j+1]+": "+c, indent+"  ", indent+"    ")
		}
	}
}

func total(widths []int) (sum int) {
	for _, w := range widths {
		sum += w
	}
	return sum
}

func (p *printer) row(cells []string, widths []int, indent string) {
	wrapped, height := make([][]string, len(cells)), 1
	for i, c := range cells {
		wrapped[i] = wrap(c, widths[i])
		height = max(height, len(wrapped[i]))
	}
	for line := range height {
		var b strings.Builder
		b.WriteString(indent)
		for i := range cells {
			part := ""
			if line < len(wrapped[i]) {
				part = wrapped[i][line]
			}
			b.WriteString(part + strings.Repeat(" ", max(0, widths[i]-ansi.StringWidth(part))+columnGap))
		}
		p.out.WriteString(strings.TrimRight(b.String(), " ") + "\n")
	}
}

// inline is the text of a block without its markup; a soft break is a space.
func (p *printer) inline(n ast.Node) string {
	var b strings.Builder
	_ = ast.Walk(n, func(n ast.Node, entering bool) (ast.WalkStatus, error) { // returns what the function does: nil
		if !entering {
			return ast.WalkContinue, nil
		}
		switch n := n.(type) {
		case *ast.Text:
			b.Write(n.Value(p.source))
			if n.SoftLineBreak() || n.HardLineBreak() {
				b.WriteByte(' ')
			}
		case *ast.String:
			b.Write(n.Value)
		case *ast.AutoLink:
			b.Write(n.URL(p.source))
		}
		return ast.WalkContinue, nil
	})
	return b.String()
}
