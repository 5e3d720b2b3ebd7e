package stock

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// LotRecord is what is known of a lot, for the maker's own order and for an authority
// that asks. What is sold as a species and what it was identified as are two things.
type LotRecord struct {
	Lot               string   `json:"lot"`
	SoldAs            string   `json:"sold_as"`
	BotanicalName     string   `json:"botanical_name"`
	IdentifiedBy      string   `json:"identified_by"`
	IdentifiedHow     string   `json:"identified_how"`
	LegalStatus       string   `json:"legal_status"` // appendix and annotation when it was bought, as the papers say
	HarvestCountry    string   `json:"harvest_country"`
	HarvestRegion     string   `json:"harvest_region"`
	FelledOn          string   `json:"felled_on"` // a day, a year, or what is known
	AcquiredOn        Date     `json:"acquired_on"`
	AgeProof          string   `json:"age_proof"` // what proves felling or acquisition
	Supplier          string   `json:"supplier"`
	InvoiceNumber     string   `json:"invoice_number"`
	InvoiceDate       Date     `json:"invoice_date"`
	Pieces            *int     `json:"pieces"` // as on the invoice
	MassKg            *float64 `json:"mass_kg"`
	VolumeM3          *float64 `json:"volume_m3"`
	StockRegistration string   `json:"stock_registration"`
	Note              string   `json:"note"`
}

// Document is a permit, certificate or invoice of a lot.
type Document struct {
	ID         string `json:"id"`
	Lot        string `json:"lot"`
	Kind       string `json:"kind"`
	Number     string `json:"number"`
	Issuer     string `json:"issuer"`
	IssuedOn   Date   `json:"issued_on"`
	ExpiresOn  Date   `json:"expires_on"`
	SHA256     string `json:"sha256"` // of its scan, or empty
	Note       string `json:"note"`
	Date       Date   `json:"date"`
	RecordedAt string `json:"recorded_at"`
	Rank       int    `json:"rank,omitempty"`
}

func (d Document) contentID() string {
	return idOf("document", d.Lot, d.Kind, d.Number, d.Issuer, string(d.IssuedOn), string(d.ExpiresOn), d.SHA256, d.Note)
}

func (d Document) ownID() string { return idOf("paper", d.contentID(), string(d.Date)) }

func (d Document) idFits() bool {
	if d.Rank == 0 {
		return d.ID == d.contentID()
	}
	return d.ID == d.ownID() || d.ID == idAt(d.ownID(), d.RecordedAt, d.Rank)
}

// idFits recomputes the id; in schema 1 it was random.
func (l lotFact) idFits() bool {
	if l.Rank == 0 {
		return isID(l.ID)
	}
	id, err := l.ownID()
	return err == nil && l.ID == id
}

func (l lotFact) ownID() (string, error) {
	raw, err := json.Marshal(l.Record)
	return idAt(idOf("lot record", l.Record.Lot, string(l.Date), string(raw)), l.RecordedAt, l.Rank), err
}

// lotFact is a lot record as it is kept: the newest of a lot counts.
type lotFact struct {
	ID         string    `json:"id"`
	Date       Date      `json:"date"`
	RecordedAt string    `json:"recorded_at"`
	Rank       int       `json:"rank,omitempty"`
	Record     LotRecord `json:"record"`
}

// RecordLot writes down what is known of a lot: change is given what was known. Reading
// and writing are one act, so that of two programs neither loses what the other wrote. An
// earlier record of the same lot is kept; it no longer counts.
func (s *Store) RecordLot(ctx context.Context, date Date, lot string, change func(*LotRecord)) error {
	if date == "" {
		date = s.Today()
	}
	if lot == "" {
		return errors.New("a lot record needs the number of the lot")
	}
	var doubts doubtList
	doubts.future(s, date)
	if err := doubts.err(s); err != nil {
		return err
	}
	return s.write(ctx, "record of lot "+lot, func(t *tx) error {
		have, err := lotRecord(ctx, t, lot)
		if err != nil {
			return err
		}
		r := LotRecord{Lot: lot}
		if have != nil {
			r = *have
		}
		change(&r)
		if have != nil && sameJSON(*have, r) {
			return nil
		}
		_, err = t.enterLot(lotFact{Date: date, Record: r})
		return err
	})
}

// enterLot writes a lot record down, with the event that tells of it.
func (t *tx) enterLot(l lotFact) (id string, err error) {
	if l.Rank, err = t.rank("", l.Record.Lot); err != nil {
		return "", err
	}
	l.RecordedAt = t.tick()
	if l.ID, err = l.ownID(); err != nil {
		return "", err
	}
	if _, err := t.insertLot(l); err != nil {
		return "", err
	}
	_, _, err = t.enterEvent(Event{Lot: l.Record.Lot, Date: l.Date, Kind: LotRecorded, Reference: l.ID})
	return l.ID, err
}

func sameJSON(a, b any) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && string(x) == string(y)
}

