//! `pack`, `event`, `exclude`: what people say about flights.

use super::logbook_args::{Event, Exclude, PackArgs};
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome};
use crate::usage::entry::{self, Action, AssignedPack, BATTERY};

/// Names the packs of a flight.
///
/// # Errors
/// If the flight or a pack is unknown, or the logbook cannot be written.
pub fn pack(options: &PackArgs, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let flight_id = records.flight(&options.flight)?.flight_id.clone();
    let logged = records.flights.iter().find(|f| f.flight_id == flight_id).map(|f| f.packs.clone());
    let mut packs = Vec::new();
    for text in &options.serials {
        let id = records.component(text)?;
        if id.kind != BATTERY {
            return Err(Failure(format!("{id} is not a battery pack; `fettle fit` puts it on an aircraft")));
        }
        packs.push(AssignedPack { serial: id.serial, charge_mah: options.charge });
    }
    let logged: Vec<String> = logged.unwrap_or_default().into_iter().map(|p| p.serial).collect();
    if !logged.is_empty() {
        output.warn(&format!(
            "the log of flight {flight_id} names {}; what you enter counts instead",
            logged.join(", ")
        ));
    }
    records.enter_one(Action::Assign(entry::Assign { flight_id, packs }), &options.entering, output)?;
    Ok(Outcome::Done)
}

/// Notes an event.
///
/// # Errors
/// If the aircraft is unknown, or the logbook cannot be written.
pub fn event(options: &Event, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    records.known_aircraft(&options.aircraft)?;
    let event = options.event.trim().to_lowercase();
    let called = records
        .tasks()
        .into_iter()
        .filter(|t| matches!(&t.after, Some(crate::fleet::After::Event(name)) if *name == event));
    let called: Vec<String> = called.map(|t| t.name).collect();
    let action = entry::Event { aircraft: options.aircraft.clone(), event, note: options.note.clone() };
    records.enter_one(Action::Event(action), &options.entering, output)?;
    output.say(&if called.is_empty() {
        "no task is called for by it; `fettle task add NAME --after-event …` makes one".to_owned()
    } else {
        format!("it calls for: {}", called.join("; "))
    });
    Ok(Outcome::Done)
}

/// Leaves a flight out of all hours.
///
/// # Errors
/// If the flight is unknown, or the logbook cannot be written.
pub fn exclude(options: &Exclude, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let flight_id = records.flight(&options.flight)?.flight_id.clone();
    let action = Action::Exclude(entry::Exclude { flight_id, reason: options.reason.clone() });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}
