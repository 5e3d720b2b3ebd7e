package stick

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ringstock/grading"
)

var (
	tableColumns   = []string{"at_mm", "height_mm", "width_mm", "camber_mm", "shape", "widest_mm"}
	diameterColumn = regexp.MustCompile(`^d(\d{1,3}(?:\.\d)?)_mm$`)
)

// table is a model's readings as CSV, a row per station.
type table struct {
	rows   *csv.Reader
	column map[string]int
	width  int // cells of the header
}

// parseTable reads a model as CSV.
func parseTable(text []byte) (Model, error) {
	m := Model{Accuracy: Workshop}
	t, unread, err := newTable(text)
	if err != nil {
		return Model{}, err
	}
	for _, name := range unread {
		m.Notes = append(m.Notes, fmt.Sprintf("the column %s is not read; known are %s and d45_mm, d135_mm, … for diameters at other angles",
			name, strings.Join(tableColumns, ", ")))
	}
	var list []reading
	for {
		cells, where, err := t.next()
		if err == io.EOF {
			return m.take(list)
		}
		if err != nil {
			return Model{}, err
		}
		if len(list) == stationLimit {
			return Model{}, fmt.Errorf("%s: more than %d stations", where, stationLimit)
		}
		r, err := t.reading(cells, where)
		if err != nil {
			return Model{}, err
		}
		list = append(list, r)
	}
}

// newTable reads the header; unread are its columns that no reading is taken from.
func newTable(text []byte) (t table, unread []string, err error) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	first, _, _ := bytes.Cut(text, []byte("\n"))
	t = table{rows: csv.NewReader(bytes.NewReader(text)), column: map[string]int{}}
	t.rows.FieldsPerRecord = -1
	t.rows.TrimLeadingSpace = true
	if bytes.Count(first, []byte(";")) > bytes.Count(first, []byte(",")) {
		t.rows.Comma = ';'
	}
	head, err := t.rows.Read()
	if err != nil {
		return table{}, nil, errors.New("the table is empty: give a header row with at_mm, height_mm, width_mm and a row for each station")
	}
	t.width = len(head)
	for i, name := range head {
		name = strings.ToLower(strings.TrimSpace(name))
		if _, twice := t.column[name]; twice && name != "" {
			return table{}, nil, fmt.Errorf("header: the column %s is there twice", name)
		}
		t.column[name] = i
		if !slices.Contains(tableColumns, name) && !diameterColumn.MatchString(name) && name != "" {
			unread = append(unread, name)
		}
	}
	if _, ok := t.column["at_mm"]; !ok {
		return table{}, nil, fmt.Errorf("header: the column at_mm (distance from the butt) is missing; known are %s", strings.Join(tableColumns, ", "))
	}
	return t, unread, nil
}

// next is the next row that has something in it, and where it stands.
func (t table) next() (cells []string, where string, err error) {
	empty := func(c string) bool { return strings.TrimSpace(c) == "" }
	for {
		cells, err := t.rows.Read()
		var parse *csv.ParseError
		switch {
		case errors.As(err, &parse):
			return nil, "", fmt.Errorf("row %d: %w: look for a stray quote", parse.StartLine, parse.Err)
		case err != nil:
			return nil, "", err
		}
		row, _ := t.rows.FieldPos(0)
		where := fmt.Sprintf("row %d", row)
		for len(cells) > t.width && empty(cells[len(cells)-1]) {
			cells = cells[:len(cells)-1]
		}
		if len(cells) > t.width {
			return nil, "", fmt.Errorf("%s: %d cells under a header of %d columns: with decimal commas separate the cells by ; else write points", where, len(cells), t.width)
		}
		if slices.ContainsFunc(cells, func(c string) bool { return !empty(c) }) {
			return cells, where, nil
		}
	}
}

func (t table) reading(cells []string, where string) (r reading, err error) {
	r = reading{where: where, column: "column "}
	cell := func(name string) string {
		if i, ok := t.column[name]; ok && i < len(cells) {
			return strings.TrimSpace(cells[i])
		}
		return ""
	}
	r.shape = Shape(strings.ToLower(cell("shape")))
	for _, c := range r.fields() {
		if *c.x, err = t.number(r.at(c.name), cell(c.name)); err != nil {
			return r, err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(t.column)) {
		direction := diameterColumn.FindStringSubmatch(name)
		if direction == nil {
			continue
		}
		x, err := t.number(r.at(name), cell(name))
		if err != nil {
			return r, err
		}
		if x != nil {
			deg, _ := strconv.ParseFloat(direction[1], 64)
			r.diameters = append(r.diameters, Diameter{deg, *x})
		}
	}
	return r, nil
}

// number reads a cell as all numbers are read; nil = it is empty.
func (t table) number(where, text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	const most = 1e6
	x, err := grading.ParseNumber(text, "mm", -most, most)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", where, err)
	}
	return &x, nil
}
