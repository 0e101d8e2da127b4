//! The logs, decoded again by the crate `mavlink`, against the truth that came with them.

use mavlink::dialects::common::{MavLandedState, MavMessage, MavModeFlag};
use mavlink::{MavHeader, MavlinkReader, Message};

use super::*;

/// Every frame of a bare log; panics where one does not decode.
pub(super) fn decoded(made: &Simulated) -> Vec<(MavHeader, MavMessage)> {
    let mut reader = MavlinkReader::new(made.bytes.as_slice());
    let mut frames = Vec::new();
    while let Ok(frame) = reader.read_any_message::<MavMessage>() {
        frames.push(frame);
    }
    assert_eq!(frames.len() as u64, made.truth.frames, "every frame decodes");
    frames
}

/// Thrust fractions by boot time in ms, from the pulses.
fn thrusts(made: &Simulated, motors: usize) -> Vec<(f64, Vec<f64>)> {
    let mut rows = Vec::new();
    for (_, message) in decoded(made) {
        if let MavMessage::SERVO_OUTPUT_RAW(s) = message {
            let pulses = [
                s.servo1_raw,
                s.servo2_raw,
                s.servo3_raw,
                s.servo4_raw,
                s.servo5_raw,
                s.servo6_raw,
                s.servo7_raw,
                s.servo8_raw,
            ];
            let u = pulses[..motors].iter().map(|&p| {
                let o = (f64::from(p) - 1000.0) / 1000.0;
                0.65 * o * o + 0.35 * o
            });
            rows.push((f64::from(s.time_usec) / 1e3, u.collect()));
        }
    }
    rows
}

#[test]
fn every_frame_decodes_in_both_protocols_and_all_messages_are_there() {
    let mut scenario = Scenario::new(Frame::HexaX, 11);
    scenario.streams.flight_information = 1.0;
    scenario.streams.highres_imu = 50.0;
    let mut names: Vec<_> = decoded(&simulate(&scenario)).iter().map(|(_, m)| m.message_name()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), 20, "{names:?}");
    scenario.protocol = Protocol::V1;
    let frames = decoded(&simulate(&scenario));
    assert!(frames.iter().all(|(_, m)| m.message_id() < 256));
    assert!(frames.iter().any(|(_, m)| m.message_name() == "EXTENDED_SYS_STATE"));
}

#[test]
fn the_minimal_profile_sends_four_messages_and_no_more() {
    let made = simulate(&Scenario::new(Frame::QuadX, 3).with_streams(Streams::MINIMAL));
    let mut names: Vec<_> = decoded(&made).iter().map(|(_, m)| m.message_name()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names, ["GLOBAL_POSITION_INT", "HEARTBEAT", "SERVO_OUTPUT_RAW", "VFR_HUD"]);
}

#[test]
fn landed_state_follows_the_truth_with_the_stated_lags() {
    for seed in 0..6 {
        let mut scenario = Scenario::new(Frame::QuadX, seed);
        scenario.streams.extended_sys_state = 50.0;
        scenario.streams.attitude = 50.0;
        let made = simulate(&scenario);
        let flight = &made.truth.flights[0];
        let (mut clock_ms, mut states) = (0.0, Vec::new());
        for (_, message) in decoded(&made) {
            match message {
                MavMessage::ATTITUDE(a) => clock_ms = f64::from(a.time_boot_ms),
                MavMessage::EXTENDED_SYS_STATE(e) => states.push((clock_ms, e.landed_state)),
                _ => {}
            }
        }
        let first = |want| states.iter().find(|s| s.1 == want).unwrap().0;
        let takeoff = first(MavLandedState::MAV_LANDED_STATE_TAKEOFF) - flight.takeoff_boot_ms;
        assert!((-400.0..500.0).contains(&takeoff), "seed {seed}: take-off told {takeoff} ms late");
        let landing = first(MavLandedState::MAV_LANDED_STATE_LANDING);
        let ground =
            states.iter().find(|s| s.0 > landing && s.1 == MavLandedState::MAV_LANDED_STATE_ON_GROUND);
        let late = ground.unwrap().0 - flight.touchdown_boot_ms;
        assert!((400.0..2100.0).contains(&late), "seed {seed}: landing told {late} ms late");
    }
}

