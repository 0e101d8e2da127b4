//! Aircraft that share a system id, one after another in a log: each has its own flights, by the hardware identity of
//! each boot session. The reference is each aircraft's log by itself.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod card_support;

use card_support::{Fleet, only, with_payloads};
use serde_json::Value;
use std::fs;
use std::path::Path;

fn log(name: &str) -> Vec<u8> {
    fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs").join(name)).unwrap()
}

/// All frames of system 1, back to back: version 2 has the system id in its sixth byte.
fn of_system_1(bytes: &[u8]) -> Vec<u8> {
    let mut place = 0;
    let bare = only(bytes, |_| true);
    let mut changed = bare.clone();
    fettle::wire::Scanner::new(fettle::wire::Definitions::builtin()).scan(&bare, true, &mut |frame| {
        assert_eq!((frame.version, frame.offset as usize), (2, place));
        changed[place + 5] = 1;
        let end = place + frame.raw.len() - 2;
        let crc = mavlink::calculate_crc(&changed[place + 1..end], frame.message.unwrap().crc_extra);
        changed[end..end + 2].copy_from_slice(&crc.to_le_bytes());
        place += frame.raw.len();
    });
    changed
}

fn of(fleet: &Fleet, aircraft: &str) -> Vec<(Value, Value)> {
    let own = fleet.flights().into_iter().filter(|flight| flight["aircraft"] == aircraft);
    own.map(|flight| (flight["takeoff_utc"].clone(), flight["airtime_ms"].clone())).collect()
}

#[test]
fn each_aircraft_has_its_own_flights() {
    let days = ["heron/2026-09-02.mavlink", "egret/2026-09-03.mavlink", "plover/2026-09-07.mavlink"];
    let logs: Vec<Vec<u8>> = days.iter().map(|name| of_system_1(&log(name))).collect();
    let reference = Fleet::new();
    let files: Vec<_> = (0..).zip(&logs).map(|(n, log)| reference.put(&format!("log{n}"), log)).collect();
    reference.import(&files);
    let want: Vec<_> = ["heron", "egret", "plover"].map(|name| of(&reference, name)).into();
    assert!(want.iter().all(|flights| flights.len() == 1), "{want:?}");
    for order in [[0, 1, 2], [2, 0, 1]] {
        let ground = order.map(|n| logs[n].clone()).concat();
        let fleet = Fleet::new();
        // A rotated one too: cut in the second aircraft's flight.
        let whole = fleet.put("ground", &ground);
        let rotated = Fleet::new();
        let cut = logs[order[0]].len() + logs[order[1]].len() / 2;
        let parts = [rotated.put("a", &ground[..cut]), rotated.put("b", &ground[cut..])];
        rotated.import(&parts);
        fleet.import(&[whole]);
        for fleet in [&fleet, &rotated] {
            let got: Vec<_> = ["heron", "egret", "plover"].map(|name| of(fleet, name)).into();
            assert_eq!(got, want, "{order:?}");
        }
        // An aircraft's own log counts once with it.
        fleet.import(&[fleet.put("own", &logs[0])]);
        assert_eq!(of(&fleet, "heron"), want[0]);
    }
}

#[test]
fn a_session_that_tells_no_identity_is_the_one_before_and_it_is_said() {
    let first = of_system_1(&log("heron/2026-09-02.mavlink"));
    let again = of_system_1(&log("heron/2026-09-03.mavlink"));
    let silent = only(&with_payloads(&again, |_, _| {}), |frame| frame.message_id != 148);
    let other = of_system_1(&log("egret/2026-09-03.mavlink"));
    let fleet = Fleet::new();
    fleet.import(&[fleet.put("ground", &[first, silent, other].concat())]);
    assert_eq!((of(&fleet, "heron").len(), of(&fleet, "egret").len()), (2, 1));
    let said = fleet.fettle(&["read", "card/heron/ground"]);
    let said = String::from_utf8_lossy(&said.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("are taken for the aircraft of the one before"), "{said}");
}
