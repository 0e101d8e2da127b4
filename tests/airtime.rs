//! Flights and airtime of simulated logs against the simulator's stated truth. The simulator shares no
//! code with the reader and encodes with the independent crate `mavlink`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test stops at the first surprise and says what it measured"
)]
#![cfg(feature = "simulator")]

mod common;

use fettle::flight::{Evidence, Flight, segment};
use fettle::recording::Recording;
use fettle::simulator::{FlightRecord, Frame, Scenario, Sortie, Streams, TrueFlight, simulate};

const FRAMES: [Frame; 3] = [Frame::QuadX, Frame::HexaX, Frame::OctoX];

/// Flights of one system, by boot session.
fn flights(recording: &Recording, system_id: u32, outputs: Option<&[u8]>) -> Vec<(usize, Flight)> {
    recording
        .vehicles
        .iter()
        .filter(|v| v.system_id == system_id)
        .flat_map(|v| v.boots.iter().enumerate())
        .flat_map(|(boot, s)| segment(&s.signals, outputs, s.lag_ms).into_iter().map(move |f| (boot, f)))
        .collect()
}

/// One found flight may hold several true ones: a touch-and-go.
fn check(case: &str, found: &[(usize, Flight)], truth: &[TrueFlight], tolerance_ms: f64) -> Vec<(f64, f64)> {
    let mut errors = Vec::new();
    let mut true_flights = truth.iter();
    for (_, flight) in found {
        let landings = (flight.landings as usize).max(1);
        let parts: Vec<&TrueFlight> = true_flights.by_ref().take(landings).collect();
        assert_eq!(parts.len(), landings, "{case}: more landings found than there were");
        let (first, last) = (parts[0], parts[parts.len() - 1]);
        let airtime: f64 = parts.iter().map(|p| p.touchdown_boot_ms - p.takeoff_boot_ms).sum();
        let up = flight.takeoff.best_ms as f64 - first.takeoff_boot_ms;
        let down = flight.touchdown.best_ms as f64 - last.touchdown_boot_ms;
        errors.push((up, down));
        let error = flight.airtime_ms as f64 - airtime;
        assert!(
            error.abs() <= tolerance_ms,
            "{case}: airtime is off by {error:.0} ms (liftoff {up:.0}, touchdown {down:.0})"
        );
        let (low, high) = flight.airtime_bounds_ms;
        assert!(
            low as f64 <= airtime && airtime <= high as f64,
            "{case}: {airtime} ms outside {low}..{high} ms"
        );
        for (name, bound, time_ms) in [
            ("liftoff", flight.takeoff, first.takeoff_boot_ms),
            ("touchdown", flight.touchdown, last.touchdown_boot_ms),
        ] {
            assert!(
                bound.earliest_ms as f64 <= time_ms && time_ms <= bound.latest_ms as f64,
                "{case}: {name} {time_ms} outside {}..{}",
                bound.earliest_ms,
                bound.latest_ms
            );
        }
    }
    assert_eq!(true_flights.count(), 0, "{case}: flights missed");
    errors
}

fn all(alter: impl Fn(Scenario) -> Scenario, evidence: Evidence, tolerance_ms: f64) {
    some(7, alter, evidence, tolerance_ms);
}

