// Package stock keeps graded blanks for the years they season: their numbers and
// recordings, the maker's own judgement, where they lie, what they cost, the papers
// that prove where they came from, and a ledger of everything that happened to them.
//
// # Facts
//
// The stock is made of facts that are only ever added: events (the ledger), readings,
// tests, lot records, documents and files. A wrong fact is declared void by an event
// of the kind "corrected", which says why; it stays where it is, and the right one may
// take its place ([Store.Correct], [Store.Undo]). What a stick is on a day follows from
// its facts, by [History.On], and is kept once more in the table blanks for fast lists;
// [Store.Check] derives it anew and compares.
//
// The id of a fact is a hash of what it says, so that two machines that enter the same
// delivery agree on its ids. An act that may be done twice in the same words (moved,
// reserved, sold) has its moment in the hash too. [Store.Import] merges by id. Every fact
// has a seal, and all seals together a head: see seal.go.
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
//	ledger.head     number of the last event and head; a database behind it has lost events
//	recordings/ab/ab12....wav   kept bit for bit under their SHA-256
//	papers/ab/ab12....pdf       scans of permits and invoices, likewise
//	backups/schema-1-....db     the database before each upgrade of its schema
//	backups/damaged-....db      a database that was repaired, as it was before
//
// # Schema
//
// Version n of the schema is made from n-1 by schema/n.sql, the reference for every
// column; DEVELOPERS.md says what each table is for. Triggers refuse to change or
// delete facts.
//
// Writing takes one immediate transaction per act, synchronous = FULL: what was
// acknowledged is on the disk.
package stock
