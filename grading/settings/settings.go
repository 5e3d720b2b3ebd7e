// Package settings holds what a maker sets once for all commands: profile, the
// uncertainty of the own scale and calliper, where the stock lies, how tables are
// written. They are TOML files; one in a delivery's folder counts over the user's.
package settings

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"

	"ringstock/grading"
	"ringstock/grading/spreadsheet"
	"ringstock/grading/tomlfile"
)

// The names of the files: in the user's folder of settings, and in a delivery's.
const (
	UserName     = "settings.toml"
	DeliveryName = "ringstock.toml"
)

// Settings are those in force.
type Settings struct {
	Profile string // built in, or the path of a file
	// StockDir is the folder of the stock; empty for the usual one.
	StockDir    string
	Instruments grading.Instruments
	Tables      spreadsheet.Dialect

	// Places are the files that were looked for, the last counting most;
	// those Read are there.
	Places []Place
	from   map[string]string // the file that set a key
}

// Place is a file of settings.
type Place struct {
	Path string `json:"path"`
	Read bool   `json:"read"` // it is there
}

// key is one setting: the only home of its name, its meaning, its check and its text.
type key struct {
	table, name string
	about       string
	set         func(s *Settings, value any, dir string) error
	text        func(s Settings) string // as TOML
}

func (k key) path() string {
	if k.table == "" {
		return k.name
	}
	return k.table + "." + k.name
}

func quoted(text string) string { return strconv.Quote(text) }

// uncertaintyKey is the standard uncertainty of an instrument, which a row of a
// table may overrule.
func uncertaintyKey(column, about string) key {
	return key{table: "uncertainty", name: column, about: about,
		set: func(s *Settings, value any, _ string) error {
			c, err := grading.ParseCell(column, fmt.Sprint(value))
			switch {
			case err != nil:
				return err
			case !c.HasNumber() || c.Number <= 0:
				return errors.New("give a number above 0: no instrument is exact")
			}
			s.Instruments[column] = c.Number
			return nil
		},
		text: func(s Settings) string { return strconv.FormatFloat(s.Instruments.Of(column), 'f', -1, 64) }}
}

var keys = []key{
	{name: "profile", about: "limits and weights by which blanks are judged: " + strings.Join(grading.Profiles(), ", ") + ", or a file of your own, named from this file's folder",
		set: func(s *Settings, value any, dir string) error {
			name, ok := value.(string)
			if !ok || name == "" {
				return errors.New("give the name of a profile in quotation marks: " + strings.Join(grading.Profiles(), ", ") + ", or a file")
			}
			if _, builtIn := grading.ProfileText(name); !builtIn {
				if name = within(dir, name); filepath.Ext(name) != ".toml" {
					return fmt.Errorf("there is no profile %q: built in are %s; an own one is a file whose name ends with .toml", value, strings.Join(grading.Profiles(), ", "))
				}
			}
			s.Profile = name
			return nil
		},
		text: func(s Settings) string { return quoted(s.Profile) }},
	{name: "stock_dir", about: "folder of the stock; if empty, the one in your data folder (RINGSTOCK_STOCK and --stock-dir count more)",
		set: func(s *Settings, value any, dir string) error {
			name, ok := value.(string)
			if !ok {
				return errors.New("give a folder in quotation marks")
			}
			if s.StockDir = name; name != "" {
				s.StockDir = within(dir, name)
			}
			return nil
		},
		text: func(s Settings) string { return quoted(s.StockDir) }},
	uncertaintyKey("length_u_mm", "of your rule, mm"),
	uncertaintyKey("height_u_mm", "of your calliper, mm, for heights"),
	uncertaintyKey("width_u_mm", "of your calliper, mm, for widths"),
	uncertaintyKey("mass_u_g", "of your scale, g"),
	uncertaintyKey("moisture_u_pct", "of your moisture meter, %"),
	{table: "tables", name: "separator", about: `between the cells of tables (CSV) that are written: ",", ";" or "\t"`,
		set: func(s *Settings, value any, _ string) error {
			text, _ := value.(string)
			if !slices.Contains([]string{",", ";", "\t"}, text) {
				return errors.New(`write ",", ";" or "\t"`)
			}
			s.Tables.Separator = rune(text[0])
			return nil
		},
		text: func(s Settings) string { return quoted(string(s.Tables.Comma())) }},
	{table: "tables", name: "decimal", about: `decimal mark in them: "." or ","`,
		set: func(s *Settings, value any, _ string) error {
			text, _ := value.(string)
			if text != "." && text != "," {
				return errors.New(`write "." or ","`)
			}
			s.Tables.DecimalComma = text == ","
			return nil
		},
		text: func(s Settings) string {
			if s.Tables.DecimalComma {
				return quoted(",")
			}
			return quoted(".")
		}},
	{table: "tables", name: "byte_order_mark", about: "begin them with a mark by which some spreadsheets know accented letters: true or false",
		set: func(s *Settings, value any, _ string) error {
			yes, ok := value.(bool)
			if !ok {
				return errors.New("write true or false, without quotation marks")
			}
			s.Tables.BOM = yes
			return nil
		},
		text: func(s Settings) string { return strconv.FormatBool(s.Tables.BOM) }},
}

