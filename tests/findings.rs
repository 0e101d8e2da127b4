//! Findings on simulated aircraft with ordinary build tolerances (motors out of true by 0.3° r.m.s., centre
//! of gravity within 15 mm, thrust ±2 %): what must be named, and what must not.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]
#![cfg(feature = "simulator")]

mod common;

use fettle::finding::{Earlier, Finding, Limits, Numbers, Severity, judge};
use fettle::measure::Whose;
use fettle::measure::yaw_margin::YawReach;
use fettle::simulator::{Faults, Frame, Scenario};

const FRAMES: [Frame; 3] = [Frame::QuadX, Frame::HexaX, Frame::OctoX];
const NAMING: [&str; 3] = ["motor_thrust_loss", "motor_drag", "rotor_imbalance"];

/// Five healthy flights and then one with `faults`, of one aircraft; the findings of the last flight.
fn after_five_healthy(frame: Frame, build_seed: u64, faults: Faults) -> Vec<Finding> {
    let mut scenario = Scenario::new(frame, 1_000 + build_seed).with_flights(6);
    scenario.build_seed = build_seed;
    scenario.faults = vec![Faults::NONE; 5];
    scenario.faults.push(faults);
    let numbers = common::numbers(&scenario);
    assert_eq!(numbers.len(), 6, "all flights found");
    let airframe = common::airframe(frame);
    judge(&numbers[5], &numbers[..5], Some(&airframe), &Limits::default())
}

fn one_motor(index: usize, amount: f64) -> [f64; 8] {
    let mut all = [0.0; 8];
    all[index] = amount;
    all
}

/// Twelve aircraft a frame, and what names them: the first flight with the fault, or at the latest the second.
/// With 48 aircraft a frame not used in choosing the method, the first flight named 48 of 48 quads, 48 hexas
/// and 45 octos, the second all, and no flight a wrong motor (an octo's 12 % is 0.016 of yaw effort, known
/// to 0.004 from one flight of two minutes against five).
#[test]
fn a_motor_that_comes_to_give_twelve_per_cent_less_thrust_is_named() {
    for (frame, at_once) in [(Frame::QuadX, 12), (Frame::HexaX, 12), (Frame::OctoX, 11)] {
        let airframe = common::airframe(frame);
        let mut named = [0, 0];
        for build_seed in 0..12u64 {
            let motor = build_seed as usize % airframe.motors.len();
            let position = &airframe.motors[motor].position;
            let mut scenario = Scenario::new(frame, 1_000 + build_seed).with_flights(7);
            scenario.build_seed = build_seed;
            scenario.faults = vec![Faults::NONE; 5];
            scenario.faults.push(Faults { thrust_loss: one_motor(motor, 0.12), ..Faults::NONE });
            let numbers = common::numbers(&scenario);
            assert_eq!(numbers.len(), 7, "all flights found");
            for (after, named) in named.iter_mut().enumerate() {
                let (earlier, flight) = (&numbers[..5 + after], &numbers[5 + after]);
                let findings = judge(flight, earlier, Some(&airframe), &Limits::default());
                let found: Vec<_> = findings.iter().filter(|f| f.kind == "motor_thrust_loss").collect();
                assert!(found.iter().all(|f| f.subject == *position), "{frame:?} {build_seed}: wrong motor");
                if let Some(finding) = found.first() {
                    assert!(finding.severity >= Severity::Caution, "{finding:?}");
                    assert!((finding.value - 0.12).abs() < 0.04, "{finding:?}");
                    *named += 1;
                } else {
                    // Where a moved load fits as well, the change is shown without naming a motor.
                    let shown = findings.iter().any(|f| f.kind == "motor_output_change");
                    assert!(shown, "{frame:?} {build_seed}: {findings:#?}");
                }
            }
        }
        assert!(named[0] >= at_once && named[1] == 12, "{frame:?}: named {named:?} of 12");
    }
}

#[test]
fn a_fault_that_stays_is_still_named_after_ten_flights() {
    let mut scenario = Scenario::new(Frame::HexaX, 70).with_flights(16);
    scenario.faults = vec![Faults::NONE; 5];
    scenario.faults.push(Faults { thrust_loss: one_motor(2, 0.12), ..Faults::NONE });
    let numbers = common::numbers(&scenario);
    let airframe = common::airframe(Frame::HexaX);
    for at in 5..16 {
        let findings = judge(&numbers[at], &numbers[..at], Some(&airframe), &Limits::default());
        let named: Vec<_> = findings.iter().filter(|f| f.kind == "motor_thrust_loss").collect();
        assert_eq!(named.len(), 1, "flight {at}: {findings:#?}");
        assert_eq!(named[0].subject, airframe.motors[2].position);
    }
}

