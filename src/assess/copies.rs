//! Which logs are copies of another one: cut short, taken while the file still grew, or damaged on the way. Here, which
//! pairs come into question, by what the logs' senders say; the bytes decide, and what they said is sorted here.

use super::parts::{Part, recordings};
use super::told::Told;
use crate::recording::SenderCount;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Two logs, by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Pair {
    /// The one with fewer frames, or behind the other by its id.
    pub copy: usize,
    /// The other one.
    pub whole: usize,
    /// They begin alike. Otherwise they end alike.
    pub begins: bool,
}

/// Pairs of the same container in which the sender that says most in the one begins or ends with the same counter and at
/// the same time in the other. Damage only takes frames, so that the one with fewer is the copy.
pub fn candidates(logs: &[Part]) -> BTreeSet<Pair> {
    let begins = |s: &SenderCount| (true, s.system_id, s.component_id, s.first_sequence, s.first_boot_ms);
    let ends = |s: &SenderCount| (false, s.system_id, s.component_id, s.last_sequence, s.last_boot_ms);
    let mut by_sender: HashMap<_, Vec<usize>> = HashMap::new();
    for (index, log) in logs.iter().enumerate() {
        for key in log.ends.senders.iter().flat_map(|s| [begins(s), ends(s)]) {
            by_sender.entry((log.container.as_str(), key)).or_default().push(index);
        }
    }
    let mut pairs = BTreeSet::new();
    for (copy, log) in logs.iter().enumerate() {
        let Some(main) = log.ends.senders.iter().max_by_key(|sender| sender.frames) else { continue };
        let alike = |key| by_sender.get(&(log.container.as_str(), key)).into_iter().flatten().copied();
        let leads = |whole: &usize| rank(logs, *whole) < rank(logs, copy);
        let beginning: BTreeSet<usize> = alike(begins(main)).filter(leads).collect();
        let ending = alike(ends(main)).filter(|whole| leads(whole) && !beginning.contains(whole));
        pairs.extend(ending.map(|whole| Pair { copy, whole, begins: false }));
        pairs.extend(beginning.into_iter().map(|whole| Pair { copy, whole, begins: true }));
    }
    pairs
}

/// What is a copy comes behind its original: more frames first, then more bytes of frames that were cut, then the id.
fn rank(logs: &[Part], index: usize) -> (Reverse<u64>, Reverse<(usize, usize)>, &str) {
    let Some(log) = logs.get(index) else { return (Reverse(0), Reverse((0, 0)), "") };
    let frames = log.ends.senders.iter().map(|sender| sender.frames).sum();
    (Reverse(frames), Reverse(log.ends.cut()), &log.log_id)
}

