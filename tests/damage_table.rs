//! What each kind of damage costs: frames, airtime, and where the loss is told. The numbers of the table in the
//! README are printed by `cargo test --all-features --test damage_table -- --nocapture`. The truth is the
//! simulator's (sample-logs/truth.json).
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test that prints its table and stops at the first surprise"
)]

mod common;

use common::record;
use fettle::flight::{Flight, segment};
use fettle::recording::{LossKind, Recording};
use fettle::wire::{Definitions, Scanner};
use std::fs;
use std::ops::Range;
use std::path::Path;

struct Log {
    bytes: Vec<u8>,
    frames: Vec<Range<usize>>,
    airtime_ms: i64,
}

fn places(bytes: &[u8]) -> Vec<Range<usize>> {
    let mut frames = Vec::new();
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| {
        frames.push(frame.offset as usize..frame.offset as usize + frame.raw.len());
    });
    frames
}

fn log(name: &str) -> Log {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
    let truth: serde_json::Value =
        serde_json::from_slice(&fs::read(samples.join("truth.json")).unwrap()).unwrap();
    let own = truth.as_array().unwrap().iter().find(|log| log["log"] == name).unwrap();
    let at = |f: &serde_json::Value, key: &str| f[key].as_f64().unwrap();
    let flights = own["truth"]["flights"].as_array().unwrap().iter();
    let airtime_ms: f64 = flights.map(|f| at(f, "touchdown_boot_ms") - at(f, "takeoff_boot_ms")).sum();
    let bytes = fs::read(samples.join(name)).unwrap();
    Log { frames: places(&bytes), bytes, airtime_ms: airtime_ms as i64 }
}

fn flights(recording: &Recording) -> Vec<Flight> {
    let sessions = recording.vehicles.iter().flat_map(|v| &v.boots);
    sessions.flat_map(|s| segment(&s.signals, None, s.lag_ms)).collect()
}

/// A damaged log: its bytes, how many frames are whole in it, and the kinds of loss that must be told.
struct Damaged {
    what: &'static str,
    bytes: Vec<u8>,
    whole: usize,
    told: &'static [LossKind],
}

fn noise(len: usize, seed: u64) -> Vec<u8> {
    let mut state = seed;
    let mut byte = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    (0..len).map(|_| byte()).collect()
}

fn cases(log: &Log, other: &Log) -> Vec<Damaged> {
    let Log { bytes, frames, .. } = log;
    let touched =
        |part: Range<usize>| frames.iter().filter(|f| f.start < part.end && part.start < f.end).count();
    let middle = bytes.len() / 2;
    let mut all = Vec::new();

    let mut flipped = bytes.clone();
    let hit = frames.iter().skip(50).step_by(100).map(|frame| flipped[frame.start + 6] ^= 4).count();
    all.push(Damaged {
        what: "one bit in 1 % of the frames",
        bytes: flipped,
        whole: frames.len() - hit,
        told: &[LossKind::DamagedFrame, LossKind::Sequence],
    });

    let mut garbage = Vec::new();
    let mut from = 0;
    for (number, frame) in frames.iter().skip(40).step_by(frames.len() / 100).enumerate() {
        garbage.extend_from_slice(&bytes[from..frame.start]);
        garbage.extend(noise(1_000, number as u64 + 1));
        from = frame.start;
    }
    garbage.extend_from_slice(&bytes[from..]);
    all.push(Damaged {
        what: "1 kB of noise in a hundred places",
        bytes: garbage,
        whole: frames.len(),
        told: &[LossKind::Garbage],
    });

    let block = middle..middle + 16_384;
    all.push(Damaged {
        what: "a block of 16 KiB missing in the air",
        bytes: [&bytes[..block.start], &bytes[block.end..]].concat(),
        whole: frames.len() - touched(block.clone()),
        told: &[LossKind::Silence, LossKind::Sequence],
    });

    let again = frames.iter().filter(|f| block.start <= f.start && f.end <= block.end).count();
    all.push(Damaged {
        what: "the same block written twice",
        bytes: [&bytes[..block.end], &bytes[block.start..]].concat(),
        whole: frames.len() + again,
        told: &[LossKind::Repeat],
    });

    let mut zeroed = bytes.clone();
    zeroed[block.clone()].fill(0);
    all.push(Damaged {
        what: "the same block, zeros in its place",
        bytes: zeroed,
        whole: frames.len() - touched(block),
        told: &[LossKind::Zeros, LossKind::Silence, LossKind::Sequence],
    });

    all.push(Damaged {
        what: "a tail of 1 MiB of zeros",
        bytes: [&bytes[..], &vec![0; 1 << 20]].concat(),
        whole: frames.len(),
        told: &[LossKind::Zeros],
    });
    all.push(Damaged {
        what: "a tail of 1 MiB of 0xFF",
        bytes: [&bytes[..], &vec![0xFF; 1 << 20]].concat(),
        whole: frames.len(),
        told: &[LossKind::Ones],
    });

    let last = frames.last().unwrap();
    all.push(Damaged {
        what: "the end cut in mid-frame",
        bytes: bytes[..last.end - 3].to_vec(),
        whole: frames.len() - 1,
        told: &[LossKind::CutFrame],
    });

    let mut stamped = Vec::new();
    for (number, frame) in frames.iter().enumerate() {
        let jump = if number > frames.len() / 2 { 7_200_000_000 } else { 0 };
        stamped.extend_from_slice(&(1_790_000_000_000_000 + number as u64 * 30_000 + jump).to_be_bytes());
        stamped.extend_from_slice(&bytes[frame.clone()]);
    }
    all.push(Damaged {
        what: "capture stamps that jump by two hours",
        bytes: stamped,
        whole: frames.len(),
        told: &[LossKind::TimeJump],
    });

    // A card image: blocks of another aircraft's log between this one's.
    let mut image = Vec::new();
    let blocks = bytes.chunks(4_096).zip(other.bytes.chunks(4_096));
    blocks.for_each(|(own, others)| {
        image.extend_from_slice(own);
        image.extend_from_slice(others);
    });
    all.push(Damaged { what: "two logs interleaved in blocks of 4 KiB", bytes: image, whole: 0, told: &[] });
    all
}

