package browse

import (
	"context"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Paper lays the page out as on A4 with the margins that the pages ask for: 182 mm
// of 96 dots an inch.
func Paper() chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		if _, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
			return chromedp.Void{}, err
		}
		return chromedp.EmulateViewport(688, 1000)(ctx, tab)
	}
}

// Media sets features of the medium, like forced-colors, by name and value.
func Media(features map[string]string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, tab *chromedp.Target) (chromedp.Void, error) {
		list := []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}
		for name, value := range features {
			list = append(list, &emulation.MediaFeature{Name: name, Value: value})
		}
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: list})
		return chromedp.Void{}, err
	}
}

// Readable holds that every text of the page as it is laid out can be read: none is off
// the edge where nobody can scroll to it, none is cut by its box, no two cover each
// other, and a pane that scrolls can be reached by keyboard and has a name.
func Readable(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	const most = 8
	found := Eval[[]string](t, ctx, readable)
	for i, f := range found {
		if i == most {
			t.Errorf("%s: and %d more", name, len(found)-most)
			break
		}
		t.Errorf("%s: %s", name, f)
	}
}

const readable = `(() => {
	const found = new Set(), boxes = [], range = document.createRange(), width = document.documentElement.clientWidth;
	const named = p => p.getAttribute("aria-label") || p.getAttribute("aria-labelledby") || p.matches("textarea, select, input, dialog");
	const reached = p => p.tabIndex >= 0 || p.querySelector("a[href], button:not(:disabled), input, select, textarea, [tabindex='0']");
	const said = n => JSON.stringify(n.data.trim().slice(0, 60)) + " in " + (n.parentElement.closest("[id]")?.id ?? "the page");
	const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; n = walker.nextNode();) {
		const e = n.parentElement;
		if (!n.data.trim() || e.closest("noscript, script, style, option, title, .aside, .skip, textarea")) continue;
		if (!e.checkVisibility({opacityProperty: true, visibilityProperty: true, contentVisibilityAuto: true})) continue;
		range.selectNodeContents(n);
		for (const r of range.getClientRects()) {
			if (r.width < 1 || r.height < 1) continue;
			let seen = true, held = false, floats = false;
			for (let p = e; p && p !== document.body && p !== document.documentElement; p = p.parentElement) {
				const s = getComputedStyle(p);
				if (s.position === "sticky" || s.position === "fixed" || p.matches("dialog")) floats = true;
				if (p instanceof SVGElement && p.tagName !== "svg" || s.overflowX === "visible" && s.overflowY === "visible") continue;
				const b = p.getBoundingClientRect(), mid = (r.top + r.bottom) / 2;
				const aside = r.right > b.right + 1.5 || r.left < b.left - 1.5, below = mid > b.bottom + 1 || mid < b.top - 1;
				if (!aside && !below) continue;
				const scrolls = aside && /auto|scroll/.test(s.overflowX) || below && /auto|scroll/.test(s.overflowY);
				if (!scrolls) { if (s.overflowX !== "visible") found.add("cut: " + said(n)); seen = false; break; }
				if (!named(p)) found.add("a pane that scrolls has no name: " + said(n));
				if (!reached(p)) found.add("a pane that scrolls can't be reached by keyboard: " + said(n));
				held = true; seen = false;
				break;
			}
			if (!held && seen && (r.right > width + 1 || r.left < -1)) found.add("off the edge: " + said(n));
			if (seen && !floats) boxes.push({n, e, x0: r.left, x1: r.right, y0: r.top + .3 * r.height, y1: r.bottom - .3 * r.height});
		}
	}
	boxes.sort((a, b) => a.y0 - b.y0);
	for (let i = 0; i < boxes.length; i++) {
		const a = boxes[i];
		for (let j = i + 1; j < boxes.length && boxes[j].y0 < a.y1; j++) {
			const b = boxes[j];
			if (a.n === b.n || Math.min(a.x1, b.x1) - Math.max(a.x0, b.x0) < 2 || Math.min(a.y1, b.y1) - b.y0 < 1) continue;
			found.add("covers each other: " + said(a.n) + " and " + said(b.n));
		}
	}
	return [...found];
})()`
