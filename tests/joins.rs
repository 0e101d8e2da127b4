//! `join`: what no file tells of two logs a person says, and takes back; what the files tell wrongly, too. The reference is the
//! log with the same hole in one piece.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test stops at the first surprise")]

mod card_support;

use card_support::{Fleet, only, sample, undated};
use proptest::prelude::*;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// What is left of a log in a span of boot time.
fn from(bytes: &[u8], span: Range<u32>) -> Vec<u8> {
    let mut boot_ms = 0;
    only(bytes, |frame| {
        // ATTITUDE and GLOBAL_POSITION_INT begin with the time since boot.
        if [30, 33].contains(&frame.message_id) {
            boot_ms = u32::from_le_bytes(frame.payload[..4].try_into().unwrap());
        }
        span.contains(&boot_ms)
    })
}

/// The same of the sample without its dates.
fn spans<const N: usize>(times_ms: [Range<u32>; N]) -> [Vec<u8>; N] {
    let bytes = undated(&sample());
    times_ms.map(|span| from(&bytes, span))
}

/// Half a minute in the air is missing: what lies before it, behind it, and behind a second cut.
fn around_a_hole() -> [Vec<u8>; 3] {
    spans([0..60_000, 90_000..120_000, 120_000..u32::MAX])
}

fn said(output: &std::process::Output) -> (Option<i32>, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

fn in_one_piece(pieces: &[&[u8]]) -> Vec<Value> {
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &pieces.concat())]);
    whole.flights()
}

#[test]
fn what_no_file_tells_a_person_says_and_takes_back() {
    let [a, b, c] = around_a_hole();
    let want = in_one_piece(&[&a, &b, &c]);
    assert_eq!(want.len(), 1);
    let split = Fleet::new();
    let files = [split.put("q", &c), split.put("r", &a), split.put("s", &b)];
    split.import(&files);
    let apart = split.flights();
    assert_eq!(apart.len(), 2, "{apart:?}");
    let before = split.archive();

    // The first and the last: what lies between them goes with the last.
    let (code, out, err) = said(&split.fettle(&["join", "card/heron/r", "card/heron/q"]));
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert!(out.starts_with("one recording of 3 log(s)\n"), "{out}");
    assert!(out.contains("are one recording"), "{out}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    assert_eq!(split.flights(), want);
    let joined = split.archive();

    // Shown without being changed; said again it is the same.
    let (_, shown, _) = said(&split.fettle(&["join", "card/heron/s"]));
    assert_eq!(shown, out);
    split.fettle(&["join", "card/heron/q", "card/heron/r"]);
    assert_eq!(split.archive(), joined);
    // Importing again changes nothing.
    split.import(&files);
    assert_eq!(split.archive(), joined);

    let (code, out, _) = said(&split.fettle(&["join", "card/heron/q", "--withdraw"]));
    assert_eq!(code, Some(0), "{out}");
    assert_eq!(split.flights(), apart);
    assert_eq!(split.archive(), before);
    let (code, _, err) = said(&split.fettle(&["join", "card/heron/q", "--withdraw"]));
    assert_eq!(code, Some(1));
    assert!(err.contains("nothing was said"), "{err}");
}

#[test]
fn an_import_names_the_flight_that_may_be_cut_in_two() {
    let [a, b, c] = around_a_hole();
    let split = Fleet::new();
    let files = [split.put("a", &a), split.put("b", &[&b[..], &c].concat())];
    let (code, out, err) = said(&split.fettle(&["import", "card"]));
    assert_eq!(code, Some(0), "{err}");
    let told = out.split_whitespace().collect::<Vec<_>>().join(" ");
    // The hole is from 60 to 90 s; stamps are up to half a second apart.
    let lost = told.split("begins in the air ").nth(1).unwrap().split(" s later").next().unwrap();
    assert!((29.0..=31.0).contains(&lost.parse::<f64>().unwrap()), "{lost}");
    // The command as it is printed.
    let command = out.lines().find_map(|line| line.strip_prefix("  fettle ")).unwrap();
    assert_eq!(said(&split.fettle(&command.split(' ').collect::<Vec<_>>())).0, Some(0), "{command}");
    assert_eq!(split.flights(), in_one_piece(&[&a, &b, &c]));
    // It is told once, where a log is new, and not of what was said.
    assert_eq!(split.import(&files)["flights_severed"], 0);
    let again = Fleet::new();
    again.put("a", &a);
    again.put("b", &[&b[..], &c].concat());
    let (_, lines, _) = said(&again.fettle(&["import", "--json", "card"]));
    let severed: Vec<Value> = lines
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|record| record["type"] == "severed")
        .collect();
    assert_eq!(severed.len(), 1, "{lines}");
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas/records.schema.json");
    let schema: Value = serde_json::from_str(&fs::read_to_string(schema).unwrap()).unwrap();
    assert!(jsonschema::is_valid(&schema, &severed[0]), "{severed:?}");
}

