package bench

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"maps"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"ringstock/capture/filefault"
	"ringstock/cmd/ringstock/manual"
	"ringstock/grading/stock"
	"ringstock/spectrum/measure"
)

//go:embed assets
var assets embed.FS

var templates = func() map[string]*template.Template {
	all := map[string]*template.Template{}
	for _, name := range []string{"bench", "stock", "stick", "statement", "problem", "home", "delivery", "acts", "act", "manual"} {
		t := template.New("layout.html").Funcs(template.FuncMap{"number": figureOf, "price": price, "what": what, "help": helpID, "words": words, "topics": manual.Topics})
		all[name] = template.Must(t.ParseFS(assets, "assets/layout.html", "assets/"+name+".html"))
	}
	return all
}()

// page is what every page knows.
type page struct {
	Here     string
	Delivery string // on the bench; empty if none is
	Workshop bool   // there are the pages beside the tapping
}

func (s *Server) page(here string) page {
	return page{here, s.session.State().Delivery, s.opt.Workshop != nil}
}

func (s *Server) pages(mux *http.ServeMux) {
	for name, kind := range map[string]string{
		"bench.js": "text/javascript", "ear.js": "text/javascript", "delivery.js": "text/javascript", "stock.js": "text/javascript", "live.js": "text/javascript", "bench.css": "text/css", "icon.svg": "image/svg+xml",
	} {
		body, err := assets.ReadFile("assets/" + name)
		if err != nil {
			panic("bench: " + err.Error()) // it is built in
		}
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind+"; charset=utf-8")
			w.Write(body)
		})
	}
	tap := func(w http.ResponseWriter, r *http.Request) {
		if s.opt.Workshop != nil && s.session.State().Delivery == "" { // nothing lies on the bench
			http.Redirect(w, r, "/home", http.StatusSeeOther)
			return
		}
		show(w, http.StatusOK, "bench", struct {
			page
			Devices []Device
		}{s.page("bench"), s.opt.Devices})
	}
	mux.HandleFunc("GET /tap", tap)
	mux.HandleFunc("GET /{$}", tap)
	if s.opt.Workshop != nil {
		s.workshopPages(mux)
		s.actPages(mux)
	}
	mux.HandleFunc("GET /manual", s.manual)
	mux.HandleFunc("GET /manual/{topic}", s.manual)
	mux.HandleFunc("GET /stock", s.withStock(s.stockList))
	mux.HandleFunc("GET /stock/{id}", s.withStock(s.stick))
	mux.HandleFunc("GET /stock/{id}/file/{sha}", s.withStock(s.stickFile))
	mux.HandleFunc("POST /stock/{id}", s.withStock(s.act))
	mux.HandleFunc("GET /statement", s.withStock(s.statement))
	mux.HandleFunc("GET /", func(w http.ResponseWriter, _ *http.Request) {
		s.problem(w, http.StatusNotFound, "bench", errors.New("there is no such page"))
	})
}

