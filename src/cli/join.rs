//! Logs that are one recording, rotated over several files, become one: their flights are drawn again from the raw
//! copies, end to end, and filed under the first log. Which logs belong together depends on all of them, not on the
//! order in which they came.

use super::filing::{filed, refile};
use super::import::Into;
use crate::archive::cell::Utc;
use crate::archive::layout::FleetDir;
use crate::archive::row::{FlightRow, LogRow, PartRow, TableRow};
use crate::archive::{ArchiveError, catalogue, told_time};
use crate::assess::parts::{Ends, Part, recordings};
use crate::assess::{Assessment, log::date_of};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The date of logs that tell none.
const UNDATED: &str = "unknown";
/// First part of a mark's name; the process id follows.
const MARK: &str = ".unjoined.";
const DAY_US: i64 = 86_400_000_000;

/// Says that logs may have been filed that are not joined yet, until [`Pending::done`]: an import that is killed in
/// between leaves its mark for the next one.
pub struct Pending {
    own: PathBuf,
    /// Marks that earlier imports left, or others that run now have set.
    left: Vec<PathBuf>,
}

impl Pending {
    /// Sets the mark.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn begin(dir: &FleetDir) -> Result<Pending, ArchiveError> {
        let archive = dir.archive();
        let mut left = Vec::new();
        for entry in fs::read_dir(&archive).map_err(ArchiveError::io("list", &archive))? {
            let path = entry.map_err(ArchiveError::io("list", &archive))?.path();
            if path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(MARK)) {
                left.push(path);
            }
        }
        let own = archive.join(format!("{MARK}{}", std::process::id()));
        fs::write(&own, b"").map_err(ArchiveError::io("write", &own))?;
        Ok(Pending { own, left })
    }

    /// Whether there may be logs from earlier imports that are not joined.
    pub fn is_left(&self) -> bool {
        !self.left.is_empty()
    }

    /// Everything is joined.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn done(self) -> Result<(), ArchiveError> {
        self.left.iter().chain([&self.own]).try_for_each(|mark| remove(mark))
    }
}

/// Removes a file; another import may have done it.
///
/// # Errors
/// The file system's refusal.
pub fn remove(path: &Path) -> Result<(), ArchiveError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => Err(ArchiveError::io("remove", path)(error)),
        _ => Ok(()),
    }
}

/// A recording that was joined, and the logs that it is made of.
pub struct Joined {
    /// Its rows.
    pub assessment: Assessment,
    /// Its logs, in order.
    pub logs: Vec<String>,
    /// Every aircraft that gained or lost a flight by it.
    pub aircraft: BTreeSet<String>,
}

/// Joins what belongs together among the new logs and those filed within a day of them; `everything` looks at
/// the whole archive.
///
/// # Errors
/// If the archive cannot be read or written.
pub fn join(new: &[Assessment], everything: bool, into: &Into<'_>) -> Result<Vec<Joined>, ArchiveError> {
    let dir = into.dir;
    let near: BTreeSet<String> = new.iter().flat_map(|a| dates(&a.log, &a.date)).collect();
    let rows: Vec<LogRow> = match (everything, near.is_empty()) {
        (true, _) => catalogue::read(dir, None)?,
        (false, true) => return Ok(Vec::new()),
        (false, false) => near_rows(dir, &near)?,
    };
    let part = |row: &LogRow| Part {
        log_id: row.log_id.clone(),
        container: row.container.clone(),
        ends: serde_json::from_str::<Ends>(&row.ends).unwrap_or_default(),
    };
    let parts: Vec<Part> = rows.iter().map(part).collect();
    let by_id: BTreeMap<&str, &LogRow> = rows.iter().map(|row| (row.log_id.as_str(), row)).collect();
    let mut joined = Vec::new();
    for logs in recordings(&parts) {
        let rows: Vec<LogRow> =
            logs.iter().filter_map(|id| by_id.get(id.as_str()).copied().cloned()).collect();
        joined.extend(join_one(rows, into)?);
    }
    Ok(joined)
}

