package manual

import (
	"io/fs"
	"strings"
	"testing"

	"github.com/charmbracelet/x/ansi"
)

// TestTopics: each page in the folder is a topic, has a title, and a caution
// says where to turn.
func TestTopics(t *testing.T) {
	files, err := fs.Glob(pages, "pages/*.md")
	if err != nil || len(files) != len(Topics()) {
		t.Fatalf("%d files, %d topics (%v)", len(files), len(Topics()), err)
	}
	for _, topic := range Topics() {
		if !strings.HasPrefix(topic.Text, "# "+topic.Title+"\n\n") || topic.Title == "" {
			t.Errorf("%s begins with no title", topic.Name)
		}
	}
	if _, ok := Find("NUMBERS"); !ok {
		t.Error("a topic is not found in capitals")
	}
	if _, ok := Find("nonsense"); ok {
		t.Error("a topic that is none is found")
	}
}

// TestTerminal: no line is longer than the terminal but those of code, no markup is left,
// and no word of the page is lost.
func TestTerminal(t *testing.T) {
	for _, topic := range Topics() {
		for _, width := range []int{60, 80, 200} {
			text := topic.Terminal(width)
			for line := range strings.Lines(text) {
				line = strings.TrimRight(line, "\n")
				if ansi.StringWidth(line) > width && !strings.HasPrefix(line, "    ") {
					t.Errorf("%s at %d columns: %q", topic.Name, width, line)
				}
				if strings.ContainsAny(line, "`|") || strings.Contains(line, "**") || strings.HasPrefix(line, "#") {
					t.Errorf("%s at %d columns has markup: %q", topic.Name, width, line)
				}
			}
			got := strings.Join(strings.FieldsFunc(text, notWord), "")
			for word := range strings.FieldsFuncSeq(topic.Text, notWord) {
				if !strings.Contains(got, word) {
					t.Errorf("%s at %d columns lost %q", topic.Name, width, word)
				}
			}
		}
	}
}

func notWord(r rune) bool { return strings.ContainsRune(" \n`|*#-=", r) }

func TestTerminalPage(t *testing.T) {
	page := Topic{Text: "# A page\n\nWords that\nare **wrapped** at `forty columns`, more or less.\n\n" +
		"- one item that is long enough to need two lines\n- two\n\n## Part\n\n```\na  line\n```\n\n| a | b |\n|---|---|\n| one | two words in a cell that is too wide |\n"}
	const want = `A page
======

Words that are wrapped at forty columns,
more or less.

- one item that is long enough to need
  two lines
- two

Part
----

    a  line

a    b
---  -----------------------------------
one  two words in a cell that is too
     wide
`
	if got := page.Terminal(40); got != want {
		t.Errorf("got:\n%s", got)
	}
}

// TestTerminalRecords: a table whose words don't fit side by side becomes a list a row,
// and no word is cut.
func TestTerminalRecords(t *testing.T) {
	page := Topic{Text: "# A page\n\n| place | temperature | precipitation | illumination |\n|---|---|---|---|\n" +
		"| cellar | low | none | 3 |\n| attic | high, and in summer higher still than that | none | 2 |\n"}
	const want = `A page
======

place: cellar
  temperature: low
  precipitation: none
  illumination: 3

place: attic
  temperature: high, and in summer
    higher still than that
  precipitation: none
  illumination: 2
`
	if got := page.Terminal(40); got != want {
		t.Errorf("got:\n%s", got)
	}
}

func TestHTML(t *testing.T) {
	for _, topic := range Topics() {
		page, err := topic.HTML()
		if err != nil || !strings.Contains(page, "<h1>") || strings.Contains(page, "<script") {
			t.Errorf("%s: %v\n%s", topic.Name, err, page)
		}
	}
}