func show(w http.ResponseWriter, status int, name string, data any) {
	var out bytes.Buffer
	if err := templates[name].Execute(&out, data); err != nil {
		http.Error(w, "The page can't be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	out.WriteTo(w)
}

func (s *Server) problem(w http.ResponseWriter, status int, here string, err error) {
	show(w, status, "problem", struct {
		page
		Text string
	}{s.page(here), filefault.Text(err)})
}

// withStock runs a page on the open stock.
func (s *Server) withStock(do func(http.ResponseWriter, *http.Request, *stock.Store) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		store, err := s.opt.Stock(r.Context())
		if err == nil {
			if err = do(w, r, store); err == nil {
				return
			}
		}
		status := http.StatusBadRequest
		switch {
		case errors.Is(err, stock.ErrNone):
			status = http.StatusOK
		case errors.Is(err, stock.ErrNotFound):
			status = http.StatusNotFound
		}
		here := "stock"
		if r.URL.Path == "/statement" {
			here = "statement"
		}
		s.problem(w, status, here, err)
	}
}

// stockColumns are what the list shows, named as the stock sorts by them.
var stockColumns = []struct{ Sort, Name, Unit string }{
	{"number", "number", ""}, {"state", "state", ""}, {"place", "place", ""}, {"species", "species", ""}, {"grade", "your grade", ""},
	{"-score", "score", "0–100"}, {"hz", "note", "Hz"}, {"-q", "sustain", "Q"}, {"-density", "density", "kg/m³"}, {"-modulus", "E/ρ", "MJ/kg"}, {"-mass", "mass", "g"},
}

func (s *Server) stockList(w http.ResponseWriter, r *http.Request, store *stock.Store) error {
	query := r.URL.Query()
	conditions := slices.DeleteFunc(strings.Split(query.Get("where"), ","), func(c string) bool { return strings.TrimSpace(c) == "" })
	typed := query.Get("where")
	for _, plain := range []struct{ name, condition string }{{"state", "state="}, {"species", "species~"}, {"place", "place~"}, {"lot", "lot="}, {"q", "q>="}, {"density", "density>="}} {
		if v := strings.TrimSpace(query.Get(plain.name)); v != "" {
			conditions = append(conditions, plain.condition+v)
		}
	}
	var filters []stock.Filter
	var wrong error
	for _, c := range conditions {
		f, err := stock.ParseFilter(c)
		wrong = errors.Join(wrong, err)
		filters = append(filters, f)
	}
	var order []string
	if by := query.Get("sort"); by != "" {
		order = []string{by}
	}
	var list []stock.Blank
	if wrong == nil {
		list, wrong = store.List(r.Context(), filters, order)
	}
	const most = 2000 // lines that a browser shows at once
	more := max(len(list)-most, 0)
	problem := ""
	if wrong != nil {
		problem = wrong.Error()
	}
	show(w, http.StatusOK, "stock", struct {
		page
		List           []stock.Blank
		More           int
		Where, In, By  string
		States         []stock.State
		Columns        any
		Problem, Names string
		Link           func(string) string
		Q              func(string) string
	}{s.page("stock"), list[:len(list)-more], more, typed, query.Get("state"), query.Get("sort"), s.states(), stockColumns, problem, strings.Join(stock.FilterFields(), ", "),
		func(by string) string {
			if by == query.Get("sort") { // the other way round
				by = strings.TrimPrefix("-"+by, "--")
			}
			link := url.Values{"sort": {by}}
			for name, v := range query {
				if name != "sort" && len(v) > 0 && v[0] != "" {
					link[name] = v[:1]
				}
			}
			return "?" + link.Encode()
		}, query.Get})
	return nil
}

func (s *Server) states() (list []stock.State) {
	for state := range s.opt.Moves {
		list = append(list, state)
	}
	slices.Sort(list)
	return list
}

func (s *Server) stick(w http.ResponseWriter, r *http.Request, store *stock.Store) error {
	return s.showStick(w, r, store, http.StatusOK, url.Values{"date": {string(store.Today())}}, nil)
}

// stickFile gives a recording of a stick or a paper of its lot, and no other file of the
// stock.
func (s *Server) stickFile(w http.ResponseWriter, r *http.Request, store *stock.Store) error {
	life, err := store.Show(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	sha, name := r.PathValue("sha"), ""
	for _, t := range life.TestList {
		for _, rec := range t.Recordings {
			if rec.SHA256 == sha {
				name = "recording"
			}
		}
	}
	for _, d := range life.Documents {
		if d.SHA256 == sha && sha != "" {
			name = "paper"
		}
	}
	if name == "" {
		return fmt.Errorf("this stick has no such file: %w", stock.ErrNotFound)
	}
	path, err := store.FilePath(r.Context(), sha)
	if err != nil {
		return err
	}
	if name == "paper" { // which may be anything, so it is kept, not opened
		w.Header().Set("Content-Disposition", `attachment; filename="paper`+filepath.Ext(path)+`"`)
	}
	http.ServeFile(w, r, path)
	return nil
}

// soundsOf are the recordings of the judgement that counts today.
func soundsOf(l stock.Life) []stock.TestRecording {
	for _, t := range l.TestList {
		if t.Counts {
			return t.Recordings
		}
	}
	return nil
}

func (s *Server) showStick(w http.ResponseWriter, r *http.Request, store *stock.Store, status int, form url.Values, refused error) error {
	life, err := store.Show(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	problem := ""
	if refused != nil {
		problem = refused.Error()
	}
	show(w, status, "stick", struct {
		page
		L       stock.Life
		States  []stock.State
		Curves  []curve
		Sounds  []stock.TestRecording
		Problem string
		Done    bool
		F       func(string) string // what the form says
	}{s.page("stock"), life, s.states(), curves(life), soundsOf(life), problem, r.URL.Query().Has("done"), form.Get})
	return nil
}

// act enters what the form of a stick's page says.
func (s *Server) act(w http.ResponseWriter, r *http.Request, store *stock.Store) error {
	if err := r.ParseForm(); err != nil {
		return errors.New("the form can't be read, or is too long")
	}
	field := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	e := stock.Event{Blank: r.PathValue("id"), Kind: stock.Moved, Place: field("place"), Party: field("for"), Reference: field("bow"), Reason: field("why")}
	err := func() error {
		if day := field("date"); day != "" {
			date, err := stock.ParseDate(day)
			if err != nil {
				return err
			}
			e.Date = date
		}
		if state := field("state"); state != "" {
			kind, ok := s.opt.Moves[stock.State(state)]
			if !ok {
				return fmt.Errorf("there is no state %q", state)
			}
			e.Kind = kind
		} else if e.Place == "" {
			return errors.New("choose a new state, or write a new place")
		}
		return store.Record(r.Context(), e)
	}()
	if err != nil {
		return s.showStick(w, r, store, http.StatusBadRequest, r.PostForm, err)
	}
	http.Redirect(w, r, "/stock/"+url.PathEscape(e.Blank)+"?done", http.StatusSeeOther)
	return nil
}

func (s *Server) statement(w http.ResponseWriter, r *http.Request, store *stock.Store) error {
	day := store.Today()
	var err error
	if on := r.URL.Query().Get("on"); on != "" {
		if day, err = stock.ParseDate(on); err != nil {
			return err
		}
	}
	st, err := store.Statement(r.Context(), day)
	if err != nil {
		return err
	}
	head, err := store.Head(r.Context())
	if err != nil {
		return err
	}
	show(w, http.StatusOK, "statement", struct {
		page
		S    stock.Statement
		Head string
	}{s.page("statement"), st, head.Text})
	return nil
}

func price(b stock.Blank) string {
	if b.Price == nil {
		return ""
	}
	return strings.TrimSpace(fmt.Sprintf("%.2f %s", *b.Price, b.Currency))
}

// what tells an event in words.
func what(e stock.LifeEvent) string {
	text := string(e.Kind)
	if e.Kind == stock.Tested || e.Kind == stock.PaperFiled { // whose reference is the id of another entry
		e.Reference = ""
	}
	for _, part := range []struct{ word, value string }{{" ", e.Grade}, {" – ", e.Party}, {", place ", e.Place}, {", ", e.Reference}, {": ", e.Reason}} {
		if part.value != "" {
			text += part.word + part.value
		}
	}
	for _, name := range slices.Sorted(maps.Keys(e.Fields)) {
		// What came in has supplier and number above.
		if v := e.Fields[name]; v != "" && (e.Kind != stock.Bought || name != "blank" && name != "supplier" && name != "currency") {
			text += ", " + strings.ReplaceAll(name, "_", " ") + " " + v
		}
	}
	return text
}

// curve is a quantity over the years, drawn with its standard uncertainty.
type curve struct {
	Name, Word  string
	Says        string
	Line        string // of a path
	Dots        []dot
	Low, High   string
	First, Last stock.Date
	Band        *band
}

// band is a range of what a quantity will be.
type band struct {
	Y, Height string
	Says      string
}

type dot struct {
	X, Y, Top, Bottom string
	Says              string
}

// curves draws mass, note and sustain of a stick; of what was measured but once there is
// none. Behind the mass lies where it will come to rest, as far as that can be told.
func curves(l stock.Life) (list []curve) {
	type point struct {
		date stock.Date
		v    measure.Value
	}
	var mass, hz, q []point
	for _, r := range l.Readings {
		if r.Quantity == "mass_g" && !r.Void {
			mass = append(mass, point{r.Date, measure.Of(r.Value, r.U)})
		}
	}
	for _, t := range l.Sounds() {
		hz, q = append(hz, point{t.Date, t.Hz}), append(q, point{t.Date, t.Q})
	}
	rest := measure.Unknown("")
	if left := l.Settled.Remaining; left.Known() && left.U <= 1 && len(mass) > 0 { // wider, it would only hide the curve
		now := slices.MaxFunc(mass, func(a, b point) int { return strings.Compare(string(a.date), string(b.date)) }).v.X
		rest = measure.Of(now*(1-left.X/100), now*left.U/100)
	}
	for _, c := range []struct {
		name, unit, word string
		points           []point
		rest             measure.Value
	}{{"Mass", "g", "mass", mass, rest}, {"Note", "Hz", "note", hz, measure.Unknown("")}, {"Sustain Q", "", "sustain Q", q, measure.Unknown("")}} {
		points := slices.DeleteFunc(c.points, func(p point) bool { return !p.v.Known() })
		if len(points) < 2 {
			continue
		}
		slices.SortStableFunc(points, func(a, b point) int { return strings.Compare(string(a.date), string(b.date)) })
		low, high := math.Inf(1), math.Inf(-1)
		for _, p := range points {
			low, high = min(low, p.v.X-p.v.U), max(high, p.v.X+p.v.U)
		}
		if c.rest.Known() {
			low, high = min(low, c.rest.X-c.rest.U), max(high, c.rest.X+c.rest.U)
		}
		if high-low < 1e-6*math.Abs(high) {
			low, high = low-1, high+1
		}
		first, last := points[0].date, points[len(points)-1].date
		days := max(last.Days(first), 1)
		y := func(v float64) string { return strconv.FormatFloat(120-110*(v-low)/(high-low), 'f', 1, 64) }
		draw := curve{Name: c.name + map[bool]string{true: ", " + c.unit}[c.unit != ""], Word: c.word, First: first, Last: last,
			Low: measure.Of(low, (high-low)/20).Text(c.unit), High: measure.Of(high, (high-low)/20).Text(c.unit)}
		// The ends of the axis are no measurements, so they have no uncertainty.
		draw.Low, _, _ = strings.Cut(draw.Low, " ±")
		draw.High, _, _ = strings.Cut(draw.High, " ±")
		for i, p := range points {
			x := strconv.FormatFloat(60+250*p.date.Days(first)/days, 'f', 1, 64)
			draw.Line += map[bool]string{true: "M", false: "L"}[i == 0] + x + " " + y(p.v.X)
			draw.Dots = append(draw.Dots, dot{x, y(p.v.X), y(p.v.X + p.v.U), y(p.v.X - p.v.U), string(p.date) + ": " + p.v.Text(c.unit)})
		}
		if c.rest.Known() {
			tall := 110 * 2 * c.rest.U / (high - low)
			draw.Band = &band{y(c.rest.X + c.rest.U), strconv.FormatFloat(max(tall, 1), 'f', 1, 64), "it comes to rest at about " + c.rest.Text(c.unit)}
		}
		draw.Says = fmt.Sprintf("%s from %s to %s", c.name, draw.Dots[0].Says, draw.Dots[len(draw.Dots)-1].Says)
		list = append(list, draw)
	}
	return list
}
