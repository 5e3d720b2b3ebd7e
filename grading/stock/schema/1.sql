-- Facts: rows that are only ever added. A wrong one is declared void by a later
-- event of kind 'corrected'; the triggers at the end keep anyone from rewriting it.
-- Dates are YYYY-MM-DD, times RFC 3339 in UTC with microseconds; units are in the names.

CREATE TABLE files ( -- a recording or the scan of a paper, kept on disk under its own SHA-256
  sha256   TEXT PRIMARY KEY CHECK (length(sha256) = 64),
  kind     TEXT NOT NULL CHECK (kind IN ('recording', 'paper')),
  ending   TEXT NOT NULL,              -- of the name on disk: .wav, .flac, .pdf ...
  bytes    INTEGER NOT NULL CHECK (bytes >= 0)
) STRICT, WITHOUT ROWID;

CREATE TABLE lot_records ( -- what is known of a lot; the newest record of a lot counts
  seq          INTEGER PRIMARY KEY AUTOINCREMENT,
  id           TEXT NOT NULL UNIQUE,
  lot          TEXT NOT NULL,
  date         TEXT NOT NULL,
  recorded_at  TEXT NOT NULL,
  record       TEXT NOT NULL CHECK (json_valid(record))
) STRICT;
CREATE INDEX lot_records_lot ON lot_records (lot);

CREATE TABLE documents ( -- permits, certificates, invoices
  seq          INTEGER PRIMARY KEY AUTOINCREMENT,
  id           TEXT NOT NULL UNIQUE,
  lot          TEXT NOT NULL,
  kind         TEXT NOT NULL,
  number       TEXT NOT NULL,
  issuer       TEXT NOT NULL,
  issued_on    TEXT,
  expires_on   TEXT,
  sha256       TEXT REFERENCES files,  -- the scan, if there is one
  note         TEXT NOT NULL,
  date         TEXT NOT NULL,
  recorded_at  TEXT NOT NULL
) STRICT;
CREATE INDEX documents_lot ON documents (lot);

CREATE TABLE events ( -- the ledger: everything that was done, in the order it was written
  seq          INTEGER PRIMARY KEY AUTOINCREMENT,
  id           TEXT NOT NULL UNIQUE,
  blank        TEXT REFERENCES blanks DEFERRABLE INITIALLY DEFERRED, -- NULL: concerns a lot
  lot          TEXT NOT NULL,          -- for an event of a lot, else ''
  date         TEXT NOT NULL,          -- the day it happened
  recorded_at  TEXT NOT NULL,          -- the moment it was written down
  kind         TEXT NOT NULL CHECK (kind IN ('bought', 'measured', 'tested', 'graded', 'moved', 'reserved',
    'started', 'returned', 'failed', 'used', 'sold', 'scrapped', 'corrected', 'lot recorded', 'paper filed')),
  place        TEXT NOT NULL,          -- rack and row
  party        TEXT NOT NULL,          -- for whom, to whom, from whom
  reference    TEXT NOT NULL,          -- bow number, invoice, id of the test or paper it tells of
  grade        TEXT NOT NULL,          -- the maker's own
  reason       TEXT NOT NULL,          -- why, or a remark
  corrects     TEXT NOT NULL,          -- id of the event, reading or test declared void, or ''
  fields       TEXT NOT NULL CHECK (json_valid(fields)) -- bought: what the stick is; corrected: what it is in truth
) STRICT;
CREATE INDEX events_blank ON events (blank);

CREATE TABLE readings ( -- one measured quantity of a stick on one day
  seq           INTEGER PRIMARY KEY AUTOINCREMENT,
  id            TEXT NOT NULL UNIQUE,
  blank         TEXT NOT NULL REFERENCES blanks DEFERRABLE INITIALLY DEFERRED,
  date          TEXT NOT NULL,
  recorded_at   TEXT NOT NULL,
  quantity      TEXT NOT NULL,         -- its unit is in its name: mass_g, length_mm ...
  value         REAL NOT NULL,
  u             REAL NOT NULL CHECK (u >= 0), -- standard uncertainty (k = 1)
  instrument    TEXT NOT NULL,
  temperature_c REAL,                  -- of the air
  humidity_pct  REAL,                  -- of the air, relative
  remark        TEXT NOT NULL
) STRICT;
CREATE INDEX readings_blank ON readings (blank);

