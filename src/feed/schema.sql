-- What receivers were told. Nothing is ever changed or deleted here.
CREATE TABLE IF NOT EXISTS feed_event (
    cursor          INTEGER PRIMARY KEY AUTOINCREMENT,
    event_id        TEXT    NOT NULL CHECK (length(event_id) = 32),
    revision        INTEGER NOT NULL CHECK (revision >= 1),
    type            TEXT    NOT NULL CHECK (type IN ('usage', 'inspection', 'finding')),
    retracted       INTEGER NOT NULL CHECK (retracted IN (0, 1)),
    recorded_utc_us INTEGER NOT NULL,
    content_hash    BLOB    NOT NULL CHECK (length(content_hash) = 32),
    body            TEXT    NOT NULL CHECK (json_valid(body)),
    UNIQUE (event_id, revision)
) STRICT;
CREATE TRIGGER IF NOT EXISTS feed_event_stays BEFORE UPDATE ON feed_event
BEGIN SELECT raise(ABORT, 'what was told is never changed'); END;
CREATE TRIGGER IF NOT EXISTS feed_event_kept BEFORE DELETE ON feed_event
BEGIN SELECT raise(ABORT, 'what was told is never deleted'); END;

-- How far each receiver has said it got. `target` is a hash of the whole address: a path or a query may
-- hold a secret. `origin` (scheme, host, port) is for people.
CREATE TABLE IF NOT EXISTS feed_delivery (
    target              TEXT    PRIMARY KEY CHECK (length(target) = 32),
    origin              TEXT    NOT NULL,
    acknowledged        INTEGER NOT NULL CHECK (acknowledged >= 0),
    acknowledged_utc_us INTEGER NOT NULL
) STRICT;

-- The last state of each calendar entry, because SEQUENCE has to grow.
CREATE TABLE IF NOT EXISTS feed_calendar (
    uid            TEXT    PRIMARY KEY,
    sequence       INTEGER NOT NULL CHECK (sequence >= 0),
    changed_utc_us INTEGER NOT NULL,
    cancelled      INTEGER NOT NULL CHECK (cancelled IN (0, 1)),
    date           TEXT    NOT NULL,
    subject        TEXT    NOT NULL,
    task           TEXT    NOT NULL,
    note           TEXT    NOT NULL
) STRICT;