/// `seeds` aircraft a frame, two flights each.
fn some(seeds: u64, alter: impl Fn(Scenario) -> Scenario, evidence: Evidence, tolerance_ms: f64) {
    let mut errors = Vec::new();
    for frame in FRAMES {
        for seed in 0..seeds {
            let log = simulate(&alter(Scenario::new(frame, 100 + seed).with_flights(2)));
            let (recording, _) = common::record(&log.bytes, 100_000);
            let found = flights(&recording, 1, None);
            let case = format!("{frame:?} seed {seed}");
            assert!(found.iter().all(|f| f.1.evidence == evidence && f.1.complete), "{case}: {found:?}");
            errors.extend(check(&case, &found, &log.truth.flights, tolerance_ms));
        }
    }
    let mean = |pick: fn(&(f64, f64)) -> f64| errors.iter().map(pick).sum::<f64>() / errors.len() as f64;
    let worst = errors.iter().map(|e| (e.1 - e.0).abs()).fold(0.0, f64::max);
    println!(
        "liftoff {:.0} ms, touchdown {:.0} ms late; worst airtime {worst:.0} ms",
        mean(|e| e.0),
        mean(|e| e.1)
    );
    // Errors of single flights are noise; a mean far from zero would be a wrong method.
    assert!(
        mean(|e| e.0).abs() < 250.0 && mean(|e| e.1).abs() < 100.0,
        "biased over {} flights",
        errors.len()
    );
}

const NO_LANDED_STATE: Streams = Streams { extended_sys_state: 0.0, ..Streams::FULL };

#[test]
fn with_a_landed_state_airtime_is_within_three_tenths() {
    all(|s| s, Evidence::LandedState, 300.0);
}

#[test]
fn with_a_flight_record_airtime_is_within_three_tenths() {
    for record in [FlightRecord::AsFlown, FlightRecord::WithoutLanding] {
        let told = |s: Scenario| s.with_streams(NO_LANDED_STATE).with_flight_record(record);
        all(told, Evidence::FlightInformation, 300.0);
    }
    all(|s| s.with_flight_record(FlightRecord::AsFlown), Evidence::FlightInformation, 300.0);
    let slow = |s: Scenario| s.with_streams(Streams::MINIMAL).with_flight_record(FlightRecord::AsFlown);
    all(slow, Evidence::FlightInformation, 1000.0);
}

#[test]
fn a_flight_record_that_the_rest_of_the_log_contradicts_is_not_evidence() {
    let records =
        [FlightRecord::Empty, FlightRecord::InUtc, FlightRecord::LateBy(25.0), FlightRecord::LateBy(-25.0)];
    for record in records {
        for (streams, evidence, tolerance_ms) in
            [(Streams::FULL, Evidence::LandedState, 300.0), (NO_LANDED_STATE, Evidence::Inferred, 1000.0)]
        {
            some(2, |s| s.with_streams(streams).with_flight_record(record), evidence, tolerance_ms);
        }
    }
}

/// Nothing but arming beside it: the record's own lags (0.3 s early to 0.4 s late, 0.5 to 2 s late) are the
/// error, and the bounds must hold them.
#[test]
fn a_flight_record_alone_is_believed_with_bounds_as_wide_as_its_lag() {
    let streams = Streams { heartbeat: 1.0, attitude: 4.0, ..Streams::NONE };
    for seed in 0..7 {
        let scenario = Scenario::new(Frame::HexaX, seed).with_flights(2).with_streams(streams);
        let log = simulate(&scenario.with_flight_record(FlightRecord::AsFlown));
        let (recording, _) = common::record(&log.bytes, 65_536);
        let found = flights(&recording, 1, None);
        assert!(found.iter().all(|f| f.1.evidence == Evidence::FlightInformation), "seed {seed}");
        check("record alone", &found, &log.truth.flights, 2_500.0);
    }
}

#[test]
fn without_a_landed_state_airtime_is_within_a_second() {
    all(|s| s.with_streams(NO_LANDED_STATE), Evidence::Inferred, 1000.0);
}

#[test]
fn from_heartbeat_outputs_and_display_alone_airtime_is_within_a_second() {
    all(|s| s.with_streams(Streams::MINIMAL), Evidence::Inferred, 1000.0);
}

/// Neither landed states nor outputs: what is left is arming, height and climb.
#[test]
fn without_outputs_airtime_is_within_a_second() {
    let streams = Streams { servo_output_raw: 0.0, ..NO_LANDED_STATE };
    all(|s| s.with_streams(streams), Evidence::Inferred, 1000.0);
}

