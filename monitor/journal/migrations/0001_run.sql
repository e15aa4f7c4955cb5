-- What the run is: its id, the campaign's texts and their hash. One row per fact.
CREATE TABLE run (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Accepted messages and dispositions in the order of arrival; one row per commit. See codec.py for the body.
CREATE TABLE batch (
    id        INTEGER PRIMARY KEY,
    entries   INTEGER NOT NULL,
    body      BLOB NOT NULL
) STRICT;

-- Counts of refused messages, as JSON; a single row, replaced with each commit that changes it.
CREATE TABLE refused (
    id    INTEGER PRIMARY KEY CHECK (id = 1),
    value TEXT NOT NULL
) STRICT;

-- Alerts given: the begin and the end of each, and how far they have been delivered.
CREATE TABLE alert (
    id         TEXT PRIMARY KEY,
    body       TEXT NOT NULL,
    cleared    INTEGER NOT NULL,
    delivered  INTEGER NOT NULL
) STRICT;
