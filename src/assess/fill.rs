//! Files of a second or two, of which nothing says which others they go on from, in the hole of a recording that their clock
//! lies in: where a link loses most frames, a short file may hold neither a place nor a counter near its neighbours'.
//!
//! One that tells no clock at all, as of a single frame, lies where the frames that were cut at its ends are whole.
//!
//! That the files around the hole are one recording is known without it; another day's file would have to be as short, and
//! at the same second after boot.

use super::joint::across;
use super::parts::{
    APART_MS, Main, ONE_MOMENT_MS, Part, as_sent_ms, of_two, same_boot, situation, stretches_ms,
};
use super::told::Told;
use crate::recording::situation::Situation;
use std::collections::{BTreeMap, BTreeSet};

/// Between two logs of a recording: its first log's id, and how many of its logs are before.
type Place = (String, usize);

/// Puts what is in `parts`, and in none of the recordings, into the one hole that it fits in. `parts` has every recording as one,
/// by its first log, `logs` all logs as they are.
pub(super) fn fill(
    recordings: &mut BTreeMap<String, Vec<String>>,
    mut parts: BTreeMap<String, Part>,
    logs: &BTreeMap<&str, &Part>,
    told: &Told,
) {
    loop {
        let holes = holes(recordings, logs);
        let found = parts.iter().find_map(|(id, part)| {
            let own = recordings.get(id).cloned().unwrap_or_else(|| vec![id.clone()]);
            let apart = |first: &String| recordings.get(first).is_some_and(|logs| told.parts(&own, logs));
            let near = near(&holes, part).chain(cut(&holes, part));
            let fitting = near.filter(|place| !apart(&place.0) && fits(place, part, logs, recordings));
            let fitting: BTreeSet<&Place> = fitting.collect();
            // What fits in two is known to be in neither.
            fitting.first().filter(|_| fitting.len() == 1).map(|place| (id.clone(), (*place).clone()))
        });
        let Some((id, (first, at))) = found else { return };
        parts.remove(&id);
        let own = recordings.remove(&id).unwrap_or_else(|| vec![id]);
        if let Some(logs) = recordings.get_mut(&first) {
            logs.splice(at..at, own);
        }
    }
}

/// The places between two logs of every recording, by the stamp before: container, system and time.
type Holes<'p> = BTreeMap<(&'p str, u32, i64), Vec<Place>>;

fn holes<'p>(recordings: &BTreeMap<String, Vec<String>>, logs: &BTreeMap<&str, &'p Part>) -> Holes<'p> {
    let mut holes = Holes::new();
    for (first, ids) in recordings {
        for (before, pair) in ids.windows(2).enumerate() {
            let mut both = pair.iter().filter_map(|id| logs.get(id.as_str()));
            let (Some(a), Some(b)) = (both.next(), both.next()) else { continue };
            if let Some(main) = Main::of(a, b).filter(|main| main.apart_ms > 0) {
                let key = (a.container.as_str(), main.system_id, as_sent_ms(main.last_ms));
                holes.entry(key).or_default().push((first.clone(), before + 1));
            }
        }
    }
    holes
}

/// The holes that begin within seconds before a part.
fn near<'h>(holes: &'h Holes<'_>, part: &'h Part) -> impl Iterator<Item = &'h Place> {
    let senders = part.ends.senders.iter();
    let begins = senders.filter_map(|sender| Some((sender.system_id, sender.first_boot_ms?)));
    begins.flat_map(move |(system_id, first_ms)| {
        let key = move |last_ms: i64| (part.container.as_str(), system_id, last_ms);
        let stretches = stretches_ms(first_ms - APART_MS, first_ms + ONE_MOMENT_MS);
        let near = stretches.flat_map(move |(from_ms, to_ms)| holes.range(key(from_ms)..=key(to_ms)));
        near.flat_map(|(_, places)| places)
    })
}

/// All holes, for a part without a clock that was cut at both ends.
fn cut<'h>(holes: &'h Holes<'_>, part: &'h Part) -> impl Iterator<Item = &'h Place> {
    let mute = part.ends.senders.iter().all(|sender| sender.first_boot_ms.is_none());
    let cut = !part.ends.head.is_empty() && !part.ends.tail.is_empty();
    holes.values().filter(move |_| mute && cut).flatten()
}