#[test]
fn a_spool_up_without_lift_counts_nothing() {
    for streams in [Streams::FULL, Streams::MINIMAL] {
        let sorties = [Sortie::SpoolUp, Sortie::Flight, Sortie::SpoolUp];
        let log = simulate(&Scenario::new(Frame::HexaX, 3).with_sorties(&sorties).with_streams(streams));
        let (recording, _) = common::record(&log.bytes, 65_536);
        let found = flights(&recording, 1, None);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].1.motor_starts, Some(3), "one for the flight, the run-ups with it");
        check("spool-up", &found, &log.truth.flights, 1000.0);
    }
}

#[test]
fn a_touch_and_go_is_one_flight_with_two_landings() {
    for seed in 0..5 {
        let log = simulate(&Scenario::new(Frame::QuadX, seed).with_sorties(&[Sortie::TouchAndGo]));
        let (recording, _) = common::record(&log.bytes, 65_536);
        let found = flights(&recording, 1, None);
        assert_eq!(found.iter().map(|f| f.1.landings).collect::<Vec<_>>(), [2], "seed {seed}");
        check("touch-and-go", &found, &log.truth.flights, 600.0);
        let mut scenario =
            Scenario::new(Frame::QuadX, seed).with_sorties(&[Sortie::TouchAndGo, Sortie::Flight]);
        scenario = scenario.with_streams(NO_LANDED_STATE).with_flight_record(FlightRecord::AsFlown);
        let log = simulate(&scenario);
        let (recording, _) = common::record(&log.bytes, 65_536);
        let found = flights(&recording, 1, None);
        assert!(found.iter().all(|f| f.1.evidence == Evidence::FlightInformation), "seed {seed}");
        assert_eq!(found.iter().map(|f| f.1.landings).collect::<Vec<_>>(), [2, 1], "seed {seed}");
        assert!(found.iter().all(|f| f.1.motor_starts == Some(1)), "seed {seed}");
        check("touch-and-go by its record", &found, &log.truth.flights, 600.0);
    }
}

#[test]
fn a_log_cut_in_the_air_is_marked_and_counts_what_it_shows() {
    for (streams, tolerance_ms) in [(Streams::FULL, 600.0), (Streams::MINIMAL, 1500.0)] {
        let whole = simulate(&Scenario::new(Frame::HexaX, 5).with_flights(1).with_streams(streams));
        let airtime_ms = whole.truth.flights[0].airtime_ms();
        for (case, start_s, end_s, landings) in [("start", Some(20.0), None, 1), ("end", None, Some(20.0), 0)]
        {
            let mut scenario = Scenario::new(Frame::HexaX, 5).with_flights(1).with_streams(streams);
            scenario.cut_start_s = start_s;
            scenario.cut_end_s = end_s;
            let (recording, _) = common::record(&simulate(&scenario).bytes, 65_536);
            let found = flights(&recording, 1, None);
            assert_eq!(found.len(), 1, "{case}");
            assert!(!found[0].1.complete, "{case}");
            assert_eq!(found[0].1.landings, landings, "{case}");
            assert_eq!(found[0].1.motor_starts, Some(u32::from(start_s.is_none())), "{case}");
            let error = found[0].1.airtime_ms as f64 - (airtime_ms - 20_000.0);
            assert!(error.abs() < tolerance_ms, "{case}: off by {error} ms");
        }
    }
}

#[test]
fn two_vehicles_a_ground_station_and_a_reboot_do_not_mix() {
    let mut scenario = Scenario::new(Frame::HexaX, 8).with_flights(2);
    scenario.reboot = true;
    scenario.companions = vec![Scenario::new(Frame::QuadX, 9).with_flights(1).with_system_id(7)];
    let log = simulate(&scenario);
    let (recording, _) = common::record(&log.bytes, 65_536);
    assert_eq!(recording.vehicles.iter().map(|v| v.system_id).collect::<Vec<_>>(), [1, 7]);
    for system_id in [1u8, 7] {
        let truth: Vec<TrueFlight> =
            log.truth.flights.iter().filter(|f| f.system_id == system_id).cloned().collect();
        let found = flights(&recording, u32::from(system_id), None);
        assert_eq!(found.len(), truth.len(), "system {system_id}");
        assert!(found.iter().zip(&truth).all(|(f, t)| f.0 == t.boot as usize), "system {system_id}: boots");
        check(&format!("system {system_id}"), &found, &truth, 300.0);
    }
}

