//! Clocks through the recorder: what a log with a wild stamp, a reboot, a wrap, two vehicles, or with UTC that is
//! missing, late, stepped, rolled over or hours off says about its flights. The frames are the independent crate
//! `mavlink`'s; the truth is what is put into them here.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod common;
mod wire_support;

use fettle::clock::UtcSource;
use fettle::flight::{Flight, segment};
use fettle::recording::{BootSession, Recording};
use mavlink::dialects::common::{
    ATTITUDE_DATA, EXTENDED_SYS_STATE_DATA, GPS_RAW_INT_DATA, HEARTBEAT_DATA, MavAutopilot, MavLandedState,
    MavMessage, MavModeFlag, MavState, MavType, MavVtolState, SYSTEM_TIME_DATA,
};

/// 2026-09-22T00:53:20Z (`date -u -d @1790000000`), µs Unix: when the vehicles here boot, if nothing else is said.
const BOOT_US: u64 = 1_790_000_000_000_000;
const HOUR_US: u64 = 3_600_000_000;
/// 1024 weeks: 1024 × 7 × 86 400 s.
const ROUND_US: u64 = 619_315_200_000_000;
/// In every session the aircraft leaves the ground after 20 s and meets it after 80 s; the log goes on to 100 s.
const UP_MS: u64 = 20_000;
const DOWN_MS: u64 = 80_000;
const END_MS: u64 = 100_000;

/// A vehicle's session: boot time and clocks by milliseconds since its first frame.
struct Session<'a> {
    system_id: u8,
    /// Milliseconds since boot at the first frame.
    start_ms: u64,
    from_ms: u64,
    until_ms: u64,
    /// Counter of the first frame.
    counter: u8,
    /// What a freshly booted autopilot says before its first stamp, and again behind it.
    fresh: &'a [MavMessage],
    /// SYSTEM_TIME's Unix microseconds.
    system_time: &'a dyn Fn(u64) -> Option<u64>,
    /// GPS_RAW_INT's.
    gnss: &'a dyn Fn(u64) -> Option<u64>,
    /// The recording computer's.
    capture: &'a dyn Fn(u64) -> Option<u64>,
}

const NONE: &dyn Fn(u64) -> Option<u64> = &|_| None;

impl Default for Session<'_> {
    fn default() -> Self {
        Session {
            system_id: 1,
            start_ms: 5_000,
            from_ms: 0,
            until_ms: END_MS,
            counter: 0,
            fresh: &[],
            system_time: NONE,
            gnss: NONE,
            capture: NONE,
        }
    }
}

/// True UTC at so many milliseconds since the first frame of a session that began 5 s after boot.
fn utc(ms: u64) -> u64 {
    BOOT_US + (5_000 + ms) * 1000
}

/// Frames with the milliseconds since the first frame and their capture stamp.
type Timed = (u64, Option<u64>, Vec<u8>);

impl Session<'_> {
    fn frames(&self) -> Vec<Timed> {
        let mut frames = Vec::new();
        for ms in (self.from_ms..=self.until_ms).step_by(100) {
            let boot_ms = self.start_ms + ms;
            // As the autopilot sends it: modulo 2³².
            let time_boot_ms = boot_ms as u32;
            let mut send = |message: MavMessage| {
                let sequence = self.counter.wrapping_add(frames.len() as u8);
                let header = wire_support::header(self.system_id.into(), 1, sequence);
                frames.push((ms, (self.capture)(ms), wire_support::v2(header, &message)));
            };
            if ms == self.from_ms {
                self.fresh.iter().cloned().for_each(&mut send);
            }
            send(MavMessage::ATTITUDE(ATTITUDE_DATA { time_boot_ms, ..Default::default() }));
            if ms == self.from_ms {
                self.fresh.iter().cloned().for_each(&mut send);
            }
            if ms % 500 == 0 {
                send(heartbeat());
                let up = (UP_MS..DOWN_MS).contains(&ms);
                send(MavMessage::EXTENDED_SYS_STATE(EXTENDED_SYS_STATE_DATA {
                    vtol_state: MavVtolState::MAV_VTOL_STATE_UNDEFINED,
                    landed_state: if up {
                        MavLandedState::MAV_LANDED_STATE_IN_AIR
                    } else {
                        MavLandedState::MAV_LANDED_STATE_ON_GROUND
                    },
                }));
                if let Some(time_unix_usec) = (self.system_time)(ms) {
                    send(MavMessage::SYSTEM_TIME(SYSTEM_TIME_DATA { time_unix_usec, time_boot_ms }));
                }
                if let Some(time_usec) = (self.gnss)(ms) {
                    send(MavMessage::GPS_RAW_INT(GPS_RAW_INT_DATA { time_usec, ..Default::default() }));
                }
            }
        }
        frames
    }
}

