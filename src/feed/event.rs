//! What a maintenance tracker is told: three types of event, as plain structs in and JSON bodies out.
//!
//! | type         | natural key                 | retracted when                                            |
//! |--------------|-----------------------------|-----------------------------------------------------------|
//! | `usage`      | `flight_id`, `component_id` | the component was not used in that flight after all       |
//! | `inspection` | `inspection_id`             | the entry was struck out                                  |
//! | `finding`    | `finding_id`                | it is no longer open: answered, or computed away          |

use super::id::{EventId, EventType};
use serde_json::{Value, json};

/// An event as it stands now, before it has a revision and a cursor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Current {
    /// Its id.
    pub event_id: EventId,
    /// Its type.
    pub kind: EventType,
    /// A JSON object with sorted keys: equal facts are equal text.
    pub body: String,
}

impl Current {
    /// BLAKE3 of type and body: what a change is told by.
    pub fn content_hash(&self) -> [u8; 32] {
        let mut hasher = blake3::Hasher::new();
        hasher.update(self.kind.word().as_bytes()).update(&[0]).update(self.body.as_bytes());
        *hasher.finalize().as_bytes()
    }

    fn new(kind: EventType, key: &[&str], body: &Value) -> Self {
        Current { event_id: EventId::of(kind, key), kind, body: body.to_string() }
    }
}

/// One flight's share of one component's use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Usage {
    /// The flight.
    pub flight_id: String,
    /// The aircraft that flew.
    pub aircraft: String,
    /// The component.
    pub component_id: String,
    /// Kind of component: `propeller`, `motor`, …
    pub kind: String,
    /// Serial number, if it has one.
    pub serial: Option<String>,
    /// Part number, if known.
    pub part_number: Option<String>,
    /// Where it was fitted; none for a pack known by its serial alone.
    pub position: Option<String>,
    /// Liftoff, Unix microseconds.
    pub takeoff_utc_us: Option<i64>,
    /// Touchdown, Unix microseconds.
    pub touchdown_utc_us: Option<i64>,
    /// Airtime of the flight that this component was fitted for, milliseconds.
    pub airtime_ms: i64,
    /// Flights counted to it: 1, or 0 where another share of the flight carries the count.
    pub flights: i64,
    /// Landings counted to it.
    pub landings: i64,
    /// Motor starts, if the log shows them.
    pub motor_starts: Option<i64>,
    /// Charge drawn, milliampere hours, for a battery pack.
    pub charge_mah: Option<i64>,
}

impl From<&Usage> for Current {
    fn from(usage: &Usage) -> Self {
        let body = json!({
            "flight_id": usage.flight_id, "aircraft": usage.aircraft, "component_id": usage.component_id,
            "kind": usage.kind, "serial": usage.serial, "part_number": usage.part_number,
            "position": usage.position, "takeoff_utc": utc(usage.takeoff_utc_us),
            "touchdown_utc": utc(usage.touchdown_utc_us), "airtime_ms": usage.airtime_ms,
            "flights": usage.flights, "landings": usage.landings,
            "motor_starts": usage.motor_starts, "charge_mah": usage.charge_mah,
        });
        Current::new(EventType::Usage, &[&usage.flight_id, &usage.component_id], &body)
    }
}

/// How an inspection ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InspectionResult {
    /// As it should be.
    Satisfactory,
    /// Something was done about it.
    ActionTaken,
    /// Put off, with a limit.
    Deferred,
}

impl InspectionResult {
    /// The word in `result`.
    pub fn word(self) -> &'static str {
        match self {
            InspectionResult::Satisfactory => "satisfactory",
            InspectionResult::ActionTaken => "action_taken",
            InspectionResult::Deferred => "deferred",
        }
    }
}

/// A reading as it was written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    /// What was read.
    pub name: String,
    /// The number as written, so that `4.50` stays `4.50`.
    pub value: String,
    /// Its unit.
    pub unit: String,
}

