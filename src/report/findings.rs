//! Findings for people: most urgent first, what goes on over consecutive flights told once.
//!
//! Findings of one aircraft, kind and subject (of vibration: any axis) in flights that follow each other are one entry: the latest
//! numbers, the most urgent severity, since when, and in how many flights.

use super::text::{instant, plain, significant, wrapped};
use crate::archive::cell::Utc;
use crate::archive::row::{FindingRow, FlightRow};
use crate::finding::Severity;
use std::cmp::Reverse;
use std::collections::HashMap;

/// One entry of the list.
#[derive(Debug, Clone)]
pub struct Entry<'a> {
    /// The last finding of the run.
    pub latest: &'a FindingRow,
    /// The most urgent severity of the run.
    pub severity: Option<Severity>,
    /// Takeoff of the run's first and last flight.
    pub span: (Option<Utc>, Option<Utc>),
    /// Flights in the run.
    pub flights: usize,
}

/// Folds findings into entries, most urgent first. `flights` are all flights looked at: one of them without
/// the finding ends a run.
pub fn entries<'a>(rows: &'a [FindingRow], flights: &[FlightRow]) -> Vec<Entry<'a>> {
    let mut order: Vec<&FlightRow> = flights.iter().collect();
    order.sort_by_key(|f| (&f.aircraft, f.takeoff_utc.unwrap_or(Utc(i64::MAX)), &f.log_id, f.ordinal));
    let place: HashMap<&str, (usize, Option<Utc>)> =
        order.iter().enumerate().map(|(i, f)| (f.flight_id.as_str(), (i, f.takeoff_utc))).collect();
    let at = |f: &FindingRow| place.get(f.flight_id.as_str()).copied().unwrap_or((usize::MAX, None));
    let subject = |f: &'a FindingRow| {
        // Of vibration only the worst axis is told, and chance decides between two that rise together.
        let of = if f.kind == "vibration_rise" { "" } else { f.subject.as_str() };
        (f.aircraft.as_str(), f.kind.as_str(), of)
    };
    let mut sorted: Vec<&FindingRow> = rows.iter().collect();
    sorted.sort_by_key(|f| (subject(f), at(f).0));
    let mut found: Vec<Entry<'a>> = Vec::new();
    let mut last = None;
    for row in sorted {
        let ((index, takeoff), severity) = (at(row), Severity::from_word(&row.severity));
        match found.last_mut() {
            Some(entry) if last == Some(index.wrapping_sub(1)) && subject(entry.latest) == subject(row) => {
                entry.latest = row;
                entry.severity = entry.severity.max(severity);
                entry.span.1 = takeoff;
                entry.flights += 1;
            }
            _ => found.push(Entry { latest: row, severity, span: (takeoff, takeoff), flights: 1 }),
        }
        last = Some(index);
    }
    found.sort_by(|a, b| {
        let key = |e: &Entry<'a>| (Reverse(e.severity), e.latest.aircraft.as_str(), Reverse(e.span.1));
        key(a).cmp(&key(b))
    });
    found
}

/// The list, each entry with what to inspect.
pub fn text(rows: &[FindingRow], flights: &[FlightRow]) -> String {
    entries(rows, flights).iter().map(entry).collect()
}

fn entry(entry: &Entry<'_>) -> String {
    let row = entry.latest;
    let (word, meaning) = entry.severity.map_or(("", ""), |s| (s.word(), s.meaning()));
    let heading = format!(
        "{} {}: {} ({meaning})",
        word.to_uppercase(),
        plain(&row.aircraft),
        title(&row.kind, &plain(&row.subject))
    );
    let mut text = wrapped(&heading, "");
    text.push_str(&wrapped(&plain(&row.summary), "  "));
    let unit = if row.unit.is_empty() { String::new() } else { format!(" {}", row.unit) };
    let number = |n: Option<f64>| n.map_or_else(|| "none".to_owned(), significant);
    let numbers = format!(
        "value {}{unit}, limit {}, baseline {}, confidence {:.0} %",
        significant(row.value),
        number(row.limit),
        number(row.baseline),
        100.0 * row.confidence
    );
    text.push_str(&wrapped(&numbers, "  "));
    let flight = format!("flight {} of {}", row.flight_id, instant(entry.span.1));
    let when = match (entry.flights, entry.span.0) {
        (1, _) => format!("in {flight}"),
        (n, None) => format!("in {n} flights; latest: {flight}"),
        (n, first) => format!("in {n} flights since {}; latest: {flight}", day(first)),
    };
    let eased = if row.severity == word { String::new() } else { format!(", {} there", row.severity) };
    text.push_str(&wrapped(&format!("{when}{eased}"), "  "));
    let inspect: Vec<String> = serde_json::from_str(&row.inspect).unwrap_or_default();
    text.push_str("  inspect:\n");
    for (index, item) in inspect.iter().enumerate() {
        text.push_str(&wrapped(&format!("{}. {item}", index + 1), "    "));
    }
    text.push('\n');
    text
}