fn heartbeat() -> MavMessage {
    MavMessage::HEARTBEAT(HEARTBEAT_DATA {
        custom_mode: 0,
        mavtype: MavType::MAV_TYPE_QUADROTOR,
        autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC,
        base_mode: MavModeFlag::MAV_MODE_FLAG_SAFETY_ARMED,
        system_status: MavState::MAV_STATE_ACTIVE,
        mavlink_version: 3,
    })
}

fn wild(time_boot_ms: u32) -> Timed {
    let message = MavMessage::ATTITUDE(ATTITUDE_DATA { time_boot_ms, ..Default::default() });
    (0, None, wire_support::v2(wire_support::header(1, 1, 255), &message))
}

/// Capture stamps stand before the frames as 8 bytes, big-endian.
fn record(frames: Vec<Timed>) -> Recording {
    let mut bytes = Vec::new();
    for (_, capture_us, frame) in frames {
        bytes.extend(capture_us.into_iter().flat_map(u64::to_be_bytes));
        bytes.extend(frame);
    }
    let (recording, _) = common::record(&bytes, 1 << 16);
    assert_eq!((recording.integrity.bytes_skipped, recording.integrity.frames_bad_crc), (0, 0));
    recording
}

fn flights(session: &BootSession) -> Vec<Flight> {
    segment(&session.signals, None, session.lag_ms)
}

/// The one flight of a session that began so many milliseconds after boot, with its true times.
fn check_flight(session: &BootSession, start_ms: u64) -> Flight {
    let found = flights(session);
    let [flight] = &found[..] else { panic!("{} flights", found.len()) };
    // A landed state alone is seconds late or early; the bounds say by how much.
    for (found, true_ms) in [(flight.takeoff, UP_MS), (flight.touchdown, DOWN_MS)] {
        let (true_ms, bounds) = ((start_ms + true_ms) as i64, found.earliest_ms..=found.latest_ms);
        assert!(bounds.contains(&true_ms) && found.latest_ms - found.earliest_ms < 6_000, "{flight:?}");
    }
    assert!(flight.complete);
    flight.clone()
}

/// Off the true UTC of takeoff, in microseconds.
fn utc_error(session: &BootSession, boot_us: u64) -> i64 {
    session.utc.unwrap().unix_us(0) - boot_us as i64
}

fn noted(recording: &Recording, sentence: &str) {
    let found = recording.notes.iter().filter(|note| note.contains(sentence)).count();
    assert_eq!(found, 1, "{sentence}: {:?}", recording.notes);
}

fn the_only(recording: &Recording) -> &BootSession {
    let [vehicle] = &recording.vehicles[..] else { panic!("one vehicle") };
    let [session] = &vehicle.boots[..] else { panic!("{} boot sessions", vehicle.boots.len()) };
    session
}

#[test]
fn one_wild_first_stamp_changes_no_flight() {
    let system_time = |ms| Some(utc(ms));
    let session = Session { system_time: &system_time, ..Default::default() };
    let plain = record(session.frames());
    let truth = check_flight(the_only(&plain), 5_000);
    for first in [12_000, 90_000, 80_000_000, 4_294_000_000] {
        let mut frames = vec![wild(first)];
        frames.extend(session.frames());
        let recording = record(frames);
        let found = the_only(&recording);
        assert_eq!(check_flight(found, 5_000), truth, "first stamp {first}");
        assert_eq!(utc_error(found, BOOT_US), 0);
        assert_eq!(recording.notes, plain.notes);
        let (from_ms, to_ms) = found.span_ms.unwrap();
        // From the second good stamp on: SYSTEM_TIME's.
        assert_eq!((from_ms, to_ms), (5_000, 105_000), "first stamp {first}");
        assert_eq!(recording.senders[0].first_boot_ms, Some(5_000));
        assert!(found.signals.holes.is_empty());
    }
}

