package stock

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"ringstock/grading"
	"ringstock/spectrum/measure"
)

// Date is a day, YYYY-MM-DD; empty if there is none, which is null in JSON.
type Date string

// ParseDate reads a day and refuses one that is not in the calendar.
func ParseDate(s string) (Date, error) {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return "", fmt.Errorf("%q is not a day: write it as 2031-03-28, year first", s)
	}
	return Date(s), nil
}

// DateOf is the day of a moment, in the moment's own time zone.
func DateOf(t time.Time) Date { return Date(t.Format(time.DateOnly)) }

// Time is the beginning of the day, UTC; the zero time for no day.
func (d Date) Time() time.Time {
	if year, month, day, ok := d.digits(); ok && month >= 1 && month <= 12 && day >= 1 && day <= 28 {
		return time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC) // a tenth of what Parse takes
	}
	t, _ := time.Parse(time.DateOnly, string(d))
	return t
}

// digits are the numbers of a day written as 2006-01-02.
func (d Date) digits() (year, month, day int, ok bool) {
	if len(d) != len(time.DateOnly) || d[4] != '-' || d[7] != '-' {
		return 0, 0, 0, false
	}
	ok = true
	number := func(from, to int) (n int) {
		for _, c := range []byte(d[from:to]) {
			ok = ok && c >= '0' && c <= '9'
			n = 10*n + int(c-'0')
		}
		return n
	}
	return number(0, 4), number(5, 7), number(8, 10), ok
}

// Days is the number of days from an earlier day to this one.
func (d Date) Days(since Date) float64 { return d.Time().Sub(since.Time()).Hours() / 24 }

func (d Date) MarshalJSON() ([]byte, error) {
	if d == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(d))
}

func (d *Date) UnmarshalJSON(b []byte) error {
	var s *string
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	*d = ""
	if s == nil {
		return nil
	}
	var err error
	*d, err = ParseDate(*s)
	return err
}

// Kind is what happened to a stick, or to a lot.
type Kind string

// The kinds of events.
const (
	Bought      Kind = "bought"
	Measured    Kind = "measured"
	Tested      Kind = "tested"
	Graded      Kind = "graded" // by the maker's own judgement
	Moved       Kind = "moved"
	Reserved    Kind = "reserved"
	Started     Kind = "started"
	Returned    Kind = "returned"
	Failed      Kind = "failed"
	Used        Kind = "used" // became a bow
	Sold        Kind = "sold"
	Scrapped    Kind = "scrapped"
	Corrected   Kind = "corrected"
	LotRecorded Kind = "lot recorded"
	PaperFiled  Kind = "paper filed"
)

// State is where a stick is in its life.
type State string

// The states of a stick.
const (
	InStock    State = "in stock"
	IsReserved State = "reserved"
	IsStarted  State = "started"
	IsUsed     State = "used"
	IsSold     State = "sold"
	IsScrapped State = "scrapped"
	IsFailed   State = "failed"
)

// Present tells whether the wood is still in the house as wood.
func (s State) Present() bool { return s == InStock || s == IsReserved || s == IsStarted }

// passages says from which states a kind of event leads to which. An event that is not
// listed leaves the state as it is. What is returned goes back to where it was before.
var passages = map[Kind]struct {
	to   State
	from []State
}{
	Reserved: {IsReserved, []State{InStock, IsReserved}},
	Started:  {IsStarted, []State{InStock, IsReserved}},
	Failed:   {IsFailed, []State{InStock, IsReserved, IsStarted}},
	Used:     {IsUsed, []State{InStock, IsReserved, IsStarted}},
	Sold:     {IsSold, []State{InStock, IsReserved, IsStarted, IsUsed, IsFailed}},
	Scrapped: {IsScrapped, []State{InStock, IsReserved, IsStarted, IsFailed}},
	Returned: {InStock, []State{IsReserved, IsStarted, IsSold}},
	Moved:    {"", []State{InStock, IsReserved, IsStarted, IsUsed, IsFailed}},
}

