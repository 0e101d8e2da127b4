//! The machine form of hours, due items and journal entries: the objects of `schemas/logbook.schema.json`.

use super::json::rfc3339;
use crate::archive::cell::Utc;
use crate::fleet::{Interval, Task};
use crate::usage::due::{Basis, Item, OpenFinding, millicycles};
use crate::usage::severity::Severity;
use crate::usage::target::Target;
use crate::usage::{Accounts, Amount, ComponentId, Entry, Flown, Share, State, Straddle};
use serde_json::{Value, json};

/// RFC 3339 with milliseconds, or null.
pub fn utc(at_us: i64) -> Value {
    rfc3339(Utc(at_us), 3).map_or(Value::Null, Value::from)
}

fn maybe_utc(at_us: Option<i64>) -> Value {
    at_us.map_or(Value::Null, utc)
}

fn amount(amount: &Amount) -> Value {
    json!({
        "airtime_ms": amount.airtime_ms, "flights": amount.flights, "landings": amount.landings,
        "motor_starts": amount.motor_starts, "starts_unknown": amount.starts_unknown,
        "charge_mah": amount.charge_mah, "charge_unknown": amount.charge_unknown,
    })
}

/// One aircraft's usage.
pub fn aircraft(accounts: &Accounts<'_>, name: &str, at_us: i64) -> Value {
    let used = accounts.aircraft(name, at_us);
    json!({"type": "aircraft_hours", "at_utc": utc(at_us), "aircraft": name, "used": amount(&used)})
}

/// One component's usage and place.
pub fn component(accounts: &Accounts<'_>, id: &ComponentId, at_us: i64) -> Value {
    let fitting = accounts.fitted_at(id, at_us);
    let component = accounts.ledger.components.get(id);
    let life = component.map(|c| &c.new.life);
    let cycles = millicycles(accounts, id, at_us).map(|m| m as f64 / 1000.0);
    json!({
        "type": "component_hours", "at_utc": utc(at_us), "kind": id.kind, "serial": id.serial,
        "part_number": component.and_then(|c| c.new.part_number.as_deref()),
        "state": state(accounts, id, at_us),
        "aircraft": fitting.map(|f| f.aircraft.as_str()), "position": fitting.map(|f| f.position.as_str()),
        "fitted_utc": maybe_utc(fitting.map(|f| f.from_us)),
        "used": amount(&accounts.component(id, at_us)),
        "opening": amount(&component.map(|c| c.new.opening).unwrap_or_default()),
        "cycles": cycles,
        "life_airtime_ms": life.and_then(|l| l.airtime_ms), "life_flights": life.and_then(|l| l.flights),
        "life_cycles": life.and_then(|l| l.cycles), "life_days": life.and_then(|l| l.days),
        "life_until_utc": maybe_utc(life.and_then(|l| l.until_us)),
    })
}