#[test]
fn damage_costs_what_it_touches_and_is_told() {
    let (log, other) = (log("heron/2026-09-02.mavlink"), log("plover/2026-09-02.mavlink"));
    println!(
        "\n| damage | frames lost of {} | airtime off by | rows in `integrity` |\n|---|---|---|---|",
        log.frames.len()
    );
    for case in cases(&log, &other) {
        let (recording, _) = record(&case.bytes, 1 << 16);
        if case.whole == 0 {
            interleaved(&case, &log, &other, &recording);
            continue;
        }
        assert_eq!(
            recording.integrity.frames as usize, case.whole,
            "{}: every whole frame survives",
            case.what
        );
        let kinds: Vec<LossKind> = recording.losses.iter().map(|loss| loss.kind).collect();
        for kind in case.told {
            assert!(kinds.contains(kind), "{}: {kind:?} is not told, but {kinds:?}", case.what);
        }
        let found = flights(&recording);
        assert_eq!(found.len(), 1, "{}", case.what);
        let flight = &found[0];
        let (low, high) = flight.airtime_bounds_ms;
        assert!((low..=high).contains(&log.airtime_ms), "{}: {low} {high} {}", case.what, log.airtime_ms);
        // Bytes and frames are all accounted for.
        let skipped: u64 = recording.losses.iter().map(|loss| loss.bytes).sum();
        assert_eq!(skipped, recording.integrity.bytes_skipped, "{}", case.what);
        let missing: u64 =
            recording.losses.iter().filter(|l| l.kind == LossKind::Sequence).map(|loss| loss.frames).sum();
        assert_eq!(missing, recording.integrity.sequence_lost, "{}", case.what);
        if case.told.contains(&LossKind::Sequence) {
            // More than a counter of eight bits can tell.
            assert_eq!(missing as usize, log.frames.len() - case.whole, "{}", case.what);
        }
        println!(
            "| {} | {} | {:.2} s (bounds {:.1} to {:.1} s) | {} |",
            case.what,
            log.frames.len().saturating_sub(case.whole),
            (flight.airtime_ms - log.airtime_ms) as f64 / 1000.0,
            (low - log.airtime_ms) as f64 / 1000.0,
            (high - log.airtime_ms) as f64 / 1000.0,
            words(&recording)
        );
    }
}

/// At once or behind others, as where blocks of a file are linked crosswise; blocks of 512 B to 128 KiB.
#[test]
fn a_block_that_stands_twice_is_no_second_flight() {
    let log = log("heron/2026-09-02.mavlink");
    let bytes = &log.bytes;
    let mut repeated = 0;
    for size in (9..=17).map(|power| 1usize << power) {
        for (number, later) in [0, 0, 0, 700, 9_000, 40_000].into_iter().enumerate() {
            let room = bytes.len() - size - later;
            for from in (0..6).map(|place| room * (2 * place + 1) / 12 + number) {
                let again = from + size + later;
                let twice = [&bytes[..again], &bytes[from..from + size], &bytes[again..]].concat();
                let (recording, _) = record(&twice, 1 << 16);
                let case = format!("{size} bytes at {from}, again at {again}");
                assert!(recording.integrity.frames as usize >= log.frames.len() - 1, "{case}");
                assert_eq!(recording.vehicles[0].boots.len(), 1, "{case}");
                let found = flights(&recording);
                assert_eq!(found.len(), 1, "{case}");
                let (low, high) = found[0].airtime_bounds_ms;
                assert!((low..=high).contains(&log.airtime_ms), "{case}: {low} {high} {}", log.airtime_ms);
                let off_ms = found[0].airtime_ms - log.airtime_ms;
                assert!(off_ms.abs() < 100, "{case}: off by {off_ms} ms");
                repeated += usize::from(recording.losses.iter().any(|loss| loss.kind == LossKind::Repeat));
            }
        }
    }
    assert!(repeated > 300, "{repeated} of 324 told");
    // Of a second or two over takeoff and landing, where what was read again would be another one.
    for size in [1_024, 2_048, 4_096, 8_192] {
        for from in (0..bytes.len() - size).step_by(1_021) {
            let again = from + size;
            let twice = [&bytes[..again], &bytes[from..again], &bytes[again..]].concat();
            let (recording, _) = record(&twice, 1 << 16);
            let (found, case) = (flights(&recording), format!("{size} bytes at {from}"));
            assert_eq!((found.len(), found[0].landings), (1, 1), "{case}");
            let off_ms = found[0].airtime_ms - log.airtime_ms;
            assert!(off_ms.abs() < 100, "{case}: off by {off_ms} ms");
        }
    }
}

