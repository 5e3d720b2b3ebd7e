package grading

import (
	"ringstock/grading/wood"
	"ringstock/spectrum/measure"
)

// Row is what delivery.csv says about one blank, units as in the column names.
type Row struct {
	Blank     string   `json:"blank"`
	File      []string `json:"file"`
	WidthFile []string `json:"width_file"`
	EndFile   []string `json:"end_file"`
	wood.Readings
	Species    string            `json:"species"`
	Price      *float64          `json:"price"`
	Currency   string            `json:"currency"`
	Supplier   string            `json:"supplier"`
	Lot        string            `json:"lot"`
	MakerGrade string            `json:"maker_grade"`
	Note       string            `json:"note"`
	Notes      map[string]string `json:"notes"`    // unknown columns, kept
	Unused     []Unused          `json:"unused"`   // cells about it that could not be used
	Defaults   []string          `json:"defaults"` // the usual standard uncertainties that were put in where the table gives none
}

func (r Row) MarshalJSON() ([]byte, error)  { return measure.Marshal(r) }
func (r *Row) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, r) }
