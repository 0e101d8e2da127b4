//! `sign`: an inspection done, by whom, with which result. `answer`: what the inspection of a finding showed.

use super::logbook_args::{Answer, ResultOption, Sign, VerdictOption};
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome, within};
use crate::archive::catalogue;
use crate::archive::row::FindingRow;
use crate::fleet::Task;
use crate::fleet::task::{MOST_FLIGHTS, MOST_HOURS, hours_to_ms};
use crate::logbook::Draft;
use crate::usage::entry::{self, Action, Limit, Reading, SignResult, Verdict};
use crate::usage::target::{Target, targets};

/// Signs.
///
/// # Errors
/// If the task or component is unknown, a statement is missing, or the logbook cannot be written.
pub fn sign(options: &Sign, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let at_us = records.when(&options.entering)?;
    if let Some(name) = &options.aircraft {
        records.known_aircraft(name)?;
    }
    if options.by.trim().is_empty() {
        return Err(Failure("a signature needs a name: --by NAME".to_owned()));
    }
    within("--for-hours", options.for_hours, 0.0..=MOST_HOURS)?;
    within("--for-flights", options.for_flights, 0..=i64::from(MOST_FLIGHTS))?;
    let deferred_until = Limit {
        airtime_ms: options.for_hours.map(hours_to_ms),
        flights: options.for_flights,
        until_us: options.until,
    };
    let result = match options.result {
        ResultOption::Satisfactory => SignResult::Satisfactory,
        ResultOption::ActionTaken => SignResult::ActionTaken,
        ResultOption::Deferred => SignResult::Deferred,
    };
    let limited = deferred_until != Limit::default();
    if (result == SignResult::Deferred) != limited {
        return Err(Failure(
            "a deferred inspection needs a limit (--for-flights, --for-hours or --until), and only a deferred one has one"
                .to_owned(),
        ));
    }
    let (name, found) = work(&records, options, at_us)?;
    if found.is_empty() {
        return Err(Failure(format!(
            "nothing to sign {name} on; give --aircraft NAME or --component SERIAL"
        )));
    }
    let readings = options.reading.iter().map(|r| reading(r)).collect::<Result<_, _>>()?;
    let action = Action::Sign(entry::Sign {
        task: name,
        targets: found.iter().map(Target::signed).collect(),
        by: options.by.clone(),
        licence: options.licence.clone(),
        result,
        deferred_until,
        readings,
        text: options.text.clone(),
        parts_changed: options.part_changed.clone(),
    });
    records.enter_one(action, &options.entering, output)?;
    Ok(Outcome::Done)
}

/// The task's full name and what it is signed on.
fn work(records: &Records, options: &Sign, at_us: i64) -> Result<(String, Vec<Target>), Failure> {
    let accounts = records.accounts();
    let component = |text: &String| -> Result<Target, Failure> {
        let id = records.component(text)?;
        let fitting = accounts.fitted_at(&id, at_us);
        Ok(Target {
            aircraft: fitting.map(|f| f.aircraft.clone()),
            kind: Some(id.kind),
            position: fitting.map(|f| f.position.clone()),
            serial: Some(id.serial),
            rest: false,
        })
    };
    let mut named = options.component.iter().map(component).collect::<Result<Vec<_>, _>>()?;
    if options.other_work {
        named.extend(options.aircraft.as_deref().filter(|_| named.is_empty()).map(Target::aircraft));
        return Ok((options.task.clone(), named));
    }
    let tasks = records.tasks();
    let task = the_task(&tasks, &options.task)?;
    if !named.is_empty() {
        if let Some(wrong) = named.iter().find(|t| t.kind.as_deref() != Some(task.applies_to.as_str())) {
            return Err(Failure(format!(
                "{} is a task on {}, not on {}",
                task.name,
                task.applies_to,
                wrong.words()
            )));
        }
        return Ok((task.name.clone(), named));
    }
    let Some(aircraft) = &options.aircraft else { return Ok((task.name.clone(), Vec::new())) };
    let mut all = targets(task, &accounts, &[records.craft(aircraft)], at_us);
    all.retain(|t| t.aircraft.as_ref() == Some(aircraft));
    Ok((task.name.clone(), all))
}

fn the_task<'t>(tasks: &'t [Task], text: &str) -> Result<&'t Task, Failure> {
    if let Some(task) = tasks.iter().find(|t| t.name == text) {
        return Ok(task);
    }
    let lower = text.to_lowercase();
    let found: Vec<&Task> = tasks.iter().filter(|t| t.name.to_lowercase().starts_with(&lower)).collect();
    match found.as_slice() {
        [one] => Ok(one),
        [] => Err(Failure(format!(
            "no task begins with {text}; `fettle task list` shows them; --other-work signs work that is no task"
        ))),
        many => {
            let names: Vec<&str> = many.iter().map(|t| t.name.as_str()).collect();
            Err(Failure(format!("several tasks begin with {text}: {}", names.join("; "))))
        }
    }
}

/// NAME=VALUE UNIT; the value stays as written.
fn reading(text: &str) -> Result<Reading, Failure> {
    let parts = text.split_once('=').and_then(|(name, rest)| {
        let (value, unit) = rest.trim().split_once(' ')?;
        value.parse::<f64>().ok()?;
        Some(Reading { name: name.trim().to_owned(), value: value.to_owned(), unit: unit.trim().to_owned() })
    });
    parts.filter(|r| !r.name.is_empty() && !r.unit.is_empty()).ok_or_else(|| {
        Failure(format!("{text} must be NAME=VALUE UNIT, for example \"torque reached=2.1 N m\""))
    })
}

/// Answers.
///
/// # Errors
/// If a finding is unknown, or the logbook cannot be written.
pub fn answer(options: &Answer, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.entering.fleet, output)?;
    let at_us = records.when(&options.entering)?;
    if options.entering.corrects.is_some() && options.findings.len() > 1 {
        return Err(Failure("a correction replaces one entry; give one finding".to_owned()));
    }
    let rows: Vec<FindingRow> = catalogue::read(&records.dir, None)?;
    let answer = match options.verdict {
        VerdictOption::NothingFound => Verdict::NothingFound,
        VerdictOption::CauseFound => Verdict::CauseFound,
        VerdictOption::Watching => Verdict::Watching,
    };
    let mut drafts = Vec::new();
    for beginning in &options.findings {
        let found: Vec<&FindingRow> = rows.iter().filter(|r| r.finding_id.starts_with(beginning)).collect();
        let [row] = found.as_slice() else {
            return Err(Failure(match found.len() {
                0 => format!("no finding's id begins with {beginning}; `fettle findings --json` has them"),
                n => format!("{n} findings' ids begin with {beginning}; give more of it"),
            }));
        };
        let action = Action::Answer(entry::Answer {
            finding_id: row.finding_id.clone(),
            answer,
            by: options.by.clone(),
            text: options.text.clone(),
            aircraft: row.aircraft.clone(),
            finding_kind: row.kind.clone(),
            subject: row.subject.clone(),
            flight_id: row.flight_id.clone(),
        });
        drafts.push(Draft { at_us, action, corrects: options.entering.corrects });
    }
    records.enter(&drafts, options.entering.yes, options.entering.json, output)?;
    Ok(Outcome::Done)
}