/// By seconds, by minutes, by more than a leap; behind the takeoff, in the air, and twice.
#[test]
fn one_stamp_that_leaps_in_the_air_changes_no_flight() {
    let session = Session::default();
    let truth = check_flight(the_only(&record(session.frames())), 5_000);
    for ahead_ms in [2_500, 4_000, 6_000, 45_000, 300_000, 900_000] {
        let mut frames = session.frames();
        for at in [250, 600] {
            let stamp = u32::try_from(frames[at].0 + 5_000 + ahead_ms).unwrap();
            frames.insert(at + 1, wild(stamp));
        }
        let recording = record(frames);
        let found = the_only(&recording);
        if ahead_ms > 3_000 {
            assert_eq!(check_flight(found, 5_000), truth, "{ahead_ms} ms ahead");
            assert!(found.signals.holes.is_empty());
            continue;
        }
        // Nearer ones are believed, and what comes behind is late: the bounds widen by that.
        let all = flights(found);
        let [flight] = &all[..] else { panic!("{} flights", all.len()) };
        let (low, high) = flight.airtime_bounds_ms;
        assert!((low..=high).contains(&((DOWN_MS - UP_MS) as i64)), "{flight:?}");
    }
}

/// An IPv4 packet as a record of a packet capture, both without checksums.
fn packet(ms: u64, id: u16, offset: usize, more: bool, payload: &[u8]) -> Vec<u8> {
    let length = u16::try_from(20 + payload.len()).unwrap();
    let place = u16::try_from(offset / 8).unwrap() | if more { 0x2000 } else { 0 };
    let mut ip = vec![0x45, 0];
    ip.extend(length.to_be_bytes());
    ip.extend(id.to_be_bytes());
    ip.extend(place.to_be_bytes());
    ip.extend([64, 17, 0, 0, 10, 0, 0, 1, 10, 0, 0, 2]);
    ip.extend(payload);
    let mut record = Vec::new();
    for word in [(ms / 1000) as u32, (ms % 1000 * 1000) as u32, ip.len() as u32, ip.len() as u32] {
        record.extend(word.to_le_bytes());
    }
    record.extend(ip);
    record
}

/// The frames of half a second in the air come in a fragmented datagram whose end never comes. What there is of it is
/// given up a minute later, in the midst of other frames, and at the end of a capture that ends before.
#[test]
fn what_is_left_of_a_fragmented_datagram_is_no_reboot() {
    let udp = |frames: &[u8]| {
        let mut bytes = vec![0x38, 0xD6, 0x38, 0xD6];
        bytes.extend(u16::try_from(8 + frames.len()).unwrap().to_be_bytes());
        bytes.extend([0, 0]);
        bytes.extend(frames);
        bytes
    };
    for until_ms in [END_MS, 85_000] {
        let session = Session { until_ms, ..Default::default() };
        let mut frames = session.frames();
        // Global header: microseconds, raw IP (link type 101).
        let mut bytes = vec![0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0];
        bytes.extend([0; 8]);
        bytes.extend(65_535u32.to_le_bytes());
        bytes.extend(101u32.to_le_bytes());
        let whole = frames.len();
        let from = frames.iter().position(|f| f.0 == 30_100).unwrap();
        let cut: Vec<u8> = frames.splice(from..from + 4, []).flat_map(|f| f.2).collect();
        let mut datagram = udp(&cut);
        datagram.truncate(datagram.len() / 8 * 8);
        for (id, (ms, _, frame)) in (1u16..).zip(frames) {
            bytes.extend(packet(ms, id, 0, false, &udp(&frame)));
            if usize::from(id) == from {
                bytes.extend(packet(ms, 50_000, 0, true, &datagram));
            }
        }
        let (recording, _) = common::record(&bytes, 1 << 16);
        let found = the_only(&recording);
        check_flight(found, 5_000);
        assert_eq!(recording.senders[0].last_boot_ms, Some((5_000 + until_ms) as i64));
        // The datagram was cut in its last frame.
        assert!((whole as u64 - 1..=whole as u64).contains(&recording.senders[0].frames));
    }
}

#[test]
fn a_log_that_begins_or_ends_in_the_air_is_not_stretched_to_a_wild_first_stamp() {
    // From 30 s to 70 s of the flight: 40 s in the air, less what the first two stamps need.
    let session = Session { from_ms: 30_000, until_ms: 70_000, ..Default::default() };
    for first in [0, 10_000, 500_000] {
        let mut frames = vec![wild(first)];
        frames.extend(session.frames());
        let recording = record(frames);
        let found = flights(the_only(&recording));
        assert_eq!(found.len(), 1);
        assert!(!found[0].complete);
        assert!((39_000..=40_000).contains(&found[0].airtime_ms), "{first}: {:?}", found[0]);
    }
}

