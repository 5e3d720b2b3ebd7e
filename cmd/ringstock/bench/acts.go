package bench

import (
	"archive/zip"
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// An act is a command as a form. The page asks for what the command's arguments are, the
// command does it, and the page shows what it says: so page and command can't differ.
type act struct {
	Name, Title, About, Button string
	Group                      string // on the page that lists the acts
	Args                       []string
	Fields                     []field
	Gives                      gives
	Here                       string
	// Live: it changes nothing, so the page shows what it gives while the form is filled
	// in.
	Live bool
}

type gives int

const (
	text  gives = iota // what it prints
	sheet              // a page to read and print, written where --html or --out says
	file               // files to keep
)

// field is an argument of a command.
type field struct {
	Flag     string // empty: an argument without one
	Label    string
	Kind     string // text, number, date, file, model, yes or a select of Options
	Hint     string
	Options  []string
	Required bool
	Many     bool // several, with blanks between
	Acts     bool // changes something, so it waits for the button
	// Of a slider, whose empty value is what the card says.
	Low, High, Step float64
}

var (
	stickField  = field{Label: "Stick", Kind: "text", Required: true, Hint: "its number or id"}
	sticksField = field{Label: "Sticks", Kind: "text", Required: true, Many: true, Hint: "numbers or ids, with blanks between"}
	dayField    = field{Flag: "date", Label: "Day", Kind: "date"}
	sureField   = field{Flag: "yes", Label: "What would be asked back is meant", Kind: "yes"}
	modelField  = field{Flag: "model", Label: "Model", Kind: "model", Required: true}
	loadFields  = []field{{Flag: "span-mm", Label: "Span, mm", Kind: "number"}, {Flag: "load-g", Label: "Load, g", Kind: "number"}}
	woodFields  = []field{{Flag: "model-density", Label: "Density of the model’s wood, kg/m³", Kind: "number"}, {Flag: "model-modulus", Label: "E of the model’s wood, GPa", Kind: "number"}}
)

var acts = []act{
	{Name: "move", Group: "Sticks in stock", Title: "Move, reserve, sell", About: "Where sticks are, or what they become. Nothing is overwritten: it is one more line of their history.", Button: "Enter",
		Args: []string{"stock", "move"}, Fields: []field{sticksField,
			{Flag: "state", Label: "New state", Kind: "select", Options: []string{"", "in stock", "reserved", "started", "used", "sold", "scrapped", "failed"}},
			{Flag: "place", Label: "Place", Kind: "text"}, {Flag: "for", Label: "For whom", Kind: "text"}, {Flag: "bow", Label: "Bow number", Kind: "text"},
			{Flag: "why", Label: "Reason or remark", Kind: "text"}, dayField, sureField}},
	{Name: "test", Group: "Sticks in stock", Title: "Weigh, measure or tap again", About: "What was measured at a visit, with the air of the room; recordings of taps are kept with it.", Button: "Enter",
		Args: []string{"stock", "test"}, Fields: []field{stickField, {Label: "Recording", Kind: "file"}, {Flag: "mass", Label: "Mass, g", Kind: "number"},
			{Flag: "length", Label: "Length, mm", Kind: "number"}, {Flag: "height", Label: "Height, mm", Kind: "number"}, {Flag: "width", Label: "Width, mm", Kind: "number"},
			{Flag: "moisture", Label: "Moisture, %", Kind: "number"}, {Flag: "temperature", Label: "Temperature, °C", Kind: "number"}, {Flag: "humidity", Label: "Humidity, %", Kind: "number"},
			{Flag: "remark", Label: "Remark", Kind: "text"}, dayField, sureField}},
	{Name: "grade", Group: "Sticks in stock", Title: "Your own grade", About: "Stands beside the score and never touches it.", Button: "Enter",
		Args: []string{"stock", "grade"}, Fields: []field{stickField, {Label: "Grade", Kind: "text", Required: true}, {Flag: "remark", Label: "Remark", Kind: "text"}, dayField, sureField}},
	{Name: "correct", Group: "Sticks in stock", Title: "Set right", About: "Takes a wrong entry back, or says what a stick is in truth. The wrong entry stays in the history, struck out.", Button: "Set right",
		Args: []string{"stock", "correct"}, Fields: []field{stickField, {Flag: "entry", Label: "Entry to take back", Kind: "text", Hint: "its id, from the stick’s page"},
			{Flag: "set", Label: "What it is in truth", Kind: "text", Hint: "like species=ipe"}, {Flag: "why", Label: "Reason", Kind: "text"}, dayField, sureField}},
	{Name: "undo", Group: "Sticks in stock", Title: "Undo the last act", About: "Takes back what was entered last.", Button: "Undo", Args: []string{"stock", "undo"},
		Fields: []field{{Flag: "show", Label: "Only show what it would be", Kind: "yes"}, {Flag: "redo", Label: "Bring back what the last undo took back", Kind: "yes"}}},
	{Name: "labels", Group: "Sticks in stock", Title: "Labels", About: "A sheet to print: number, key figures, and the id as a QR code.", Button: "Make the sheet", Gives: sheet,
		Args: []string{"stock", "labels"}, Fields: []field{{Label: "Sticks", Kind: "text", Many: true, Hint: "numbers or ids; empty: all that fit"}, {Flag: "lot", Label: "Only this lot", Kind: "text"},
			{Flag: "columns", Label: "Side by side", Kind: "number"}, {Flag: "rows", Label: "Below each other", Kind: "number"}, {Flag: "skip", Label: "Already gone from the first sheet", Kind: "number"}}},
	{Name: "due", Live: true, Group: "Sticks in stock", Title: "What is due", About: "What should be weighed or tapped next, and why; papers that expire.", Button: "Show", Args: []string{"stock", "due"},
		Fields: []field{{Flag: "on", Label: "Seen from", Kind: "date"}}},
	{Name: "lot", Group: "Lots and papers", Title: "Where a lot comes from", About: "What is not filled in stays as it was. What the wood was sold as and what it was identified as are separate.", Button: "Enter",
		Args: []string{"stock", "lot"}, Fields: []field{{Label: "Lot", Kind: "text", Required: true}, {Flag: "sold-as", Label: "Sold as", Kind: "text"}, {Flag: "botanical", Label: "Botanical name", Kind: "text"},
			{Flag: "identified-by", Label: "Identified by", Kind: "text"}, {Flag: "identified-how", Label: "How", Kind: "text"}, {Flag: "legal", Label: "Legal status when bought, as the papers say", Kind: "text"},
			{Flag: "country", Label: "Country of harvest", Kind: "text"}, {Flag: "region", Label: "Region", Kind: "text"}, {Flag: "felled", Label: "Felled", Kind: "text"}, {Flag: "age-proof", Label: "Proof of age", Kind: "text"},
			{Flag: "acquired", Label: "Acquired on", Kind: "date"}, {Flag: "supplier", Label: "Supplier", Kind: "text"}, {Flag: "invoice", Label: "Invoice number", Kind: "text"}, {Flag: "invoice-date", Label: "Invoice of", Kind: "date"},
			{Flag: "pieces", Label: "Pieces", Kind: "number"}, {Flag: "kg", Label: "Mass, kg", Kind: "number"}, {Flag: "registration", Label: "Stock registration", Kind: "text"}, {Flag: "note", Label: "Note", Kind: "text"}, sureField}},
	{Name: "paper", Group: "Lots and papers", Title: "File a paper", About: "A permit, certificate or invoice of a lot, with its scan.", Button: "File it",
		Args: []string{"stock", "paper"}, Fields: []field{{Label: "Lot", Kind: "text", Required: true}, {Flag: "kind", Label: "Kind", Kind: "text", Required: true, Hint: "permit, certificate, invoice"},
			{Flag: "number", Label: "Number", Kind: "text", Required: true}, {Flag: "issuer", Label: "Issued by", Kind: "text"}, {Flag: "issued", Label: "Issued on", Kind: "date"}, {Flag: "expires", Label: "Expires on", Kind: "date"},
			{Flag: "scan", Label: "Scan", Kind: "file"}, {Flag: "note", Label: "Note", Kind: "text"}, sureField}},
	{Name: "papers", Group: "Lots and papers", Title: "Papers for a buyer or an authority", About: "One page about a lot, or one stick of it: where it comes from, its papers, what became of each piece, kilograms. This is a record, not legal advice: ask your CITES management authority before any border crossing or sale abroad.", Button: "Make the page", Gives: sheet,
		Args: []string{"stock", "papers"}, Fields: []field{{Label: "Lot", Kind: "text"}, {Flag: "stick", Label: "or only this stick of its lot", Kind: "text"}}},
	{Name: "accounts", Live: true, Group: "Lots and papers", Title: "What was paid", About: "By lot, and visit by visit with a running total.", Button: "Show", Args: []string{"stock", "accounts"}},
	{Name: "agree", Live: true, Group: "The stock itself", Title: "Score and your own grades", About: "How well does the score foresee your own grades?", Button: "Show", Args: []string{"stock", "agree"},
		Fields: []field{{Flag: "grades", Label: "Your grades, best first", Kind: "text", Hint: "with commas between; letters from A need not be named"}}},
	{Name: "check", Group: "The stock itself", Title: "Check", About: "Looks for damage: database, recordings, balance of the pieces.", Button: "Check", Args: []string{"stock", "check"}},
	{Name: "prove", Group: "The stock itself", Title: "Prove an old statement", About: "Looks whether what an old statement, backup or export rests on is still there as it was. Its head is printed on it.", Button: "Prove", Args: []string{"stock", "prove"},
		Fields: []field{{Flag: "head", Label: "Head, as it was printed", Kind: "text", Required: true}, {Flag: "with", Label: "Of another stock: its backup or export", Kind: "text", Hint: "a folder or file on this computer"}}},
	{Name: "repair", Group: "The stock itself", Title: "Repair", About: "Makes the stock anew from what is as it was entered, and from a backup or an export for what is not. What comes back and what is left is listed; the damaged one is kept.", Button: "Repair",
		Args: []string{"stock", "repair"}, Fields: []field{{Flag: "from", Label: "Backup or export", Kind: "text", Hint: "a folder or file on this computer; empty mends what needs none"}}},
	{Name: "reanalyse", Group: "The stock itself", Title: "Judge anew", About: "All stored recordings by today’s method; the old results stay beside the new.", Button: "Judge anew", Args: []string{"stock", "reanalyse"}},
	{Name: "export", Group: "The stock itself", Title: "Export", About: "Everything, with the recordings, as one file to keep or to merge into another stock.", Button: "Make the file", Gives: file,
		Args: []string{"stock", "export"}},
	{Name: "import", Group: "The stock itself", Title: "Merge another stock in", About: "The file that Export made on another computer. Merging twice adds nothing.", Button: "Merge",
		Args: []string{"stock", "import"}, Fields: []field{{Label: "Exported file", Kind: "file", Required: true}}},
	{Name: "plan", Group: "Sticks", Title: "Plan a stick", About: "Which blank becomes this stick: how thick it gets, how heavy, and whether there is wood enough.", Button: "Plan", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"plan"}, Fields: append(append([]field{modelField, {Flag: "match", Label: "In common with the model", Kind: "select", Options: []string{"stiffness", "mass"}},
			{Flag: "mass-g", Label: "Wanted mass, g", Kind: "number"}, {Flag: "sag-mm", Label: "Wanted sag, mm", Kind: "number"}, {Flag: "allowance-mm", Label: "Wood to leave, mm", Kind: "number"},
			{Flag: "shaft-only", Label: "Without a head block", Kind: "yes"}, {Flag: "blank", Label: "Only these blanks", Kind: "text", Hint: "with commas between"},
			{Flag: "best", Label: "How many", Kind: "number"}, {Flag: "reserve", Label: "Reserve them for", Kind: "text", Acts: true}}, woodFields...), loadFields...)},
	{Name: "work", Group: "Sticks", Title: "Hold a stick in work against its plan", About: "What is still to come off at each station, and what it would weigh and how stiff it would be.", Button: "Compare", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"work"}, Fields: append(append([]field{{Label: "Readings", Kind: "file", Required: true, Hint: "a table or card like a model’s"}, modelField, {Flag: "scale", Label: "Scale of the plan", Kind: "number"},
			{Flag: "blank", Label: "Stick in stock", Kind: "text"}, {Flag: "stage", Label: "Stage", Kind: "text", Hint: "squared, octagonal, round, bent"},
			{Flag: "mass-g", Label: "Mass now, g", Kind: "number"}, {Flag: "hz", Label: "Lowest free note, Hz", Kind: "number"}}, woodFields...), loadFields...)},
	{Name: "compare", Group: "Sticks", Title: "Compare two sticks", About: "A model and its copy, station by station.", Button: "Compare", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"compare"}, Fields: append([]field{{Label: "Model", Kind: "model", Required: true}, {Label: "Copy", Kind: "model", Required: true}, {Flag: "tolerance-mm", Label: "Name what is off by more than, mm", Kind: "number"}}, loadFields...)},
	{Name: "strung", Group: "Sticks", Title: "String a bow", About: "How the strung bow answers under the hand: gap, tilt of the head, lift, what the hair feels at frog, middle and tip. A second one is drawn beside it: another stick, another camber, or another blank’s wood. Move the sliders to ask what if.", Button: "Bend it", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"strung"}, Fields: []field{{Label: "Stick", Kind: "model", Required: true}, {Label: "Beside it another stick", Kind: "model"}, {Flag: "camber-of", Label: "or the same with the camber of", Kind: "model"},
			{Flag: "blank", Label: "or the same of the wood of this stick in stock", Kind: "text"}, {Flag: "scale", Label: "with its diameters times", Kind: "slide", Low: .85, High: 1.15, Step: .005},
			{Flag: "hair-tension", Label: "Hair tension, N", Kind: "slide", Low: 20, High: 100, Step: 1}, {Flag: "press-n", Label: "Force on the hair, N", Kind: "slide", Low: .1, High: 5, Step: .1},
			{Flag: "hair-mm", Label: "Hair from the line of centres, mm", Kind: "slide", Low: 8, High: 40, Step: .5},
			{Flag: "model-density", Label: "Density of the wood, kg/m³", Kind: "slide", Low: 700, High: 1300, Step: 5}, {Flag: "model-modulus", Label: "E of the wood, GPa", Kind: "slide", Low: 10, High: 35, Step: .25}}},
	{Name: "trace", Group: "Sticks", Title: "Camber from a tracing", About: "Finds the pencil line along which a stick was traced on paper, in a scan or photograph, and reads the camber from it. Click two marks of known distance in the picture, or the four corners of a rectangle; where the found line is wrong, click where it should pass.", Button: "Find the line", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"trace"}, Fields: []field{{Label: "Picture, PNG or JPEG", Kind: "file", Required: true}, {Flag: "scale-mm", Label: "Distance of the first two marks, mm", Kind: "number", Required: true},
			{Flag: "across-mm", Label: "Of four: distance of the second and third, mm", Kind: "number"}, {Flag: "between", Label: "Marks in the picture", Kind: "text", Required: true, Hint: "by a click, or as pixels: 310,200:5034,212"},
			{Flag: "through", Label: "The line passes", Kind: "text", Hint: "by a click, or as pixels"}, {Flag: "butt", Label: "Butt at the", Kind: "select", Options: []string{"left", "right"}},
			{Flag: "from-mm", Label: "The line begins so far from the butt, mm", Kind: "number"}, {Flag: "every-mm", Label: "A reading every, mm", Kind: "number"}, {Flag: "against", Label: "Compare with the camber of", Kind: "model"}}},
	{Name: "learn", Group: "Sticks", Title: "Learn from your own bows", About: "Holds finished sticks against what their blanks foretold: mass, note, stiffness. From five on, plans are corrected by it.", Button: "Show", Here: "sticks", Live: true,
		Args: []string{"learn"}, Fields: []field{{Label: "Folder of their cards", Kind: "text", Hint: "empty: the folder bows beside the stock"}}},
	{Name: "card", Group: "Sticks", Title: "Card of a finished stick", About: "Diameters, length, camber, mass, balance, deflection and modes, as a sheet.", Button: "Make the card", Gives: sheet, Here: "sticks", Live: true,
		Args: []string{"card"}, Fields: append(append([]field{{Label: "Model", Kind: "model", Required: true}, {Flag: "blank", Label: "Stick in stock", Kind: "text"}, dayField}, woodFields...), loadFields...)},
}

