//! Damage costs what it touches and no more: not another frame, and not more work than its bytes are worth.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at the first surprise")]

#[path = "wire_support/streams.rs"]
mod streams;
mod wire_support;

use std::cell::Cell;
use std::ops::Range;
use std::time::Instant;

use proptest::prelude::*;
use proptest::test_runner::TestRunner;
use streams::marked;
use wire_support::{Owned, by_hand, mixed_frames, scan};

/// A stream and where its frames lie in it.
#[derive(Debug, Clone, Default)]
struct Stream {
    bytes: Vec<u8>,
    frames: Vec<Range<usize>>,
}

impl Stream {
    fn push(&mut self, frame: &[u8]) {
        let start = self.bytes.len();
        self.bytes.extend_from_slice(frame);
        self.frames.push(start..self.bytes.len());
    }

    /// Frames of both versions, some signed, with a capture stamp each or without.
    fn honest(count: usize, stamped: bool) -> Self {
        let mut stream = Self::default();
        for (index, frame) in mixed_frames(count).into_iter().enumerate() {
            if stamped {
                let stamp = 1_700_000_000_000_000 + index as u64 * 999;
                stream.bytes.extend_from_slice(&stamp.to_be_bytes());
            }
            if index % 5 == 4 {
                // EXTENDED_SYS_STATE with its published CRC_EXTRA, signed with what is no signature of anyone.
                stream.push(&by_hand(1, &[9], 245, &[1, index as u8], 130, &[0xFE; 13]));
            } else {
                stream.push(&frame);
            }
        }
        stream
    }

    fn signed(&self, frame: &Range<usize>) -> bool {
        self.bytes[frame.start] == 0xFD && self.bytes[frame.start + 2] & 1 == 1
    }

    /// With `garbage` before byte `at`; the frame that it lies in is gone, unless it only hits the signature, which
    /// the checksum does not cover, or the garbage ends or begins with the very bytes that it parts from the frame.
    fn with(&self, at: usize, garbage: &[u8]) -> Self {
        let bytes = [&self.bytes[..at], garbage, &self.bytes[at..]].concat();
        let parted = |frame: &Range<usize>| {
            let (head, tail) = (&self.bytes[frame.start..at], &self.bytes[at..frame.end]);
            let end = at + garbage.len() + tail.len();
            let whole = garbage.ends_with(head).then(|| end - frame.len()..end);
            whole.or_else(|| garbage.starts_with(tail).then(|| frame.clone()))
        };
        let moved = |frame: &Range<usize>| match frame {
            frame if frame.end <= at => Some(frame.clone()),
            frame if frame.start < at && self.signed(frame) && frame.end - at <= 13 => Some(frame.clone()),
            frame if frame.start >= at => Some(frame.start + garbage.len()..frame.end + garbage.len()),
            frame => parted(frame),
        };
        Self { bytes, frames: self.frames.iter().filter_map(moved).collect() }
    }
}

/// The checked frames of a scan. Unknown ones are left out: their ids cannot be checked, and garbage that reads
/// as the head of one is believed where it ends at a good frame; it hides none.
fn checked(bytes: &[u8]) -> Vec<Owned> {
    scan(bytes).frames.into_iter().filter(|frame| frame.name.is_some()).collect()
}

/// Checks that all frames are found and returns how many more are, which begin in garbage and whose checksum
/// fits by chance. Only such a frame may hide a true one.
fn found(stream: &Stream) -> Result<usize, TestCaseError> {
    let frames = checked(&stream.bytes);
    let chance: Vec<_> =
        frames.iter().filter(|f| !stream.frames.iter().any(|t| t.start as u64 == f.offset)).collect();
    for place in &stream.frames {
        let seen = frames.iter().any(|frame| frame.offset == place.start as u64);
        let hidden = |c: &&Owned| (c.offset..c.offset + 283).contains(&(place.start as u64));
        prop_assert!(seen || chance.iter().any(hidden), "the frame at {} is lost", place.start);
    }
    Ok(chance.len())
}

