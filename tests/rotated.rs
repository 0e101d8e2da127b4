//! A recording rotated over files, in any order, is the recording; a flight in two recordings counts once. Through
//! the binary, on the sample logs; the reference is the same log in one piece.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod card_support;

use card_support::{Fleet, only, sample, undated, with_payloads};
use fettle::wire::{Definitions, Scanner};
use proptest::prelude::*;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The pieces between cuts, some of which have another one close behind them; none is shorter than `least` bytes.
fn pieces<'b>(bytes: &'b [u8], cuts: &[(prop::sample::Index, Option<usize>)], least: usize) -> Vec<&'b [u8]> {
    let one = |(cut, close): &(prop::sample::Index, Option<usize>)| {
        let at = cut.index(bytes.len());
        [Some(at), close.map(|close| at + close)]
    };
    card_support::pieces(bytes, cuts.iter().flat_map(one).flatten().collect(), least)
}

/// The power failed somewhere, and a ground station that was started anew as well records the next flight, too.
fn rebooted(at: prop::sample::Index, bytes: &[u8]) -> Vec<u8> {
    let next = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-03.mavlink");
    [&bytes[..at.index(bytes.len())], &fs::read(next).unwrap()].concat()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 20, max_shrink_iters: 20, ..ProptestConfig::default() })]

    /// Split anywhere, imported in any order and in any number of imports: the flights are those of the whole.
    #[test]
    fn a_log_split_anywhere_has_the_flights_of_the_whole(
        cuts in prop::collection::vec((any::<prop::sample::Index>(), prop::option::of(300..3_000usize)), 1..4),
        order in any::<prop::sample::Index>(),
        together in any::<bool>(),
        failed in prop::option::of(any::<prop::sample::Index>()),
    ) {
        let bytes = failed.map_or_else(sample, |at| rebooted(at, &sample()));
        let whole = Fleet::new();
        whole.import(&[whole.put("whole", &bytes)]);
        let want = whole.flights();
        prop_assert!(failed.is_some() || want.len() == 1);

        let split = Fleet::new();
        // A piece must hold a whole frame to be known as telemetry at all.
        let mut files: Vec<PathBuf> = pieces(&bytes, &cuts, 300)
            .iter()
            .enumerate()
            .map(|(number, piece)| split.put(&format!("part{number}"), piece))
            .collect();
        split.import_turned(&mut files, order, together);
        prop_assert_eq!(split.flights(), want);
        let again = split.archive();
        let summary = split.import(&files);
        prop_assert_eq!(&summary["logs_new"], &Value::from(0));
        prop_assert!(again == split.archive(), "importing again changed the archive");
    }
}

