//! `feed` as a receiver meets it: the whole program over the sample cards, every line against the published
//! schema (the crate `jsonschema`), the calendar through the crate `icalendar`, batches to a receiver on this
//! machine written by hand.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod feed_support;
mod fleet_support;

use feed_support::server::{Act, Server};
use fettle::feed::csv::COLUMNS;
use fleet_support::{Fleet, of, samples, text};
use icalendar::parser::{read_calendar, unfold};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::{Command, Output, Stdio};

/// Heron with two propellers from the first day, one card forgotten.
fn heron() -> Fleet {
    let fleet = Fleet::described();
    let card = samples().join("heron");
    let mut import = vec!["import".to_owned(), "--quiet".to_owned()];
    let logs = std::fs::read_dir(&card).unwrap().map(|e| e.unwrap().path());
    import.extend(logs.filter(|p| !p.ends_with(FORGOTTEN)).map(|p| p.to_str().unwrap().to_owned()));
    fleet.ok(&import.iter().map(String::as_str).collect::<Vec<_>>());
    fleet.ok(&[
        "fit",
        "heron",
        "--new",
        "propeller",
        "front-right=P1",
        "right=P2",
        "--at",
        "2026-09-01",
        "--yes",
    ]);
    fleet
}

const FORGOTTEN: &str = "2026-09-09.mavlink";

fn lines(fleet: &Fleet, since: i64) -> Vec<Value> {
    fleet.checked(&["feed", "--since", &since.to_string()], "feed")
}

fn cursor(lines: &[Value]) -> i64 {
    of(lines, "summary")[0]["cursor"].as_i64().unwrap()
}

/// What a receiver that follows the rule holds: per id the highest revision, retracted ones dropped.
fn held(lines: &[Value]) -> BTreeMap<String, Value> {
    let mut held: BTreeMap<String, Value> = BTreeMap::new();
    for line in lines.iter().filter(|l| l["type"] != "summary") {
        let id = line["event_id"].as_str().unwrap().to_owned();
        if held.get(&id).is_none_or(|h| h["revision"].as_i64() < line["revision"].as_i64()) {
            held.insert(id, line.clone());
        }
    }
    held.retain(|_, line| line["retracted"] == false);
    held
}

/// The airtime that a receiver reckons for a component.
fn reckoned(lines: &[Value], component: &str) -> i64 {
    let own = held(lines).into_values().filter(|l| l["type"] == "usage");
    own.filter(|l| l["body"]["component_id"] == component)
        .map(|l| l["body"]["airtime_ms"].as_i64().unwrap())
        .sum()
}

fn hours(fleet: &Fleet, serial: &str) -> i64 {
    let records = fleet.records(&["hours", "--json", "--component", serial]);
    of(&records, "component_hours")[0]["used"]["airtime_ms"].as_i64().unwrap()
}