#[test]
fn how_the_bytes_are_fed_changes_nothing() {
    let log = simulate(&Scenario::new(Frame::QuadX, 4).with_flights(1));
    let (whole, rows) = common::record(&log.bytes, usize::MAX);
    assert_eq!(rows as u64, whole.integrity.frames, "every frame is a row");
    for chunk in [777, 4096] {
        let (parts, _) = common::record(&log.bytes, chunk);
        assert_eq!(flights(&parts, 1, None), flights(&whole, 1, None));
        assert_eq!(parts.integrity, whole.integrity);
    }
}

#[test]
fn a_boot_session_drawn_while_the_log_goes_on_gives_the_same_flights_and_numbers() {
    use fettle::assess::{assess, reducer};
    use fettle::fleet::Fleet;
    use fettle::recording::Recorder;
    use fettle::wire::{Definitions, Scanner};
    use std::path::Path;
    let mut scenario = Scenario::new(Frame::HexaX, 12).with_flights(3);
    scenario.reboot = true;
    let told = simulate(&scenario).bytes;
    let (fleet, path) = (Fleet::default(), Path::new("log"));
    let rows = |bytes: &[u8], drawn: bool, expected: usize| {
        let mut sink = common::CountRows::default();
        let mut recorder = Recorder::new(Definitions::builtin(), false);
        if drawn {
            recorder = recorder.reducing(reducer(&fleet, path));
        }
        recorder.feed(bytes, true, &mut sink).unwrap();
        let recording = recorder.finish(&mut sink).unwrap();
        let emptied = recording.vehicles[0].boots.iter().filter(|b| b.signals.outputs.is_empty()).count();
        assert_eq!(emptied, expected);
        assess(&recording, "id", path, &fleet)
    };
    let whole = rows(&told, false, 0);
    assert_eq!(whole.flights.len(), 3);
    assert_eq!(rows(&told, true, 2), whole, "all sessions but the last are emptied");

    // An autopilot that never tells who it is, over eleven boots: all but the first eight and the last.
    let mut scenario = Scenario::new(Frame::QuadX, 13).with_flights(11).with_streams(Streams::MINIMAL);
    scenario.reboot = true;
    let mut untold = Vec::new();
    Scanner::new(Definitions::builtin()).scan(&simulate(&scenario).bytes, true, &mut |frame| {
        if frame.message.is_none_or(|message| message.name != "AUTOPILOT_VERSION") {
            untold.extend_from_slice(frame.raw);
        }
    });
    assert_eq!(rows(&untold, true, 2), rows(&untold, false, 0));
}

#[test]
fn a_companion_that_speaks_first_does_not_hide_the_aircraft() {
    let scenario = Scenario::new(Frame::QuadX, 3).with_flights(1);
    let log = simulate(&scenario);
    // A heartbeat of component 191 of the same system that names an autopilot, and one that says what it is.
    for mav_type in [2u8, 18] {
        let mut frame = vec![0xFD, 9, 0, 0, 0, 1, 191, 0, 0, 0, 0, 0, 0, 0, mav_type, 0, 0, 4, 3];
        let sum = mavlink::calculate_crc(&frame[1..], 50);
        frame.extend_from_slice(&sum.to_le_bytes());
        let (recording, _) = common::record(&[frame, log.bytes.clone()].concat(), 65_536);
        check("companion first", &flights(&recording, 1, None), &log.truth.flights, 300.0);
    }
}
