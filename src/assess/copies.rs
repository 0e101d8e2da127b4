//! Which logs are the beginning of another one: a copy that was cut short, or taken while the file still grew. Here,
//! which pairs come into question, by what the logs' senders say; the bytes decide, and what they said is sorted here.

use super::parts::Part;
use crate::recording::SenderCount;
use std::collections::{BTreeMap, HashMap};

/// Pairs of indices, the log that may be a copy first: same container, and every sender of the one begins with the same
/// counter and at the same time in the other, which has as many frames of it. Equal logs are a pair both ways.
pub fn candidates(logs: &[Part]) -> Vec<(usize, usize)> {
    let begins = |s: &SenderCount| (s.system_id, s.component_id, s.first_sequence, s.first_boot_ms);
    let mut by_sender: HashMap<_, Vec<usize>> = HashMap::new();
    for (index, log) in logs.iter().enumerate() {
        for sender in &log.ends.senders {
            by_sender.entry((log.container.as_str(), begins(sender))).or_default().push(index);
        }
    }
    let mut pairs = Vec::new();
    for (index, log) in logs.iter().enumerate() {
        let Some(main) = log.ends.senders.iter().max_by_key(|sender| sender.frames) else { continue };
        let key = (log.container.as_str(), begins(main));
        for other in by_sender.get(&key).into_iter().flatten().copied().filter(|other| *other != index) {
            let within = |sender: &SenderCount| {
                let same = |s: &&SenderCount| begins(s) == begins(sender) && s.frames >= sender.frames;
                logs.get(other).is_some_and(|log| log.ends.senders.iter().any(|s| same(&s)))
            };
            if log.ends.senders.iter().all(within) {
                pairs.push((index, other));
            }
        }
    }
    pairs
}

/// The log that each copy is a copy of, and that is none itself: among several the one with the most frames. `pairs` are
/// those that the bytes confirmed.
pub fn originals(logs: &[Part], pairs: &[(usize, usize)]) -> BTreeMap<String, String> {
    let frames =
        |index: usize| logs.get(index).map_or(0, |log| log.ends.senders.iter().map(|s| s.frames).sum());
    let id = |index: usize| logs.get(index).map_or("", |log| log.log_id.as_str());
    // More frames first, then the id: what is a copy comes behind its original.
    let rank = |index: usize| (std::cmp::Reverse::<u64>(frames(index)), id(index));
    let mut best: BTreeMap<usize, usize> = BTreeMap::new();
    for (copy, of) in pairs.iter().copied().filter(|(copy, of)| rank(*of) < rank(*copy)) {
        let lead = best.entry(copy).or_insert(of);
        if rank(of) < rank(*lead) {
            *lead = of;
        }
    }
    let original = |mut index: usize| {
        while let Some(of) = best.get(&index) {
            index = *of;
        }
        index
    };
    best.keys().map(|copy| (id(*copy).to_owned(), id(original(*copy)).to_owned())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::parts::Ends;

    /// A log of senders with these components, first counters and frames.
    fn log(id: &str, senders: &[(u8, u8, u64)]) -> Part {
        let sender = |&(component_id, first_sequence, frames): &(u8, u8, u64)| SenderCount {
            system_id: 1,
            component_id,
            frames,
            first_sequence,
            last_sequence: 0,
            first_boot_ms: Some(4_000),
            last_boot_ms: Some(9_000),
        };
        let ends = Ends { senders: senders.iter().map(sender).collect(), ..Ends::default() };
        Part { log_id: id.to_owned(), container: "bare".to_owned(), ends }
    }

    #[test]
    fn only_what_begins_alike_comes_into_question() {
        let short = log("short", &[(1, 9, 50)]);
        let whole = log("whole", &[(1, 9, 900), (190, 3, 80)]);
        let other = log("other", &[(1, 10, 900), (190, 3, 80)]);
        let pcap = Part { container: "pcap".to_owned(), ..log("pcap", &[(1, 9, 900)]) };
        assert_eq!(candidates(&[whole.clone(), short, other, pcap]), [(1, 0)]);
        let more = log("more", &[(1, 9, 950), (190, 4, 80)]);
        assert!(candidates(&[whole, more]).is_empty(), "one sender begins elsewhere");
    }

    #[test]
    fn copies_of_copies_have_one_original_in_any_order() {
        let logs = [log("c", &[(1, 9, 90)]), log("a", &[(1, 9, 10)]), log("b", &[(1, 9, 50)])];
        let want = BTreeMap::from([("a", "c"), ("b", "c")].map(|(a, b)| (a.to_owned(), b.to_owned())));
        assert_eq!(originals(&logs, &[(1, 0), (1, 2), (2, 0)]), want);
        assert_eq!(originals(&logs, &[(2, 0), (1, 2)]), want);
        // Equal but for zeros behind it: each is the beginning of the other.
        let twins = [log("y", &[(1, 9, 10)]), log("x", &[(1, 9, 10)])];
        assert_eq!(originals(&twins, &[(0, 1), (1, 0)]), BTreeMap::from([("y".to_owned(), "x".to_owned())]));
    }
}