/// A component's state at an instant.
pub fn state(accounts: &Accounts<'_>, id: &ComponentId, at_us: i64) -> &'static str {
    if accounts.fitted_at(id, at_us).is_some() {
        return "fitted";
    }
    let Some(component) = accounts.ledger.components.get(id) else { return "in stock" };
    match component.state {
        // It is fitted or was moved later than asked: off an aircraft at that time.
        State::Fitted(_) => "in stock",
        _ if component.since_us.is_some_and(|since| since > at_us) => "in stock",
        ref state => state.word(),
    }
}

/// One flight behind a component's figure.
pub fn share(id: &ComponentId, share: &Share<'_>) -> Value {
    json!({
        "type": "share", "kind": id.kind, "serial": id.serial, "flight_id": share.flight.flight_id,
        "aircraft": share.flight.aircraft, "position": share.position,
        "takeoff_utc": maybe_utc(share.flight.airborne_us.map(|a| a.0)),
        "touchdown_utc": maybe_utc(share.flight.airborne_us.map(|a| a.1)),
        "used": amount(&share.amount), "source": share.source.word(),
    })
}

/// How hard an aircraft's or a component's flights were.
pub fn severity(
    id: Option<&ComponentId>,
    name: &str,
    used: &Amount,
    severity: &Severity,
    above: f64,
) -> Value {
    json!({
        "type": "severity", "aircraft": id.is_none().then_some(name), "kind": id.map(|i| i.kind.as_str()),
        "serial": id.map(|i| i.serial.as_str()), "airtime_ms": used.airtime_ms,
        "flights_measured": severity.flights, "measured_ms": severity.measured_ms, "above_output": above,
        "above_ms": severity.above_ms, "load_index": severity.damage_millionths as f64 / 1e6,
    })
}

/// A flight that counts for no component.
pub fn unattributed(flight: &Flown) -> Value {
    json!({
        "type": "unattributed", "flight_id": flight.flight_id, "aircraft": flight.aircraft,
        "airtime_ms": flight.airtime_ms,
    })
}

/// A component fitted or removed in the air.
pub fn straddle(straddle: &Straddle<'_>) -> Value {
    json!({
        "type": "changed_in_the_air", "flight_id": straddle.flight.flight_id,
        "aircraft": straddle.flight.aircraft, "kind": straddle.fitting.id.kind,
        "serial": straddle.fitting.id.serial, "at_utc": utc(straddle.at_us), "entry": straddle.entry,
        "takeoff_utc": maybe_utc(straddle.flight.airborne_us.map(|a| a.0)),
        "touchdown_utc": maybe_utc(straddle.flight.airborne_us.map(|a| a.1)),
    })
}

/// A target.
pub fn target(target: &Target) -> Value {
    json!({
        "aircraft": target.aircraft, "kind": target.kind, "position": target.position,
        "serial": target.serial,
    })
}

fn interval(interval: &Interval) -> Value {
    json!({"airtime_ms": interval.airtime_ms, "flights": interval.flights, "days": interval.days})
}

/// One task on one target.
pub fn due(item: &Item, findings: &[OpenFinding]) -> Value {
    let (basis, since, entry) = match &item.basis {
        Basis::Signed(at, entry) => ("signed", Some(*at), Some(*entry)),
        Basis::Never => ("never signed", None, None),
        Basis::Event(_, at) => ("event", *at, None),
        Basis::Change(_, at) => ("change", Some(*at), None),
        Basis::Deferred(at, entry) => ("deferred", Some(*at), Some(*entry)),
        Basis::Life => ("life limit", None, None),
    };
    let forecast = item.forecast.map(|f| {
        json!({"date_utc": utc(f.date_us), "earliest_utc": utc(f.earliest_us), "latest_utc": utc(f.latest_us)})
    });
    let brought: Vec<Value> = item
        .findings
        .iter()
        .filter_map(|i| findings.get(*i))
        .map(|f| {
            json!({
                "finding_id": f.finding_id, "kind": f.kind, "subject": f.subject,
                "severity": f.severity.word(), "summary": f.summary,
            })
        })
        .collect();
    let days = |us: i64| us as f64 / crate::usage::DAY_US as f64;
    json!({
        "type": "due", "task": item.task, "look_for": item.look_for, "target": target(&item.target),
        "status": item.status.word(), "basis": basis, "since_utc": maybe_utc(since), "entry": entry,
        "used": amount(&item.used),
        "remaining_airtime_ms": item.remaining.airtime_ms, "remaining_flights": item.remaining.flights,
        "remaining_cycles": item.remaining.millicycles.map(|m| m as f64 / 1000.0),
        "remaining_days": item.remaining.calendar_us.map(days),
        "tolerance": interval(&item.tolerance), "forecast": forecast, "findings": brought,
    })
}

/// A task.
pub fn task(task: &Task) -> Value {
    let mut value = serde_json::to_value(task).unwrap_or_default();
    if let Some(object) = value.as_object_mut() {
        object.insert("type".to_owned(), "task".into());
    }
    value
}

/// A journal entry.
pub fn entry(entry: &Entry) -> Value {
    let action = serde_json::to_value(&entry.action).unwrap_or_default();
    json!({
        "type": "entry", "seq": entry.seq, "at_utc": utc(entry.at_us), "entered_utc": utc(entry.entered_us),
        "kind": entry.action.word(), "corrects": entry.corrects, "body": action.get("body"),
    })
}