/// The log that each copy is one of, or that is in what it is the beginning of. `pairs` are those that the bytes confirmed.
///
/// Files that go on behind one of a pair belong to it: of two logs that begin alike, the one leads from which more follows.
/// What a person says of logs does not count here: only bytes show a copy.
/// So the pieces of a rotated log are copies of the whole log, and a log that was cut in mid-way is one of its pieces.
pub fn originals(logs: &[Part], pairs: &[Pair]) -> BTreeMap<String, String> {
    let id = |index: usize| logs.get(index).map_or("", |log| log.log_id.as_str());
    let frames = |index: usize| rank(logs, index).0.0;
    let index_of: HashMap<&str, usize> = (0..logs.len()).map(|index| (id(index), index)).collect();
    let chains: Vec<Vec<usize>> = recordings(logs, &Told::default())
        .iter()
        .map(|chain| chain.iter().filter_map(|log| index_of.get(log.as_str()).copied()).collect())
        .collect();
    let places =
        chains.iter().flat_map(|chain| chain.iter().enumerate().map(move |(at, log)| (*log, (chain, at))));
    let place_of: HashMap<usize, (&Vec<usize>, usize)> = places.collect();
    // A log and those that go on behind it.
    let from = |index: usize| match place_of.get(&index) {
        Some((chain, at)) => chain.get(*at..).unwrap_or_default().to_vec(),
        None => vec![index],
    };
    let mut lead_of: BTreeMap<usize, usize> = BTreeMap::new();
    for Pair { copy, whole, begins } in pairs.iter().copied() {
        let (copies, others) = (from(copy), from(whole));
        if copies.contains(&whole) || others.contains(&copy) {
            continue;
        }
        let sum = |logs: &[usize]| logs.iter().map(|index| frames(*index)).sum::<u64>();
        let (lead, led) = match (begins, sum(&copies) > sum(&others)) {
            (true, true) => (copy, others),
            (true, false) => (whole, copies),
            (false, _) => (whole, vec![copy]),
        };
        for index in led {
            let known = lead_of.entry(index).or_insert(lead);
            if (Reverse(sum(&from(lead))), rank(logs, lead))
                < (Reverse(sum(&from(*known))), rank(logs, *known))
            {
                *known = lead;
            }
        }
    }
    let original = |mut index: usize| {
        // A ring cannot be; were there one, it would end here all the same.
        for _ in 0..logs.len() {
            match lead_of.get(&index) {
                Some(of) => index = *of,
                None => break,
            }
        }
        index
    };
    lead_of.keys().map(|copy| (id(*copy).to_owned(), id(original(*copy)).to_owned())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::ends::Ends;

    /// A log of senders with these components, first counters and frames.
    fn log(id: &str, senders: &[(u8, u8, u64)]) -> Part {
        let sender = |&(component_id, first_sequence, frames): &(u8, u8, u64)| SenderCount {
            system_id: 1,
            component_id,
            frames,
            first_sequence,
            last_sequence: first_sequence.wrapping_add(frames as u8),
            steps: 0,
            backward: 0,
            sent: 0,
            falls: 0,
            after_reboot: false,
            before_reboot: false,
            first_boot_ms: Some(4_000),
            last_boot_ms: Some(9_000),
        };
        let ends = Ends { senders: senders.iter().map(sender).collect(), ..Ends::default() };
        Part { log_id: id.to_owned(), container: "bare".to_owned(), ends }
    }

    fn pair(copy: usize, whole: usize, begins: bool) -> Pair {
        Pair { copy, whole, begins }
    }

    #[test]
    fn only_what_begins_or_ends_alike_comes_into_question() {
        let short = log("short", &[(1, 9, 50)]);
        let whole = log("whole", &[(1, 9, 900), (190, 3, 80)]);
        let other = log("other", &[(1, 10, 900), (190, 3, 80)]);
        let pcap = Part { container: "pcap".to_owned(), ..log("pcap", &[(1, 9, 900)]) };
        assert_eq!(candidates(&[whole.clone(), short, other, pcap]), [pair(1, 0, true)].into());
        let mut headless = log("headless", &[(1, 90, 700)]);
        headless.ends.senders[0].last_sequence = 77;
        let mut tail = whole.clone();
        tail.ends.senders[0].last_sequence = 77;
        assert_eq!(candidates(&[headless.clone(), tail]), [pair(0, 1, false)].into());
        assert!(candidates(&[headless, whole]).is_empty());
    }

    #[test]
    fn copies_of_copies_have_one_original_in_any_order() {
        let logs = [log("c", &[(1, 9, 90)]), log("a", &[(1, 9, 10)]), log("b", &[(1, 9, 50)])];
        let all = candidates(&logs);
        assert_eq!(all, [pair(1, 0, true), pair(1, 2, true), pair(2, 0, true)].into());
        let want = BTreeMap::from([("a", "c"), ("b", "c")].map(|(a, b)| (a.to_owned(), b.to_owned())));
        assert_eq!(originals(&logs, &all.into_iter().collect::<Vec<_>>()), want);
        assert_eq!(originals(&logs, &[pair(2, 0, true), pair(1, 2, true)]), want);
        let twins = [log("y", &[(1, 9, 10)]), log("x", &[(1, 9, 10)])];
        assert_eq!(candidates(&twins), [pair(0, 1, true)].into(), "once, and the smaller id leads");
    }

    #[test]
    fn of_two_that_were_cut_in_the_same_frame_the_longer_leads() {
        let cut = |id: &str, tail: &str| {
            let mut log = log(id, &[(1, 9, 10)]);
            log.ends.tail = tail.to_owned();
            log
        };
        // One byte more, also a zero; but space that was set aside behind it is none.
        for (long, short) in [("fd1c04", "fd1c"), ("fd1c00", "fd1c"), ("fd1c04", "fd1c000000000000")] {
            for ids in [["x", "y"], ["y", "x"]] {
                let logs = [cut(ids[0], long), cut(ids[1], short)];
                assert_eq!(candidates(&logs), [pair(1, 0, true)].into(), "{long} {short}");
            }
        }
    }
}