#[test]
fn thrust_carries_the_weight_only_between_liftoff_and_touchdown() {
    let mut scenario = Scenario::new(Frame::OctoX, 5);
    scenario.tolerances = false;
    scenario.streams.servo_output_raw = 25.0;
    let made = simulate(&scenario);
    let flight = &made.truth.flights[0];
    assert!((120e3..200e3).contains(&flight.airtime_ms()), "{}", flight.airtime_ms());
    for (t, u) in thrusts(&made, 8) {
        let mean = u.iter().sum::<f64>() / 8.0;
        if t < flight.takeoff_boot_ms - 60.0 || t > flight.touchdown_boot_ms + 60.0 {
            assert!(mean < 0.45, "{t}: {mean} on the ground");
        }
        if t < flight.takeoff_boot_ms - 1300.0 || t > flight.touchdown_boot_ms + 1600.0 {
            assert!(mean < 0.06, "{t}: {mean} at idle");
        }
        if t > flight.takeoff_boot_ms + 60.0 && t < flight.touchdown_boot_ms {
            assert!((0.36..0.60).contains(&mean), "{t}: {mean} in the air");
        }
    }
}

/// Hexa: row space is spanned by 1, cos β, sin β and the spin pattern; cos 2β and sin 2β are outside it.
#[test]
fn airborne_outputs_lie_in_the_row_space_whatever_is_wrong() {
    let mut faults = Faults::NONE;
    (faults.thrust_loss[2], faults.boom_rotation_deg[4], faults.cg_forward_mm) = (0.12, 1.0, 20.0);
    let made = simulate(&Scenario::new(Frame::HexaX, 9).with_faults(faults));
    let flight = &made.truth.flights[0];
    let mut checked = 0;
    for (t, u) in thrusts(&made, 6) {
        if t < flight.takeoff_boot_ms + 100.0 || t > flight.touchdown_boot_ms - 100.0 {
            continue;
        }
        for phase in [0.0, 90.0f64] {
            let outside = |i: usize| (2.0 * Frame::HexaX.bearing_deg(i) - phase).to_radians().cos();
            let residual: f64 = u.iter().enumerate().map(|(i, u)| u * outside(i)).sum();
            // Rounding to 1 µs moves each u by at most 0.0008.
            assert!(residual.abs() < 0.004, "{t}: {residual}, {u:?}");
        }
        checked += 1;
    }
    assert!(checked > 500);
}

#[test]
fn mean_hover_outputs_are_the_closed_loop_solution() {
    for (frame, seed) in [(Frame::QuadX, 1), (Frame::HexaX, 2), (Frame::OctoX, 3)] {
        let mut scenario = Scenario::new(frame, seed);
        (scenario.wind_m_s, scenario.gust_m_s) = (0.0, 0.0);
        (scenario.plan.legs, scenario.plan.hover_s) = (0, 60.0);
        let made = simulate(&scenario);
        let flight = &made.truth.flights[0];
        let from = flight.takeoff_boot_ms + 15e3;
        let rows: Vec<_> = thrusts(&made, frame.motors())
            .into_iter()
            .filter(|r| (from..from + 90e3).contains(&r.0))
            .collect();
        for (i, want) in flight.hover_commands.iter().enumerate() {
            let mean = rows.iter().map(|r| r.1[i]).sum::<f64>() / rows.len() as f64;
            assert!((mean - want).abs() < 0.004, "{frame:?} motor {i}: {mean}, {want}");
        }
    }
}

#[test]
fn a_touch_and_go_is_two_flights_and_a_run_up_is_none() {
    let sorties = [Sortie::SpoolUp, Sortie::TouchAndGo];
    let made = simulate(&Scenario::new(Frame::QuadX, 4).with_sorties(&sorties));
    let flights = &made.truth.flights;
    assert_eq!(flights.len(), 2);
    assert!(flights.iter().all(|f| f.sortie == 1 && f.complete));
    let gap = flights[1].takeoff_boot_ms - flights[0].touchdown_boot_ms;
    assert!((2e3..6e3).contains(&gap), "{gap} ms on the ground");
    let (mut armings, mut armed) = (0, false);
    for (header, message) in decoded(&made) {
        if let (1, MavMessage::HEARTBEAT(h)) = (header.system_id, message) {
            let now = h.base_mode.contains(MavModeFlag::MAV_MODE_FLAG_SAFETY_ARMED);
            armings += u32::from(now && !armed);
            armed = now;
        }
    }
    assert_eq!(armings, 2);
}

