//! The tables of `logbook.db` and their versions. A version is never edited, only followed by the next.

/// `PRAGMA application_id`: "ftl" and the layout's first number, so that another database is recognised.
pub const APPLICATION_ID: i64 = 0x6674_6C01;

/// Migrations; the database's version is how many it has seen.
pub const MIGRATIONS: [&str; 3] = [JOURNAL, PROJECTION, FEED];

/// Version 3: what receivers of the feed were told, how far each got, what stands in calendars.
const FEED: &str = crate::feed::outbox::SCHEMA;

/// Version 1: the journal. Nothing in it can be changed or removed.
const JOURNAL: &str = "
CREATE TABLE journal (
  seq            INTEGER PRIMARY KEY CHECK (seq > 0),
  at_utc_us      INTEGER NOT NULL,
  entered_utc_us INTEGER NOT NULL,
  kind           TEXT NOT NULL,
  body           TEXT NOT NULL CHECK (json_valid(body)),
  corrects       INTEGER REFERENCES journal (seq) CHECK (corrects < seq),
  prev           BLOB NOT NULL CHECK (length(prev) = 32),
  hash           BLOB NOT NULL UNIQUE CHECK (length(hash) = 32)
) STRICT;
CREATE TRIGGER journal_is_never_changed BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only; enter a correction'); END;
CREATE TRIGGER journal_is_never_cut BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only; enter a correction'); END;
CREATE TRIGGER journal_only_grows_at_its_end BEFORE INSERT ON journal
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM journal)
BEGIN SELECT RAISE(ABORT, 'a journal entry must follow the last one'); END;
";

/// Version 2: what the journal means, with the rules of fitting as constraints.
const PROJECTION: &str = "
CREATE TABLE component (
  id          INTEGER PRIMARY KEY,
  kind        TEXT NOT NULL,
  serial      TEXT NOT NULL,
  part_number TEXT,
  state       TEXT NOT NULL CHECK (state IN ('in stock', 'fitted', 'removed', 'retired')),
  entry       INTEGER NOT NULL REFERENCES journal (seq),
  UNIQUE (kind, serial),
  UNIQUE (id, kind)
) STRICT;
CREATE TABLE fitting (
  component    INTEGER NOT NULL,
  kind         TEXT NOT NULL,
  aircraft     TEXT NOT NULL,
  position     TEXT NOT NULL,
  from_utc_us  INTEGER NOT NULL,
  to_utc_us    INTEGER CHECK (to_utc_us >= from_utc_us),
  fit_entry    INTEGER NOT NULL REFERENCES journal (seq),
  remove_entry INTEGER REFERENCES journal (seq),
  PRIMARY KEY (component, fit_entry),
  FOREIGN KEY (component, kind) REFERENCES component (id, kind),
  CHECK ((to_utc_us IS NULL) = (remove_entry IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_place_a_component ON fitting (component) WHERE to_utc_us IS NULL;
CREATE UNIQUE INDEX one_component_a_place ON fitting (aircraft, kind, position) WHERE to_utc_us IS NULL;
CREATE INDEX fitting_by_place ON fitting (aircraft, kind, position, from_utc_us);
CREATE TRIGGER fittings_do_not_overlap BEFORE INSERT ON fitting
BEGIN
  SELECT RAISE(ABORT, 'the component is elsewhere at that time')
  WHERE EXISTS (SELECT 1 FROM fitting o WHERE o.component = NEW.component
    AND o.from_utc_us < coalesce(NEW.to_utc_us, 9223372036854775807)
    AND NEW.from_utc_us < coalesce(o.to_utc_us, 9223372036854775807));
  SELECT RAISE(ABORT, 'the position is taken at that time')
  WHERE EXISTS (SELECT 1 FROM fitting o WHERE o.aircraft = NEW.aircraft AND o.kind = NEW.kind
    AND o.position = NEW.position
    AND o.from_utc_us < coalesce(NEW.to_utc_us, 9223372036854775807)
    AND NEW.from_utc_us < coalesce(o.to_utc_us, 9223372036854775807));
END;
CREATE TRIGGER fittings_are_replaced_not_changed BEFORE UPDATE ON fitting
BEGIN SELECT RAISE(ABORT, 'fittings follow from the journal; enter a correction'); END;
";
