//! `hours`: what aircraft and components have flown, at any instant, with the flights behind each figure.

use super::logbook_args::Hours;
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome};
use crate::report::{usage_json, usage_text};
use crate::usage::ComponentId;
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
        output.record(&json!({
            "type": "summary", "at_utc": usage_json::utc(at_us), "aircraft": names.len(),
            "components": ids.len(), "unattributed": accounts.unattributed.len(),
        }));
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
    warn(&accounts, output);
    Ok(Outcome::Done)
}

/// What touches the figures: flights without UTC, changes in the air, unknown packs, overlapping flights.
pub fn warn(accounts: &crate::usage::Accounts<'_>, output: &mut Output) {
    for line in usage_text::warnings(accounts) {
        output.warn(&line);
    }
}
