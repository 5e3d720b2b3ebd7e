package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"ringstock/capture"
	"ringstock/capture/wavfile"
	"ringstock/cmd/ringstock/bench"
	"ringstock/cmd/ringstock/session"
	"ringstock/grading/stock"
)

// get reads a page.
func get(t *testing.T, address string) string {
	t.Helper()
	w, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Body.Close()
	body, err := io.ReadAll(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// The pages of the stock read and write what the commands do.
func TestBenchStockPages(t *testing.T) {
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	folder, place := filepath.Join(t.TempDir(), "delivery"), filepath.Join(t.TempDir(), "stock")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	const evil = `<b onclick=x>7`
	if err := wavfile.Save(filepath.Join(folder, "7.wav"), stickScene(1, 2).Render(), 16); err != nil {
		t.Fatal(err)
	}
	table := "blank,file,length_mm,height_mm,width_mm,mass_g,species\n\"" + evil + "\",7.wav,760,14,14,152,invented wood\n"
	if err := os.WriteFile(filepath.Join(folder, "delivery.csv"), []byte(table), 0o644); err != nil {
		t.Fatal(err)
	}
	r := serve(t, filepath.Join(t.TempDir(), "session"), "127.0.0.1:0", "--stock-dir", place)
	if page := get(t, r.address+"stock"); !strings.Contains(page, "there is no stock") {
		t.Errorf("without a stock the page says\n%s", page)
	}
	if out, err := exec.Command(path, "stock", "--stock-dir", place, "add", folder, "--date", "2024-05-02").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	list := get(t, r.address+"stock?where=q%3E100,species~invented&state=in+stock&sort=-q")
	m := regexp.MustCompile(`/stock/([0-9a-z]+)"`).FindStringSubmatch(list)
	if m == nil || strings.Contains(list, "<b onclick") || !strings.Contains(list, "1 stick.") {
		t.Fatalf("the list:\n%s", list)
	}
	if page := get(t, r.address+"stock?where=q%3E1000"); !strings.Contains(page, "0 sticks.") {
		t.Errorf("a filter that nothing fits:\n%s", page)
	}
	if page := get(t, r.address+"stock?where=nonsense%3D1&sort=%27"); !strings.Contains(page, "names none of") {
		t.Errorf("a filter that is none:\n%s", page)
	}
	page := r.address + "stock/" + m[1]
	if text := get(t, page); strings.Contains(text, "Over time") {
		t.Errorf("what was measured but once is drawn over time:\n%s", text)
	}
	if out, err := exec.Command(path, "stock", "--stock-dir", place, "test", m[1], "--mass-g", "150.9", "--date", "2025-05-02").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if text := get(t, page); strings.Count(text, "<circle") != 2 || !strings.Contains(text, "Mass from 2024-05-02: 152.00 ± 0.10 g to 2025-05-02: 150.90 ± 0.10 g") {
		t.Errorf("the curve of the mass:\n%s", text)
	}
	post := func(form url.Values) (int, string) {
		t.Helper()
		q, err := http.NewRequest("POST", page, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		q.Header.Set("Origin", strings.TrimSuffix(r.address, "/"))
		w, err := http.DefaultClient.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		defer w.Body.Close()
		body, err := io.ReadAll(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		return w.StatusCode, string(body)
	}
	type stick struct {
		State stock.State
		Party string
	}
	show := func() stick {
		return said[stick](t, "stock", "--stock-dir", place, "show", m[1], "--json")
	}
	if status, page := post(url.Values{"state": {"reserved"}, "for": {"<i>order 31"}, "place": {"rack 2"}}); status != 200 || strings.Contains(page, "<i>order") || !strings.Contains(page, "Entered.") {
		t.Errorf("reserving: %d\n%s", status, page)
	}
	if b := show(); b.State != stock.IsReserved || b.Party != "<i>order 31" {
		t.Errorf("the stock says %+v", b)
	}
	if status, page := post(url.Values{"state": {"started"}, "date": {"1999-01-01"}}); status != 400 || !strings.Contains(page, "problem") {
		t.Errorf("before it was bought: %d", status)
	}
	if status, _ := post(url.Values{"state": {"eaten"}}); status != 400 {
		t.Errorf("a state that is none: %d", status)
	}
	if status, _ := post(url.Values{}); status != 400 {
		t.Errorf("nothing to do: %d", status)
	}
	if b := show(); b.State != stock.IsReserved {
		t.Errorf("what was refused changed the stick to %s", b.State)
	}
	if page := get(t, r.address+"statement"); !strings.Contains(page, "The pieces balance.") {
		t.Errorf("the statement:\n%s", page)
	}
}

// Beyond this computer the bench has a token, and says what that means.
func TestBenchInTheNetwork(t *testing.T) {
	r := serve(t, filepath.Join(t.TempDir(), "session"), "0.0.0.0:0")
	u, err := url.Parse(r.address)
	if err != nil || len(u.Query().Get("token")) < 20 {
		t.Fatalf("the address is %q, %v", r.address, err)
	}
	for address, want := range map[string]int{r.address: 200, fmt.Sprintf("http://%s/", u.Host): 403} {
		client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		w, err := client.Get(address)
		if err != nil {
			t.Fatal(err)
		}
		w.Body.Close()
		if w.StatusCode == http.StatusSeeOther {
			w.StatusCode = 200
		}
		if w.StatusCode != want {
			t.Errorf("%s: %d, want %d", address, w.StatusCode, want)
		}
	}
	if !strings.Contains(r.log.String(), "warning: others in the network") {
		t.Errorf("no warning: %s", r.log)
	}
}

// A desk remembers what its session told, takes entries while it listens, and starts from
// what the folder has.
func TestDesk(t *testing.T) {
	profile, err := loadProfile("violin")
	if err != nil {
		t.Fatal(err)
	}
	set := session.Settings{Folder: filepath.Join(t.TempDir(), "delivery"), Blank: "A1", Taps: 5, Profile: profile, Now: time.Now}
	open := func() (*desk, func()) {
		t.Helper()
		d, err := openDesk(set)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go d.work(ctx)
		return d, func() { cancel(); <-d.over }
	}
	until := func(d *desk, what string, is func(bench.State) bool) bench.State {
		t.Helper()
		for range 1000 {
			if st := d.State(); is(st) {
				return st
			}
			time.Sleep(10 * time.Millisecond)
		}
		t.Fatalf("never %s: %+v", what, d.State())
		return bench.State{}
	}
	d, stop := open()
	if err := d.HandsFree(2); err != nil {
		t.Fatal(err)
	}
	rig := bench.Rig{Device: "tape", API: "test", Doubts: []capture.Warning{{Code: "x", Text: "may be altered"}}}
	if err := d.Hear(t.Context(), capture.Play(tape(3, 2, 1), rate, 2048), rig); err != nil {
		t.Fatal(err)
	}
	st := until(d, "three blanks", func(st bench.State) bool { return len(st.Blanks) == 3 && st.Now.Blank == "A4" })
	if st.Last == nil || !st.Last.Good || st.Last.Serial != 6 || st.Last.Note == "" || st.Best == nil {
		t.Errorf("the last tap is %+v, the best curve %v", st.Last, st.Best)
	}
	if err := d.Set("A2", "mass_g", "1520", false); !errors.As(err, new(bench.Doubt)) {
		t.Errorf("an unusual mass: %v", err)
	}
	if err := d.Set("A2", "mass_g", "152,5", false); err != nil {
		t.Fatal(err)
	}
	mass := func(st bench.State) float64 {
		for _, b := range st.Blanks {
			if b.Blank == "A2" {
				return b.Row.MassG.X
			}
		}
		return 0
	}
	until(d, "weighed", func(st bench.State) bool { return mass(st) == 152.5 })
	if err := d.Order(bench.GoTo, "A1"); err != nil {
		t.Fatal(err)
	}
	until(d, "back at A1", func(st bench.State) bool { return st.Now.Blank == "A1" && st.Good == 2 && st.Now.Ring != nil })
	stop()

	text, err := os.ReadFile(filepath.Join(set.Folder, "A1-01.tap.json"))
	if err != nil || !strings.Contains(string(text), "may be altered") {
		t.Errorf("the doubt about the microphone is not kept with the tap: %v\n%s", err, text)
	}
	d, stop = open()
	defer stop()
	st = until(d, "looked up", func(st bench.State) bool { return len(st.Blanks) == 3 && st.Best != nil })
	if mass(st) != 152.5 || st.Good != 2 {
		t.Errorf("started anew: mass %v, %d good taps", mass(st), st.Good)
	}
	// One that has its taps already is not waited at.
	if err := d.HandsFree(2); err != nil {
		t.Fatal(err)
	}
	until(d, "gone on", func(st bench.State) bool { return st.Now.Blank == "A4" })
}

func body(t *testing.T, w *http.Response) string {
	t.Helper()
	text, err := io.ReadAll(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// stocked is a bench beside a stock of one invented stick, and the stick's id.
func stocked(t *testing.T) (r *running, stick string) {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	folder, place := t.TempDir(), filepath.Join(t.TempDir(), "stock")
	if err := wavfile.Save(filepath.Join(folder, "7.wav"), stickScene(1, 2).Render(), 16); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(path, "stock", "--stock-dir", place, "add", folder, "--date", "2024-05-02").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	r = serve(t, filepath.Join(t.TempDir(), "session"), "127.0.0.1:0", "--stock-dir", place)
	m := regexp.MustCompile(`/stock/([0-9a-z]+)"`).FindStringSubmatch(get(t, r.address+"stock"))
	if m == nil {
		t.Fatal("the stock's page shows no stick")
	}
	return r, m[1]
}

// Whatever a command does can be done at the bench, too, but for what is named here with
// where it is, or why it is not.
func TestEveryCommandHasItsPage(t *testing.T) {
	elsewhere := map[string]string{
		"analyse": "bringing recordings says what was heard", "bench": "is the bench", "listen": "the bench itself", "devices": "the bench's list",
		"grade": "a delivery's ranking and report", "new": "home", "profile": "a delivery's sliders", "settings": "home, and a file",
		"demo": "an invented delivery is no work", "licences": "come with the program", "completion": "of a shell",
		"check":     "NOT at the bench: it plays and hears for itself, and its answer is of a rig",
		"stock add": "a delivery's decision", "stock list": "the stock", "stock show": "a stick's page", "stock statement": "the statement",
		"stock backup": "home", "stock history": "a stick's page",
	}
	paged := map[string]bool{}
	for _, args := range bench.Commands() {
		paged[strings.Join(args, " ")] = true
	}
	var look func(cmd *cobra.Command, path string)
	look = func(cmd *cobra.Command, path string) {
		for _, c := range cmd.Commands() {
			name := strings.TrimSpace(path + " " + c.Name())
			switch {
			case c.Hidden || c.Name() == "help":
			case name == "stock":
				look(c, name)
			case !paged[name] && elsewhere[name] == "":
				t.Errorf("%s can't be done at the bench", name)
			}
		}
	}
	look(newRoot(), "")
}