// Event is one line of the ledger.
type Event struct {
	ID         string            `json:"id"`
	Blank      string            `json:"blank,omitempty"` // id of the stick; empty for an event of a lot
	Lot        string            `json:"lot,omitempty"`
	Date       Date              `json:"date"`           // the day it happened
	RecordedAt string            `json:"recorded_at"`    // the moment it was written down
	Rank       int               `json:"rank,omitempty"` // after what else about the stick it was written down
	Kind       Kind              `json:"kind"`
	Place      string            `json:"place,omitempty"`     // rack and row
	Party      string            `json:"party,omitempty"`     // for whom, to whom, from whom
	Reference  string            `json:"reference,omitempty"` // bow number, invoice, id of the test or paper it tells of
	Grade      string            `json:"grade,omitempty"`     // the maker's own
	Reason     string            `json:"reason,omitempty"`
	Corrects   string            `json:"corrects,omitempty"` // id of the fact declared void
	Fields     map[string]string `json:"fields,omitempty"`   // bought: what the stick is; corrected: what it is in truth
}

// ownID is the id that follows from what the event says; what may be done twice in the
// same words has the moment in it too.
func (e Event) ownID() string {
	switch e.Kind {
	case Measured:
		return idOf("measured", e.Blank, string(e.Date), e.Reason)
	case Tested:
		return idOf("tested", e.Reference)
	case LotRecorded:
		return idOf("lot recorded", e.Reference)
	case PaperFiled:
		return idOf("paper filed", e.Reference)
	}
	fields, _ := json.Marshal(e.Fields) // texts can always be written
	if len(e.Fields) == 0 {
		fields = nil
	}
	return idOf("event", string(e.Kind), e.Blank, e.Lot, string(e.Date), e.Place, e.Party, e.Reference, e.Grade, e.Reason, e.Corrects, string(fields))
}

// idFits recomputes the id from what the event says. In schema 1 acts had random ids,
// which only their seal vouches for.
func (e Event) idFits() bool {
	if e.Rank > 0 {
		own := e.ownID()
		return e.ID == own || e.ID == idAt(own, e.RecordedAt, e.Rank)
	}
	switch e.Kind {
	case Bought:
		return e.ID == idOf("bought", e.Blank)
	case Measured, Tested, LotRecorded, PaperFiled:
		return e.ID == e.ownID()
	}
	return isID(e.ID)
}

// Reading is one measured quantity of a stick on one day.
type Reading struct {
	ID           string   `json:"id"`
	Blank        string   `json:"blank"`
	Date         Date     `json:"date"`
	RecordedAt   string   `json:"recorded_at"`
	Rank         int      `json:"rank,omitempty"`
	Quantity     string   `json:"quantity"` // with its unit, as in delivery.csv: mass_g, length_mm ...
	Value        float64  `json:"value"`
	U            float64  `json:"u"` // standard uncertainty (k = 1), same unit
	Instrument   string   `json:"instrument"`
	TemperatureC *float64 `json:"temperature_c"` // of the air
	HumidityPct  *float64 `json:"humidity_pct"`  // of the air, relative
	Remark       string   `json:"remark"`
}

func (r Reading) contentID() string {
	return idOf("reading", r.Blank, string(r.Date), r.Quantity, text(r.Value), text(r.U), r.Instrument, optional(r.TemperatureC), optional(r.HumidityPct), r.Remark)
}

func (r Reading) idFits() bool {
	own := r.contentID()
	return r.ID == own || r.Rank > 0 && r.ID == idAt(own, r.RecordedAt, r.Rank)
}

// TestRecording is a recording that a test rests on.
type TestRecording struct {
	Role   string `json:"role"` // "side", "width" or "end": the face that was tapped
	SHA256 string `json:"sha256"`
	Name   string `json:"name"` // what the file was called when it came in
}

