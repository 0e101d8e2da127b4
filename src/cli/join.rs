//! Logs that are one recording, rotated over several files, become one: their flights are drawn again from the raw
//! copies, end to end, and filed under the first log. Which logs belong together follows from all of them, not from
//! the order in which they came; a log that leaves a recording, since another one fits better, is drawn by itself.

use super::filing::{folders, move_row, refile};
use super::import::Into;
use crate::archive::layout::FleetDir;
use crate::archive::row::{FlightRow, LogRow, PartRow, TableRow};
use crate::archive::{ArchiveError, catalogue, told_time};
use crate::assess::Assessment;
use crate::assess::parts::{Ends, Part, recordings};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};

/// A recording that was drawn again, and the logs that it is made of.
pub struct Joined {
    /// Its rows.
    pub assessment: Assessment,
    /// Its logs, in order.
    pub logs: Vec<String>,
}

/// What a joining did.
#[derive(Default)]
pub struct Done {
    /// Recordings that were drawn.
    pub joined: Vec<Joined>,
    /// Recordings that could not be, by the path of their first log.
    pub failed: Vec<(PathBuf, ArchiveError)>,
    /// Every aircraft that gained or lost a flight by it.
    pub aircraft: BTreeSet<String>,
}

/// Joins what belongs together now that there are new logs. `repair` also looks for what an import that was cut short
/// left half done.
///
/// # Errors
/// If the catalogue cannot be read.
pub fn join(anything_new: bool, repair: bool, into: &Into<'_>) -> Result<Done, ArchiveError> {
    let dir = into.dir;
    if !anything_new && !repair {
        return Ok(Done::default());
    }
    let rows: BTreeMap<String, LogRow> =
        catalogue::read(dir, None)?.into_iter().map(|row: LogRow| (row.log_id.clone(), row)).collect();
    let part = |row: &LogRow| Part {
        log_id: row.log_id.clone(),
        container: row.container.clone(),
        ends: serde_json::from_str::<Ends>(&row.ends).unwrap_or_default(),
    };
    let parts: Vec<Part> = rows.values().map(part).collect();
    let now: BTreeMap<String, Vec<String>> =
        recordings(&parts).into_iter().filter_map(|logs| Some((logs.first()?.clone(), logs))).collect();
    let before = lists(dir)?;
    let in_several: HashSet<&String> = now.values().flatten().collect();
    let mut todo: BTreeSet<Vec<String>> = BTreeSet::new();
    todo.extend(
        now.iter().filter(|(first, logs)| before.get(*first) != Some(*logs)).map(|(_, logs)| logs.clone()),
    );
    let changed = before.iter().filter(|(first, logs)| now.get(*first) != Some(*logs));
    let left = changed.flat_map(|(_, logs)| logs).filter(|log| !in_several.contains(log));
    todo.extend(left.map(|log| vec![log.clone()]));
    if repair {
        let mut half_done = half_done(dir, &now)?;
        // What was said of a log's time may not have been applied.
        half_done.extend(told_time::all(dir)?);
        todo.extend(now.values().filter(|logs| logs.iter().any(|log| half_done.contains(log))).cloned());
        todo.extend(half_done.into_iter().filter(|log| !in_several.contains(log)).map(|log| vec![log]));
    }
    let mut done = Done::default();
    let taken_back = taken_back(dir, repair)?;
    for logs in todo {
        let rows: Vec<LogRow> = logs.iter().filter_map(|id| rows.get(id)).cloned().collect();
        match refile(&rows, into) {
            Ok(Some((assessment, aircraft))) => {
                done.aircraft.extend(aircraft);
                if let [row] = rows.as_slice() {
                    let log = LogRow {
                        signatures: row.signatures.clone(),
                        notes: row.notes.clone(),
                        ..assessment.log.clone()
                    };
                    move_row(dir, &log, &assessment.date)?;
                }
                done.joined.push(Joined { assessment, logs });
            }
            Ok(None) => {}
            Err(error) => {
                let path = rows.first().map(|row| PathBuf::from(&row.path)).unwrap_or_default();
                done.failed.push((path, error));
            }
        }
    }
    if done.failed.is_empty() {
        taken_back.iter().try_for_each(|id| told_time::forget(dir, id))?;
    }
    Ok(done)
}

