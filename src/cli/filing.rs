//! A recording into the archive: telemetry, measures, flights and losses under its aircraft and date, and out
//! again when the recording turns out to be part of a longer one.

use super::import::Into;
use super::{reading, recordings};
use crate::archive::copies::{self, Copies};
use crate::archive::layout::FleetDir;
use crate::archive::pending::remove;
use crate::archive::row::{FlightRow, LogRow, MeasureRow, PartRow, TableRow};
use crate::archive::telemetry::TelemetryWriter;
use crate::archive::told_time::{self, ToldTime};
use crate::archive::{ArchiveError, atomic, catalogue, pieces as kept, raw};
use crate::assess::ends::Ends;
use crate::assess::{Assessment, assess, overlap, pieces, reducer};
use crate::recording::Recording;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

/// What was filed, and where.
pub struct Filed {
    /// The rows; measures and losses are in the archive alone.
    pub assessment: Assessment,
    /// Every file written.
    pub files: Vec<PathBuf>,
}

/// Assesses a recording and files all of it but the rows of its logs.
///
/// # Errors
/// If the archive cannot be written.
pub fn file(
    mut recording: Recording,
    mut telemetry: TelemetryWriter,
    recording_id: &str,
    path: &Path,
    told: Option<&ToldTime>,
    into: &Into<'_>,
) -> Result<Filed, ArchiveError> {
    let Into { dir, fleet, .. } = into;
    telemetry.close(recording_id)?;
    if let Some(told) = told {
        told.apply(&mut recording);
    }
    let mut assessment = assess(&recording, recording_id, path, fleet);
    drop(recording);
    // The numbers live in the archive from here on; a long log has many.
    let mut measures = std::mem::take(&mut assessment.measures);
    let losses = std::mem::take(&mut assessment.losses);
    let (aircraft, date) = (&assessment.log.aircraft, &assessment.date);
    let mut files = telemetry.file_under(dir, aircraft, date, recording_id)?;
    let place = |kind: &str, name: &str| dir.partition(kind, name, date, recording_id);
    if !losses.is_empty() {
        files.push(place("integrity", aircraft));
        catalogue::write(&place("integrity", aircraft), &losses)?;
    }
    let names: BTreeSet<&str> = assessment.flights.iter().map(|f| f.aircraft.as_str()).collect();
    for name in names {
        let flights: Vec<FlightRow> =
            assessment.flights.iter().filter(|f| f.aircraft == name).cloned().collect();
        let own: Vec<MeasureRow> = measures.extract_if(.., |m| m.aircraft == name).collect();
        catalogue::write(&place("measures", name), &own)?;
        catalogue::write(&place("flights", name), &flights)?;
        files.extend([place("measures", name), place("flights", name)]);
    }
    Ok(Filed { assessment, files })
}

/// Draws a recording anew from the raw copies of its logs, with what was `told` of its time, files it with the list of its logs, and removes what was
/// filed of those logs elsewhere. Returns its rows and every aircraft that had flights of it before or has now.
///
/// # Errors
/// If a raw copy cannot be read or the archive not be written.
pub fn refile(
    logs: &[LogRow],
    told: Option<&ToldTime>,
    into: &Into<'_>,
) -> Result<Option<(Assessment, BTreeSet<String>)>, ArchiveError> {
    let pieces = kept::all(into.dir)?;
    let beside = |(log, next)| !between(log, next, &pieces).is_empty();
    // The row of a log is that of its file, though pieces beside it are read, too.
    let alone = match logs {
        [log] if neighbours(&[log]).into_iter().any(beside) => draw(logs, &BTreeMap::new(), told, into)?,
        _ => None,
    };
    let mut drawn = draw(logs, &pieces, told, into)?;
    if let (Some((assessment, aircraft)), Some((own, gained))) = (&mut drawn, alone) {
        assessment.log = own.log;
        aircraft.extend(gained);
    }
    Ok(drawn)
}

