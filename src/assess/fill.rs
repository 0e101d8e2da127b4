//! Files of a second or two, of which nothing says which others they go on from, in the hole of a recording that their clock
//! lies in: where a link loses most frames, a short file may hold neither a place nor a counter near its neighbours'.
//!
//! That the files around the hole are one recording is known without it; another day's file would have to be as short, and
//! at the same second after boot.

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
            let fitting = fitting(&holes, part, logs, recordings).filter(|(first, _)| !apart(first));
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

/// The holes that a part fits in.
fn fitting<'h>(
    holes: &'h Holes<'_>,
    part: &'h Part,
    logs: &'h BTreeMap<&str, &Part>,
    recordings: &'h BTreeMap<String, Vec<String>>,
) -> impl Iterator<Item = &'h Place> {
    let senders = part.ends.senders.iter();
    let begins = senders.filter_map(|sender| Some((sender.system_id, sender.first_boot_ms?)));
    let near = begins.flat_map(move |(system_id, first_ms)| {
        let key = move |last_ms: i64| (part.container.as_str(), system_id, last_ms);
        let stretches = stretches_ms(first_ms - APART_MS, first_ms + ONE_MOMENT_MS);
        let near = stretches.flat_map(move |(from_ms, to_ms)| holes.range(key(from_ms)..=key(to_ms)));
        near.flat_map(|(_, places)| places)
    });
    near.filter(|(first, at)| {
        let Some(ids) = recordings.get(first) else { return false };
        let log = |index: usize| ids.get(index).and_then(|id| logs.get(id.as_str()));
        let both = at.checked_sub(1).and_then(log).zip(log(*at));
        both.is_some_and(|(a, b)| *first != part.log_id && goes_on(a, part) && goes_on(part, b))
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
