package stock

import (
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"

	"ringstock/spectrum/measure"
)

// Papers is what a buyer's or an authority's question about a lot needs: where it comes
// from, its papers, and what became of each piece.
type Papers struct {
	Lot       string        `json:"lot"`
	On        Date          `json:"on"`
	Record    *LotRecord    `json:"record"`
	Documents []Document    `json:"documents"`
	Pieces    []Piece       `json:"pieces"`
	Counts    map[State]int `json:"counts"`
	KgIn      measure.Value `json:"kg_in"`       // by the first weighing of each piece
	KgInStock measure.Value `json:"kg_in_stock"` // by the last weighing of each piece in the house
	Missing   []string      `json:"missing"`     // what such a question asks for and nobody wrote down
	Head      string        `json:"head"`        // of the ledger this rests on
	Facts     int           `json:"facts"`
	Caution   string        `json:"caution"`
}

func (p Papers) MarshalJSON() ([]byte, error) { return measure.Marshal(p) }

// Piece is one stick of a lot and what became of it.
type Piece struct {
	ID      string        `json:"id"`
	Blank   string        `json:"blank"`
	Species string        `json:"species"`
	Bought  Date          `json:"bought"`
	State   State         `json:"state"`
	Since   Date          `json:"since"`
	What    string        `json:"what"` // to whom, which bow, why
	Mass    measure.Value `json:"mass_g" u:"mass_u_g"`
}

func (p Piece) MarshalJSON() ([]byte, error) { return measure.Marshal(p) }

// Papers collects them for a lot; with a stick's id, for that piece of its lot alone.
func (s *Store) Papers(ctx context.Context, lot, stick string) (p Papers, err error) {
	p = Papers{Lot: lot, On: s.Today(), Documents: []Document{}, Pieces: []Piece{}, Counts: map[State]int{}, Missing: []string{}, Caution: Caution}
	p.KgIn, p.KgInStock = measure.Of(0, 0), measure.Of(0, 0)
	err = s.read(ctx, func(q querier) error {
		sum, facts, err := readLedger(ctx, q)
		if err != nil {
			return err
		}
		head := sum.head(facts)
		p.Head, p.Facts = head.Text, head.Facts
		blanks, err := all(ctx, q, scanBlank, `SELECT `+blankColumns+` FROM blanks WHERE gone = 0 AND lot = ?1 AND (?2 = '' OR id = ?2) ORDER BY sort_key, id`, lot, stick)
		if err != nil {
			return err
		}
		for _, b := range blanks {
			h, err := history(ctx, q, b.ID)
			if err != nil {
				return err
			}
			p.Pieces = append(p.Pieces, h.piece(b, p.On))
			p.weigh(h, b)
			p.Counts[b.State]++
		}
		if p.Record, err = lotRecord(ctx, q, lot); err != nil {
			return err
		}
		docs, err := documents(ctx, q, lot)
		p.Documents = append(p.Documents, docs...)
		if err == nil && len(blanks) == 0 && p.Record == nil && len(docs) == 0 {
			err = fmt.Errorf("nothing is known of a lot %q: `ringstock stock accounts` lists the lots", lot)
		}
		return err
	})
	p.miss()
	return p, err
}

// piece tells what became of a stick.
func (h History) piece(b Blank, today Date) Piece {
	x := Piece{ID: b.ID, Blank: b.Blank, Species: b.Species, Bought: b.Bought, State: b.State, Since: b.Bought, Mass: b.Mass}
	void := h.Void()
	for _, e := range h.Events {
		if _, moves := passages[e.Kind]; !moves || e.Kind == Moved || void[e.ID] || e.Date > today {
			continue
		}
		x.Since, x.What = e.Date, strings.Join(slices.DeleteFunc([]string{e.Party, e.Reference, e.Reason}, func(s string) bool { return s == "" }), ", ")
		if e.Kind == Used {
			x.What = "bow " + x.What
		}
	}
	return x
}

// weigh adds a stick to the kilograms that came in and to those in the house. One scale
// weighed them all, so the uncertainties add.
func (p *Papers) weigh(h History, b Blank) {
	void := h.Void()
	plus := func(to *measure.Value, x, u float64) { *to = measure.Of(to.X+x/1000, to.U+u/1000) }
	for _, r := range h.Readings {
		if r.Quantity == massQuantity && !void[r.ID] {
			plus(&p.KgIn, r.Value, r.U)
			break
		}
	}
	if !b.Mass.Known() {
		p.Missing = append(p.Missing, fmt.Sprintf("the mass of piece %s", b.Blank))
	} else if b.State.Present() {
		plus(&p.KgInStock, b.Mass.X, b.Mass.U)
	}
}

func (p *Papers) miss() {
	r := p.Record
	if r == nil {
		p.Missing = append(p.Missing, "the record of the lot: write it with `ringstock stock lot`")
		return
	}
	for _, f := range []struct{ name, value string }{
		{"the botanical name", r.BotanicalName}, {"who identified it, and how", r.IdentifiedBy + r.IdentifiedHow}, {"the country of harvest", r.HarvestCountry},
		{"the legal status when it was bought", r.LegalStatus}, {"the supplier", r.Supplier}, {"the invoice", r.InvoiceNumber},
	} {
		if f.value == "" {
			p.Missing = append(p.Missing, f.name)
		}
	}
	if len(p.Documents) == 0 {
		p.Missing = append(p.Missing, "a permit, certificate or invoice: file it with `ringstock stock paper`")
	}
}

// Lines are what was written down of a lot, in the order of a form.
func (r LotRecord) Lines() (out [][2]string) {
	number := func(x *float64, unit string) string {
		if x == nil {
			return ""
		}
		return text(*x) + " " + unit
	}
	pieces := ""
	if r.Pieces != nil {
		pieces = fmt.Sprint(*r.Pieces)
	}
	for _, f := range [][2]string{
		{"sold as", r.SoldAs}, {"botanical name", r.BotanicalName}, {"identified by", r.IdentifiedBy}, {"identified how", r.IdentifiedHow},
		{"legal status when bought", r.LegalStatus}, {"country of harvest", r.HarvestCountry}, {"region of harvest", r.HarvestRegion},
		{"felled", r.FelledOn}, {"acquired", string(r.AcquiredOn)}, {"proof", r.AgeProof}, {"supplier", r.Supplier},
		{"invoice", strings.TrimSpace(r.InvoiceNumber + " " + string(r.InvoiceDate))}, {"pieces on the invoice", pieces},
		{"mass on the invoice", number(r.MassKg, "kg")}, {"volume on the invoice", number(r.VolumeM3, "m³")},
		{"stock registration", r.StockRegistration}, {"note", r.Note},
	} {
		if f[1] != "" {
			out = append(out, f)
		}
	}
	return out
}

//go:embed papers.html
var papersHTML string

var papersPage = template.Must(template.New("papers").Parse(papersHTML))

// WritePapers writes the page to print.
func WritePapers(w io.Writer, p Papers) error { return papersPage.Execute(w, p) }