fn day(utc: Option<Utc>) -> String {
    utc.map_or_else(|| "no UTC".to_owned(), crate::assess::log::date_of)
}

/// What the finding is of, in trade words.
fn title(kind: &str, subject: &str) -> String {
    let of = |what: &str| format!("{what}, {subject}");
    match kind {
        "vibration_rise" => format!("vibration, {subject} axis"),
        "clipping" => of("accelerometers at full scale"),
        "motor_drag" => of("motor drag"),
        "motor_thrust_loss" => of("motor gives less thrust"),
        "motor_output_deviation" => of("uneven motor outputs"),
        "motor_output_change" => of("motor outputs moved"),
        "balance_change" => "centre of gravity moved".to_owned(),
        "yaw_bias" => "steady yaw effort".to_owned(),
        "yaw_bias_change" => "steady yaw effort moved".to_owned(),
        "yaw_margin_thin" => of("thin yaw authority"),
        other => of(&other.replace('_', " ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flight(aircraft: &str, day: i64) -> FlightRow {
        FlightRow {
            flight_id: format!("{aircraft}{day}"),
            log_id: String::new(),
            aircraft: aircraft.to_owned(),
            system_id: 1,
            ordinal: 0,
            boot: 0,
            takeoff_utc: Some(Utc(day * 86_400_000_000)),
            touchdown_utc: None,
            takeoff_utc_by_first: None,
            takeoff_utc_by_last: None,
            takeoff_boot_ms: 0,
            touchdown_boot_ms: 0,
            airtime_ms: 0,
            airtime_min_ms: 0,
            airtime_max_ms: 0,
            evidence: String::new(),
            complete: true,
            landings: 1,
            motor_starts: Some(1),
            distance_m: None,
            boot_sketch: String::new(),
        }
    }

    fn finding(aircraft: &str, day: i64, subject: &str, severity: &str) -> FindingRow {
        FindingRow {
            finding_id: String::new(),
            flight_id: format!("{aircraft}{day}"),
            aircraft: aircraft.to_owned(),
            kind: "motor_drag".to_owned(),
            subject: subject.to_owned(),
            severity: severity.to_owned(),
            value: day as f64,
            unit: String::new(),
            limit: None,
            baseline: None,
            confidence: 1.0,
            evidence_start_utc: None,
            evidence_end_utc: None,
            summary: "shakes".to_owned(),
            inspect: "[\"propellers\"]".to_owned(),
        }
    }

    /// (aircraft, subject, value of the latest, flights, severity) of each entry.
    fn shown(rows: &[FindingRow], flights: &[FlightRow]) -> Vec<(String, String, i64, usize, &'static str)> {
        let show = |e: &Entry<'_>| {
            let f = e.latest;
            (f.aircraft.clone(), f.subject.clone(), f.value as i64, e.flights, e.severity.unwrap().word())
        };
        entries(rows, flights).iter().map(show).collect()
    }

    #[test]
    fn what_goes_on_is_told_once_and_a_flight_without_it_ends_it() {
        let flights: Vec<FlightRow> =
            ["heron", "plover"].iter().flat_map(|a| [4, 1, 2, 3, 5].map(|d| flight(a, d))).collect();
        let rows = [
            finding("plover", 5, "y", "caution"),
            finding("plover", 2, "y", "advisory"),
            finding("plover", 4, "y", "warning"),
            finding("plover", 1, "y", "advisory"),
            finding("plover", 2, "x", "advisory"),
            finding("heron", 5, "y", "caution"),
        ];
        let of = |a: &str, s: &str, value, flights, severity| {
            (a.to_owned(), s.to_owned(), value, flights, severity)
        };
        assert_eq!(
            shown(&rows, &flights),
            [
                of("plover", "y", 5, 2, "warning"),
                of("heron", "y", 5, 1, "caution"),
                of("plover", "x", 2, 1, "advisory"),
                of("plover", "y", 2, 2, "advisory"),
            ]
        );
        let text = text(&rows, &flights);
        assert!(
            text.starts_with("WARNING plover: motor drag, y (do not fly before it is looked at)\n"),
            "{text}"
        );
        let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let when =
            "in 2 flights since 1970-01-05; latest: flight plover5 of 1970-01-06T00:00:00Z, caution there";
        assert!(words.contains(when), "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    }

    #[test]
    fn vibration_is_one_entry_whichever_axis_is_worst() {
        let flights = [flight("heron", 1), flight("heron", 2)];
        let rows = [(1, "x"), (2, "y")].map(|(day, axis)| {
            let kind = "vibration_rise".to_owned();
            FindingRow { kind, ..finding("heron", day, axis, "caution") }
        });
        assert_eq!(shown(&rows, &flights), [("heron".to_owned(), "y".to_owned(), 2, 2, "caution")]);
        assert!(text(&rows, &flights).starts_with("CAUTION heron: vibration, y axis (inspect"));
    }
}
