//! `flights` and `findings`: what the archive holds.

use super::args::List;
use super::output::Output;
use super::{Failure, Outcome, filing, fleet, import};
use crate::archive::catalogue;
use crate::archive::row::{FindingRow, FlightRow};
use crate::finding::CAUTION;
use crate::report::{self, json, text};
use serde_json::json;

fn selected(options: &List) -> Result<(Vec<FlightRow>, crate::archive::layout::FleetDir), Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let (mut flights, _) = filing::flights(&dir, options.aircraft.as_deref())?;
    let dated = options.since.is_some() || options.until.is_some();
    flights.retain(|f| match f.takeoff_utc {
        Some(t) => options.since.is_none_or(|s| t.0 >= s) && options.until.is_none_or(|u| t.0 < u),
        None => !dated,
    });
    flights.sort_by(|a, b| {
        (&a.aircraft, a.takeoff_utc, &a.log_id, a.ordinal).cmp(&(
            &b.aircraft,
            b.takeoff_utc,
            &b.log_id,
            b.ordinal,
        ))
    });
    Ok((flights, dir))
}

/// Lists flights.
///
/// # Errors
/// If there is no fleet or its archive cannot be read.
pub fn flights(options: &List, output: &mut Output) -> Result<Outcome, Failure> {
    let (flights, _) = selected(options)?;
    if options.json {
        for flight in &flights {
            output.record(&json::flight(flight));
        }
        let airtime_ms: i64 = flights.iter().map(|f| f.airtime_ms).sum();
        output.record(&json!({"type": "summary", "flights": flights.len(), "airtime_ms": airtime_ms}));
    } else if flights.is_empty() {
        output.answer("no flights; `fettle import PATH` reads a card\n");
    } else {
        output.answer(&format!("{}\n{}", text::totals(&flights), text::flights(&flights)));
    }
    Ok(Outcome::Done)
}

/// Lists findings.
///
/// # Errors
/// If there is no fleet or its archive cannot be read.
pub fn findings(options: &List, output: &mut Output) -> Result<Outcome, Failure> {
    let (flights, dir) = selected(options)?;
    let mut findings: Vec<FindingRow> = catalogue::read(&dir, options.aircraft.as_deref())?;
    let known: std::collections::HashSet<&str> = flights.iter().map(|f| f.flight_id.as_str()).collect();
    findings.retain(|f| known.contains(f.flight_id.as_str()));
    if options.json {
        for finding in &findings {
            output.record(&json::finding(finding));
        }
        output.record(&json!({
            "type": "summary", "findings": findings.len(), "flights": flights.len(), "caution": CAUTION
        }));
    } else if flights.is_empty() {
        output.answer("no flights, so nothing was judged; `fettle import PATH` reads a card\n");
    } else {
        output.answer(&report::findings::text(&findings, &flights));
        output.answer(&text::paragraph(&format!(
            "{} finding(s) over {} flight(s). {CAUTION}",
            findings.len(),
            flights.len()
        )));
    }
    Ok(if import::reached(&findings, options.fail_on) { Outcome::Found } else { Outcome::Done })
}
