package grading

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// TableName is the table of a delivery, in its folder.
const TableName = "delivery.csv"

const tableLimit = 64 << 20 // bytes; a table of 100 000 blanks has a tenth of it

// Delivery is what a folder says about its blanks before any sound is heard.
type Delivery struct {
	Rows   []Row    // one per blank, in the order of the table
	Unused []Unused // rows that could not be used; their blanks are not in Rows
	Listed bool     // there is a table; else each recording is one blank
}

// ReadDelivery reads the table of a delivery folder. Without one, each sound file of
// the folder is one blank, named after the file.
func ReadDelivery(folder fs.FS) (Delivery, error) {
	entries, err := fs.ReadDir(folder, ".")
	if err != nil {
		return Delivery{}, err
	}
	for _, e := range entries {
		if strings.EqualFold(e.Name(), TableName) {
			text, err := readLimited(folder, e.Name())
			if err != nil {
				return Delivery{}, fmt.Errorf("%s: %w", e.Name(), err)
			}
			d, err := parseTable(text)
			if err != nil {
				return Delivery{}, fmt.Errorf("%s: %w", e.Name(), err)
			}
			return d, nil
		}
	}
	d := Delivery{Rows: rowsOfFiles(entries)}
	if len(d.Rows) == 0 {
		return Delivery{}, fmt.Errorf("there is neither a %s nor a recording (WAV or FLAC) in the folder", TableName)
	}
	return d, nil
}

func readLimited(folder fs.FS, name string) ([]byte, error) {
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
		Notes: map[string]string{}, Defaults: []string{},
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

// The usual standard uncertainties are those of a ruler, a calliper, a kitchen scale and a
// moisture meter in a workshop; for temperature and humidity those of a room instrument
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
	blank    string
	rows     []int
	cells    map[string][]cell
	problems []string
}

func (e *entry) problem(row int, column, format string, a ...any) {
	e.problems = append(e.problems, fmt.Sprintf("row %d (blank %s), column %s: ", row, e.blank, column)+fmt.Sprintf(format, a...))
}

// parseTable reads the text of a delivery.csv.
func parseTable(text []byte) (Delivery, error) {
	t, err := newTable(text)
	if err != nil {
		return Delivery{}, err
	}
	d := Delivery{Listed: true}
	refuse := func(problem string) { d.Unused = append(d.Unused, Unused{TableName, problem}) }
	var entries []*entry
	byBlank := map[string]*entry{}
	for {
		row, cells, err := t.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			refuse(err.Error())
			continue
		}
		blank := cells["blank"]
		if blank == "" {
			refuse(fmt.Sprintf("row %d, column blank: is empty: give the blank its number", row))
			continue
		}
		e := byBlank[blank]
		if e == nil {
			e = &entry{blank: blank, cells: map[string][]cell{}}
			byBlank[blank] = e
			entries = append(entries, e)
		}
		e.rows = append(e.rows, row)
		for column, text := range cells {
			e.cells[column] = append(e.cells[column], cell{text, row})
		}
	}
	for _, e := range entries {
		r := e.read(t.comma)
		for _, p := range e.problems {
			refuse(p)
		}
		if len(e.problems) == 0 {
			d.Rows = append(d.Rows, r)
		}
	}
	if len(d.Rows) == 0 {
		if len(d.Unused) > 0 {
			return Delivery{}, fmt.Errorf("no row can be used: %s", d.Unused[0].Reason)
		}
		return Delivery{}, errors.New("the table has a header but no blank")
	}
	return d, nil
}

// table reads rows of a delivery.csv one by one.
type table struct {
	csv    *csv.Reader
	comma  rune
	header []string
}

var utf8BOM = []byte("\xef\xbb\xbf")

func newTable(text []byte) (*table, error) {
	text = bytes.TrimPrefix(text, utf8BOM)
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, errors.New("the table is empty: its first row names the columns, one of them is blank")
	}
	if !utf8.Valid(text) || bytes.IndexByte(text, 0) >= 0 {
		return nil, errors.New("the text is not UTF-8: save the table as \"CSV UTF-8\"")
	}
	// Old spreadsheets end rows by a carriage return alone.
	if bytes.IndexByte(text, '\n') < 0 {
		text = bytes.ReplaceAll(text, []byte("\r"), []byte("\n"))
	}
	head, _, _ := bytes.Cut(bytes.TrimLeft(text, "\r\n"), []byte("\n"))
	t := &table{csv: csv.NewReader(bytes.NewReader(text)), comma: ','}
	if bytes.IndexByte(head, ';') >= 0 {
		t.comma = ';'
	}
	t.csv.Comma = t.comma
	t.csv.FieldsPerRecord = -1
	header, err := t.csv.Read()
	if err != nil {
		return nil, fmt.Errorf("the header row can't be read: %w", plainCSV(err))
	}
	place := map[string]int{}
	for i, h := range header {
		name := strings.ToLower(strings.TrimSpace(h))
		if first, doubled := place[name]; doubled && name != "" {
			return nil, fmt.Errorf("the header names the column %s twice, as columns %d and %d: rename or remove one", name, first, i+1)
		}
		place[name] = i + 1
		t.header = append(t.header, name)
	}
	if place["blank"] == 0 {
		if bytes.IndexByte(head, '\t') >= 0 {
			return nil, errors.New("the columns are separated by tabs: save the table with , or ; between columns")
		}
		return nil, fmt.Errorf("there is no column blank: the header row names %s; name the column with the numbers of the blanks blank, and separate columns by , or ;",
			strings.Join(t.header, ", "))
	}
	return t, nil
}