/// Recordings of which it was taken back what was said of their time, and that were not drawn since.
fn taken_back(dir: &FleetDir, repair: bool) -> Result<Vec<String>, ArchiveError> {
    let mut ids = if repair { told_time::all(dir)? } else { Vec::new() };
    let mut failed = None;
    ids.retain(|id| match told_time::read(dir, id) {
        Ok(told) => told.is_some_and(|told| told.is_empty()),
        Err(error) => {
            failed = Some(error);
            false
        }
    });
    failed.map_or(Ok(ids), Err)
}

/// Logs whose flights lie in more than one place, or beside those of the recording they are part of.
fn half_done(dir: &FleetDir, now: &BTreeMap<String, Vec<String>>) -> Result<BTreeSet<String>, ArchiveError> {
    let mut places: HashMap<String, BTreeSet<PathBuf>> = HashMap::new();
    for path in catalogue::imported_files(dir, FlightRow::TABLE, None)? {
        if let (Some(id), Some(date)) = (path.file_stem().and_then(|s| s.to_str()), path.parent()) {
            places.entry(id.to_owned()).or_default().insert(date.to_owned());
        }
    }
    let behind: HashSet<&String> = now.values().flat_map(|logs| logs.iter().skip(1)).collect();
    let several = |id: &String, places: &BTreeSet<PathBuf>| behind.contains(id) || places.len() > 1;
    Ok(places.into_iter().filter(|(id, places)| several(id, places)).map(|(id, _)| id).collect())
}

/// The logs of every recording that has several, by its first.
fn lists(dir: &FleetDir) -> Result<BTreeMap<String, Vec<String>>, ArchiveError> {
    let mut rows: Vec<PartRow> = catalogue::read(dir, None)?;
    rows.sort_by(|a, b| (&a.recording_id, a.part).cmp(&(&b.recording_id, b.part)));
    let mut lists: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in rows {
        lists.entry(row.recording_id).or_default().push(row.log_id);
    }
    Ok(lists)
}

/// The logs of the recording that this log is part of, in order; the log alone if it was not rotated.
///
/// # Errors
/// If the archive cannot be read.
pub fn logs_of(dir: &FleetDir, log_id: &str) -> Result<Vec<String>, ArchiveError> {
    let mut lists = lists(dir)?.into_values();
    Ok(lists.find(|logs| logs.iter().any(|log| log == log_id)).unwrap_or_else(|| vec![log_id.to_owned()]))
}

/// The list of a recording's logs, as rows.
pub fn part_rows(logs: &[LogRow]) -> Vec<PartRow> {
    let recording_id = logs.first().map(|log| log.log_id.clone()).unwrap_or_default();
    let part = |(part, log): (i64, &LogRow)| PartRow {
        recording_id: recording_id.clone(),
        part,
        log_id: log.log_id.clone(),
    };
    (0..).zip(logs).map(part).collect()
}

/// The aircraft under which files of the catalogue lie.
pub fn aircraft_of<'p>(paths: impl IntoIterator<Item = &'p Path>) -> BTreeSet<String> {
    let name = |path: &Path| {
        let folders = path.iter().filter_map(|part| part.to_str());
        folders.filter_map(|part| part.strip_prefix("aircraft=")).next_back().map(str::to_owned)
    };
    paths.into_iter().filter_map(name).collect()
}

/// Every aircraft with flights.
///
/// # Errors
/// If the archive cannot be listed.
pub fn every_aircraft(dir: &FleetDir) -> Result<BTreeSet<String>, ArchiveError> {
    let folders = folders(&dir.archive().join(FlightRow::TABLE))?;
    Ok(aircraft_of(folders.iter().map(PathBuf::as_path)))
}