/// A recorder that wrote a block twice and rotated within either copy, or where they meet.
#[test]
fn a_cut_within_a_block_that_repeats_is_no_second_flight() {
    let bytes = undated(&sample());
    let mut frames: Vec<usize> = Vec::new();
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |frame| frames.push(frame.offset as usize));
    let size = 20_000;
    for share in [5, 12, 18] {
        let at = |from: usize| frames[frames.partition_point(|frame| *frame < from)];
        let place = bytes.len() * share / 24;
        // Blocks of frames, and of a file system: the latter break the frames at both ends, and a cut in these proves nothing.
        let (from, again) = (at(place), at(place + size));
        let between_frames = again + at(place + size / 2) - from;
        let whole_frames = [again - 9, again - 1, again + 1, again + 9, between_frames];
        let whole_frames = whole_frames.map(|cut| (from, again, cut));
        let (from, again) = (place, place + size);
        let blocks =
            [again - 400, again + 400, again + size / 2, again + size - 400].map(|cut| (from, again, cut));
        for (from, again, cut) in whole_frames.into_iter().chain(blocks) {
            let twice = [&bytes[..again], &bytes[from..again], &bytes[again..]].concat();
            let whole = Fleet::new();
            whole.import(&[whole.put("whole", &twice)]);
            let want = whole.flights();
            assert_eq!(want.len(), 1);
            for order in [[0, 1], [1, 0]] {
                let split = Fleet::new();
                let files = [split.put("a", &twice[..cut]), split.put("b", &twice[cut..])];
                order.iter().for_each(|n| drop(split.import(std::slice::from_ref(&files[*n]))));
                assert_eq!(split.flights(), want, "{from} {again} {cut}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, max_shrink_iters: 20, ..ProptestConfig::default() })]

    /// Of two cuts so close that no whole frame is between them, nor any date in the log.
    #[test]
    fn a_piece_without_a_frame_makes_no_second_flight(
        cuts in prop::collection::vec((any::<prop::sample::Index>(), prop::option::of(1..300usize)), 1..4),
        order in any::<prop::sample::Index>(),
        failed in prop::option::of(any::<prop::sample::Index>()),
        dated in any::<bool>(),
    ) {
        let bytes = failed.map_or_else(sample, |at| rebooted(at, &sample()));
        let bytes = if dated { only(&bytes, |_| true) } else { undated(&bytes) };
        let whole = Fleet::new();
        whole.import(&[whole.put("whole", &bytes)]);
        let want = whole.flights();
        let split = Fleet::new();
        let pieces = pieces(&bytes, &cuts, 1);
        let mut files: Vec<(String, usize)> = pieces
            .iter()
            .enumerate()
            .map(|(number, piece)| {
                let name = format!("part{number}");
                split.put(&name, piece);
                (format!("card/heron/{name}"), piece.len())
            })
            .collect();
        let turn = order.index(files.len());
        files.rotate_left(turn);
        for (file, len) in &files {
            let code = split.fettle(&["import", file]).status.code();
            prop_assert!(code == Some(0) || *len < 300, "{len} bytes: {code:?}");
        }
        let lens: Vec<usize> = pieces.iter().map(|p| p.len()).collect();
        let got = split.flights();
        prop_assert_eq!(got.len(), want.len(), "{:?}", lens);
        for (got, want) in got.iter().zip(&want) {
            let off_ms = got["airtime_ms"].as_i64().unwrap() - want["airtime_ms"].as_i64().unwrap();
            prop_assert!(off_ms.abs() < 100, "{lens:?}: off by {off_ms} ms");
            let (bounds, want_ms) = (&got["airtime_bounds_ms"], want["airtime_ms"].as_i64());
            let within = bounds[0].as_i64() <= want_ms && want_ms <= bounds[1].as_i64();
            prop_assert!(within, "{lens:?}: {want} beyond {bounds}");
        }
    }
}

/// A file within a frame, or from within one into the next, is nothing by itself, and makes its neighbours whole: by any
/// other way the flights would lack a frame.
#[test]
fn a_piece_without_a_frame_is_placed_between_its_neighbours() {
    let bytes = sample();
    let mut frames: Vec<(usize, usize)> = Vec::new();
    Scanner::new(Definitions::builtin())
        .scan(&bytes, true, &mut |frame| frames.push((frame.offset as usize, frame.raw.len())));
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let want = whole.flights();
    for share in 1..6 {
        let (at, len) = frames[frames.len() * share / 6];
        let next = frames[frames.len() * share / 6 + 1].1;
        // One byte; within the frame; from it into the next; from between two; up to the last byte of the next.
        let cuts = [(at + 4, at + 5), (at + 1, at + len - 1), (at + 3, at + len + 3), (at, at + 6)];
        for (number, (from, to)) in cuts.into_iter().chain([(at + 9, at + len + next - 1)]).enumerate() {
            let parts = [&bytes[..from], &bytes[from..to], &bytes[to..]];
            let order = [[0, 1, 2], [2, 1, 0], [1, 2, 0], [0, 2, 1]][(share + number) % 4];
            let split = Fleet::new();
            for part in order {
                split.put(&format!("part{part}"), parts[part]);
                let out = split.fettle(&["import", &format!("card/heron/part{part}")]);
                // The piece is answered for where nothing lies around it yet, but where it is the beginning of a frame
                // whose rest is there.
                let alone = part == 1 && order[2] != 1 && !(from == at && order[0] == 2);
                let said = String::from_utf8_lossy(&out.stderr);
                assert_eq!(out.status.code(), Some(i32::from(alone)), "{said}");
                assert_eq!(said.contains("no valid MAVLink frame"), alone, "{said}");
            }
            assert_eq!(split.flights(), want, "{from} to {to}, {order:?}");
            let before = split.archive();
            let together = split.import(
                &["part0", "part1", "part2"].map(|part| split.dir.path().join("card/heron").join(part)),
            );
            assert_eq!(together["pieces_placed"], Value::from(1));
            assert_eq!(together["unusable"], Value::from(0));
            assert!(split.archive() == before, "importing again changed the archive");
            let once = Fleet::new();
            let files = [0, 1, 2].map(|part| once.put(&format!("part{part}"), parts[part]));
            assert_eq!(once.import(&files)["pieces_placed"], Value::from(1));
            assert!(once.archive() == before, "the archive depends on the order");
        }
    }
}

/// The first file or the last one of a log may be as short, with one other file or several.
#[test]
fn a_piece_without_a_frame_is_placed_at_either_end_of_a_log() {
    for stamped in [true, false] {
        let bytes = if stamped { sample() } else { undated(&sample()) };
        // Cut in the air, so that the last frame says how long it flew.
        let mut frames: Vec<(usize, usize)> = Vec::new();
        Scanner::new(Definitions::builtin())
            .scan(&bytes, true, &mut |frame| frames.push((frame.offset as usize, frame.raw.len())));
        let (at, len) = frames[frames.len() / 2];
        let bytes = &bytes[..at + len];
        let whole = Fleet::new();
        whole.import(&[whole.put("whole", bytes)]);
        let want = whole.flights();
        let first = frames[0].0;
        for (number, cut) in [first + 3, first + 20, at + 1, at + len - 1].into_iter().enumerate() {
            let more = bytes.len() / 2;
            let mut cuts = vec![0, cut, bytes.len()];
            if number % 2 == 0 {
                cuts.insert(if cut < more { 2 } else { 1 }, more);
            }
            let parts: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
            let mut archives = Vec::new();
            for turn in 0..parts.len() {
                let split = Fleet::new();
                let files: Vec<String> = (0..parts.len()).map(|part| format!("part{part}")).collect();
                files.iter().zip(&parts).for_each(|(file, part)| drop(split.put(file, part)));
                for part in (0..parts.len()).cycle().skip(turn).take(parts.len()) {
                    split.fettle(&["import", &format!("card/heron/part{part}")]);
                }
                assert_eq!(split.flights(), want, "{cuts:?}, beginning with {turn}");
                archives.push(split.archive());
                let again = split.import(
                    &files.iter().map(|f| split.dir.path().join("card/heron").join(f)).collect::<Vec<_>>(),
                );
                assert_eq!((&again["pieces_placed"], &again["unusable"]), (&Value::from(1), &Value::from(0)));
                assert!(archives[turn] == split.archive(), "importing again changed the archive");
            }
            assert!(archives.iter().all(|archive| *archive == archives[0]), "{cuts:?}: the order matters");
        }
    }
}

/// Cuts so close that several files have no frame, in any order.
#[test]
fn pieces_in_a_row_are_placed_between_their_neighbours() {
    let bytes = sample();
    let mut frames: Vec<usize> = Vec::new();
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |frame| frames.push(frame.offset as usize));
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    for share in 1..6 {
        let at = frames[frames.len() * share / 6];
        let next = frames[frames.len() * share / 6 + 1];
        for (number, cuts) in [[at + 3, at + 7, at + 9], [at + 9, next - 3, next + 4]].into_iter().enumerate()
        {
            let parts =
                [&bytes[..cuts[0]], &bytes[cuts[0]..cuts[1]], &bytes[cuts[1]..cuts[2]], &bytes[cuts[2]..]];
            let split = Fleet::new();
            for part in [[3, 1, 0, 2], [2, 0, 3, 1]][(share + number) % 2] {
                split.put(&format!("part{part}"), parts[part]);
                split.fettle(&["import", &format!("card/heron/part{part}")]);
            }
            assert_eq!(split.flights(), whole.flights(), "{cuts:?}");
            let before = split.archive();
            let once = Fleet::new();
            let files = [0, 1, 2, 3].map(|part| once.put(&format!("part{part}"), parts[part]));
            assert_eq!(once.import(&files)["pieces_placed"], Value::from(2));
            assert!(once.archive() == before, "the archive depends on the order");
        }
    }
}

/// A copy of the first file that lacks its last bytes, all of the same frame, takes neither the lead nor the piece; beside
/// the whole log the three of them are copies of it, and all is accounted for.
#[test]
fn a_piece_stays_in_its_place_whatever_copies_come() {
    let bytes = sample();
    let mut frames: Vec<usize> = Vec::new();
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |frame| frames.push(frame.offset as usize));
    for share in 1..6 {
        let at = frames[frames.len() * share / 6];
        let (from, to) = (at + 12, at + 17);
        let fleet = Fleet::new();
        let parts = [&bytes[..from], &bytes[from..to], &bytes[to..]];
        let files = [0, 1, 2].map(|part| fleet.put(&format!("part{part}"), parts[part]));
        // What came before the rest is placed by it, and told.
        fleet.fettle(&["import", "card/heron/part0", "card/heron/part1"]);
        assert_eq!(fleet.import(&files[2..])["pieces_placed"], Value::from(1));
        let want = fleet.flights();
        for short in [1, 4, 9] {
            fleet.import(&[fleet.put(&format!("short{short}"), &bytes[..from - short])]);
            assert_eq!(fleet.flights(), want, "a copy {short} bytes short");
        }
        let grown = fleet.put("grown", &bytes[from..from + 2]);
        assert_eq!(fleet.import(&[grown])["unusable"], Value::from(0));
        let whole = fleet.put("whole", &bytes);
        assert_eq!(fleet.import(&[whole, files[1].clone()])["unusable"], Value::from(0));
        assert_eq!(fleet.flights().len(), want.len());
    }
}

/// A fleet that got these files in this order, each by an import of its own.
fn imported_one_by_one(pieces: &[&[u8]], order: [usize; 3]) -> Fleet {
    let fleet = Fleet::new();
    let put = |(number, piece): (usize, &&[u8])| fleet.put(&format!("part{number}"), piece);
    let files: Vec<PathBuf> = pieces.iter().enumerate().map(put).collect();
    for number in order {
        fleet.import(std::slice::from_ref(&files[number]));
    }
    fleet
}

#[test]
fn the_archive_does_not_depend_on_the_order_of_import() {
    let bytes = sample();
    let third = bytes.len() / 3;
    let pieces = [&bytes[..third], &bytes[third..2 * third], &bytes[2 * third..]];
    let mut reference: Option<BTreeMap<PathBuf, Vec<u8>>> = None;
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [1, 0, 2]] {
        let fleet = imported_one_by_one(&pieces, order);
        let archive = fleet.archive();
        assert!(archive.keys().any(|path| path.starts_with("recordings")), "the three were not joined");
        match &reference {
            None => reference = Some(archive),
            Some(reference) => {
                assert_eq!(reference.keys().collect::<Vec<_>>(), archive.keys().collect::<Vec<_>>());
                let differs = reference.iter().find(|(path, content)| archive[*path] != **content);
                assert_eq!(differs.map(|(path, _)| path), None, "{order:?}");
            }
        }
    }
}

