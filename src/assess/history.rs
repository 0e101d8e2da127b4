//! Findings of every flight of one aircraft, each judged against the flights before it. Computed from
//! archived rows alone, so the order of import does not matter.

use super::short_id;
use crate::airframe::Airframe;
use crate::archive::cell::Utc;
use crate::archive::row::{FindingRow, FlightRow, MeasureRow};
use crate::finding::{Limits, Number, Numbers, judge};
use std::collections::HashMap;

/// Earlier flights that a flight is judged against at most.
const BASELINE_FLIGHTS: usize = 20;

/// Judges `flights` of one aircraft in order of takeoff; flights without UTC come last, by log and time.
pub fn judge_aircraft(
    flights: &[FlightRow],
    measures: &[MeasureRow],
    airframe: Option<&Airframe>,
    limits: &Limits,
) -> Vec<FindingRow> {
    let mut order: Vec<&FlightRow> = flights.iter().collect();
    order.sort_by_key(|f| (f.takeoff_utc.unwrap_or(Utc(i64::MAX)), f.log_id.clone(), f.system_id, f.ordinal));
    let mut by_flight: HashMap<&str, Vec<&MeasureRow>> = HashMap::new();
    for measure in measures {
        by_flight.entry(measure.flight_id.as_str()).or_default().push(measure);
    }
    let mut findings = Vec::new();
    let mut earlier: Vec<Numbers> = Vec::with_capacity(BASELINE_FLIGHTS);
    for flight in order {
        let rows = by_flight.remove(flight.flight_id.as_str()).unwrap_or_default();
        let numbers = Numbers::new(rows.iter().filter_map(|r| number(r)).collect());
        for finding in judge(&numbers, &earlier, airframe, limits) {
            let at = |boot_ms: i64| {
                flight.takeoff_utc.map(|t| Utc(t.0 + (boot_ms - flight.takeoff_boot_ms) * 1000))
            };
            findings.push(FindingRow {
                finding_id: short_id(&[&flight.flight_id, finding.kind, &finding.subject]),
                flight_id: flight.flight_id.clone(),
                aircraft: flight.aircraft.clone(),
                kind: finding.kind.to_owned(),
                subject: finding.subject,
                severity: finding.severity.word().to_owned(),
                value: finding.value,
                unit: finding.unit.to_owned(),
                limit: finding.limit,
                baseline: finding.baseline,
                confidence: finding.confidence,
                evidence_start_utc: at(finding.start_ms),
                evidence_end_utc: at(finding.end_ms),
                summary: finding.summary,
                inspect: serde_json::json!(finding.inspect).to_string(),
            });
        }
        if earlier.len() == BASELINE_FLIGHTS {
            earlier.remove(0);
        }
        earlier.push(numbers);
    }
    findings
}

fn number(row: &MeasureRow) -> Option<Number> {
    Some(Number {
        measure: row.measure.clone(),
        subject: row.subject.clone(),
        statistic: row.statistic.clone(),
        value: row.value?,
        samples: u64::try_from(row.samples).unwrap_or(0),
        start_ms: row.start_boot_ms,
        end_ms: row.end_boot_ms,
    })
}
