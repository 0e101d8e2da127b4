//! The feed's history in an export: what receivers were told and what stands in calendars, so that revisions
//! and SEQUENCE numbers go on after a re-import where they were.
//!
//! How far each receiver got is left out: it is known under a hash of the receiver's address, which may hold a
//! secret. After a re-import everything is sent once more, which does no harm.

use super::{Logbook, LogbookError, exchange};
use crate::feed::calendar::{DueDate, Entry};
use crate::feed::event::Event;
use crate::feed::id::{EventId, EventType};
use crate::feed::outbox::{Scope, restore, since};
use crate::feed::sequence;
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Events read at a time.
const PAGE: usize = 1000;

/// A line that is no journal entry.
#[derive(Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
enum Told {
    FeedEvent {
        version: u32,
        cursor: i64,
        event_id: String,
        revision: i64,
        kind: String,
        retracted: bool,
        recorded_utc_us: i64,
        /// The stored text itself, as text: a tagged line cannot hold raw JSON.
        body: String,
    },
    FeedCalendar {
        version: u32,
        uid: String,
        sequence: i64,
        changed_utc_us: i64,
        cancelled: bool,
        date: String,
        subject: String,
        task: String,
        note: String,
    },
}

/// What a line of an export is.
#[derive(Debug)]
pub(super) enum Kept {
    /// A revision told.
    Event(Event),
    /// A calendar entry.
    Calendar(Entry),
}

impl Logbook {
    /// Gives every line of an export, without line ends: the journal, then what the feed told. All of one
    /// moment. Returns the number of journal entries.
    ///
    /// # Errors
    /// SQLite's refusal, or an entry that cannot be written.
    pub fn export(&self, each: &mut dyn FnMut(String)) -> Result<usize, LogbookError> {
        let moment = self.db.unchecked_transaction().map_err(super::open::database("read", &self.path))?;
        let lines = self.lines()?;
        for line in &lines {
            each(exchange::to_json(line)?);
        }
        let mut cursor = 0;
        loop {
            let page = since(&moment, cursor, PAGE, Scope::History)?;
            let Some(last) = page.last() else { break };
            cursor = last.cursor;
            for event in page {
                each(line(&Told::FeedEvent {
                    version: exchange::VERSION,
                    cursor: event.cursor,
                    event_id: event.event_id.to_string(),
                    revision: event.revision,
                    kind: event.kind.word().to_owned(),
                    retracted: event.retracted,
                    recorded_utc_us: event.recorded_utc_us,
                    body: event.body,
                })?);
            }
        }
        for entry in sequence::known(&moment)?.into_values() {
            each(line(&Told::FeedCalendar {
                version: exchange::VERSION,
                uid: entry.uid,
                sequence: entry.sequence,
                changed_utc_us: entry.changed_utc_us,
                cancelled: entry.cancelled,
                date: entry.due.date.to_string(),
                subject: entry.due.subject,
                task: entry.due.task,
                note: entry.due.note,
            })?);
        }
        Ok(lines.len())
    }
}

fn line(told: &Told) -> Result<String, LogbookError> {
    serde_json::to_string(told).map_err(|e| LogbookError::Unreadable { seq: 0, why: e.to_string() })
}

/// A line of an export that is no journal entry; `None` if it is one.
pub(super) fn from_json(text: &str) -> Result<Option<Kept>, String> {
    #[derive(Deserialize)]
    struct Kind {
        r#type: String,
    }
    let wrong = |e: serde_json::Error| format!("not a line of an export: {e}");
    let kind = serde_json::from_str::<Kind>(text).ok().filter(|k| k.r#type.starts_with("feed_"));
    let Some(kind) = kind else { return Ok(None) };
    let (version, kept) = match serde_json::from_str(text).map_err(wrong)? {
        Told::FeedEvent { version, cursor, event_id, revision, kind, retracted, recorded_utc_us, body } => {
            let event = Event {
                cursor,
                event_id: EventId::from_hex(&event_id).ok_or_else(|| format!("{event_id} is no event id"))?,
                revision,
                kind: EventType::from_word(&kind).ok_or_else(|| format!("{kind} is no type of event"))?,
                retracted,
                recorded_utc_us,
                body: whole(body)?,
            };
            (version, Kept::Event(event))
        }
        Told::FeedCalendar {
            version,
            uid,
            sequence,
            changed_utc_us,
            cancelled,
            date,
            subject,
            task,
            note,
        } => {
            let date = date.parse().map_err(|_| format!("{date} is no date"))?;
            let due = DueDate { key: String::new(), subject, task, date, note };
            (version, Kept::Calendar(Entry { due, uid, sequence, changed_utc_us, cancelled }))
        }
    };
    match version {
        exchange::VERSION => Ok(Some(kept)),
        other => Err(format!("{} version {other} is not version {}", kind.r#type, exchange::VERSION)),
    }
}

fn whole(body: String) -> Result<String, String> {
    let json: Result<&RawValue, _> = serde_json::from_str(&body);
    json.map(drop).map_err(|e| format!("the event's body is not JSON: {e}"))?;
    Ok(body)
}

/// An error with its cause.
pub(super) fn words(error: &LogbookError) -> String {
    std::error::Error::source(error).map_or_else(|| error.to_string(), |why| format!("{error}: {why}"))
}

/// Puts a line back.
pub(super) fn put_back(db: &Connection, kept: &Kept) -> Result<(), LogbookError> {
    match kept {
        Kept::Event(event) => restore(db, event)?,
        Kept::Calendar(entry) => sequence::write(db, entry)?,
    }
    Ok(())
}