/// The log as a ground station computer would keep it: each frame behind a stamp, some frames lost, the first
/// and the last `cut` of the bytes missing.
fn as_on_the_ground(bytes: &[u8], cut: f64) -> Vec<u8> {
    let (from, to) = ((bytes.len() as f64 * cut) as u64, (bytes.len() as f64 * (1.0 - cut)) as u64);
    let mut ground = Vec::new();
    let mut number = 0u64;
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| {
        number += 1;
        if (from..to).contains(&frame.offset) && !number.is_multiple_of(23) {
            // Its clock is two hours off; the aircraft's SYSTEM_TIME is not.
            ground.extend_from_slice(&(1_790_000_000_000_000 + number * 10_000).to_be_bytes());
            ground.extend_from_slice(frame.raw);
        }
    });
    ground
}

#[test]
fn a_flight_in_two_recordings_counts_once_and_the_fuller_leads() {
    let bytes = sample();
    for (cut, ground_first) in [(0.0, true), (0.0, false), (0.25, true), (0.25, false)] {
        let fleet = Fleet::new();
        let onboard = fleet.put("onboard", &bytes);
        let ground = fleet.put("ground", &as_on_the_ground(&bytes, cut));
        fleet.import(std::slice::from_ref(&onboard));
        let want = fleet.flights();

        let both = Fleet::new();
        both.put("onboard", &bytes);
        both.put("ground", &as_on_the_ground(&bytes, cut));
        let mut order =
            [both.dir.path().join("card/heron/onboard"), both.dir.path().join("card/heron/ground")];
        if ground_first {
            order.reverse();
        }
        let twice: u64 = order
            .iter()
            .map(|file| both.import(std::slice::from_ref(file))["flights_recorded_twice"].as_u64().unwrap())
            .sum();
        let found = both.flights();
        assert_eq!(found.len(), want.len(), "cut {cut}");
        if cut > 0.0 {
            assert_eq!(found, want, "the whole flights lead");
        }
        assert!(ground_first || twice > 0, "the second recording is told to be one");
        drop(ground);
        let output = both.fettle(&["flights", "--json", "--evidence"]);
        let lines = String::from_utf8(output.stdout).unwrap();
        let records: Vec<Value> = lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        let ids: Vec<&Value> =
            records.iter().filter(|r| r["led_by"].is_null()).map(|r| &r["flight_id"]).collect();
        let mut led = records.iter().filter(|r| !r["led_by"].is_null()).peekable();
        assert!(led.peek().is_some(), "the evidence is kept");
        assert!(led.all(|r| ids.contains(&&r["led_by"])), "and says what it is evidence of");
    }
}

