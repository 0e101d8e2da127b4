//! What a person says of logs: that they are one recording, or are not, where no file tells it or the files tell it wrongly.
//!
//! What is said holds for the recordings that the logs turn out to be parts of, whatever else comes later: it joins what the
//! files' own evidence leaves apart, in the order of the boot clock, and keeps apart what that would join.

use super::parts::{LATE_MS, Main, Part, near_turn_ms, of_two};
use std::collections::{BTreeMap, BTreeSet};

/// What was said, each of two logs by their ids.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Told {
    /// One recording; the earlier log first.
    one: BTreeSet<(String, String)>,
    /// Two; the lesser id first.
    apart: BTreeSet<(String, String)>,
}

/// What was said to be one.
pub(super) struct Row {
    /// The parts that it was.
    pub(super) ids: Vec<String>,
    /// All of them as one.
    pub(super) whole: Part,
    /// Its logs, in order.
    pub(super) logs: Vec<String>,
}

/// Why logs cannot be one recording, whatever is said; by their numbers as given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// They are streams of two kinds.
    Containers(usize, usize),
    /// Hardware identities say that they are of two vehicles.
    Vehicles(usize, usize),
    /// The second one begins before the first one ends, milliseconds by the boot clock.
    Overlap(usize, usize, i64),
}

impl Told {
    /// Two logs are one recording.
    pub fn one(&mut self, earlier: &str, later: &str) {
        self.one.insert((earlier.to_owned(), later.to_owned()));
    }

    /// Two logs are not.
    pub fn apart(&mut self, a: &str, b: &str) {
        self.apart.insert((a.min(b).to_owned(), a.max(b).to_owned()));
    }

    /// The same, said of the logs that some are copies of.
    #[must_use]
    pub fn of_originals(&self, originals: &BTreeMap<String, String>) -> Told {
        let original = |id: &String| originals.get(id).unwrap_or(id).clone();
        let mut told = Told::default();
        for (earlier, later) in &self.one {
            told.one(&original(earlier), &original(later));
        }
        for (a, b) in &self.apart {
            told.apart(&original(a), &original(b));
        }
        told
    }

    /// Whether anything is said to be apart.
    pub(super) fn says_apart(&self) -> bool {
        !self.apart.is_empty()
    }

    /// Whether any of these and any of those were said to be apart.
    pub(super) fn parts(&self, these: &[String], those: &[String]) -> bool {
        let between = |(a, b): &(String, String)| {
            these.contains(a) && those.contains(b) || these.contains(b) && those.contains(a)
        };
        self.apart.iter().any(between)
    }

    /// The first of `parts` that were said to be one and are not yet, in the order of the clocks of the `files` that they are made
    /// of; `linked` has those of each, if they are several.
    pub(super) fn row<'p>(
        &self,
        parts: &'p BTreeMap<String, Part>,
        linked: &BTreeMap<String, Vec<String>>,
        files: &BTreeMap<&str, &'p Part>,
    ) -> Option<Row> {
        let logs = |id: &str| linked.get(id).cloned().unwrap_or_else(|| vec![id.to_owned()]);
        let of: BTreeMap<String, &'p str> =
            parts.keys().flat_map(|id| logs(id).into_iter().map(move |log| (log, id.as_str()))).collect();
        let pairs = self.one.iter().filter_map(|(a, b)| of.get(a).copied().zip(of.get(b).copied()));
        let mut pairs: Vec<(&'p str, &'p str)> = pairs.filter(|(a, b)| a != b).collect();
        let (mut row, mut all): (Vec<&'p str>, Vec<String>) = (Vec::new(), Vec::new());
        loop {
            let fits = |(a, b): &(&'p str, &'p str)| {
                let (old, new) = if row.contains(b) { (b, a) } else { (a, b) };
                let own = if row.is_empty() { logs(old) } else { all.clone() };
                (row.is_empty() || row.contains(old) && !row.contains(new)) && !self.parts(&own, &logs(new))
            };
            let Some(at) = pairs.iter().position(fits) else { break };
            let (a, b) = pairs.swap_remove(at);
            for id in [a, b] {
                if !row.contains(&id) {
                    row.push(id);
                    all.extend(logs(id));
                }
            }
        }
        let own: Vec<&Part> = all.iter().filter_map(|id| files.get(id.as_str()).copied()).collect();
        let own = by_clock(&own);
        let (first, behind) = own.split_first().filter(|_| row.len() > 1)?;
        let ends = behind.iter().fold(first.ends.clone(), |ends, next| ends.and(&next.ends));
        Some(Row {
            ids: row.into_iter().map(str::to_owned).collect(),
            logs: own.iter().map(|part| part.log_id.clone()).collect(),
            whole: Part { ends, ..(*first).clone() },
        })
    }
}

