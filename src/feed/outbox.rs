//! What was told, and in which order: two tables of the logbook's database.
//!
//! `feed_event` is the append-only history of revisions. It is the one place where something derivable is
//! stored, because what a receiver was told cannot be derived afterwards. The cursor is its row id: it
//! only grows, and a revision keeps its cursor for good. `feed_event` holds no address and no secret.

use super::event::{Current, Event};
use super::id::{EventId, EventType};
use super::revision::{Latest, next};
use rusqlite::{Connection, Row, Transaction, TransactionBehavior, params};
use std::collections::HashMap;

/// The tables; running it twice changes nothing. A version of the logbook: never edited, only followed by
/// another.
pub const SCHEMA: &str = include_str!("schema.sql");

/// Fewer retractions than this never make [`refresh`] ask.
pub const RETRACTIONS_UNASKED: usize = 20;

/// Why the outbox could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutboxError {
    /// The database refused.
    #[error("cannot {doing} in the logbook")]
    Database {
        /// What was attempted.
        doing: &'static str,
        /// The database's words.
        source: rusqlite::Error,
    },
    /// Two current events with one id.
    #[error("two current events are {kind} {event_id}; add their shares together before they are told")]
    Twice {
        /// Their type.
        kind: &'static str,
        /// Their id.
        event_id: EventId,
    },
    /// Two due dates with one key.
    #[error("two due dates have the key {key}")]
    DueTwice {
        /// The key.
        key: String,
    },
    /// Most of what was told would be taken back.
    #[error(
        "{retracted} of the {standing} events told so far would be taken back; is the archive complete and \
         readable? If this is meant, allow retractions (--allow-retractions)"
    )]
    MostRetracted {
        /// How many would go.
        retracted: usize,
        /// How many stand.
        standing: usize,
    },
    /// A cursor from the future.
    #[error(
        "cursor {asked} was never given out: this logbook's feed has reached {reached}. If the logbook was \
         restored from a backup, resume from 0: applying events twice does no harm"
    )]
    NeverGiven {
        /// The cursor asked for.
        asked: i64,
        /// The highest given out.
        reached: i64,
    },
}

pub(crate) fn database(doing: &'static str) -> impl Fn(rusqlite::Error) -> OutboxError {
    move |source| OutboxError::Database { doing, source }
}

/// What a refresh appended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Changed {
    /// Events told for the first time.
    pub new: usize,
    /// Events whose content changed, or that hold again.
    pub corrected: usize,
    /// Events that hold no longer.
    pub retracted: usize,
    /// Events told as they are.
    pub unchanged: usize,
}

/// Whether most of what was told may be taken back at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retractions {
    /// Refuse if more than half of the standing events, and at least [`RETRACTIONS_UNASKED`], would go: a
    /// missing disk must not tell the tracker that nothing ever flew.
    Guarded,
    /// The user said so.
    Allowed,
}

/// Which revisions to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// Every revision, in order.
    History,
    /// Only the latest revision of each event: sums over it are right.
    Latest,
}

/// Makes the tables.
///
/// # Errors
/// If the database refuses.
pub fn migrate(connection: &Connection) -> Result<(), OutboxError> {
    connection.execute_batch(SCHEMA).map_err(database("make the feed's tables"))
}

/// Compares everything that holds now with what was told, and appends revisions for what is new, changed or
/// gone, in one transaction: all or nothing. `current` must be complete; whatever it lacks is retracted.
///
/// # Errors
/// If two current events share an id, most would be retracted unasked, or the database refuses.
pub fn refresh(
    connection: &Connection,
    current: impl IntoIterator<Item = Current>,
    now_utc_us: i64,
    retractions: Retractions,
) -> Result<Changed, OutboxError> {
    let doing = database("record feed events");
    let transaction =
        Transaction::new_unchecked(connection, TransactionBehavior::Immediate).map_err(&doing)?;
    let mut told = latest(&transaction)?;
    let standing = told.values().filter(|t| !t.latest.retracted).count();
    let mut changed = Changed::default();
    let mut insert = transaction.prepare(INSERT).map_err(&doing)?;
    for event in current {
        let slot = told.entry(event.event_id).or_default();
        if std::mem::replace(&mut slot.seen, true) {
            return Err(OutboxError::Twice { kind: event.kind.word(), event_id: event.event_id });
        }
        let hash = event.content_hash();
        let before = (slot.latest.revision > 0).then_some(slot.latest);
        let Some(step) = next(before, Some(hash)) else {
            changed.unchanged += 1;
            continue;
        };
        *if before.is_none() { &mut changed.new } else { &mut changed.corrected } += 1;
        let id = event.event_id.to_string();
        let row = params![id, step.revision, event.kind.word(), false, now_utc_us, &hash[..], event.body];
        insert.execute(row).map_err(&doing)?;
    }
    let mut gone: Vec<(EventId, i64, Latest)> = told
        .into_iter()
        .filter(|(_, t)| !t.seen && !t.latest.retracted)
        .map(|(id, t)| (id, t.cursor, t.latest))
        .collect();
    if retractions == Retractions::Guarded && gone.len() >= RETRACTIONS_UNASKED && gone.len() * 2 > standing {
        return Err(OutboxError::MostRetracted { retracted: gone.len(), standing });
    }
    gone.sort_unstable_by_key(|(_, cursor, _)| *cursor);
    let mut retract = transaction.prepare(RETRACT).map_err(&doing)?;
    for (_, cursor, latest) in gone {
        if let Some(step) = next(Some(latest), None) {
            retract.execute(params![step.revision, now_utc_us, cursor]).map_err(&doing)?;
            changed.retracted += 1;
        }
    }
    drop((insert, retract));
    transaction.commit().map_err(&doing)?;
    Ok(changed)
}

