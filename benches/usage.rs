//! `hours` and `due` over 100,000 flights and 500 components: the sums alone, checked inside the timed loop,
//! and the whole commands as processes over an archive of 1000 logs.
#![allow(missing_docs, clippy::unwrap_used, reason = "a bench stops at the first surprise")]

use criterion::{Criterion, criterion_group, criterion_main};
use fettle::archive::catalogue;
use fettle::archive::cell::Utc;
use fettle::archive::layout::FleetDir;
use fettle::archive::row::FlightRow;
use fettle::finding::Severity;
use fettle::fleet::{Fleet, Task};
use fettle::logbook::{Draft, Logbook};
use fettle::usage::due::{OpenFinding, due};
use fettle::usage::entry::{Action, ComponentId, Fit, NewComponent, Off, Place, Remove};
use fettle::usage::events::usage_events;
use fettle::usage::target::Craft;
use fettle::usage::{Accounts, Entry, Flown, Ledger};
use std::hint::black_box;
use std::process::Command;
use std::time::Duration;

const AIRCRAFT: i64 = 20;
const FLIGHTS: i64 = 5_000;
const PARTS: i64 = 25;
/// Every part is off and on again so often.
const MOVES: i64 = 20;
const HOUR_US: i64 = 3_600_000_000;
const END_US: i64 = FLIGHTS * HOUR_US;

/// One flight an hour of half an hour on each aircraft.
fn flights() -> Vec<Flown> {
    let one = |aircraft: i64, n: i64| Flown {
        flight_id: format!("{aircraft}-{n}"),
        aircraft: format!("craft-{aircraft}"),
        airborne_us: Some((n * HOUR_US, n * HOUR_US + HOUR_US / 2)),
        airtime_ms: 1_800_000,
        landings: 1,
        ..Flown::default()
    };
    (0..AIRCRAFT).flat_map(|a| (0..FLIGHTS).map(move |n| one(a, n))).collect()
}

fn journal() -> Vec<Entry> {
    let kinds = ["propeller", "motor", "esc", "boom", "isolator-set"];
    let mut entries = Vec::new();
    let mut enter = |at_us, action| {
        let seq = entries.len() as i64 + 1;
        entries.push(Entry { seq, at_us, entered_us: at_us, action, corrects: None });
    };
    for aircraft in 0..AIRCRAFT {
        for part in 0..PARTS {
            let kind = kinds[part as usize % kinds.len()].to_owned();
            let serial = format!("{aircraft}-{part}");
            enter(
                0,
                Action::Component(NewComponent {
                    kind: kind.clone(),
                    serial: serial.clone(),
                    ..Default::default()
                }),
            );
            for n in 0..MOVES {
                let at_us = n * END_US / MOVES - HOUR_US / 4;
                if n > 0 {
                    let components = vec![ComponentId { kind: kind.clone(), serial: serial.clone() }];
                    enter(
                        at_us,
                        Action::Remove(Remove { components, to: Off::InStock, ..Default::default() }),
                    );
                }
                let places =
                    vec![Place { kind: kind.clone(), serial: serial.clone(), position: format!("p{part}") }];
                let aircraft = format!("craft-{aircraft}");
                enter(at_us, Action::Fit(Fit { aircraft, places, ..Default::default() }));
            }
        }
    }
    entries
}

fn usage(criterion: &mut Criterion) {
    let (flights, entries) = (flights(), journal());
    let ledger = Ledger::project(&entries).unwrap();
    let tasks: Vec<Task> = Fleet::parse(&Fleet::starter("bench")).unwrap().tasks;
    let crafts: Vec<Craft> = (0..AIRCRAFT).map(|a| format!("craft-{a}").as_str().into()).collect();
    let findings: Vec<OpenFinding> = (0..500)
        .map(|n| OpenFinding {
            finding_id: n.to_string(),
            aircraft: format!("craft-{}", n % AIRCRAFT),
            kind: "vibration_rise".into(),
            subject: "x".into(),
            severity: Severity::Caution,
            at_us: Some(END_US / 2),
            summary: String::new(),
            answered: false,
        })
        .collect();
    let mut group = criterion.benchmark_group("usage, 100 000 flights x 500 components");
    group.sample_size(10).measurement_time(Duration::from_secs(5));
    group.bench_function("journal of 20 000 entries understood", |b| {
        b.iter(|| {
            let ledger = Ledger::project(black_box(&entries)).unwrap();
            assert_eq!(ledger.components.len(), 500);
        });
    });
    group.bench_function("hours of every component", |b| {
        b.iter(|| {
            let accounts = Accounts::new(&ledger, black_box(&flights));
            let sum: i64 = ledger.components.keys().map(|id| accounts.component(id, END_US).flights).sum();
            assert_eq!(sum, AIRCRAFT * PARTS * FLIGHTS);
            assert!(accounts.straddles().is_empty());
        });
    });
    group.bench_function("due, the starter's tasks", |b| {
        b.iter(|| {
            let accounts = Accounts::new(&ledger, black_box(&flights));
            let items = due(&accounts, &tasks, &crafts, &findings, END_US);
            assert!(items.len() > 500);
        });
    });
    group.bench_function("usage events, 2.5 million", |b| {
        b.iter(|| {
            let accounts = Accounts::new(&ledger, black_box(&flights));
            assert_eq!(usage_events(&accounts, END_US).len() as i64, AIRCRAFT * PARTS * FLIGHTS);
        });
    });
    group.finish();
}

