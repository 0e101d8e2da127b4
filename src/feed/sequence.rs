//! SEQUENCE and DTSTAMP of calendar entries: the last state of each is kept so that changes are seen.
//!
//! RFC 5545 §3.8.7.4 wants SEQUENCE to grow when an entry changes, also when the file is made anew, so the
//! number is kept in the logbook's database. An entry that is gone stays, cancelled, in the file for
//! [`CANCELLED_SHOWN_DAYS`], so that calendars that took it in drop it; its number is kept for good.

use super::calendar::{DueDate, Entry, uid};
use super::outbox::{OutboxError, database};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet};

/// How long a cancelled entry is still told.
pub const CANCELLED_SHOWN_DAYS: i64 = 60;

/// Compares what is due with the last file, writes what changed, and returns the entries of the new file by
/// date, subject and task. `due` must be complete: what it lacks is cancelled.
///
/// # Errors
/// If two due dates share a key or the database refuses.
pub fn sequence(
    connection: &Connection,
    due: &[DueDate],
    now_utc_us: i64,
) -> Result<Vec<Entry>, OutboxError> {
    let doing = database("keep calendar entries");
    let transaction =
        Transaction::new_unchecked(connection, TransactionBehavior::Immediate).map_err(&doing)?;
    let mut known = known(&transaction)?;
    let mut entries = Vec::new();
    let mut seen = BTreeSet::new();
    for one in due {
        let uid = uid(&one.key);
        if !seen.insert(uid.clone()) {
            return Err(OutboxError::DueTwice { key: one.key.clone() });
        }
        let sequence = match known.remove(&uid) {
            None => 0,
            Some(told) if same(&told, one) => {
                entries.push(Entry { due: one.clone(), ..told });
                continue;
            }
            Some(told) => told.sequence + 1,
        };
        let entry = Entry { due: one.clone(), uid, sequence, changed_utc_us: now_utc_us, cancelled: false };
        write(&transaction, &entry)?;
        entries.push(entry);
    }
    for mut told in known.into_values() {
        if !told.cancelled {
            told.sequence += 1;
            (told.cancelled, told.changed_utc_us) = (true, now_utc_us);
            write(&transaction, &told)?;
        }
        if now_utc_us.saturating_sub(told.changed_utc_us) < CANCELLED_SHOWN_DAYS * 86_400_000_000 {
            entries.push(told);
        }
    }
    transaction.commit().map_err(&doing)?;
    entries.sort_by(|a, b| {
        let order = |e: &Entry| (e.due.date, e.due.subject.clone(), e.due.task.clone(), e.uid.clone());
        order(a).cmp(&order(b))
    });
    Ok(entries)
}

fn same(told: &Entry, due: &DueDate) -> bool {
    let facts = |d: &DueDate| (d.subject.clone(), d.task.clone(), d.date, d.note.clone());
    !told.cancelled && facts(&told.due) == facts(due)
}

/// Every entry ever told, by UID.
///
/// # Errors
/// If the database refuses.
pub fn known(connection: &Connection) -> Result<BTreeMap<String, Entry>, OutboxError> {
    let doing = database("read calendar entries");
    let sql = "SELECT uid, sequence, changed_utc_us, cancelled, date, subject, task, note FROM feed_calendar";
    let mut statement = connection.prepare(sql).map_err(&doing)?;
    let rows = statement.query_map([], |row| {
        let date = row.get_ref(4)?.as_str()?.parse().map_err(|_| rusqlite::Error::InvalidQuery)?;
        let (subject, task, note) = (row.get(5)?, row.get(6)?, row.get(7)?);
        // The key itself is not kept: the UID stands for it.
        let due = DueDate { key: String::new(), subject, task, date, note };
        let uid: String = row.get(0)?;
        let (sequence, changed_utc_us) = (row.get(1)?, row.get(2)?);
        Ok((uid.clone(), Entry { due, uid, sequence, changed_utc_us, cancelled: row.get(3)? }))
    });
    rows.and_then(Iterator::collect).map_err(doing)
}

/// Writes an entry as it stands; for the next file, and for re-importing a logbook.
///
/// # Errors
/// If the database refuses.
pub fn write(connection: &Connection, entry: &Entry) -> Result<(), OutboxError> {
    let sql = "INSERT INTO feed_calendar (uid, sequence, changed_utc_us, cancelled, date, subject, task, note) \
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT (uid) DO UPDATE SET \
               sequence = excluded.sequence, changed_utc_us = excluded.changed_utc_us, \
               cancelled = excluded.cancelled, date = excluded.date, subject = excluded.subject, \
               task = excluded.task, note = excluded.note";
    let (due, date) = (&entry.due, entry.due.date.to_string());
    let row = params![
        entry.uid,
        entry.sequence,
        entry.changed_utc_us,
        entry.cancelled,
        date,
        due.subject,
        due.task,
        due.note
    ];
    connection.execute(sql, row).map(drop).map_err(database("write a calendar entry"))
}
