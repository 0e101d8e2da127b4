//! `fit` and `remove`: components on and off an aircraft, one or a set at a time.

use super::logbook_args::{Fit, OffOption, Remove};
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome};
use crate::fleet::task::kind_word;
use crate::logbook::Draft;
use crate::usage::entry::{self, AT_MOTORS, Action, NewComponent, Off, Place};
use crate::usage::target::base;
use crate::usage::{ComponentId, Ledger};

/// Fits.
///
/// # Errors
/// If it contradicts the logbook or the flights, or the fleet cannot be read or written.
pub fn fit(options: &Fit, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    records.known_aircraft(&options.aircraft)?;
    let at_us = records.when(&options.entering)?;
    let mut drafts = Vec::new();
    let mut places = match &options.set {
        Some(name) => set(&records.ledger, name)?,
        None => Vec::new(),
    };
    for text in &options.places {
        let (position, serial) = split(text)?;
        let place = match (&options.new, records.component(serial)) {
            (Some(kind), Err(_)) => {
                let serial = serial.rsplit(':').next().unwrap_or(serial);
                let (kind, serial) = (kind_word(kind), serial.to_owned());
                let new =
                    NewComponent { kind: kind.clone(), serial: serial.clone(), ..NewComponent::default() };
                drafts.push(Draft { at_us, action: Action::Component(new), corrects: None });
                Place { kind, serial, position: position.to_owned() }
            }
            _ => place(&records, position, serial)?,
        };
        places.push(place);
    }
    for place in &places {
        known_position(&records, &options.aircraft, place)?;
    }
    if options.replace {
        let there = |p: &Place| held(&records.ledger, &options.aircraft, p, at_us);
        let components: Vec<ComponentId> = places.iter().filter_map(there).collect();
        if !components.is_empty() {
            let reason = Some("replaced".to_owned());
            let remove = entry::Remove { components, to: Off::Removed, reason, by: options.by.clone() };
            drafts.push(Draft { at_us, action: Action::Remove(remove), corrects: None });
        }
    }
    let fit = entry::Fit {
        aircraft: options.aircraft.clone(),
        places,
        by: options.by.clone(),
        note: options.note.clone(),
    };
    drafts.push(Draft { at_us, action: Action::Fit(fit), corrects: options.entering.corrects });
    records.enter(&drafts, options.entering.yes, options.entering.json, output)?;
    Ok(Outcome::Done)
}

/// Removes.
///
/// # Errors
/// If it contradicts the logbook or the flights, or the fleet cannot be read or written.
pub fn remove(options: &Remove, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let mut components = match &options.set {
        Some(name) => set(&records.ledger, name)?
            .into_iter()
            .map(|p| ComponentId { kind: p.kind, serial: p.serial })
            .collect(),
        None => Vec::new(),
    };
    for serial in &options.serials {
        components.push(records.component(serial)?);
    }
    if components.is_empty() {
        return Err(Failure("nothing to remove; give serial numbers or --set NAME".to_owned()));
    }
    let action = Action::Remove(entry::Remove {
        components,
        to: off(options.to),
        reason: options.reason.clone(),
        by: options.by.clone(),
    });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}

/// POSITION=SERIAL.
///
/// # Errors
/// If it is not that.
pub fn split(text: &str) -> Result<(&str, &str), Failure> {
    match text.split_once('=') {
        Some((position, serial)) if !position.trim().is_empty() && !serial.trim().is_empty() => {
            Ok((position.trim(), serial.trim()))
        }
        _ => Err(Failure(format!("{text} must be POSITION=SERIAL, for example front-right=P1"))),
    }
}

/// A known component at a position.
///
/// # Errors
/// If the component is unknown or ambiguous.
pub fn place(records: &Records, position: &str, serial: &str) -> Result<Place, Failure> {
    let id = records.component(serial)?;
    Ok(Place { kind: id.kind, serial: id.serial, position: position.to_owned() })
}

/// The journal's word for where a component goes.
pub fn off(option: OffOption) -> Off {
    match option {
        OffOption::Removed => Off::Removed,
        OffOption::Stock => Off::InStock,
        OffOption::Retired => Off::Retired,
    }
}

fn set(ledger: &Ledger, name: &str) -> Result<Vec<Place>, Failure> {
    let known = || {
        let names: Vec<&str> = ledger.sets.keys().map(String::as_str).collect();
        if names.is_empty() { "none yet".to_owned() } else { names.join(", ") }
    };
    ledger.sets.get(name).map(|s| s.members.clone()).ok_or_else(|| {
        Failure(format!(
            "no set is named {name}; known: {}; `fettle component set NAME POSITION=SERIAL…` makes one",
            known()
        ))
    })
}

fn held(ledger: &Ledger, aircraft: &str, place: &Place, at_us: i64) -> Option<ComponentId> {
    let there = ledger.fittings.iter().find(|f| {
        f.aircraft == aircraft
            && f.id.kind == place.kind
            && f.position == place.position
            && f.from_us <= at_us
            && f.to_us.is_none_or(|to| at_us < to)
    });
    there.map(|f| f.id.clone())
}

fn known_position(records: &Records, aircraft: &str, place: &Place) -> Result<(), Failure> {
    let described = records.fleet.aircraft.iter().find(|a| a.name == aircraft);
    let Some(airframe) = described.and_then(|a| a.airframe.as_ref()) else { return Ok(()) };
    let names: Vec<&str> = airframe.motors.iter().map(|m| m.position.as_str()).collect();
    // Coaxial or stacked parts: front-right/upper is at front-right.
    if !AT_MOTORS.contains(&place.kind.as_str()) || names.contains(&base(&place.position)) {
        return Ok(());
    }
    Err(Failure(format!(
        "{aircraft} has no position {}; its positions are {} (fleet.toml)",
        place.position,
        names.join(", ")
    )))
}