#[test]
fn what_was_said_is_done_by_the_next_import_if_the_process_died() {
    let [a, b, c] = around_a_hole();
    let split = Fleet::new();
    let files = [split.put("a", &a), split.put("b", &[&b[..], &c].concat())];
    split.import(&files);
    split.fettle(&["join", "card/heron/a", "card/heron/b"]);
    let joined = (split.flights(), split.archive());
    let word = joined.1.keys().find(|path| path.starts_with("joins")).unwrap().clone();
    split.fettle(&["join", "card/heron/a", "--withdraw"]);
    assert_eq!(split.flights().len(), 2);
    // The word is there, and the mark of whoever died before the recording was drawn.
    let archive = split.dir.path().join("fleet/archive");
    fs::write(archive.join(&word), &joined.1[&word]).unwrap();
    fs::write(archive.join(".unjoined.0-0"), "").unwrap();
    split.import(&files);
    assert_eq!((split.flights(), split.archive()), joined);
    // So is what an import left half done by the next word: the findings of all aircraft are there again.
    let findings: Vec<&PathBuf> = joined.1.keys().filter(|path| path.starts_with("findings")).collect();
    assert!(!findings.is_empty());
    findings.iter().for_each(|path| fs::remove_file(archive.join(path)).unwrap());
    fs::write(archive.join(".unjoined.0-0"), "").unwrap();
    assert_eq!(said(&split.fettle(&["join", "card/heron/a", "card/heron/b"])).0, Some(0));
    assert_eq!((split.flights(), split.archive()), joined);
}

#[test]
fn what_the_files_tell_wrongly_a_person_parts() {
    let [_, b, c] = around_a_hole();
    let split = Fleet::new();
    let files = [split.put("b", &b), split.put("c", &c)];
    split.import(&files);
    let joined = split.flights();
    assert_eq!(joined.len(), 1, "{joined:?}");
    let before = split.archive();
    let (code, out, err) = said(&split.fettle(&["join", "--apart", "card/heron/c", "card/heron/b"]));
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert_eq!(split.flights().len(), 2);
    assert_eq!(out.matches("one recording of 1 log(s)").count(), 2, "{out}");
    assert!(out.contains("are apart"), "{out}");
    split.import(&files);
    assert_eq!(split.flights().len(), 2);
    // The last word holds.
    split.fettle(&["join", "card/heron/b", "card/heron/c"]);
    assert_eq!(split.flights(), joined);
    split.fettle(&["join", "card/heron/b", "--withdraw"]);
    assert_eq!((split.flights(), split.archive()), (joined, before));
}

