//! What is due, as entries of a calendar: one a task and aircraft, at the date of its first part; a life
//! limit has its own.

use super::usage_text;
use crate::feed::calendar::DueDate;
use crate::usage::due::{Item, LIFE_LIMIT, OpenFinding, Remaining};
use jiff::civil::Date;
use std::collections::BTreeMap;

/// The calendar's entries, and how many items have no date because there is not enough data.
pub fn due_dates(items: &[Item], findings: &[OpenFinding]) -> (Vec<DueDate>, usize) {
    let mut grouped: BTreeMap<String, Vec<(i64, &Item)>> = BTreeMap::new();
    let mut dateless = 0;
    for item in items {
        match item.forecast {
            Some(forecast) => grouped.entry(key(item)).or_default().push((forecast.date_us, item)),
            None => dateless += 1,
        }
    }
    let entries = grouped.into_iter().filter_map(|(key, mut own)| {
        own.sort_by_key(|(at, item)| (*at, item.target.clone()));
        let (at_us, first) = *own.first()?;
        let parts: Vec<String> = own.iter().map(|(_, item)| part(item)).collect();
        let mut lines = parts;
        lines.extend(first.look_for.as_ref().map(|look| format!("Look for: {look}")));
        lines.extend(
            first
                .findings
                .iter()
                .filter_map(|i| findings.get(*i))
                .take(3)
                .map(|f| format!("{}: {} (finding {})", f.severity.word(), f.summary, f.finding_id)),
        );
        Some(DueDate {
            key,
            subject: subject(first),
            task: first.task.clone(),
            date: date(at_us)?,
            note: lines.join("\n"),
        })
    });
    (entries.collect(), dateless)
}

fn date(at_us: i64) -> Option<Date> {
    let time = jiff::Timestamp::from_microsecond(at_us).ok()?;
    Some(jiff::tz::Offset::UTC.to_datetime(time).date())
}

fn alone(item: &Item) -> bool {
    item.task == LIFE_LIMIT || item.target.aircraft.is_none()
}

/// The same for as long as the task and what it is done to stay.
fn key(item: &Item) -> String {
    match item.target.component().filter(|_| alone(item)) {
        Some(id) => serde_json::json!([item.task, id.kind, id.serial]).to_string(),
        None => serde_json::json!([item.task, item.target.aircraft]).to_string(),
    }
}

fn subject(item: &Item) -> String {
    match &item.target.aircraft {
        Some(aircraft) if alone(item) => format!("{aircraft} {}", item.target.words()),
        Some(aircraft) => aircraft.clone(),
        None => item.target.words(),
    }
}

/// One part: what is left and when. Days left are not told: the date says it, and they would make every
/// day's file a changed one.
fn part(item: &Item) -> String {
    let left = usage_text::remaining(&Remaining { calendar_us: None, ..item.remaining });
    let range = item.forecast.filter(|f| f.earliest_us != f.latest_us);
    let range = range.map(|f| {
        let [about, from, to] = [f.date_us, f.earliest_us, f.latest_us].map(usage_text::day);
        format!("about {about}, between {from} and {to}")
    });
    let said = [Some(item.status.word().to_owned()), Some(left).filter(|l| !l.is_empty()), range];
    let said: Vec<String> = said.into_iter().flatten().collect();
    format!("{}: {}", item.target.words(), said.join("; "))
}
