//! The archive of a fleet folder: what the machine measured, as Parquet that any engine can read, and
//! exact copies of the logs. All file I/O of the import lives here.
//!
//! - [`layout`]: where a file belongs, finding the fleet folder
//! - [`atomic`]: temporary name, sync, rename
//! - [`writers`]: who is writing, and sweeping up after those who were killed at it
//! - [`raw`]: the verified, compressed copy of a log
//! - [`cell`], [`row`]: catalogue rows and their columns
//! - [`catalogue`]: writing and reading `logs/`, `flights/`, `measures/`, `findings/`
//! - [`load`]: how hard each flight was, from the outputs in the telemetry
//! - [`packs`]: battery packs and their charge, flight by flight, from the telemetry
//! - [`copies`]: logs that are the beginning of another one
//! - [`pieces`]: files too short for a whole frame
//! - [`told_joins`]: what a person says of logs being one recording or not
//! - [`told_time`]: the time that a person gave a log without one
//! - [`pending`]: marks of work that takes several steps
//! - [`telemetry`]: one Parquet file a message, bounded memory

pub mod atomic;
pub mod catalogue;
pub mod cell;
pub mod copies;
pub mod layout;
pub mod load;
pub mod packs;
pub mod pending;
pub mod pieces;
pub mod raw;
pub mod row;
pub mod telemetry;
pub mod told_joins;
pub mod told_time;
pub mod writers;

use std::io;
use std::path::{Path, PathBuf};

/// What stops work on the archive.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArchiveError {
    /// The operating system refused.
    #[error("cannot {action} {}", path.display())]
    Io {
        /// Verb phrase.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Parquet could not be written or read.
    #[error("cannot {action} the Parquet file {}", path.display())]
    Parquet {
        /// Verb.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// Why.
        source: parquet::errors::ParquetError,
    },
    /// A catalogue file is not what this version writes.
    #[error("{}: column {column} is missing or has another type; import the log again or use the version that wrote it", path.display())]
    Column {
        /// Which file.
        path: PathBuf,
        /// Which column.
        column: &'static str,
    },
    /// The copy did not read back as the log.
    #[error("the copy of {} did not read back with the log's length; check the disk and import again", path.display())]
    CopyDiffers {
        /// The log.
        path: PathBuf,
    },
    /// What a person said about a log's time is not what this version writes.
    #[error("{}: not a record of a log's time: {why}; remove it and tell the time again with `fettle clock`", path.display())]
    ToldTime {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// What a person said of two logs is not what this version writes.
    #[error("{}: not a record of two logs: {why}; remove it and say it again with `fettle join`", path.display())]
    ToldJoin {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// What says that a log is a copy is not what this version writes.
    #[error("{}: does not say what a log is a copy of: {why}; remove it and import that log again", path.display())]
    Copy {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A log could not be opened or read.
    #[error(transparent)]
    Source(#[from] crate::source::SourceError),
    /// A file is in the way.
    #[error("{} exists already; choose another folder or give --force to replace it", path.display())]
    Exists {
        /// Which.
        path: PathBuf,
    },
}

impl ArchiveError {
    /// Wraps an I/O error with what was attempted.
    pub fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> ArchiveError {
        let path = path.to_owned();
        move |source| ArchiveError::Io { action, path, source }
    }

    /// Wraps a Parquet error with what was attempted.
    pub fn parquet(
        action: &'static str,
        path: &Path,
    ) -> impl FnOnce(parquet::errors::ParquetError) -> ArchiveError {
        let path = path.to_owned();
        move |source| ArchiveError::Parquet { action, path, source }
    }
}
