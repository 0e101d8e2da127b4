//! What a link that loses or repeats frames leaves of a log can be split as well as a whole one, and flights of two days stay
//! two. Through the binary, on the sample logs without their dates; the reference is the same log in one piece.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod card_support;
mod common;

use card_support::{Fleet, pieces, sample, undated};
use fettle::assess::ends::Ends;
use fettle::assess::parts::{Part, recordings};
use fettle::assess::told::Told;
use fettle::wire::{Definitions, Frame, Scanner};
use proptest::prelude::*;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};

fn frames(bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut frames = Vec::new();
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| frames.push(frame.raw.to_vec()));
    frames
}

/// The sample logs of an aircraft.
fn logs(aircraft: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs").join(aircraft);
    let mut paths: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|path| undated(&fs::read(path).unwrap())).collect()
}

/// Whether the next frame comes through: bursts of up to so many frames do, and such are lost, drawn by a linear congruential
/// generator (Numerical Recipes).
fn bursts(through: u32, lost: u32, mut state: u32) -> impl FnMut() -> bool {
    let mut draw = move |most: u32| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        1 + (state >> 16) % most
    };
    let (mut left, mut comes) = (0, false);
    move || {
        if left == 0 {
            comes = !comes;
            left = draw(if comes { through } else { lost });
        }
        left -= 1;
        comes
    }
}

/// What comes through of a log in bursts.
fn in_bursts(bytes: &[u8], through: u32, lost: u32, state: u32) -> Vec<u8> {
    let mut comes = bursts(through, lost, state);
    frames(bytes).into_iter().filter(|_| comes()).flatten().collect()
}

/// What two links to the same ground station leave of a log: every frame again behind the next two.
fn twice(bytes: &[u8]) -> Vec<u8> {
    let frames = frames(bytes);
    let again = (0..frames.len()).map(|index| (index + 2, index));
    let mut order: Vec<(usize, usize)> = (0..frames.len()).map(|index| (index, index)).chain(again).collect();
    order.sort_unstable();
    order.into_iter().flat_map(|(_, index)| frames[index].clone()).collect()
}

