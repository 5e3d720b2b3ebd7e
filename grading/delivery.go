package grading

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// TableName is the table of a delivery, in its folder.
const TableName = "delivery.csv"

const tableLimit = 16 << 20 // bytes; a table of 100 000 blanks has half of it

// Delivery is what a folder says about its blanks before any sound is heard.
type Delivery struct {
	Rows   []Row    // one per blank, in the order of the table
	Unused []Unused // rows and cells that could not be used; only a row without a number drops its blank
	Notes  []string // what was read otherwise than it was written, and what looks like a slip
	Listed bool     // there is a table; else each recording is one blank
}

// Instruments are the standard uncertainties of a maker's own instruments, by the columns
// of a table that hold uncertainties (mass_u_g). They count where a row gives none.
type Instruments map[string]float64

// Of is the standard uncertainty of an instrument, the usual one where none
// of its own is known.
func (in Instruments) Of(column string) float64 {
	if u, own := in[column]; own {
		return u
	}
	for _, q := range readings {
		if q.uColumn == column {
			return q.u
		}
	}
	return 0
}

// ReadDelivery reads the table of a delivery folder. Without one, each sound file of
// the folder is one blank, named after the file. Readings have the usual
// uncertainties of instruments.
func ReadDelivery(folder fs.FS) (Delivery, error) { return Instruments{}.ReadDelivery(folder) }

// ReadDelivery reads the table of a delivery folder that was measured with these
// instruments.
func (in Instruments) ReadDelivery(folder fs.FS) (Delivery, error) {
	entries, err := fs.ReadDir(folder, ".")
	if err != nil {
		return Delivery{}, err
	}
	named := func(name string) string {
		for _, e := range entries {
			if strings.EqualFold(e.Name(), name) {
				return e.Name()
			}
		}
		return ""
	}
	csv, xlsx := named(TableName), named(SpreadsheetName)
	if name := cmp.Or(csv, xlsx); name != "" {
		text, err := readLimited(folder, name)
		if err == nil && csv == "" {
			text, err = spreadsheetText(text)
		}
		if err != nil {
			return Delivery{}, fmt.Errorf("%s: %w", name, err)
		}
		d, err := parseNamed(name, text, in)
		if err != nil {
			return Delivery{}, fmt.Errorf("%s: %w", name, err)
		}
		if csv != "" && xlsx != "" {
			d.Notes = append(d.Notes, fmt.Sprintf("%s was not read, because there is %s: keep one of them", xlsx, csv))
		}
		return d, nil
	}
	d := Delivery{Rows: rowsOfFiles(entries), Notes: likelyTables(entries)}
	if len(d.Rows) == 0 {
		return Delivery{}, errors.New(strings.Join(append([]string{
			fmt.Sprintf("there is neither a %s nor a recording (WAV or FLAC) in the folder", TableName)}, d.Notes...), "; "))
	}
	return d, nil
}

// likelyTables tells of files that may be meant as the table of a folder that has none.
func likelyTables(entries []fs.DirEntry) (notes []string) {
	var tables []string
	for _, e := range entries {
		name := strings.ToLower(e.Name())
		switch {
		case e.IsDir() || strings.HasPrefix(name, ".") || strings.HasPrefix(name, "~$"):
		case strings.HasPrefix(name, TableName+"."):
			return []string{fmt.Sprintf("%s was not read: rename it %s (your system may hide the end of its name)", e.Name(), TableName)}
		case slices.Contains([]string{".csv", ".xlsx", ".xls", ".ods", ".numbers", ".tsv"}, path.Ext(name)):
			tables = append(tables, e.Name())
		}
	}
	switch {
	case len(tables) == 0:
	case path.Ext(strings.ToLower(tables[0])) == ".csv":
		notes = append(notes, fmt.Sprintf("%s was not read: if it is the table of the blanks, rename it %s", tables[0], TableName))
	default:
		notes = append(notes, fmt.Sprintf("%s was not read: if it is the table of the blanks, save it from the spreadsheet as %s (CSV UTF-8)", tables[0], TableName))
	}
	return notes
}

// ReadTable reads the text of a table in a folder, if it is a file and not larger
// than a table can be.
func ReadTable(folder fs.FS, name string) ([]byte, error) { return readLimited(folder, name) }

