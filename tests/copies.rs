//! One log under several paths, and logs that are copies of another one, cut short or damaged: whatever the order, the
//! archive is the same and everything counts once. Through the binary; the reference is the same log imported alone.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod card_support;

use card_support::{Fleet, only, sample};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// A fleet in which only folders tell the aircraft apart.
fn by_folders(aircraft: &[&str]) -> Fleet {
    let fleet = Fleet::new();
    name(&fleet, aircraft);
    fleet
}

fn name(fleet: &Fleet, aircraft: &[&str]) {
    let table = |name: &&str| format!("[[aircraft]]\nname = \"{name}\"\nrecognise.paths = [\"{name}/*\"]\n");
    let text: String = aircraft.iter().map(table).collect();
    fs::write(fleet.dir.path().join("fleet/fleet.toml"), text).unwrap();
}

fn put(fleet: &Fleet, path: &str, bytes: &[u8]) -> PathBuf {
    let path = fleet.dir.path().join("card").join(path);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(&path, bytes).unwrap();
    path
}

/// Without AUTOPILOT_VERSION nothing but the folder tells whose it is.
fn nameless() -> Vec<u8> {
    only(&sample(), |frame| frame.message_id != 148)
}

/// Without SYSTEM_TIME and GPS_RAW_INT there is no date.
fn undated() -> Vec<u8> {
    only(&sample(), |frame| ![2, 24].contains(&frame.message_id))
}

fn same_archives(archives: &[BTreeMap<PathBuf, Vec<u8>>]) {
    let names = |archive: &BTreeMap<PathBuf, Vec<u8>>| archive.keys().cloned().collect::<Vec<_>>();
    for other in &archives[1..] {
        assert_eq!(names(&archives[0]), names(other));
        let differs = archives[0].iter().find(|(path, content)| other[*path] != **content);
        assert_eq!(differs.map(|(path, _)| path), None);
    }
}

#[test]
fn a_log_in_two_folders_is_filed_the_same_in_any_order() {
    let bytes = nameless();
    for (paths, owner, at_odds) in [
        (["backup/log", "heron/log"], "heron", false),
        (["heron/log", "egret/log"], "egret", true),
        (["heron/b", "heron/a"], "heron", false),
    ] {
        let mut archives = Vec::new();
        for order in [&[0, 1][..], &[1, 0], &[0, 1, 0]] {
            for together in [false, true] {
                let fleet = by_folders(&["heron", "egret"]);
                let files = order.iter().map(|n| put(&fleet, paths[*n], &bytes)).collect::<Vec<_>>();
                let said = if together {
                    fleet.fettle(&["import", "card"])
                } else {
                    files.iter().for_each(|file| drop(fleet.import(std::slice::from_ref(file))));
                    // Both are known: said again.
                    fleet.fettle(&["import", "card"])
                };
                let errors = String::from_utf8_lossy(&said.stderr).into_owned();
                assert_eq!(errors.contains("folders of several aircraft"), at_odds, "{errors}");
                let flights = fleet.flights();
                assert_eq!(flights.len(), 1);
                assert_eq!(flights[0]["aircraft"], owner, "{paths:?}");
                archives.push(fleet.archive());
            }
        }
        same_archives(&archives);
    }
}

#[test]
fn a_rotated_log_follows_its_folder() {
    let bytes = nameless();
    let cut = bytes.len() / 2;
    let whole = by_folders(&["heron"]);
    let files = [put(&whole, "heron/a", &bytes[..cut]), put(&whole, "heron/b", &bytes[cut..])];
    whole.import(&files);
    let moved = by_folders(&["heron"]);
    let files = [put(&moved, "x/a", &bytes[..cut]), put(&moved, "x/b", &bytes[cut..])];
    moved.import(&files);
    assert_eq!(moved.flights()[0]["aircraft"], "unnamed-system-1");
    // Only the first file at first, which leads the recording.
    for name in ["a", "b"] {
        let range = if name == "a" { &bytes[..cut] } else { &bytes[cut..] };
        moved.import(&[put(&moved, &format!("heron/{name}"), range)]);
        assert_eq!(moved.flights(), whole.flights());
    }
    same_archives(&[whole.archive(), moved.archive()]);
}

#[test]
fn who_is_named_in_the_settings_later_gets_the_flights() {
    let fleet = by_folders(&[]);
    let log = put(&fleet, "heron/log", &nameless());
    fleet.import(std::slice::from_ref(&log));
    assert_eq!(fleet.flights()[0]["aircraft"], "unnamed-system-1");
    name(&fleet, &["heron"]);
    let output = fleet.fettle(&["reassess"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && said.contains("1 log(s) are another aircraft's"), "{said}");
    assert_eq!(fleet.flights()[0]["aircraft"], "heron");
    let known = by_folders(&["heron"]);
    known.import(&[put(&known, "heron/log", &nameless())]);
    same_archives(&[known.archive(), fleet.archive()]);
    // Importing the card again does the same.
    name(&fleet, &[]);
    fleet.import(std::slice::from_ref(&log));
    assert_eq!(fleet.flights()[0]["aircraft"], "unnamed-system-1");
}

#[test]
fn a_copy_that_was_cut_short_counts_with_the_whole_log() {
    let bytes = undated();
    let reference = Fleet::new();
    reference.import(&[reference.put("whole", &bytes)]);
    let want = reference.flights();
    assert_eq!(want.len(), 1);
    let at = |share: f64| (bytes.len() as f64 * share) as usize;
    // Cut in mid-flight, and a file whose space was set aside before it was written.
    let grown = [&bytes[..at(0.7)], &vec![0; bytes.len()][..]].concat();
    let logs = [&bytes[..at(0.4)], &grown, &bytes];
    let mut archives = Vec::new();
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [2, 0, 1]] {
        let fleet = Fleet::new();
        let mut copies = 0;
        for number in order {
            let summary = fleet.import(&[fleet.put(&format!("log{number}"), logs[number])]);
            copies += summary["logs_copied"].as_u64().unwrap();
        }
        assert_eq!(copies, 2, "{order:?}");
        assert_eq!(fleet.flights(), want, "{order:?}");
        let output = fleet.fettle(&["flights", "--evidence"]);
        let shown = String::from_utf8(output.stdout).unwrap();
        assert!(shown.lines().count() > want.len() + 2, "the copies are kept as evidence: {shown}");
        archives.push(fleet.archive());
    }
    same_archives(&archives);
}