#[test]
fn a_reboot_in_the_middle_is_two_sessions_with_a_utc_each() {
    let rebooted_us = BOOT_US + 200_000_000;
    let (first, second) = (|ms| Some(utc(ms)), |ms| Some(rebooted_us + (700 + ms) * 1000));
    let mut frames = Session { system_time: &first, ..Default::default() }.frames();
    frames.extend(Session { start_ms: 700, system_time: &second, ..Default::default() }.frames());
    let recording = record(frames);
    let [one, two] = &recording.vehicles[0].boots[..] else { panic!("two sessions") };
    check_flight(one, 5_000);
    check_flight(two, 700);
    assert_eq!((utc_error(one, BOOT_US), utc_error(two, rebooted_us)), (0, 0));
    noted(&recording, "system 1 booted 2 times");
}

/// The power failed in the air, and the autopilot says that it is on the ground and disarmed before it stamps anything.
#[test]
fn what_a_fresh_autopilot_says_first_is_no_landing_of_the_flight_before() {
    let MavMessage::HEARTBEAT(armed) = heartbeat() else { panic!("a heartbeat") };
    let on_ground = EXTENDED_SYS_STATE_DATA {
        vtol_state: MavVtolState::MAV_VTOL_STATE_UNDEFINED,
        landed_state: MavLandedState::MAV_LANDED_STATE_ON_GROUND,
    };
    let disarmed = HEARTBEAT_DATA { base_mode: MavModeFlag::empty(), ..armed };
    let fresh = [MavMessage::HEARTBEAT(disarmed), MavMessage::EXTENDED_SYS_STATE(on_ground)];
    let until_ms = 50_000;
    let in_the_air = Session { until_ms, ..Default::default() }.frames();
    // Its counter begins anew; a router's goes on.
    for counter in [0, in_the_air.len() as u8] {
        let second = Session { start_ms: 700, counter, fresh: &fresh, ..Default::default() }.frames();
        for cut in [1, 2, 3, 4, second.len()] {
            let frames = in_the_air.iter().chain(&second[..cut]).cloned().collect();
            let recording = record(frames);
            let sessions = &recording.vehicles[0].boots;
            let found = flights(&sessions[0]);
            let [flight] = &found[..] else { panic!("{} flights", found.len()) };
            let case = format!("counter {counter}, {cut} frames: {flight:?}");
            // Before the first stamp nothing but the counter says that the autopilot was booted.
            if counter > 0 && cut < 3 {
                continue;
            }
            assert_eq!((flight.complete, flight.landings), (false, 0), "{case}");
            assert!(flight.touchdown.latest_ms >= (5_000 + until_ms) as i64, "{case}");
            if cut == second.len() {
                check_flight(&sessions[1], 700);
            }
        }
    }
}

#[test]
fn the_wrap_of_32_bit_milliseconds_is_no_reboot() {
    // 50 s before 2³² ms = 49 d 17 h 2 min 47.296 s, in the air.
    let start_ms = (1 << 32) - 50_000;
    let system_time = |ms| Some(BOOT_US + (start_ms + ms) * 1000);
    let recording = record(Session { start_ms, system_time: &system_time, ..Default::default() }.frames());
    let session = the_only(&recording);
    check_flight(session, start_ms);
    // SYSTEM_TIME's own time_boot_ms wraps as well.
    assert_eq!(utc_error(session, BOOT_US), 0);
}

#[test]
fn without_utc_the_flight_is_the_same_and_has_no_date() {
    let recording = record(Session { system_time: &|_| Some(0), ..Default::default() }.frames());
    check_flight(the_only(&recording), 5_000);
    assert_eq!(the_only(&recording).utc, None);
    noted(&recording, "system 1: the log gives no UTC for a boot session");
}

#[test]
fn utc_that_comes_late_dates_the_takeoff_before_it() {
    // 0, then 1980-01-06 (`date -u -d @315964800`) and on, then the fix half a minute after takeoff.
    let system_time = |ms: u64| {
        Some(match ms {
            0..10_000 => 0,
            10_000..50_000 => 315_964_800_000_000 + ms * 1000,
            _ => utc(ms),
        })
    };
    let recording = record(Session { system_time: &system_time, ..Default::default() }.frames());
    let session = the_only(&recording);
    check_flight(session, 5_000);
    assert_eq!(utc_error(session, BOOT_US), 0);
    assert!(recording.notes.is_empty(), "{:?}", recording.notes);
}