// Commands are those that forms of the workshop run, without what is filled in.
func Commands() (list [][]string) {
	for _, a := range acts {
		list = append(list, a.Args)
	}
	return list
}

func (s *Server) actPages(mux *http.ServeMux) {
	for i := range acts {
		a := &acts[i]
		if !s.opt.Has(a.Args) {
			continue
		}
		mux.HandleFunc("GET /do/"+a.Name, func(w http.ResponseWriter, r *http.Request) {
			s.showAct(w, r, http.StatusOK, a, r.URL.Query(), Ran{})
		})
		mux.HandleFunc("POST /do/"+a.Name, func(w http.ResponseWriter, r *http.Request) { s.runAct(w, r, a) })
	}
	list := func(here string, of func(act) bool) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			groups := map[string][]act{}
			var order []string
			for _, a := range acts {
				if of(a) && s.opt.Has(a.Args) {
					if groups[a.Group] == nil {
						order = append(order, a.Group)
					}
					groups[a.Group] = append(groups[a.Group], a)
				}
			}
			show(w, http.StatusOK, "acts", struct {
				page
				Order  []string
				Groups map[string][]act
				Models []string
			}{s.page(here), order, groups, s.opt.Models})
		}
	}
	mux.HandleFunc("GET /sheet/{n}", s.showSheet)
	mux.HandleFunc("GET /acts", list("stock", func(a act) bool { return a.Here == "" }))
	mux.HandleFunc("GET /sticks", list("sticks", func(a act) bool { return a.Here == "sticks" }))
}