#[test]
fn a_late_card_and_corrections_come_as_new_events_and_revisions() {
    let fleet = heron();
    let told = lines(&fleet, 0);
    let flights = fleet.flights("heron");
    assert_eq!(of(&told, "usage").len(), 2 * flights.len());
    assert_eq!(reckoned(&told, "propeller:P1"), hours(&fleet, "P1"));
    assert!(of(&told, "usage").iter().all(|l| l["revision"] == 1 && l["retracted"] == false));
    assert_eq!(lines(&fleet, 0), told, "nothing changed: no new rows");
    assert_eq!(lines(&fleet, cursor(&told)).len(), 1, "only the summary");

    // The forgotten card: its own flight for both propellers, and nothing else of usage.
    let before: BTreeSet<String> = ids(&flights);
    fleet.ok(&["import", "--quiet", samples().join("heron").join(FORGOTTEN).to_str().unwrap()]);
    let late: BTreeSet<String> = ids(&fleet.flights("heron")).difference(&before).cloned().collect();
    assert!(!late.is_empty());
    let news = lines(&fleet, cursor(&told));
    let usage = of(&news, "usage");
    assert_eq!(usage.len(), 2 * late.len(), "{usage:?}");
    for event in &usage {
        assert!(late.contains(event["body"]["flight_id"].as_str().unwrap()) && event["revision"] == 1);
    }
    assert_eq!(reckoned(&lines(&fleet, 0), "propeller:P2"), hours(&fleet, "P2"));

    // They were fitted after the first flight, not before: that flight is taken back from both. Entries 1 and 2
    // are the propellers, 3 the fitting.
    let first = &fleet.flights("heron")[0];
    let touchdown: jiff::Timestamp = first["touchdown_utc"].as_str().unwrap().parse().unwrap();
    let after = (touchdown + jiff::SignedDuration::from_secs(1)).to_string();
    fleet.ok(&["logbook", "correct", "3", "--at", &after, "--yes"]);
    let corrected = lines(&fleet, cursor(&news));
    let usage = of(&corrected, "usage");
    assert_eq!(usage.len(), 2, "{usage:?}");
    for event in &usage {
        let what = (&event["revision"], &event["retracted"], &event["body"]["flight_id"]);
        assert_eq!(what, (&2.into(), &true.into(), &first["flight_id"]));
    }
    assert_eq!(reckoned(&lines(&fleet, 0), "propeller:P1"), hours(&fleet, "P1"));
    // It was right at first.
    fleet.ok(&["logbook", "correct", "4", "--at", "2026-09-01", "--yes"]);
    let back = lines(&fleet, cursor(&corrected));
    let usage = of(&back, "usage");
    assert!(usage.len() == 2 && usage.iter().all(|e| e["revision"] == 3 && e["retracted"] == false));
    assert_eq!(reckoned(&lines(&fleet, 0), "propeller:P1"), hours(&fleet, "P1"));
}