func (t *tx) insertLot(l lotFact) (bool, error) {
	raw, err := json.Marshal(l.Record)
	if err != nil {
		return false, err
	}
	return t.insert(`INSERT INTO lot_records (id, lot, date, recorded_at, rank, record) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
		l.ID, l.Record.Lot, l.Date, l.RecordedAt, l.Rank, string(raw))
}

// FilePaper enters a document of a lot; scan is the path of a copy to keep, or empty.
// Filing the same paper twice changes nothing.
func (s *Store) FilePaper(ctx context.Context, d Document, scan string) (Document, error) {
	if d.Date == "" {
		d.Date = s.Today()
	}
	if d.Lot == "" || d.Kind == "" || d.Number == "" {
		return d, errors.New("a paper needs its lot, its kind (permit, certificate, invoice ...) and its number")
	}
	var f File
	if scan != "" {
		kept := keeper{dir: s.opt.Dir}
		var err error
		if f, err = kept.keepPath(PaperFile, scan); err != nil {
			return d, err
		}
		if err := kept.sync(); err != nil {
			return d, err
		}
		d.SHA256 = f.SHA256
	}
	var doubts doubtList
	doubts.future(s, d.Date)
	if err := doubts.err(s); err != nil {
		return d, err
	}
	err := s.write(ctx, d.Kind+" "+d.Number+" of lot "+d.Lot, func(t *tx) error {
		if scan != "" {
			if err := t.insertFile(f); err != nil {
				return err
			}
		}
		have, err := documents(ctx, t, d.Lot)
		if err != nil {
			return err
		}
		for _, h := range have {
			if h.contentID() == d.contentID() {
				d = h
				return nil
			}
		}
		d.ID, err = t.enterDocument(d)
		return err
	})
	return d, err
}

// enterDocument writes a paper down, with the event that tells of it.
func (t *tx) enterDocument(d Document) (id string, err error) {
	if d.Rank, err = t.rank("", d.Lot); err != nil {
		return "", err
	}
	d.RecordedAt = t.tick()
	d.ID = d.ownID()
	stands, there, err := t.stands("documents", d.ID, "", d.Lot)
	if err != nil || stands {
		return d.ID, err
	}
	if there {
		d.ID = idAt(d.ID, d.RecordedAt, d.Rank)
	}
	if _, err := t.insertDocument(d); err != nil {
		return "", err
	}
	_, _, err = t.enterEvent(Event{Lot: d.Lot, Date: d.Date, Kind: PaperFiled, Reference: d.ID})
	return d.ID, err
}

func (t *tx) insertDocument(d Document) (bool, error) {
	null := func(s string) any {
		if s == "" {
			return nil
		}
		return s
	}
	return t.insert(`INSERT INTO documents (id, lot, kind, number, issuer, issued_on, expires_on, sha256, note, date, recorded_at, rank)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING`,
		d.ID, d.Lot, d.Kind, d.Number, d.Issuer, null(string(d.IssuedOn)), null(string(d.ExpiresOn)), null(d.SHA256), d.Note, d.Date, d.RecordedAt, d.Rank)
}

const (
	lotColumns      = `id, date, recorded_at, rank, record`
	documentColumns = `id, lot, kind, number, issuer, coalesce(issued_on, ''), coalesce(expires_on, ''), coalesce(sha256, ''), note, date, recorded_at, rank`
)

func scanLot(row scanner) (l lotFact, err error) {
	var raw string
	if err := row.Scan(&l.ID, &l.Date, &l.RecordedAt, &l.Rank, &raw); err != nil {
		return l, err
	}
	return l, json.Unmarshal([]byte(raw), &l.Record)
}

func scanDocument(row scanner) (d Document, err error) {
	err = row.Scan(&d.ID, &d.Lot, &d.Kind, &d.Number, &d.Issuer, &d.IssuedOn, &d.ExpiresOn, &d.SHA256, &d.Note, &d.Date, &d.RecordedAt, &d.Rank)
	return d, err
}

// lotRecord is the record of a lot that counts, or nil: the last one that stands, by what
// was known when it was written, then by the clock.
func lotRecord(ctx context.Context, q querier, lot string) (*LotRecord, error) {
	l, err := countingRecord(ctx, q, lot)
	if l == nil {
		return nil, err
	}
	return &l.Record, err
}

func countingRecord(ctx context.Context, q querier, lot string) (*lotFact, error) {
	records, err := all(ctx, q, scanLot, `SELECT `+lotColumns+` FROM lot_records WHERE lot = ? ORDER BY rank DESC, recorded_at DESC, id DESC`, lot)
	if err != nil || len(records) == 0 {
		return nil, err
	}
	void, err := voidOf(ctx, q, "", lot)
	for i, l := range records {
		if !void[l.ID] {
			return &records[i], err
		}
	}
	return nil, err
}

// documents are the papers of a lot that stand.
func documents(ctx context.Context, q querier, lot string) ([]Document, error) {
	list, err := all(ctx, q, scanDocument, `SELECT `+documentColumns+` FROM documents WHERE lot = ? ORDER BY date, recorded_at, id`, lot)
	if err != nil || len(list) == 0 {
		return list, err
	}
	void, err := voidOf(ctx, q, "", lot)
	return slices.DeleteFunc(list, func(d Document) bool { return void[d.ID] }), err
}

// Money is what was paid in one currency.
type Money struct {
	Currency string  `json:"currency"`
	Amount   float64 `json:"amount"`
	Pieces   int     `json:"pieces"`   // with a price
	Unpriced int     `json:"unpriced"` // without one, counted under the empty currency
}

// Lot is a lot with its papers and what it cost.
type Lot struct {
	Lot       string     `json:"lot"`
	Pieces    int        `json:"pieces"` // entered
	Record    *LotRecord `json:"record"`
	RecordID  string     `json:"record_id"` // of the record that counts
	Documents []Document `json:"documents"`
	Spent     []Money    `json:"spent"`
}

// Visit is one day's buying of a delivery, with the running total up to it.
type Visit struct {
	Date     Date    `json:"date"`
	Delivery string  `json:"delivery"`
	Spent    []Money `json:"spent"`
	Running  []Money `json:"running"`
}

// Accounts is the money in the stock: by lot, and visit by visit.
type Accounts struct {
	Lots   []Lot   `json:"lots"`
	Visits []Visit `json:"visits"`
}

// Accounts sums what was paid and lists the papers of every lot.
func (s *Store) Accounts(ctx context.Context) (a Accounts, err error) {
	err = s.read(ctx, func(q querier) error {
		type purchase struct {
			lot, delivery, currency string
			date                    Date
			price                   *float64
		}
		lots, spent := map[string]*Lot{}, map[string]map[string]*Money{}
		names, err := all(ctx, q, func(row scanner) (n string, err error) { return n, row.Scan(&n) },
			`SELECT lot FROM blanks WHERE gone = 0 UNION SELECT lot FROM lot_records UNION SELECT lot FROM documents ORDER BY 1`)
		if err != nil {
			return err
		}
		for _, n := range names {
			l := &Lot{Lot: n}
			record, err := countingRecord(ctx, q, n)
			if err != nil {
				return err
			}
			if record != nil {
				l.Record, l.RecordID = &record.Record, record.ID
			}
			if l.Documents, err = documents(ctx, q, n); err != nil {
				return err
			}
			lots[n], spent[n] = l, map[string]*Money{}
		}
		running, ofVisit := map[string]*Money{}, map[string]*Money{}
		visit := Visit{}
		finish := func() {
			if len(ofVisit) > 0 {
				visit.Spent, visit.Running = sums(ofVisit), sums(running)
				a.Visits = append(a.Visits, visit)
			}
			ofVisit = map[string]*Money{}
		}
		err = each(ctx, q, func(row scanner) (p purchase, err error) {
			return p, row.Scan(&p.lot, &p.delivery, &p.currency, &p.date, &p.price)
		}, func(p purchase) error {
			if p.date != visit.Date || p.delivery != visit.Delivery {
				finish()
				visit = Visit{Date: p.date, Delivery: p.delivery}
			}
			lots[p.lot].Pieces++
			pay(spent[p.lot], p.currency, p.price)
			pay(ofVisit, p.currency, p.price)
			pay(running, p.currency, p.price)
			return nil
		}, `SELECT lot, delivery, currency, bought, price FROM blanks WHERE gone = 0 ORDER BY bought, delivery, sort_key`)
		if err != nil {
			return err
		}
		finish()
		for _, n := range names {
			lots[n].Spent = sums(spent[n])
			a.Lots = append(a.Lots, *lots[n])
		}
		return nil
	})
	return a, err
}

func pay(to map[string]*Money, currency string, price *float64) {
	if price == nil {
		currency = ""
	}
	m := to[currency]
	if m == nil {
		m = &Money{Currency: currency}
		to[currency] = m
	}
	if price == nil {
		m.Unpriced++
		return
	}
	m.Pieces++
	m.Amount += *price
}

// Sum is what was paid for some sticks.
func Sum(blanks []Blank) []Money {
	m := map[string]*Money{}
	for _, b := range blanks {
		pay(m, b.Currency, b.Price)
	}
	return sums(m)
}

func sums(m map[string]*Money) (out []Money) {
	for _, v := range m {
		out = append(out, *v)
	}
	slices.SortFunc(out, func(a, b Money) int { return strings.Compare(a.Currency, b.Currency) })
	return out
}

func (m Money) String() string {
	sticks := fmt.Sprintf("%d sticks", m.Pieces)
	switch {
	case m.Pieces == 0:
		return fmt.Sprintf("%d without a price", m.Unpriced)
	case m.Pieces == 1:
		sticks = "1 stick"
	}
	if m.Unpriced > 0 { // priced sticks that name no currency
		sticks += fmt.Sprintf(", %d without a price", m.Unpriced)
	}
	return fmt.Sprintf("%.2f %s(%s)", m.Amount, strings.TrimPrefix(m.Currency+" ", " "), sticks)
}