/// Whether the ESCs tell their supply's current instead of the motors', and how often a second the batteries' is told.
const CURRENTS: [(bool, f64); 4] = [(false, 1.0), (true, 1.0), (false, 0.0), (true, 0.0)];

fn told(esc_supply_current: bool, battery_hz: f64) -> Whose {
    match (battery_hz > 0.0, esc_supply_current) {
        (false, _) => Whose::Either,
        (true, false) => Whose::Motor,
        (true, true) => Whose::Supply,
    }
}

fn whose(flight: &Numbers) -> Whose {
    Whose::from_share(flight.get("esc_current_share", "aircraft", "mean").map(|n| n.value))
}

#[test]
fn bearing_drag_is_named_from_esc_data_in_one_flight() {
    for frame in FRAMES {
        let airframe = common::airframe(frame);
        for build_seed in 20..24u64 {
            let motor = build_seed as usize % airframe.motors.len();
            for (esc_supply_current, battery_hz) in CURRENTS {
                let mut scenario = Scenario::new(frame, build_seed).with_flights(1);
                scenario.esc_supply_current = esc_supply_current;
                (scenario.streams.battery_status, scenario.streams.sys_status) = (battery_hz, battery_hz);
                scenario.faults = vec![Faults { drag: one_motor(motor, 0.20), ..Faults::NONE }];
                let numbers = &common::numbers(&scenario)[0];
                assert_eq!(whose(numbers), told(esc_supply_current, battery_hz));
                let findings = judge(numbers, Earlier::default(), Some(&airframe), &Limits::default());
                let named: Vec<&str> = findings
                    .iter()
                    .filter(|f| NAMING.contains(&f.kind))
                    .map(|f| f.subject.as_str())
                    .collect();
                assert_eq!(
                    named,
                    [airframe.motors[motor].position.as_str()],
                    "{frame:?} {build_seed} {esc_supply_current} {battery_hz}"
                );
            }
        }
    }
}

/// A load 6 cm aft asks the rear motors for a fifth more than the front ones; whether an ESC tells its motor's current
/// or its supply's, that is no drag.
#[test]
fn a_motor_that_is_asked_for_more_is_not_taken_for_one_that_drags() {
    for frame in FRAMES {
        for build_seed in 40..44u64 {
            for (esc_supply_current, battery_hz) in CURRENTS {
                let mut scenario = Scenario::new(frame, build_seed).with_flights(1);
                scenario.esc_supply_current = esc_supply_current;
                (scenario.streams.battery_status, scenario.streams.sys_status) = (battery_hz, battery_hz);
                scenario.faults = vec![Faults { cg_forward_mm: -60.0, ..Faults::NONE }];
                let numbers = &common::numbers(&scenario)[0];
                assert_eq!(whose(numbers), told(esc_supply_current, battery_hz));
                let findings =
                    judge(numbers, Earlier::default(), Some(&common::airframe(frame)), &Limits::default());
                let most = numbers.all("motor_output_deviation", "mean").map(|n| n.value).fold(0.0, f64::max);
                assert!(most > 0.1, "the case asks a motor for {most} more");
                assert!(
                    !findings.iter().any(|f| f.kind == "motor_drag"),
                    "{frame:?} {build_seed} {esc_supply_current} {battery_hz}: {findings:?}"
                );
            }
        }
    }
}

#[test]
fn a_moved_centre_of_gravity_or_a_heavier_payload_names_no_motor() {
    for frame in FRAMES {
        for (build_seed, faults) in [
            (30, Faults { cg_forward_mm: 30.0, ..Faults::NONE }),
            (31, Faults { cg_right_mm: -30.0, ..Faults::NONE }),
            (32, Faults { cg_forward_mm: -21.0, cg_right_mm: 21.0, ..Faults::NONE }),
            (33, Faults { payload_kg: 2.0, ..Faults::NONE }),
        ] {
            let findings = after_five_healthy(frame, build_seed, faults);
            let named: Vec<_> = findings.iter().filter(|f| NAMING.contains(&f.kind)).collect();
            assert!(named.is_empty(), "{frame:?} {build_seed}: {named:?}");
        }
    }
}