func (s *Server) showAct(w http.ResponseWriter, _ *http.Request, status int, a *act, form map[string][]string, ran Ran) {
	problem := ""
	if ran.Err != nil {
		problem = a.words(ran.Err.Error())
	}
	here := a.Here
	if here == "" {
		here = "stock"
	}
	show(w, status, "act", struct {
		page
		A                 *act
		Problem, Out, Log string
		Ran               bool
		Models            []string
		F                 func(i int) string
	}{s.page(here), a, problem, a.words(ran.Out), a.words(ran.Log), ran.Out != "" || ran.Log != "" || ran.Err != nil, s.opt.Models, func(i int) string {
		return strings.Join(form[a.Fields[i].name(i)], " ")
	}})
}

// name is the name of a field in its form.
func (f field) name(i int) string {
	if f.Flag != "" {
		return f.Flag
	}
	return fmt.Sprintf("a%d", i)
}

func (a *act) NameOf(i int) string { return a.Fields[i].name(i) }

var (
	flagWord    = regexp.MustCompile(`--([a-z][a-z0-9-]+)`)
	commandWord = regexp.MustCompile("`?ringstock( [a-z]+)+[^`;,.]*`?")
)

// words says in the words of the page what a command says in words of the command line.
func (a *act) words(text string) string {
	text = flagWord.ReplaceAllStringFunc(text, func(flag string) string {
		for _, f := range a.Fields {
			if "--"+f.Flag == flag {
				return "“" + f.Label + "”"
			}
		}
		return "“" + strings.ReplaceAll(strings.TrimPrefix(flag, "--"), "-", " ") + "”"
	})
	return commandWord.ReplaceAllStringFunc(text, func(command string) string {
		for _, b := range acts {
			if strings.HasPrefix(strings.TrimPrefix(command, "`"), "ringstock "+strings.Join(b.Args, " ")) {
				return "“" + b.Title + "”"
			}
		}
		return "the page for it"
	})
}

