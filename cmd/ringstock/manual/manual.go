// Package manual holds the pages that explain ringstock, written once in Markdown, and
// shows them on a terminal, in a browser, and as man pages.
package manual

import (
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/renderer/html"
)

//go:embed pages/*.md
var pages embed.FS

// Topic is one page of the manual.
type Topic struct {
	Name  string // as it is asked for, one word
	Title string // its heading
	Text  string // Markdown, heading included
}

// order is that of a newcomer's way: from the first recording to the finished stick.
var order = []string{
	"start", "recording", "microphone", "listening", "page", "delivery", "numbers", "words",
	"stock", "sticks", "files", "method", "accuracy", "cautions", "changes",
}

// Topics lists the pages in the order of a newcomer's way.
func Topics() []Topic {
	topics := make([]Topic, len(order))
	for i, name := range order {
		text, err := fs.ReadFile(pages, "pages/"+name+".md")
		if err != nil {
			panic("manual: " + err.Error()) // embedded, so this is a mistake in order
		}
		title, _, _ := strings.Cut(string(text), "\n")
		topics[i] = Topic{Name: name, Title: strings.TrimPrefix(title, "# "), Text: string(text)}
	}
	return topics
}

// Find returns the page of a topic.
func Find(name string) (Topic, bool) {
	for _, t := range Topics() {
		if strings.EqualFold(t.Name, name) {
			return t, true
		}
	}
	return Topic{}, false
}

// markdown is CommonMark with tables; raw HTML in it is left out.
var markdown = goldmark.New(goldmark.WithExtensions(extension.Table), goldmark.WithRendererOptions(html.WithXHTML()))

// HTML renders the page as the content of a document's body.
func (t Topic) HTML() (string, error) {
	var b bytes.Buffer
	if err := markdown.Convert([]byte(t.Text), &b); err != nil {
		return "", fmt.Errorf("manual page %s: %w", t.Name, err)
	}
	return b.String(), nil
}

// Word says what one number means, its range and its source.
type Word struct {
	Name string
	Text Topic // of this word alone
}

// Words are the numbers explained on the page words, in its order.
func Words() (list []Word) {
	page, _ := Find("words")
	for _, part := range strings.Split(page.Text, "\n## ")[1:] {
		name, text, _ := strings.Cut(part, "\n")
		list = append(list, Word{name, Topic{Name: name, Title: name, Text: strings.TrimSpace(text)}})
	}
	return list
}