func readLimited(folder fs.FS, name string) ([]byte, error) {
	// Before it is opened: opening a named pipe would wait for a writer.
	if info, err := fs.Stat(folder, name); err == nil && !info.Mode().IsRegular() {
		return nil, errors.New("this is not a file")
	}
	f, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, errors.New("this is not a file")
	}
	text, err := io.ReadAll(io.LimitReader(f, tableLimit+1))
	if err != nil {
		return nil, err
	}
	if len(text) > tableLimit {
		return nil, fmt.Errorf("the table is larger than %d MB: is it the right file?", tableLimit>>20)
	}
	return text, nil
}

// soundFile tells whether a name looks like sound. Formats that can't be read are among
// them, so that they are told of instead of passed over.
func soundFile(name string) bool {
	switch strings.ToLower(path.Ext(name)) {
	case ".wav", ".wave", ".flac", ".rf64", ".bwf",
		".mp3", ".m4a", ".aac", ".ogg", ".opus", ".aif", ".aiff", ".caf", ".wma":
		return !strings.HasPrefix(name, ".")
	}
	return false
}

func rowsOfFiles(entries []fs.DirEntry) (rows []Row) {
	stems := map[string]int{}
	stem := func(name string) string { return strings.TrimSuffix(name, path.Ext(name)) }
	for _, e := range entries {
		if !e.IsDir() && soundFile(e.Name()) {
			stems[stem(e.Name())]++
			rows = append(rows, newRow(e.Name(), []string{e.Name()}))
		}
	}
	for i := range rows {
		if s := stem(rows[i].Blank); stems[s] == 1 {
			rows[i].Blank = s
		}
	}
	return rows
}

// newRow is a row about a blank of which nothing was measured.
func newRow(blank string, files []string) Row {
	r := Row{
		Blank: blank, File: files, WidthFile: []string{}, EndFile: []string{},
		Notes: map[string]string{}, Unused: []Unused{}, Defaults: []string{},
	}
	r.Shape = wood.Rectangular
	for _, q := range readings {
		*q.of(&r) = measure.Unknown(q.column + " was not measured")
	}
	return r
}

// reading is a column that holds a number about the blank.
type reading struct {
	column   string
	of       func(*Row) *measure.Value
	name     string
	unit     string
	uColumn  string  // of its standard uncertainty
	u        float64 // the usual one, taken where that column is empty
	min, max float64 // what the column may hold
	zeroNone bool    // a 0 means that there is none
}

// The usual standard uncertainties are those of a ruler, a calliper, a kitchen scale and
// a moisture meter in a workshop; for temperature and humidity those of a room instrument
// (common practice, no source).
var readings = []reading{
	{"length_mm", func(r *Row) *measure.Value { return &r.LengthMM }, "length", "mm", "length_u_mm", 0.5, 10, 10000, false},
	{"height_mm", func(r *Row) *measure.Value { return &r.HeightMM }, "height", "mm", "height_u_mm", 0.05, 0.5, 1000, false},
	{"width_mm", func(r *Row) *measure.Value { return &r.WidthMM }, "width", "mm", "width_u_mm", 0.05, 0.5, 1000, false},
	{"head_length_mm", func(r *Row) *measure.Value { return &r.HeadLengthMM }, "head length", "mm", "length_u_mm", 0.5, 0, 10000, true},
	{"head_height_mm", func(r *Row) *measure.Value { return &r.HeadHeightMM }, "head height", "mm", "height_u_mm", 0.05, 0, 1000, true},
	{"tip_height_mm", func(r *Row) *measure.Value { return &r.TipHeightMM }, "tip height", "mm", "height_u_mm", 0.05, 0, 1000, true},
	{"tip_width_mm", func(r *Row) *measure.Value { return &r.TipWidthMM }, "tip width", "mm", "width_u_mm", 0.05, 0, 1000, true},
	{"mass_g", func(r *Row) *measure.Value { return &r.MassG }, "mass", "g", "mass_u_g", 0.1, 0.1, 1e6, false},
	{"moisture_pct", func(r *Row) *measure.Value { return &r.MoisturePct }, "moisture", "%", "moisture_u_pct", 1, 0, 200, false},
	{"temperature_c", func(r *Row) *measure.Value { return &r.TemperatureC }, "temperature", "°C", "", 1, -50, 100, false},
	{"humidity_pct", func(r *Row) *measure.Value { return &r.HumidityPct }, "humidity", "%", "", 3, 0, 100, false},
}

