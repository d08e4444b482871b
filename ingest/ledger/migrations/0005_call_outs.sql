-- Messages by more ways than email, spares, delivery reports. The states could
-- only be added by making the table anew.
CREATE TABLE outbox_new (
    seq             INTEGER PRIMARY KEY,
    id              TEXT NOT NULL UNIQUE,
    reason          TEXT NOT NULL,
    person          TEXT NOT NULL,
    way             TEXT NOT NULL DEFAULT 'email',
    address         TEXT NOT NULL,
    subject         TEXT NOT NULL,
    body            TEXT NOT NULL,
    short           TEXT NOT NULL DEFAULT '', -- the same for a text message
    code            TEXT NOT NULL DEFAULT '', -- what it is answered with
    unless          TEXT NOT NULL DEFAULT '', -- id of the message this is the spare of
    not_before      INTEGER,                  -- NULL: due when it was made
    alarms          TEXT NOT NULL, -- JSON array of alarm keys
    created_at      INTEGER NOT NULL,
    expires_at      INTEGER,       -- NULL: never
    state           TEXT NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'sent', 'given up', 'expired', 'not needed')),
    attempts        INTEGER NOT NULL DEFAULT 0,
    next_attempt_at INTEGER NOT NULL,
    attempted_at    INTEGER,       -- when the last attempt began
    last_error      TEXT NOT NULL DEFAULT '',
    failed_at       INTEGER,
    sent_at         INTEGER,
    detail          TEXT NOT NULL DEFAULT '', -- what the receiver answered
    -- What was said later of whether it arrived.
    report          TEXT NOT NULL DEFAULT '' CHECK (report IN ('', 'delivered', 'failed')),
    report_words    TEXT NOT NULL DEFAULT '',
    reported_at     INTEGER
) STRICT;
INSERT INTO outbox_new (seq, id, reason, person, address, subject, body, alarms, created_at, expires_at, state, attempts,
    next_attempt_at, attempted_at, last_error, failed_at, sent_at, detail)
SELECT seq, id, reason, person, address, subject, body, alarms, created_at, expires_at, state, attempts,
    next_attempt_at, attempted_at, last_error, failed_at, sent_at, detail FROM outbox;
DROP TABLE outbox;
ALTER TABLE outbox_new RENAME TO outbox;
CREATE INDEX outbox_pending ON outbox (next_attempt_at) WHERE state = 'pending';
CREATE INDEX outbox_by_time ON outbox (created_at);
CREATE INDEX outbox_spares ON outbox (unless) WHERE unless <> '';

-- Every attempt to hand a message over; of messages older than this table the
-- outbox only has the number.
CREATE TABLE attempts (
    message  INTEGER NOT NULL REFERENCES outbox (seq),
    n        INTEGER NOT NULL, -- from 1
    began_at INTEGER NOT NULL,
    ended_at INTEGER,          -- NULL: the program stopped meanwhile, or it goes on
    -- 'unknown': it failed, and may have arrived all the same.
    outcome  TEXT NOT NULL DEFAULT '' CHECK (outcome IN ('', 'sent', 'failed', 'unknown')),
    detail   TEXT NOT NULL DEFAULT '', -- what the other side said
    PRIMARY KEY (message, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX attempts_by_time ON attempts (began_at);

-- What people sent us. Rows are only ever added.
CREATE TABLE inbox (
    seq     INTEGER PRIMARY KEY,
    id      TEXT NOT NULL UNIQUE CHECK (id <> ''),
    at      INTEGER NOT NULL,
    way     TEXT NOT NULL,
    sender  TEXT NOT NULL, -- the number or address it came from
    person  TEXT NOT NULL, -- '' for nobody we know
    body    TEXT NOT NULL,
    outcome TEXT NOT NULL, -- what became of it
    said    TEXT NOT NULL  -- what was answered
) STRICT;
CREATE INDEX inbox_by_time ON inbox (at);
CREATE TRIGGER inbox_kept BEFORE DELETE ON inbox BEGIN
    SELECT RAISE(ABORT, 'what people sent us is never removed');
END;
CREATE TRIGGER inbox_unchanged BEFORE UPDATE ON inbox BEGIN
    SELECT RAISE(ABORT, 'what people sent us is never changed');
END;

-- How an answer came: 'sms', 'link', 'page', 'command'; '' where that was not kept.
ALTER TABLE transitions ADD COLUMN via TEXT NOT NULL DEFAULT '';
