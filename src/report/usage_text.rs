//! The terminal form of hours, due items and journal entries.

use super::text::{aligned, duration, plain, wrapped};
use super::usage_json::state;
use crate::finding::Severity;
use crate::usage::due::{Basis, Item, OpenFinding, Remaining, Status, millicycles};
use crate::usage::entry::{ComponentId, Place};
use crate::usage::severity::Severity as Hardness;
use crate::usage::{Accounts, Amount, DAY_US, Ledger, utc};

/// An instant to the millisecond; rounded up or down, so that a legal instant stays legal.
pub fn millis(at_us: i64, up: bool) -> String {
    let ms = if up { -(-at_us).div_euclid(1000) } else { at_us.div_euclid(1000) };
    jiff::Timestamp::from_millisecond(ms)
        .map_or_else(|_| format!("{at_us} µs"), |t| t.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string())
}

/// A number with its word.
pub fn count(n: i64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// `1 h 02 min 05.0 s, 3 flights, 4 landings`.
pub fn amount(amount: &Amount) -> String {
    format!(
        "{}, {}, {}",
        duration(amount.airtime_ms),
        count(amount.flights, "flight", "flights"),
        count(amount.landings, "landing", "landings")
    )
}

/// Aircraft with their totals.
pub fn aircraft_hours(accounts: &Accounts<'_>, names: &[String], at_us: i64) -> String {
    if names.is_empty() {
        return String::new();
    }
    let body = names
        .iter()
        .map(|name| {
            let used = accounts.aircraft(name, at_us);
            vec![plain(name), used.flights.to_string(), used.landings.to_string(), duration(used.airtime_ms)]
        })
        .collect();
    aligned(&["aircraft", "flights", "landings", "airtime"], &[1, 2, 3], body) + "\n"
}

/// An aircraft's flights.
pub fn aircraft_flights(accounts: &Accounts<'_>, name: &str, at_us: i64) -> String {
    let Some(line) = accounts.timeline(name) else { return String::new() };
    let body = line
        .flights(i64::MIN, at_us)
        .map(|f| {
            let (from, to) = f.airborne_us.unwrap_or_default();
            vec![
                f.flight_id.clone(),
                utc(from),
                utc(to),
                duration(f.airtime_until(at_us)),
                f.landings.to_string(),
            ]
        })
        .collect();
    let header = ["flight", "takeoff", "touchdown", "airtime", "landings"];
    format!("{}:\n{}\n", plain(name), aligned(&header, &[3, 4], body))
}

/// Components, where they are and what they have used.
pub fn components(accounts: &Accounts<'_>, ids: &[ComponentId], at_us: i64) -> String {
    let body = ids
        .iter()
        .map(|id| {
            let used = accounts.component(id, at_us);
            let place = accounts.fitted_at(id, at_us).map_or_else(
                || state(accounts, id, at_us).to_owned(),
                |f| format!("{} {}", plain(&f.aircraft), plain(&f.position)),
            );
            let cycles = millicycles(accounts, id, at_us)
                .map_or_else(|| "-".to_owned(), |m| format!("{:.1}", m as f64 / 1000.0));
            let most = if used.charge_unknown > 0 && cycles != "-" { "at most " } else { "" };
            vec![
                plain(&id.kind),
                plain(&id.serial),
                place,
                used.flights.to_string(),
                format!("{most}{cycles}"),
                duration(used.airtime_ms),
            ]
        })
        .collect();
    aligned(&["kind", "serial", "where", "flights", "cycles", "airtime"], &[3, 4, 5], body)
}

/// Sets with their members.
pub fn sets(ledger: &Ledger) -> String {
    let mut text = String::new();
    for set in ledger.sets.values() {
        text.push_str(&wrapped(&plain(&format!("set {}: {}", set.name, places(&set.members))), ""));
    }
    text
}

/// The flights behind one component's figure.
pub fn shares(accounts: &Accounts<'_>, id: &ComponentId, at_us: i64) -> String {
    let opening = accounts.ledger.components.get(id).map(|c| c.new.opening).unwrap_or_default();
    let mut body: Vec<Vec<String>> = Vec::new();
    if !opening.is_zero() {
        let cells = ["opening balance", "", "", ""].map(str::to_owned);
        body.push(
            cells.into_iter().chain([duration(opening.airtime_ms), opening.flights.to_string()]).collect(),
        );
    }
    for share in accounts.shares(id, at_us) {
        let from = share.flight.airborne_us.map(|a| utc(a.0)).unwrap_or_default();
        body.push(vec![
            share.flight.flight_id.clone(),
            plain(&share.flight.aircraft),
            share.position.map_or_else(|| format!("by {}", share.source.word()), plain),
            from,
            duration(share.amount.airtime_ms),
            share.amount.flights.to_string(),
        ]);
    }
    let header = ["flight", "aircraft", "where", "takeoff", "airtime", "flights"];
    format!("\n{}:\n{}", plain(&id.to_string()), aligned(&header, &[4, 5], body))
}

/// How hard the hours were, beside the plain ones.
pub fn severity(rows: &[(Option<&ComponentId>, &str, Amount, Hardness)], above: f64) -> String {
    let body = rows
        .iter()
        .map(|(id, name, used, severity)| {
            vec![
                plain(&id.map_or_else(|| (*name).to_owned(), ToString::to_string)),
                duration(used.airtime_ms),
                duration(severity.above_ms),
                format!("{:.3}", severity.damage_millionths as f64 / 1e6),
                format!("{} of {}", severity.flights, used.flights),
            ]
        })
        .collect();
    let over = format!("above {:.0} %", 100.0 * above);
    let header = ["of", "airtime", over.as_str(), "load index", "flights seen"];
    let note = "time with outputs above that share of their range; load index Σ n·Δ⁴ of the outputs' rainflow \
                cycles (ASTM E1049-85), to compare parts with, not a life";
    format!("\n{}{}", aligned(&header, &[1, 2, 3, 4], body), wrapped(note, ""))
}

/// What touches the figures, a line each.
pub fn warnings(accounts: &Accounts<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    if !accounts.unattributed.is_empty() {
        let airtime_ms: i64 = accounts.unattributed.iter().map(|f| f.airtime_ms).sum();
        let ids: Vec<&str> = accounts.unattributed.iter().take(5).map(|f| f.flight_id.as_str()).collect();
        lines.push(format!(
            "{} with {} of airtime tell no UTC and count for nothing here ({}{}); they need a known time first",
            count(accounts.unattributed.len() as i64, "flight", "flights"),
            duration(airtime_ms),
            ids.join(", "),
            if accounts.unattributed.len() > 5 { ", …" } else { "" }
        ));
    }
    for s in accounts.straddles() {
        let (from, to) = s.flight.airborne_us.unwrap_or_default();
        lines.push(plain(&format!(
            "{} was fitted or removed at {} by entry {}, but {} was in the air from {} to {} (flight {}); its \
             time is split there; `fettle logbook correct {} --at {}` puts it before that flight",
            s.fitting.id,
            millis(s.at_us, false),
            s.entry,
            s.flight.aircraft,
            millis(from, false),
            millis(to, true),
            s.flight.flight_id,
            s.entry,
            millis(from, false),
        )));
    }
    if !accounts.unknown_packs.is_empty() {
        let each = accounts
            .unknown_packs
            .iter()
            .map(|(serial, flights)| format!("{serial} ({})", count(*flights as i64, "flight", "flights")));
        lines.push(plain(&format!(
            "logs name battery packs that the logbook does not know: {}; `fettle component add battery-pack \
             SERIAL…` enters them",
            each.collect::<Vec<_>>().join(", ")
        )));
    }
    for (a, b) in &accounts.overlapping {
        lines.push(plain(&format!(
            "flights {} and {} of {} overlap; if it is one flight recorded twice, `fettle exclude {} --reason …`",
            a.flight_id, b.flight_id, a.aircraft, b.flight_id
        )));
    }
    for (flight, excluded) in &accounts.excluded_as {
        let (id, entry) = (&flight.flight_id, excluded.entry);
        lines.push(plain(&format!(
            "flight {id} of {} does not count: entry {entry} excludes {}, another recording of it; if it does \
             count, `fettle logbook correct {entry} --void`; if not, `fettle exclude {id} --reason … \
             --corrects {entry}`",
            flight.aircraft, excluded.what.flight_id
        )));
    }
    for missing in &accounts.missing {
        let (id, entry) = (missing.flight_id, missing.entry);
        let (says, again) = if missing.excludes {
            ("excludes flight", "exclude FLIGHT --reason …")
        } else {
            ("names the packs of flight", "pack FLIGHT SERIAL…")
        };
        lines.push(plain(&format!(
            "entry {entry} {says} {id}, which the archive does not have, so it does nothing; the flight may have \
             another id since a file was joined to its recording: `fettle {again} --corrects {entry}`"
        )));
    }
    lines
}

/// What is left, in words.
pub fn remaining(remaining: &Remaining) -> String {
    let mut parts = Vec::new();
    let mut say = |left: i64, text: String| {
        parts.push(if left < 0 { format!("{text} over") } else { format!("{text} left") });
    };
    if let Some(ms) = remaining.airtime_ms {
        say(ms, format!("{:.1} h", ms.abs() as f64 / 3_600_000.0));
    }
    if let Some(n) = remaining.flights {
        say(n, count(n.abs(), "flight", "flights"));
    }
    if let Some(m) = remaining.millicycles {
        let bound = match (remaining.cycles_at_least, m < 0) {
            (true, false) => "at least ",
            (true, true) => "at most ",
            (false, _) => "",
        };
        say(m, format!("{bound}{:.1} cycles", m.abs() as f64 / 1000.0));
    }
    if let Some(us) = remaining.calendar_us {
        say(us, count(us.abs() / DAY_US, "day", "days"));
    }
    parts.join(", ")
}

/// The UTC date of an instant.
pub fn day(at_us: i64) -> String {
    utc(at_us).get(..10).unwrap_or_default().to_owned()
}

fn basis(basis: &Basis) -> String {
    match basis {
        Basis::Signed(at, entry) => format!("last signed {} (entry {entry})", day(*at)),
        Basis::Never => "never signed".to_owned(),
        Basis::Event(event, Some(at)) => format!("after the {event} of {}", utc(*at)),
        Basis::Event(event, None) => format!("after a {event} at an unknown time"),
        Basis::Change(kind, at) => format!("after the {kind} was fitted on {}", day(*at)),
        Basis::Deferred(at, entry) => format!("deferred {} (entry {entry})", day(*at)),
        Basis::Life => "life limit".to_owned(),
    }
}

/// What is due, most urgent first; equal ones of an aircraft together.
pub fn due(items: &[Item], findings: &[OpenFinding]) -> String {
    let mut text = String::new();
    let mut shown: Vec<usize> = Vec::new();
    for (index, item) in items.iter().enumerate() {
        if shown.contains(&index) {
            continue;
        }
        // Four propellers of one age are one line.
        let alike: Vec<usize> = (index..items.len())
            .filter(|i| {
                let other = &items[*i];
                other.task == item.task
                    && other.status == item.status
                    && other.target.aircraft == item.target.aircraft
                    && other.basis == item.basis
                    && other.remaining == item.remaining
                    && other.findings == item.findings
            })
            .collect();
        shown.extend(&alike);
        let targets: Vec<String> = alike.iter().map(|i| items[*i].target.words()).collect();
        let aircraft = item.target.aircraft.as_deref().unwrap_or("off aircraft");
        text.push_str(&wrapped(
            &plain(&format!("{} {aircraft}: {}", item.status.word().to_uppercase(), item.task)),
            "",
        ));
        text.push_str(&wrapped(&plain(&format!("on {}", targets.join(", "))), "  "));
        let left = remaining(&item.remaining);
        let when = match item.forecast {
            _ if item.status <= Status::Due => String::new(),
            Some(f) if f.earliest_us == f.latest_us => format!("; on {}", day(f.date_us)),
            Some(f) => {
                format!("; about {}, between {} and {}", day(f.date_us), day(f.earliest_us), day(f.latest_us))
            }
            None => "; not enough data for a date".to_owned(),
        };
        text.push_str(&wrapped(&format!("{}; {}{when}", left, basis(&item.basis)), "  "));
        text.push_str(&beside(item, findings));
        if let Some(look) = item.look_for.as_ref().filter(|_| item.status < Status::Later) {
            text.push_str(&wrapped(&plain(&format!("look for: {look}")), "  "));
        }
        text.push('\n');
    }
    if text.is_empty() { "nothing is due\n".to_owned() } else { text }
}

/// The findings that concern an item: the latest of each kind and place, advisories only counted.
fn beside(item: &Item, findings: &[OpenFinding]) -> String {
    let own: Vec<&OpenFinding> = item.findings.iter().filter_map(|i| findings.get(*i)).collect();
    let mut latest: Vec<(&OpenFinding, usize)> = Vec::new();
    for finding in own.iter().filter(|f| f.severity > Severity::Advisory) {
        match latest.iter_mut().find(|(f, _)| (&f.kind, &f.subject) == (&finding.kind, &finding.subject)) {
            Some((_, more)) => *more += 1,
            None => latest.push((finding, 0)),
        }
    }
    let mut text = String::new();
    for (finding, more) in latest {
        let and = if more > 0 { format!(" and {more} more") } else { String::new() };
        let (word, summary) = (finding.severity.word(), &finding.summary);
        let line = format!("{word}: {summary} (finding {}{and})", finding.finding_id);
        text.push_str(&wrapped(&plain(&line), "  "));
    }
    let advisories = own.iter().filter(|f| f.severity == Severity::Advisory).count() as i64;
    if advisories > 0 {
        text.push_str(&format!("  {} (`fettle findings`)\n", count(advisories, "advisory", "advisories")));
    }
    text
}

/// Components and their positions.
pub fn places(places: &[Place]) -> String {
    let all: Vec<String> =
        places.iter().map(|p| format!("{} {} at {}", p.kind, p.serial, p.position)).collect();
    all.join(", ")
}
