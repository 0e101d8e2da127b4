//! The logbook of a fleet folder: `logbook.db`, what people did, append-only and hash-chained.
//!
//! - [`schema`]: tables, triggers, versions
//! - [`open`]: opening, migrating, backing up before a migration
//! - [`mod@line`]: one journal line, its bytes and its hash
//! - [`journal`]: reading, appending, verifying
//! - [`projection`]: components and fittings as tables, where the database itself refuses the impossible
//! - [`exchange`]: export and import as NDJSON; [`told`]: the feed's history in it
//!
//! The journal is the truth. What it means is [`crate::usage::Ledger`]; the tables beside it are made from
//! it in the same transaction and hold the rules (one place a component, one component a place) a second
//! time, independent of the code.

pub mod exchange;
pub mod journal;
pub mod line;
pub mod open;
pub mod projection;
pub mod schema;
pub mod told;

pub use journal::{Broken, Draft};
pub use line::Line;
pub use open::Logbook;

use std::path::PathBuf;

/// What stops work on the logbook.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogbookError {
    /// SQLite refused.
    #[error("cannot {action} the logbook {}", path.display())]
    Database {
        /// Verb phrase.
        action: &'static str,
        /// Which file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// The operating system refused.
    #[error("cannot {action} {}", path.display())]
    Io {
        /// Verb phrase.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Written by a later version.
    #[error("{} has version {found}, this fettle knows up to {known}; use a newer fettle", path.display())]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest known.
        known: i64,
    },
    /// The file is a database of something else.
    #[error("{} is not a fettle logbook; move it away, or choose another fleet folder", path.display())]
    Foreign {
        /// Which file.
        path: PathBuf,
    },
    /// The entry contradicts the others.
    #[error(transparent)]
    Refused(#[from] crate::usage::conflict::Refused),
    /// An entry cannot be read.
    #[error("entry {seq} cannot be understood: {why}; `fettle verify` tells whether it was tampered with")]
    Unreadable {
        /// Which.
        seq: i64,
        /// Why.
        why: String,
    },
    /// Somebody wrote meanwhile.
    #[error("the logbook gained an entry while this one was prepared; look again and repeat the command")]
    Moved,
    /// A line of an export cannot be taken.
    #[error("line {line}: {why}")]
    Exchange {
        /// From 1.
        line: usize,
        /// What is wrong and what to do.
        why: String,
    },
    /// What was told to receivers.
    #[error(transparent)]
    Told(#[from] crate::feed::outbox::OutboxError),
    /// The logbook is not empty.
    #[error("{} already holds {entries} entries, what the feed told included; an export is read into an empty logbook only", path.display())]
    NotEmpty {
        /// Which file.
        path: PathBuf,
        /// How many.
        entries: i64,
    },
}