// Test is one judgement of a stick's ring by one method.
type Test struct {
	ID              string          `json:"id"`
	Blank           string          `json:"blank"`
	Date            Date            `json:"date"`
	RecordedAt      string          `json:"recorded_at"`
	Rank            int             `json:"rank"`
	Method          string          `json:"method"`
	Profile         string          `json:"profile"`
	Device          string          `json:"device"`
	Place           string          `json:"place"`
	Redoes          string          `json:"redoes"` // id of the test whose recordings were analysed again
	Verdict         grading.Verdict `json:"verdict"`
	Score           measure.Value   `json:"score"`
	Hz              measure.Value   `json:"hz"` // fundamental
	Q               measure.Value   `json:"q"`  // of the fundamental
	Density         measure.Value   `json:"density_kg_m3"`
	SpecificModulus measure.Value   `json:"specific_modulus_mj_kg"`
	Recordings      []TestRecording `json:"recordings"`
}

func (t Test) MarshalJSON() ([]byte, error)  { return measure.Marshal(t) }
func (t *Test) UnmarshalJSON(b []byte) error { return measure.Unmarshal(b, t) }

// contentID leaves out what today's method found: the same recordings judged by the
// same method and profile on the same readings are the same test.
func (t Test) contentID(row grading.Row) string {
	parts := []string{"test", t.Blank, string(t.Date), t.Method, t.Profile, t.Device, t.Place, t.Redoes, string(row.Shape)}
	for _, r := range readingsOfRow(row) {
		// As many digits as JSON has, so that the id is the same after a journey.
		parts = append(parts, fmt.Sprintf("%s %.9g %.9g", r.Quantity, r.Value, r.U))
	}
	for _, r := range t.Recordings {
		parts = append(parts, r.Role, r.SHA256)
	}
	return idOf(parts...)
}

// ownID has what was found in it too: another machine may compute other last digits.
func (t Test) ownID(row grading.Row, result []byte) string {
	sum := sha256.Sum256(result)
	parts := []string{"judgement", t.contentID(row), hex.EncodeToString(sum[:])}
	for _, r := range t.Recordings {
		parts = append(parts, r.Name)
	}
	return idOf(parts...)
}

func (t Test) idFits(row grading.Row, result []byte) bool {
	if t.Rank == 0 {
		// A result does not keep the uncertainties of heads and tips, which are those of
		// the length, the height and the width.
		written := row
		for _, q := range []struct{ of, as *measure.Value }{
			{&written.HeadLengthMM, &row.LengthMM}, {&written.HeadHeightMM, &row.HeightMM}, {&written.TipHeightMM, &row.HeightMM}, {&written.TipWidthMM, &row.WidthMM},
		} {
			if q.of.Known() && q.of.U == 0 {
				*q.of = measure.Of(q.of.X, q.as.U)
			}
		}
		return t.ID == t.contentID(row) || t.ID == t.contentID(written)
	}
	own := t.ownID(row, result)
	return t.ID == own || t.ID == idAt(own, t.RecordedAt, t.Rank)
}

// Blank is what the facts say of one stick.
type Blank struct {
	ID              string          `json:"id"`
	Blank           string          `json:"blank"` // the maker's number
	State           State           `json:"state"`
	Lot             string          `json:"lot"`
	Delivery        string          `json:"delivery"`
	Place           string          `json:"place"`
	Species         string          `json:"species"`
	Supplier        string          `json:"supplier"`
	Party           string          `json:"party"`     // reserved for, sold to
	Reference       string          `json:"reference"` // bow number
	MakerGrade      string          `json:"maker_grade"`
	Note            string          `json:"note"`
	Price           *float64        `json:"price"`
	Currency        string          `json:"currency"`
	Bought          Date            `json:"bought"`
	Profile         string          `json:"profile"`
	Verdict         grading.Verdict `json:"verdict"`
	Score           measure.Value   `json:"score"`
	Hz              measure.Value   `json:"hz"`
	Q               measure.Value   `json:"q"`
	Density         measure.Value   `json:"density_kg_m3"`
	SpecificModulus measure.Value   `json:"specific_modulus_mj_kg"`
	Mass            measure.Value   `json:"mass_g" u:"mass_u_g"`
	Tests           int             `json:"tests"`
	LastTest        Date            `json:"last_test"`
}