var tables = map[string]string{
	"uncertainty": "standard uncertainty of your own instruments, where a table gives none",
	"tables":      "how ranking.csv, new delivery.csv and the stock's CSV are written",
}

func within(dir, name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(dir, filepath.FromSlash(name))
}

// Read reads files of settings, each counting over those before it; one that is not
// there says nothing.
func Read(paths ...string) (Settings, error) {
	s := Settings{Profile: "violin", Instruments: grading.Instruments{}, from: map[string]string{}}
	for _, path := range paths {
		text, err := tomlfile.Read(path)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return s, fmt.Errorf("the settings can't be read: %w", err)
		}
		s.Places = append(s.Places, Place{path, err == nil})
		if err := s.apply(path, text); err != nil {
			return s, err
		}
	}
	return s, nil
}

func (s *Settings) apply(path string, text []byte) error {
	wrong := func(line int, k, format string, a ...any) error {
		at := path
		if line > 0 {
			at = fmt.Sprintf("%s, line %d", path, line)
		}
		if k != "" {
			at += ", " + k
		}
		return fmt.Errorf("%s: %s", at, fmt.Sprintf(format, a...))
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	var tree map[string]any
	if _, err := tomlfile.Decode(text, &tree); err != nil {
		var at toml.ParseError
		if errors.As(err, &at) {
			return wrong(at.Position.Line, "", "%s: write names like profile = \"violin\", one a line", at.Message)
		}
		return wrong(0, "", "%v", err)
	}
	// In the order of the keys, so that of two faults the same one is always told.
	said := flat(tree)
	for _, k := range keys {
		value, ok := said[k.path()]
		if !ok {
			continue
		}
		delete(said, k.path())
		if err := k.set(s, value, filepath.Dir(path)); err != nil {
			return wrong(lineOf(text, k.path()), k.path(), "%v", err)
		}
		s.from[k.path()] = path
	}
	if unknown := slices.Sorted(maps.Keys(said)); len(unknown) > 0 {
		name := unknown[0]
		hint := "`ringstock settings` lists all there are"
		if like := grading.Nearest(name, paths()); like != "" {
			hint = "did you mean " + like + "?"
		}
		return wrong(lineOf(text, name), name, "there is no such setting; %s", hint)
	}
	if s.Tables.DecimalComma && s.Tables.Comma() == ',' {
		return wrong(lineOf(text, "tables.decimal"), "tables.decimal", "a decimal comma needs another separator: add separator = \";\"")
	}
	return nil
}

func paths() (list []string) {
	for _, k := range keys {
		list = append(list, k.path())
	}
	return list
}

// flat has the values of a tree by their dotted names.
func flat(tree map[string]any) map[string]any {
	out := map[string]any{}
	for name, value := range tree {
		branch, ok := value.(map[string]any)
		if !ok {
			out[name] = value
			continue
		}
		if len(branch) == 0 && tables[name] == "" {
			out[name] = nil
		}
		for below, v := range flat(branch) {
			out[name+"."+below] = v
		}
	}
	return out
}

// lineOf is the line in which a dotted name stands; 0 where it is written in an unusual
// way.
func lineOf(text []byte, path string) int {
	table := ""
	n := 0
	for line := range bytes.Lines(text) {
		n++
		l := strings.TrimSpace(string(line))
		if strings.HasPrefix(l, "[") {
			table = strings.Trim(strings.Split(l, "]")[0], "[] ") + "."
			if strings.TrimSuffix(table, ".") == path {
				return n
			}
			continue
		}
		name, _, ok := strings.Cut(l, "=")
		if ok && table+strings.Trim(strings.TrimSpace(name), `"'`) == path {
			return n
		}
	}
	return 0
}

// Text is a file of settings with all that is in force, each explained; Read reads it
// back.
func (s Settings) Text() string {
	var out strings.Builder
	if len(s.Places) > 0 {
		out.WriteString("# Looked for in, the last counting most:\n")
	}
	for _, p := range s.Places {
		state := "not there; save this text under that name to change something"
		if p.Read {
			state = "read"
		}
		fmt.Fprintf(&out, "#   %s (%s)\n", p.Path, state)
	}
	table := ""
	for _, k := range keys {
		if k.table != table {
			table = k.table
			fmt.Fprintf(&out, "\n[%s] # %s\n", table, tables[table])
		}
		source := ""
		if at := s.from[k.path()]; at != "" {
			source = "; from " + filepath.Base(at)
		}
		if k.table == "" {
			fmt.Fprintf(&out, "\n# %s%s\n%s = %s\n", k.about, source, k.name, k.text(s))
		} else {
			fmt.Fprintf(&out, "%-22s # %s%s\n", k.name+" = "+k.text(s), k.about, source)
		}
	}
	return out.String()
}

// Setting is one of them, for a document.
type Setting struct {
	Name  string `json:"name"`
	Value any    `json:"value"`
	From  string `json:"from"` // the file that set it; empty for the usual value
	About string `json:"about"`
}

// List has all settings in force.
func (s Settings) List() (list []Setting, err error) {
	for _, k := range keys {
		var v map[string]any
		if err := toml.Unmarshal([]byte("x = "+k.text(s)), &v); err != nil {
			return nil, err
		}
		list = append(list, Setting{k.path(), v["x"], s.from[k.path()], k.about})
	}
	return list, nil
}
