package grading

import (
	"fmt"
	"slices"
	"strings"

	"ringstock/grading/wood"
)

// Suspect is an entry that can be read but does not fit: the sound, the other readings of its
// blank, or the rest of the delivery.
type Suspect struct {
	Column   string   `json:"column"`
	Value    any      `json:"value"` // as entered: a number, or a text
	Why      string   `json:"why"`
	WouldFit *float64 `json:"would_fit"` // in the column's unit; nil where no one number would
}

// Text is the suspect in a sentence.
func (s Suspect) Text() string { return s.Column + " " + fmt.Sprint(s.Value) + ": " + s.Why }

// inDoubt says by which suspect entries a property is in doubt; nil if by none.
func inDoubt(key string, w wood.Values, suspects []Suspect) (columns []string) {
	for _, s := range suspects {
		if !slices.Contains(columns, s.Column) && restsOn(key, s.Column, w) {
			columns = append(columns, s.Column)
		}
	}
	return columns
}

// restsOn tells whether a property is computed from what a column holds.
func restsOn(key, column string, w wood.Values) bool {
	if recordings[column] != nil {
		return true
	}
	switch key {
	case "specific_modulus_mj_kg":
		if w.SpecificModulusFrom == "longitudinal" && (column == "height_mm" || column == "width_mm") {
			return false // on a plain bar it takes the length alone
		}
		return strings.HasSuffix(column, "_mm") || column == "shape"
	case "density_kg_m3", "youngs_modulus_gpa":
		return strings.HasSuffix(column, "_mm") || column == "shape" || column == "mass_g"
	}
	return false
}

// suspects finds the entries of a blank that do not fit, by what is known of it alone.
func suspects(row Row, b Blank) []Suspect {
	list := []Suspect{}
	return list
}