#[test]
fn what_cannot_be_is_refused_and_nothing_changes() {
    let [a, b, _] = around_a_hole();
    let split = Fleet::new();
    // Another day's, half a minute of it, at the time that the first one covers; and one of another kind.
    let stamped: Vec<u8> = {
        let stamp = 1_790_000_000_000_000u64.to_be_bytes();
        let mut bytes = Vec::new();
        only(&b, |frame| {
            bytes.extend_from_slice(&stamp);
            bytes.extend_from_slice(frame.raw);
            false
        });
        bytes
    };
    let other = undated(
        &fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-03.mavlink"))
            .unwrap(),
    );
    let files = [
        split.put("a", &a),
        split.put("b", &b),
        split.put("other", &other),
        split.put("stamped", &stamped),
        split.put("copy", &a[..a.len() / 2]),
    ];
    split.import(&files);
    let before = split.archive();
    for (arguments, why) in [
        (&["join", "card/heron/a", "card/heron/other"][..], "before"),
        (&["join", "card/heron/a", "card/heron/stamped"], "streams of two kinds"),
        (&["join", "card/heron/a", "card/heron/a"], "given twice"),
        (&["join", "card/heron/a", "card/heron/copy"], "copy"),
        (&["join", "card/heron/a", "ffffffffffff"], "no imported log"),
        (&["join", "card/heron/a", "--apart"], "two logs or more"),
        (&["join", "card/heron/a", "card/heron/b", "--withdraw"], "nothing was said"),
    ] {
        let (code, _, err) = said(&split.fettle(arguments));
        assert_eq!(code, Some(1), "{arguments:?}: {err}");
        assert!(err.contains(why), "{arguments:?}: {err}");
        assert_eq!(split.archive(), before, "{arguments:?}");
    }
}

#[test]
fn what_is_said_of_a_copy_is_said_of_the_log() {
    let [a, b, _] = around_a_hole();
    let split = Fleet::new();
    split.import(&[split.put("a", &a), split.put("b", &b), split.put("copy", &a[..a.len() / 2])]);
    let (code, out, err) = said(&split.fettle(&["join", "card/heron/copy", "card/heron/b"]));
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert_eq!(split.flights(), in_one_piece(&[&a, &b]));
    let (code, out, err) = said(&split.fettle(&["join", "card/heron/copy", "--withdraw"]));
    assert_eq!((code, err.as_str()), (Some(0), ""), "{out}");
    assert_eq!(split.flights().len(), 2);
}

/// Another day's log without dates, from a time after boot on.
fn another_day(from_ms: u32) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-03.mavlink");
    from(&undated(&fs::read(path).unwrap()), from_ms..u32::MAX)
}

/// A word that was a slip makes no log a copy, nor takes its flight away, when the whole log comes; and a right one holds in
/// any order.
#[test]
fn a_word_makes_no_copy() {
    let [a, b, c] = around_a_hole();
    let (other, whole) = (another_day(130_000), undated(&sample()));
    let slip = Fleet::new();
    slip.import(&[slip.put("a", &a), slip.put("other", &other)]);
    assert_eq!(said(&slip.fettle(&["join", "card/heron/a", "card/heron/other"])).0, Some(0));
    slip.import(&[slip.put("whole", &whole)]);
    let (code, out, err) = said(&slip.fettle(&["join", "card/heron/other"]));
    assert_eq!(code, Some(0), "{err}");
    assert!(out.starts_with("one recording of 1 log(s)\n"), "{out}");
    let airtime_ms =
        |fleet: &Fleet| -> i64 { fleet.flights().iter().map(|f| f["airtime_ms"].as_i64().unwrap()).sum() };
    let apart = Fleet::new();
    apart.import(&[apart.put("whole", &whole), apart.put("other", &other)]);
    assert_eq!(airtime_ms(&slip), airtime_ms(&apart));
    let (code, _, err) = said(&slip.fettle(&["join", "card/heron/a", "--withdraw"]));
    assert_eq!(code, Some(0), "{err}");

    // A copy of the first that was taken later, when the file had grown.
    let grown = [&a[..], &from(&whole, 60_000..70_000)].concat();
    let rest = [&b[..], &c].concat();
    let fleet = |word_first: bool| {
        let fleet = Fleet::new();
        let files = [fleet.put("a", &a), fleet.put("b", &rest)];
        fleet.import(&files);
        let word = || assert_eq!(said(&fleet.fettle(&["join", "card/heron/a", "card/heron/b"])).0, Some(0));
        if word_first {
            word();
        }
        fleet.import(&[fleet.put("grown", &grown)]);
        if !word_first {
            word();
        }
        fleet
    };
    let (first, last) = (fleet(true), fleet(false));
    assert_eq!(first.flights(), in_one_piece(&[&grown, &rest]));
    assert_eq!(first.flights(), last.flights());
    let derived = |fleet: &Fleet| -> BTreeMap<PathBuf, Vec<u8>> {
        fleet.archive().into_iter().filter(|(path, _)| !path.starts_with("joins")).collect()
    };
    assert!(derived(&first) == derived(&last), "the archive depends on when it was said");
}