/// Neither the aircraft nor the computers know the time: the recordings are known by the messages that both hold.
#[test]
fn a_flight_without_a_date_in_two_recordings_counts_once() {
    let bytes = undated(&sample());
    let from = bytes.len() as u64 / 3;
    let parts = [
        only(&bytes, |frame| !frame.sequence.is_multiple_of(23)),
        only(&bytes, |frame| frame.offset > from && !frame.sequence.is_multiple_of(7)),
    ];
    let whole = Fleet::new();
    whole.import(&[whole.put("onboard", &bytes)]);
    let want = whole.flights();
    for ground in parts {
        for first in [0, 1] {
            let both = Fleet::new();
            let files = [both.put("onboard", &bytes), both.put("ground", &ground)];
            both.import(&files[first..=first]);
            both.import(&files[1 - first..=1 - first]);
            assert_eq!(both.flights(), want);
        }
    }
    // Two flights at the same time after boot are two.
    let other = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-03.mavlink");
    whole.import(&[whole.put("other", &undated(&fs::read(other).unwrap()))]);
    assert_eq!(whole.flights().len(), 2);
}

/// The log with the UTC of its second part an hour later: from this share of its bytes on.
fn set_right_at(bytes: &[u8], share: f64) -> Vec<u8> {
    let from = (bytes.len() as f64 * share) as u64;
    with_payloads(bytes, |frame, payload| {
        // SYSTEM_TIME and GPS_RAW_INT begin with the Unix time in microseconds.
        if [2, 24].contains(&frame.message_id) && frame.offset >= from {
            let us = u64::from_le_bytes(payload[..8].try_into().unwrap()) + 3_600_000_000;
            payload[..8].copy_from_slice(&us.to_le_bytes());
        }
    })
}

