//! `due`: which inspection comes next, on what, when, and which findings bring it forward.

use super::logbook_args::Due;
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome, hours};
use crate::finding::CAUTION;
use crate::report::{text, usage_json, usage_text};
use crate::usage::due::{self, Status};
use crate::usage::target::nowhere;
use serde_json::json;

/// Lists what is due.
///
/// # Errors
/// If there is no fleet, the aircraft is unknown, or records cannot be read.
pub fn run(options: &Due, output: &mut Output) -> Result<Outcome, Failure> {
    let records = Records::open(&options.fleet, output)?;
    let at_us = options.at.unwrap_or(records.now_us);
    if let Some(name) = &options.aircraft {
        records.known_aircraft(name)?;
    }
    let accounts = records.accounts();
    let findings = records.findings(at_us)?;
    let tasks = records.tasks();
    let mut items = due::due(&accounts, &tasks, &records.crafts(), &findings, at_us);
    items.retain(|i| options.aircraft.is_none() || i.target.aircraft == options.aircraft);
    items.retain(|i| !options.soon || i.status < Status::Later);
    let count = |status| items.iter().filter(|i| i.status == status).count();
    let counts = [Status::Overdue, Status::Due, Status::Soon, Status::Later].map(count);
    if options.json {
        for item in &items {
            output.record(&usage_json::due(item, &findings));
        }
        output.record(&json!({
            "type": "summary", "at_utc": usage_json::utc(at_us), "overdue": counts[0], "due": counts[1],
            "due_soon": counts[2], "later": counts[3], "caution": CAUTION,
        }));
    } else if tasks.is_empty() && items.is_empty() {
        output.answer("no inspection tasks; write [[task]] in fleet.toml or use `fettle task add`\n");
    } else {
        output.answer(&usage_text::due(&items, &findings));
        output.answer(&text::paragraph(&format!(
            "{} overdue, {} due, {} due soon, {} later, as of {}. {CAUTION}",
            counts[0],
            counts[1],
            counts[2],
            counts[3],
            crate::usage::utc(at_us)
        )));
    }
    hours::warn(&accounts, output);
    let crafts = records.crafts();
    for task in &tasks {
        for position in nowhere(task, &accounts, &crafts) {
            let (task, kind) = (&task.name, &task.applies_to);
            output.warn(&text::plain(&format!(
                "{task} is for position {position}, where no aircraft has a {kind}; it never falls due there"
            )));
        }
    }
    Ok(if options.fail_on_overdue && counts[0] > 0 { Outcome::Found } else { Outcome::Done })
}
