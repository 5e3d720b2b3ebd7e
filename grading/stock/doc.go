// Package stock keeps graded blanks for the years they season: their numbers and
// recordings, the maker's own judgement, where they lie, what they cost, the papers
// that prove where they came from, and a ledger of everything that happened to them.
//
// # Facts
//
// The stock is made of facts that are only ever added: events (the ledger), readings,
// tests, lot records, documents and files. A wrong fact is declared void by an event
// of the kind "corrected", which says why; it stays where it is. What a stick is today
// follows from its facts, by [History.On], and is kept once more in the table blanks
// for fast lists; [Store.Check] derives it anew and compares.
//
// A fact that is known by what it says (a stick, a reading, a test, a document) has an
// id that is a hash of what it says, so that two machines that enter the same delivery
// agree on its ids. An act that may be done twice in the same words (moved, reserved,
// sold) has a random id. [Store.Import] merges by id.
//
// # Pieces
//
// Each stick is one piece. Pieces balance: in = in stock + used + sold + scrapped, on
// every day. Reserved and started sticks are still in stock, failed ones count as
// scrapped.
//
//	bought -> in stock -> reserved -> started -> used -> sold
//	             ^           |           |        (became a bow)
//	             +-- returned+-----------+-> failed -> scrapped
//
// # The folder
//
//	stock.db        SQLite, in WAL mode (stock.db-wal, stock.db-shm beside it while open)
//	ledger.head     number of the last event; a database behind it has lost events
//	recordings/ab/ab12....wav   kept bit for bit under their SHA-256
//	papers/ab/ab12....pdf       scans of permits and invoices, likewise
//	backups/schema-1-....db     the database before each upgrade of its schema
//
// # SCHEMA
//
// The file is marked by PRAGMA application_id = 0x52494E47 ("RING"); PRAGMA
// user_version is the version of the schema. Version n is made from n-1 by
// schema/n.sql, which is the reference for every column. Dates are YYYY-MM-DD texts,
// moments RFC 3339 in UTC; units are in the column names; a column x has its standard
// uncertainty (k = 1) beside it in x_u.
//
//	blanks           one row a stick: what its facts say today (the only derived table)
//	events           the ledger; blank is NULL for an event of a lot
//	readings         one measured quantity of a stick on one day, with the air
//	tests            one judgement by one method; redoes names the test it repeats
//	results          the whole result of a test, JSON as `ringstock grade --json` gives a blank
//	test_recordings  the recordings a test rests on
//	lot_records      what is known of a lot, JSON; the newest of a lot counts
//	documents        permits, certificates, invoices of a lot
//	files            what lies in recordings/ and papers/
//
// Triggers refuse to change or delete facts. Any SQLite tool can read it all:
//
//	sqlite3 stock.db "SELECT blank, state, place, score, score_u FROM blanks ORDER BY sort_key"
//	sqlite3 stock.db "SELECT date, kind, party, reason FROM events JOIN blanks b ON b.id = events.blank WHERE b.blank = '12' ORDER BY date"
//
// Writing takes one immediate transaction per act, synchronous = FULL: what was
// acknowledged is on the disk.
package stock