func (b Blank) MarshalJSON() ([]byte, error)  { return measure.Marshal(b) }
func (b *Blank) UnmarshalJSON(j []byte) error { return measure.Unmarshal(j, b) }

// History is every fact about one stick, each list in order.
type History struct {
	Events   []Event
	Readings []Reading
	Tests    []Test
}

// before is the order of facts, which does not depend on the machine that wrote them
// down: by day, then by what was known when they were written, and only then by the
// clock.
func before(d1, d2 Date, k1, k2 int, r1, r2, i1, i2 string) int {
	return cmp.Or(cmp.Compare(d1, d2), cmp.Compare(k1, k2), cmp.Compare(r1, r2), cmp.Compare(i1, i2))
}

func (h *History) sort() {
	slices.SortFunc(h.Events, func(a, b Event) int {
		if (a.Kind == Bought) != (b.Kind == Bought) && a.Date == b.Date {
			return map[bool]int{true: -1, false: 1}[a.Kind == Bought]
		}
		return before(a.Date, b.Date, a.Rank, b.Rank, a.RecordedAt, b.RecordedAt, a.ID, b.ID)
	})
	slices.SortFunc(h.Readings, func(a, b Reading) int {
		return before(a.Date, b.Date, a.Rank, b.Rank, a.RecordedAt, b.RecordedAt, a.ID, b.ID)
	})
	slices.SortFunc(h.Tests, func(a, b Test) int {
		return before(a.Date, b.Date, a.Rank, b.Rank, a.RecordedAt, b.RecordedAt, a.ID, b.ID)
	})
}

// Void holds the ids of the facts that a correction took back. A correction that was
// itself taken back takes nothing back; no clock has a say in it.
func (h History) Void() map[string]bool { return voided(h.Events) }

func voided(events []Event) map[string]bool {
	by := map[string][]string{} // the corrections of a fact
	for _, e := range events {
		if e.Kind == Corrected && e.Corrects != "" {
			by[e.Corrects] = append(by[e.Corrects], e.ID)
		}
	}
	void := map[string]bool{}
	if len(by) == 0 {
		return void
	}
	seen := map[string]bool{} // no fact can take back one that takes it back in turn
	var is func(id string) bool
	is = func(id string) bool {
		if seen[id] {
			return void[id]
		}
		seen[id] = true
		for _, c := range by[id] {
			if !is(c) {
				void[id] = true
			}
		}
		return void[id]
	}
	for _, id := range slices.Sorted(maps.Keys(by)) {
		is(id)
	}
	return void
}

// purchases are the events by which a stick came in, without those taken back. When two
// stocks that had both entered the stick were brought together there is another proper
// one: the first counts, the others are only told of.
func (h History) purchases(void map[string]bool) (count, again []Event) {
	for _, e := range h.Events {
		switch {
		case e.Kind != Bought || void[e.ID]:
		case len(count) == 0 || !e.idFits():
			count = append(count, e)
		default:
			again = append(again, e)
		}
	}
	return count, again
}

// settings are what corrections say the stick is in truth, in the order in which they
// were known.
func (h History) settings(void map[string]bool) (out []Event) {
	for _, e := range h.Events {
		if e.Kind == Corrected && len(e.Fields) > 0 && !void[e.ID] {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.Rank, b.Rank), before(a.Date, b.Date, 0, 0, a.RecordedAt, b.RecordedAt, a.ID, b.ID))
	})
	return out
}

