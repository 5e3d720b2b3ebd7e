package bench

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"

	"ringstock/capture/filefault"
	"ringstock/grading"
)

// Workshop is all that the pages do beside the tapping, on the same folders as the
// commands and by the same functions. Its methods may be called from several goroutines.
type Workshop interface {
	Home(ctx context.Context) Home
	// NewDelivery makes a folder for a delivery; OpenDelivery takes up one that is
	// there. Both give its key.
	NewDelivery(name, place string) (key string, err error)
	OpenDelivery(folder string) (key string, err error)
	Delivery(key string) (Delivery, error)
	// Lay lays a delivery on the bench: the session goes on in its folder.
	Lay(key string) error
	Settings() Settings
	Set(Settings) error
	// Run runs a command with its arguments and gives what it prints and writes.
	Run(ctx context.Context, args []string) Ran
	// Stop ends the program.
	Stop()
}

// Home is what the first page shows.
type Home struct {
	Deliveries []Info // the latest first
	Stock      string // in one line
	NoStock    bool   // there is none yet
	Due        []string
	Work       []string // sticks in work
	Backup     string   // when the last one was made
	Settings   Settings
}

// Settings are what the workshop remembers between starts.
type Settings struct {
	Deliveries string // folder in which new deliveries are made
	Backups    string // folder for backups
}

// Info is how a delivery stands.
type Info struct {
	Key, Name, Folder, When          string
	Blanks, Tapped, Measured, InWork int
	Entered                          int // of its blanks, in the stock
	OnBench                          bool
	Trouble                          string // why it can't be read
}

// Ran is what came of a command.
type Ran struct {
	Out, Log string
	Sheet    []byte // the page it wrote, if it was asked for one
	Err      error
}

// Delivery is a delivery's folder.
type Delivery interface {
	Info() Info
	Table() (Table, error)
	// Enter checks and writes cells; what is on the disk when it returns is said for
	// each.
	Enter(cells []Entry) []Answer
	// Bring copies a recording in, for a blank's face, and says what was heard of it.
	Bring(name, blank string, face Face, sound io.Reader) (heard string, err error)
	// Grade judges by a profile; nil is the one in use. While recordings are still to be
	// heard, looking says how far that has come, and there is no grading.
	Grade(ctx context.Context, p *grading.Profile) (g grading.Grading, looking string, err error)
	Profiles() []string
	Profile() (grading.Profile, error)
	SaveProfile(p grading.Profile) error
	UseProfile(name string) error
	Sound(blank string) ([]byte, error) // the best tap as a WAV file
	Choices() ([]Choice, error)
	Choose(Choice) error
	Enrol(ctx context.Context, blanks []string, lot, place string) (text string, err error) // into the stock
	Report(ctx context.Context) ([]byte, error)
}

// Table is delivery.csv as it stands.
type Table struct {
	Columns []Column            `json:"columns"`
	Rows    []map[string]string `json:"rows"`  // by column
	Marks   []Answer            `json:"marks"` // cells that can't be used, or hardly be right
}

// Column is a column that can be typed in.
type Column struct {
	Name  string `json:"name"`
	Label string `json:"label"`
	Unit  string `json:"unit"`
	Text  bool   `json:"text"` // holds words
	About string `json:"about"`
}

// Entry is what was typed into a cell.
type Entry struct {
	Blank  string `json:"blank"`
	Column string `json:"column"`
	Text   string `json:"text"`
	Sure   bool   `json:"sure"`
}

// Answer says what became of an entry.
type Answer struct {
	Blank  string `json:"blank"`
	Column string `json:"column"`
	Text   string `json:"text"` // as it stands in the table now
	Saved  bool   `json:"saved"`
	Error  string `json:"error,omitempty"`
	Doubt  string `json:"doubt,omitempty"` // kept if entered once more
}

// Choice is one comparison by ear.
type Choice struct {
	First     string `json:"first"`
	Second    string `json:"second"`
	Preferred string `json:"preferred"` // empty: no difference
	Blind     bool   `json:"blind"`
	When      string `json:"when"`
}

// Alive is what a workshop that runs answers to a second start.
const Alive = "a workshop of ringstock"