fn draw(
    logs: &[LogRow],
    pieces: &BTreeMap<String, Vec<u8>>,
    told: Option<&ToldTime>,
    into: &Into<'_>,
) -> Result<Option<(Assessment, BTreeSet<String>)>, ArchiveError> {
    let dir = into.dir;
    let Some(first) = logs.first() else { return Ok(None) };
    let (id, path) = (&first.log_id, Path::new(&first.path));
    let before = filed(dir, logs)?;
    let mut telemetry = TelemetryWriter::staged(dir)?;
    let reduce = Some(reducer(into.fleet, path));
    let captures = first.container.starts_with("pcap");
    let parts = in_row(dir, logs, pieces);
    let recording = reading::record_parts(parts, captures, path, into.decoding, &mut telemetry, reduce)?;
    let Filed { assessment, mut files } = file(recording, telemetry, id, path, told, into)?;
    if logs.len() > 1 {
        let list = dir.partition(PartRow::TABLE, &assessment.log.aircraft, &assessment.date, id);
        catalogue::write(&list, &recordings::part_rows(logs))?;
        files.push(list);
    }
    let flights = dir.archive().join(FlightRow::TABLE);
    let after: HashSet<PathBuf> = files.into_iter().collect();
    let of_flights = before.iter().chain(&after).filter(|path| path.starts_with(&flights));
    let aircraft = recordings::aircraft_of(of_flights.map(PathBuf::as_path));
    for path in before.iter().filter(|path| !after.contains(*path)) {
        remove(path)?;
    }
    Ok(Some((assessment, aircraft)))
}

/// The raw copies of a recording's logs, and the pieces that lie before, between and behind them.
fn in_row(dir: &FleetDir, logs: &[LogRow], pieces: &BTreeMap<String, Vec<u8>>) -> Vec<Box<dyn Read>> {
    let mut parts: Vec<Box<dyn Read>> = Vec::new();
    for (log, next) in neighbours(&logs.iter().collect::<Vec<_>>()) {
        let own = between(log, next, pieces).into_iter().filter_map(|id| pieces.get(id));
        parts.extend(own.map(|piece| Box::new(Cursor::new(piece.clone())) as Box<dyn Read>));
        if let Some(next) = next {
            parts.push(Box::new(raw::open(&dir.raw(&next.log_id))));
        }
    }
    parts
}

/// Two and two of a recording's logs, one of them `None` at its beginning and its end.
pub fn neighbours<'r>(logs: &[&'r LogRow]) -> Vec<(Option<&'r LogRow>, Option<&'r LogRow>)> {
    let befores = [None].into_iter().chain(logs.iter().copied().map(Some));
    befores.zip(logs.iter().copied().map(Some).chain([None])).collect()
}

/// The pieces that lie between two logs that go on in one another, or before the first one, or behind the last.
pub fn between<'p>(
    log: Option<&LogRow>,
    next: Option<&LogRow>,
    pieces: &'p BTreeMap<String, Vec<u8>>,
) -> Vec<&'p str> {
    let container = log.or(next).map_or("", |row| row.container.as_str());
    // Most archives have none: then nothing is parsed.
    if pieces.is_empty() {
        return Vec::new();
    }
    let ends = |row: Option<&LogRow>| row.map(ends_of).unwrap_or_default();
    pieces::between(&ends(log), &ends(next), container, pieces)
}

/// What a log says at both ends.
pub fn ends_of(log: &LogRow) -> Ends {
    serde_json::from_str(&log.ends).unwrap_or_default()
}

/// A log's row under its date; one under another date goes.
///
/// # Errors
/// If the archive cannot be written.
pub fn move_row(dir: &FleetDir, log: &LogRow, date: &str) -> Result<(), ArchiveError> {
    let place = dir.partition(LogRow::TABLE, &log.aircraft, date, &log.log_id);
    let found = catalogue::files(&dir.archive().join(LogRow::TABLE), None)?;
    catalogue::write(&place, std::slice::from_ref(log))?;
    let name = format!("{}.parquet", log.log_id);
    let others = found.iter().filter(|p| **p != place && p.file_name().is_some_and(|n| *n == *name));
    others.into_iter().try_for_each(|path| remove(path))
}