// On is the stick as it was at the end of a day; the empty day means all that is entered,
// even for days to come. What was corrected later counts as corrected from the start.
// Problems are events that can't have happened in this order; they are followed all the
// same, so that nothing is lost. A stick that was not yet bought has no state.
func (h History) On(day Date) (b Blank, problems []string) {
	void := h.Void()
	purchases, again := h.purchases(void)
	skip := map[string]bool{}
	for _, e := range again {
		skip[e.ID] = true
	}
	was := map[State]State{} // the state a sold stick comes back to
	for _, e := range h.Events {
		// What corrections say is set at the end; what was measured is not in the ledger.
		if e.Kind == Corrected || e.Kind == Measured || e.Kind == Tested || void[e.ID] || skip[e.ID] || day != "" && e.Date > day {
			continue
		}
		if e.Kind != Bought && b.State == "" && len(purchases) > 0 {
			problems = append(problems, fmt.Sprintf("%s on %s, before it was bought", e.Kind, e.Date))
		}
		if e.Kind == Bought && b.State != "" {
			problems = append(problems, fmt.Sprintf("bought twice, the second time on %s", e.Date))
			continue
		}
		problems = append(problems, b.pass(e, was)...)
	}
	if b.State == "" {
		b.identify(h)
	}
	for _, e := range h.settings(void) {
		b.set(e.Fields)
	}
	h.figures(&b, void, day)
	return b, problems
}

// pass follows one event.
func (b *Blank) pass(e Event, was map[State]State) (problems []string) {
	if p, ok := passages[e.Kind]; ok && b.State != "" {
		if !slices.Contains(p.from, b.State) {
			problems = append(problems, fmt.Sprintf("%s on %s, when it was already %s", e.Kind, e.Date, b.State))
		}
		to := p.to
		if e.Kind == Returned && b.State == IsSold {
			to = was[IsSold]
		}
		if e.Kind == Sold {
			was[IsSold] = b.State
			if b.State == IsReserved {
				was[IsSold] = InStock
			}
		}
		if to != "" {
			b.State, b.Party = to, ""
		}
	}
	switch e.Kind {
	case Bought:
		b.ID, b.State, b.Bought, b.Place = e.Blank, InStock, e.Date, e.Place
		b.set(e.Fields)
	case Graded:
		b.MakerGrade = e.Grade
	case Reserved, Sold:
		b.Party = e.Party
	case Used:
		b.Reference = e.Reference
	}
	if e.Place != "" {
		b.Place = e.Place
	}
	return problems
}

// identify names a stick that has no state: what its purchase said of it, taken back or
// still to come.
func (b *Blank) identify(h History) {
	for _, e := range h.Events {
		if e.Kind == Bought {
			b.ID, b.Bought = e.Blank, e.Date
			b.set(e.Fields)
			return
		}
	}
}

// figures sets what was measured and judged up to a day.
func (h History) figures(b *Blank, void map[string]bool, day Date) {
	b.Mass = measure.Unknown("not weighed yet")
	for _, r := range h.Readings {
		if r.Quantity == massQuantity && !void[r.ID] && (day == "" || r.Date <= day) {
			b.Mass = measure.Of(r.Value, r.U)
		}
	}
	none := "not tested yet"
	b.Score, b.Hz, b.Q, b.Density, b.SpecificModulus = measure.Unknown(none), measure.Unknown(none), measure.Unknown(none), measure.Unknown(none), measure.Unknown(none)
	for _, t := range h.Tests {
		if t.Redoes == "" && !void[t.ID] && (day == "" || t.Date <= day) {
			b.Tests++
		}
	}
	if t := h.counting(void, day, b.Profile); t != nil {
		b.Profile, b.Verdict, b.LastTest = t.Profile, t.Verdict, t.Date
		b.Score, b.Hz, b.Q, b.Density, b.SpecificModulus = t.Score, t.Hz, t.Q, t.Density, t.SpecificModulus
	}
}

// chosen is the profile that a correction chose for the stick, if one did.
func (h History) chosen(void map[string]bool) (profile string) {
	for _, e := range h.settings(void) {
		if p, ok := e.Fields["profile"]; ok {
			profile = p
		}
	}
	return profile
}