/// An inspection signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inspection {
    /// What is signed on what: the first entry about it and, where an entry covers several, which of them. Must
    /// be unique between logbooks, so an entry's hash, not its number. A correction keeps it.
    pub inspection_id: String,
    /// Hash of the journal entry that says it now.
    pub entry: String,
    /// When it was done, Unix microseconds.
    pub at_utc_us: i64,
    /// Who signed.
    pub by: String,
    /// Kind and number of certificate or licence, as the person gives it.
    pub licence: Option<String>,
    /// The aircraft, unless the part was looked at off the aircraft.
    pub aircraft: Option<String>,
    /// The component, if it is one in the logbook.
    pub component_id: Option<String>,
    /// Kind of component, unless the whole aircraft was looked at.
    pub kind: Option<String>,
    /// Where it was fitted.
    pub position: Option<String>,
    /// The task, or what was looked at.
    pub task: String,
    /// How it ended.
    pub result: InspectionResult,
    /// The limit of a deferral, in words.
    pub deferred_until: Option<String>,
    /// What was read.
    pub readings: Vec<Reading>,
    /// Parts changed, in words.
    pub parts_changed: Vec<String>,
    /// Free text.
    pub text: Option<String>,
}

impl From<&Inspection> for Current {
    fn from(done: &Inspection) -> Self {
        let readings = done.readings.iter();
        let readings: Vec<Value> =
            readings.map(|r| json!({"name": r.name, "value": r.value, "unit": r.unit})).collect();
        let body = json!({
            "inspection_id": done.inspection_id, "entry": done.entry, "at_utc": utc(Some(done.at_utc_us)),
            "by": done.by, "licence": done.licence, "kind": done.kind, "position": done.position, "aircraft": done.aircraft, "component_id": done.component_id, "task": done.task,
            "result": done.result.word(), "deferred_until": done.deferred_until, "readings": readings,
            "parts_changed": done.parts_changed, "text": done.text,
        });
        Current::new(EventType::Inspection, &[&done.inspection_id], &body)
    }
}

/// A finding nobody has answered yet.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenFinding {
    /// The finding.
    pub finding_id: String,
    /// The flight that showed it.
    pub flight_id: String,
    /// The aircraft.
    pub aircraft: String,
    /// Kind of finding.
    pub kind: String,
    /// Position, axis, direction or `aircraft`.
    pub subject: String,
    /// `advisory`, `caution` or `warning`.
    pub severity: String,
    /// What was measured.
    pub value: f64,
    /// Unit.
    pub unit: String,
    /// The limit passed.
    pub limit: Option<f64>,
    /// One sentence.
    pub summary: String,
    /// What to inspect, in order.
    pub inspect: Vec<String>,
}

impl From<&OpenFinding> for Current {
    fn from(finding: &OpenFinding) -> Self {
        let body = json!({
            "finding_id": finding.finding_id, "flight_id": finding.flight_id, "aircraft": finding.aircraft,
            "kind": finding.kind, "subject": finding.subject, "severity": finding.severity,
            "value": finding.value, "unit": finding.unit, "limit": finding.limit,
            "summary": finding.summary, "inspect": finding.inspect,
        });
        Current::new(EventType::Finding, &[&finding.finding_id], &body)
    }
}

/// An event with its place in the feed: what receivers get.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// Place in the feed; only ever grows.
    pub cursor: i64,
    /// Its id.
    pub event_id: EventId,
    /// From 1; of two with one id, the higher one holds.
    pub revision: i64,
    /// Its type.
    pub kind: EventType,
    /// True if what the body says no longer holds.
    pub retracted: bool,
    /// When this revision was recorded, Unix microseconds.
    pub recorded_utc_us: i64,
    /// The JSON object stored.
    pub body: String,
}

impl Event {
    /// One line of NDJSON without its line feed; the body stands in it letter by letter as stored.
    pub fn line(&self) -> String {
        format!(
            r#"{{"type":"{}","event_id":"{}","revision":{},"cursor":{},"retracted":{},"recorded_utc":{},"body":{}}}"#,
            self.kind.word(),
            self.event_id,
            self.revision,
            self.cursor,
            self.retracted,
            utc(Some(self.recorded_utc_us)),
            self.body
        )
    }
}

/// RFC 3339 in UTC with milliseconds, or null.
pub(crate) fn utc(instant_us: Option<i64>) -> Value {
    let time = instant_us.and_then(|us| jiff::Timestamp::from_microsecond(us).ok());
    time.map_or(Value::Null, |t| t.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string().into())
}