/// The time of a part is not that of its recording, and what was told of each part before holds again where they are parted.
#[test]
fn times_told_of_parts_survive_joining_and_parting() {
    let [a, b, c] = around_a_hole();
    let split = Fleet::new();
    split.import(&[split.put("a", &a), split.put("b", &[&b[..], &c].concat())]);
    let clock = |log: &str, starts: &str| {
        let (code, out, err) = said(&split.fettle(&["clock", log, "--starts", starts]));
        assert_eq!(code, Some(0), "{out} {err}");
    };
    let takeoffs = || -> Vec<String> {
        split.flights().iter().map(|f| f["takeoff_utc"].as_str().unwrap_or("none").to_owned()).collect()
    };
    clock("card/heron/b", "2026-09-02T10:00:00Z");
    let one_dated = takeoffs();
    let (_, _, err) = said(&split.fettle(&["join", "card/heron/a", "card/heron/b"]));
    assert_eq!(err, "");
    // The first log begins as much earlier as its boot clock says: its takeoff is 18 s after boot, the second log begins at 90 s.
    let joined = takeoffs();
    assert!(joined[0].starts_with("2026-09-02T09:58:4"), "{joined:?}");
    // Said again of the later log it is the same, and of the first log it is that log's.
    clock("card/heron/b", "2026-09-02T10:00:00Z");
    assert_eq!(takeoffs(), joined);
    clock("card/heron/a", "2026-09-02T12:00:00Z");
    assert!(takeoffs()[0].starts_with("2026-09-02T12:00:1"), "{:?}", takeoffs());
    split.fettle(&["join", "card/heron/a", "--withdraw"]);
    let parted = takeoffs();
    assert!(parted[0].starts_with("2026-09-02T10:00:0") && parted.len() == 2, "{parted:?}");
    assert_eq!(one_dated.iter().filter(|utc| parted.contains(utc)).count(), 1, "{one_dated:?} {parted:?}");
}

#[test]
fn two_aircraft_or_two_days_are_refused() {
    let sample_of =
        |name: &str| fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs").join(name)).unwrap();
    let half = |name: &str, times_ms: Range<u32>| from(&only(&sample_of(name), |_| true), times_ms);
    let split = Fleet::new();
    let files = [
        split.put("one", &half("egret/2026-09-02.mavlink", 0..60_000)),
        split.put("day", &half("egret/2026-09-03.mavlink", 80_000..u32::MAX)),
        split.put("whole", &half("egret/2026-09-07.mavlink", 0..u32::MAX)),
        split.put("plover", &half("plover/2026-09-02.mavlink", 80_000..u32::MAX)),
    ];
    split.import(&files);
    let before = split.archive();
    for (other, why) in
        [("day", "was booted anew"), ("whole", "was booted anew"), ("plover", "no vehicle speaks in both")]
    {
        let (code, _, err) = said(&split.fettle(&["join", "card/heron/one", &format!("card/heron/{other}")]));
        assert_eq!(code, Some(1), "{err}");
        assert!(err.contains(why), "{err}");
    }
    assert_eq!(split.archive(), before);
    // Who corrected the one that tells a wrong date may say so.
    split.fettle(&["clock", "card/heron/day", "--shift", "-24h"]);
    let (code, _, err) = said(&split.fettle(&["join", "card/heron/one", "card/heron/day"]));
    assert_eq!(code, Some(0), "{err}");
}