/// What was said of a recording's time: of its first log or a copy of it, else of the earliest other one, as seen from the
/// first.
///
/// # Errors
/// If what was said cannot be read.
pub fn told(dir: &FleetDir, logs: &[LogRow], copies: &Copies) -> Result<Option<ToldTime>, ArchiveError> {
    let first_ms = |log: &LogRow| {
        let main =
            ends_of(log).senders.into_iter().filter(|s| s.first_boot_ms.is_some()).max_by_key(|s| s.frames);
        main.and_then(|sender| sender.first_boot_ms)
    };
    for (number, log) in logs.iter().enumerate() {
        let mut told = told_time::read(dir, &log.log_id)?;
        for (id, of) in copies.iter().filter(|(_, of)| of.log_id == log.log_id) {
            if told.is_some() {
                break;
            }
            told = told_time::read(dir, id)?.map(|told| told.seen_from(of.later_ms, log.boots <= 1));
        }
        let Some(mut told) = told else { continue };
        if number > 0 {
            // The first instant of this log's first boot session, moved to that of the recording.
            let start_us = told.starts_us.get(&0).copied();
            told.starts_us.clear();
            let earlier = logs.iter().take(number).all(|log| log.boots <= 1);
            let apart_ms = first_ms(log).zip(logs.first().and_then(first_ms)).map(|(own, first)| own - first);
            if let (Some(start_us), true, Some(apart_ms)) = (start_us, earlier, apart_ms) {
                told.starts_us.insert(0, start_us.saturating_sub(apart_ms.saturating_mul(1000)));
            }
        }
        return Ok(Some(told));
    }
    Ok(None)
}

/// The folders of all derived tables, that of flights last.
///
/// # Errors
/// The file system's refusal.
pub fn tables(dir: &FleetDir) -> Result<Vec<PathBuf>, ArchiveError> {
    let mut tables = folders(&dir.archive().join("telemetry"))?;
    let kinds = ["integrity", "recordings", "findings", "measures", FlightRow::TABLE];
    tables.extend(kinds.map(|kind| dir.archive().join(kind)));
    Ok(tables)
}

/// Every derived file of these logs: all but their rows in `logs/`. Flights come last: as long as they lie there, it
/// shows that the others are not all removed.
///
/// # Errors
/// The file system's refusal.
fn filed(dir: &FleetDir, logs: &[LogRow]) -> Result<Vec<PathBuf>, ArchiveError> {
    let tables = tables(dir)?;
    let mut found = Vec::new();
    for table in tables {
        for aircraft in folders(&table)? {
            for date in folders(&aircraft)? {
                let here = logs.iter().map(|log| date.join(format!("{}.parquet", log.log_id)));
                found.extend(here.filter(|path| path.is_file()));
            }
        }
    }
    Ok(found)
}

/// The flights that count, and those that another recording shows more fully, each with the id of that one's.
///
/// # Errors
/// If the archive cannot be read.
pub fn flights(
    dir: &FleetDir,
    aircraft: Option<&str>,
) -> Result<(Vec<FlightRow>, overlap::Evidence), ArchiveError> {
    let copies: BTreeMap<String, String> =
        copies::read(dir)?.into_iter().map(|(id, of)| (id, of.recording_id)).collect();
    // A copy may lie under another aircraft than the whole log.
    let narrow = aircraft.filter(|_| copies.is_empty());
    let (mut counted, mut evidence) = overlap::leading(catalogue::read(dir, narrow)?, &copies);
    if let Some(name) = aircraft {
        counted.retain(|row| row.aircraft == name);
        evidence.retain(|(row, _)| row.aircraft == name);
    }
    Ok((counted, evidence))
}

/// The folders in a folder; none if there is no such folder.
///
/// # Errors
/// The file system's refusal.
pub fn folders(folder: &Path) -> Result<Vec<PathBuf>, ArchiveError> {
    let listed = atomic::list(folder)?;
    Ok(listed.into_iter().filter(|(_, is_folder)| *is_folder).map(|(path, _)| path).collect())
}
