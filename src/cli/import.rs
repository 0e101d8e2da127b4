//! `import`: cards in; raw copies, telemetry, flights, measures and findings out, and a short summary.
//!
//! Files are read in parallel. A log counts as imported once its `logs/` row is written, which happens
//! last; findings are then computed again for every aircraft that gained a flight.

use super::args::{Import, SeverityOption};
use super::output::Output;
use super::{Failure, Outcome, chain, find, fleet, reading, reassess};
use crate::archive::layout::FleetDir;
use crate::archive::raw::{RawCopy, hash_file};
use crate::archive::row::{FindingRow, FlightRow, LogRow, MeasureRow};
use crate::archive::telemetry::TelemetryWriter;
use crate::archive::{ArchiveError, catalogue, writers};
use crate::assess::{Assessment, assess, reducer};
use crate::finding::{CAUTION, Severity};
use crate::fleet::Fleet;
use crate::report::{self, json, text};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::prelude::*;
use serde_json::json;
use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// What became of one file.
pub enum Imported {
    /// A log not seen before.
    New(Box<Assessment>),
    /// A log the archive holds already.
    Known,
    /// Not a log, or not readable, and why.
    Unusable(String),
}

/// Imports.
///
/// # Errors
/// If there is no fleet, nothing at all could be read, or the archive cannot be written.
pub fn run(options: &Import, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, fleet) = fleet::required(options.fleet.fleet.as_deref())?;
    let _writer = writers::enter(&dir)?;
    let found = find::logs(&options.paths, &dir.archive());
    let imported = catalogue::imported(&dir)?;
    let left_behind = catalogue::left_behind(&dir, &imported)?;
    let known = Mutex::new(imported);
    let total: u64 = found.files.iter().filter_map(|f| f.metadata().ok()).map(|m| m.len()).sum();
    let progress = progress(total, options.quiet || !output.watched());
    let results: Vec<(PathBuf, Imported)> = found
        .files
        .par_iter()
        .map(|path| {
            let result = import_one(path, &dir, &fleet, &known, &left_behind, &progress);
            let result = result.unwrap_or_else(|error| Imported::Unusable(chain(&error)));
            (path.clone(), result)
        })
        .collect();
    progress.finish_and_clear();

    let mut unusable: Vec<(PathBuf, String)> = found.unreadable;
    let (mut new, mut repeated) = (Vec::new(), 0usize);
    for (path, result) in results {
        match result {
            Imported::New(assessment) => new.push(*assessment),
            Imported::Known => repeated += 1,
            Imported::Unusable(why) => unusable.push((path, why)),
        }
    }
    let gained: BTreeSet<&str> = new.iter().flat_map(|a| &a.flights).map(|f| f.aircraft.as_str()).collect();
    for aircraft in &gained {
        reassess::aircraft(&dir, &fleet, aircraft)?;
    }
    let flights: Vec<FlightRow> = new.iter().flat_map(|a| a.flights.clone()).collect();
    let findings = findings_of(&dir, &gained, &flights)?;
    show(options, output, &new, repeated, &unusable, &flights, &findings);
    if new.is_empty() && repeated == 0 {
        let what = if unusable.is_empty() { "no log found" } else { "no log could be read" };
        let given: Vec<String> = options.paths.iter().map(|p| p.display().to_string()).collect();
        return Err(Failure(format!("{what} under {}", given.join(", "))));
    }
    Ok(if reached(&findings, options.fail_on) {
        Outcome::Found
    } else if unusable.is_empty() {
        Outcome::Done
    } else {
        Outcome::Partly
    })
}

/// True if a finding is at least as severe as asked.
pub fn reached(findings: &[FindingRow], fail_on: Option<SeverityOption>) -> bool {
    let Some(asked) = fail_on else { return false };
    let least = match asked {
        SeverityOption::Advisory => Severity::Advisory,
        SeverityOption::Caution => Severity::Caution,
        SeverityOption::Warning => Severity::Warning,
    };
    findings.iter().filter_map(|f| Severity::from_word(&f.severity)).any(|s| s >= least)
}

