//! `task …`: which inspections there are.

use super::journal_args::{TaskAdd, TaskCommand, TaskEnd, TaskList};
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome, within};
use crate::fleet::task::{MOST_DAYS, MOST_FLIGHTS, MOST_HOURS, hours_to_ms, kind_word};
use crate::fleet::{After, Interval, Task};
use crate::report::{journal_text, usage_json};
use crate::usage::entry::{Action, EndTask};
use serde_json::json;

/// Runs one of them.
///
/// # Errors
/// If it contradicts the logbook, or the fleet cannot be read or written.
pub fn run(command: &TaskCommand, output: &mut Output) -> Result<Outcome, Failure> {
    match command {
        TaskCommand::List(options) => list(options, output),
        TaskCommand::Add(options) => add(options, output),
        TaskCommand::End(options) => end(options, output),
    }
}

fn list(options: &TaskList, output: &mut Output) -> Result<Outcome, Failure> {
    let records = Records::open(&options.fleet, output)?;
    let tasks = records.tasks();
    if options.json {
        tasks.iter().for_each(|t| output.record(&usage_json::task(t)));
        output.record(&json!({"type": "summary", "tasks": tasks.len()}));
    } else if tasks.is_empty() {
        output.answer("no tasks; write [[task]] in fleet.toml or use `fettle task add`\n");
    } else {
        output.answer(&journal_text::tasks(&tasks));
    }
    Ok(Outcome::Done)
}

fn add(options: &TaskAdd, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    if options.entering.corrects.is_none() && records.tasks().iter().any(|t| t.name == options.name) {
        return Err(Failure(format!(
            "a task is named {} already; `fettle task list` shows it",
            options.name
        )));
    }
    for name in &options.aircraft {
        records.known_aircraft(name)?;
    }
    let (flights, days) = (0..=i64::from(MOST_FLIGHTS), 0..=i64::from(MOST_DAYS));
    for (option, hours) in [("--hours", options.hours), ("--tolerance-hours", options.tolerance_hours)] {
        within(option, hours, 0.0..=MOST_HOURS)?;
    }
    within("--flights", options.flights, flights.clone())?;
    within("--days", options.days, days.clone())?;
    within("--tolerance-flights", options.tolerance_flights, flights)?;
    within("--tolerance-days", options.tolerance_days, days)?;
    let every =
        Interval { airtime_ms: options.hours.map(hours_to_ms), flights: options.flights, days: options.days };
    let after_event = options.after_event.as_deref().map(|e| After::Event(e.trim().to_lowercase()));
    let after = after_event.or(options.after_change.as_deref().map(|k| After::Change(kind_word(k))));
    let numbers = [every.airtime_ms, every.flights, every.days];
    if numbers.into_iter().flatten().any(|n| n <= 0) || (every.is_empty() && after.is_none() && !options.once)
    {
        return Err(Failure(
            "say how often with --flights, --hours or --days, more than zero (or --once, --after-event, --after-change)"
                .to_owned(),
        ));
    }
    let tolerance = Interval {
        airtime_ms: options.tolerance_hours.map(hours_to_ms),
        flights: options.tolerance_flights,
        days: options.tolerance_days,
    };
    if options.grid && tolerance.reaches(&every) {
        return Err(Failure("on a grid the tolerance must be shorter than the interval".to_owned()));
    }
    let task = Task {
        name: options.name.clone(),
        applies_to: kind_word(&options.on),
        aircraft: options.aircraft.clone(),
        positions: options.position.clone(),
        every,
        tolerance,
        grid: options.grid,
        once: options.once,
        after,
        look_for: options.look_for.clone(),
    };
    records.enter_one(Action::Task(task), &options.entering, output)?;
    Ok(Outcome::Done)
}

fn end(options: &TaskEnd, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    if records.fleet.tasks.iter().any(|t| t.name == options.name) {
        return Err(Failure(format!(
            "{} stands in {}; take it out there",
            options.name,
            records.dir.settings().display()
        )));
    }
    let action = Action::EndTask(EndTask { name: options.name.clone(), reason: options.reason.clone() });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}
