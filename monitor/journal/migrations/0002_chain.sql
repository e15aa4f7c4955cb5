-- Each batch is chained to the one before it (see chain.py), and what is to be sent of an alert has rows of its own.
-- schema.py then fills the new batches from the old ones and takes those away.
ALTER TABLE batch RENAME TO batch_1;
ALTER TABLE alert RENAME TO alert_1;

-- Accepted messages and what people entered, in the order of arrival; one row per commit, numbered from 1 without a
-- gap. "refused" is the digest of the refused counts as they were with this commit; a commit that changed only them
-- has no entries. See codec.py for the body.
CREATE TABLE batch (
    id        INTEGER PRIMARY KEY,
    entries   INTEGER NOT NULL,
    refused   BLOB NOT NULL,
    hash      BLOB NOT NULL,
    body      BLOB NOT NULL
) STRICT;

-- Alerts as they stand now. "cleared" is 0 while an alert is open, then the place in the order of clearing.
CREATE TABLE alert (
    number   INTEGER PRIMARY KEY,
    id       TEXT NOT NULL UNIQUE,
    body     TEXT NOT NULL,
    cleared  INTEGER NOT NULL
) STRICT;

-- What is still to be sent: the begin and the end of an alert are two rows. A number is never used again.
CREATE TABLE outbox (
    number  INTEGER PRIMARY KEY AUTOINCREMENT,
    alert   TEXT NOT NULL,
    body    TEXT NOT NULL
) STRICT;

INSERT INTO alert (id, body, cleared)
    SELECT id, body, CASE WHEN cleared THEN sum(cleared != 0) OVER (ORDER BY rowid) ELSE 0 END
    FROM alert_1 ORDER BY rowid;
INSERT INTO outbox (alert, body) SELECT id, body FROM alert_1 WHERE NOT delivered ORDER BY rowid;
DROP TABLE alert_1;
