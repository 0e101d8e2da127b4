//! The logbook as a user meets it: from `init` over the sample cards to a signed inspection, with every
//! machine record against the published schema (validated by the general-purpose crate `jsonschema`).
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod fleet_support;

use fleet_support::{Fleet, of, samples, text};
use serde_json::Value;
use std::fs;
use std::path::PathBuf;

const POSITIONS: [&str; 6] = ["front-right", "right", "rear-right", "rear-left", "left", "front-left"];

#[test]
fn from_init_to_a_signed_inspection() {
    let fleet = Fleet::flown();
    let places: Vec<String> = POSITIONS.iter().enumerate().map(|(i, p)| format!("{p}=P{}", i + 1)).collect();
    let mut fit = vec!["fit", "heron", "--new", "propeller", "--at", "2026-09-01", "--json"];
    fit.extend(places.iter().map(String::as_str));

    // Backdated before the flights: told what it changes, and not done without a yes.
    let asked = fleet.refused(&fit);
    let asked = asked.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(asked.contains("propeller P6: 0.0 s, 0 flights, 0 landings becomes 18 min"), "{asked}");
    assert!(asked.contains("--yes"), "{asked}");
    assert!(!fleet.0.path().join("logbook.db").exists(), "nothing was written");
    fit.push("--yes");
    let entered = fleet.records(&fit);
    assert_eq!(of(&entered, "entry").len(), 7, "six new propellers and one fitting of all");

    // Exact hours: a propeller that was on for all flights has the aircraft's airtime to the millisecond.
    let flights = fleet.flights("heron");
    let airtime: i64 = flights.iter().map(|f| f["airtime_ms"].as_i64().unwrap()).sum();
    let hours = fleet.records(&["hours", "--json", "--flights", "--aircraft", "heron"]);
    assert_eq!(of(&hours, "aircraft_hours")[0]["used"]["airtime_ms"], airtime);
    let propellers = of(&hours, "component_hours");
    assert_eq!(propellers.len(), 6);
    for propeller in &propellers {
        assert_eq!(propeller["used"]["airtime_ms"], airtime, "{propeller}");
        assert_eq!(propeller["used"]["flights"], 7);
    }
    assert_eq!(of(&hours, "share").len(), 6 * 7);
    let hard = fleet.records(&["hours", "--json", "--aircraft", "heron", "--above", "0.3"]);
    let hard = of(&hard, "severity");
    assert_eq!(hard.len(), 7, "the aircraft and six propellers");
    for row in hard {
        let (above, all) = (row["above_ms"].as_i64().unwrap(), row["airtime_ms"].as_i64().unwrap());
        // The simulated hexa hovers near half its output range: most of the time above 0.3, none above 1.
        assert!(row["flights_measured"] == 7 && above > all / 2 && above <= all + 7 * 2000, "{row}");
        assert!(row["load_index"].as_f64().unwrap() > 0.0, "{row}");
    }
    let before = fleet.records(&["hours", "--json", "--component", "P1", "--at", "2026-09-03"]);
    let day: Vec<i64> = flights
        .iter()
        .filter(|f| f["takeoff_utc"].as_str().unwrap() < "2026-09-03")
        .map(|f| f["airtime_ms"].as_i64().unwrap())
        .collect();
    assert_eq!(of(&before, "component_hours")[0]["used"]["airtime_ms"], day.iter().sum::<i64>());

    // A change in the air is refused with the flight and the nearest legal times, which are legal indeed.
    let flight = &flights[3];
    let middle = flight["takeoff_utc"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_millisecond()
        + flight["airtime_ms"].as_i64().unwrap() / 2;
    let middle = jiff::Timestamp::from_millisecond(middle).unwrap().to_string();
    let refusal = fleet.refused(&["remove", "P1", "--yes", "--at", &middle]);
    assert!(refusal.contains(flight["flight_id"].as_str().unwrap()), "{refusal}");
    let legal: Vec<&str> = refusal.split("--at ").skip(1).map(|t| t.split(' ').next().unwrap()).collect();
    assert_eq!(legal.len(), 2, "{refusal}");
    let share = |serial: &str| {
        let hours = fleet.records(&["hours", "--json", "--component", serial]);
        of(&hours, "component_hours")[0]["used"]["airtime_ms"].as_i64().unwrap()
    };
    fleet.ok(&["remove", "P1", "--yes", "--at", legal[0], "--to", "stock"]);
    let parts: i64 = flights[..3].iter().map(|f| f["airtime_ms"].as_i64().unwrap()).sum();
    assert_eq!(share("P1"), parts, "three whole flights");
    // The wrong side of the flight: correct the entry, and P1 has four.
    let seq = fleet.records(&["logbook", "list", "--json"]).iter().filter(|r| r["type"] == "entry").count();
    fleet.ok(&["logbook", "correct", &seq.to_string(), "--at", legal[1], "--yes"]);
    assert_eq!(share("P1"), parts + flight["airtime_ms"].as_i64().unwrap());
    fleet.ok(&["component", "add", "propeller", "P7", "--hours", "3.5", "--flights", "9"]);
    fleet.ok(&["fit", "heron", "front-right=P7", "--yes", "--at", legal[1]]);
    let rest: i64 = flights[4..].iter().map(|f| f["airtime_ms"].as_i64().unwrap()).sum();
    assert_eq!(share("P7"), 12_600_000 + rest, "3.5 h before, then the last three flights");

    // Mistakes, in words.
    for (arguments, words) in [
        (&["fit", "heron", "front-right=P1"][..], "already holds propeller P7"),
        (&["fit", "egret", "right=P2"], "already on heron at right"),
        (&["fit", "heron", "front-rigth=P1"], "its positions are front-right"),
        (&["fit", "hern", "right=P1"], "no aircraft is named hern"),
        (&["remove", "P8"], "did you mean propeller P"),
        (&["component", "add", "propeller", "P1"], "in the logbook already (entry 1)"),
        (&["fit", "heron", "right=P1", "--at", "2199-01-01"], "lies in the future"),
        (&["sign", "no such", "--aircraft", "heron", "--by", "x"], "no task begins with"),
        (
            &["sign", "propellers", "--aircraft", "heron", "--by", "x", "--result", "deferred"],
            "needs a limit",
        ),
    ] {
        let refusal = fleet.refused(arguments);
        assert!(refusal.contains(words), "{arguments:?}: {refusal}");
    }

    // Sign the propellers: seen beside them is what brought them forward; signing settles it.
    let items = |at: &str| -> Vec<Value> {
        let due = fleet.records(&["due", "--json", "--aircraft", "plover", "--at", at]);
        let own = due.into_iter().filter(|d| d["type"] == "due");
        own.filter(|d| d["task"].as_str().unwrap().starts_with("propellers")).collect()
    };
    let due = items("2026-09-17");
    assert_eq!(due.len(), 1, "no propeller of plover is registered, so it stands for them: {due:?}");
    assert_eq!(due[0]["status"], "due");
    let brought = due[0]["findings"].as_array().unwrap();
    assert!(brought.iter().any(|f| f["kind"] == "vibration_rise"), "{due:?}");
    let finding = brought[0]["finding_id"].as_str().unwrap();
    fleet.ok(&[
        "answer",
        finding,
        "--verdict",
        "cause-found",
        "--by",
        "A. Person",
        "--text",
        "nick in a blade",
    ]);
    fleet.ok(&[
        "sign",
        "propellers",
        "--aircraft",
        "plover",
        "--by",
        "A. Person",
        "--licence",
        "club 12",
        "--result",
        "action-taken",
        "--reading",
        "torque reached=2.10 N m",
        "--part-changed",
        "rear-right propeller",
        "--at",
        "2026-09-16T18:00:00Z",
    ]);
    let due = items("2026-09-17");
    assert_eq!((&due[0]["status"], &due[0]["basis"]), (&"later".into(), &"signed".into()), "{due:?}");
    assert!(due[0]["findings"].as_array().unwrap().is_empty());
    assert!(due[0]["forecast"].is_object(), "seven flight days are enough: {due:?}");
    let listed = fleet.ok(&["logbook", "list"]);
    assert!(listed.contains("torque reached 2.10 N m"), "{listed}");
    assert!(listed.lines().all(|l| l.chars().count() <= 80), "{listed}");
    let due = fleet.ok(&["due"]);
    assert!(due.contains("not enough data for a date") || due.contains("about"), "{due}");
    assert!(due.lines().all(|l| l.chars().count() <= 80), "{due}");

    // The chain, a copy of it, and what happens when it is touched.
    assert!(fleet.records(&["verify", "--json"])[0]["whole"].as_bool().unwrap());
    let export = fleet.ok(&["logbook", "export"]);
    fleet.records(&["logbook", "export"]);
    let copy = Fleet::empty();
    let file = copy.0.path().join("export.ndjson");
    fs::write(&file, &export).unwrap();
    copy.ok(&["logbook", "import", file.to_str().unwrap()]);
    assert_eq!(copy.ok(&["logbook", "export"]), export);
    let backup: PathBuf = fleet.ok(&["logbook", "backup"]).trim().strip_prefix("wrote ").unwrap().into();
    assert!(backup.exists());
    let db = rusqlite::Connection::open(fleet.0.path().join("logbook.db")).unwrap();
    db.execute_batch(
        "DROP TRIGGER journal_is_never_changed; UPDATE journal SET at_utc_us = 0 WHERE seq = 4;",
    )
    .unwrap();
    let broken = fleet.refused(&["verify"]);
    assert!(broken.contains("broken from entry 4 on"), "{broken}");
}

#[test]
fn battery_packs_follow_the_serial_in_the_log() {
    let fleet = Fleet::flown();
    // The samples alternate two packs an aircraft, SM-11 and SM-12 on heron (sample-logs, simulator).
    let hours = fleet.run(&["hours", "--aircraft", "heron"]);
    assert!(text(&hours.stderr).contains("SM-11"), "{}", text(&hours.stderr));
    fleet.ok(&["component", "add", "battery-pack", "SM-11", "SM-12", "--capacity", "16", "--yes"]);
    let records = fleet.records(&["hours", "--json", "--flights"]);
    let packs = of(&records, "component_hours");
    let sum: i64 = packs.iter().map(|p| p["used"]["airtime_ms"].as_i64().unwrap()).sum();
    let airtime: i64 = fleet.flights("heron").iter().map(|f| f["airtime_ms"].as_i64().unwrap()).sum();
    assert_eq!(sum, airtime, "every flight of heron had one of the two: {packs:?}");
    assert!(packs.iter().all(|p| p["used"]["flights"].as_i64().unwrap() >= 2), "{packs:?}");
    assert!(packs.iter().all(|p| p["used"]["charge_mah"].as_i64().unwrap() > 0), "{packs:?}");
    assert!(of(&records, "share").iter().all(|s| s["source"] == "log"));
    // By hand instead: the first flight was SM-12's after all. What it drew from it nobody knows.
    let flight = fleet.flights("heron")[0]["flight_id"].as_str().unwrap().to_owned();
    assert!(!fleet.ok(&["component", "list"]).contains("at most"));
    fleet.ok(&["pack", &flight, "SM-12", "--yes"]);
    assert!(fleet.ok(&["component", "list"]).contains("at most"));
    let records = fleet.records(&["hours", "--json", "--flights", "--component", "SM-12"]);
    assert!(of(&records, "share").iter().any(|s| s["source"] == "hand" && s["flight_id"] == flight.as_str()));
}

#[test]
fn sets_tasks_and_events() {
    let fleet = Fleet::flown();
    fleet.ok(&["component", "add", "propeller", "W1", "W2"]);
    fleet.ok(&["component", "set", "winter", "left=W1", "right=W2"]);
    fleet.ok(&["fit", "heron", "--set", "winter"]);
    assert!(fleet.ok(&["component", "list"]).contains("heron left"));
    fleet.ok(&["remove", "--set", "winter", "--to", "retired"]);
    assert!(fleet.refused(&["fit", "heron", "--set", "winter"]).contains("was retired"));
    let noted = fleet.run(&["event", "egret", "Hard Landing"]);
    assert!(text(&noted.stderr).contains("it calls for: after a hard landing"), "{}", text(&noted.stderr));
    let due = fleet.ok(&["due", "--aircraft", "egret", "--soon"]);
    assert!(due.contains("DUE egret: after a hard landing"), "{due}");
    fleet.ok(&["task", "add", "clean the filters", "--days", "30", "--aircraft", "egret"]);
    assert!(fleet.ok(&["task", "list"]).contains("clean the filters"));
    assert!(fleet.refused(&["task", "add", "clean the filters", "--days", "9"]).contains("already"));
    // Egret first flew on 2026-09-02; 30 days later, and one more, it is overdue.
    let late = fleet.run(&["due", "--aircraft", "egret", "--at", "2026-10-04", "--fail-on-overdue"]);
    assert_eq!(late.status.code(), Some(4), "{}", text(&late.stdout));
    fleet.ok(&["task", "end", "clean the filters"]);
    assert!(
        fleet
            .refused(&["task", "end", "yearly: whole aircraft, records, software versions"])
            .contains("fleet.toml")
    );
    let flight = fleet.flights("egret")[0]["flight_id"].as_str().unwrap().to_owned();
    assert!(fleet.refused(&["exclude", &flight, "--reason", "twice"]).contains("egret: "));
    fleet.ok(&["exclude", &flight, "--reason", "recorded twice", "--yes"]);
    let hours = fleet.records(&["hours", "--json", "--aircraft", "egret"]);
    assert_eq!(of(&hours, "aircraft_hours")[0]["used"]["flights"], 6);
}

#[test]
fn a_correction_without_a_time_keeps_the_time_of_what_it_corrects() {
    let fleet = Fleet::flown();
    let at = "2026-09-16T18:00:00Z";
    let sign = ["sign", "propellers", "--aircraft", "plover", "--by", "A. Person", "--json"];
    let entered = |more: &[&str]| -> Value {
        let arguments: Vec<&str> = sign.iter().chain(more).copied().collect();
        let records = fleet.records(&arguments);
        of(&records, "entry")[0].clone()
    };
    let first = entered(&["--at", at]);
    let wanted = first["at_utc"].clone();
    assert!(wanted.as_str().unwrap().starts_with("2026-09-16T18:00:00"), "{first}");
    let second = entered(&["--licence", "club 12", "--corrects", "1"]);
    assert_eq!(second["at_utc"], wanted, "{second}");
    // A correction of the correction, which says another time, and one more, which follows that.
    let third = entered(&["--corrects", "2", "--at", "2026-09-15T18:00:00Z"]);
    assert_ne!(third["at_utc"], wanted, "{third}");
    assert_eq!(entered(&["--corrects", "1"])["at_utc"], third["at_utc"]);

    // One entry cannot be the answer to two findings.
    let findings = fleet.ok(&["findings", "--json"]);
    let findings = findings.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
    let ids: Vec<String> =
        findings.filter_map(|f| f["finding_id"].as_str().map(str::to_owned)).take(2).collect();
    let answer = ["answer", &ids[0], &ids[1], "--verdict", "watching", "--by", "A. Person"];
    fleet.ok(&answer);
    let refusal = fleet.refused(&[&answer[..], &["--corrects", "5"]].concat());
    assert!(refusal.contains("give one finding"), "{refusal}");
}

#[test]
fn an_excluded_flight_stays_excluded_when_a_fuller_recording_of_it_comes() {
    let fleet = Fleet::described();
    let whole = fs::read(samples().join("heron/2026-09-02.mavlink")).unwrap();
    let card = tempfile::tempdir().unwrap();
    let import = |name: &str, bytes: &[u8]| {
        let path = card.path().join("heron").join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, bytes).unwrap();
        fleet.ok(&["import", "--quiet", path.to_str().unwrap()]);
    };
    import("cut", &whole[..whole.len() * 2 / 3]);
    let id = |flight: &Value| flight["flight_id"].as_str().unwrap().to_owned();
    let cut = id(&fleet.flights("heron")[0]);
    fleet.ok(&["exclude", &cut, "--reason", "a bench test", "--yes"]);
    import("whole", &whole);
    let flights = fleet.flights("heron");
    assert_eq!(flights.len(), 1, "one flight, recorded twice: {flights:?}");
    let lead = id(&flights[0]);
    assert_ne!(lead, cut, "the whole recording leads");
    let hours = ["hours", "--json", "--aircraft", "heron"];
    assert_eq!(of(&fleet.records(&hours), "aircraft_hours")[0]["used"]["flights"], 0);
    let told = |command: &str| {
        let said = text(&fleet.run(&[command]).stderr);
        said.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    for command in ["hours", "due"] {
        let said = told(command);
        assert!(said.contains(&format!("flight {lead} of heron does not count: entry 1")), "{said}");
    }
    fleet.ok(&["exclude", &lead, "--reason", "a bench test", "--corrects", "1"]);
    assert!(!told("hours").contains("does not count"));
    // An id that is not there any more.
    fs::remove_dir_all(fleet.0.path().join("archive/flights")).unwrap();
    assert!(told("due").contains(&format!("entry 1 excludes flight {lead}, which the archive does not")));
}

#[test]
fn entering_one_propeller_does_not_hide_the_others() {
    let fleet = Fleet::flown();
    let on = || -> Vec<Value> {
        let due = fleet.records(&["due", "--json", "--aircraft", "heron", "--at", "2026-09-30"]);
        let own = due.into_iter().filter(|d| d["type"] == "due" && d["target"]["kind"] == "propeller");
        own.filter(|d| d["task"].as_str().unwrap().starts_with("propellers")).collect()
    };
    let serials = |due: &[Value]| due.iter().filter(|d| d["target"]["serial"].is_string()).count();
    fleet.ok(&["fit", "heron", "front-right=P1", "--new", "propeller", "--at", "2026-09-01", "--yes"]);
    let due = on();
    assert_eq!((due.len(), serials(&due)), (2, 1), "P1 and the rest: {due:?}");
    assert!(fleet.ok(&["due", "--aircraft", "heron"]).contains("propeller, the rest not entered singly"));
    let places: Vec<String> = POSITIONS.iter().enumerate().map(|(i, p)| format!("{p}=P{}", i + 1)).collect();
    let mut fit = vec!["fit", "heron", "--new", "propeller", "--at", "2026-09-01", "--yes"];
    fit.extend(places[1..].iter().map(String::as_str));
    fleet.ok(&fit);
    let due = on();
    assert_eq!((due.len(), serials(&due)), (6, 6), "{due:?}");
}

#[test]
fn limits_that_cannot_be_are_refused() {
    let fleet = Fleet::described();
    let task = ["task", "add", "x", "--on", "propeller"];
    let sign = ["sign", "propellers", "--aircraft", "heron", "--by", "x", "--result", "deferred"];
    let component = ["component", "add", "propeller", "P1"];
    let pack = ["component", "add", "battery-pack", "B1"];
    for (command, more, words) in [
        (&task[..], &["--flights", "5", "--aircraft", "hern"][..], "no aircraft is named hern"),
        (&task, &["--flights=0"], "more than zero"),
        (&task, &["--flights=-5"], "--flights -5 must lie from 0 to 1000000"),
        (&task, &["--flights=5", "--tolerance-flights=-1"], "--tolerance-flights -1 must lie from 0"),
        (&task, &["--flights=5", "--tolerance-hours=-0.5"], "--tolerance-hours -0.5 must lie from 0"),
        (&task, &["--flights=5", "--tolerance-hours=nan"], "--tolerance-hours NaN must lie from 0"),
        (&task, &["--flights=5", "--tolerance-days=-1"], "--tolerance-days -1 must lie from 0"),
        (&task, &["--days=9000000000000000000"], "must lie from 0 to 100000"),
        (&task, &["--flights=5", "--tolerance-flights=5", "--grid"], "shorter than the interval"),
        (&sign, &["--for-flights=-1"], "--for-flights -1 must lie from 0"),
        (&sign, &["--for-hours=-1"], "--for-hours -1 must lie from 0"),
        (&pack, &["--life-cycles", "300"], "needs --capacity"),
        (&pack, &["--life-cycles", "300", "--capacity", "0"], "needs --capacity"),
        (&component, &["--life-days=-1"], "cannot be negative"),
        (&component, &["--life-days=9000000000000000000"], "more than 10 million"),
    ] {
        let refusal = fleet.refused(&[command, more].concat());
        let said = refusal.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains(words), "{more:?}: {refusal}");
    }
    fleet.ok(&[&task[..], &["--flights=5", "--tolerance-flights=4", "--grid", "--aircraft", "heron"]].concat());
    fleet.ok(&["due"]);
}
