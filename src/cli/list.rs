//! `flights` and `findings`: what the archive holds.

use super::args::{Flights, List};
use super::output::Output;
use super::{Failure, Outcome, filing, fleet, import};
use crate::archive::catalogue;
use crate::archive::layout::FleetDir;
use crate::archive::row::{FindingRow, FlightRow};
use crate::assess::overlap::Evidence;
use crate::finding::CAUTION;
use crate::report::{self, json, text};
use serde_json::json;

/// Flights of an archive that were asked for.
struct Selected {
    flights: Vec<FlightRow>,
    evidence: Evidence,
    dir: FleetDir,
}

fn selected(options: &List) -> Result<Selected, Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let (mut flights, mut evidence) = filing::flights(&dir, options.aircraft.as_deref())?;
    let dated = options.since.is_some() || options.until.is_some();
    let wanted = |f: &FlightRow| match f.takeoff_utc {
        Some(t) => options.since.is_none_or(|s| t.0 >= s) && options.until.is_none_or(|u| t.0 < u),
        None => !dated,
    };
    flights.retain(wanted);
    evidence.retain(|(f, _)| wanted(f));
    let key = |f: &FlightRow| (f.aircraft.clone(), f.takeoff_utc, f.log_id.clone(), f.ordinal);
    flights.sort_by_cached_key(key);
    evidence.sort_by_cached_key(|(f, _)| key(f));
    Ok(Selected { flights, evidence, dir })
}

/// Lists flights.
///
/// # Errors
/// If there is no fleet or its archive cannot be read.
pub fn flights(options: &Flights, output: &mut Output) -> Result<Outcome, Failure> {
    let Selected { flights, evidence, .. } = selected(&options.list)?;
    if options.list.json {
        for flight in &flights {
            output.record(&json::flight(flight));
        }
        for (flight, lead) in evidence.iter().filter(|_| options.evidence) {
            output.record(&json::evidence(flight, lead));
        }
        let airtime_ms: i64 = flights.iter().map(|f| f.airtime_ms).sum();
        output.record(&json!({
            "type": "summary", "flights": flights.len(), "airtime_ms": airtime_ms, "evidence": evidence.len(),
        }));
    } else if flights.is_empty() {
        output.answer("no flights; `fettle import PATH` reads a card\n");
    } else {
        output.answer(&format!("{}\n{}", text::totals(&flights), text::flights(&flights)));
        if !evidence.is_empty() {
            let more = if options.evidence { "" } else { "; --evidence lists them" };
            output.answer(&text::paragraph(&format!(
                "\n{} recording(s) of flights that another shows more fully do not count{more}",
                evidence.len()
            )));
        }
        if options.evidence && !evidence.is_empty() {
            let rows: Vec<FlightRow> = evidence.into_iter().map(|(flight, _)| flight).collect();
            output.answer(&format!("\n{}", text::flights(&rows)));
        }
    }
    Ok(Outcome::Done)
}

/// Lists findings.
///
/// # Errors
/// If there is no fleet or its archive cannot be read.
pub fn findings(options: &List, output: &mut Output) -> Result<Outcome, Failure> {
    let Selected { flights, dir, .. } = selected(options)?;
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
