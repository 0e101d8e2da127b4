//! `hours`: what aircraft and components have flown, at any instant, with the flights behind each figure.

use super::logbook_args::Hours;
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome};
use crate::archive::load;
use crate::report::{usage_json, usage_text};
use crate::usage::severity::Severity;
use crate::usage::{Accounts, Amount, ComponentId, Share};
use serde_json::json;

/// Lists hours.
///
/// # Errors
/// If there is no fleet, the component or aircraft is unknown, or records cannot be read.
pub fn run(options: &Hours, output: &mut Output) -> Result<Outcome, Failure> {
    let records = Records::open(&options.fleet, output)?;
    let at_us = options.at.unwrap_or(records.now_us);
    if let Some(name) = &options.aircraft {
        records.known_aircraft(name)?;
    }
    let accounts = records.accounts();
    let on = |id: &ComponentId| {
        let there = accounts.fitted_at(id, at_us).map(|f| f.aircraft.as_str());
        options.aircraft.as_ref().is_none_or(|name| there == Some(name))
    };
    let ids: Vec<ComponentId> = match &options.component {
        Some(text) => vec![records.component(text)?],
        None => records.ledger.components.keys().filter(|id| on(id)).cloned().collect(),
    };
    let mut names = records.aircraft();
    names.retain(|n| options.aircraft.as_ref().is_none_or(|a| a == n));
    if options.component.is_some() {
        names.clear();
    }
    if options.json {
        for name in &names {
            output.record(&usage_json::aircraft(&accounts, name, at_us));
        }
        for id in &ids {
            output.record(&usage_json::component(&accounts, id, at_us));
            if options.flights {
                for share in accounts.shares(id, at_us) {
                    output.record(&usage_json::share(id, &share));
                }
            }
        }
        for flight in &accounts.unattributed {
            output.record(&usage_json::unattributed(flight));
        }
        for straddle in accounts.straddles() {
            output.record(&usage_json::straddle(&straddle));
        }
    } else {
        if names.is_empty() && ids.is_empty() {
            output
                .answer("nothing has flown and no component is entered; `fettle import PATH` reads a card\n");
        }
        output.answer(&usage_text::aircraft_hours(&accounts, &names, at_us));
        if options.flights {
            for name in &names {
                output.answer(&usage_text::aircraft_flights(&accounts, name, at_us));
            }
        }
        if !ids.is_empty() {
            output.answer(&usage_text::components(&accounts, &ids, at_us));
        }
        if options.flights {
            for id in &ids {
                output.answer(&usage_text::shares(&accounts, id, at_us));
            }
        }
    }
    if let Some(above) = options.above {
        severity(&records, &accounts, (&names, &ids), (at_us, above), options.json, output)?;
    }
    if options.json {
        output.record(&json!({
            "type": "summary", "at_utc": usage_json::utc(at_us), "aircraft": names.len(),
            "components": ids.len(), "unattributed": accounts.unattributed.len(),
        }));
    }
    warn(&accounts, output);
    Ok(Outcome::Done)
}

/// How hard the hours were: for a part at a motor by that position's output, else by the mean of all. A
/// flight counts where it began.
fn severity(
    records: &Records,
    accounts: &Accounts<'_>,
    (names, ids): (&[String], &[ComponentId]),
    (at_us, above): (i64, f64),
    as_json: bool,
    output: &mut Output,
) -> Result<(), Failure> {
    if !(0.0..1.0).contains(&above) {
        return Err(Failure(format!("--above {above} must lie from 0 to 1, the share of the output range")));
    }
    let airframes = records.fleet.aircraft.iter();
    let airframes = airframes.filter_map(|a| Some((a.name.as_str(), a.airframe.as_ref()?))).collect();
    let weighed = load::by_flight(&records.dir, &records.rows, &airframes, above)?;
    let of = |flight: &str, position: &str| {
        let positions = weighed.get(flight)?;
        positions.get(position).or_else(|| positions.get(load::ALL_MOTORS)).copied()
    };
    let mut rows: Vec<(Option<&ComponentId>, &str, Amount, Severity)> = Vec::new();
    for name in names {
        let line = accounts.timeline(name).into_iter();
        let flights = line.flat_map(|line| line.flights(i64::MIN, at_us));
        let sum = flights.filter_map(|f| of(&f.flight_id, load::ALL_MOTORS)).sum();
        rows.push((None, name, accounts.aircraft(name, at_us), sum));
    }
    for id in ids {
        let begun = accounts.shares(id, at_us).into_iter().filter(|s| s.amount.flights > 0);
        let base = |s: &Share<'_>| {
            s.position.and_then(|p| p.split('/').next()).unwrap_or(load::ALL_MOTORS).to_owned()
        };
        let sum = begun.filter_map(|s| of(&s.flight.flight_id, &base(&s))).sum();
        rows.push((Some(id), "", accounts.component(id, at_us), sum));
    }
    if as_json {
        for (id, name, used, severity) in &rows {
            output.record(&usage_json::severity(*id, name, used, severity, above));
        }
    } else {
        output.answer(&usage_text::severity(&rows, above));
    }
    Ok(())
}

/// What touches the figures: flights without UTC, changes in the air, unknown packs, overlapping flights.
pub fn warn(accounts: &Accounts<'_>, output: &mut Output) {
    for line in usage_text::warnings(accounts) {
        output.warn(&line);
    }
}