#[test]
fn what_came_over_a_poor_link_or_two_can_be_split_as_well() {
    for again in [true, false] {
        let bytes = undated(&sample());
        // About two thirds are lost.
        let bytes = if again { twice(&bytes) } else { in_bursts(&bytes, 9, 17, 1) };
        let mut frames: Vec<(usize, u8)> = Vec::new();
        Scanner::new(Definitions::builtin())
            .scan(&bytes, true, &mut |frame| frames.push((frame.offset as usize, frame.sequence)));
        // Where frames come twice between two of them, else within one whose neighbours are all missing.
        let far = |a: u8, b: u8| b.wrapping_sub(a) > 4;
        let alone =
            frames.windows(3).filter(|w| far(w[0].1, w[1].1) && far(w[1].1, w[2].1)).map(|w| w[1].0 + 9);
        let cuts: Vec<usize> = match again {
            true => frames.iter().map(|(offset, _)| *offset).collect(),
            false => alone.collect(),
        };
        assert!(cuts.len() >= 12, "{}", cuts.len());
        let whole = Fleet::new();
        whole.import(&[whole.put("whole", &bytes)]);
        let want = whole.flights();
        assert_eq!(want.len(), 1, "again {again}");
        if again {
            // Nothing was lost: the flight is the one that came once, but for what has no stamp of its own and lies
            // between two others', 40 ms apart.
            let once = Fleet::new();
            once.import(&[once.put("once", &undated(&sample()))]);
            for key in ["airtime_ms", "takeoff_boot_ms"] {
                let ms = |flight: &Value| flight[key].as_i64().unwrap();
                assert!(ms(&once.flights()[0]).abs_diff(ms(&want[0])) <= 40, "{key}");
            }
        }
        for share in 1..12 {
            let at = cuts[cuts.len() * share / 12];
            let split = Fleet::new();
            let files = [split.put("b", &bytes[at..]), split.put("a", &bytes[..at])];
            split.import(&files);
            let told = |flights: &[Value]| {
                let of = |flight: &Value| (flight["airtime_ms"].clone(), flight["takeoff_boot_ms"].clone());
                flights.iter().map(of).collect::<Vec<_>>()
            };
            assert_eq!(told(&split.flights()), told(&want), "again {again}, cut at {at}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, max_shrink_iters: 20, ..ProptestConfig::default() })]

    /// A tenth to fifteen sixteenths of the frames are lost, in bursts of up to two seconds; cuts fall within frames and exactly
    /// where others are lost.
    #[test]
    fn what_a_poor_link_left_can_be_split_anywhere(
        aircraft in prop::sample::select(&["heron", "egret", "plover"][..]),
        log in any::<prop::sample::Index>(),
        (through, lost) in prop::sample::select(&[(3, 3), (3, 8), (9, 8), (9, 17), (30, 3), (30, 17), (3, 30), (3, 60)][..]),
        state in any::<u32>(),
        cuts in prop::collection::vec((any::<prop::sample::Index>(), any::<bool>()), 1..5),
        order in any::<prop::sample::Index>(),
        together in any::<bool>(),
    ) {
        let logs = logs(aircraft);
        let bytes = in_bursts(log.get::<Vec<u8>>(&logs), through, lost, state);
        let whole = Fleet::new();
        whole.import(&[whole.put("whole", &bytes)]);
        let mut ends: Vec<usize> = vec![0];
        frames(&bytes).iter().for_each(|frame| ends.push(ends[ends.len() - 1] + frame.len()));
        let between = |at: usize| ends[ends.partition_point(|end| *end < at)];
        let at = |(cut, within): &(prop::sample::Index, bool)| {
            let at = cut.index(bytes.len());
            if *within { at } else { between(at) }
        };
        // A piece must hold a whole frame to be known as telemetry at all.
        let pieces = pieces(&bytes, cuts.iter().map(at).collect(), 300);
        let split = Fleet::new();
        let files = pieces.iter().enumerate();
        let mut files: Vec<PathBuf> =
            files.map(|(number, piece)| split.put(&format!("part{number}"), piece)).collect();
        split.import_turned(&mut files, order, together);
        prop_assert_eq!(split.flights(), whole.flights());
    }
}

/// The same frames with counters that begin at boot, checksums by the independent crate, and each with the boot time so far.
fn from_boot(bytes: &[u8]) -> Vec<(u32, Vec<u8>)> {
    let (mut renumbered, mut boot_ms, mut sequence) = (Vec::new(), 0, 0u8);
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame: &Frame<'_>| {
        let mut raw = frame.raw.to_vec();
        assert_eq!(raw[0], 0xFD);
        raw[4] = sequence;
        sequence = sequence.wrapping_add(1);
        let end = raw.len() - 2;
        let crc = mavlink::calculate_crc(&raw[1..end], frame.message.unwrap().crc_extra);
        raw[end..].copy_from_slice(&crc.to_le_bytes());
        // ATTITUDE and GLOBAL_POSITION_INT begin with the time since boot.
        if [30, 33].contains(&frame.message_id) {
            boot_ms = u32::from_le_bytes(frame.payload[..4].try_into().unwrap());
        }
        renumbered.push((boot_ms, raw));
    });
    renumbered
}

fn part(id: &str, frames: &[(u32, Vec<u8>)], from_ms: u32, to_ms: u32) -> Part {
    let frames = frames.iter().filter(|(boot_ms, _)| (from_ms..to_ms).contains(boot_ms));
    let bytes: Vec<u8> = frames.flat_map(|(_, raw)| raw.iter().copied()).collect();
    let ends = Ends::of(&common::record(&bytes, 1 << 20).0);
    Part { log_id: id.to_owned(), container: "bare".to_owned(), ends }
}

/// What comes through of frames in bursts.
fn lossy(frames: &[(u32, Vec<u8>)], through: u32, lost: u32, state: u32) -> Vec<(u32, Vec<u8>)> {
    let mut comes = bursts(through, lost, state);
    frames.iter().filter(|_| comes()).cloned().collect()
}

/// How often two halves are taken for one flight: those of one, and how many these are, and those of two days, without a gap
/// between and with one, and how many these are.
#[derive(Debug, Default)]
struct United {
    own: usize,
    of_own: usize,
    others: [usize; 2],
    of_others: [usize; 2],
}

/// The hardest case: the same aircraft from the same pad on the same plan, each day the same after boot within seconds, counters
/// and all, and only the first half of the one flight and the second half of the other are there.
fn halves(link: impl Fn(usize, &[(u32, Vec<u8>)]) -> Vec<(u32, Vec<u8>)>) -> United {
    let mut united = United::default();
    for aircraft in ["heron", "egret", "plover"] {
        let logs = logs(aircraft);
        let logs = logs.iter().enumerate().map(|(number, bytes)| link(number, &from_boot(bytes)));
        let logs: Vec<_> = logs.collect();
        for cut_ms in (25_000..145_000).step_by(6_000) {
            let before: Vec<Part> = logs.iter().map(|log| part("a", log, 0, cut_ms)).collect();
            for gap_ms in [0, 400, 1_500, 4_000] {
                let behind: Vec<Part> =
                    logs.iter().map(|log| part("b", log, cut_ms + gap_ms, u32::MAX)).collect();
                for (first, a) in before.iter().enumerate() {
                    for (second, b) in behind.iter().enumerate() {
                        let one =
                            usize::from(!recordings(&[a.clone(), b.clone()], &Told::default()).is_empty());
                        if first == second {
                            united.own += one;
                            united.of_own += 1;
                        } else {
                            // With nothing lost on the way, the counters can go on, too.
                            let near = usize::from(gap_ms > 0);
                            united.others[near] += one;
                            united.of_others[near] += 1;
                        }
                    }
                }
            }
        }
    }
    united
}

#[test]
fn flights_of_two_days_stay_two() {
    let united = halves(|_, frames| frames.to_vec());
    println!("whole: {united:?}");
    let United { own, of_own, others, of_others } = united;
    assert!(own * 100 >= of_own * 98, "{own} of {of_own}");
    assert!(others[0] * 200 <= of_others[0], "{} of {}", others[0], of_others[0]);
    assert!(others[1] * 200 <= of_others[1], "{} of {}", others[1], of_others[1]);
    // What hardly anything came through of tells less, so that one pair in so many is taken for one flight.
    for (through, lost, one_in) in [(3, 8, 200), (9, 17, 200), (3, 17, 200), (3, 30, 60), (3, 60, 15)] {
        let united = halves(|number, frames| lossy(frames, through, lost, number as u32 + 1));
        println!("up to {through} frames through, up to {lost} lost: {united:?}");
        let United { own, of_own, others: [at_once, later], of_others } = united;
        assert!(own * 100 >= of_own * 99, "{own} of {of_own}");
        let (others, of_others) = (at_once + later, of_others[0] + of_others[1]);
        assert!(others * one_in <= of_others, "{others} of {of_others}");
    }
}