/// Files in the order of the boot clock; one that tells none stays behind the one before it.
fn by_clock<'p>(parts: &[&'p Part]) -> Vec<&'p Part> {
    let mut later_ms = 0;
    let mut timed: Vec<(i64, &Part)> = Vec::new();
    for part in parts {
        let first = parts.first().and_then(|first| part.ends.later_ms(&first.ends));
        later_ms = first.map_or(later_ms, near_turn_ms);
        timed.push((later_ms, part));
    }
    timed.sort_by_key(|(later_ms, _)| *later_ms);
    timed.into_iter().map(|(_, part)| part).collect()
}

/// Puts files in the order of the boot clock, by their numbers.
///
/// # Errors
/// If two of them cannot be one recording.
pub fn in_order(files: &[Part]) -> Result<Vec<usize>, Refusal> {
    let row = by_clock(&files.iter().collect::<Vec<_>>());
    let number = |part: &Part| files.iter().position(|file| file.log_id == part.log_id).unwrap_or_default();
    for pair in row.windows(2) {
        let [part, next] = pair else { continue };
        let (a, b) = (number(part), number(next));
        if part.container != next.container {
            return Err(Refusal::Containers(a, b));
        }
        let boots = part.ends.boots.iter();
        if boots.filter_map(|boot| Some((boot, next.ends.boot(boot.system_id)?))).any(|(a, b)| of_two(a, b)) {
            return Err(Refusal::Vehicles(a, b));
        }
        if let Some(main) = Main::of(part, next)
            && main.apart_ms < -LATE_MS
        {
            return Err(Refusal::Overlap(a, b, -main.apart_ms));
        }
    }
    Ok(row.into_iter().map(number).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::ends::{BootEnds, Ends};
    use crate::assess::parts::recordings;
    use serde_json::json;

    /// A file of one sender, by its boot clock; counters that go on from no other.
    fn part(id: &str, boot_ms: (i64, i64)) -> Part {
        let counter = id.bytes().fold(0u8, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte));
        let sender = json!({
            "system_id": 1, "component_id": 1, "frames": 900, "first_sequence": counter,
            "last_sequence": counter.wrapping_add(100), "first_boot_ms": boot_ms.0, "last_boot_ms": boot_ms.1,
        });
        let senders = vec![serde_json::from_value(sender).unwrap()];
        Part { log_id: id.into(), container: "bare".into(), ends: Ends { senders, ..Ends::default() } }
    }

    fn told(one: &[(&str, &str)], apart: &[(&str, &str)]) -> Told {
        let mut told = Told::default();
        one.iter().for_each(|(a, b)| told.one(a, b));
        apart.iter().for_each(|(a, b)| told.apart(a, b));
        told
    }

    #[test]
    fn what_is_said_to_be_one_is_in_the_order_of_the_clock() {
        let mut logs =
            [part("d", (9_000, 60_000)), part("b", (300_000, 400_000)), part("a", (900_000, 950_000))];
        assert!(recordings(&logs, &Told::default()).is_empty());
        for pairs in [[("d", "a"), ("d", "b")], [("d", "b"), ("b", "a")], [("d", "a"), ("b", "a")]] {
            logs.rotate_left(1);
            assert_eq!(recordings(&logs, &told(&pairs, &[])), [["d", "b", "a"]]);
        }
        assert_eq!(recordings(&logs, &told(&[("d", "a"), ("d", "x")], &[])), [["d", "a"]]);
        // Behind a turn of 32 bits the stamps begin anew.
        let wrapped = [part("a", (5_000, 90_000)), part("b", (4_294_900_000, 4_294_960_000))];
        assert_eq!(recordings(&wrapped, &told(&[("b", "a")], &[])), [["b", "a"]]);
        // What lies between two files that go on in one another is put there.
        let mut around =
            [part("a", (100, 90_000)), part("c", (148_000, 160_000)), part("b", (115_000, 120_000))];
        for part in &mut around[..2] {
            let boot_us = Some(1_790_000_000_000_000);
            part.ends.boots =
                vec![BootEnds { system_id: 1, first_us: boot_us, last_us: boot_us, ..BootEnds::default() }];
        }
        assert_eq!(recordings(&around, &Told::default()), [["a", "c"]]);
        assert_eq!(recordings(&around, &told(&[("b", "c")], &[])), [["a", "b", "c"]]);
        // Without a clock the one that was said to be earlier is first.
        let mut mute = [part("a", (0, 0)), part("b", (5_000, 9_000))];
        mute[0].ends.senders[0].first_boot_ms = None;
        assert_eq!(recordings(&mute, &told(&[("b", "a")], &[])), [["b", "a"]]);
    }

    #[test]
    fn what_is_said_to_be_apart_is_joined_by_nothing() {
        // Counters and clock go on from one file to the next.
        let mut logs =
            [part("a", (100, 90_000)), part("b", (90_010, 180_000)), part("c", (180_010, 250_000))];
        for (index, log) in logs.iter_mut().enumerate() {
            let counter = 50 * index as u8;
            (log.ends.senders[0].first_sequence, log.ends.senders[0].last_sequence) = (counter, counter + 49);
        }
        assert_eq!(recordings(&logs, &Told::default()), [["a", "b", "c"]]);
        assert_eq!(recordings(&logs, &told(&[], &[("b", "a")])), [["b", "c"]]);
        assert_eq!(recordings(&logs, &told(&[], &[("a", "b"), ("a", "c")])), [["b", "c"]]);
        // The end of the row is another's: it goes on as far as nothing speaks against it.
        assert_eq!(recordings(&logs, &told(&[], &[("a", "c")])), [["a", "b"]]);
        // What is said to be one gives way where it would bring together what is apart.
        let far = part("d", (900_000, 950_000));
        let all = [&logs[..], &[far]].concat();
        assert_eq!(recordings(&all, &told(&[("c", "d")], &[("a", "d")])), [["a", "b", "c"]]);
        assert_eq!(recordings(&all, &told(&[("c", "d")], &[("a", "b")])), [["b", "c", "d"]]);
    }

    #[test]
    fn what_is_said_of_copies_holds_for_their_logs() {
        let logs = [part("a", (100, 90_000)), part("c", (180_010, 250_000))];
        let originals = BTreeMap::from([("copy".to_owned(), "a".to_owned())]);
        let said = told(&[("copy", "c"), ("copy", "a")], &[]);
        assert!(recordings(&logs, &said).is_empty());
        assert_eq!(recordings(&logs, &said.of_originals(&originals)), [["a", "c"]]);
    }

    #[test]
    fn what_cannot_be_one_is_refused() {
        let (a, b) = (part("a", (100, 90_000)), part("b", (300_000, 400_000)));
        let order = |parts: &[&Part]| in_order(&parts.iter().map(|part| (*part).clone()).collect::<Vec<_>>());
        assert_eq!(order(&[&b, &a]), Ok(vec![1, 0]));
        let c = part("c", (60_000, 70_000));
        assert_eq!(order(&[&b, &c, &a]), Err(Refusal::Overlap(2, 1, 30_000)));
        let stamped = Part { container: "timestamped".into(), ..b.clone() };
        assert_eq!(order(&[&a, &stamped]), Err(Refusal::Containers(0, 1)));
        let of = |part: &Part, uid: &str| {
            let boot = BootEnds {
                system_id: 1,
                uids: vec![uid.into()],
                first_uid_told: true,
                last_uid_told: true,
                ..BootEnds::default()
            };
            Part { ends: Ends { boots: vec![boot], ..part.ends.clone() }, ..part.clone() }
        };
        assert_eq!(order(&[&of(&a, "0x1"), &of(&b, "0x2")]), Err(Refusal::Vehicles(0, 1)));
        assert_eq!(order(&[&of(&a, "0x1"), &of(&b, "0x1")]), Ok(vec![0, 1]));
    }
}
