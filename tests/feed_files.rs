//! The feed's files: a table any CSV reader and no spreadsheet formula can be wrong about, and a calendar that
//! an independent library (the crate `icalendar`) reads.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod feed_support;

use feed_support::{NOW_US, all, finding, inspection, memory, tell, usage};
use fettle::feed::calendar::{CAUTION, DueDate, calendar, uid};
use fettle::feed::csv::{COLUMNS, Table};
use fettle::feed::event::Current;
use fettle::feed::outbox::OutboxError;
use fettle::feed::sequence::{CANCELLED_SHOWN_DAYS, sequence};
use icalendar::parser::{Component, read_calendar, unfold};
use std::collections::HashMap;

/// RFC 4180 read by its grammar, without the crate that wrote it.
fn read_csv(text: &str) -> Vec<Vec<String>> {
    let mut rows = vec![vec![String::new()]];
    let mut characters = text.chars().peekable();
    let mut quoted = false;
    while let Some(c) = characters.next() {
        let row = rows.last_mut().unwrap();
        match c {
            '"' if quoted && characters.next_if_eq(&'"').is_some() => row.last_mut().unwrap().push('"'),
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(String::new()),
            '\r' if !quoted => {
                assert_eq!(characters.next(), Some('\n'), "lines end in CRLF");
                rows.push(vec![String::new()]);
            }
            '\n' if !quoted => panic!("a bare line feed outside quotes"),
            c => row.last_mut().unwrap().push(c),
        }
    }
    assert!(!quoted);
    assert_eq!(rows.pop(), Some(vec![String::new()]), "the last line ends in CRLF as well");
    rows
}

#[test]
fn a_table_holds_every_field_and_no_formula() {
    let db = memory();
    let mut nasty = usage("f1", "P-1", 61_500);
    nasty.serial = Some("=HYPERLINK(\"http://x.example\",\"a, b\")".to_owned());
    nasty.part_number = Some("@A1".to_owned());
    nasty.position = Some("front, \"right\"\r\n=1".to_owned());
    let mut signed = inspection("e1");
    signed.text = Some("-2+3".to_owned());
    signed.readings.push(fettle::feed::event::Reading {
        name: "=cmd".to_owned(),
        value: "-1".to_owned(),
        unit: String::new(),
    });
    let told = [Current::from(&nasty), Current::from(&signed), Current::from(&finding("2963578d2cb7"))];
    tell(&db, told.to_vec());
    tell(&db, told[..2].to_vec());

    let mut out = Vec::new();
    let mut table = Table::new(&mut out).unwrap();
    all(&db).iter().for_each(|event| table.write(event).unwrap());
    table.flush().unwrap();
    drop(table);
    let rows = read_csv(&String::from_utf8(out).unwrap());
    assert_eq!(rows[0], COLUMNS);
    assert_eq!(rows.len(), 5, "a header and a row an event");
    assert!(rows.iter().all(|row| row.len() == COLUMNS.len()));
    let column: HashMap<&str, usize> = COLUMNS.iter().enumerate().map(|(i, c)| (*c, i)).collect();
    let cell = |row: usize, name: &str| rows[row][column[name]].as_str();
    assert_eq!(cell(1, "serial"), "'=HYPERLINK(\"http://x.example\",\"a, b\")");
    assert_eq!(cell(1, "part_number"), "'@A1");
    assert_eq!(cell(1, "position"), "front, \"right\"\r\n'=1");
    assert_eq!(cell(1, "airtime_ms"), "61500");
    assert_eq!(cell(2, "text"), "'-2+3");
    assert_eq!(cell(2, "readings"), "torque 4.50 N m; '=cmd -1");
    assert_eq!(cell(2, "result"), "action_taken");
    assert_eq!(cell(3, "value"), "-0.202", "a number stays a number");
    assert_eq!(cell(3, "limit"), "-0.2");
    assert_eq!(cell(3, "inspect"), "boom clamps; motor mounts");
    let last = ["cursor", "type", "revision", "retracted", "recorded_utc"].map(|name| cell(4, name));
    assert_eq!(last, ["4", "finding", "2", "true", "2026-09-14T08:30:00.000Z"]);

    // Every field of every body has its column.
    for event in all(&db) {
        let body: serde_json::Value = serde_json::from_str(&event.body).unwrap();
        for field in body.as_object().unwrap().keys() {
            assert!(COLUMNS.contains(&field.as_str()), "{field}");
        }
    }
}

fn due(key: &str, day: i8) -> DueDate {
    DueDate {
        key: key.to_owned(),
        subject: "heron".to_owned(),
        task: "propeller edges, roots; hubs".to_owned(),
        date: jiff::civil::date(2026, 10, day),
        note: "between 2026-10-01 and 2026-10-09\n3.5 h left; brought forward by a finding: Größe ≥ 1 §"
            .to_owned(),
    }
}

