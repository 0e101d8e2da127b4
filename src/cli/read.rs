//! `read`: one log, nothing stored.

use super::args::Read;
use super::output::Output;
use super::{Failure, Outcome, dialects, fleet, import, reading, signing};
use crate::archive::cell::Utc;
use crate::assess::{assess, judge_aircraft, reducer};
use crate::finding::CAUTION;
use crate::report::{self, json, text};

/// Reads the log and shows what it holds. Changes against earlier flights need the archive: `import`.
///
/// # Errors
/// If the log cannot be read or holds no telemetry.
pub fn run(options: &Read, output: &mut Output) -> Result<Outcome, Failure> {
    let (fleet, folder) = fleet::optional(options.fleet.fleet.as_deref())?;
    let definitions = dialects::announced(&options.dialects, &fleet, folder.as_deref(), output)?;
    let key = signing::key(&options.signing)?;
    let decoding = reading::Decoding { definitions, key: key.as_ref() };
    let path = &options.log;
    if path.is_dir() {
        return Err(Failure(format!("{} is a folder; `fettle import` reads folders", path.display())));
    }
    let mut hasher = blake3::Hasher::new();
    let ((name, packed, recording), problems) = reading::only_log(path, |entry, input| {
        let name = &entry.name;
        let reduce = Some(reducer(&fleet, name));
        let recording =
            reading::record(input, name, decoding, false, &mut reading::NoTables, reduce, |bytes| {
                hasher.update(bytes);
                Ok(())
            })?;
        let packed: Vec<String> = entry.packed.iter().rev().map(ToString::to_string).collect();
        Ok((name.to_owned(), packed, recording))
    })?;
    let log_id = hasher.finalize().to_hex().to_string();
    let path = &name;
    let outcome = reading::warn(&problems, output);
    if let Some(why) = reading::unreadable(&recording) {
        return Err(Failure(format!("{}: {why}", path.display())));
    }
    let assessed = assess(&recording, &log_id, path, &fleet);
    let mut names: Vec<&str> = assessed.flights.iter().map(|f| f.aircraft.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let findings: Vec<_> = names
        .iter()
        .flat_map(|name| {
            let flights: Vec<_> = assessed.flights.iter().filter(|f| f.aircraft == *name).cloned().collect();
            let aircraft = fleet.aircraft.iter().find(|a| a.name == *name);
            let airframe = aircraft.and_then(|a| a.airframe.as_ref());
            let baseline_from = aircraft.and_then(|a| a.baseline_from_us).map(Utc);
            judge_aircraft(&flights, &assessed.measures, airframe, &fleet.limits, baseline_from)
        })
        .collect();
    if options.json {
        output.record(&json::document(&assessed, &findings));
    } else {
        output.answer(&text::log(&assessed.log));
        if !packed.is_empty() {
            output.answer(&format!("  inside {}\n", packed.join(", inside ")));
        }
        if !assessed.losses.is_empty() {
            output.answer(&format!("\n{}", text::losses(&assessed.losses)));
        }
        if assessed.flights.is_empty() {
            output.answer("no flight in this log\n");
        } else {
            output.answer(&format!("\n{}", text::flights(&assessed.flights)));
        }
        for flight in &assessed.flights {
            let own: Vec<_> = assessed.measures.iter().filter(|m| m.flight_id == flight.flight_id).collect();
            output.answer(&format!("\nflight {}\n{}", flight.flight_id, text::measures(&own)));
        }
        output.answer(&format!(
            "\n{}{}",
            report::findings::text(&findings, &assessed.flights),
            text::paragraph(CAUTION)
        ));
    }
    for (name, how) in &assessed.unnamed {
        output.warn(&format!("aircraft unknown, called {name}; {how}"));
    }
    Ok(if import::reached(&findings, options.fail_on) { Outcome::Found } else { outcome })
}