#[test]
fn utc_that_is_set_right_in_mid_flight_makes_no_second_one() {
    let bytes = set_right_at(&only(&sample(), |frame| frame.component_id == 1), 0.55);
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let want = whole.flights();
    assert_eq!(want.len(), 1);

    // Rotated right behind the step: of the first file the most is before, all of the second behind.
    let cut = (bytes.len() as f64 * 0.6) as usize;
    for order in [[0, 1], [1, 0]] {
        let split = Fleet::new();
        let files = [split.put("a", &bytes[..cut]), split.put("b", &bytes[cut..])];
        order.iter().for_each(|n| drop(split.import(std::slice::from_ref(&files[*n]))));
        assert_eq!(split.flights(), want);
    }

    // A ground station that came later saw most of its part of the flight behind the step.
    let ground = only(&bytes, |frame| frame.offset > bytes.len() as u64 * 2 / 5 && frame.sequence % 23 != 0);
    for order in [[0, 1], [1, 0]] {
        let both = Fleet::new();
        let files = [both.put("onboard", &bytes), both.put("ground", &ground)];
        order.iter().for_each(|n| drop(both.import(std::slice::from_ref(&files[*n]))));
        assert_eq!(both.flights(), want);
    }
}

/// A handover between two stations, or a recorder that repeats its last seconds: neither log holds the whole flight.
#[test]
fn recordings_that_overlap_by_seconds_show_the_whole_flight() {
    let bytes = only(&sample(), |_| true);
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let want = &whole.flights()[0];
    for overlap in [4_096, 20_000, 60_000] {
        let middle = bytes.len() / 2;
        for first in [0, 1] {
            let fleet = Fleet::new();
            let files = [fleet.put("a", &bytes[..middle]), fleet.put("b", &bytes[middle - overlap..])];
            fleet.import(&files[first..=first]);
            fleet.import(&files[1 - first..=1 - first]);
            let flights = fleet.flights();
            assert_eq!(flights.len(), 1, "{overlap}");
            let (got, whole) = (&flights[0], want["airtime_ms"].as_i64().unwrap());
            assert!((got["airtime_ms"].as_i64().unwrap() - whole).abs() < 100, "{overlap}: {got} {want}");
            let bounds = got["airtime_bounds_ms"].as_array().unwrap();
            assert!(bounds[0].as_i64().unwrap() <= whole && whole <= bounds[1].as_i64().unwrap(), "{got}");
            assert_eq!(got["landings"], want["landings"]);
        }
    }
}