fn ids(flights: &[Value]) -> BTreeSet<String> {
    flights.iter().map(|f| f["flight_id"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn signatures_and_answers_are_told_and_taken_back() {
    let fleet = Fleet::flown();
    fleet.ok(&["component", "add", "propeller", "P1", "P2"]);
    let told = lines(&fleet, 0);
    let finding =
        of(&told, "finding").iter().find(|f| f["body"]["aircraft"] == "egret").unwrap()["body"]["finding_id"]
            .as_str()
            .unwrap()
            .to_owned();
    // Entry 3, on two components; the second naming of one is the same inspection.
    fleet.ok(&[
        "sign",
        "propellers",
        "--component",
        "P1",
        "--component",
        "P2",
        "--component",
        "P1",
        "--by",
        "A. Person",
        "--at",
        "2026-09-17",
        "--reading",
        "torque=2.10 N m",
    ]);
    let signed = lines(&fleet, cursor(&told));
    let inspections = of(&signed, "inspection");
    assert_eq!(inspections.len(), 2);
    assert_eq!(inspections[0]["body"]["component_id"], "propeller:P1");
    assert_eq!(inspections[0]["body"]["readings"][0]["value"], "2.10", "as written");
    let export = fleet.ok(&["logbook", "export"]);
    let entry: Value = serde_json::from_str(export.lines().nth(2).unwrap()).unwrap();
    assert_eq!(inspections[0]["body"]["entry"], entry["hash"]);
    let id = inspections[0]["body"]["inspection_id"].as_str().unwrap();
    assert!(id.starts_with(entry["hash"].as_str().unwrap()), "unique between logbooks: {id}");

    fleet.ok(&["logbook", "correct", "3", "--at", "2026-09-18"]);
    let moved = lines(&fleet, cursor(&signed));
    let again = of(&moved, "inspection");
    assert_eq!(again.len(), 2);
    for (old, new) in inspections.iter().zip(&again) {
        assert_eq!((&old["event_id"], &new["revision"]), (&new["event_id"], &2.into()));
        assert_eq!(old["body"]["inspection_id"], new["body"]["inspection_id"]);
        assert_ne!(old["body"]["entry"], new["body"]["entry"], "another entry says it now");
        assert_eq!(new["body"]["at_utc"], "2026-09-18T00:00:00.000Z");
    }
    fleet.ok(&["logbook", "correct", "4", "--void", "--reason", "other aircraft"]);
    let gone = lines(&fleet, cursor(&moved));
    assert!(of(&gone, "inspection").iter().all(|e| e["retracted"] == true && e["revision"] == 3));

    fleet.ok(&["answer", &finding, "--verdict", "watching", "--by", "A"]);
    let watched = lines(&fleet, cursor(&gone));
    assert_eq!(of(&watched, "finding").len(), 0, "being watched is still open");
    fleet.ok(&["answer", &finding, "--verdict", "nothing-found", "--by", "A"]);
    let answered = lines(&fleet, cursor(&watched));
    let findings = of(&answered, "finding");
    assert_eq!((findings.len(), &findings[0]["retracted"]), (1, &true.into()));
    assert_eq!(findings[0]["body"]["finding_id"], finding.as_str());
}

#[test]
fn an_export_carries_what_was_told() {
    let fleet = heron();
    lines(&fleet, 0);
    fleet.ok(&["logbook", "correct", "3", "--at", "2026-09-05", "--yes"]);
    let told = lines(&fleet, 0);
    let first = fleet.0.path().join("due.ics");
    fleet.ok(&["feed", "--calendar", first.to_str().unwrap()]);
    let export = fleet.ok(&["logbook", "export"]);
    let records = fleet.records(&["logbook", "export"]);
    assert!(of(&records, "feed_event").len() == told.len() - 1 && !of(&records, "feed_calendar").is_empty());

    let copy = Fleet::described();
    let file = copy.0.path().join("export.ndjson");
    std::fs::write(&file, &export).unwrap();
    copy.ok(&["logbook", "import", file.to_str().unwrap()]);
    assert_eq!(copy.ok(&["logbook", "export"]), export, "to the byte");
    // The same cards again: nothing new to tell, and revisions go on.
    for name in std::fs::read_dir(samples().join("heron")).unwrap().map(|e| e.unwrap().path()) {
        if !name.ends_with(FORGOTTEN) {
            copy.ok(&["import", "--quiet", name.to_str().unwrap()]);
        }
    }
    assert_eq!(lines(&copy, 0), told);
    copy.ok(&["logbook", "correct", "4", "--at", "2026-09-01", "--yes"]);
    let back = lines(&copy, cursor(&told));
    assert!(!of(&back, "usage").is_empty());
    assert!(of(&back, "usage").iter().all(|e| e["revision"] == 3), "{back:?}");

    // All or nothing: a history that cannot be takes the journal with it.
    let third = Fleet::empty();
    let twisted = export.replace("\"cursor\":2,", "\"cursor\":1,");
    std::fs::write(&file, &twisted).unwrap();
    let refusal = third.refused(&["logbook", "import", file.to_str().unwrap()]);
    assert!(refusal.contains("line 6: cannot put a feed event back in the logbook: UNIQUE"), "{refusal}");
    assert!(third.ok(&["logbook", "list"]).contains("empty"));
}

#[test]
fn tables_and_calendars_are_written() {
    let fleet = Fleet::flown();
    fleet.ok(&["component", "add", "propeller", "=HYPERLINK(1)", "--yes"]);
    fleet.ok(&["fit", "heron", "left==HYPERLINK(1)", "--at", "2026-09-01", "--yes"]);
    let csv = fleet.ok(&["feed", "--csv", "--latest"]);
    let mut rows = csv.split("\r\n");
    assert_eq!(rows.next().unwrap(), COLUMNS.join(","));
    let told = lines(&fleet, 0);
    assert_eq!(rows.filter(|r| !r.is_empty()).count(), told.len() - 1);
    assert!(csv.contains(",'=HYPERLINK(1),") && !csv.contains(",=HYPERLINK"), "no formula in any cell");

    let file = fleet.0.path().join("due.ics");
    let made = fleet.run(&["feed", "--calendar", file.to_str().unwrap()]);
    assert_eq!(made.status.code(), Some(0), "{}", text(&made.stderr));
    let first = std::fs::read_to_string(&file).unwrap();
    let unfolded = unfold(&first);
    let parsed = read_calendar(&unfolded).unwrap();
    let events: Vec<_> = parsed.components.iter().filter(|c| c.name == "VEVENT").collect();
    assert!(events.len() > 5, "{first}");
    let of_event = |name: &str| -> BTreeSet<String> {
        events.iter().map(|e| e.find_prop(name).unwrap().val.to_string()).collect()
    };
    assert_eq!(of_event("UID").len(), events.len(), "one task and aircraft, one entry");
    assert!(of_event("SUMMARY").iter().any(|s| s.starts_with("heron: ")), "{:?}", of_event("SUMMARY"));
    assert!(of_event("DESCRIPTION").iter().any(|d| d.contains("left propeller =HYPERLINK(1)")));
    assert_eq!(of_event("SEQUENCE"), BTreeSet::from(["0".to_owned()]));
    fleet.ok(&["feed", "--calendar", file.to_str().unwrap()]);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), first, "unchanged on the same day");
}

fn post(fleet: &Fleet, server: &Server, token: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettle"));
    command.args(["feed", "--post", &server.url(), "--batch", "10"]);
    command.env("FETTLE_FLEET", fleet.path()).env("FETTLE_FEED_TOKEN", token).stdin(Stdio::null());
    command.output().unwrap()
}

#[test]
fn a_receiver_that_stumbles_gets_everything_and_nobody_sees_the_token() {
    const TOKEN: &str = "s3cret-invented-token";
    let fleet = heron();
    let script = |n| match n {
        0 => Act::status(500, "", "broken"),
        1 => Act::status(429, "Retry-After: 1\r\n", "slow down"),
        2 => Act::DropBeforeAnswer,
        _ => Act::Take,
    };
    let server = Server::start(script, || 0);
    let sent = post(&fleet, &server, TOKEN);
    let said = text(&sent.stdout) + &text(&sent.stderr);
    assert_eq!(sent.status.code(), Some(0), "{said}");
    let waits: Vec<&str> = said.lines().filter(|l| l.contains("; again in ")).collect();
    assert_eq!(waits.len(), 3, "a wait is told: {said}");
    assert!(waits[0].contains(": 500: broken; again in "), "{said}");
    let told = lines(&fleet, 0);
    let got: Vec<Value> = server.taken().into_iter().flatten().collect();
    assert_eq!(held(&got), held(&told), "everything arrived");
    assert!(got.len() > told.len() - 1, "the batch without an answer came twice");
    let requests = server.requests();
    assert!(requests.iter().all(|r| r.header("authorization") == Some(&format!("Bearer {TOKEN}"))));
    assert_eq!(requests[2].header("idempotency-key"), requests[3].header("idempotency-key"));
    let again = post(&fleet, &server, TOKEN);
    assert!(text(&again.stdout).starts_with("0 event(s) sent"), "{}", text(&again.stdout));
    assert_eq!(server.requests().len(), requests.len(), "nothing is sent twice unasked");

    // A receiver that throws the token back at us.
    let rude = Server::start(|_| Act::status(401, "", &format!("unknown token {TOKEN}")), || 0);
    let refused = post(&fleet, &rude, TOKEN);
    assert_eq!(refused.status.code(), Some(1));
    assert!(text(&refused.stderr).contains("refused the batch with 401"), "{}", text(&refused.stderr));
    let all =
        said + &text(&again.stdout) + &text(&again.stderr) + &text(&refused.stdout) + &text(&refused.stderr);
    assert!(!all.contains("s3cret"), "{all}");
    for file in ["logbook.db", "logbook.db-wal"] {
        let bytes = std::fs::read(fleet.0.path().join(file)).unwrap_or_default();
        assert!(!String::from_utf8_lossy(&bytes).contains("s3cret"), "{file}");
    }
    assert!(!fleet.ok(&["logbook", "export"]).contains("s3cret"));
}

#[test]
fn an_archive_that_went_missing_takes_nothing_back() {
    let fleet = Fleet::flown();
    let places = ["front-right=P1", "right=P2", "left=P3"];
    fleet.ok(&[&["fit", "heron", "--new", "propeller", "--at", "2026-09-01", "--yes"][..], &places].concat());
    let told = lines(&fleet, 0);
    std::fs::rename(fleet.0.path().join("archive"), fleet.0.path().join("elsewhere")).unwrap();
    let refusal = fleet.refused(&["feed"]);
    assert!(refusal.contains("is the archive complete and readable"), "{refusal}");
    std::fs::rename(fleet.0.path().join("elsewhere"), fleet.0.path().join("archive")).unwrap();
    assert_eq!(lines(&fleet, 0), told);
}