/// Closed form: one of n booms turned by ε leans its thrust T·sin ε at arm L, so the yaw share of the
/// outputs is d with n κ d + L sin ε (1 + s d) = 0, s the sign of that motor's spin.
#[test]
fn a_turned_boom_shows_as_yaw_bias_of_the_right_sign_with_the_margin_of_the_closed_form() {
    for frame in FRAMES {
        let airframe = common::airframe(frame);
        let (n, kappa_m, arm_m) = (airframe.motors.len() as f64, 0.021, 0.62);
        for tilt_deg in [2.0f64, -2.0] {
            let mut scenario = Scenario::new(frame, 40).with_flights(1);
            scenario.tolerances = false;
            scenario.wind_m_s = 0.0;
            scenario.gust_m_s = 0.0;
            scenario.faults = vec![Faults { boom_rotation_deg: one_motor(0, tilt_deg), ..Faults::NONE }];
            let numbers = &common::numbers(&scenario)[0];
            scenario.faults = vec![Faults::NONE];
            let straight = &common::numbers(&scenario)[0];
            let lean = arm_m * tilt_deg.to_radians().sin();
            let d = -lean / (n * kappa_m + lean * airframe.motors[0].spin.sign());
            let bias = numbers.get("yaw_bias", "aircraft", "mean").unwrap().value;
            assert!((bias - d).abs() < 0.02, "{frame:?} {tilt_deg}°: bias {bias}, closed form {d}");
            let positions = || airframe.motors.iter().map(|m| m.position.as_str());
            let u = numbers.each("motor_output", "mean", positions()).unwrap();
            let mean = u.iter().sum::<f64>() / n;
            let closed: Vec<f64> = airframe.motors.iter().map(|m| mean * (1.0 + d * m.spin.sign())).collect();
            let reach = YawReach::new(&airframe, airframe.thrust_min, 1.0).unwrap();
            let (measured, expected) = (reach.margins(&u).0, reach.margins(&closed).0);
            for (side, name) in ["nose-right", "nose-left"].iter().enumerate() {
                let gap = measured[side] - expected[side];
                assert!(
                    gap.abs() < 0.02,
                    "{frame:?} {tilt_deg}° {name}: {} against {}",
                    measured[side],
                    expected[side]
                );
                // What a user sees is the 5th percentile of the flight, which control's own unrest, climbs and turns
                // keep below the mean. That width is measured on the same flight of a straight aircraft,
                // where the closed form is 1; it is the same for both within two points.
                let p05 = |n: &Numbers| n.get("yaw_margin", name, "p05").unwrap().value;
                let width = 1.0 - p05(straight);
                println!(
                    "{frame:?} {tilt_deg}° {name}: p05 {:.3}, closed form {:.3}, width {width:.3}",
                    p05(numbers),
                    expected[side]
                );
                assert!((0.02..0.2).contains(&width), "{frame:?} {name}: width {width}");
                let gap = p05(numbers) - (expected[side] - width);
                assert!(gap.abs() < 0.02, "{frame:?} {tilt_deg}° {name}: off by {gap}");
            }
        }
    }
}

#[test]
fn forty_clean_flights_raise_no_caution_and_no_warning() {
    let mut flights = 0;
    for (index, frame) in FRAMES.iter().cycle().take(5).enumerate() {
        let mut scenario = Scenario::new(*frame, 50 + index as u64).with_flights(8);
        scenario.build_seed = 50 + index as u64;
        scenario.wind_m_s = 2.0 + index as f64;
        scenario.gust_m_s = 0.5 + 0.2 * index as f64;
        let airframe = common::airframe(*frame);
        let numbers = common::numbers(&scenario);
        for (at, flight) in numbers.iter().enumerate() {
            let findings = judge(flight, &numbers[..at], Some(&airframe), &Limits::default());
            let loud: Vec<_> = findings.iter().filter(|f| f.severity >= Severity::Caution).collect();
            assert!(loud.is_empty(), "{frame:?}, aircraft {index}, flight {at}: {loud:#?}");
            flights += 1;
        }
    }
    assert_eq!(flights, 40);
}

#[test]
fn too_little_data_says_nothing() {
    let airframe = common::airframe(Frame::QuadX);
    assert!(judge(&Numbers::default(), Earlier::default(), Some(&airframe), &Limits::default()).is_empty());
}