// counting is the judgement that counts on a day: the last one by the profile that was
// chosen for the stick, else by that of its last test. A judgement by another profile
// stands beside it. Nil if there is none.
func (h History) counting(void map[string]bool, day Date, chosen string) (counts *Test) {
	stands := func(t Test) bool { return !void[t.ID] && (day == "" || t.Date <= day) }
	profile := chosen
	if profile == "" {
		for _, t := range h.Tests {
			// Before there was a choice, the last judgement counted,
			// whatever its profile.
			if stands(t) && (t.Redoes == "" || t.Rank == 0) {
				profile = t.Profile
			}
		}
	}
	for i, t := range h.Tests {
		if stands(t) && (t.Profile == profile || counts == nil) {
			counts = &h.Tests[i]
		}
	}
	return counts
}

// massQuantity is the reading that tells of drying.
const massQuantity = "mass_g"

// Fields of a stick that an event 'bought' sets and one 'corrected' may set right.
// Every other name is kept with the event and shown with the history. The profile is the
// one whose judgement counts.
var fieldNames = []string{"blank", "lot", "delivery", "species", "supplier", "price", "currency", "note", "profile"}

func (b *Blank) set(fields map[string]string) {
	for name, to := range map[string]*string{
		"blank": &b.Blank, "lot": &b.Lot, "delivery": &b.Delivery, "species": &b.Species,
		"supplier": &b.Supplier, "currency": &b.Currency, "note": &b.Note, "profile": &b.Profile,
	} {
		if v, ok := fields[name]; ok {
			*to = v
		}
	}
	if v, ok := fields["price"]; ok {
		b.Price = nil
		if p, err := strconv.ParseFloat(v, 64); err == nil {
			b.Price = &p
		}
	}
}

// check refuses an event that says too little or cannot be.
func (e Event) check() error {
	if _, err := ParseDate(string(e.Date)); err != nil {
		return err
	}
	if e.Kind != LotRecorded && e.Kind != PaperFiled && e.Blank == "" && (e.Kind != Corrected || e.Lot == "") {
		return fmt.Errorf("%s: which stick?", e.Kind)
	}
	if p := e.Fields["price"]; p != "" {
		if x, err := strconv.ParseFloat(p, 64); err != nil || !(x >= 0 && x < 1e12) {
			return fmt.Errorf("the price %q is not a number like 85.50", p)
		}
	}
	missing := ""
	switch e.Kind {
	case Reserved:
		if e.Party == "" {
			missing = "for whom"
		}
	case Sold:
		if e.Party == "" {
			missing = "to whom"
		}
	case Failed, Scrapped:
		if e.Reason == "" {
			missing = "why"
		}
	case Used:
		if e.Reference == "" {
			missing = "the number of the bow"
		}
	case Moved:
		if e.Place == "" {
			missing = "the new place"
		}
	case Graded:
		if e.Grade == "" {
			missing = "the grade"
		}
	case Corrected:
		if e.Reason == "" {
			missing = "why"
		} else if e.Corrects == "" && len(e.Fields) == 0 {
			missing = "what is wrong, or what is right"
		}
	}
	if missing != "" {
		return fmt.Errorf("an event %q must say %s", e.Kind, missing)
	}
	return nil
}

// sortKey writes numbers in a text with ten digits, so that 9 sorts before 10.
func sortKey(number string) string {
	var out strings.Builder
	for s := strings.ToLower(number); s != ""; {
		n := 0
		for n < len(s) && s[n] >= '0' && s[n] <= '9' {
			n++
		}
		if n == 0 {
			out.WriteByte(s[0])
			s = s[1:]
			continue
		}
		digits := strings.TrimLeft(s[:n], "0")
		out.WriteString(strings.Repeat("0", max(0, 10-len(digits))) + digits)
		s = s[n:]
	}
	return out.String()
}

func text(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func optional(x *float64) string {
	if x == nil {
		return ""
	}
	return text(*x)
}
