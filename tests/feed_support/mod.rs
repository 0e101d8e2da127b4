//! Invented events and a database for the feed's tests.
#![allow(dead_code, reason = "each test file uses its own part")]

pub mod server;

use fettle::feed::event::{Current, Event, Inspection, InspectionResult, OpenFinding, Reading, Usage};
use fettle::feed::outbox::{self, Retractions, Scope};
use rusqlite::Connection;
use std::path::Path;

/// 2026-09-14T08:30:00Z, `date -u -d … +%s`.
pub const NOW_US: i64 = 1_789_374_600_000_000;

/// One flight of one propeller.
pub fn usage(flight: &str, component: &str, airtime_ms: i64) -> Usage {
    Usage {
        flight_id: flight.to_owned(),
        aircraft: "heron".to_owned(),
        component_id: component.to_owned(),
        kind: "propeller".to_owned(),
        serial: Some("SN-1".to_owned()),
        part_number: None,
        position: Some("front-right".to_owned()),
        takeoff_utc_us: Some(NOW_US),
        touchdown_utc_us: Some(NOW_US + airtime_ms * 1000),
        airtime_ms,
        flights: 1,
        landings: 2,
        motor_starts: Some(1),
        charge_mah: None,
    }
}

/// A torque check.
pub fn inspection(id: &str) -> Inspection {
    Inspection {
        inspection_id: id.to_owned(),
        entry: "e1".to_owned(),
        at_utc_us: NOW_US,
        by: "A. Person".to_owned(),
        licence: None,
        aircraft: Some("heron".to_owned()),
        component_id: None,
        kind: Some("motor".to_owned()),
        position: None,
        task: "motor mount fasteners".to_owned(),
        result: InspectionResult::ActionTaken,
        deferred_until: None,
        readings: vec![Reading { name: "torque".into(), value: "4.50".into(), unit: "N m".into() }],
        parts_changed: vec!["four screws".to_owned()],
        text: Some("one was loose".to_owned()),
    }
}

/// A finding as `findings` shows it.
pub fn finding(id: &str) -> OpenFinding {
    OpenFinding {
        finding_id: id.to_owned(),
        flight_id: "811bcd9e4638".to_owned(),
        aircraft: "heron".to_owned(),
        kind: "yaw_bias_change".to_owned(),
        subject: "aircraft".to_owned(),
        severity: "warning".to_owned(),
        value: -0.202,
        unit: "fraction".to_owned(),
        limit: Some(-0.2),
        summary: "steady yaw effort moved".to_owned(),
        inspect: vec!["boom clamps".to_owned(), "motor mounts".to_owned()],
    }
}

/// A database with the feed's tables.
pub fn open(path: &Path) -> Connection {
    let connection = Connection::open(path).unwrap();
    connection.pragma_update(None, "journal_mode", "WAL").unwrap();
    outbox::migrate(&connection).unwrap();
    connection
}

/// The same, in memory.
pub fn memory() -> Connection {
    let connection = Connection::open_in_memory().unwrap();
    outbox::migrate(&connection).unwrap();
    connection
}

/// Tells `current`, retractions allowed.
pub fn tell(connection: &Connection, current: Vec<Current>) -> outbox::Changed {
    outbox::refresh(connection, current, NOW_US, Retractions::Allowed).unwrap()
}

/// Every event told.
pub fn all(connection: &Connection) -> Vec<Event> {
    outbox::since(connection, 0, usize::MAX, Scope::History).unwrap()
}

/// `n` usage events of one component.
pub fn many(n: usize) -> Vec<Current> {
    (0..n).map(|i| Current::from(&usage(&format!("{i:012x}"), "P-1", 60_000))).collect()
}
