package grading

import (
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"

	"ringstock/grading/spreadsheet"
)

// recordingName is how recordings of one blank are named: number, side, take.
var recordingName = regexp.MustCompile(`^(.+?)(?:[-_ ](width|end))?(?:[-_ ]([0-9]{2}))?$`)

// Begin is a table for the recordings of a folder: one row for each blank that their
// names tell of, and empty cells for what is to be measured.
func Begin(entries []fs.DirEntry, dialect spreadsheet.Dialect) (*Amended, error) {
	head := strings.ReplaceAll("blank,file,width_file,end_file,length_mm,height_mm,width_mm,mass_g,moisture_pct,temperature_c,humidity_pct,species,price,currency,note\n", ",", string(dialect.Comma()))
	if dialect.BOM {
		head = string(utf8BOM) + head
	}
	a, err := Amend([]byte(head))
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() && soundFile(e.Name()) {
			names = append(names, e.Name())
		}
	}
	slices.SortFunc(names, NumberOrder)
	for _, name := range names {
		m := recordingName.FindStringSubmatch(strings.TrimSuffix(name, path.Ext(name)))
		column := map[string]string{"": "file", "width": "width_file", "end": "end_file"}[m[2]]
		a.AddFile(m[1], column, name)
	}
	return a, nil
}