#[test]
fn a_copy_that_lost_sectors_counts_with_the_whole_log() {
    let bytes = undated();
    let reference = Fleet::new();
    reference.import(&[reference.put("whole", &bytes)]);
    let middle = bytes.len() / 2 / 512 * 512;
    let (mut holed, mut headless, mut noisy) = (bytes.clone(), bytes.clone(), bytes.clone());
    holed[middle..middle + 16_384].fill(0);
    headless[..16_384].fill(0xFF);
    noisy[middle..middle + 4_096].iter_mut().for_each(|byte| *byte = byte.wrapping_mul(31) ^ 0x5A);
    let logs = [&holed, &headless, &noisy, &bytes];
    let mut archives = Vec::new();
    for order in [[0, 1, 2, 3], [3, 2, 1, 0], [1, 3, 0, 2]] {
        let fleet = Fleet::new();
        order.iter().for_each(|n| drop(fleet.import(&[fleet.put(&format!("log{n}"), logs[*n])])));
        assert_eq!(fleet.flights(), reference.flights(), "{order:?}");
        archives.push(fleet.archive());
    }
    same_archives(&archives);
    // Another flight of the same aircraft, whose recorder begins in the same way, is one.
    let another =
        fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-03.mavlink"));
    let fleet = Fleet::new();
    let another = only(&another.unwrap(), |frame| ![2, 24].contains(&frame.message_id));
    let summary = fleet.import(&[fleet.put("a", &bytes), fleet.put("b", &another)]);
    assert_eq!((summary["logs_copied"].as_u64(), fleet.flights().len()), (Some(0), 2));
}

#[test]
fn a_copy_of_a_rotated_file_is_none_of_its_recording() {
    let bytes = undated();
    let cut = bytes.len() * 6 / 10;
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let mut archives = Vec::new();
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0]] {
        let logs = [&bytes[..cut], &bytes[cut..], &bytes[..cut / 2]];
        let fleet = Fleet::new();
        order.iter().for_each(|n| drop(fleet.import(&[fleet.put(&format!("log{n}"), logs[*n])])));
        assert_eq!(fleet.flights(), whole.flights());
        archives.push(fleet.archive());
    }
    same_archives(&archives);
}

#[test]
fn the_time_told_to_a_copy_holds_for_the_whole_log() {
    let bytes = undated();
    let fleet = Fleet::new();
    let short = fleet.put("log", &bytes[..bytes.len() / 2]);
    fleet.import(std::slice::from_ref(&short));
    let tell = |arguments: &[&str]| {
        let output = fleet.fettle(&[&["clock", "card/heron/log"], arguments].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    tell(&["--starts", "2026-09-02T08:46:38Z"]);
    let told = fleet.flights()[0]["takeoff_utc"].clone();
    assert!(told.as_str().unwrap().starts_with("2026-09-02T08:46:"), "{told}");
    fleet.import(&[fleet.put("whole", &bytes)]);
    let flights = fleet.flights();
    assert_eq!(flights.len(), 1);
    // The cut flight's liftoff may be a millisecond off.
    assert_eq!(flights[0]["takeoff_utc"].as_str().unwrap()[..19], told.as_str().unwrap()[..19]);
    assert_eq!(flights[0]["complete"], true);
    // Naming the copy means the whole log.
    tell(&["--starts", "2026-09-03T08:46:38Z"]);
    let after = fleet.flights();
    assert!(after[0]["takeoff_utc"].as_str().unwrap().starts_with("2026-09-03T08:46:"), "{after:?}");
    tell(&["--withdraw"]);
    assert!(fleet.flights()[0]["takeoff_utc"].is_null());
    fleet.import(&[fleet.put("other", &sample())]);
    assert!(fleet.flights().iter().any(|f| f["takeoff_utc"].is_null()), "it does not come back");
}

#[test]
fn what_says_that_a_log_is_a_copy_must_be_readable() {
    let bytes = undated();
    let fleet = Fleet::new();
    fleet.import(&[fleet.put("whole", &bytes), fleet.put("cut", &bytes[..bytes.len() / 2])]);
    let copies = fleet.dir.path().join("fleet/archive/copies");
    let file = fs::read_dir(&copies).unwrap().next().unwrap().unwrap().path();
    fs::write(&file, "{").unwrap();
    let output = fleet.fettle(&["flights"]);
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{errors}");
    assert!(errors.contains("remove it and import that log again"), "{errors}");
    assert!(Path::new(&file).exists());
}
