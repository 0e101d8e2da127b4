//! One task on one target: what is left, how soon, counted from what, and the rules that decide it.

use super::entry::BATTERY;
use super::forecast::Forecast;
use super::target::Target;
use super::{Accounts, Amount, ComponentId, DAY_US};
use crate::fleet::Interval;

/// Due soon: at most this share of the interval is left (common practice, no published source).
pub const SOON_SHARE: f64 = 0.2;
/// Due soon: the forecast date is at most so many days ahead (common practice, no published source).
pub const SOON_DAYS: i64 = 7;
/// The name under which a component's life limit is listed.
pub const LIFE_LIMIT: &str = "life limit";

/// How soon to act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// Past due and past the tolerance.
    Overdue,
    /// Due, within the tolerance; or before the next flight.
    Due,
    /// Little is left.
    Soon,
    /// Not yet.
    Later,
}

impl Status {
    /// The word in all output.
    pub fn word(self) -> &'static str {
        match self {
            Status::Overdue => "overdue",
            Status::Due => "due",
            Status::Soon => "due soon",
            Status::Later => "later",
        }
    }
}

/// What is left; negative is over. Absent if the task does not count it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Remaining {
    /// Airtime.
    pub airtime_ms: Option<i64>,
    /// Flights.
    pub flights: Option<i64>,
    /// Thousandths of a cycle, for life limits.
    pub millicycles: Option<i64>,
    /// True if more cycles may be left: flights of unknown charge were counted as one cycle each.
    pub cycles_at_least: bool,
    /// Microseconds of calendar time.
    pub calendar_us: Option<i64>,
}

/// Why the task counts as it does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Basis {
    /// From the last signature: when, and its entry.
    Signed(i64, i64),
    /// It was never signed; counted from new.
    Never,
    /// From an event; `None` if the time of one is not known.
    Event(String, Option<i64>),
    /// From the fitting of a component.
    Change(String, i64),
    /// Deferred at this time, by this entry.
    Deferred(i64, i64),
    /// A life limit.
    Life,
}

/// A finding that may bring a task forward.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenFinding {
    /// Its id.
    pub finding_id: String,
    /// The aircraft.
    pub aircraft: String,
    /// Kind.
    pub kind: String,
    /// Position, axis, direction or `aircraft`.
    pub subject: String,
    /// How severe.
    pub severity: crate::finding::Severity,
    /// Touchdown of its flight; `None` if its log tells no UTC: then no signature settles it, only an answer.
    pub at_us: Option<i64>,
    /// One sentence.
    pub summary: String,
    /// A person looked and said what it was; it then only counts as an event.
    pub answered: bool,
}

/// One task on one target.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// The task.
    pub task: String,
    /// What to look for.
    pub look_for: Option<String>,
    /// On what.
    pub target: Target,
    /// How soon.
    pub status: Status,
    /// Counted from.
    pub basis: Basis,
    /// Used since.
    pub used: Amount,
    /// Left.
    pub remaining: Remaining,
    /// May be late by.
    pub tolerance: Interval,
    /// When; `None` if there is not enough data to say.
    pub forecast: Option<Forecast>,
    /// Indices of the findings that concern it and came after the last signature.
    pub findings: Vec<usize>,
}

/// Kinds of component whose tasks a kind of finding brings forward: the two most likely causes.
pub fn concerns(finding_kind: &str) -> &'static [&'static str] {
    match finding_kind {
        "vibration_rise" | "clipping" => &["propeller", "motor"],
        "motor_drag" => &["motor", "esc"],
        "motor_thrust_loss" | "motor_output_change" => &["propeller", "motor"],
        "motor_output_deviation" => &["payload-mount", "boom"],
        "yaw_margin_thin" | "yaw_bias" | "yaw_bias_change" => &["boom", "motor"],
        _ => &[],
    }
}

/// A component's cycles in thousandths: a battery pack's equivalent full cycles (charge drawn over
/// capacity; a flight of unknown charge counts one, and more it cannot draw; `None` without a stated capacity),
/// a motor's or ESC's starts (a flight whose log does not show them counts one), landings of anything else.
pub fn millicycles(accounts: &Accounts<'_>, id: &ComponentId, at_us: i64) -> Option<i64> {
    let component = accounts.ledger.components.get(id)?;
    let used = accounts.component(id, at_us) - component.new.opening;
    let cycles = match id.kind.as_str() {
        BATTERY => {
            let capacity_mah = component.new.capacity_mah.filter(|c| *c > 0)?;
            used.charge_mah.saturating_mul(1000) / capacity_mah + used.charge_unknown * 1000
        }
        "motor" | "esc" => (used.motor_starts + used.starts_unknown) * 1000,
        _ => used.landings * 1000,
    };
    Some(component.new.opening_millicycles + cycles)
}

/// How soon to act on what is left; `life_cycles` is the interval of the cycles that are left.
pub fn status(
    remaining: &Remaining,
    every: &Interval,
    life_cycles: Option<i64>,
    tolerance: &Interval,
    forecast: Option<Forecast>,
    at_us: i64,
) -> Status {
    let days_us = |days: Option<i64>| days.map(|d| d.saturating_mul(DAY_US));
    let counted = [
        (remaining.airtime_ms, every.airtime_ms, tolerance.airtime_ms),
        (remaining.flights, every.flights, tolerance.flights),
        (remaining.millicycles, life_cycles.map(|n| n.saturating_mul(1000)), None),
        (remaining.calendar_us, days_us(every.days), days_us(tolerance.days)),
    ];
    let mut status = Status::Later;
    for (left, every, tolerance) in counted {
        let Some(left) = left else { continue };
        let near = every.is_some_and(|every| left as f64 <= SOON_SHARE * every as f64);
        status = status.min(if left < -tolerance.unwrap_or(0) {
            Status::Overdue
        } else if left <= 0 {
            Status::Due
        } else if near {
            Status::Soon
        } else {
            Status::Later
        });
    }
    if forecast.is_some_and(|f| f.date_us <= at_us + SOON_DAYS * DAY_US) {
        status = status.min(Status::Soon);
    }
    status
}
