-- What people did about alarms and chores besides answering. Acts are only ever
-- added; what holds at a time is their fold.
CREATE TABLE acts (
    seq     INTEGER PRIMARY KEY,
    id      TEXT NOT NULL UNIQUE CHECK (id <> ''),
    body    TEXT NOT NULL,    -- JSON of act.Act, the whole of it
    -- What follows is copied out of the body, for queries.
    kind    TEXT NOT NULL,
    at      INTEGER NOT NULL,
    by_whom TEXT NOT NULL,
    alarm   TEXT NOT NULL,    -- '' for none
    unit    TEXT NOT NULL     -- '' for none
) STRICT;
CREATE INDEX acts_by_time ON acts (at);
CREATE INDEX acts_by_kind ON acts (kind);
CREATE TRIGGER act_kept BEFORE DELETE ON acts BEGIN
    SELECT RAISE(ABORT, 'an act is never removed; another act ends it');
END;
CREATE TRIGGER act_unchanged BEFORE UPDATE ON acts BEGIN
    SELECT RAISE(ABORT, 'an act is never changed; another act ends it');
END;

-- How it came: 'command', 'button' and so on; '' where that was not kept.
ALTER TABLE chores_done ADD COLUMN via TEXT NOT NULL DEFAULT '';

-- Why nobody was called, the alarm it follows from, and the time that is left;
-- '' for none.
ALTER TABLE transitions ADD COLUMN hidden     TEXT NOT NULL DEFAULT '';
ALTER TABLE transitions ADD COLUMN cause      TEXT NOT NULL DEFAULT '';
ALTER TABLE transitions ADD COLUMN left_words TEXT NOT NULL DEFAULT '';