func (s *Server) runAct(w http.ResponseWriter, r *http.Request, a *act) {
	out := http.NewResponseController(w) // a command may take its time
	out.SetWriteDeadline(time.Time{})
	out.SetReadDeadline(time.Time{})
	dir, err := os.MkdirTemp("", "ringstock-bench-")
	if err != nil {
		s.showAct(w, r, http.StatusInternalServerError, a, nil, Ran{Err: err})
		return
	}
	defer os.RemoveAll(dir)
	live := a.Live && r.URL.Query().Has("live")
	args, err := a.arguments(r, dir, live)
	if err != nil && live {
		s.answerLive(w, a, Ran{Err: err})
		return
	}
	if err != nil {
		s.showAct(w, r, http.StatusBadRequest, a, r.PostForm, Ran{Err: err})
		return
	}
	if live && drawn[a.Name] != "" {
		args = slices.Insert(args, len(a.Args), "--json")
	}
	ran := s.opt.Workshop.Run(r.Context(), args).without(dir)
	if live {
		s.answerLive(w, a, ran)
		return
	}
	switch {
	case ran.Err != nil && len(ran.Sheet) == 0:
		s.showAct(w, r, http.StatusBadRequest, a, r.PostForm, ran)
	case a.Gives == sheet && len(ran.Sheet) > 0:
		sealed(w, a.withWayBack(ran.Sheet), "'none'")
	case a.Gives == file:
		w.Header().Set("Content-Type", "application/zip")
		w.Header().Set("Content-Disposition", `attachment; filename="ringstock-`+a.Name+`.zip"`)
		if err := zipped(w, dir); err != nil {
			s.guard.log("the file of %s could not be sent: %v", a.Name, err)
		}
	default:
		if ran.Out == "" && ran.Log == "" {
			ran.Out = "Done."
		}
		s.showAct(w, r, http.StatusOK, a, nil, ran)
	}
}

