package stock

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringstock/grading/report/browse"
)

// tool finds a program from outside, or skips.
func tool(t *testing.T, name, from string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s (Debian package %s) is not installed", name, from)
	}
	return path
}

// TestAnySQLiteReadsTheStock lets Debian's sqlite3, another build of SQLite than ours,
// read a stock and count what the statement counts.
func TestAnySQLiteReadsTheStock(t *testing.T) {
	sqlite3 := tool(t, "sqlite3", "sqlite3")
	developers, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	s, _ := open(t, dir)
	b := add(t, s, invented(t, "visit", 1, 9))
	for i, kind := range []Kind{Reserved, Started, Used, Sold, Scrapped, Failed} {
		record(t, s, say(kind, b[i].ID, "2026-04-01"))
	}
	ask := func(query string) string {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), sqlite3, "-readonly", filepath.Join(dir, databaseName), query).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", query, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	if got := ask(`PRAGMA integrity_check`); got != "ok" {
		t.Errorf("integrity_check: %s", got)
	}
	if got := ask(`PRAGMA foreign_key_check`); got != "" {
		t.Errorf("foreign_key_check: %s", got)
	}
	for _, table := range strings.Fields(ask(`SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\'`)) {
		if !strings.Contains(string(developers), "| `"+table+"` | ") {
			t.Errorf("DEVELOPERS.md does not say what the table %s is for", table)
		}
	}
	for _, m := range regexp.MustCompile(`(?m)^ +sqlite3 stock\.db "(SELECT .*)"$`).FindAllStringSubmatch(string(developers), -1) {
		ask(m[1])
	}
	if got := ask(`PRAGMA application_id`); got != fmt.Sprint(0x52494E47) {
		t.Errorf("application_id: %s", got)
	}
	st, err := s.Statement(t.Context(), "2026-12-31")
	if err != nil {
		t.Fatal(err)
	}
	sum := st.Total
	for query, want := range map[string]int{
		`SELECT count(*) FROM events WHERE kind = 'bought'`:                                   sum.PiecesIn,
		`SELECT count(*) FROM blanks WHERE state IN ('in stock', 'reserved', 'started')`:      sum.InStock,
		`SELECT count(*) FROM blanks WHERE state = 'used'`:                                    sum.Used,
		`SELECT count(*) FROM blanks WHERE state = 'sold'`:                                    sum.Sold,
		`SELECT count(*) FROM blanks WHERE state IN ('scrapped', 'failed')`:                   sum.Scrapped,
		`SELECT count(*) FROM tests t JOIN results r ON r.test = t.id WHERE result LIKE '{%'`: 9,
	} {
		if got := ask(query); got != fmt.Sprint(want) {
			t.Errorf("%s: sqlite3 %s, statement %d", query, got, want)
		}
	}
	kg := ask(`SELECT printf('%.6f', sum(mass_g) / 1000) FROM blanks WHERE state IN ('in stock', 'reserved', 'started')`)
	if want := fmt.Sprintf("%.6f", sum.KgInStock.X); kg != want {
		t.Errorf("sqlite3 %s kg, statement %s", kg, want)
	}
	out, err := exec.CommandContext(t.Context(), sqlite3, filepath.Join(dir, databaseName), `DELETE FROM events`).CombinedOutput()
	if err == nil {
		t.Error("another program may delete from the ledger")
	}
	if !strings.Contains(string(out), "facts are never deleted") {
		t.Errorf("%s", out)
	}
}

