//! The machine form: the objects of `schemas/read.schema.json` and `schemas/records.schema.json`.

use crate::archive::cell::Utc;
use crate::archive::row::{FindingRow, FlightRow, IntegrityRow, LogRow, MeasureRow};
use crate::assess::Assessment;
use crate::finding::CAUTION;
use serde_json::{Value, json};

/// Version of the schemas.
pub const SCHEMA_VERSION: u32 = 1;

/// RFC 3339 with milliseconds, or null.
pub fn utc(instant: Option<Utc>) -> Value {
    instant.and_then(|t| rfc3339(t, 3)).map_or(Value::Null, Value::from)
}

/// RFC 3339 with so many decimals of a second.
pub fn rfc3339(instant: Utc, decimals: u8) -> Option<String> {
    let time = jiff::Timestamp::from_microsecond(instant.0).ok()?;
    let format = if decimals == 0 { "%Y-%m-%dT%H:%M:%SZ" } else { "%Y-%m-%dT%H:%M:%S%.3fZ" };
    Some(time.strftime(format).to_string())
}

fn list(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or(Value::Null)
}

/// One log.
pub fn log(row: &LogRow) -> Value {
    json!({
        "type": "log", "id": row.log_id, "path": row.path, "bytes": row.bytes, "container": row.container,
        "frames": row.frames, "frames_bad_crc": row.frames_bad_crc, "frames_unknown": row.frames_unknown,
        "bytes_skipped": row.bytes_skipped, "sequence_lost": row.sequence_lost,
        "vehicles": list(&row.vehicles), "messages": list(&row.messages),
        "start_utc": utc(row.start_utc), "end_utc": utc(row.end_utc), "utc_source": row.utc_source,
        "boots": row.boots, "confidence": row.confidence, "signatures": list(&row.signatures), "notes": list(&row.notes),
    })
}

/// One loss.
pub fn loss(row: &IntegrityRow) -> Value {
    json!({
        "type": "loss", "kind": row.kind, "offset": row.offset, "end_offset": row.end_offset, "bytes": row.bytes,
        "frames": row.frames, "system_id": row.system_id, "component_id": row.component_id, "boot": row.boot,
        "from_boot_ms": row.from_boot_ms, "to_boot_ms": row.to_boot_ms,
        "from_utc": utc(row.from_utc), "to_utc": utc(row.to_utc),
    })
}

/// One flight.
pub fn flight(row: &FlightRow) -> Value {
    json!({
        "type": "flight", "flight_id": row.flight_id, "aircraft": row.aircraft, "system_id": row.system_id,
        "takeoff_utc": utc(row.takeoff_utc), "touchdown_utc": utc(row.touchdown_utc),
        "takeoff_boot_ms": row.takeoff_boot_ms, "touchdown_boot_ms": row.touchdown_boot_ms,
        "airtime_ms": row.airtime_ms, "airtime_bounds_ms": [row.airtime_min_ms, row.airtime_max_ms],
        "evidence": row.evidence, "complete": row.complete, "landings": row.landings,
        "motor_starts": row.motor_starts, "distance_m": row.distance_m,
    })
}

/// A recording of a flight that another one shows more fully: `led_by` is that one's id. It does not count.
pub fn evidence(row: &FlightRow, lead: &str) -> Value {
    let mut value = flight(row);
    if let Some(object) = value.as_object_mut() {
        object.insert("led_by".to_owned(), lead.into());
    }
    value
}

/// One number.
pub fn measure(row: &MeasureRow) -> Value {
    let mut value = json!({
        "type": "measure", "flight_id": row.flight_id, "measure": row.measure, "subject": row.subject,
        "statistic": row.statistic, "value": row.value, "unit": row.unit, "samples": row.samples,
        "start_utc": utc(row.start_utc), "end_utc": utc(row.end_utc),
    });
    if let (Some(note), Some(object)) = (&row.note, value.as_object_mut()) {
        object.insert("note".to_owned(), note.as_str().into());
    }
    value
}

/// One finding.
pub fn finding(row: &FindingRow) -> Value {
    json!({
        "type": "finding", "finding_id": row.finding_id, "flight_id": row.flight_id, "aircraft": row.aircraft,
        "kind": row.kind, "subject": row.subject, "severity": row.severity, "value": row.value,
        "unit": row.unit, "limit": row.limit, "baseline": row.baseline, "confidence": row.confidence,
        "evidence_start_utc": utc(row.evidence_start_utc), "evidence_end_utc": utc(row.evidence_end_utc),
        "summary": row.summary, "inspect": list(&row.inspect),
    })
}

/// The document of `read --json`.
pub fn document(assessment: &Assessment, findings: &[FindingRow]) -> Value {
    json!({
        "schema_version": SCHEMA_VERSION,
        "log": log(&assessment.log),
        "integrity": assessment.losses.iter().map(loss).collect::<Vec<_>>(),
        "flights": assessment.flights.iter().map(flight).collect::<Vec<_>>(),
        "measures": assessment.measures.iter().map(measure).collect::<Vec<_>>(),
        "findings": findings.iter().map(finding).collect::<Vec<_>>(),
        "caution": CAUTION,
    })
}