// withWayBack puts links to the workshop above a sheet: its window may have no button to
// go back. The sheet's own style says how they look, and that they are not printed.
func (a *act) withWayBack(sheet []byte) []byte {
	nav := fmt.Sprintf(`<body><nav class="way-back" aria-label="Workshop"><a href="/do/%s">Back to: %s</a><a href="/home">Home</a></nav>`, a.Name, a.Title)
	return bytes.Replace(sheet, []byte("<body>"), []byte(nav), 1)
}

// without leaves out of what a command says the folder in which the page's files lay.
func (r Ran) without(dir string) Ran {
	short := func(s string) string { return strings.ReplaceAll(s, dir+string(filepath.Separator), "") }
	r.Out, r.Log, r.Sheet = short(r.Out), short(r.Log), []byte(short(string(r.Sheet)))
	if r.Err != nil && strings.Contains(r.Err.Error(), dir) {
		r.Err = errors.New(short(r.Err.Error()))
	}
	return r
}

// drawn are the acts whose numbers the page's script draws, with the name that it gets
// them under: the found line in the picture, a list with links, a diagram.
var drawn = map[string]string{"trace": "found", "due": "due", "agree": "agree"}

// mostSheets are kept for the pages that show them.
const mostSheets = 24

// answerLive tells a page's script what a command gave; the sheet is shown in
// a frame of the page.
func (s *Server) answerLive(w http.ResponseWriter, a *act, ran Ran) {
	log := regexp.MustCompile(`(?m)^[^\n]* (is|are) in sheet\.html\n?`).ReplaceAllString(ran.Log, "") // where a sheet was that is gone
	out := map[string]any{"out": a.words(ran.Out), "log": a.words(log)}
	if as := drawn[a.Name]; as != "" {
		out["out"], out[as] = "", json.RawMessage(cmp.Or(strings.TrimSpace(ran.Out), "null"))
	}
	if ran.Err != nil {
		out["problem"] = a.words(ran.Err.Error())
	}
	if len(ran.Sheet) > 0 {
		s.mu.Lock()
		s.sheets = append(s.sheets[max(len(s.sheets)-mostSheets+1, 0):], ran.Sheet)
		s.sheetsMade++
		out["sheet"] = fmt.Sprintf("/sheet/%d", s.sheetsMade)
		s.mu.Unlock()
	}
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(out)
}