CREATE TABLE tests ( -- one judgement of a stick's ring by one method
  seq          INTEGER PRIMARY KEY AUTOINCREMENT,
  id           TEXT NOT NULL UNIQUE,
  blank        TEXT NOT NULL REFERENCES blanks DEFERRABLE INITIALLY DEFERRED,
  date         TEXT NOT NULL,
  recorded_at  TEXT NOT NULL,
  method       TEXT NOT NULL,          -- name and version of the way of analysing
  profile      TEXT NOT NULL,          -- weights and limits it was judged by
  device       TEXT NOT NULL,
  place        TEXT NOT NULL,          -- where the recording was made
  redoes       TEXT NOT NULL,          -- id of the test whose recordings were analysed again, or ''
  verdict      TEXT NOT NULL,
  score        REAL, score_u REAL,
  hz           REAL, hz_u REAL,        -- fundamental
  q            REAL, q_u REAL,
  density_kg_m3 REAL, density_kg_m3_u REAL,
  specific_modulus_mj_kg REAL, specific_modulus_mj_kg_u REAL
) STRICT;
CREATE INDEX tests_blank ON tests (blank);

CREATE TABLE results ( -- the whole result of a test, as `ringstock grade --json` gives a blank
  test   TEXT PRIMARY KEY REFERENCES tests (id),
  result TEXT NOT NULL                 -- JSON; no CHECK, which would read gigabytes at every integrity check
) STRICT;

CREATE TABLE test_recordings (
  test     TEXT NOT NULL REFERENCES tests (id),
  role     TEXT NOT NULL CHECK (role IN ('side', 'width', 'end')),
  position INTEGER NOT NULL,
  sha256   TEXT NOT NULL REFERENCES files,
  name     TEXT NOT NULL,              -- what the file was called when it came in
  PRIMARY KEY (test, role, position)
) STRICT, WITHOUT ROWID;
CREATE INDEX test_recordings_sha256 ON test_recordings (sha256);

-- The one derived table: what the facts say of each stick today. It is rewritten
-- with every new fact; `ringstock stock check` derives it anew and compares.
CREATE TABLE blanks (
  id           TEXT PRIMARY KEY,
  blank        TEXT NOT NULL,          -- the maker's number
  sort_key     TEXT NOT NULL,          -- the number so that 9 comes before 10
  state        TEXT NOT NULL CHECK (state IN ('in stock', 'reserved', 'started', 'used', 'sold', 'scrapped', 'failed')),
  lot          TEXT NOT NULL,
  delivery     TEXT NOT NULL,
  place        TEXT NOT NULL,
  species      TEXT NOT NULL,
  supplier     TEXT NOT NULL,
  party        TEXT NOT NULL,          -- reserved for, sold to
  reference    TEXT NOT NULL,          -- bow number
  maker_grade  TEXT NOT NULL,
  note         TEXT NOT NULL,
  price        REAL,
  currency     TEXT NOT NULL,
  bought       TEXT NOT NULL,          -- date
  profile      TEXT NOT NULL,
  verdict      TEXT NOT NULL,
  score        REAL, score_u REAL,
  hz           REAL, hz_u REAL,
  q            REAL, q_u REAL,
  density_kg_m3 REAL, density_kg_m3_u REAL,
  specific_modulus_mj_kg REAL, specific_modulus_mj_kg_u REAL,
  mass_g       REAL, mass_g_u REAL,
  tests        INTEGER NOT NULL,
  last_test    TEXT NOT NULL           -- date, or ''
) STRICT;
CREATE INDEX blanks_blank ON blanks (blank);
CREATE INDEX blanks_lot ON blanks (lot);
CREATE INDEX blanks_delivery ON blanks (delivery, blank);

CREATE TRIGGER files_keep BEFORE UPDATE ON files BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER files_stay BEFORE DELETE ON files BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER lot_records_keep BEFORE UPDATE ON lot_records BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER lot_records_stay BEFORE DELETE ON lot_records BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER documents_keep BEFORE UPDATE ON documents BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER documents_stay BEFORE DELETE ON documents BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER events_keep BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER events_stay BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER readings_keep BEFORE UPDATE ON readings BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER readings_stay BEFORE DELETE ON readings BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER tests_keep BEFORE UPDATE ON tests BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER tests_stay BEFORE DELETE ON tests BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER results_keep BEFORE UPDATE ON results BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER results_stay BEFORE DELETE ON results BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER test_recordings_keep BEFORE UPDATE ON test_recordings BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER test_recordings_stay BEFORE DELETE ON test_recordings BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER blanks_stay BEFORE DELETE ON blanks BEGIN SELECT RAISE(ABORT, 'a stick is never deleted'); END;