// words are the columns that hold a text.
var words = map[string]func(*Row) *string{
	"species":     func(r *Row) *string { return &r.Species },
	"currency":    func(r *Row) *string { return &r.Currency },
	"supplier":    func(r *Row) *string { return &r.Supplier },
	"lot":         func(r *Row) *string { return &r.Lot },
	"maker_grade": func(r *Row) *string { return &r.MakerGrade },
	"note":        func(r *Row) *string { return &r.Note },
}

// recordings are the columns that name sound files.
var recordings = map[string]func(*Row) *[]string{
	"file":       func(r *Row) *[]string { return &r.File },
	"width_file": func(r *Row) *[]string { return &r.WidthFile },
	"end_file":   func(r *Row) *[]string { return &r.EndFile },
}

// known tells whether a column is one that the program reads.
func known(column string) bool {
	if column == "blank" || column == "shape" || column == "price" || words[column] != nil || recordings[column] != nil {
		return true
	}
	return slices.ContainsFunc(readings, func(q reading) bool { return q.column == column || q.uColumn == column })
}

// cell is what a table says in one place.
type cell struct {
	text string
	row  int
}

// entry gathers what all rows of one blank say, by column.
type entry struct {
	file   string // the table's
	blank  string
	cells  map[string][]cell
	unused []Unused
	notes  []string
}

// refuse tells of a cell that can't be used; what it was to say counts as missing.
func (e *entry) refuse(row int, column, format string, a ...any) {
	why := fmt.Sprintf(format, a...)
	e.unused = append(e.unused, Unused{File: e.file, Row: row, Column: column, Blank: e.blank,
		Reason: fmt.Sprintf("row %d (blank %s), column %s: %s", row, e.blank, column, why)})
}

// parseTable reads the text of a delivery.csv.
func parseTable(text []byte) (Delivery, error) { return parseNamed(TableName, text, nil) }

// parseNamed reads the text of a table from a file of that name.
func parseNamed(file string, text []byte, in Instruments) (Delivery, error) {
	t, err := newTable(text)
	if err != nil {
		return Delivery{}, err
	}
	t.file, t.instruments = file, in
	return t.delivery()
}

// delivery reads all rows of a table.
func (t *table) delivery() (Delivery, error) {
	d := Delivery{Listed: true, Notes: headerNotes(t.written)}
	var entries []*entry
	byBlank := map[string]*entry{}
	for {
		row, cells, err := t.next()
		if err == io.EOF {
			break
		}
		var bad badRow
		if err != nil {
			unused := Unused{File: t.file, Reason: err.Error()}
			if errors.As(err, &bad) {
				unused.Row, unused.Blank = bad.row, cells["blank"]
			}
			d.Unused = append(d.Unused, unused)
			if cells["blank"] == "" {
				continue
			}
		}
		blank := cells["blank"]
		if blank == "" {
			d.Unused = append(d.Unused, Unused{File: t.file, Row: row, Column: "blank",
				Reason: fmt.Sprintf("row %d, column blank: is empty: give the blank its number", row)})
			continue
		}
		e := byBlank[blank]
		if e == nil {
			e = &entry{file: t.file, blank: blank, cells: map[string][]cell{}}
			byBlank[blank] = e
			entries = append(entries, e)
		}
		if err != nil {
			e.unused = append(e.unused, d.Unused[len(d.Unused)-1])
			d.Unused = d.Unused[:len(d.Unused)-1]
		}
		for column, text := range cells {
			e.cells[column] = append(e.cells[column], cell{text, row})
		}
	}
	for _, e := range entries {
		d.Rows = append(d.Rows, e.read(t.comma, t.instruments))
		d.Unused = append(d.Unused, e.unused...)
		d.Notes = append(d.Notes, e.notes...)
	}
	if len(d.Rows) == 0 {
		if len(d.Unused) > 0 {
			return Delivery{}, fmt.Errorf("no row can be used: %s", d.Unused[0].Reason)
		}
		return Delivery{}, errors.New("the table has a header but no blank")
	}
	return d, nil
}

