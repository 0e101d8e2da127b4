//! `reassess`: findings of all aircraft again, from the archived measures and the limits and airframes that
//! `fleet.toml` has now. Measures stay as they are, but for logs that are another aircraft's by it: these are drawn again.

use super::args::Reassess;
use super::output::Output;
use super::{Failure, Outcome, chain, dialects, filing, fleet, import, paths, reading, recordings};
use crate::archive::cell::Utc;
use crate::archive::layout::FleetDir;
use crate::archive::pending::Pending;
use crate::archive::row::{FindingRow, FlightRow, MeasureRow};
use crate::archive::{ArchiveError, catalogue, writers};
use crate::assess::judge_aircraft;
use crate::finding::CAUTION;
use crate::fleet::Fleet;
use crate::report::{json, text};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::PathBuf;

/// Computes the findings again and says what came and what went.
///
/// # Errors
/// If there is no fleet, no such aircraft, or its archive cannot be read or written.
pub fn run(options: &Reassess, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, fleet) = fleet::required(options.fleet.fleet.as_deref())?;
    let _writer = writers::enter(&dir)?;
    let unmoved = move_logs(options, &dir, &fleet, output)?;
    let (flights, _) = filing::flights(&dir, options.aircraft.as_deref())?;
    let names: BTreeSet<&str> = flights.iter().map(|f| f.aircraft.as_str()).collect();
    if let (Some(name), true) = (&options.aircraft, names.is_empty()) {
        return Err(Failure(format!("no flight of {name} in the archive")));
    }
    let before: Vec<FindingRow> = catalogue::read(&dir, options.aircraft.as_deref())?;
    let mut after = Vec::new();
    for name in &names {
        after.extend(aircraft(&dir, &fleet, name)?);
    }
    // The same finding with another severity has gone and come.
    let told = |f: &FindingRow| (f.finding_id.clone(), f.severity.clone());
    let (old, new): (HashSet<_>, HashSet<_>) =
        (before.iter().map(told).collect(), after.iter().map(told).collect());
    let (came, gone) = (new.difference(&old).count(), old.difference(&new).count());
    if options.json {
        after.iter().for_each(|f| output.record(&json::finding(f)));
        output.record(&json!({
            "type": "summary", "findings": after.len(), "flights": flights.len(), "findings_came": came,
            "findings_gone": gone, "caution": CAUTION,
        }));
    } else {
        output.answer(&text::paragraph(&format!(
            "{} flight(s) of {} aircraft judged again: {} finding(s), {came} new or changed in severity, {gone} gone. \
             `fettle findings` lists them.",
            flights.len(),
            names.len(),
            after.len()
        )));
    }
    Ok(if import::reached(&after, options.fail_on) {
        Outcome::Found
    } else if unmoved > 0 {
        Outcome::Partly
    } else {
        Outcome::Done
    })
}

/// Files logs under the aircraft that `fleet.toml` names now; how many could not be.
fn move_logs(
    options: &Reassess,
    dir: &FleetDir,
    fleet: &Fleet,
    output: &mut Output,
) -> Result<usize, Failure> {
    let definitions = dialects::announced(&options.dialects, fleet, Some(&dir.root), output)?;
    let into = import::Into::again(dir, fleet, reading::Decoding { definitions, key: None });
    let all = catalogue::imported(dir)?.into_iter().map(|id| (id, BTreeSet::new())).collect();
    let moved = paths::lead(&all, &into)?.moved;
    let pending = Pending::begin(dir)?;
    if moved.is_empty() && !pending.is_left() {
        pending.done()?;
        return Ok(0);
    }
    let news = recordings::News { repair: pending.is_left(), moved, ..recordings::News::default() };
    let done = recordings::join(&news, &into)?;
    let moved = news.moved;
    for name in &done.aircraft {
        aircraft(dir, fleet, name)?;
    }
    for (path, error) in &done.failed {
        output.warn(&format!("{}: cannot be filed again: {}", path.display(), chain(error)));
    }
    if done.failed.is_empty() {
        pending.all_done()?
    } else {
        pending.leave()?
    }
    if moved.is_empty() {
        return Ok(done.failed.len());
    }
    let filed = moved.len().saturating_sub(done.failed.len());
    let said = format!("{} log(s) are another aircraft's by fleet.toml now and were filed there", filed);
    output.say(&said);
    Ok(done.failed.len())
}

/// Computes the findings of one aircraft again and rewrites what changed, one file a log.
///
/// # Errors
/// If the archive cannot be read or written.
pub fn aircraft(dir: &FleetDir, fleet: &Fleet, aircraft: &str) -> Result<Vec<FindingRow>, ArchiveError> {
    let (flights, _) = filing::flights(dir, Some(aircraft))?;
    let measures: Vec<MeasureRow> = catalogue::read(dir, Some(aircraft))?;
    let known = fleet.aircraft.iter().find(|a| a.name == aircraft);
    let airframe = known.and_then(|a| a.airframe.as_ref());
    let baseline_from = known.and_then(|a| a.baseline_from_us).map(Utc);
    let findings = judge_aircraft(&flights, &measures, airframe, &fleet.limits, baseline_from);
    let mut by_file: BTreeMap<PathBuf, Vec<FindingRow>> = BTreeMap::new();
    for path in catalogue::imported_files(dir, "flights", Some(aircraft))? {
        let own: Vec<FlightRow> = catalogue::read_file(&path)?;
        let ids: HashSet<&str> = own.iter().map(|f| f.flight_id.as_str()).collect();
        let rows = findings.iter().filter(|f| ids.contains(f.flight_id.as_str())).cloned().collect();
        let Ok(below) = path.strip_prefix(dir.archive().join("flights")) else { continue };
        by_file.insert(dir.archive().join("findings").join(below), rows);
    }
    for (path, rows) in by_file {
        if path.exists() && catalogue::read_file::<FindingRow>(&path)? == rows {
            continue;
        }
        catalogue::write(&path, &rows)?;
    }
    Ok(findings)
}
