//! `clock`: where a log's time comes from, and a time for a log that tells none or a wrong one. What is said is kept
//! beside the archive's logs and can be corrected or taken back; the log itself stays as it is.

use super::args::Clock;
use super::import::Into;
use super::output::Output;
use super::{Failure, Outcome, dialects, filing, fleet, reading, reassess, recordings, signing, which};
use crate::archive::layout::FleetDir;
use crate::archive::pending::Pending;
use crate::archive::row::{FlightRow, LogRow};
use crate::archive::told_time::{self, ToldTime};
use crate::archive::{catalogue, copies, writers};
use crate::report::text;
use std::collections::BTreeMap;

/// Shows or changes a log's time.
///
/// # Errors
/// If there is no such log, or the archive cannot be read or written.
pub fn run(options: &Clock, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, fleet) = fleet::required(options.fleet.fleet.as_deref())?;
    let _writer = writers::enter(&dir)?;
    let rows: Vec<LogRow> = catalogue::read(&dir, None)?;
    let log_id = which::log(&rows, &options.log)?;
    let ids = recordings::logs_of(&dir, &log_id)?;
    let by_id: BTreeMap<&str, &LogRow> = rows.iter().map(|row| (row.log_id.as_str(), row)).collect();
    let logs: Vec<LogRow> = ids.iter().filter_map(|id| by_id.get(id.as_str()).copied().cloned()).collect();
    let copies = copies::read(&dir)?;
    let before = filing::told(&dir, &logs, &copies)?.unwrap_or_default();
    let own = copies.get(&log_id).map_or(&log_id, |of| &of.log_id).clone();
    let recording_id = ids.first().cloned().unwrap_or(log_id);
    let later_ms = if options.starts.is_some() { later_ms(&logs, &own)? } else { 0 };
    let Some(told) = changed(&before, options, later_ms) else {
        show(&logs, &before, &of(&dir, &recording_id)?, output);
        return Ok(Outcome::Done);
    };
    // What can be refused is asked for before anything is changed.
    possible(&logs, &told, options)?;
    let definitions = dialects::announced(&options.dialects, &fleet, Some(&dir.root), output)?;
    let key = signing::key(&options.signing)?;
    let into = Into::again(&dir, &fleet, reading::Decoding { definitions, key: key.as_ref() });
    let pending = Pending::begin(&dir)?;
    // What is said holds for the whole recording from now on.
    told_time::write(&dir, &recording_id, &told)?;
    let alike = copies.iter().filter(|(_, of)| of.recording_id == recording_id).map(|(id, _)| id);
    let mut copies_told = Vec::new();
    for id in ids.iter().chain(alike).filter(|id| **id != recording_id) {
        if copies.contains_key(id) && told_time::read(&dir, id)?.is_some() {
            copies_told.extend(by_id.get(id.as_str()).copied());
        }
        // What was said of another part holds again where it leaves the recording.
        if copies.contains_key(id) || told.is_empty() {
            told_time::forget(&dir, id)?;
        }
    }
    let Some((mut assessment, aircraft)) = filing::refile(&logs, Some(&told), &into)? else {
        return Err(Failure(format!("no raw copy of log {recording_id} in the archive; import it again")));
    };
    if let [log] = logs.as_slice() {
        // Without a key here, what the import verified, and said of it, stays.
        if key.is_none() {
            assessment.log.signatures.clone_from(&log.signatures);
            assessment.log.notes.clone_from(&log.notes);
        }
        filing::move_row(&dir, &assessment.log, &assessment.date)?;
    }
    let mut aircraft = aircraft;
    // A copy that was told itself goes by its log again.
    for row in copies_told {
        let told = filing::told(&dir, std::slice::from_ref(row), &copies)?;
        recordings::alone(row, told.as_ref(), &into, &mut aircraft)?;
    }
    for name in &aircraft {
        reassess::aircraft(&dir, &fleet, name)?;
    }
    if told.is_empty() {
        told_time::forget(&dir, &recording_id)?;
    }
    pending.done()?;
    show(std::slice::from_ref(&assessment.log), &told, &assessment.flights, output);
    Ok(Outcome::Done)
}

/// How much later than its recording a log begins, by the boot clock.
fn later_ms(logs: &[LogRow], log_id: &str) -> Result<i64, Failure> {
    let (Some(first), Some(at)) = (logs.first(), logs.iter().position(|log| log.log_id == log_id)) else {
        return Ok(0);
    };
    if at == 0 {
        return Ok(0);
    }
    let one_boot = logs.iter().take(at).all(|log| log.boots <= 1);
    let own = logs.get(at).filter(|_| one_boot).map(filing::ends_of);
    own.and_then(|own| own.later_ms(&filing::ends_of(first))).ok_or_else(|| {
        Failure(format!(
            "this log is part of a recording, and no boot clock says how much later it begins; say when the first of \
             its logs does, {}",
            text::plain(&first.path)
        ))
    })
}

/// What is said from now on, of a log that begins `later_ms` behind the recording; `None` if the user only asks.
fn changed(before: &ToldTime, options: &Clock, later_ms: i64) -> Option<ToldTime> {
    let mut told = before.clone();
    if options.withdraw {
        return Some(ToldTime::default());
    }
    if let Some(start_us) = options.starts {
        let boot = options.boot.unwrap_or(0);
        let later_ms = if boot == 0 { later_ms } else { 0 };
        told.starts_us.insert(boot, start_us.saturating_sub(later_ms.saturating_mul(1000)));
    }
    if let Some(shift_us) = options.shift {
        told.shift_us = shift_us;
    }
    (options.starts.is_some() || options.shift.is_some()).then_some(told)
}

/// Whether what is said changes anything.
fn possible(logs: &[LogRow], told: &ToldTime, options: &Clock) -> Result<(), Failure> {
    if let (Some(boot), [log]) = (options.boot, logs)
        && i64::try_from(boot).is_ok_and(|boot| boot >= log.boots)
    {
        return Err(Failure(format!(
            "there is no boot session {boot}: this log has {}, counted from 0",
            log.boots
        )));
    }
    if options.shift.is_some() && told.starts_us.is_empty() && logs.iter().all(|log| log.utc_source == "none")
    {
        return Err(Failure(
            "this log tells no time that could be shifted; --starts gives it one".to_owned(),
        ));
    }
    Ok(())
}

/// The flights of a recording.
fn of(dir: &FleetDir, recording_id: &str) -> Result<Vec<FlightRow>, Failure> {
    let mut flights: Vec<FlightRow> = catalogue::read(dir, None)?;
    flights.retain(|flight| flight.log_id == recording_id);
    Ok(flights)
}

fn show(logs: &[LogRow], told: &ToldTime, flights: &[FlightRow], output: &mut Output) {
    for log in logs {
        output.answer(&text::log(log));
    }
    for (boot, start_us) in &told.starts_us {
        let at = text::utc_to_second(*start_us);
        output.answer(&format!("  told: boot session {boot} starts at {at}\n"));
    }
    if told.shift_us != 0 {
        let sign = if told.shift_us < 0 { "-" } else { "+" };
        let length = text::duration(told.shift_us.saturating_abs() / 1000);
        output.answer(&format!("  told: add {sign}{length} to what the log tells\n"));
    }
    if told.is_empty() && flights.iter().any(|f| f.takeoff_utc.is_none()) {
        output.answer("  without a date; `fettle clock LOG --starts INSTANT` gives it one\n");
    }
    if !flights.is_empty() {
        output.answer(&format!("\n{}", text::flights(flights)));
    }
}