// read turns the cells of a blank into its row. What can't be used counts as missing.
func (e *entry) read(comma rune, in Instruments) Row {
	r := newRow(e.blank, []string{})
	for _, column := range []string{"file", "width_file", "end_file"} {
		e.files(&r, column, comma)
	}
	for _, q := range readings {
		v, ok := e.number(q.column)
		if !ok {
			if len(e.cells[q.column]) > 0 {
				*q.of(&r) = measure.Unknown(q.column + " can't be used: see its cell")
			}
			continue
		}
		if q.zeroNone && v == 0 {
			continue
		}
		u, given := q.u, false
		own := ""
		if x, is := in[q.uColumn]; is {
			u, own = x, ", your own"
		}
		if q.uColumn != "" {
			if x, ok := e.number(q.uColumn); ok {
				u, given = x, true
			}
		}
		if !given {
			r.Defaults = append(r.Defaults, fmt.Sprintf("%s ±%g %s%s", q.name, u, q.unit, own))
		}
		*q.of(&r) = measure.Of(v, u)
	}
	if price, ok := e.number("price"); ok {
		r.Price = &price
	}
	if shape, at, ok := e.agreed("shape"); ok {
		if c, err := ParseCell("shape", shape); err != nil {
			e.refuse(at, "shape", "%v", err)
		} else {
			r.Shape = wood.Shape(c.Text)
		}
	}
	for column, of := range words {
		if column == "note" {
			*of(&r) = e.joined(column)
		} else if text, _, ok := e.agreed(column); ok {
			*of(&r) = text
		}
	}
	for column := range e.cells {
		if !known(column) {
			r.Notes[column] = e.joined(column)
		}
	}
	slices.SortFunc(e.unused, func(a, b Unused) int { return cmp.Or(cmp.Compare(a.Row, b.Row), strings.Compare(a.Reason, b.Reason)) })
	e.unused = slices.Compact(e.unused)
	slices.Sort(e.notes)
	e.notes = slices.Compact(e.notes)
	r.Unused = append(r.Unused, e.unused...)
	return r
}

// agreed is the text of a column that all rows of a blank must agree on.
func (e *entry) agreed(column string) (text string, row int, ok bool) {
	for _, c := range e.cells[column] {
		if !ok {
			text, row, ok = c.text, c.row, true
		} else if c.text != text {
			e.refuse(c.row, column, "%q contradicts %q in row %d: correct one or leave it empty", c.text, text, row)
			return "", 0, false
		}
	}
	return text, row, ok
}

// joined is the text of a column in which every row may say something of its own.
func (e *entry) joined(column string) string {
	var texts []string
	for _, c := range e.cells[column] {
		if !slices.Contains(texts, c.text) {
			texts = append(texts, c.text)
		}
	}
	return strings.Join(texts, "; ")
}

// number is the number in a column, on which all rows of a blank must agree.
func (e *entry) number(column string) (x float64, ok bool) {
	first := 0
	for _, c := range e.cells[column] {
		got, err := ParseCell(column, c.text)
		if err != nil {
			e.refuse(c.row, column, "%v", err)
			return 0, false
		}
		if got.Note != "" {
			e.notes = append(e.notes, fmt.Sprintf("row %d (blank %s), column %s: %q %s", c.row, e.blank, column, c.text, got.Note))
		}
		if ok && got.Number != x {
			e.refuse(c.row, column, "%g contradicts %g in row %d: correct one or leave it empty", got.Number, x, first)
			return 0, false
		}
		if !ok {
			x, first, ok = got.Number, c.row, true
		}
	}
	return x, ok
}

// files gathers the recordings that the rows of a blank name in a column.
func (e *entry) files(r *Row, column string, comma rune) {
	list := recordings[column](r)
	for _, c := range e.cells[column] {
		names := strings.FieldsFunc(c.text, func(x rune) bool { return x == '|' || x == ';' && comma == ',' })
		for _, name := range names {
			name = strings.TrimSpace(name)
			twice := false
			for other, of := range recordings {
				if other != column && slices.Contains(*of(r), name) {
					e.refuse(c.row, column, "%s is also named in column %s: one recording has taps of one kind only", name, other)
					twice = true
				}
			}
			if name != "" && !twice && !slices.Contains(*list, name) {
				*list = append(*list, name)
			}
		}
	}
}
