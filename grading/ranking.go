package grading

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"strings"

	"ringstock/grading/spreadsheet"
	"ringstock/spectrum/measure"
)

// WriteJSON writes the document as an encoder would, but blank after blank, so that
// thousands of them are never in memory as text.
func (g Grading) WriteJSON(w io.Writer) error {
	const indent = " "
	without := g
	without.Blanks = []Blank{}
	raw, err := json.MarshalIndent(without, "", indent)
	if err != nil {
		return err
	}
	head, ok := bytes.CutSuffix(raw, []byte("]\n}"))
	if !ok {
		return errors.New("grading: blanks are not the last of the document")
	}
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		text, err := json.MarshalIndent(b, indent+indent, indent)
		if err != nil {
			return err
		}
		if _, err := w.Write(append(append(head, "\n"+indent+indent...), text...)); err != nil {
			return err
		}
		head = []byte(",")
	}
	if g.Len() > 0 {
		head = []byte("\n" + indent)
	}
	_, err = w.Write(append(head, "]\n}\n"...))
	return err
}

// WriteCSV writes the ranking as a table for a spreadsheet: one row per blank, units in
// the header, empty cells where a value is not known.
func (g Grading) WriteCSV(w io.Writer, dialect spreadsheet.Dialect) error {
	out := spreadsheet.NewWriter(w, dialect)
	if err := out.Row("rank", "rank_low", "rank_high", "blank", "verdict", "score", "score_u",
		"fundamental_hz", "fundamental_u_hz", "q", "q_u", "purity_pct", "purity_u_pct", "unevenness_pct", "unevenness_u_pct",
		"density_kg_m3", "density_kg_m3_u", "specific_modulus_mj_kg", "specific_modulus_mj_kg_u", "youngs_modulus_gpa", "youngs_modulus_gpa_u",
		"species", "supplier", "lot", "price", "currency", "maker_grade", "note", "reasons", "warnings"); err != nil {
		return err
	}
	for b, err := range g.All() {
		if err != nil {
			return err
		}
		row := []any{b.Rank, b.RankLow, b.RankHigh, b.Blank, string(b.Verdict)}
		values := []measure.Value{b.Score, {}, {}, {}, {}, b.Wood.Density, b.Wood.SpecificModulus, b.Wood.YoungsModulus}
		if r := b.Ring; r != nil {
			values[1], values[2], values[3], values[4] = r.Fundamental.Hz, r.Fundamental.Q, r.PurityPct, r.UnevennessPct
		}
		for _, v := range values {
			x, u := NumberCells(v)
			row = append(row, x, u)
		}
		price := spreadsheet.Number("")
		if b.Row.Price != nil {
			price = spreadsheet.Number(strconv.FormatFloat(*b.Row.Price, 'f', -1, 64))
		}
		var warnings []string
		for _, w := range b.Warnings {
			warnings = append(warnings, w.Text)
		}
		row = append(row, b.Row.Species, b.Row.Supplier, b.Row.Lot, price, b.Row.Currency, b.Row.MakerGrade, b.Row.Note,
			strings.Join(b.Reasons, "; "), strings.Join(warnings, "; "))
		if err := out.Row(row...); err != nil {
			return err
		}
	}
	return out.Flush()
}

// NumberCells are a value and its standard uncertainty as cells of a table,
// empty if not known.
func NumberCells(v measure.Value) (x, u spreadsheet.Number) {
	if !v.Known() {
		return "", ""
	}
	return spreadsheet.Number(strconv.FormatFloat(v.X, 'g', 7, 64)), spreadsheet.Number(strconv.FormatFloat(v.U, 'g', 3, 64))
}