/// Runs a property that returns frames found by chance. Some 100,000 bytes of garbage hold about 7,000 heads, of
/// which one in 20 has a possible length, and a 16-bit checksum passes one in 65,536 of those: one such frame in
/// a run is rare, two are a fault of the scanner.
fn few_by_chance<T: std::fmt::Debug>(
    cases: u32,
    input: impl Strategy<Value = T>,
    property: impl Fn(T) -> Result<usize, TestCaseError>,
) {
    let chance = Cell::new(0);
    let config = ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() };
    let run = TestRunner::new(config).run(&input, |input| {
        chance.set(chance.get() + property(input)?);
        Ok(())
    });
    run.unwrap_or_else(|failure| panic!("{failure}"));
    assert!(chance.get() <= 1, "{} frames by chance", chance.get());
}

fn garbage() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        4 => marked(1..60),
        1 => prop::collection::vec(any::<u8>(), 1..700),
        // The head of a longest frame, known or not.
        1 => prop_oneof![Just(30u32), Just(16_000_000)]
            .prop_map(|id| by_hand(0, &[9], id, &[0; 255], 39, &[])[..10].to_vec()),
    ]
}

#[test]
fn garbage_between_frames_costs_none() {
    let places = prop::collection::vec((any::<prop::sample::Index>(), garbage()), 1..8);
    few_by_chance(300, (places, any::<bool>()), |(places, stamped)| {
        let mut stream = Stream::honest(12, stamped);
        for (place, garbage) in &places {
            // Before a frame, even between it and its stamp, or at the very end.
            let ends = stream.frames.iter().map(|frame| frame.start).chain([stream.bytes.len()]);
            let at = *place.get(&ends.collect::<Vec<_>>());
            stream = stream.with(at, garbage);
        }
        prop_assert_eq!(stream.frames.len(), 12);
        found(&stream)
    });
}

#[test]
fn garbage_inside_a_frame_costs_that_frame() {
    few_by_chance(300, (any::<prop::sample::Index>(), garbage(), any::<bool>()), |(at, garbage, stamped)| {
        let whole = Stream::honest(12, stamped);
        let stream = whole.with(at.index(whole.bytes.len()), &garbage);
        prop_assert!(stream.frames.len() >= 11);
        found(&stream)
    });
}

fn contents(frames: Vec<Owned>) -> Vec<(u64, u8, Vec<u8>)> {
    frames.into_iter().map(|frame| (frame.offset, frame.sequence, frame.payload)).collect()
}

#[test]
fn a_cut_anywhere_costs_the_frame_that_it_cuts() {
    for stamped in [false, true] {
        let stream = Stream::honest(20, stamped);
        let all = contents(checked(&stream.bytes));
        assert_eq!(all.len(), 20);
        for at in 0..=stream.bytes.len() {
            let before = stream.frames.iter().filter(|frame| frame.end <= at).count();
            assert_eq!(contents(checked(&stream.bytes[..at])), all[..before], "the first {at} bytes");
            let behind = stream.frames.iter().filter(|frame| frame.start < at).count();
            let mut rest = contents(checked(&stream.bytes[at..]));
            rest.iter_mut().for_each(|frame| frame.0 += at as u64);
            assert_eq!(rest, all[behind..], "from byte {at}");
        }
    }
}

#[test]
fn a_flipped_bit_anywhere_costs_one_frame() {
    for stamped in [false, true] {
        let stream = Stream::honest(20, stamped);
        let all = contents(checked(&stream.bytes));
        for bit in 0..stream.bytes.len() * 8 {
            let mut bytes = stream.bytes.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            let hit = stream.frames.iter().position(|frame| frame.contains(&(bit / 8)));
            // A signature is not part of what the checksum covers.
            let in_signature = |frame: &Range<usize>| stream.signed(frame) && frame.end - bit / 8 <= 13;
            let mut expected = all.clone();
            if let Some(hit) = hit.filter(|hit| !in_signature(&stream.frames[*hit])) {
                expected.remove(hit);
            }
            assert_eq!(contents(checked(&bytes)), expected, "bit {bit}, stamped {stamped}");
        }
    }
}

/// Seconds that this thread was computing, where the system tells (Linux: the first number, ns), so that other
/// work on the machine does not count; else by the clock.
fn computing(start: Instant) -> f64 {
    // The system brings the number up to date when the thread yields.
    std::thread::yield_now();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns = told.and_then(|text| text.split(' ').next()?.parse::<f64>().ok());
    ns.map_or_else(|| start.elapsed().as_secs_f64(), |ns| ns / 1e9)
}

