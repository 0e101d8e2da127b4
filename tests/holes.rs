//! Flights and numbers of simulated logs with time cut out of them, against the simulator's stated truth: whatever
//! is missing, the bounds hold it. The simulator shares no code with the reader.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test stops at the first surprise and says what it measured"
)]
#![cfg(feature = "simulator")]

mod common;
#[path = "holes/numbers.rs"]
mod numbers;

use fettle::clock::BootClock;
use fettle::flight::{Bounded, Flight, segment};
use fettle::recording::{Recorder, Recording};
use fettle::signal::collect::Reader;
use fettle::simulator::{FlightRecord, Frame, Plan, Random, Scenario, Sortie, Streams, TrueFlight, simulate};
use fettle::wire::{Definitions, Scanner};

/// Where every frame of a log begins and ends, and the boot clock of system 1 at it.
fn frames(bytes: &[u8]) -> Vec<(usize, usize, i64)> {
    let definitions = Definitions::builtin();
    let (reader, mut clock) = (Reader::new(definitions), BootClock::default());
    let mut found = Vec::new();
    Scanner::new(definitions).scan(bytes, true, &mut |frame| {
        if let (1, Some(message)) = (frame.system_id, frame.message) {
            clock.place(reader.stamp(message.slot, frame.payload));
        }
        let from = usize::try_from(frame.offset).unwrap();
        found.push((from, from + frame.raw.len(), clock.head_ms().unwrap_or(0)));
    });
    found
}

/// The log without the frames of some spans of boot time.
fn without(bytes: &[u8], frames: &[(usize, usize, i64)], cuts: &[(f64, f64)]) -> Vec<u8> {
    let cut = |ms: f64| cuts.iter().any(|(from, to)| (*from..*to).contains(&ms));
    let kept = frames.iter().filter(|f| !cut(f.2 as f64));
    kept.flat_map(|f| bytes[f.0..f.1].iter().copied()).collect()
}

fn record(bytes: &[u8]) -> Recording {
    let mut rows = common::CountRows::default();
    let mut recorder = Recorder::new(Definitions::builtin(), false);
    recorder.feed(bytes, true, &mut rows).unwrap();
    recorder.finish(&mut rows).unwrap()
}

fn flights(recording: &Recording) -> Vec<Flight> {
    let boots = recording.vehicles.iter().filter(|v| v.system_id == 1).flat_map(|v| &v.boots);
    boots.flat_map(|s| segment(&s.signals, None, s.lag_ms)).collect()
}

/// Share of a flight that lies in the cuts.
fn hidden(flight: &TrueFlight, cuts: &[(f64, f64)]) -> f64 {
    let within = |(from, to): &(f64, f64)| {
        (to.min(flight.touchdown_boot_ms) - from.max(flight.takeoff_boot_ms)).max(0.0)
    };
    cuts.iter().map(within).sum::<f64>() / flight.airtime_ms()
}

/// What is wrong with the flights found. One found may hold several true ones (a touch-and-go, or a landing that
/// nobody saw); a true one that lies mostly in the cuts may be missing from it, or altogether.
fn faults(found: &[Flight], truth: &[TrueFlight], cuts: &[(f64, f64)]) -> Vec<String> {
    let mut faults = Vec::new();
    let seen = |t: &TrueFlight| hidden(t, cuts) <= 0.5;
    let meets = |f: &Flight, t: &TrueFlight| {
        t.takeoff_boot_ms < f.touchdown.latest_ms as f64 && t.touchdown_boot_ms > f.takeoff.earliest_ms as f64
    };
    let overlaps = |f: &Flight, t: &TrueFlight| {
        t.takeoff_boot_ms < f.touchdown.best_ms as f64 && t.touchdown_boot_ms > f.takeoff.best_ms as f64
    };
    for t in truth.iter().filter(|t| seen(t)) {
        if found.iter().filter(|f| overlaps(f, t)).count() != 1 {
            faults
                .push(format!("flight {:.0}..{:.0} not found once", t.takeoff_boot_ms, t.touchdown_boot_ms));
        }
    }
    for f in found {
        let of: Vec<&TrueFlight> = truth.iter().filter(|t| meets(f, t)).collect();
        let must: Vec<&TrueFlight> = truth.iter().filter(|t| seen(t) && overlaps(f, t)).collect();
        let holds = |b: Bounded, ms: f64| {
            b.earliest_ms <= b.best_ms
                && b.best_ms <= b.latest_ms
                && b.earliest_ms as f64 <= ms
                && ms <= b.latest_ms as f64
        };
        let fits = |from: usize, to: usize| {
            let part = &of[from..=to];
            let airtime: f64 = part.iter().map(|t| t.airtime_ms()).sum();
            let (low, high) = f.airtime_bounds_ms;
            must.iter().all(|m| part.contains(m))
                && holds(f.takeoff, part[0].takeoff_boot_ms)
                && holds(f.touchdown, part[part.len() - 1].touchdown_boot_ms)
                && low <= f.airtime_ms
                && f.airtime_ms <= high
                && low as f64 <= airtime
                && airtime <= high as f64
        };
        // Bounds that hold anything would pass: no wider than the cuts, the lag of reports (8 s before a hole and a
        // disarming each) and margins, and for the least airtime some seconds beside every cut.
        let cut_ms: f64 = cuts.iter().map(|c| c.1 - c.0).sum();
        let width = |from: i64, to: i64| (to - from) as f64 - cut_ms;
        let beside_ms = 6_000.0 * cuts.len() as f64;
        if width(f.takeoff.earliest_ms, f.takeoff.latest_ms) > 10_000.0
            || width(f.touchdown.earliest_ms, f.touchdown.latest_ms) > 18_000.0
            || width(f.airtime_bounds_ms.0, f.airtime_bounds_ms.1) > 28_000.0 + beside_ms
        {
            faults.push(format!("{:?} {:?} {:?} too wide", f.takeoff, f.touchdown, f.airtime_bounds_ms));
        }
        if !(0..of.len()).any(|from| (from..of.len()).any(|to| fits(from, to))) {
            let of: Vec<_> = of.iter().map(|t| (t.takeoff_boot_ms, t.touchdown_boot_ms)).collect();
            faults.push(format!(
                "{:?} {:?} {:?} {:?} holds none of {of:?}",
                f.takeoff, f.touchdown, f.airtime_bounds_ms, f.evidence
            ));
        }
    }
    faults
}

