//! What the logbook and the archive say now, as events: the complete set each time, so that whatever is
//! missing was taken back. Pure.

use super::event::{Current, Inspection, InspectionResult, OpenFinding, Reading, Usage};
use crate::archive::row::FindingRow;
use crate::usage::entry::{BATTERY, Limit, SignResult, SignedTarget};
use crate::usage::events::{InspectionEvent, UsageEvent, inspection_events, usage_events};
use crate::usage::{Accounts, utc};
use std::collections::{HashMap, HashSet};

/// Hashes of a journal entry, as hex: its own, which never changes, and that of the entry that stands in its
/// place now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hashes {
    /// Of the original entry.
    pub original: String,
    /// Of its last correction, or its own.
    pub standing: String,
}

/// Everything that holds now: usage of every flight by every component, signatures, open findings. `hashes`
/// are those of the journal by original entry, `open` the findings that no person has settled.
pub fn current<'a>(
    accounts: &'a Accounts<'a>,
    hashes: &'a HashMap<i64, Hashes>,
    open: &'a [FindingRow],
) -> impl Iterator<Item = Current> + 'a {
    // A log whose clock runs ahead is told as well: its flights count once their time has come.
    let usage = usage_events(accounts, i64::MAX).into_iter().map(|event| Current::from(&usage(&event)));
    // One target named twice in one signature is one inspection.
    let mut seen = HashSet::new();
    let signed = inspection_events(accounts.ledger)
        .into_iter()
        .filter_map(|event| Some(inspection(&event, hashes.get(&event.entry)?)))
        .filter(move |inspection| seen.insert(inspection.inspection_id.clone()))
        .map(|inspection| Current::from(&inspection));
    usage.chain(signed).chain(open.iter().map(|row| Current::from(&finding(row))))
}

/// A component's name in the feed: serial numbers are unique within a kind.
fn component_id(kind: &str, serial: &str) -> String {
    format!("{kind}:{serial}")
}

fn usage(event: &UsageEvent<'_>) -> Usage {
    let (id, flight, amount) = (event.component, event.flight, event.amount);
    Usage {
        flight_id: flight.flight_id.clone(),
        aircraft: flight.aircraft.clone(),
        component_id: component_id(&id.kind, &id.serial),
        kind: id.kind.clone(),
        serial: Some(id.serial.clone()),
        part_number: event.part_number.map(str::to_owned),
        position: event.position.map(str::to_owned),
        takeoff_utc_us: flight.airborne_us.map(|a| a.0),
        touchdown_utc_us: flight.airborne_us.map(|a| a.1),
        airtime_ms: amount.airtime_ms,
        flights: amount.flights,
        landings: amount.landings,
        motor_starts: (amount.starts_unknown == 0).then_some(amount.motor_starts),
        // No flight draws nothing: zero stands for a log that does not show it.
        charge_mah: Some(amount.charge_mah).filter(|mah| id.kind == BATTERY && *mah > 0),
    }
}

fn inspection(event: &InspectionEvent<'_>, hashes: &Hashes) -> Inspection {
    let (sign, target) = (event.sign, event.target);
    Inspection {
        inspection_id: format!("{}/{}", hashes.original, target_key(target)),
        entry: hashes.standing.clone(),
        at_utc_us: event.at_us,
        by: sign.by.clone(),
        licence: sign.licence.clone(),
        aircraft: target.aircraft.clone(),
        component_id: target.kind.as_ref().zip(target.serial.as_ref()).map(|(k, s)| component_id(k, s)),
        kind: target.kind.clone(),
        position: target.position.clone(),
        task: sign.task.clone(),
        result: match sign.result {
            SignResult::Satisfactory => InspectionResult::Satisfactory,
            SignResult::ActionTaken => InspectionResult::ActionTaken,
            SignResult::Deferred => InspectionResult::Deferred,
        },
        deferred_until: limit(&sign.deferred_until),
        readings: sign
            .readings
            .iter()
            .map(|r| Reading { name: r.name.clone(), value: r.value.clone(), unit: r.unit.clone() })
            .collect(),
        parts_changed: sign.parts_changed.clone(),
        text: sign.text.clone(),
    }
}

/// Which of a signature's targets: a component by its name wherever it is, else the aircraft and the kind.
fn target_key(target: &SignedTarget) -> String {
    match (&target.aircraft, &target.kind, &target.serial) {
        (_, Some(kind), Some(serial)) => component_id(kind, serial),
        (aircraft, Some(kind), None) => format!("{}/{kind}", aircraft.as_deref().unwrap_or_default()),
        (aircraft, ..) => aircraft.clone().unwrap_or_default(),
    }
}

fn limit(limit: &Limit) -> Option<String> {
    let parts = [
        limit.flights.map(|n| format!("{n} more flight(s)")),
        limit.airtime_ms.map(|ms| format!("{} more flight hour(s)", ms as f64 / 3_600_000.0)),
        limit.until_us.map(utc),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(" or "))
}

fn finding(row: &FindingRow) -> OpenFinding {
    OpenFinding {
        finding_id: row.finding_id.clone(),
        flight_id: row.flight_id.clone(),
        aircraft: row.aircraft.clone(),
        kind: row.kind.clone(),
        subject: row.subject.clone(),
        severity: row.severity.clone(),
        value: row.value,
        unit: row.unit.clone(),
        limit: row.limit,
        summary: row.summary.clone(),
        // Written by this program as a list; anything else is told as it stands.
        inspect: serde_json::from_str(&row.inspect).unwrap_or_else(|_| vec![row.inspect.clone()]),
    }
}