/// A slow stream of a clockless aircraft whose only stamps are those of SYSTEM_TIME, once a second: counters and stamps
/// are the same after every boot, `change` goes into what it measures.
fn slow(bytes: &[u8], change: u8) -> Vec<u8> {
    let (mut stream, mut sequence, mut seconds) = (Vec::new(), 0u8, 0u32);
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| {
        let mut payload = frame.payload.to_vec();
        match frame.message_id {
            0 | 1 | 36 | 245 => {}
            74 => payload[0] ^= change,
            2 => {
                payload = [&[0; 8][..], &(seconds * 1_000).to_le_bytes()].concat();
                seconds += 1;
            }
            _ => return,
        }
        let head = [payload.len() as u8, 0, 0, sequence, 1, 1, frame.message_id as u8, 0, 0];
        let body = [&head[..], &payload].concat();
        let crc = mavlink::calculate_crc(&body, frame.message.unwrap().crc_extra);
        stream.extend([&[0xFD][..], &body, &crc.to_le_bytes()].concat());
        sequence = sequence.wrapping_add(1);
    });
    stream
}

#[test]
fn a_reboot_with_the_same_counters_and_stamps_is_no_block_that_repeats() {
    let bytes = log("heron/2026-09-02.mavlink").bytes;
    let (one, other) = (slow(&bytes, 0), slow(&bytes, 1));
    assert_ne!(one, other);
    let alone = flights(&record(&one, 1 << 16).0);
    let (recording, _) = record(&[one, other].concat(), 1 << 16);
    assert_eq!(recording.vehicles[0].boots.len(), 2);
    let found = flights(&recording);
    assert_eq!((alone.len(), found.len()), (1, 2));
    for flight in &found {
        assert!((flight.airtime_ms - alone[0].airtime_ms).abs() < 2_000, "{flight:?}");
    }
}

#[test]
fn blocks_out_of_order_are_noted() {
    let bytes = log("heron/2026-09-02.mavlink").bytes;
    let (a, b, c) = (60_000, 90_000, 110_000);
    let later_first = [&bytes[..a], &bytes[b..c], &bytes[a..b], &bytes[c..]].concat();
    let said = |bytes: &[u8]| record(bytes, 1 << 16).0.notes.iter().any(|note| note.contains("out of order"));
    assert!(said(&later_first));
    assert!(!said(&bytes));
}

/// The kinds of loss that are told.
fn words(recording: &Recording) -> String {
    let mut words: Vec<&str> = recording.losses.iter().map(|loss| loss.kind.word()).collect();
    words.sort_unstable();
    words.dedup();
    words.join(", ")
}

/// Blocks of two logs in turn: frames cut at the blocks' ends are lost, both aircraft are told apart.
fn interleaved(case: &Damaged, log: &Log, other: &Log, recording: &Recording) {
    let cut = |l: &Log| {
        let crossing = |f: &&Range<usize>| f.start / 4_096 != (f.end - 1) / 4_096;
        l.frames.iter().filter(crossing).count()
    };
    let blocks = log.bytes.len().div_ceil(4_096).min(other.bytes.len().div_ceil(4_096));
    let until = |l: &Log| l.frames.iter().filter(|f| f.start < blocks * 4_096).count();
    let all = until(log) + until(other);
    let whole = all - cut(log) - cut(other);
    let lost = all - recording.integrity.frames as usize;
    assert!(recording.integrity.frames as usize >= whole, "{} of {whole}", recording.integrity.frames);
    assert_eq!(recording.vehicles.len(), 2);
    for (vehicle, l) in recording.vehicles.iter().zip([log, other]) {
        let found: Vec<Flight> =
            vehicle.boots.iter().flat_map(|s| segment(&s.signals, None, s.lag_ms)).collect();
        assert_eq!(found.len(), 1, "system {}", vehicle.system_id);
        let off_ms = found[0].airtime_ms - l.airtime_ms;
        let (low, high) = found[0].airtime_bounds_ms;
        assert!((low..=high).contains(&l.airtime_ms), "{low} {high} {}", l.airtime_ms);
        println!(
            "| {}: system {} | {lost} of {all} in both | {:.2} s (bounds {:.1} to {:.1} s) | {} |",
            case.what,
            vehicle.system_id,
            off_ms as f64 / 1000.0,
            (low - l.airtime_ms) as f64 / 1000.0,
            (high - l.airtime_ms) as f64 / 1000.0,
            words(recording)
        );
    }
}