/// Whether a part fits in a hole.
fn fits(
    (first, at): &Place,
    part: &Part,
    logs: &BTreeMap<&str, &Part>,
    recordings: &BTreeMap<String, Vec<String>>,
) -> bool {
    let Some(ids) = recordings.get(first) else { return false };
    let log = |index: usize| ids.get(index).and_then(|id| logs.get(id.as_str()));
    let both = at.checked_sub(1).and_then(log).zip(log(*at));
    both.is_some_and(|(a, b)| {
        let whole = |part: &Part, next: &Part| {
            part.container == next.container
                && across(&part.ends.tail, &next.ends.head, part.container == "timestamped").is_some()
        };
        let clock = goes_on(a, part) && goes_on(part, b);
        *first != part.log_id && (clock || whole(a, part) && whole(part, b))
    })
}

/// Whether `next` can follow `part`, by the clock and by what speaks against it.
fn goes_on(part: &Part, next: &Part) -> bool {
    let Some(main) = Main::of(part, next) else { return false };
    let boots = part.ends.boot(main.system_id).zip(next.ends.boot(main.system_id));
    (-ONE_MOMENT_MS..=APART_MS).contains(&main.apart_ms)
        && same_boot(part, next, main.system_id) != Some(false)
        && !boots.is_some_and(|(a, b)| of_two(a, b))
        && !situation(part, next, main.system_id, Situation::excludes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::ends::{BootEnds, Ends};
    use crate::assess::joint::hex;
    use crate::assess::parts::recordings;
    use crate::recording::SenderCount;
    use serde_json::json;

    /// A HEARTBEAT of MAVLink 1, all fields zero but type 2 and version 3; CRC_EXTRA 50 by the published definitions.
    fn heartbeat(sequence: u8) -> Vec<u8> {
        let body = [9, sequence, 1, 1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3];
        [&[0xFE][..], &body, &mavlink::calculate_crc(&body, 50).to_le_bytes()].concat()
    }

    fn part(id: &str, counters: (u8, u8), boot_ms: Option<(i64, i64)>, head: &[u8], tail: &[u8]) -> Part {
        let sender = json!({
            "system_id": 1, "component_id": 1, "frames": 900, "first_sequence": counters.0,
            "last_sequence": counters.1, "first_boot_ms": boot_ms.map(|ms| ms.0), "last_boot_ms": boot_ms.map(|ms| ms.1),
        });
        let senders: Vec<SenderCount> = vec![serde_json::from_value(sender).unwrap()];
        let boot_us = boot_ms.map(|_| 1_790_000_000_000_000);
        let boots =
            vec![BootEnds { system_id: 1, first_us: boot_us, last_us: boot_us, ..BootEnds::default() }];
        let ends = Ends { senders, boots, head: hex(head), tail: hex(tail), ..Ends::default() };
        Part { log_id: id.into(), container: "bare".into(), ends }
    }

    #[test]
    fn a_file_without_a_clock_lies_where_the_frames_that_were_cut_are_whole() {
        // Cut behind their first byte, frames prove nothing by themselves: any counter could stand in the rest.
        let (one, two) = (heartbeat(120), heartbeat(150));
        let before = part("a", (0, 20), Some((1_000, 60_000)), &[], &one[..1]);
        let behind = part("b", (200, 90), Some((64_000, 99_000)), &two[1..], &[]);
        let mute = part("m", (122, 122), None, &one[1..], &two[..1]);
        let rows = |logs: &[&Part]| {
            recordings(&logs.iter().map(|part| (*part).clone()).collect::<Vec<_>>(), &Told::default())
        };
        assert_eq!(rows(&[&before, &behind]), [["a", "b"]]);
        assert_eq!(rows(&[&mute, &before, &behind]), [["a", "m", "b"]]);
        // With a byte less at either end it lies nowhere, and so it does where it fits in two holes.
        for (head, tail) in [(&one[2..], &two[..1]), (&one[1..], &two[..0])] {
            let other = part("m", (122, 122), None, head, tail);
            assert_eq!(rows(&[&other, &before, &behind]), [["a", "b"]]);
        }
        let mut twice = [before.clone(), behind.clone()];
        for (part, id) in twice.iter_mut().zip(["c", "d"]) {
            part.log_id = id.into();
            part.ends.boots[0].first_us = Some(1_800_000_000_000_000);
            part.ends.boots[0].last_us = part.ends.boots[0].first_us;
        }
        assert_eq!(rows(&[&mute, &before, &behind, &twice[0], &twice[1]]), [["a", "b"], ["c", "d"]]);
        let told = {
            let mut told = Told::default();
            told.apart("a", "m");
            told
        };
        let all = [mute, before, behind];
        assert_eq!(recordings(&all, &told), [["a", "b"]]);
    }
}