/// Draws one recording from its logs, unless that was done.
fn join_one(logs: Vec<LogRow>, into: &Into<'_>) -> Result<Option<Joined>, ArchiveError> {
    let dir = into.dir;
    let dates: BTreeSet<String> = logs.iter().flat_map(|log| dates(log, UNDATED)).collect();
    let mut told = false;
    for log in &logs {
        told |= told_time::read(dir, &log.log_id)?.is_some();
    }
    // A told time can have put it anywhere.
    let dates = (!told).then_some(&dates);
    let want = part_rows(&logs);
    let ids: Vec<String> = logs.iter().map(|log| log.log_id.clone()).collect();
    let stale = filed(dir, logs.get(1..).unwrap_or_default(), dates)?;
    let own = filed(dir, logs.get(..1).unwrap_or_default(), dates)?;
    let mark = own.iter().find(|path| is_of(dir, PartRow::TABLE, path));
    if let (Some(mark), true) = (mark, stale.is_empty())
        && catalogue::read_file::<PartRow>(mark)? == want
    {
        return Ok(None);
    }
    let flights = own.iter().chain(&stale).filter(|path| is_of(dir, FlightRow::TABLE, path));
    let mut aircraft: BTreeSet<String> = flights.filter_map(|path| aircraft_of(path)).collect();
    let Some(assessment) = refile(&logs, dates, into)? else { return Ok(None) };
    list_logs(dir, &assessment, &logs)?;
    aircraft.extend(assessment.flights.iter().map(|f| f.aircraft.clone()));
    Ok(Some(Joined { assessment, logs: ids, aircraft }))
}

/// The logs of the recording that this log is part of, in order; the log alone if it was not rotated.
///
/// # Errors
/// If the archive cannot be read.
pub fn logs_of(dir: &FleetDir, log_id: &str) -> Result<Vec<String>, ArchiveError> {
    let parts: Vec<PartRow> = catalogue::read(dir, None)?;
    let of = parts.iter().find(|part| part.log_id == log_id).map(|part| part.recording_id.clone());
    let mut own: Vec<PartRow> =
        parts.into_iter().filter(|part| Some(&part.recording_id) == of.as_ref()).collect();
    own.sort_by_key(|part| part.part);
    Ok(if own.is_empty() { vec![log_id.to_owned()] } else { own.into_iter().map(|p| p.log_id).collect() })
}

/// Writes the recording's list of logs where it is filed now; nothing for a log that was not rotated.
///
/// # Errors
/// If the archive cannot be written.
pub fn list_logs(dir: &FleetDir, assessment: &Assessment, logs: &[LogRow]) -> Result<(), ArchiveError> {
    let (Some(first), true) = (logs.first(), logs.len() > 1) else { return Ok(()) };
    let path = dir.partition(PartRow::TABLE, &assessment.log.aircraft, &assessment.date, &first.log_id);
    catalogue::write(&path, &part_rows(logs))
}

fn part_rows(logs: &[LogRow]) -> Vec<PartRow> {
    let recording_id = logs.first().map(|log| log.log_id.clone()).unwrap_or_default();
    let part = |(part, log): (i64, &LogRow)| PartRow {
        recording_id: recording_id.clone(),
        part,
        log_id: log.log_id.clone(),
    };
    (0..).zip(logs).map(part).collect()
}

/// The aircraft under which a file of the catalogue lies.
fn aircraft_of(path: &Path) -> Option<String> {
    let folders = path.iter().filter_map(|part| part.to_str());
    folders.filter_map(|part| part.strip_prefix("aircraft=")).next_back().map(str::to_owned)
}

fn is_of(dir: &FleetDir, table: &str, path: &Path) -> bool {
    path.starts_with(dir.archive().join(table))
}

/// The dates under which a log, or one that it goes on in, may be filed.
fn dates(log: &LogRow, filed_under: &str) -> BTreeSet<String> {
    let mut dates: BTreeSet<String> = [UNDATED.to_owned(), filed_under.to_owned()].into();
    for end in [log.start_utc, log.end_utc].into_iter().flatten() {
        dates.extend([-DAY_US, 0, DAY_US].map(|shift| date_of(Utc(end.0.saturating_add(shift)))));
    }
    dates
}

fn near_rows(dir: &FleetDir, dates: &BTreeSet<String>) -> Result<Vec<LogRow>, ArchiveError> {
    let mut rows = Vec::new();
    for aircraft in super::filing::folders(&dir.archive().join(LogRow::TABLE))? {
        for date in dates {
            for path in catalogue::files(&aircraft.join(format!("date={date}")), None)? {
                rows.extend(catalogue::read_file::<LogRow>(&path)?);
            }
        }
    }
    Ok(rows)
}