func (s *Server) workshopPages(mux *http.ServeMux) {
	mux.HandleFunc("GET /alive", func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, Alive) })
	w := s.opt.Workshop
	mux.HandleFunc("GET /home", s.home)
	mux.HandleFunc("POST /home", s.homeActs)
	mux.HandleFunc("GET /delivery/{key}", s.withDelivery(func(out http.ResponseWriter, r *http.Request, d Delivery) error {
		show(out, http.StatusOK, "delivery", struct {
			page
			Info     Info
			Profiles []string
		}{s.page("home"), d.Info(), d.Profiles()})
		return nil
	}))
	mux.HandleFunc("GET /delivery/{key}/table", s.answering(func(_ *http.Request, d Delivery) (any, error) { return d.Table() }))
	mux.HandleFunc("POST /delivery/{key}/cells", s.answering(func(r *http.Request, d Delivery) (any, error) {
		var cells []Entry
		if err := json.NewDecoder(r.Body).Decode(&cells); err != nil || len(cells) > 5000 {
			return nil, errors.New("the entries can't be read, or are too many at once")
		}
		return d.Enter(cells), nil
	}))
	rank := func(r *http.Request, d Delivery) (any, error) {
		var p *grading.Profile
		if r.Method == http.MethodPost {
			p = &grading.Profile{}
			if err := json.NewDecoder(r.Body).Decode(p); err != nil {
				return nil, errors.New("the profile can't be read")
			}
		}
		g, looking, err := d.Grade(r.Context(), p)
		if err != nil || looking != "" {
			return map[string]string{"looking": looking}, err
		}
		return viewGrading(g)
	}
	mux.HandleFunc("GET /delivery/{key}/ranking", s.answering(rank))
	mux.HandleFunc("POST /delivery/{key}/ranking", s.answering(rank))
	mux.HandleFunc("GET /delivery/{key}/profile", s.answering(func(_ *http.Request, d Delivery) (any, error) { return d.Profile() }))
	mux.HandleFunc("POST /delivery/{key}/profile", s.answering(func(r *http.Request, d Delivery) (any, error) {
		if name := r.URL.Query().Get("use"); name != "" {
			return d.Profiles(), d.UseProfile(name)
		}
		var p grading.Profile
		if err := json.NewDecoder(r.Body).Decode(&p); err != nil {
			return nil, errors.New("the profile can't be read")
		}
		return d.Profiles(), d.SaveProfile(p)
	}))
	mux.HandleFunc("POST /delivery/{key}/sound", s.answering(func(r *http.Request, d Delivery) (any, error) {
		q := r.URL.Query()
		heard, err := d.Bring(q.Get("name"), q.Get("blank"), Face(q.Get("face")), r.Body)
		return map[string]string{"heard": heard}, err
	}))
	mux.HandleFunc("GET /delivery/{key}/sound/{blank}", s.withDelivery(func(out http.ResponseWriter, r *http.Request, d Delivery) error {
		wav, err := d.Sound(r.PathValue("blank"))
		if err != nil {
			http.Error(out, err.Error(), http.StatusNotFound)
			return nil
		}
		out.Header().Set("Content-Type", "audio/wav")
		out.Write(wav)
		return nil
	}))
	mux.HandleFunc("GET /delivery/{key}/choices", s.answering(func(_ *http.Request, d Delivery) (any, error) { return d.Choices() }))
	mux.HandleFunc("POST /delivery/{key}/choices", s.answering(func(r *http.Request, d Delivery) (any, error) {
		var c Choice
		if err := json.NewDecoder(r.Body).Decode(&c); err != nil {
			return nil, errors.New("the choice can't be read")
		}
		if err := d.Choose(c); err != nil {
			return nil, err
		}
		return d.Choices()
	}))
	mux.HandleFunc("POST /delivery/{key}/stock", s.answering(func(r *http.Request, d Delivery) (any, error) {
		var in struct {
			Blanks     []string
			Lot, Place string
		}
		if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
			return nil, errors.New("this can't be read")
		}
		text, err := d.Enrol(r.Context(), in.Blanks, in.Lot, in.Place)
		return map[string]string{"text": text}, err
	}))
	mux.HandleFunc("GET /delivery/{key}/report", s.withDelivery(func(out http.ResponseWriter, r *http.Request, d Delivery) error {
		http.NewResponseController(out).SetWriteDeadline(time.Time{}) // many recordings take their time
		page, err := d.Report(r.Context())
		if err != nil {
			return err
		}
		sealed(out, page, "'none'")
		return nil
	}))
	mux.HandleFunc("POST /delivery/{key}/tap", s.withDelivery(func(out http.ResponseWriter, r *http.Request, d Delivery) error {
		s.stopEar(io.EOF)
		if err := w.Lay(r.PathValue("key")); err != nil {
			return err
		}
		s.changed()
		http.Redirect(out, r, "/tap", http.StatusSeeOther)
		return nil
	}))
}

// sealed shows a page that was made as a file: it may use its own styles and scripts,
// word by word, and nothing else. frames says whose pages may frame it.
func sealed(w http.ResponseWriter, page []byte, frames string) {
	digests := func(tag string) (list string) {
		for _, m := range regexp.MustCompile(`(?s)<`+tag+`>(.*?)</`+tag+`>`).FindAllSubmatch(page, -1) {
			sum := sha256.Sum256(m[1])
			list += " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
		}
		if list == "" {
			return " 'none'"
		}
		return list
	}
	w.Header().Set("Content-Security-Policy", "default-src 'none'; img-src data:; media-src data:; style-src"+digests("style")+"; script-src"+digests("script")+"; base-uri 'none'; form-action 'none'; frame-ancestors "+frames)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(page)
}

func (s *Server) withDelivery(do func(http.ResponseWriter, *http.Request, Delivery) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		d, err := s.opt.Workshop.Delivery(r.PathValue("key"))
		if err != nil {
			s.problem(w, http.StatusNotFound, "home", err)
			return
		}
		if err := do(w, r, d); err != nil {
			s.problem(w, http.StatusBadRequest, "home", err)
		}
	}
}

