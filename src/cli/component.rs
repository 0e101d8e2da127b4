//! `component …`: what parts there are.

use super::logbook_args::{
    ComponentAdd, ComponentCommand, ComponentList, ComponentSet, ComponentState, OffOption,
};
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome, fitting};
use crate::fleet::task::{hours_to_ms, kind_word};
use crate::logbook::Draft;
use crate::report::{usage_json, usage_text};
use crate::usage::Amount;
use crate::usage::entry::{Action, BATTERY, ChangeState, Life, NewComponent, NewSet};
use serde_json::json;

/// Runs one of them.
///
/// # Errors
/// If it contradicts the logbook, or the fleet cannot be read or written.
pub fn run(command: &ComponentCommand, output: &mut Output) -> Result<Outcome, Failure> {
    match command {
        ComponentCommand::Add(options) => add(options, output),
        ComponentCommand::List(options) => list(options, output),
        ComponentCommand::Set(options) => set(options, output),
        ComponentCommand::Stock(options) => state(options, OffOption::Stock, output),
        ComponentCommand::Retire(options) => state(options, OffOption::Retired, output),
    }
}

fn add(options: &ComponentAdd, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let at_us = records.when(&options.entering)?;
    if options.entering.corrects.is_some() && options.serials.len() > 1 {
        return Err(Failure("a correction replaces one entry; give one serial number".to_owned()));
    }
    let numbers =
        [options.hours, options.cycles, options.life_hours.unwrap_or(0.0), options.capacity.unwrap_or(0.0)];
    let whole = [
        options.flights,
        options.landings,
        options.life_flights.unwrap_or(0),
        options.life_cycles.unwrap_or(0),
        options.life_days.unwrap_or(0),
    ];
    if numbers.iter().any(|n| !(0.0..1e7).contains(n)) || whole.iter().any(|n| !(0..10_000_000).contains(n)) {
        return Err(Failure(
            "hours, flights, landings, cycles and limits cannot be negative or more than 10 million"
                .to_owned(),
        ));
    }
    let capacity_mah = options.capacity.map(|ah| (ah * 1000.0).round() as i64);
    if kind_word(&options.kind) == BATTERY
        && options.life_cycles.is_some()
        && capacity_mah.is_none_or(|mah| mah == 0)
    {
        return Err(Failure(
            "a battery pack's cycles are charge over capacity, so --life-cycles needs --capacity".to_owned(),
        ));
    }
    let new = |serial: &String| NewComponent {
        kind: kind_word(&options.kind),
        serial: serial.trim().to_owned(),
        part_number: options.part.clone(),
        opening: Amount {
            airtime_ms: hours_to_ms(options.hours),
            flights: options.flights,
            landings: options.landings,
            ..Amount::default()
        },
        opening_millicycles: (options.cycles * 1000.0).round() as i64,
        life: Life {
            airtime_ms: options.life_hours.map(hours_to_ms),
            flights: options.life_flights,
            cycles: options.life_cycles,
            days: options.life_days,
            until_us: options.life_until,
        },
        capacity_mah,
        since_us: options.since,
        note: options.note.clone(),
    };
    let drafts: Vec<Draft> = options
        .serials
        .iter()
        .map(|s| Draft { at_us, action: Action::Component(new(s)), corrects: options.entering.corrects })
        .collect();
    records.enter(&drafts, options.entering.yes, options.entering.json, output)?;
    Ok(Outcome::Done)
}

fn list(options: &ComponentList, output: &mut Output) -> Result<Outcome, Failure> {
    let records = Records::open(&options.fleet, output)?;
    let kind = options.kind.as_deref().map(kind_word);
    let accounts = records.accounts();
    let ids: Vec<_> = records
        .ledger
        .components
        .keys()
        .filter(|id| kind.as_ref().is_none_or(|k| id.kind == *k))
        .cloned()
        .collect();
    if options.json {
        for id in &ids {
            output.record(&usage_json::component(&accounts, id, records.now_us));
        }
        output.record(&json!({"type": "summary", "components": ids.len()}));
    } else if ids.is_empty() {
        output.answer("no components; `fettle component add KIND SERIAL` enters one\n");
    } else {
        output.answer(&usage_text::components(&accounts, &ids, records.now_us));
        output.answer(&usage_text::sets(&records.ledger));
    }
    Ok(Outcome::Done)
}

fn set(options: &ComponentSet, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let mut members = Vec::new();
    for text in &options.places {
        let (position, serial) = fitting::split(text)?;
        members.push(fitting::place(&records, position, serial)?);
    }
    let action = Action::Set(NewSet { name: options.name.clone(), members });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}

fn state(options: &ComponentState, to: OffOption, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let components = options.serials.iter().map(|s| records.component(s)).collect::<Result<Vec<_>, _>>()?;
    let action =
        Action::State(ChangeState { components, to: fitting::off(to), reason: options.reason.clone() });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}