/// 1000 logs of 100 flights each, one flight an hour on each of 20 aircraft, and a journal of 20 000 entries.
fn archive(criterion: &mut Criterion) {
    let dir = tempfile::tempdir().unwrap();
    let fleet = FleetDir { root: dir.path().to_owned() };
    let mut settings = Fleet::starter("bench");
    for aircraft in 0..AIRCRAFT {
        let table = format!(
            "\n[[aircraft]]\nname = \"craft-{aircraft}\"\nrecognise = {{ system_id = {} }}\n",
            aircraft + 1
        );
        settings.push_str(&table);
    }
    std::fs::write(fleet.settings(), settings).unwrap();
    let entries = journal();
    let drafts = entries.into_iter().map(|e| Draft { at_us: e.at_us, action: e.action, corrects: None });
    let drafts: Vec<Draft> = drafts.collect();
    Logbook::open(&fleet.logbook(), 0).unwrap().append(0, &drafts, END_US).unwrap();
    for log in 0..1000 {
        let (id, aircraft) = (format!("{log:064x}"), format!("craft-{}", log % AIRCRAFT));
        let hour = |n: i64| (log / AIRCRAFT * 100 + n) * HOUR_US;
        let row = |n: i64| FlightRow {
            flight_id: format!("{log}-{n}"),
            log_id: id.clone(),
            aircraft: aircraft.clone(),
            system_id: 1,
            ordinal: n,
            boot: 0,
            takeoff_utc: Some(Utc(hour(n))),
            touchdown_utc: Some(Utc(hour(n) + HOUR_US / 2)),
            takeoff_utc_by_first: None,
            takeoff_utc_by_last: None,
            takeoff_boot_ms: 0,
            touchdown_boot_ms: 1_800_000,
            airtime_ms: 1_800_000,
            airtime_min_ms: 1_799_000,
            airtime_max_ms: 1_801_000,
            evidence: "landed_state".into(),
            complete: true,
            landings: 1,
            motor_starts: Some(1),
            distance_m: None,
            boot_sketch: String::new(),
        };
        let rows: Vec<FlightRow> = (0..100).map(row).collect();
        catalogue::write(&fleet.partition("flights", &aircraft, "2026-09-01", &id), &rows).unwrap();
        // Only its name is looked at here: it makes the log imported.
        catalogue::write(&fleet.partition("logs", &aircraft, "2026-09-01", &id), &rows[..1]).unwrap();
    }
    let mut group = criterion.benchmark_group("archive, 100 000 flights in 1000 logs");
    group.sample_size(10).measurement_time(Duration::from_secs(5));
    group.bench_function("flights read", |b| {
        b.iter(|| {
            let rows: Vec<FlightRow> = catalogue::read(black_box(&fleet), None).unwrap();
            assert_eq!(rows.len(), 100_000);
        });
    });
    for command in ["hours", "due"] {
        group.bench_function(format!("the whole command {command}"), |b| {
            b.iter(|| {
                let mut process = Command::new(env!("CARGO_BIN_EXE_fettle"));
                let output = process.args([command, "--fleet"]).arg(dir.path()).output().unwrap();
                let said = String::from_utf8(output.stdout).unwrap();
                assert!(output.status.success() && said.lines().count() > 40, "{said}");
            });
        });
    }
    group.finish();
}

criterion_group!(benches, usage, archive);
criterion_main!(benches);