#[test]
fn utc_that_steps_is_told_and_moves_no_airtime() {
    let system_time = |ms: u64| Some(utc(ms) + if ms > 70_000 { HOUR_US } else { 0 });
    let recording = record(Session { system_time: &system_time, ..Default::default() }.frames());
    let session = the_only(&recording);
    check_flight(session, 5_000);
    assert_eq!(utc_error(session, BOOT_US), 0);
    noted(
        &recording,
        "system 1: within a boot session, SYSTEM_TIME shifted by 1 h 0 min against the boot clock",
    );
}

#[test]
fn a_recording_computer_hours_off_is_told() {
    let (system_time, capture) = (|ms| Some(utc(ms)), |ms| Some(utc(ms) + 2 * HOUR_US + 30_000));
    let session = Session { system_time: &system_time, capture: &capture, ..Default::default() };
    let recording = record(session.frames());
    check_flight(the_only(&recording), 5_000);
    assert_eq!(utc_error(the_only(&recording), BOOT_US), 0);
    noted(&recording, "system 1: capture stamps are 2 h 0 min ahead of SYSTEM_TIME");

    // With nothing else they are all there is.
    let recording = record(Session { capture: &capture, ..Default::default() }.frames());
    let binding = the_only(&recording).utc.unwrap();
    assert_eq!(binding.source, UtcSource::Capture);
    assert!((utc_error(the_only(&recording), BOOT_US + 2 * HOUR_US) - 30_000).abs() <= 1_000);
}

#[test]
fn two_vehicles_have_two_boot_clocks() {
    let (late_us, late_ms) = (BOOT_US - 9 * HOUR_US, 9 * 3_600_000);
    let (one, two) = (|ms| Some(utc(ms)), |ms| Some(late_us + (late_ms + ms) * 1000));
    let mut frames = Session { system_time: &one, ..Default::default() }.frames();
    frames.extend(
        Session { system_id: 2, start_ms: late_ms, system_time: &two, ..Default::default() }.frames(),
    );
    frames.sort_by_key(|(ms, ..)| *ms);
    let recording = record(frames);
    let [one, two] = &recording.vehicles[..] else { panic!("two vehicles") };
    assert_eq!((one.system_id, one.boots.len(), two.system_id, two.boots.len()), (1, 1, 2, 1));
    check_flight(&one.boots[0], 5_000);
    check_flight(&two.boots[0], late_ms);
    assert_eq!((utc_error(&one.boots[0], BOOT_US), utc_error(&two.boots[0], late_us)), (0, 0));
    assert!(recording.notes.is_empty(), "{:?}", recording.notes);
}

#[test]
fn a_gps_week_that_rolled_over_is_corrected_only_where_another_clock_confirms_it() {
    let rolled = |ms| Some(utc(ms) - ROUND_US);
    let capture = |ms| Some(utc(ms) + 40_000);
    let confirmed = record(
        Session { system_time: &rolled, gnss: &rolled, capture: &capture, ..Default::default() }.frames(),
    );
    check_flight(the_only(&confirmed), 5_000);
    assert_eq!(utc_error(the_only(&confirmed), BOOT_US), 0);
    assert_eq!(the_only(&confirmed).utc.unwrap().source, UtcSource::SystemTime);
    noted(&confirmed, "SYSTEM_TIME is 1024 weeks behind, a rollover of the GPS week: corrected");
    noted(&confirmed, "GNSS time is 1024 weeks behind");

    let alone = record(Session { system_time: &rolled, gnss: &rolled, ..Default::default() }.frames());
    assert_eq!(the_only(&alone).utc, None);
    // 2026-09-22 less 1024 weeks: `date -u -d @1170684800`.
    noted(&alone, "SYSTEM_TIME is at 2007-02-05, taken as never set");

    let by_gnss =
        record(Session { system_time: &rolled, gnss: &|ms| Some(utc(ms)), ..Default::default() }.frames());
    assert_eq!(utc_error(the_only(&by_gnss), BOOT_US), 0);
    noted(&by_gnss, "SYSTEM_TIME is 1024 weeks behind");
}
