//! `import`: cards in; raw copies, telemetry, flights, measures and findings out, and a short summary.
//!
//! Files are read in parallel. A log counts as imported once its `logs/` row is written, which happens
//! last; findings are then computed again for every aircraft that gained a flight.

use super::args::{Import, SeverityOption};
use super::output::Output;
use super::{Failure, Outcome, chain, dialects, find, fleet, reading, reassess, signing};
use crate::archive::layout::FleetDir;
use crate::archive::raw::{RawCopy, hash_file};
use crate::archive::row::{FindingRow, FlightRow, LogRow, MeasureRow};
use crate::archive::telemetry::TelemetryWriter;
use crate::archive::{ArchiveError, catalogue, writers};
use crate::assess::{Assessment, assess, reducer};
use crate::finding::{CAUTION, Severity};
use crate::fleet::Fleet;
use crate::report::{self, json, text};
use crate::source::{self, Limits};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::prelude::*;
use serde_json::json;
use std::collections::{BTreeSet, HashMap, HashSet};
use std::fs::File;
use std::io::Read;
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
    let definitions = dialects::announced(&options.dialects, &fleet, Some(&dir.root), output)?;
    let key = signing::key(&options.signing)?;
    let _writer = writers::enter(&dir)?;
    let found = find::logs(&options.paths, &dir.archive());
    let imported = catalogue::imported(&dir)?;
    let left_behind = catalogue::left_behind(&dir, &imported)?;
    let total: u64 = found.files.iter().filter_map(|f| f.metadata().ok()).map(|m| m.len()).sum();
    let into = Into {
        dir: &dir,
        fleet: &fleet,
        decoding: reading::Decoding { definitions, key: key.as_ref() },
        known: Mutex::new(imported),
        left_behind,
        progress: progress(total, options.quiet || !output.watched()),
    };
    let results: Vec<(PathBuf, Imported)> =
        found.files.par_iter().flat_map_iter(|path| import_file(path, &into)).collect();
    into.progress.finish_and_clear();

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

/// What every file of an import needs.
pub struct Into<'a> {
    /// The archive.
    pub dir: &'a FleetDir,
    /// The aircraft.
    pub fleet: &'a Fleet,
    /// Message definitions and signing key.
    pub decoding: reading::Decoding<'a>,
    /// Ids of imported logs.
    pub known: Mutex<HashSet<String>>,
    /// What earlier imports of others left when they were cut short.
    pub left_behind: HashMap<String, Vec<PathBuf>>,
    /// Moved on by bytes read.
    pub progress: ProgressBar,
}

/// Imports everything in one file: a log, or the logs in an archive.
pub fn import_file(path: &Path, into: &Into<'_>) -> Vec<(PathBuf, Imported)> {
    let failed = |error: ArchiveError| Imported::Unusable(chain(&error));
    // A plain log is hashed first, so that a card imported before costs no more; what is packed is read once.
    match source::is_packed(path) {
        Ok(false) => {
            let result = import_plain(path, into).unwrap_or_else(failed);
            return vec![(path.to_owned(), result)];
        }
        Ok(true) => {}
        Err(error) => return vec![(path.to_owned(), failed(error.into()))],
    }
    let mut results = Vec::new();
    let walked = source::for_each_entry::<ArchiveError>(path, Limits::default(), &mut |entry, input| {
        let result = import_stream(&entry.name, input, None, into).unwrap_or_else(failed);
        results.push((entry.name.clone(), result));
        Ok(())
    });
    into.progress.inc(path.metadata().map(|m| m.len()).unwrap_or(0));
    match walked {
        Ok(problems) => {
            results.extend(problems.into_iter().map(|p| (p.name, Imported::Unusable(p.what))));
        }
        Err(error) => results.push((path.to_owned(), failed(error))),
    }
    if results.is_empty() {
        results.push((path.to_owned(), Imported::Unusable("the archive holds no file".to_owned())));
    }
    results
}

fn import_plain(path: &Path, into: &Into<'_>) -> Result<Imported, ArchiveError> {
    let (log_id, _) = hash_file(path)?;
    if !into.claim(&log_id) {
        into.progress.inc(path.metadata().map(|m| m.len()).unwrap_or(0));
        return Ok(Imported::Known);
    }
    let mut file = File::open(path).map_err(ArchiveError::io("open", path))?;
    import_stream(path, &mut file, Some(log_id), into)
}

impl Into<'_> {
    /// Two cards can hold the same log: the first to claim it reads it.
    fn claim(&self, log_id: &str) -> bool {
        self.known.lock().map(|mut known| known.insert(log_id.to_owned())).unwrap_or(true)
    }
}

/// Imports one log: raw copy, telemetry, flights and measures. `claimed` is its id where it is known before.
fn import_stream(
    path: &Path,
    input: &mut dyn Read,
    claimed: Option<String>,
    into: &Into<'_>,
) -> Result<Imported, ArchiveError> {
    let Into { dir, fleet, .. } = into;
    let mut telemetry = TelemetryWriter::staged(dir)?;
    let mut copy = RawCopy::begin(dir, path)?;
    let plain = claimed.is_some();
    let reduce = Some(reducer(fleet, path));
    let recording = reading::record(input, path, into.decoding, true, &mut telemetry, reduce, |bytes| {
        if plain {
            into.progress.inc(bytes.len() as u64);
        }
        copy.write(bytes)
    })?;
    if let Some(why) = reading::unusable(&recording) {
        return Ok(Imported::Unusable(why));
    }
    let log_id = copy.log_id();
    // A log that grew since it was hashed is another one.
    if claimed.is_none_or(|claimed| claimed != log_id) && !into.claim(&log_id) {
        return Ok(Imported::Known);
    }
    for path in into.left_behind.get(&log_id).into_iter().flatten() {
        std::fs::remove_file(path)
            .map_err(ArchiveError::io("remove what an import cut short left,", path))?;
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