fn progress(total: u64, hidden: bool) -> ProgressBar {
    let target = if hidden { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
    let bar = ProgressBar::with_draw_target(Some(total), target);
    match ProgressStyle::with_template("{bytes} of {total_bytes}, {eta} left {wide_bar}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// Imports one file: raw copy, telemetry, flights and measures. `known` holds the ids of imported logs,
/// `left_behind` what earlier imports of others left when they were cut short.
///
/// # Errors
/// If the file cannot be read or the archive cannot be written.
pub fn import_one(
    path: &Path,
    dir: &FleetDir,
    fleet: &Fleet,
    known: &Mutex<HashSet<String>>,
    left_behind: &HashMap<String, Vec<PathBuf>>,
    progress: &ProgressBar,
) -> Result<Imported, ArchiveError> {
    let (log_id, _) = hash_file(path)?;
    // Two cards can hold the same log: the first to claim it reads it.
    let claimed = known.lock().map(|mut known| known.insert(log_id.clone())).unwrap_or(true);
    if !claimed {
        progress.inc(path.metadata().map(|m| m.len()).unwrap_or(0));
        return Ok(Imported::Known);
    }
    for path in left_behind.get(&log_id).into_iter().flatten() {
        std::fs::remove_file(path)
            .map_err(ArchiveError::io("remove what an import cut short left,", path))?;
    }
    let mut telemetry = TelemetryWriter::staged(dir)?;
    let mut copy = RawCopy::begin(dir, path)?;
    let recording = reading::record(path, true, &mut telemetry, Some(reducer(fleet, path)), |bytes| {
        progress.inc(bytes.len() as u64);
        copy.write(bytes)
    })?;
    if let Some(why) = reading::unusable(&recording) {
        return Ok(Imported::Unusable(why));
    }
    let log_id = copy.finish(dir)?;
    telemetry.close(&log_id)?;
    let mut assessment = assess(&recording, &log_id, path, fleet);
    drop(recording);
    // The numbers live in the archive from here on; a long log has many.
    let mut measures = std::mem::take(&mut assessment.measures);
    let (aircraft, date) = (&assessment.log.aircraft, &assessment.date);
    telemetry.file_under(dir, aircraft, date, &log_id)?;
    let names: BTreeSet<&str> = assessment.flights.iter().map(|f| f.aircraft.as_str()).collect();
    for name in names {
        let flights: Vec<FlightRow> =
            assessment.flights.iter().filter(|f| f.aircraft == name).cloned().collect();
        let own: Vec<MeasureRow> = measures.extract_if(.., |m| m.aircraft == name).collect();
        catalogue::write(&dir.partition("measures", name, date, &log_id), &own)?;
        catalogue::write(&dir.partition("flights", name, date, &log_id), &flights)?;
    }
    // Last: this row makes the log imported.
    catalogue::write(&dir.partition("logs", aircraft, date, &log_id), std::slice::from_ref(&assessment.log))?;
    Ok(Imported::New(Box::new(assessment)))
}

fn findings_of(
    dir: &FleetDir,
    aircraft: &BTreeSet<&str>,
    flights: &[FlightRow],
) -> Result<Vec<FindingRow>, ArchiveError> {
    let ids: HashSet<&str> = flights.iter().map(|f| f.flight_id.as_str()).collect();
    let mut all = Vec::new();
    for name in aircraft {
        let rows: Vec<FindingRow> = catalogue::read(dir, Some(name))?;
        all.extend(rows.into_iter().filter(|f| ids.contains(f.flight_id.as_str())));
    }
    Ok(all)
}

fn show(
    options: &Import,
    output: &mut Output,
    new: &[Assessment],
    repeated: usize,
    unusable: &[(PathBuf, String)],
    flights: &[FlightRow],
    findings: &[FindingRow],
) {
    if options.json {
        let logs: Vec<&LogRow> = new.iter().map(|a| &a.log).collect();
        logs.iter().for_each(|l| output.record(&json::log(l)));
        flights.iter().for_each(|f| output.record(&json::flight(f)));
        findings.iter().for_each(|f| output.record(&json::finding(f)));
        for (path, why) in unusable {
            output.record(&json!({"type": "unusable", "path": path.to_string_lossy(), "error": why}));
        }
        output.record(&json!({
            "type": "summary", "logs_new": new.len(), "logs_known": repeated, "unusable": unusable.len(),
            "flights": flights.len(), "airtime_ms": flights.iter().map(|f| f.airtime_ms).sum::<i64>(),
            "findings": findings.len(), "caution": CAUTION,
        }));
    } else {
        let mut line = format!("{} new log(s), {} flight(s)", new.len(), flights.len());
        if repeated > 0 {
            line.push_str(&format!("; {repeated} log(s) imported before"));
        }
        output.answer(&format!("{line}\n"));
        if !flights.is_empty() {
            output.answer(&format!("\n{}\n", text::totals(flights)));
            output.answer(&report::findings::text(findings, flights));
            output.answer(&text::paragraph(&format!(
                "{} finding(s) in these flights. {CAUTION}",
                findings.len()
            )));
        }
    }
    for (path, why) in unusable {
        output.warn(&format!("{}: {}", text::plain(&path.to_string_lossy()), text::plain(why)));
    }
    let unnamed: BTreeSet<_> = new.iter().flat_map(|a| &a.unnamed).collect();
    for (name, how) in unnamed {
        output.warn(&format!("aircraft unknown, filed as {name}; {how}"));
    }
    if !unusable.is_empty() {
        output.say(&format!("{} path(s) could not be used; the rest was imported", unusable.len()));
    }
}