// TestAScannerReadsTheLabels prints a sheet with Chromium and lets zbar read it back.
func TestAScannerReadsTheLabels(t *testing.T) {
	zbarimg := tool(t, "zbarimg", "zbar-tools")
	chromium := tool(t, "chromium", "chromium")
	s, _ := open(t, t.TempDir())
	b := add(t, s, invented(t, "visit", 1, 22))
	var page bytes.Buffer
	if err := Labels(&page, b, Sheet{Columns: 3, Rows: 8, Skip: 2}); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	html, png := filepath.Join(dir, "labels.html"), filepath.Join(dir, "labels.png")
	if err := os.WriteFile(html, page.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	// 210 x 297 mm at 96 pixels an inch, twice as fine.
	cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--force-device-scale-factor=2", "--window-size=794,1123", "--hide-scrollbars", "--screenshot="+png, "file://"+html)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v: %s", err, out)
	}
	out, err := exec.CommandContext(t.Context(), zbarimg, "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", png).Output()
	if err != nil {
		t.Fatalf("zbarimg: %v", err)
	}
	got := strings.Fields(string(out))
	var want []string
	for _, x := range b {
		want = append(want, x.ID)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("read %d codes %q, want %d %q", len(got), got, len(want), want)
	}
}

// TestLabelsWithAnyFont: the number and the id are whole on a label whatever font the
// computer has for them.
func TestLabelsWithAnyFont(t *testing.T) {
	if os.Getenv("RINGSTOCK_SLOW") == "" {
		t.Skip("slow: set RINGSTOCK_SLOW=1")
	}
	var blanks []Blank
	for i, number := range []string{"7", "104", "2026-B-1041", "WWWWWWWWW", "WWWWWWWWWWWWWWWWWWWW", "jÅgÄpÖq"} {
		blanks = append(blanks, Blank{ID: idOf(fmt.Sprint(i)), Blank: number, Species: "an invented wood with a name of many words", Lot: "L2026-11-30 invented", Place: "rack 17, third shelf, behind"})
	}
	ctx := browse.Open(t, browse.Options{})
	for _, sheet := range []Sheet{A4Labels, {Columns: 4, Rows: 10}} {
		var page bytes.Buffer
		if err := Labels(&page, blanks, sheet); err != nil {
			t.Fatal(err)
		}
		for _, font := range []string{"sans-serif", "serif", "monospace", "DejaVu Sans", "Liberation Serif"} {
			html := filepath.Join(t.TempDir(), "labels.html")
			if err := os.WriteFile(html, bytes.Replace(page.Bytes(), []byte("system-ui, sans-serif"), []byte(`"`+font+`", `+font), 1), 0o666); err != nil {
				t.Fatal(err)
			}
			browse.Do(t, ctx, browse.View(900, 1200, false), chromedp.Navigate("file://"+html))
			for _, cut := range browse.Eval[[]string](t, ctx, `[...document.querySelectorAll(".number, .id")].filter(e => {
				const range = document.createRange();
				range.selectNodeContents(e);
				const text = range.getBoundingClientRect(), label = e.closest(".label").getBoundingClientRect();
				return !text.width || text.left < label.left - .5 || text.right > label.right + .5 || text.top < label.top - .5 || text.bottom > label.bottom + .5;
			}).map(e => e.textContent)`) {
				t.Errorf("%d x %d labels in %s: %q is cut", sheet.Columns, sheet.Rows, font, cut)
			}
		}
	}
}

func TestLabelsEscapeAndRefuse(t *testing.T) {
	b := Blank{ID: idOf("x"), Blank: "<b>7</b>", Species: `"><script>`, Place: "rack & row"}
	var page bytes.Buffer
	if err := Labels(&page, []Blank{b}, A4Labels); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page.String(), "<b>7") || strings.Contains(page.String(), "<script>") {
		t.Error("a text got into the page as markup")
	}
	if strings.Contains(page.String(), "http") {
		t.Error("the page asks something of the net")
	}
	for _, s := range []Sheet{{}, {Columns: 3, Rows: 8, Skip: 24}, {Columns: -1, Rows: 2}, {Columns: 3, Rows: 8, Skip: -1}, {Columns: 50, Rows: 50}} {
		if Labels(&page, nil, s) == nil {
			t.Errorf("%+v passes", s)
		}
	}
}