const FRAMES: [Frame; 3] = [Frame::QuadX, Frame::HexaX, Frame::OctoX];
const NO_LANDED_STATE: Streams = Streams { extended_sys_state: 0.0, ..Streams::FULL };
const PLAN: Plan =
    Plan { height_m: 15.0, hover_s: 7.0, legs: 1, cruise_s: 4.0, cruise_m_s: 6.0, touchdown_m_s: 0.5 };

/// Every frame with every kind of evidence, two or three flights each.
fn scenarios(seed: u64) -> Vec<Scenario> {
    let mut all = Vec::new();
    for (i, frame) in FRAMES.into_iter().enumerate() {
        for kind in 0..7u64 {
            // Without any word of the autopilot a short touch escapes the slowest streams, hole or not.
            let sorties: &[Sortie] = match (kind + i as u64) % 3 {
                0 if kind != 2 => &[Sortie::SpoolUp, Sortie::Flight, Sortie::TouchAndGo],
                _ => &[Sortie::Flight, Sortie::Flight],
            };
            let mut scenario = Scenario::new(frame, seed + 10 * kind + i as u64).with_sorties(sorties);
            scenario.plan = PLAN;
            all.push(match kind {
                0 => scenario,
                1 => scenario.with_streams(NO_LANDED_STATE),
                2 => scenario.with_streams(Streams::MINIMAL),
                3 => scenario.with_flight_record(FlightRecord::AsFlown),
                4 => scenario.with_streams(NO_LANDED_STATE).with_flight_record(FlightRecord::AsFlown),
                5 => scenario.with_streams(NO_LANDED_STATE).with_flight_record(FlightRecord::WithoutLanding),
                _ => scenario.with_streams(Streams::MINIMAL).with_flight_record(FlightRecord::AsFlown),
            });
        }
    }
    all
}

const PLACES: [&str; 6] = ["takeoff", "air", "touchdown", "ground", "anywhere", "several"];

/// Spans to cut, between the first and the last second of the log.
fn cuts(place: &str, truth: &[TrueFlight], log: (f64, f64), random: &mut Random) -> Vec<(f64, f64)> {
    let length = |random: &mut Random| 1_500.0 * 80f64.powf(random.between(0.0, 1.0));
    let flight = &truth[random.between(0.0, truth.len() as f64) as usize];
    let (up, down) = (flight.takeoff_boot_ms, flight.touchdown_boot_ms);
    let one = |random: &mut Random| {
        let length = length(random);
        let from = match place {
            "takeoff" => up - random.between(-1_500.0, length),
            "air" => random.between(up, down),
            "touchdown" => down - random.between(-1_500.0, length),
            "ground" => down + random.between(0.0, 12_000.0),
            _ => random.between(log.0, log.1),
        };
        (from.max(log.0 + 1_000.0), (from + length).min(log.1 - 1_000.0))
    };
    let count = if place == "several" { 4 } else { 1 };
    (0..count).map(|_| one(random)).filter(|c| c.1 - c.0 >= 1_500.0).collect()
}

/// 21 logs, six places, eight cuts each.
#[test]
fn bounds_hold_the_truth_whatever_is_missing() {
    let seed = std::env::var("HOLES_SEED").ok().map_or(400, |s| s.parse().unwrap());
    let scenarios = scenarios(seed);
    let run = |part: &[Scenario]| {
        let (mut cases, mut wrong) = (0, Vec::new());
        for scenario in part {
            let log = simulate(scenario);
            let frames = frames(&log.bytes);
            // Before the first stamp nothing has a place in time, and what is cut there is no hole.
            let first = frames.iter().find(|f| f.2 > 0).unwrap().2;
            let span = (first as f64, frames[frames.len() - 1].2 as f64);
            let mut random = Random::new(scenario.seed);
            for (number, place) in PLACES.iter().cycle().take(8 * PLACES.len()).enumerate() {
                // The first case of each log is the log as it is.
                let cuts = match number {
                    0 => Vec::new(),
                    _ => cuts(place, &log.truth.flights, span, &mut random),
                };
                let found = flights(&record(&without(&log.bytes, &frames, &cuts)));
                cases += 1;
                let faults = faults(&found, &log.truth.flights, &cuts);
                if !faults.is_empty() {
                    let case =
                        format!("{:?} seed {} #{number} {place} {cuts:.0?}", scenario.frame, scenario.seed);
                    wrong.push(format!("{case}\n    {}", faults.join("\n    ")));
                }
            }
        }
        (cases, wrong)
    };
    let (left, right) = scenarios.split_at(scenarios.len() / 2);
    let (one, two) = std::thread::scope(|scope| {
        let one = scope.spawn(|| run(left));
        (run(right), one.join().unwrap())
    });
    let (cases, wrong) = (one.0 + two.0, [one.1, two.1].concat());
    println!("{} of {cases} cases wrong", wrong.len());
    assert!(cases > 1_000);
    assert!(wrong.is_empty(), "{} of {cases}:\n{}", wrong.len(), wrong[..wrong.len().min(25)].join("\n"));
}
