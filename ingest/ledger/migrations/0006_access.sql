-- Who may use the page.
CREATE TABLE accounts (
    name       TEXT NOT NULL COLLATE NOCASE PRIMARY KEY CHECK (name <> ''),
    role       TEXT NOT NULL,
    password   TEXT NOT NULL DEFAULT '', -- its hash, "$argon2id$..."; '': none, comes in by a device of theirs only
    disabled   INTEGER NOT NULL DEFAULT 0 CHECK (disabled IN (0, 1)),
    changed_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Browsers that are signed in. The token itself is only in the browser.
CREATE TABLE sessions (
    hash       BLOB NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    name       TEXT NOT NULL COLLATE NOCASE REFERENCES accounts (name),
    role       TEXT NOT NULL, -- at the most; the account's counts where it is less
    device     TEXT NOT NULL, -- what the browser says of itself
    created_at INTEGER NOT NULL,
    used_at    INTEGER NOT NULL,
    expires_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_by_name ON sessions (name);

-- Links by which one device comes in once.
CREATE TABLE invitations (
    hash       BLOB NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    name       TEXT NOT NULL COLLATE NOCASE REFERENCES accounts (name),
    role       TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    expires_at INTEGER NOT NULL,
    used_at    INTEGER -- NULL: not yet
) STRICT, WITHOUT ROWID;

-- What was done about access. Rows are only ever added.
CREATE TABLE access_log (
    seq  INTEGER PRIMARY KEY,
    at   INTEGER NOT NULL,
    what TEXT NOT NULL,
    name TEXT NOT NULL, -- whose access
    by   TEXT NOT NULL, -- who did it
    via  TEXT NOT NULL  -- 'command', 'page', 'device link'
) STRICT;
CREATE INDEX access_log_by_time ON access_log (at);
CREATE TRIGGER access_log_kept BEFORE DELETE ON access_log BEGIN
    SELECT RAISE(ABORT, 'what was done about access is never removed');
END;
CREATE TRIGGER access_log_unchanged BEFORE UPDATE ON access_log BEGIN
    SELECT RAISE(ABORT, 'what was done about access is never changed');
END;
