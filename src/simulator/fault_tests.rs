//! Each fault shows in the messages where physics says, and by as much.

use mavlink::dialects::common::MavMessage;

use super::tests::decoded;
use super::*;

/// Messages between 15 s after lift-off and 15 s before touchdown of the first flight. ATTITUDE is the clock.
fn aloft(scenario: &Scenario) -> Vec<MavMessage> {
    let made = simulate(scenario);
    let flight = &made.truth.flights[0];
    let (from, to) = (flight.takeoff_boot_ms + 15e3, flight.touchdown_boot_ms - 15e3);
    let mut clock_ms = 0.0;
    let mut kept = Vec::new();
    for (_, message) in decoded(&made) {
        if let MavMessage::ATTITUDE(a) = &message {
            clock_ms = f64::from(a.time_boot_ms);
        }
        if clock_ms > from && clock_ms < to {
            kept.push(message);
        }
    }
    kept
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.collect();
    assert!(!values.is_empty());
    values.iter().sum::<f64>() / values.len() as f64
}

fn vibration_x(messages: &[MavMessage]) -> f64 {
    mean(messages.iter().filter_map(|m| match m {
        MavMessage::VIBRATION(v) => Some(f64::from(v.vibration_x)),
        _ => None,
    }))
}

#[test]
fn drag_raises_current_over_speed_squared_by_its_share() {
    let mut scenario = Scenario::new(Frame::QuadX, 31);
    scenario.tolerances = false;
    scenario.streams.esc_status = 20.0;
    let mut faults = Faults::NONE;
    faults.drag[1] = 0.12;
    let messages = aloft(&scenario.with_faults(faults));
    let index = |i: usize| {
        mean(messages.iter().filter_map(|m| match m {
            // 0.25 A is the current without load.
            MavMessage::ESC_STATUS(e) => Some((f64::from(e.current[i]) - 0.25) / f64::from(e.rpm[i]).powi(2)),
            _ => None,
        }))
    };
    let ratio = index(1) / ((index(0) + index(2) + index(3)) / 3.0);
    // 1.5 % noise on some 2000 samples: 0.0004 on the mean.
    assert!((ratio - 1.12).abs() < 0.005, "{ratio}");
}

#[test]
fn imbalance_and_a_worn_mount_raise_vibration() {
    let healthy = vibration_x(&aloft(&Scenario::new(Frame::QuadX, 32)));
    let mut faults = Faults::NONE;
    faults.imbalance_m_s2[0] = 3.0;
    let shaken = vibration_x(&aloft(&Scenario::new(Frame::QuadX, 32).with_faults(faults)));
    // Levels add as powers: sqrt(3.5² + 4·3²) / 3.5 = 1.99 at hover speed.
    assert!((1.8..2.2).contains(&(shaken / healthy)), "{healthy} {shaken}");
    let faults = Faults { isolator: 7.0, ..Faults::NONE };
    let messages = aloft(&Scenario::new(Frame::QuadX, 32).with_faults(faults));
    let clips = messages.iter().filter_map(|m| match m {
        MavMessage::VIBRATION(v) => Some(v.clipping_0),
        _ => None,
    });
    assert!(clips.max().unwrap() > 50);
}

#[test]
fn an_unbalanced_rotor_shows_at_its_own_speed() {
    let mut scenario = Scenario::new(Frame::QuadX, 33);
    scenario.tolerances = false;
    (scenario.wind_m_s, scenario.gust_m_s) = (0.0, 0.0);
    (scenario.plan.legs, scenario.plan.hover_s) = (0, 30.0);
    scenario.streams.highres_imu = 200.0;
    let mut faults = Faults::NONE;
    faults.imbalance_m_s2[2] = 2.0;
    let messages = aloft(&scenario.with_faults(faults));
    let samples: Vec<(f64, f64)> = messages
        .iter()
        .filter_map(|m| match m {
            MavMessage::HIGHRES_IMU(h) => Some((h.time_usec as f64 * 1e-6, f64::from(h.xacc))),
            _ => None,
        })
        .take(400)
        .collect();
    // Two seconds of direct Fourier sums, 0.25 Hz apart. Hover speed is 360 rad/s, 57.3 Hz.
    let power = |hz: f64| {
        let turn = |t: f64| (std::f64::consts::TAU * hz * t).sin_cos();
        let (s, c) =
            samples.iter().fold((0.0, 0.0), |(s, c), &(t, a)| (s + a * turn(t).0, c + a * turn(t).1));
        2.0 * s.hypot(c) / samples.len() as f64
    };
    let (peak, hz) = (40..380)
        .map(|k| f64::from(k) * 0.25)
        .map(|hz| (power(hz), hz))
        .fold((0.0, 0.0), |best, now| if now.0 > best.0 { now } else { best });
    assert!((hz - 57.3).abs() < 1.5, "{hz} Hz, {peak} m/s²");
    assert!((0.8..2.6).contains(&peak), "{peak} m/s²");
}

#[test]
fn payload_is_carried_by_all_motors() {
    let throttle = |payload_kg: f64| {
        let mut scenario = Scenario::new(Frame::HexaX, 34);
        scenario.tolerances = false;
        let faults = Faults { payload_kg, ..Faults::NONE };
        simulate(&scenario.with_faults(faults)).truth.flights[0].hover_commands[0]
    };
    // 6 motors at 0.45 of 60 N carry 16.52 kg.
    assert!((throttle(0.0) - 0.45).abs() < 1e-9);
    assert!((throttle(1.652) / 0.45 - 1.1).abs() < 1e-3);
}

#[test]
fn a_compass_mast_out_of_line_turns_the_heading_and_not_the_course() {
    let course = |heading_error_deg: f64| {
        let mut scenario = Scenario::new(Frame::QuadX, 35);
        (scenario.wind_m_s, scenario.gust_m_s) = (0.0, 0.0);
        let faults = Faults { heading_error_deg, ..Faults::NONE };
        let messages = aloft(&scenario.with_faults(faults));
        let differences = messages.iter().filter_map(|m| match m {
            MavMessage::GLOBAL_POSITION_INT(g) if f64::from(g.vx).hypot(f64::from(g.vy)) > 400.0 => {
                let course = f64::from(g.vy).atan2(f64::from(g.vx)).to_degrees();
                Some((f64::from(g.hdg) / 100.0 - course + 540.0).rem_euclid(360.0) - 180.0)
            }
            _ => None,
        });
        mean(differences)
    };
    assert!(course(0.0).abs() < 0.5, "{}", course(0.0));
    assert!((course(8.0) - 8.0).abs() < 0.5, "{}", course(8.0));
}

#[test]
fn a_boom_turned_clockwise_is_held_by_the_clockwise_propellers() {
    // Thrust leaning clockwise pushes the nose right; clockwise propellers push it left.
    let mut scenario = Scenario::new(Frame::HexaX, 36);
    scenario.tolerances = false;
    let mut faults = Faults::NONE;
    faults.boom_rotation_deg[3] = 1.0;
    let hover = &simulate(&scenario.with_faults(faults)).truth.flights[0].hover_commands;
    for (i, u) in hover.iter().enumerate() {
        assert_eq!(*u > 0.45, i % 2 == 1, "motor {i}: {u}");
    }
}