// answering gives a page's script what it asks for. That something is refused is an
// answer like another.
func (s *Server) answering(do func(*http.Request, Delivery) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		status, body := http.StatusOK, any(nil)
		d, err := s.opt.Workshop.Delivery(r.PathValue("key"))
		if err != nil {
			status = http.StatusNotFound
		} else {
			body, err = do(r, d)
		}
		if err != nil {
			body = map[string]string{"error": filefault.Text(err)}
		}
		w.WriteHeader(status)
		json.NewEncoder(w).Encode(body)
	}
}

func (s *Server) home(w http.ResponseWriter, r *http.Request) { s.showHome(w, r, http.StatusOK, nil) }

func (s *Server) showHome(w http.ResponseWriter, r *http.Request, status int, err error) {
	problem := ""
	if err != nil {
		problem = filefault.Text(err)
	}
	show(w, status, "home", struct {
		page
		H             Home
		Problem, Done string
		F             func(string) string
	}{s.page("home"), s.opt.Workshop.Home(r.Context()), problem, r.URL.Query().Get("done"), r.PostForm.Get})
}

// homeActs carries out what a form of the first page asks for.
func (s *Server) homeActs(w http.ResponseWriter, r *http.Request) {
	err := r.ParseForm()
	field := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	to, shop := "/home", s.opt.Workshop
	if err == nil {
		var key string
		switch field("do") {
		case "new":
			key, err = shop.NewDelivery(field("name"), field("place"))
			to = "/delivery/" + key
		case "open":
			key, err = shop.OpenDelivery(field("folder"))
			to = "/delivery/" + key
		case "settings":
			err = shop.Set(Settings{Deliveries: field("deliveries"), Backups: field("backups")})
			to = "/home?done=" + url.QueryEscape("The settings are kept.")
		case "backup":
			ran := shop.Run(r.Context(), []string{"stock", "backup", "--", shop.Settings().Backups})
			err = ran.Err
			to = "/home?done=" + url.QueryEscape(strings.TrimSpace(ran.Out))
		case "stop":
			// The page stands by itself: what it would ask for comes when
			// nobody answers any more.
			closed, err := assets.ReadFile("assets/closed.html")
			if err != nil {
				panic(err) // it is inside the program
			}
			sealed(w, closed, "'none'")
			shop.Stop()
			return
		default:
			err = errors.New("the page asked for something that is not known here")
		}
	}
	if err != nil {
		s.showHome(w, r, http.StatusBadRequest, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// rankView is a line of the ranking.
type rankView struct {
	Blank    string            `json:"blank"`
	Rank     int               `json:"rank"`
	Low      int               `json:"low"`
	High     int               `json:"high"`
	Verdict  string            `json:"verdict"`
	Score    figure            `json:"score"`
	ScoreX   *float64          `json:"x"`
	ScoreU   float64           `json:"u"`
	Figures  []figure          `json:"figures"`
	Price    *float64          `json:"price"`
	Currency string            `json:"currency"`
	Reasons  []string          `json:"reasons"`
	Doubts   []string          `json:"doubts"`
	Suspect  []grading.Suspect `json:"suspect"`
	Sound    bool              `json:"sound"`
	Grade    string            `json:"grade"` // the maker's own
}

func viewGrading(g grading.Grading) (any, error) {
	rows := []rankView{}
	for b, err := range g.All() {
		if err != nil {
			return nil, err
		}
		v := rankView{Blank: b.Blank, Rank: b.Rank, Low: b.RankLow, High: b.RankHigh, Verdict: string(b.Verdict), Score: figureOf("score", b.Score, ""),
			Price: b.Row.Price, Currency: b.Row.Currency, Reasons: b.Reasons, Suspect: b.Suspect, Sound: b.Ring != nil, Grade: b.Row.MakerGrade}
		if b.Score.Known() {
			v.ScoreX, v.ScoreU = &b.Score.X, b.Score.U
		}
		ring := ringFigures(b.Ring)
		v.Figures = []figure{ring[0], ring[1], ring[3], figureOf("density", b.Wood.Density, "kg/m³"), figureOf("E/ρ", b.Wood.SpecificModulus, "MJ/kg")}
		v.Doubts, v.Reasons = []string{}, append([]string{}, v.Reasons...)
		for _, w := range b.Warnings {
			v.Doubts = append(v.Doubts, w.Text)
		}
		v.Doubts = append(v.Doubts, b.Missing...)
		rows = append(rows, v)
	}
	return map[string]any{"rows": rows, "profile": g.Profile, "qualified": g.Qualified, "notes": g.Notes, "unused": g.Unused}, nil
}

func (i Info) State() string {
	if i.Trouble != "" {
		return i.Trouble
	}
	if i.Blanks == 0 {
		return "empty"
	}
	blanks := "blanks"
	if i.Blanks == 1 {
		blanks = "blank"
	}
	return fmt.Sprintf("%d %s, %d tapped, %d measured, %d in the stock", i.Blanks, blanks, i.Tapped, i.Measured, i.Entered)
}