/// The shortest of seven scans, in seconds a byte: others share the machine, and only the least is the work itself.
fn cost(bytes: &[u8], frames: u64) -> f64 {
    let (start, mut best) = (Instant::now(), f64::INFINITY);
    for _ in 0..7 {
        let before = computing(start);
        let mut seen = 0;
        let mut scanner = fettle::wire::Scanner::new(fettle::wire::Definitions::builtin());
        scanner.scan(bytes, true, &mut |frame| seen += u64::from(frame.message.is_some()));
        best = best.min(computing(start) - before);
        assert_eq!(seen, frames);
    }
    best / bytes.len() as f64
}

/// A HEARTBEAT of one byte, with its published CRC_EXTRA.
fn heartbeat() -> Vec<u8> {
    by_hand(0, &[1], 0, &[3], 50, &[])
}

/// Heads that claim to end where a good frame begins, so that all bytes inside have to be searched, in turn with
/// heads of a known message whose long checksum has to be computed; then a good frame inside their claims.
fn worst() -> Vec<u8> {
    let heartbeat = heartbeat();
    let mut unit = Vec::new();
    for left in (0..12).rev() {
        let claim = 20 * left + 10 + 10 + heartbeat.len() - 12;
        unit.extend_from_slice(&[0xFD, claim as u8, 0, 0, 7, 1, 1, 0, 0, 0xF4]);
        unit.extend_from_slice(&[0xFD, 255, 0, 0, 7, 1, 1, 30, 0, 0]);
    }
    [unit, heartbeat.repeat(2)].concat()
}

#[test]
fn no_stream_makes_the_work_grow_faster_than_its_bytes() {
    let head = |id: u32| {
        let [low, middle, high, _] = id.to_le_bytes();
        vec![0xFD, 255, 0, 0, 7, 1, 1, low, middle, high]
    };
    let unknown = |len: usize| by_hand(0, &[1], 16_000_000, &vec![1; len], 77, &[]);
    let mut state = 1u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    let clean = mixed_frames(4096).concat();
    let base = cost(&clean.repeat(40), 40 * 4096);
    // Each pattern, its checked frames, and how many times the cost of clean frames a byte of it may take: about
    // three times what was measured.
    let cases: [(&str, Vec<u8>, u64, f64); 13] = [
        ("zeros", vec![0], 0, 1.0),
        ("noise", (0..64 << 10).map(|_| noise()).collect(), 0, 1.5),
        ("0xFD", vec![0xFD], 0, 18.0),
        ("0xFE", vec![0xFE], 0, 45.0),
        ("0xFE 0xFF", vec![0xFE, 0xFF], 0, 60.0),
        ("0xFD 0xFF 0x00", vec![0xFD, 0xFF, 0], 0, 300.0),
        ("heads of a known message", head(30), 0, 25.0),
        ("heads of an unknown message", head(16_000_000), 0, 15.0),
        ("version 1 heads, too long", vec![0xFE, 255, 7, 1, 1, 30], 0, 15.0),
        ("shortest unknown frames", unknown(0), 0, 75.0),
        ("longest unknown frames", unknown(255), 0, 6.0),
        ("17 unknown frames before a good one", [unknown(0).repeat(17), heartbeat()].concat(), 1, 60.0),
        ("unknown claims over known ones", worst(), 2, 120.0),
    ];
    for (name, pattern, frames, most) in cases {
        let stream =
            |len: usize| (pattern.repeat(len / pattern.len()), frames * (len / pattern.len()) as u64);
        // Four times the bytes; a search that is quadratic takes sixteen times the work, and is caught early.
        let mut times = 0.0;
        for short in [64 << 10, 2 << 20] {
            let ((few, some), (many, all)) = (stream(short), stream(4 * short));
            let (few, many) = (cost(&few, some), cost(&many, all));
            let growth = 4.0 * many / few;
            // What costs less than a clean frame a byte shows how large the caches are, not how the work grows.
            assert!(growth < 7.0 || many < base, "{name}: {growth} times the work for 4 times {short} bytes");
            times = many / base;
        }
        println!("{name}: a byte costs {times:.1} times that of clean frames");
        assert!(times < most, "{name}: a byte costs {times} times that of clean frames");
    }
}
