//! The whole logbook as NDJSON: one line an entry, body and hashes kept to the byte, so that what is read
//! back is the same chain; then what the feed told ([`super::told`]).

use super::open::database;
use super::{Broken, Line, Logbook, LogbookError, journal, projection, told};
use crate::usage::Ledger;
use rusqlite::TransactionBehavior;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::io::BufRead;

/// Version of the exported lines.
pub const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Exported {
    r#type: String,
    version: u32,
    seq: i64,
    at_utc_us: i64,
    entered_utc_us: i64,
    kind: String,
    corrects: Option<i64>,
    body: Box<RawValue>,
    prev: String,
    hash: String,
}

/// One line, without its line end.
///
/// # Errors
/// If its body is not JSON.
pub fn to_json(line: &Line) -> Result<String, LogbookError> {
    let unreadable = |e: serde_json::Error| LogbookError::Unreadable { seq: line.seq, why: e.to_string() };
    let exported = Exported {
        r#type: "journal".to_owned(),
        version: VERSION,
        seq: line.seq,
        at_utc_us: line.at_us,
        entered_utc_us: line.entered_us,
        kind: line.kind.clone(),
        corrects: line.corrects,
        body: RawValue::from_string(line.body.clone()).map_err(unreadable)?,
        prev: hex(&line.prev),
        hash: hex(&line.hash),
    };
    serde_json::to_string(&exported).map_err(unreadable)
}

/// A line back.
///
/// # Errors
/// What is wrong with it.
pub fn from_json(text: &str) -> Result<Line, String> {
    let exported: Exported = serde_json::from_str(text).map_err(|e| format!("not a journal line: {e}"))?;
    if exported.r#type != "journal" || exported.version != VERSION {
        return Err(format!(
            "{} version {} is not journal version {VERSION}",
            exported.r#type, exported.version
        ));
    }
    let bytes = |text: &str| unhex(text).ok_or_else(|| format!("{text} is not a hash of 64 hex digits"));
    Ok(Line {
        seq: exported.seq,
        at_us: exported.at_utc_us,
        entered_us: exported.entered_utc_us,
        kind: exported.kind,
        body: exported.body.get().to_owned(),
        corrects: exported.corrects,
        prev: bytes(&exported.prev)?,
        hash: bytes(&exported.hash)?,
    })
}

impl Logbook {
    /// Reads an export into this logbook, which must be empty; all or nothing. Returns the number of entries.
    ///
    /// # Errors
    /// A line that cannot be read, a broken chain, a journal that contradicts itself, or SQLite's refusal.
    pub fn import(&mut self, input: impl BufRead) -> Result<usize, LogbookError> {
        let (mut lines, mut kept) = (Vec::new(), Vec::new());
        for (index, text) in input.lines().enumerate() {
            let wrong = |why: String| LogbookError::Exchange { line: index + 1, why };
            let text = text.map_err(|e| wrong(format!("cannot be read: {e}")))?;
            if text.trim().is_empty() {
                continue;
            }
            match told::from_json(&text).map_err(wrong)? {
                Some(one) => kept.push((index + 1, one)),
                None => lines.push(from_json(&text).map_err(wrong)?),
            }
        }
        if let Some(Broken { seq, why }) = journal::broken(&lines) {
            return Err(LogbookError::Exchange {
                line: usize::try_from(seq).unwrap_or(0),
                why: format!("entry {seq} breaks the chain: {why}; nothing was imported"),
            });
        }
        let path = self.path.clone();
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(database("write to", &path))?;
        let entries: i64 = transaction
            .query_row("SELECT (SELECT count(*) FROM journal) + (SELECT count(*) FROM feed_event)", [], |r| {
                r.get(0)
            })
            .map_err(database("read", &path))?;
        if entries > 0 {
            return Err(LogbookError::NotEmpty { path, entries });
        }
        for line in &lines {
            journal::insert(&transaction, line).map_err(database("write to", &path))?;
        }
        let entries = lines.iter().map(Line::entry).collect::<Result<Vec<_>, _>>()?;
        projection::write(&transaction, &Ledger::project(&entries)?).map_err(database("write to", &path))?;
        for (line, one) in &kept {
            let wrong = |e: LogbookError| LogbookError::Exchange { line: *line, why: told::words(&e) };
            told::put_back(&transaction, one).map_err(wrong)?;
        }
        transaction.commit().map_err(database("write to", &path))?;
        Ok(lines.len())
    }
}

/// Lower-case hex.
pub fn hex(bytes: &[u8; 32]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn unhex(text: &str) -> Option<[u8; 32]> {
    blake3::Hash::from_hex(text).ok().map(|h| *h.as_bytes())
}