/// Where the rest of a flight comes after what was said, it is told, too; and another day's flight is not.
#[test]
fn what_lies_in_the_hole_of_a_recording_is_named() {
    let [a, b, c] = spans([0..45_000, 60_000..100_000, 115_000..u32::MAX]);
    let split = Fleet::new();
    assert_eq!(split.import(&[split.put("a", &a), split.put("c", &c)])["flights_severed"], 1);
    split.fettle(&["join", "card/heron/a", "card/heron/c"]);
    assert_eq!(split.import(&[split.put("b", &b)])["flights_severed"], 1);
    let (code, out, err) = said(&split.fettle(&["join", "card/heron/a", "card/heron/b"]));
    assert_eq!(code, Some(0), "{err}");
    assert!(out.starts_with("one recording of 3 log(s)\n"), "{out}");
    assert_eq!(split.flights(), in_one_piece(&[&a, &b, &c]));
    let days = Fleet::new();
    let files = [days.put("a", &a), days.put("other", &another_day(75_000))];
    assert_eq!(days.import(&files)["flights_severed"], 0);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, max_shrink_iters: 20, ..ProptestConfig::default() })]

    /// Files between which a quarter of a minute and more is missing each time are one flight, said to be one in any pairs, before
    /// or after the rest is imported, and the archive is the same.
    #[test]
    fn what_is_said_holds_whatever_comes_when(
        cut_ms in 30_000u32..45_000,
        lost_ms in 15_000u32..30_000,
        turn in any::<prop::sample::Index>(),
        chain in any::<bool>(),
        late in any::<bool>(),
    ) {
        let from_ms = [cut_ms + lost_ms, cut_ms + 2 * lost_ms + 20_000];
        let pieces = spans([0..cut_ms, from_ms[0]..from_ms[0] + 20_000, from_ms[1]..u32::MAX]);
        let want = in_one_piece(&[&pieces[0], &pieces[1], &pieces[2]]);
        let names = ["x", "y", "z"];
        let put = |fleet: &Fleet| -> Vec<PathBuf> {
            (0..3).map(|piece| fleet.put(names[piece], &pieces[piece])).collect()
        };
        let say = |fleet: &Fleet, a: usize, b: usize| {
            let [a, b] = [a, b].map(|piece| format!("card/heron/{}", names[piece]));
            let (code, out, err) = said(&fleet.fettle(&["join", &a, &b]));
            prop_assert_eq!(code, Some(0), "{} {}", out, err);
            Ok(())
        };
        let straight = Fleet::new();
        straight.import(&put(&straight));
        say(&straight, 0, 1)?;
        say(&straight, 0, 2)?;
        prop_assert_eq!(straight.flights(), want);
        let other = Fleet::new();
        let files = put(&other);
        let first = turn.index(2);
        if late {
            other.import(&[files[2].clone(), files[first].clone()]);
            say(&other, 2, first)?;
            other.import(&files);
            say(&other, 1 - first, if chain { 2 } else { first })?;
        } else {
            other.import(&files);
            say(&other, 2, 1)?;
            say(&other, if chain { 1 } else { 2 }, 0)?;
        }
        prop_assert_eq!(other.flights(), straight.flights());
        let without_words = |fleet: &Fleet| -> BTreeMap<PathBuf, Vec<u8>> {
            fleet.archive().into_iter().filter(|(path, _)| !path.starts_with("joins")).collect()
        };
        prop_assert!(without_words(&other) == without_words(&straight));
    }
}
