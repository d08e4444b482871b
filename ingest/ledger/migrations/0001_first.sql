-- All times are integer microseconds since 1970-01-01 UTC.

-- Probe names are long and repeat in every reading; a number stands for each.
CREATE TABLE probes (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

-- Kept in the order of probe and time; see readings.go for what that costs and
-- buys. seq is the order of commit, from 1 without gaps.
CREATE TABLE readings (
    probe      INTEGER NOT NULL REFERENCES probes (id),
    at         INTEGER NOT NULL,
    value      REAL NOT NULL,    -- base unit of the probe's quantity
    seq        INTEGER NOT NULL,
    device_at  INTEGER,          -- NULL: the payload carried no time
    arrived_at INTEGER NOT NULL,
    flags      INTEGER NOT NULL, -- reading.Flags
    mid        INTEGER NOT NULL, -- MQTT packet identifier, 0 for QoS 0
    PRIMARY KEY (probe, at, value)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX readings_by_seq ON readings (seq);

-- The latest arrival in each full block of 1024 readings. It finds where to
-- start reading by arrival without an index entry for every reading.
CREATE TABLE arrival_blocks (
    block  INTEGER PRIMARY KEY, -- seq / 1024
    latest INTEGER NOT NULL
) STRICT;
CREATE TRIGGER arrival_block_full AFTER INSERT ON readings WHEN NEW.seq % 1024 = 1023 BEGIN
    INSERT OR REPLACE INTO arrival_blocks (block, latest)
    SELECT NEW.seq / 1024, max(arrived_at) FROM readings WHERE seq BETWEEN NEW.seq - 1023 AND NEW.seq;
END;

-- The alarm journal: rows are only ever added.
CREATE TABLE transitions (
    seq        INTEGER PRIMARY KEY,
    key        TEXT NOT NULL,
    kind       TEXT NOT NULL,
    occurrence INTEGER NOT NULL,
    from_state TEXT NOT NULL,
    to_state   TEXT NOT NULL,
    at         INTEGER NOT NULL,
    since      INTEGER,
    priority   TEXT NOT NULL,
    rule       TEXT NOT NULL,
    rule_at    TEXT NOT NULL,
    unit       TEXT NOT NULL,
    probe      TEXT NOT NULL,
    trouble    TEXT NOT NULL,
    detail     TEXT NOT NULL,
    can_happen TEXT NOT NULL,
    to_do      TEXT NOT NULL,
    by_whom    TEXT NOT NULL,
    UNIQUE (key, occurrence, from_state, to_state, at)
) STRICT;
CREATE INDEX transitions_by_time ON transitions (at);

-- Where each alarm stands, derived from the journal by the trigger alone.
CREATE TABLE alarms (
    key        TEXT PRIMARY KEY,
    latest     INTEGER NOT NULL REFERENCES transitions (seq),
    occurrence INTEGER NOT NULL
) STRICT;
CREATE TRIGGER alarm_moved AFTER INSERT ON transitions BEGIN
    INSERT INTO alarms (key, latest, occurrence) VALUES (NEW.key, NEW.seq, NEW.occurrence)
    ON CONFLICT (key) DO UPDATE SET latest = excluded.latest, occurrence = max(occurrence, excluded.occurrence);
END;

CREATE TABLE chores_done (
    seq     INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    chore   TEXT NOT NULL,
    unit    TEXT NOT NULL, -- '' for the whole site
    by_whom TEXT NOT NULL,
    UNIQUE (at, chore, unit, by_whom)
) STRICT;

CREATE TABLE lots (
    id           TEXT PRIMARY KEY,
    spec         TEXT NOT NULL, -- JSON of lot.Lot
    updated_at   INTEGER NOT NULL,
    withdrawn_at INTEGER        -- NULL: the site file has it
) STRICT;

CREATE TABLE outbox (
    seq             INTEGER PRIMARY KEY,
    id              TEXT NOT NULL UNIQUE,
    reason          TEXT NOT NULL,
    person          TEXT NOT NULL,
    address         TEXT NOT NULL,
    subject         TEXT NOT NULL,
    body            TEXT NOT NULL,
    alarms          TEXT NOT NULL, -- JSON array of alarm keys
    created_at      INTEGER NOT NULL,
    expires_at      INTEGER,       -- NULL: never
    state           TEXT NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'sent', 'given up', 'expired')),
    attempts        INTEGER NOT NULL DEFAULT 0,
    next_attempt_at INTEGER NOT NULL,
    attempted_at    INTEGER,       -- when the last attempt began
    last_error      TEXT NOT NULL DEFAULT '',
    failed_at       INTEGER,
    sent_at         INTEGER,
    detail          TEXT NOT NULL DEFAULT '' -- what the receiver answered
) STRICT;
CREATE INDEX outbox_pending ON outbox (next_attempt_at) WHERE state = 'pending';
CREATE INDEX outbox_by_time ON outbox (created_at);
