//! A recording into the archive: telemetry, measures, flights and losses under its aircraft and date, and out
//! again when the recording turns out to be part of a longer one.

use super::import::Into;
use super::join::remove;
use super::reading;
use crate::archive::layout::FleetDir;
use crate::archive::row::{FlightRow, LogRow, MeasureRow};
use crate::archive::telemetry::TelemetryWriter;
use crate::archive::{ArchiveError, catalogue, told_time};
use crate::assess::{Assessment, assess, overlap, reducer};
use crate::recording::Recording;
use std::collections::{BTreeSet, HashSet};
use std::io::Read;
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
    into: &Into<'_>,
) -> Result<Filed, ArchiveError> {
    let Into { dir, fleet, .. } = into;
    telemetry.close(recording_id)?;
    if let Some(told) = told_time::read(dir, recording_id)? {
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

/// Draws a recording anew from the raw copies of its logs, files it, and removes what was filed of those logs
/// elsewhere: under these dates, or any.
///
/// # Errors
/// If a raw copy cannot be read or the archive not be written.
pub fn refile(
    logs: &[LogRow],
    dates: Option<&BTreeSet<String>>,
    into: &Into<'_>,
) -> Result<Option<Assessment>, ArchiveError> {
    let dir = into.dir;
    let Some(first) = logs.first() else { return Ok(None) };
    let (id, path) = (&first.log_id, Path::new(&first.path));
    let before = filed(dir, logs, dates)?;
    let mut telemetry = TelemetryWriter::staged(dir)?;
    let mut inputs = Vec::new();
    for log in logs {
        let copy = dir.raw(&log.log_id);
        let file = std::fs::File::open(&copy).map_err(ArchiveError::io("open", &copy))?;
        let decoder = zstd::Decoder::new(file).map_err(ArchiveError::io("decompress", &copy))?;
        inputs.push(Box::new(decoder) as Box<dyn Read>);
    }
    let reduce = Some(reducer(into.fleet, path));
    let captures = first.container.starts_with("pcap");
    let recording = reading::record_parts(inputs, captures, path, into.decoding, &mut telemetry, reduce)?;
    let Filed { assessment, files } = file(recording, telemetry, id, path, into)?;
    let after: HashSet<PathBuf> = files.into_iter().collect();
    for path in before.iter().filter(|path| !after.contains(*path)) {
        remove(path)?;
    }
    Ok(Some(assessment))
}

/// Every derived file of these logs under these dates, or any: all but their rows in `logs/`.
///
/// # Errors
/// The file system's refusal.
pub fn filed(
    dir: &FleetDir,
    logs: &[LogRow],
    dates: Option<&BTreeSet<String>>,
) -> Result<Vec<PathBuf>, ArchiveError> {
    let mut tables: Vec<PathBuf> = ["flights", "measures", "findings", "integrity", "recordings"]
        .iter()
        .map(|kind| dir.archive().join(kind))
        .collect();
    tables.extend(folders(&dir.archive().join("telemetry"))?);
    let mut found = Vec::new();
    for table in tables {
        for aircraft in folders(&table)? {
            let dated = match dates {
                Some(dates) => dates.iter().map(|date| aircraft.join(format!("date={date}"))).collect(),
                None => folders(&aircraft)?,
            };
            for date in dated {
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
    Ok(overlap::leading(catalogue::read(dir, aircraft)?))
}

/// The folders in a folder; none if there is no such folder.
///
/// # Errors
/// The file system's refusal.
pub fn folders(folder: &Path) -> Result<Vec<PathBuf>, ArchiveError> {
    if !folder.is_dir() {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(ArchiveError::io("list", folder))? {
        let path = entry.map_err(ArchiveError::io("list", folder))?.path();
        if path.is_dir() {
            found.push(path);
        }
    }
    Ok(found)
}
