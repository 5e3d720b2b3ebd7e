// Package report draws a graded delivery as one HTML file that needs nothing else:
// style, script, pictures and sound are inside, and it never asks the network.
//
// It computes nothing about wood or sound. What a value is, how sure it is and why
// it is missing comes with the grading; the report only sets it before the eye.
package report

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"slices"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/grading"
	"ringstock/spectrum"
)

// Page is what a report shows. Pictures finds what there is to draw of a blank by its
// number; it may be nil.
type Page struct {
	Grading  grading.Grading
	Pictures func(blank string) (Pictures, error)
}

// Pictures is what can be drawn of a blank. What there is none of is left out,
// and the page says so.
type Pictures struct {
	Portrait *spectrum.Portrait
	Taps     []spectrum.TapResult // each tap of a blank, refused ones too, in order
}

//go:embed report.css
var style string

//go:embed report.js
var script string

//go:embed report.html
var pageText string

//go:embed picture.svg
var pictureText string

var pageTemplate = template.Must(template.Must(template.New("page").Parse(pageText)).Parse(pictureText))

// Write writes the page as HTML. Equal pages give equal bytes.
func Write(w io.Writer, p Page) error {
	s, err := newSheet(p)
	if err != nil {
		return fmt.Errorf("report of %q: %w", p.Grading.Delivery, err)
	}
	out := bufio.NewWriterSize(w, 1<<16)
	if err := pageTemplate.Execute(out, s); err != nil {
		return fmt.Errorf("report of %q: %w", p.Grading.Delivery, err)
	}
	if s.failed != nil {
		return fmt.Errorf("report of %q: %w", p.Grading.Delivery, s.failed)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("report of %q: %w", p.Grading.Delivery, err)
	}
	return nil
}

// policy lets the page use what is inside it and nothing else: no address can be
// reached, and no script runs but the embedded one.
func policy() string {
	return fmt.Sprintf("default-src 'none'; img-src data:; media-src data:; style-src 'sha256-%s'; script-src 'sha256-%s'; base-uri 'none'; form-action 'none'",
		digest(style), digest(script))
}

func digest(s string) string {
	sum := sha256.Sum256([]byte(s))
	return base64.StdEncoding.EncodeToString(sum[:])
}

const (
	clipSeconds = 2.0     // of each tap; the rest of a ring is too soft to judge by ear
	soundBudget = 7 << 20 // bytes of sound in one page, so that it opens at once
	fadeSeconds = 0.03
)

// clip is the sound of a portrait as an address that holds the sound itself; empty
// when the portrait has none.
func clip(t spectrum.Portrait) (template.URL, error) {
	if len(t.Clip) == 0 || !(t.ClipRate > 0) {
		return "", nil
	}
	n := min(len(t.Clip), int(clipSeconds*t.ClipRate))
	samples := slices.Clone(t.Clip[:n])
	if n < len(t.Clip) { // cut off: fade, or it would click
		fade := min(n, int(fadeSeconds*t.ClipRate))
		for i := range fade {
			samples[n-1-i] *= float64(i) / float64(fade)
		}
	}
	var buf bytes.Buffer
	tap := capture.Recording{Source: "best tap", Rate: t.ClipRate, Tracks: [][]float64{samples}}
	if err := wavfile.Write(&buf, tap, 16); err != nil {
		return "", err
	}
	return template.URL("data:audio/wav;base64," + base64.StdEncoding.EncodeToString(buf.Bytes())), nil
}
