package manual

import (
	"fmt"
	"strings"
	"time"
)

// manColumns is what a page of man has on a terminal of 80 columns, behind its indent.
const manColumns = 72

// Man renders the page for man(7), section 7. Its lines are those of Terminal, since wide
// tables would run off the screen there.
func (t Topic) Man(date time.Time) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH RINGSTOCK-%s 7 \"%s\" ringstock ringstock\n.SH NAME\nringstock\\-%s \\- %s\n.SH DESCRIPTION\n.nf\n",
		strings.ToUpper(t.Name), date.Format("Jan 2006"), t.Name, roff(t.Title))
	lines := strings.Split(t.Terminal(manColumns), "\n")
	for i := 2; i < len(lines); i++ { // the title is the name
		if i+1 < len(lines) && lines[i] != "" && strings.Trim(lines[i+1], "-") == "" && len(lines[i+1]) > 2 {
			fmt.Fprintf(&b, ".fi\n.SH %s\n.nf\n", roff(strings.ToUpper(lines[i])))
			i++
			continue
		}
		b.WriteString(roff(lines[i]) + "\n")
	}
	return b.String() + ".fi\n"
}

// roff makes a line of plain text of it, whatever it begins with.
func roff(line string) string {
	line = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(line)
	if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
		line = `\&` + line
	}
	return line
}
