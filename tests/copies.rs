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
fn a_first_file_without_a_vehicle_follows_its_folder_in_any_order() {
    let bytes = nameless();
    // Its first file ends before the first heartbeat (id 0).
    let quiet = only(&bytes, |frame| frame.message_id != 0 || frame.offset > bytes.len() as u64 / 3);
    let cut = quiet.len() / 4;
    let mut archives = Vec::new();
    for order in [[0, 1, 2], [2, 0, 1], [0, 2, 1]] {
        let fleet = by_folders(&["heron"]);
        let files = [
            put(&fleet, "x/1", &quiet[..cut]),
            put(&fleet, "x/2", &quiet[cut..]),
            put(&fleet, "heron/1", &quiet[..cut]),
        ];
        order.iter().for_each(|n| drop(fleet.import(std::slice::from_ref(&files[*n]))));
        assert_eq!(fleet.flights()[0]["aircraft"], "heron", "{order:?}");
        archives.push(fleet.archive());
    }
    same_archives(&archives);
}

/// As a killed process leaves it: the parts drawn alone under the new name, the recording still under the old one.
#[test]
fn a_move_that_was_cut_short_is_mended_by_reassess() {
    let bytes = nameless();
    let cut = bytes.len() / 2;
    let pieces = |fleet: &Fleet| {
        fleet.import(&[put(fleet, "heron/a", &bytes[..cut]), put(fleet, "heron/b", &bytes[cut..])])
    };
    let (want, fleet, alone) = (by_folders(&["heron"]), by_folders(&[]), by_folders(&["heron"]));
    pieces(&want);
    pieces(&fleet);
    alone.import(&[put(&alone, "heron/b", &bytes[cut..])]);
    let root = fleet.dir.path().join("fleet/archive");
    for (path, content) in alone.archive() {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }
    fs::write(root.join(".unjoined.1"), b"").unwrap();
    name(&fleet, &["heron"]);
    let output = fleet.fettle(&["reassess"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(fleet.flights(), want.flights());
    same_archives(&[want.archive(), fleet.archive()]);
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

/// Imports these in every order given and compares what flew and the archives.
fn in_orders(logs: &[&[u8]], orders: &[&[usize]], want: &[serde_json::Value]) {
    let mut archives = Vec::new();
    for order in orders {
        let fleet = Fleet::new();
        order.iter().for_each(|n| drop(fleet.import(&[fleet.put(&format!("log{n}"), logs[*n])])));
        assert_eq!(fleet.flights(), want, "{order:?}");
        archives.push(fleet.archive());
    }
    same_archives(&archives);
}

#[test]
fn a_copy_takes_nothing_from_a_rotated_recording() {
    for bytes in [undated(), only(&sample(), |_| true)] {
        let reference = Fleet::new();
        reference.import(&[reference.put("whole", &bytes)]);
        let want = reference.flights();
        let at = |share: f64| (bytes.len() as f64 * share) as usize;
        let (first, rest) = bytes.split_at(at(0.5));
        // The whole log beside its pieces, a copy that ends within the second piece, other pieces of it.
        in_orders(&[first, rest, &bytes], &[&[0, 1, 2], &[2, 1, 0], &[1, 2, 0]], &want);
        in_orders(&[first, rest, &bytes[..at(0.8)]], &[&[0, 1, 2], &[2, 1, 0], &[1, 2, 0]], &want);
        let (one, two) = bytes.split_at(at(0.3));
        in_orders(&[first, rest, one, two], &[&[0, 1, 2, 3], &[3, 1, 2, 0]], &want);
    }
}

#[test]
fn a_damaged_copy_of_a_piece_does_not_take_its_place() {
    let bytes = only(&sample(), |_| true);
    let reference = Fleet::new();
    reference.import(&[reference.put("whole", &bytes)]);
    let (a, b) = (bytes.len() / 3, bytes.len() * 2 / 3);
    // Bytes are missing in it, so that it is not known as a copy; both fit the piece behind them.
    for gap in [1_000, 4_096] {
        let damaged = [&bytes[a..a + 20_000], &bytes[a + 20_000 + gap..b]].concat();
        let logs = [&bytes[..a], &bytes[a..b], &bytes[b..], &damaged];
        in_orders(&logs, &[&[0, 1, 2, 3], &[3, 2, 1, 0]], &reference.flights());
    }
}

#[test]
fn a_flight_that_only_the_lesser_copy_kept_counts() {
    // Twenty days in one log; each copy lost one of them.
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    let mut days = Vec::new();
    for aircraft in ["heron", "egret", "plover"] {
        let folder = fs::read_dir(samples.join(aircraft)).unwrap().map(|file| file.unwrap().path());
        let mut files: Vec<PathBuf> =
            folder.filter(|p| p.extension().is_some_and(|e| e == "mavlink")).collect();
        files.sort();
        days.extend(files.iter().map(|file| fs::read(file).unwrap()));
    }
    let without = |day: usize| {
        let before = days[..day].concat();
        [&before[..], &vec![0; days[day].len()], &days[day + 1..].concat()].concat()
    };
    let flights = |logs: &[Vec<u8>]| {
        let fleet = Fleet::new();
        logs.iter().enumerate().for_each(|(n, log)| drop(fleet.import(&[fleet.put(&format!("{n}"), log)])));
        let mut flights: Vec<String> = fleet.flights().iter().map(|f| f["takeoff_utc"].to_string()).collect();
        flights.sort();
        (flights, fleet)
    };
    let (want, _) = flights(&[days.concat()]);
    let (found, fleet) = flights(&[without(2), without(9)]);
    assert_eq!(found, want);
    assert_eq!(fs::read_dir(fleet.dir.path().join("fleet/archive/copies")).unwrap().count(), 1);
    assert_eq!(flights(&[without(9), without(2)]).0, want);
}

#[test]
fn the_time_told_to_a_copy_without_its_beginning_is_seen_from_the_whole_log() {
    let bytes = undated();
    let fleet = Fleet::new();
    let reference = Fleet::new();
    let tell = |fleet: &Fleet, file: &str, at: &str| {
        let output = fleet.fettle(&["clock", file, "--starts", at]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    reference.import(&[reference.put("whole", &bytes)]);
    tell(&reference, "card/heron/whole", "2026-09-02T10:00:00Z");
    let takeoff = |fleet: &Fleet| {
        let text = fleet.flights()[0]["takeoff_utc"].as_str().unwrap().to_owned();
        text.parse::<jiff::Timestamp>().unwrap().as_millisecond()
    };
    // Its first instant is told as the reference has it: what flew there took off before.
    let mut headless = bytes.clone();
    headless[..16_384].fill(0);
    fleet.import(&[fleet.put("headless", &headless)]);
    let boot_ms = |fleet: &Fleet, file: &str| {
        let text = fleet.fettle(&["tables", &format!("card/heron/{file}"), "-o", "out", "--force"]);
        assert!(text.status.success(), "{}", String::from_utf8_lossy(&text.stderr));
        let file = fs::File::open(fleet.dir.path().join("out/ATTITUDE.parquet")).unwrap();
        let mut batches = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file)
            .unwrap()
            .build()
            .unwrap();
        let batch = batches.next().unwrap().unwrap();
        let column = batch.column_by_name("time_boot_ms").unwrap().clone();
        i64::from(column.as_any().downcast_ref::<arrow_array::UInt32Array>().unwrap().value(0))
    };
    let later_ms = boot_ms(&fleet, "headless") - boot_ms(&reference, "whole");
    assert!(later_ms > 5_000, "{later_ms}");
    let start = "2026-09-02T10:00:00Z".parse::<jiff::Timestamp>().unwrap().as_millisecond() + later_ms;
    tell(&fleet, "card/heron/headless", &jiff::Timestamp::from_millisecond(start).unwrap().to_string());
    fleet.import(&[fleet.put("whole", &bytes)]);
    assert_eq!(fleet.flights().len(), 1);
    let off_ms = takeoff(&fleet) - takeoff(&reference);
    assert!(off_ms.abs() < 1_000, "{off_ms} ms off");
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
    // What would change nothing is refused.
    let start = "2026-09-03T08:46:38Z";
    for (arguments, why) in [
        (&["--shift", "2h"][..], "tells no time"),
        (&["--boot", "7", "--starts", start][..], "no boot session 7"),
    ] {
        let output = fleet.fettle(&[&["clock", "card/heron/log"], arguments].concat());
        assert_eq!(output.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&output.stderr).contains(why), "{output:?}");
    }
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