/// A later block before an earlier one, or instead of it: one flight, though its boot clock falls.
#[test]
fn blocks_out_of_order_make_one_flight() {
    let bytes = sample();
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let want = whole.flights()[0]["airtime_ms"].as_i64().unwrap();
    let (a, b, c) = (60_000, 90_000, 110_000);
    let earlier_later = [&bytes[..a], &bytes[b..c], &bytes[a..b], &bytes[c..]].concat();
    let twice = [&bytes[..a], &bytes[b..c], &bytes[a..]].concat();
    for log in [earlier_later, twice] {
        let fleet = Fleet::new();
        fleet.import(&[fleet.put("log", &log)]);
        let flights = fleet.flights();
        assert_eq!(flights.len(), 1, "{flights:?}");
        let off_ms = flights[0]["airtime_ms"].as_i64().unwrap() - want;
        assert!(off_ms.abs() < 5_000, "{off_ms} ms off");
    }
}

#[test]
fn the_same_log_under_two_names_counts_once() {
    let fleet = Fleet::new();
    let files = [fleet.put("a", &sample()), fleet.put("b", &sample())];
    let summary = fleet.import(&files);
    assert_eq!((&summary["logs_new"], &summary["logs_known"]), (&Value::from(1), &Value::from(1)));
}

#[test]
fn a_shorter_copy_of_a_file_takes_nothing_from_the_recording() {
    let bytes = sample();
    let half = bytes.len() / 2;
    let pieces = [&bytes[..half], &bytes[half..], &bytes[half..half + bytes.len() / 4]];
    let whole = Fleet::new();
    whole.import(&[whole.put("whole", &bytes)]);
    let mut reference: Option<BTreeMap<PathBuf, Vec<u8>>> = None;
    for order in [[0, 1, 2], [0, 2, 1], [2, 0, 1], [1, 2, 0]] {
        let fleet = imported_one_by_one(&pieces, order);
        assert_eq!(fleet.flights(), whole.flights(), "{order:?}");
        let archive = fleet.archive();
        match &reference {
            None => reference = Some(archive),
            Some(reference) => assert!(*reference == archive, "{order:?}"),
        }
    }
}