// showSheet shows a sheet that was made for a page.
func (s *Server) showSheet(w http.ResponseWriter, r *http.Request) {
	n, err := strconv.Atoi(r.PathValue("n"))
	s.mu.Lock()
	i := n - (s.sheetsMade - len(s.sheets)) - 1
	var page []byte
	if err == nil && i >= 0 && i < len(s.sheets) {
		page = s.sheets[i]
	}
	s.mu.Unlock()
	if page == nil {
		s.problem(w, http.StatusNotFound, "sticks", errors.New("this sheet is gone: ask for it anew"))
		return
	}
	w.Header().Set("X-Frame-Options", "SAMEORIGIN")
	sealed(w, page, "'self'")
}

// arguments are those of the command, as the form says; files that came with
// it are put into dir.
func (a *act) arguments(r *http.Request, dir string, live bool) ([]string, error) {
	if err := r.ParseMultipartForm(8 << 20); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		return nil, errors.New("the form can't be read, or is too long")
	}
	args := append([]string{}, a.Args...)
	var plain []string
	for i, f := range a.Fields {
		v := strings.TrimSpace(r.PostForm.Get(f.name(i)))
		if live && f.Acts {
			continue
		}
		if f.Kind == "file" || f.Kind == "model" {
			path, err := received(r, f.name(i)+"-file", dir)
			if err != nil {
				return nil, err
			}
			if path != "" {
				v = path
			}
		}
		switch {
		case v == "" && f.Required:
			return nil, fmt.Errorf("fill in %s", f.Label)
		case v == "":
		case f.Kind == "yes":
			args = append(args, "--"+f.Flag)
		case f.Flag != "":
			if f.Kind == "number" || f.Kind == "slide" {
				v = strings.Replace(v, ",", ".", 1)
			}
			args = append(args, "--"+f.Flag+"="+v)
		case f.Many:
			plain = append(plain, strings.FieldsFunc(v, func(c rune) bool { return c == ' ' || c == ',' || c == ';' })...)
		default:
			plain = append(plain, v)
		}
	}
	switch {
	case a.Name == "labels":
		args = append(args, "--out="+filepath.Join(dir, "sheet.html"))
	case a.Gives == sheet:
		args = append(args, "--html="+filepath.Join(dir, "sheet.html"))
	case a.Gives == file:
		plain = append(plain, filepath.Join(dir, "ringstock-stock.jsonl"))
	}
	if len(plain) > 0 {
		args = append(append(args, "--"), plain...)
	}
	return args, nil
}

