//! Reading, appending, verifying.

use super::open::database;
use super::{Line, Logbook, LogbookError, exchange, projection};
use crate::feed::sources::Hashes;
use crate::usage::{Action, Entry, Ledger};
use rusqlite::{Connection, TransactionBehavior, params};
use std::collections::HashMap;

/// An entry to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// When it happened.
    pub at_us: i64,
    /// What happened.
    pub action: Action,
    /// The entry it replaces.
    pub corrects: Option<i64>,
}

/// The first line that does not hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broken {
    /// Its number.
    pub seq: i64,
    /// What is wrong with it.
    pub why: String,
}

impl Logbook {
    /// Every line.
    ///
    /// # Errors
    /// SQLite's refusal.
    pub fn lines(&self) -> Result<Vec<Line>, LogbookError> {
        read(&self.db).map_err(database("read", &self.path))
    }

    /// Every entry.
    ///
    /// # Errors
    /// SQLite's refusal, or a line that cannot be understood.
    pub fn entries(&self) -> Result<Vec<Entry>, LogbookError> {
        self.lines()?.iter().map(Line::entry).collect()
    }

    /// What the journal would mean with these entries at its end, and with which numbers they would stand.
    ///
    /// # Errors
    /// If they contradict the others.
    pub fn preview(entries: &[Entry], drafts: &[Draft], now_us: i64) -> Result<Ledger, LogbookError> {
        let mut all = entries.to_vec();
        for draft in drafts {
            let seq = all.last().map_or(0, |e| e.seq) + 1;
            all.push(Entry {
                seq,
                at_us: draft.at_us,
                entered_us: now_us,
                action: draft.action.clone(),
                corrects: draft.corrects,
            });
        }
        Ok(Ledger::project(&all)?)
    }

    /// Appends entries, all or none. `seen` is the last entry the caller knew of; one more makes it an error.
    /// Returns the numbers given.
    ///
    /// # Errors
    /// If they contradict the journal or it moved on, or SQLite's refusal.
    pub fn append(&mut self, seen: i64, drafts: &[Draft], now_us: i64) -> Result<Vec<i64>, LogbookError> {
        let path = self.path.clone();
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(database("write to", &path))?;
        let lines = read(&transaction).map_err(database("read", &path))?;
        let mut last = lines.last().map_or((0, [0; 32]), |l| (l.seq, l.hash));
        if last.0 != seen {
            return Err(LogbookError::Moved);
        }
        let mut entries = lines.iter().map(Line::entry).collect::<Result<Vec<_>, _>>()?;
        let mut numbers = Vec::new();
        for draft in drafts {
            let line = Line::following(last, draft.at_us, now_us, &draft.action, draft.corrects)?;
            // Judged before it is written, so that the words are ours and not the database's.
            entries.push(line.entry()?);
            last = (line.seq, line.hash);
            numbers.push(line.seq);
            if draft.corrects.is_some_and(|c| c >= line.seq || c < 1) {
                let conflict =
                    crate::usage::Conflict::NothingToCorrect { entry: draft.corrects.unwrap_or_default() };
                return Err(crate::usage::conflict::Refused::new(line.seq, conflict).into());
            }
            insert(&transaction, &line).map_err(database("write to", &path))?;
        }
        let ledger = Ledger::project(&entries)?;
        projection::write(&transaction, &ledger).map_err(database("write to", &path))?;
        transaction.commit().map_err(database("write to", &path))?;
        Ok(numbers)
    }

    /// Proves the chain: every line's number, hash and link. `None` if all hold.
    ///
    /// # Errors
    /// SQLite's refusal.
    pub fn verify(&self) -> Result<Option<Broken>, LogbookError> {
        Ok(broken(&self.lines()?))
    }

    /// True if the tables beside the journal hold what it means.
    ///
    /// # Errors
    /// SQLite's refusal, or a journal that cannot be understood.
    pub fn projection_agrees(&self) -> Result<bool, LogbookError> {
        let ledger = Ledger::project(&self.entries()?)?;
        projection::agrees(&self.db, &ledger).map_err(database("read", &self.path))
    }
}

/// The first line that does not hold.
pub fn broken(lines: &[Line]) -> Option<Broken> {
    let (mut expected, mut prev) = (1, [0u8; 32]);
    for line in lines {
        let why = if line.seq != expected {
            Some(format!("entry {expected} is missing; the next one here is {}", line.seq))
        } else if line.prev != prev {
            Some("it does not follow the entry before it: one of the two was replaced".to_owned())
        } else if line.computed_hash() != line.hash {
            Some("its content is not what was written: the hash differs".to_owned())
        } else {
            line.entry().err().map(|e| e.to_string())
        };
        if let Some(why) = why {
            return Some(Broken { seq: expected, why });
        }
        expected += 1;
        prev = line.hash;
    }
    None
}

/// The hashes of every original entry: its own, and that of the entry that stands in its place.
pub fn hashes(lines: &[Line]) -> HashMap<i64, Hashes> {
    let mut root_of: HashMap<i64, i64> = HashMap::new();
    let mut found: HashMap<i64, Hashes> = HashMap::new();
    for line in lines {
        let root = line.corrects.and_then(|c| root_of.get(&c).copied()).unwrap_or(line.seq);
        root_of.insert(line.seq, root);
        let standing = exchange::hex(&line.hash);
        let original = standing.clone();
        found.entry(root).or_insert(Hashes { original, standing: String::new() }).standing = standing;
    }
    found
}

pub(super) fn read(db: &Connection) -> rusqlite::Result<Vec<Line>> {
    let mut statement = db.prepare_cached(
        "SELECT seq, at_utc_us, entered_utc_us, kind, body, corrects, prev, hash FROM journal ORDER BY seq",
    )?;
    let lines = statement.query_map([], |r| {
        Ok(Line {
            seq: r.get(0)?,
            at_us: r.get(1)?,
            entered_us: r.get(2)?,
            kind: r.get(3)?,
            body: r.get(4)?,
            corrects: r.get(5)?,
            prev: r.get(6)?,
            hash: r.get(7)?,
        })
    })?;
    lines.collect()
}

pub(super) fn insert(db: &Connection, line: &Line) -> rusqlite::Result<()> {
    let mut statement = db.prepare_cached(
        "INSERT INTO journal (seq, at_utc_us, entered_utc_us, kind, body, corrects, prev, hash) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    statement.execute(params![
        line.seq,
        line.at_us,
        line.entered_us,
        line.kind,
        line.body,
        line.corrects,
        line.prev,
        line.hash
    ])?;
    Ok(())
}
