package main

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/grading/report/browse"
)

// A hand works a page as people do, who have a keyboard only, or reach for the mouse
// wherever they can.
type hand interface {
	press(t *testing.T, ctx context.Context, selector string)             // a link, a button, a box to tick
	write(t *testing.T, ctx context.Context, selector, text string)       // over what is in the field
	pick(t *testing.T, ctx context.Context, selector, option string)      // from a list
	slide(t *testing.T, ctx context.Context, selector string, to float64) // a slider
	measure(t *testing.T, ctx context.Context, rows [][]string)           // fills the grid from its first row
}

// goTo follows the link to a page.
func goTo(t *testing.T, ctx context.Context, hand hand, path string) {
	t.Helper()
	hand.press(t, ctx, fmt.Sprintf(`a[href=%q]`, path))
	browse.Until(t, ctx, fmt.Sprintf(`location.pathname === %q && document.readyState === "complete"`, path))
}

// usable waits until an element is there and can be used.
func usable(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	browse.Until(t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); return e && e.checkVisibility() && !e.disabled; })()`, selector))
}

func typed(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	for _, c := range text {
		browse.Press(t, ctx, string(c))
	}
}

// keyboard uses no mouse.
type keyboard struct{}

func (keyboard) press(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	usable(t, ctx, selector)
	browse.TabTo(t, ctx, selector)
	key := "Enter"
	if browse.Eval[bool](t, ctx, `document.activeElement.type === "checkbox"`) {
		key = " "
	}
	browse.Press(t, ctx, key)
}

func (keyboard) write(t *testing.T, ctx context.Context, selector, text string) {
	t.Helper()
	usable(t, ctx, selector)
	browse.TabTo(t, ctx, selector) // the browser selects what is in a field that Tab comes to
	typed(t, ctx, text)
}

func (keyboard) pick(t *testing.T, ctx context.Context, selector, option string) {
	t.Helper()
	usable(t, ctx, selector)
	browse.TabTo(t, ctx, selector)
	for range browse.Eval[int](t, ctx, `document.activeElement.options.length`) {
		if browse.Eval[bool](t, ctx, fmt.Sprintf(`document.activeElement.value === %q`, option)) {
			return
		}
		browse.Press(t, ctx, "ArrowDown")
	}
	t.Fatalf("%s has no %q within reach of the arrows: %s", selector, option, browse.Eval[string](t, ctx, `document.activeElement.value`))
}

func (keyboard) slide(t *testing.T, ctx context.Context, selector string, to float64) {
	t.Helper()
	usable(t, ctx, selector)
	browse.TabTo(t, ctx, selector)
	for range 200 {
		now := browse.Eval[float64](t, ctx, `document.activeElement.valueAsNumber`)
		switch {
		case now < to:
			browse.Press(t, ctx, "ArrowRight")
		case now > to:
			browse.Press(t, ctx, "ArrowLeft")
		default:
			return
		}
	}
	t.Fatalf("%s does not come to %g by its arrows", selector, to)
}

// measure types as callipers do: without going to a field first, Enter after each value,
// down one column after the other.
func (k keyboard) measure(t *testing.T, ctx context.Context, rows [][]string) {
	t.Helper()
	k.press(t, ctx, "#down")
	browse.Eval[bool](t, ctx, `document.activeElement.blur(); true`)
	first := rows[0][0]
	browse.Press(t, ctx, first[:1])
	browse.Until(t, ctx, fmt.Sprintf(`document.activeElement.dataset.column === "length_mm" && document.activeElement.value === %q`, first[:1]))
	browse.Type(t, ctx, first[1:])
	for j := range rows[0] {
		for i, row := range rows {
			if i+j > 0 {
				browse.Type(t, ctx, row[j])
			}
		}
	}
}

// mouse presses no key but to write.
type mouse struct{}

func (mouse) press(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	usable(t, ctx, selector)
	browse.Do(t, ctx, chromedp.Click(chromedp.CSS(selector)))
}

func (m mouse) write(t *testing.T, ctx context.Context, selector, text string) {
	t.Helper()
	m.press(t, ctx, selector)
	browse.Until(t, ctx, fmt.Sprintf(`document.activeElement?.matches(%q)`, selector))
	browse.Eval[bool](t, ctx, `document.activeElement.select(); true`) // as three clicks do
	typed(t, ctx, text)
}

// pick does what a click on the list's window does, which the browser draws outside
// the page.
func (mouse) pick(t *testing.T, ctx context.Context, selector, option string) {
	t.Helper()
	usable(t, ctx, selector)
	if !browse.Eval[bool](t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value === %q; })()`, selector, option, option)) {
		t.Fatalf("%s has no %q", selector, option)
	}
}

// slide clicks on the slider's way where the value lies.
func (mouse) slide(t *testing.T, ctx context.Context, selector string, to float64) {
	t.Helper()
	usable(t, ctx, selector)
	at := browse.Eval[struct{ X, Y float64 }](t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center", behavior: "instant"});
		const r = e.getBoundingClientRect(), thumb = 16; return {X: r.left + thumb / 2 + (r.width - thumb) * (%g - e.min) / (e.max - e.min), Y: r.top + r.height / 2}; })()`, selector, to))
	browse.Do(t, ctx, chromedp.MouseClickXY(at.X, at.Y))
	browse.Until(t, ctx, fmt.Sprintf(`Math.abs(document.querySelector(%q).valueAsNumber - %g) <= 2`, selector, to))
}

// measure pastes a block that was copied from a spreadsheet.
func (m mouse) measure(t *testing.T, ctx context.Context, rows [][]string) {
	t.Helper()
	var block strings.Builder
	for _, row := range rows {
		block.WriteString(strings.Join(row, "\t") + "\n")
	}
	m.press(t, ctx, "#grid tbody tr:nth-child(1) [data-column=length_mm]")
	browse.Eval[bool](t, ctx, fmt.Sprintf(`(() => { const data = new DataTransfer(); data.setData("text/plain", %q);
		document.activeElement.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true})); return true; })()`, block.String()))
}