const INSERT: &str = "INSERT INTO feed_event (event_id, revision, type, retracted, recorded_utc_us, \
                      content_hash, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
/// A retraction repeats the last body, so that a receiver knows what is taken back.
const RETRACT: &str = "INSERT INTO feed_event (event_id, revision, type, retracted, recorded_utc_us, \
                       content_hash, body) SELECT event_id, ?1, type, 1, ?2, content_hash, body \
                       FROM feed_event WHERE cursor = ?3";

/// What was told last of one event; revision 0: nothing.
struct Told {
    latest: Latest,
    cursor: i64,
    seen: bool,
}

impl Default for Told {
    fn default() -> Self {
        Told { latest: Latest { revision: 0, retracted: false, hash: [0; 32] }, cursor: 0, seen: false }
    }
}

fn latest(connection: &Connection) -> Result<HashMap<EventId, Told>, OutboxError> {
    let doing = database("read what was told");
    let sql = "SELECT cursor, event_id, revision, retracted, content_hash FROM feed_event ORDER BY cursor";
    let mut statement = connection.prepare(sql).map_err(&doing)?;
    let rows = statement.query_map([], |row| {
        let latest = Latest { revision: row.get(2)?, retracted: row.get(3)?, hash: row.get(4)? };
        Ok((event_id(row, 1)?, Told { latest, cursor: row.get(0)?, seen: false }))
    });
    rows.and_then(Iterator::collect).map_err(doing)
}

fn event_id(row: &Row<'_>, column: usize) -> rusqlite::Result<EventId> {
    let text = row.get_ref(column)?.as_str()?;
    EventId::from_hex(text).ok_or(rusqlite::Error::InvalidQuery)
}

/// The highest cursor given out; 0 before the first event.
///
/// # Errors
/// If the database refuses.
pub fn reached(connection: &Connection) -> Result<i64, OutboxError> {
    let sql = "SELECT coalesce(max(cursor), 0) FROM feed_event";
    connection.query_row(sql, [], |row| row.get(0)).map_err(database("read the feed's cursor"))
}

/// At most `limit` events after `cursor`, by rising cursor.
///
/// # Errors
/// If the cursor was never given out or the database refuses.
pub fn since(
    connection: &Connection,
    cursor: i64,
    limit: usize,
    scope: Scope,
) -> Result<Vec<Event>, OutboxError> {
    let reached = reached(connection)?;
    if cursor > reached {
        return Err(OutboxError::NeverGiven { asked: cursor, reached });
    }
    let doing = database("read feed events");
    let sql = "SELECT cursor, event_id, revision, type, retracted, recorded_utc_us, body FROM feed_event AS e \
               WHERE cursor > ?1 AND (?2 OR NOT EXISTS (SELECT 1 FROM feed_event AS later \
               WHERE later.event_id = e.event_id AND later.revision > e.revision)) ORDER BY cursor LIMIT ?3";
    let mut statement = connection.prepare_cached(sql).map_err(&doing)?;
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let rows = statement.query_map(params![cursor, scope == Scope::History, limit], |row| {
        let word = row.get_ref(3)?.as_str()?;
        Ok(Event {
            cursor: row.get(0)?,
            event_id: event_id(row, 1)?,
            revision: row.get(2)?,
            kind: EventType::from_word(word).ok_or(rusqlite::Error::InvalidQuery)?,
            retracted: row.get(4)?,
            recorded_utc_us: row.get(5)?,
            body: row.get(6)?,
        })
    });
    rows.and_then(Iterator::collect).map_err(doing)
}

/// Puts an exported event back with its own cursor and revision; one that is there already is left alone.
/// For re-importing a logbook: without its history, receivers would take its new revisions for old ones.
///
/// # Errors
/// If another event holds that cursor or revision, or the database refuses.
pub fn restore(connection: &Connection, event: &Event) -> Result<(), OutboxError> {
    let content = Current { event_id: event.event_id, kind: event.kind, body: event.body.clone() };
    let sql = "INSERT INTO feed_event (cursor, event_id, revision, type, retracted, recorded_utc_us, \
               content_hash, body) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 WHERE NOT EXISTS (SELECT 1 FROM \
               feed_event WHERE cursor = ?1 AND event_id = ?2 AND revision = ?3 AND body = ?8)";
    let (id, kind) = (event.event_id.to_string(), event.kind.word());
    let hash = content.content_hash();
    let row = params![
        event.cursor,
        id,
        event.revision,
        kind,
        event.retracted,
        event.recorded_utc_us,
        &hash[..],
        event.body
    ];
    connection.execute(sql, row).map(drop).map_err(database("put a feed event back"))
}
