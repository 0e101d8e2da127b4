//! Tests of the settings file: what is right reads, what is wrong says where.

use super::*;
use std::path::PathBuf;

const GOOD: &str = r#"
[fleet]
name = "Saltmarsh survey"
[[aircraft]]
name = "plover"
recognise = { autopilot_uid = "0x00Ab1", system_id = 3 }
frame = "quad-x"
arm_length_m = 0.62
torque_per_thrust_m = 0.021
outputs_us = { min = 1000, max = 2000 }
thrust_curve = { expo = 0.65 }
motor = [
  { position = "rear-left", output = 2 },
  { position = "front-right", output = 1, esc = 0 },
  { position = "front-left", output = 3, spin = "ccw" },
  { position = "rear-right", output = 4 },
]
[[aircraft]]
name = "heron"
recognise = { paths = ["heron/**"] }
baseline_from = "2026-09-14"
[limits]
yaw_margin = { advisory = 0.8, caution = 0.6 }
"#;

#[test]
fn a_good_file_reads_whole() {
    let fleet = Fleet::parse(GOOD).unwrap();
    let airframe = fleet.aircraft[0].airframe.as_ref().unwrap();
    let places: Vec<_> = airframe.motors.iter().map(|m| (m.position.as_str(), m.output)).collect();
    assert_eq!(places, [("front-right", 1), ("rear-right", 4), ("rear-left", 2), ("front-left", 3)]);
    assert!((airframe.motors[0].x_m - 0.62 * 0.5f64.sqrt()).abs() < 1e-12, "45° right of the nose");
    assert_eq!(airframe.motors[3].spin, crate::airframe::Spin::Ccw, "the file overrides the frame");
    // `date -u -d 2026-09-14 +%s`
    let from_us = fleet.aircraft.iter().map(|a| a.baseline_from_us).collect::<Vec<_>>();
    assert_eq!(from_us, [None, Some(1_789_344_000_000_000)]);
    assert_eq!(fleet.limits.yaw_margin.warning, None);
    assert_eq!(fleet.limits.clipping, Limits::default().clipping);
}

#[test]
fn wrong_files_say_where_and_what_would_be_right() {
    for (text, line, column, words) in [
        ("[fleet]\nnane = \"x\"\n", 2, 1, "did you mean name?"),
        ("[[aircraft]]\nname = \"a/b\"\n", 2, 8, "folder"),
        ("[[aircraft]]\nname = \"a\"\narm_length_m = \"long\"\n", 3, 16, "must be a number"),
        ("[[aircraft]]\nname = \"a\"\narm_length_m = 62\n", 3, 16, "must lie from 0.05 to 5"),
        ("[[aircraft]]\nname = \"a\"\nframe = \"hexa-y\"\n", 3, 9, "hexa-x"),
        ("[[aircraft]]\nname = \"a\"\nbaseline_from = \"14.9.\"\n", 3, 17, "UTC date"),
        ("[limits]\nyaw_margin = { advisory = 0.4, caution = 0.6 }\n", 2, 14, "must fall"),
        ("[limits]\nmotor_thrust_loss = { warning = 5 }\n", 2, 33, "must lie from 0 to 1"),
        ("[limits]\nyaw_margin = { advisory = 70 }\n", 2, 27, "must lie from 0 to 1"),
        ("[limits]\nvibration_rise = { caution = 0.5 }\n", 2, 30, "must lie from 1 to"),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { flights = 0 }\n",
            4,
            21,
            "must lie from 1 to",
        ),
        ("[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { days = 0 }\n", 4, 18, "must lie from 1 to"),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { flight_hours = 0 }\n",
            4,
            26,
            "must be more than zero",
        ),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { flights = 5 }\ntolerance = { flights = 5 }\n\
             from = \"grid\"\n",
            5,
            13,
            "shorter than the interval",
        ),
        (
            "[[aircraft]]\nname = \"heron\"\n[[task]]\nname = \"x\"\napplies_to = \"esc\"\n\
             every = { days = 5 }\naircraft = [\"heron\", \"herron\"]\n",
            7,
            22,
            "did you mean heron?",
        ),
        ("[fleet\n", 1, 7, "not valid TOML"),
        ("[[task]]\nname = \"x\"\n", 1, 1, "applies_to"),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevry = { flights = 3 }\n",
            4,
            1,
            "did you mean every?",
        ),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { flight = 3 }\n",
            4,
            11,
            "did you mean flights?",
        ),
        ("[[task]]\nname = \"x\"\napplies_to = \"esc\"\nevery = { flights = 1.5 }\n", 4, 21, "whole number"),
        (
            "[[task]]\nname = \"x\"\napplies_to = \"esc\"\nafter = { evnt = \"a\" }\n",
            4,
            11,
            "did you mean event?",
        ),
        ("[[task]]\nname = \"x\"\napplies_to = \"esc\"\nfrom = \"new\"\nonce = true\n", 4, 8, "last-done"),
    ] {
        let errors = Fleet::parse(text).unwrap_err();
        assert!(
            errors.iter().any(|e| (e.line, e.column) == (line, column) && e.message.contains(words)),
            "{text}\n{errors:?}"
        );
    }
}

#[test]
fn two_motors_cannot_share_an_output() {
    let text = GOOD.replace("output = 4", "output = 3");
    let errors = Fleet::parse(&text).unwrap_err();
    assert!(errors[0].message.contains("output 3 is given to two motors"), "{errors:?}");
}

#[test]
fn the_hardware_identity_decides_before_path_and_system_id() {
    let fleet = Fleet::parse(GOOD).unwrap();
    let identity = |uid: Option<&str>, system_id, path: &str| Identity {
        autopilot_uid: uid.map(str::to_owned),
        system_id,
        path: PathBuf::from(path),
    };
    for (case, identity, want) in [
        ("uid and id", identity(Some("0xab1"), 3, "card/x.bin"), Recognition::Known(0)),
        ("uid even under the other's path", identity(Some("0xab1"), 3, "heron/x.bin"), Recognition::Known(0)),
        ("uid even with another id", identity(Some("0xab1"), 1, "card/x.bin"), Recognition::Known(0)),
        ("id alone", identity(None, 3, "card/x.bin"), Recognition::Known(0)),
        ("another uid", identity(Some("0xab2"), 3, "card/x.bin"), Recognition::Unknown),
        ("path", identity(Some("0xab2"), 1, "cards/heron/day1/x.bin"), Recognition::Known(1)),
        ("nothing", identity(None, 9, "card/x.bin"), Recognition::Unknown),
    ] {
        assert_eq!(fleet.recognise(&identity), want, "{case}");
    }
}

#[test]
fn the_starter_reads_and_keeps_an_awkward_name() {
    let fleet = Fleet::parse(&Fleet::starter("The \"marsh\" \\ team")).unwrap();
    assert_eq!(fleet.name, "The \"marsh\" \\ team");
    assert_eq!(fleet.tasks.len(), 13);
    let torque = &fleet.tasks[9];
    assert_eq!(torque.after, Some(After::Change("propeller".to_owned())));
    assert_eq!(torque.every.flights, Some(5));
    assert!(fleet.tasks.iter().all(|t| t.look_for.is_some()), "each says what to look for");
    assert_eq!(fleet.tasks[0].every.airtime_ms, Some(15 * 3_600_000));
}
