//! Inspection tasks: what to look at, on what, how often. Written in `fleet.toml` or by `fettle task add`.

use super::document::{Document, Table};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// Milliseconds in an hour.
pub const HOUR_MS: i64 = 3_600_000;
/// The longest interval, limit or tolerance in hours of flight.
pub const MOST_HOURS: f64 = 100_000.0;
/// The same in flights.
pub const MOST_FLIGHTS: u32 = 1_000_000;
/// The same in days.
pub const MOST_DAYS: u32 = 100_000;
/// The word in `applies_to` that means the aircraft as a whole.
pub const WHOLE_AIRCRAFT: &str = "aircraft";

/// An inspection task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Task {
    /// What to inspect.
    pub name: String,
    /// Kind of component, or `aircraft`.
    pub applies_to: String,
    /// Only these aircraft; all if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aircraft: Vec<String>,
    /// Only these positions; all if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<String>,
    /// Due after; whichever comes first.
    #[serde(default)]
    pub every: Interval,
    /// May be late by.
    #[serde(default)]
    pub tolerance: Interval,
    /// Counted on a fixed grid instead of from when it was last done.
    #[serde(default)]
    pub grid: bool,
    /// Done once, never again.
    #[serde(default)]
    pub once: bool,
    /// Only after this happened; `every` then counts from there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<After>,
    /// What to look for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub look_for: Option<String>,
}

/// What calls for a task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum After {
    /// An event, by its name, for example `hard landing`.
    Event(String),
    /// A component of this kind was fitted.
    Change(String),
}

/// Any of flight hours, flights, days.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Airtime in milliseconds; written as `flight_hours` in `fleet.toml`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub airtime_ms: Option<i64>,
    /// Flights.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flights: Option<i64>,
    /// Days of 24 hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<i64>,
}

impl Interval {
    /// True if it says nothing.
    pub fn is_empty(&self) -> bool {
        *self == Interval::default()
    }

    /// True if any of it is as long as the same of the other.
    pub fn reaches(&self, other: &Interval) -> bool {
        let pairs =
            [(self.airtime_ms, other.airtime_ms), (self.flights, other.flights), (self.days, other.days)];
        pairs.into_iter().any(|(a, b)| a.zip(b).is_some_and(|(a, b)| a >= b))
    }
}

/// Hours as whole milliseconds.
pub fn hours_to_ms(hours: f64) -> i64 {
    (hours * HOUR_MS as f64).round() as i64
}

/// A kind of component as it is compared: lower case, words joined by hyphens.
pub fn kind_word(text: &str) -> String {
    let words: Vec<String> = text
        .split(|c: char| c.is_whitespace() || c == '_' || c == '-')
        .filter(|w| !w.is_empty())
        .map(str::to_lowercase)
        .collect();
    words.join("-")
}

const KEYS: [&str; 10] = [
    "name",
    "applies_to",
    "aircraft",
    "positions",
    "every",
    "tolerance",
    "from",
    "once",
    "after",
    "look_for",
];

/// Reads one `[[task]]`.
pub fn task(doc: &mut Document<'_>, table: Table<'_>, span: &Range<usize>) -> Option<Task> {
    doc.keys(table, "[[task]]", &KEYS);
    let name = doc.text(table, "name").map(|t| t.0.to_owned());
    let applies_to = doc.text(table, "applies_to").map(|t| kind_word(t.0));
    let every = interval(doc, table, "every", 1);
    let tolerance = interval(doc, table, "tolerance", 0);
    let grid = match doc.text(table, "from") {
        None | Some(("last-done", _)) => false,
        Some(("grid", _)) => true,
        Some((word, at)) => {
            doc.wrong(&at, format!("from = \"{word}\" must be \"last-done\" or \"grid\""));
            false
        }
    };
    if grid
        && tolerance.reaches(&every)
        && let Some(late) = table.get("tolerance")
    {
        doc.wrong(&late.span(), "on a grid the tolerance must be shorter than the interval");
    }
    let once = match table.get("once") {
        None => false,
        Some(value) => value.get_ref().as_bool().unwrap_or_else(|| {
            doc.mismatch("once", "true or false", value);
            false
        }),
    };
    let after = doc.table(table, "after").and_then(|(after, at)| {
        doc.keys(after, "after", &["event", "change"]);
        let event = doc.text(after, "event").map(|t| After::Event(t.0.trim().to_lowercase()));
        let change = doc.text(after, "change").map(|t| After::Change(kind_word(t.0)));
        if event.is_some() == change.is_some() {
            doc.wrong(&at, "after needs one of event = \"hard landing\" or change = \"propeller\"");
        }
        event.or(change)
    });
    let look_for = doc.text(table, "look_for").map(|t| t.0.to_owned());
    let (aircraft, positions) = (texts(doc, table, "aircraft"), texts(doc, table, "positions"));
    if name.is_none() || applies_to.is_none() || (every.is_empty() && after.is_none() && !once) {
        doc.wrong(
            span,
            "a task needs name, applies_to and every = { flight_hours, flights or days } (or after, or once)",
        );
        return None;
    }
    Some(Task {
        name: name?,
        applies_to: applies_to?,
        aircraft,
        positions,
        every,
        tolerance,
        grid,
        once,
        after,
        look_for,
    })
}

fn interval(doc: &mut Document<'_>, table: Table<'_>, key: &str, least: u32) -> Interval {
    let Some((table, _)) = doc.table(table, key) else { return Interval::default() };
    doc.keys(table, key, &["flight_hours", "flights", "days"]);
    let airtime_ms = doc.number(table, "flight_hours", 0.0..MOST_HOURS).map(hours_to_ms);
    if airtime_ms.is_some_and(|ms| ms < i64::from(least))
        && let Some(hours) = table.get("flight_hours")
    {
        doc.wrong(&hours.span(), "flight_hours must be more than zero");
    }
    Interval {
        airtime_ms,
        flights: doc.whole(table, "flights", least..MOST_FLIGHTS).map(i64::from),
        days: doc.whole(table, "days", least..MOST_DAYS).map(i64::from),
    }
}

fn texts(doc: &mut Document<'_>, table: Table<'_>, key: &str) -> Vec<String> {
    let mut found = Vec::new();
    for value in doc.array(table, key).into_iter().flat_map(|a| a.iter()) {
        match value.get_ref().as_str() {
            Some(text) => found.push(text.to_owned()),
            None => doc.mismatch(key, "a list of texts", value),
        }
    }
    found
}
