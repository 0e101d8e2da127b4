//! What a real card holds beside logs: loops of links, odd names, files that grow, logs without a date. Through the
//! binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod card_support;

use card_support::{Fleet, only, sample};
use serde_json::Value;
use std::fs;
use std::io::Write;

/// Message ids that carry a date: SYSTEM_TIME and GPS_RAW_INT.
const DATED: [u32; 2] = [2, 24];

fn undated() -> Vec<u8> {
    only(&sample(), |frame| !DATED.contains(&frame.message_id))
}

#[test]
fn a_log_without_a_date_is_given_one_that_can_be_corrected_and_taken_back() {
    let fleet = Fleet::new();
    let log = fleet.put("log", &undated());
    fleet.import(std::slice::from_ref(&log));
    let before = (fleet.flights(), fleet.archive());
    assert!(before.0.iter().all(|f| f["takeoff_utc"].is_null()));
    assert!(before.1.keys().any(|path| path.to_string_lossy().contains("date=unknown")));

    let clock = |more: &[&str]| {
        let output = fleet.fettle(&[&["clock", "card/heron/log"], more].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(clock(&[]).contains("--starts INSTANT"));
    let document: Value = {
        let output = fleet.fettle(&["read", "--json", "card/heron/log"]);
        serde_json::from_slice(&output.stdout).unwrap()
    };
    for (told, day) in [("2026-09-14T08:30:00Z", "2026-09-14"), ("2026-09-15T08:30:00+02:00", "2026-09-15")] {
        let text = clock(&["--starts", told]);
        assert!(text.contains("(from told)"), "{text}");
        let flights = fleet.flights();
        assert_eq!(flights.len(), before.0.len());
        for (flight, was) in flights.iter().zip(&before.0) {
            assert!(flight["takeoff_utc"].as_str().unwrap().starts_with(day), "{flight}");
            assert_eq!(flight["airtime_ms"], was["airtime_ms"]);
        }
        let archive = fleet.archive();
        let telemetry = |path: &std::path::Path| path.to_string_lossy().contains("date=");
        assert!(
            archive.keys().filter(|p| telemetry(p)).all(|p| p.to_string_lossy().contains(day)),
            "nothing stays"
        );
        // The first stamped message is the instant that was told.
        let first = flights[0]["takeoff_boot_ms"].as_i64().unwrap();
        assert!(first > 0 && document["flights"][0]["takeoff_boot_ms"] == first);
    }
    clock(&["--withdraw"]);
    assert!(fleet.archive() == before.1, "taking it back leaves the archive as it was");
    let wrong = fleet.fettle(&["clock", "card/heron/log", "--starts", "yesterday"]);
    assert_eq!(wrong.status.code(), Some(2));
    let far = fleet.fettle(&["clock", "card/heron/log", "--shift", "2000000h"]);
    assert_eq!(far.status.code(), Some(2), "no clock is off by centuries");
    let no_key = fleet.fettle(&["clock", "card/heron/log", "--shift", "1h", "--signing-key", "nowhere"]);
    assert_eq!(no_key.status.code(), Some(1));
    assert!(fleet.archive() == before.1, "what is refused changes nothing");
    let none = fleet.fettle(&["clock", "0000"]);
    assert_eq!(none.status.code(), Some(1));
}

#[test]
fn a_clock_that_was_off_is_shifted_for_all_files_of_the_recording() {
    let fleet = Fleet::new();
    let bytes = sample();
    let half = bytes.len() / 2;
    let files = [fleet.put("a", &bytes[..half]), fleet.put("b", &bytes[half..])];
    fleet.import(&files);
    let before = fleet.flights();
    // The second file names the same recording.
    let output = fleet.fettle(&["clock", "card/heron/b", "--shift", "-2h"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let after = fleet.flights();
    assert_eq!(after.len(), before.len());
    for (flight, was) in after.iter().zip(&before) {
        let at = |f: &Value| f["takeoff_utc"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        assert_eq!(at(was).duration_since(at(flight)).as_secs(), 7200);
    }
    // A later import of anything leaves it so.
    fleet.import(&files);
    assert_eq!(fleet.flights(), after);
}

#[test]
fn debris_before_a_frame_gives_no_date() {
    // What is left of a broken HEARTBEAT can be eight bytes that read as a date of this century (big-endian
    // microseconds): here 2023-10-18.
    let bytes = undated();
    let half = only(&bytes, |frame| frame.offset < bytes.len() as u64 / 2).len();
    let debris = 1_697_645_966_000_000u64.to_be_bytes();
    for log in [[&bytes[..half], &debris, &bytes[half..]].concat(), [&debris[..], &bytes].concat()] {
        let fleet = Fleet::new();
        fleet.import(&[fleet.put("log", &log)]);
        let flights = fleet.flights();
        assert!(flights.len() == 1 && flights[0]["takeoff_utc"].is_null(), "{flights:?}");
    }
}

#[cfg(unix)]
#[test]
fn links_odd_names_and_folders_that_refuse_do_not_stop_an_import() {
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::{PermissionsExt, symlink};
    let fleet = Fleet::new();
    let card = fleet.dir.path().join("card");
    symlink(&card, card.join("heron/loop")).unwrap();
    symlink("itself", card.join("itself")).unwrap();
    symlink("nowhere", card.join("dangling")).unwrap();
    let odd = card.join("heron").join(std::ffi::OsStr::from_bytes(b"log\xff\xfe\n1"));
    fs::write(&odd, sample()).unwrap();
    let shut = card.join("shut");
    fs::create_dir(&shut).unwrap();
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o000)).unwrap();
    let readable = fs::read_dir(&shut).is_ok(); // root may read everything
    let output = fleet.fettle(&["import", "card"]);
    fs::set_permissions(&shut, fs::Permissions::from_mode(0o755)).unwrap();
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(if readable { 0 } else { 3 }), "{errors}");
    assert_eq!(errors.contains("shut"), !readable, "{errors}");
    assert_eq!(fleet.flights().len(), 1);
}

#[cfg(unix)]
#[test]
fn an_archive_that_cannot_be_reached_is_not_one_in_which_nothing_flew() {
    use std::os::unix::fs::{PermissionsExt, symlink};
    let fleet = Fleet::new();
    fleet.import(&[fleet.put("log", &sample())]);
    let refused = |words: &str| {
        for arguments in [&["flights"][..], &["findings"], &["hours"], &["import", "card"]] {
            let output = fleet.fettle(arguments);
            let errors = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(1), "{arguments:?}: {errors}");
            assert!(errors.contains(words), "{arguments:?}: {errors}");
        }
    };
    let root = fleet.dir.path().join("fleet");
    let (archive, disk) = (root.join("archive"), root.join("disk"));
    fs::rename(&archive, &disk).unwrap();
    symlink("disk", &archive).unwrap();
    assert_eq!(fleet.flights().len(), 1, "a link is fine as long as it leads somewhere");
    fs::rename(&disk, root.join("away")).unwrap();
    refused("archive is a link to something that is not there");
    fs::rename(root.join("away"), &disk).unwrap();
    // One aircraft on a disk of its own.
    let heron = disk.join("flights/aircraft=heron");
    fs::rename(&heron, root.join("heron")).unwrap();
    symlink(root.join("gone"), &heron).unwrap();
    refused("aircraft=heron is a link to something that is not there");
    fs::remove_file(&heron).unwrap();
    fs::rename(root.join("heron"), &heron).unwrap();
    assert_eq!(fleet.flights().len(), 1);
    fs::set_permissions(&heron, fs::Permissions::from_mode(0o000)).unwrap();
    let readable = fs::read_dir(&heron).is_ok(); // root may read everything
    let output = fleet.fettle(&["flights"]);
    fs::set_permissions(&heron, fs::Permissions::from_mode(0o755)).unwrap();
    assert_eq!(output.status.code(), Some(if readable { 0 } else { 1 }));
}

#[test]
fn a_file_that_grows_while_it_is_read_is_read_as_far_as_it_was() {
    let fleet = Fleet::new();
    let bytes = sample();
    let log = fleet.put("log", &bytes[..1000]);
    let mut file = fs::OpenOptions::new().append(true).open(&log).unwrap();
    let rest = bytes[1000..].to_vec();
    let writer = std::thread::spawn(move || {
        for piece in rest.chunks(2_000) {
            file.write_all(piece).unwrap();
            std::thread::sleep(std::time::Duration::from_millis(4));
        }
    });
    std::thread::sleep(std::time::Duration::from_millis(30));
    let summary = fleet.import(std::slice::from_ref(&log));
    writer.join().unwrap();
    assert_eq!(summary["logs_new"], 1);
    // The copy is a beginning of the file, byte for byte.
    let copies: Vec<Vec<u8>> = fleet
        .archive()
        .into_iter()
        .filter(|(path, _)| path.starts_with("raw"))
        .map(|(_, copy)| zstd::decode_all(&copy[..]).unwrap())
        .collect();
    assert_eq!(copies.len(), 1);
    assert!(bytes.starts_with(&copies[0]) && copies[0].len() >= 1000);
}
