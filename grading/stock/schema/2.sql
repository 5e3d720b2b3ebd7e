-- The ledger proves itself: every fact has a seal, a hash of all that it says, and all
-- seals together have one fingerprint, the head, which does not depend on their order.

-- 1 more than the highest rank of all facts about the same stick or lot that were known
-- when this one was written: what came after what, whatever the clock said. 0: a fact of schema 1.
ALTER TABLE events ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;
ALTER TABLE readings ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;
ALTER TABLE tests ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;
ALTER TABLE lot_records ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;
ALTER TABLE documents ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;

-- The derived row of a stick says what it is on the day on which it was derived.
ALTER TABLE blanks ADD COLUMN gone INTEGER NOT NULL DEFAULT 0;      -- 1: its purchase was taken back, or is still to come
ALTER TABLE blanks ADD COLUMN last_day TEXT NOT NULL DEFAULT '';    -- of its facts, up to that day
ALTER TABLE blanks ADD COLUMN next_day TEXT NOT NULL DEFAULT '';    -- of its facts, after that day, or ''
CREATE INDEX blanks_next_day ON blanks (next_day) WHERE next_day != '';
CREATE INDEX blanks_last_day ON blanks (last_day);
CREATE INDEX blanks_sort ON blanks (sort_key, id);

CREATE TABLE writings ( -- the same fact as another stock wrote it down, at another moment
  seq          INTEGER PRIMARY KEY AUTOINCREMENT,
  kind         TEXT NOT NULL,          -- reading, test, event ...
  id           TEXT NOT NULL,          -- of the fact
  recorded_at  TEXT NOT NULL,
  rank         INTEGER NOT NULL,
  UNIQUE (kind, id, recorded_at, rank)
) STRICT;

CREATE TABLE acts ( -- what was done to this stock, one row a transaction
  n            INTEGER PRIMARY KEY AUTOINCREMENT,
  at           TEXT NOT NULL,
  what         TEXT NOT NULL,
  undoes       INTEGER,                -- the act that this one took back
  facts        INTEGER NOT NULL,       -- in the ledger after it
  head         TEXT NOT NULL,          -- of the ledger after it
  seal         BLOB NOT NULL           -- SHA-256 of this row and of the seal of the row before
) STRICT;

CREATE TABLE seals ( -- one row a fact, in the order in which they came into this stock
  n            INTEGER PRIMARY KEY AUTOINCREMENT,
  act          INTEGER NOT NULL REFERENCES acts,
  kind         TEXT NOT NULL,
  id           TEXT NOT NULL,
  fact         INTEGER,                -- its seq; NULL for a file
  digest       BLOB NOT NULL           -- SHA-256 of all that it says
) STRICT;
CREATE UNIQUE INDEX seals_fact ON seals (kind, fact);
CREATE INDEX seals_act ON seals (act);

CREATE TABLE ledger ( -- one row: the sum of all seals, from which the head is made
  one          INTEGER PRIMARY KEY CHECK (one = 1),
  facts        INTEGER NOT NULL,
  state        BLOB NOT NULL
) STRICT;

CREATE TRIGGER writings_keep BEFORE UPDATE ON writings BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER writings_stay BEFORE DELETE ON writings BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER acts_keep BEFORE UPDATE ON acts BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER acts_stay BEFORE DELETE ON acts BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
CREATE TRIGGER seals_keep BEFORE UPDATE ON seals BEGIN SELECT RAISE(ABORT, 'facts are never changed'); END;
CREATE TRIGGER seals_stay BEFORE DELETE ON seals BEGIN SELECT RAISE(ABORT, 'facts are never deleted'); END;
