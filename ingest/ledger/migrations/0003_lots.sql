-- The lots' record: what was done with each lot. Entries are only ever added, so
-- no number is given twice.
CREATE TABLE lot_entries (
    seq         INTEGER PRIMARY KEY CHECK (seq > 0),
    id          TEXT NOT NULL UNIQUE CHECK (id <> ''),
    body        TEXT NOT NULL,    -- JSON of book.Entry, the whole of it
    -- What follows is copied out of the body, for queries by hand.
    lot         TEXT NOT NULL,
    kind        TEXT NOT NULL,
    at          INTEGER NOT NULL,
    recorded_at INTEGER,
    by_whom     TEXT NOT NULL,
    corrects    INTEGER           -- NULL: none
) STRICT;
CREATE INDEX lot_entries_by_lot ON lot_entries (lot, at);
CREATE TRIGGER lot_entry_kept BEFORE DELETE ON lot_entries BEGIN
    SELECT RAISE(ABORT, 'an entry of a lot is never removed; strike it with another entry');
END;
CREATE TRIGGER lot_entry_unchanged BEFORE UPDATE ON lot_entries BEGIN
    SELECT RAISE(ABORT, 'an entry of a lot is never changed; correct it with another entry');
END;