#[test]
fn a_first_file_without_a_date_is_joined_in_either_order() {
    // No SYSTEM_TIME and GPS_RAW_INT until half-way, which is beyond the first minute.
    let bytes = sample();
    let (mut seen, half) = (0u64, bytes.len() as u64 / 2);
    let undated = only(&bytes, |frame| {
        seen = frame.offset;
        frame.offset >= half || ![2, 24].contains(&frame.message_id)
    });
    assert!(seen > half);
    let cut = only(&bytes, |frame| frame.offset < half && ![2, 24].contains(&frame.message_id)).len();
    let mut flights = Vec::new();
    for order in [[0, 1], [1, 0]] {
        let fleet = Fleet::new();
        let files = [fleet.put("a", &undated[..cut]), fleet.put("b", &undated[cut..])];
        for number in order {
            fleet.import(std::slice::from_ref(&files[number]));
        }
        flights.push(fleet.flights());
    }
    assert_eq!(flights[0], flights[1]);
    assert_eq!(flights[0].len(), 1, "one flight over both files");
}

#[test]
fn a_raw_copy_that_cannot_be_read_stops_nothing_else() {
    let bytes = sample();
    let half = bytes.len() / 2;
    let fleet = Fleet::new();
    fleet.import(&[fleet.put("a", &bytes[..half])]);
    let raw = fleet.archive().into_keys().find(|path| path.starts_with("raw")).unwrap();
    fs::write(fleet.dir.path().join("fleet/archive").join(raw), b"not zstd").unwrap();
    fleet.put("b", &bytes[half..]);
    for _ in 0..2 {
        let output = fleet.fettle(&["import", "card/heron/b"]);
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(3), "{errors}");
        assert!(errors.contains("cannot be joined"), "{errors}");
        let archive = fleet.archive();
        let marks = archive.keys().filter(|path| path.to_string_lossy().starts_with(".unjoined"));
        assert_eq!(marks.count(), 1, "tried again next time");
    }
}

#[test]
fn a_joining_that_was_cut_short_is_done_by_the_next_import() {
    let bytes = sample();
    let half = bytes.len() / 2;
    let fleet = Fleet::new();
    let files = [fleet.put("part0", &bytes[..half]), fleet.put("part1", &bytes[half..])];
    fleet.import(&files);
    let (want, archive) = (fleet.flights(), fleet.archive());
    // As if it had been killed after the parts were filed: the list of parts is missing, the mark is there.
    let root = fleet.dir.path().join("fleet/archive");
    fs::remove_dir_all(root.join("recordings")).unwrap();
    fs::write(root.join(".unjoined.1"), b"").unwrap();
    fleet.import(&files[..1]);
    assert_eq!(fleet.flights(), want);
    assert!(archive == fleet.archive());
}
