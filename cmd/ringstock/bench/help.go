package bench

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"regexp"
	"strings"
	"sync"

	"ringstock/cmd/ringstock/manual"
)

// word is what a "?" shows: a number's meaning, range and source, from the manual.
type word struct {
	ID, Name string
	HTML     template.HTML
}

// words are those of the manual.
var words = sync.OnceValue(func() (list []word) {
	for _, w := range manual.Words() {
		page, err := w.Text.HTML()
		if err != nil {
			panic("bench: " + err.Error()) // it is built in
		}
		list = append(list, word{wordID(w.Name), w.Name, template.HTML(page)}) // the manual renders no raw HTML
	}
	return list
})

var notInID = regexp.MustCompile(`[^a-z]+`)

func wordID(name string) string {
	return "word-" + notInID.ReplaceAllString(strings.ToLower(name), "-")
}

// helpID is the id of what is shown for a word, which must be one of the manual's.
func helpID(name string) (string, error) {
	id := wordID(name)
	for _, w := range words() {
		if w.ID == id {
			return id, nil
		}
	}
	return "", fmt.Errorf("the manual does not explain %q", name)
}

// wordsOf says which word of the manual explains a figure.
var wordsOf = map[string]string{"note": "note", "sustain Q": "sustain Q", "60 dB in": "rings", "purity": "purity", "density": "density", "E/ρ": "stiffness for weight", "score": "score", "mass": "mass"}

// manual shows a page of the manual, or the list of its pages.
func (s *Server) manual(w http.ResponseWriter, r *http.Request) {
	page := struct {
		page
		Topic manual.Topic
		HTML  template.HTML
	}{page: s.page("manual")}
	if name := r.PathValue("topic"); name != "" {
		topic, ok := manual.Find(name)
		if !ok {
			s.problem(w, http.StatusNotFound, "manual", errors.New("the manual has no such page"))
			return
		}
		text, err := topic.HTML()
		if err != nil {
			s.problem(w, http.StatusInternalServerError, "manual", err)
			return
		}
		page.Topic, page.HTML = topic, template.HTML(text)
	}
	show(w, http.StatusOK, "manual", page)
}