// received puts a file that came with a form into dir. What was packed is unpacked.
func received(r *http.Request, name, dir string) (path string, err error) {
	in, head, err := r.FormFile(name)
	if err != nil {
		return "", nil // none was chosen
	}
	defer in.Close()
	base := filepath.Base(strings.ReplaceAll(head.Filename, `\`, "/"))
	if !filepath.IsLocal(base) {
		base = "file"
	}
	if strings.EqualFold(filepath.Ext(base), ".zip") {
		return unzipped(in, head.Size, dir)
	}
	path = filepath.Join(dir, base)
	return path, copyTo(path, in)
}

func copyTo(path string, in io.Reader) error {
	out, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// unzipped unpacks what Export packed, and gives its file of lines.
func unzipped(in io.ReaderAt, size int64, dir string) (path string, err error) {
	z, err := zip.NewReader(in, size)
	if err != nil {
		return "", errors.New("the file can't be unpacked: choose the one that Export made")
	}
	left := int64(fileLimit)
	for _, f := range z.File {
		if !filepath.IsLocal(f.Name) || f.FileInfo().IsDir() {
			continue
		}
		to := filepath.Join(dir, f.Name)
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			return "", err
		}
		body, err := f.Open()
		if err != nil {
			return "", err
		}
		limited := &io.LimitedReader{R: body, N: left}
		err = copyTo(to, limited)
		body.Close()
		if left = limited.N; err != nil || left <= 0 {
			return "", errors.Join(err, errors.New("the packed file can't be used: it is damaged or far too large"))
		}
		if filepath.Ext(to) == ".jsonl" {
			path = to
		}
	}
	if path == "" {
		return "", errors.New("the packed file is none that Export made: it holds no file of lines")
	}
	return path, nil
}

// zipped packs a folder.
func zipped(w io.Writer, dir string) error {
	z := zip.NewWriter(w)
	if err := z.AddFS(os.DirFS(dir)); err != nil {
		return err
	}
	return z.Close()
}

// SheetOf reads the sheet that a command wrote, which its arguments name.
func SheetOf(args []string) []byte {
	for _, a := range args {
		for _, flag := range []string{"--html=", "--out="} {
			if path, ok := strings.CutPrefix(a, flag); ok {
				if page, err := os.ReadFile(path); err == nil {
					return bytes.TrimSpace(page)
				}
			}
		}
	}
	return nil
}