#[test]
fn a_reboot_starts_the_boot_clock_again() {
    let mut scenario = Scenario::new(Frame::QuadX, 6).with_flights(2);
    scenario.reboot = true;
    let made = simulate(&scenario);
    assert_eq!(made.truth.vehicles[0].boots, 2);
    assert_eq!(made.truth.flights.iter().map(|f| f.boot).collect::<Vec<_>>(), [0, 1]);
    let clocks: Vec<_> = decoded(&made)
        .iter()
        .filter_map(|(_, m)| match m {
            MavMessage::SYSTEM_TIME(s) => Some((s.time_boot_ms, s.time_unix_usec)),
            _ => None,
        })
        .collect();
    let steps_back: Vec<_> = clocks.windows(2).filter(|w| w[1].0 < w[0].0).collect();
    assert_eq!(steps_back.len(), 1);
    assert_eq!(steps_back[0][1].1, 0, "no UTC before the fix of the new boot");
}

#[test]
fn a_cut_log_holds_an_incomplete_flight() {
    for (start, end) in [(Some(30.0), None), (None, Some(20.0))] {
        let mut scenario = Scenario::new(Frame::QuadX, 8);
        (scenario.cut_start_s, scenario.cut_end_s) = (start, end);
        let made = simulate(&scenario);
        assert_eq!(made.truth.flights.len(), 1);
        let flight = &made.truth.flights[0];
        assert!(!flight.complete);
        let times: Vec<_> = thrusts(&made, 4).iter().map(|r| r.0).collect();
        if start.is_some() {
            assert!(times[0] > flight.takeoff_boot_ms + 29e3);
        } else {
            assert!(times[times.len() - 1] < flight.touchdown_boot_ms - 19e3);
        }
    }
}

#[test]
fn two_vehicles_share_a_stream() {
    let mut scenario = Scenario::new(Frame::QuadX, 8);
    scenario.companions = vec![Scenario::new(Frame::HexaX, 9).with_system_id(7)];
    let made = simulate(&scenario);
    assert_eq!(made.truth.flights.iter().map(|f| f.system_id).collect::<Vec<_>>(), [1, 7]);
    let frames = decoded(&made);
    for id in [1, 7, 51, 255] {
        let sequence: Vec<_> = frames.iter().filter(|f| f.0.system_id == id).map(|f| f.0.sequence).collect();
        assert!(sequence.windows(2).all(|w| w[1] == w[0].wrapping_add(1)), "sender {id}");
    }
}

#[test]
fn stamps_stand_before_each_frame_and_never_go_back() {
    let mut scenario = Scenario::new(Frame::QuadX, 2);
    scenario.container = Container::Timestamped;
    let made = simulate(&scenario);
    let (mut rest, mut last, mut frames) = (made.bytes.as_slice(), 0, 0);
    while let Some((stamp, after)) = rest.split_first_chunk::<8>() {
        let stamp = u64::from_be_bytes(*stamp);
        assert!(stamp >= last && (1_788_249_600_000_000..1_788_250_000_000_000).contains(&stamp));
        assert_eq!(after[0], 0xFD);
        rest = &after[12 + usize::from(after[1])..];
        (last, frames) = (stamp, frames + 1);
    }
    assert_eq!(frames, made.truth.frames);
}

#[test]
fn the_same_scenario_gives_the_same_bytes_and_any_length() {
    let mut scenario = Scenario::new(Frame::QuadX, 21);
    let made = simulate(&scenario);
    let mut written = Vec::new();
    let truth = write_to(&scenario, &mut written).unwrap();
    assert!(written == made.bytes && truth == made.truth);
    scenario.at_least_bytes = 3 * made.bytes.len() as u64;
    let truth = write_to(&scenario, std::io::sink()).unwrap();
    assert!(truth.bytes >= scenario.at_least_bytes && truth.flights.len() >= 3, "{}", truth.bytes);
}