// next returns the number of the next row as a spreadsheet shows it, and its cells
// that are not empty, by column.
func (t *table) next() (row int, cells map[string]string, err error) {
	for {
		fields, err := t.csv.Read()
		if err == io.EOF {
			return 0, nil, io.EOF
		}
		if err != nil {
			return 0, nil, plainCSV(err)
		}
		row, _ = t.csv.FieldPos(0)
		cells = map[string]string{}
		last := 0
		for i, f := range fields {
			if f = strings.TrimFunc(f, unicode.IsSpace); f == "" {
				continue
			}
			last = i + 1
			if strings.ContainsFunc(f, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
				return 0, nil, fmt.Errorf("row %d, column %d: holds a control character: type the cell anew", row, i+1)
			}
			if i < len(t.header) {
				name := t.header[i]
				if name == "" {
					name = fmt.Sprintf("column %d", i+1)
				}
				cells[name] = f
			}
		}
		if last == 0 {
			continue
		}
		if len(fields) < len(t.header) || last > len(t.header) {
			hint := "compare it with the header"
			if last > len(t.header) && t.comma == ',' {
				hint = "write decimals with a point, or separate columns by ;"
			} else if len(fields) == 1 {
				hint = fmt.Sprintf("separate its columns by %c as in the header", t.comma)
			}
			return 0, nil, fmt.Errorf("row %d: has %d cells, the header has %d: %s", row, len(fields), len(t.header), hint)
		}
		return row, cells, nil
	}
}

func plainCSV(err error) error {
	var at *csv.ParseError
	if errors.As(err, &at) {
		rows := fmt.Sprintf("row %d", at.StartLine)
		if at.Line > at.StartLine {
			rows = fmt.Sprintf("rows %d to %d", at.StartLine, at.Line)
		}
		return fmt.Errorf("%s: a quotation mark is out of place: put quotation marks round whole cells, and double those inside", rows)
	}
	return err
}

// read turns the cells of a blank into its row; what is wrong goes into problems.
func (e *entry) read(comma rune) Row {
	r := newRow(e.blank, []string{})
	for _, column := range []string{"file", "width_file", "end_file"} {
		e.files(&r, column, comma)
	}
	for _, q := range readings {
		v, ok := e.number(q.column, comma)
		if !ok || q.zeroNone && v == 0 {
			continue
		}
		if !(v >= q.min && v <= q.max) {
			e.problem(e.cells[q.column][0].row, q.column, "%g %s is outside %g to %g %s: check the value and its unit", v, q.unit, q.min, q.max, q.unit)
			continue
		}
		u, given := q.u, false
		if q.uColumn != "" {
			if x, ok := e.number(q.uColumn, comma); ok {
				u, given = x, true
			}
		}
		if !(u >= 0) {
			e.problem(e.cells[q.uColumn][0].row, q.uColumn, "an uncertainty of %g: give 0 or more, or leave the cell empty", u)
			continue
		}
		if !given {
			r.Defaults = append(r.Defaults, fmt.Sprintf("%s ±%g %s", q.name, q.u, q.unit))
		}
		*q.of(&r) = measure.Of(v, u)
	}
	if price, ok := e.number("price", comma); ok {
		if price < 0 {
			e.problem(e.cells["price"][0].row, "price", "%g is below 0", price)
		}
		r.Price = &price
	}
	if shape, at, ok := e.agreed("shape"); ok {
		r.Shape = wood.Shape(strings.ToLower(shape))
		if !slices.Contains([]wood.Shape{wood.Rectangular, wood.Octagonal, wood.Round}, r.Shape) {
			e.problem(at, "shape", "%q is not known: write rectangular, octagonal or round", shape)
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
	slices.Sort(e.problems)
	e.problems = slices.Compact(e.problems)
	return r
}

// agreed is the text of a column that all rows of a blank must agree on.
func (e *entry) agreed(column string) (text string, row int, ok bool) {
	for _, c := range e.cells[column] {
		if !ok {
			text, row, ok = c.text, c.row, true
		} else if c.text != text {
			e.problem(c.row, column, "%q contradicts %q in row %d: correct one or leave it empty", c.text, text, row)
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

var numberForm = regexp.MustCompile(`^[+-]?[0-9]{1,15}([.,][0-9]{0,15})?([eE][+-]?[0-9]{1,2})?$`)

// number is the number in a column, on which all rows of a blank must agree.
func (e *entry) number(column string, comma rune) (x float64, ok bool) {
	first := 0
	for _, c := range e.cells[column] {
		text := c.text
		switch {
		case !numberForm.MatchString(text):
			e.problem(c.row, column, "%q is not a number: write digits only, without unit", text)
			return 0, false
		case comma == ',' && strings.Contains(text, ","):
			e.problem(c.row, column, "%q has a decimal comma: write a point, or separate columns by ;", text)
			return 0, false
		}
		y, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			e.problem(c.row, column, "%q is not a number", text)
			return 0, false
		}
		if ok && y != x {
			e.problem(c.row, column, "%g contradicts %g in row %d: correct one or leave it empty", y, x, first)
			return 0, false
		}
		if !ok {
			x, first, ok = y, c.row, true
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
			for other, of := range recordings {
				if other != column && slices.Contains(*of(r), name) {
					e.problem(c.row, column, "%s is also named in column %s: one recording has taps of one kind only", name, other)
				}
			}
			if name != "" && !slices.Contains(*list, name) {
				*list = append(*list, name)
			}
		}
	}
}