fn property(event: &Component<'_>, name: &str) -> String {
    event.find_prop(name).unwrap_or_else(|| panic!("no {name}")).val.to_string()
}

/// The VEVENTs by UID, after the rules that every line must keep.
fn events(file: &str) -> HashMap<String, HashMap<&'static str, String>> {
    assert!(file.ends_with("\r\n") && !file.replace("\r\n", "").contains(['\r', '\n']), "CRLF only");
    assert!(file.split("\r\n").all(|line| line.len() <= 75), "RFC 5545 §3.1: 75 octets");
    let unfolded = unfold(file);
    let parsed = read_calendar(&unfolded).unwrap();
    let head = |name: &str| parsed.properties.iter().find(|p| p.name == name).unwrap().val.to_string();
    assert_eq!(head("VERSION"), "2.0");
    assert!(head("PRODID").contains("fettle"));
    let names = ["DTSTART", "SEQUENCE", "DTSTAMP", "SUMMARY", "DESCRIPTION", "STATUS"];
    let events = parsed.components.iter().map(|event| {
        assert_eq!(event.name, "VEVENT");
        let start = event.find_prop("DTSTART").unwrap();
        let kind = start.params.iter().find(|p| p.key == "VALUE").and_then(|p| p.val.as_ref());
        assert_eq!(kind.map(|v| v.as_str()), Some("DATE"), "all day");
        (property(event, "UID"), names.map(|name| (name, property(event, name))).into())
    });
    events.collect()
}

#[test]
fn an_independent_library_reads_the_calendar() {
    let db = memory();
    let entries = sequence(&db, &[due("edges|heron", 5), due("edges|egret", 4)], NOW_US).unwrap();
    let file = calendar(&entries);
    let events = events(&file);
    assert_eq!(events.len(), 2);
    let event = &events[&uid("edges|heron")];
    assert_eq!(event["DTSTART"], "20261005");
    assert_eq!(event["DTSTAMP"], "20260914T083000Z");
    assert_eq!((event["SEQUENCE"].as_str(), event["STATUS"].as_str()), ("0", "TENTATIVE"));
    let plain =
        |text: &str| text.replace("\\n", "\n").replace("\\,", ",").replace("\\;", ";").replace("\\\\", "\\");
    assert_eq!(plain(&event["SUMMARY"]), "heron: propeller edges, roots; hubs due");
    assert_eq!(plain(&event["DESCRIPTION"]), format!("{}\n{CAUTION}", due("", 5).note));
    assert!(file.contains("\\,") && file.contains("\\;"), "escaped on the wire");
    let order: Vec<&str> = file.lines().filter(|l| l.starts_with("DTSTART")).collect();
    assert_eq!(order, ["DTSTART;VALUE=DATE:20261004", "DTSTART;VALUE=DATE:20261005"], "soonest first");
}

#[test]
fn a_moved_date_keeps_its_uid_and_counts_up() {
    const DAY_US: i64 = 86_400_000_000;
    let db = memory();
    let at = |days: i64, due: &[DueDate]| calendar(&sequence(&db, due, NOW_US + days * DAY_US).unwrap());
    let first = at(0, &[due("a", 5), due("b", 6)]);
    assert_eq!(at(1, &[due("b", 6), due("a", 5)]), first, "unchanged: the same bytes");
    let id = uid("a");
    let state = |file: &str| {
        let events = events(file);
        events.get(&id).map(|e| ["SEQUENCE", "DTSTART", "DTSTAMP", "STATUS"].map(|name| e[name].clone()))
    };
    let moved = at(2, &[due("a", 7), due("b", 6)]);
    assert_eq!(state(&moved).unwrap(), ["1", "20261007", "20260916T083000Z", "TENTATIVE"]);
    let signed = at(3, &[due("b", 6)]);
    assert_eq!(state(&signed).unwrap(), ["2", "20261007", "20260917T083000Z", "CANCELLED"]);
    assert_eq!(at(4, &[due("b", 6)]), signed);
    let later = at(3 + CANCELLED_SHOWN_DAYS, &[due("b", 6)]);
    assert_eq!(state(&later), None, "told long enough");
    let again = at(4 + CANCELLED_SHOWN_DAYS, &[due("a", 9), due("b", 6)]);
    assert_eq!(state(&again).unwrap()[..2], ["3", "20261009"], "its number never starts again");
    let error = sequence(&db, &[due("a", 1), due("a", 2)], NOW_US).unwrap_err();
    assert!(matches!(error, OutboxError::DueTwice { .. }), "{error}");
}

#[test]
fn nothing_due_is_a_calendar_too() {
    assert!(events(&calendar(&[])).is_empty());
}
