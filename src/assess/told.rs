//! What a person says of logs: that they are one recording, or are not, where no file tells it or the files tell it wrongly.
//!
//! What is said holds for the recordings that the logs turn out to be parts of, whatever else comes later: it joins what the
//! files' own evidence leaves apart, in the order of the boot clock, and keeps apart what that would join.

use super::parts::{LATE_MS, Main, Part, near_turn_ms, of_two, same_boot};
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

/// Why two logs cannot be of one recording, whatever is said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The log that would be earlier.
    pub earlier: String,
    /// The other.
    pub later: String,
    /// Why.
    pub why: Why,
}

/// What speaks against it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// They are streams of two kinds.
    Containers,
    /// No vehicle speaks in both.
    Strangers,
    /// Hardware identities say that they are of two vehicles.
    Vehicles,
    /// The later one begins before the earlier one ends, milliseconds by the boot clock.
    Overlap(i64),
    /// UTC says that the vehicle was booted anew in between.
    Boots,
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
        if self.one.is_empty() {
            return None;
        }
        let logs = |id: &str| linked.get(id).cloned().unwrap_or_else(|| vec![id.to_owned()]);
        let of: BTreeMap<String, &'p str> =
            parts.keys().flat_map(|id| logs(id).into_iter().map(move |log| (log, id.as_str()))).collect();
        let pairs = self.one.iter().filter_map(|(a, b)| of.get(a).copied().zip(of.get(b).copied()));
        let mut pairs: Vec<(&'p str, &'p str)> = pairs.filter(|(a, b)| a != b).collect();
        let file = |id: &String| files.get(id.as_str()).copied();
        let own = |id: &str| -> Vec<&'p Part> { logs(id).iter().filter_map(file).collect() };
        let mut row: Vec<&'p str> = Vec::new();
        loop {
            let fits = |(a, b): &(&'p str, &'p str)| {
                let (old, new) = if row.contains(b) { (*b, *a) } else { (*a, *b) };
                if !row.is_empty() && (!row.contains(&old) || row.contains(&new)) {
                    return false;
                }
                let before: Vec<&str> = if row.is_empty() { vec![old] } else { row.clone() };
                let all: Vec<String> = before.iter().flat_map(|id| logs(id)).collect();
                let lists: Vec<Vec<&Part>> = before.iter().chain([&new]).map(|id| own(id)).collect();
                !self.parts(&all, &logs(new)) && in_row(&lists).is_ok()
            };
            let Some(at) = pairs.iter().position(fits) else { break };
            let (a, b) = pairs.swap_remove(at);
            row.extend([a, b].into_iter().filter(|id| !row.contains(id)).collect::<Vec<_>>());
        }
        let lists: Vec<Vec<&Part>> = row.iter().map(|id| own(id)).collect();
        let units = in_row(&lists).ok().filter(|_| row.len() > 1)?;
        let own: Vec<&Part> = units.iter().flat_map(|unit| unit.files.iter().copied()).collect();
        Some(Row {
            ids: row.into_iter().map(str::to_owned).collect(),
            whole: merged(&own)?,
            logs: own.iter().map(|part| part.log_id.clone()).collect(),
        })
    }
}

/// Several files in a row as one, under the first one's id.
pub(super) fn merged(files: &[&Part]) -> Option<Part> {
    let (first, behind) = files.split_first()?;
    let ends = behind.iter().fold(first.ends.clone(), |ends, next| ends.and(&next.ends));
    Some(Part { ends, ..(*first).clone() })
}

/// Files that keep their order: one, or all of a recording in which a vehicle was booted anew or a block was written again, so
/// that their clocks do not tell it.
struct Unit<'p> {
    whole: Part,
    files: Vec<&'p Part>,
}

fn units<'p>(list: &[&'p Part]) -> Vec<Unit<'p>> {
    let booted = |part: &&&Part| {
        let anew = part.ends.senders.iter().any(|sender| sender.before_reboot || sender.after_reboot);
        anew || part.ends.situations.iter().any(|system| system.sessions > 1)
    };
    let unit = |files: &[&'p Part]| Some(Unit { whole: merged(files)?, files: files.to_vec() });
    let falls = |pair: &[&Part]| {
        let both = pair.first().zip(pair.last()).and_then(|(part, next)| Main::of(part, next));
        both.is_some_and(|main| main.apart_ms < -LATE_MS)
    };
    let in_order = !list.iter().any(|part| booted(&part)) && !list.windows(2).any(falls);
    let len = if in_order { 1 } else { list.len() };
    list.chunks(len.max(1)).filter_map(unit).collect()
}

/// Recordings, each the files that it is made of, in the order of the boot clock; what tells none stays behind the one before.
fn in_row<'p>(recordings: &[Vec<&'p Part>]) -> Result<Vec<Unit<'p>>, Refusal> {
    let mut timed: Vec<(i64, Unit<'p>)> = Vec::new();
    for unit in recordings.iter().flat_map(|list| units(list)) {
        let before = timed.last().map_or(0, |(later_ms, _)| *later_ms);
        let later_ms = timed.first().and_then(|(_, first)| unit.whole.ends.later_ms(&first.whole.ends));
        timed.push((later_ms.map_or(before, near_turn_ms), unit));
    }
    timed.sort_by_key(|(later_ms, _)| *later_ms);
    let row: Vec<Unit<'p>> = timed.into_iter().map(|(_, unit)| unit).collect();
    for (number, next) in row.iter().enumerate() {
        let before = row.get(..number).unwrap_or_default();
        let refused = |unit: &Unit<'_>, why| Refusal {
            earlier: unit.files.last().map(|file| file.log_id.clone()).unwrap_or_default(),
            later: next.whole.log_id.clone(),
            why,
        };
        for unit in before {
            if unit.whole.container != next.whole.container {
                return Err(refused(unit, Why::Containers));
            }
            let overlap = Main::of(&unit.whole, &next.whole).map_or(0, |main| -main.apart_ms);
            if overlap > LATE_MS {
                return Err(refused(unit, Why::Overlap(overlap)));
            }
        }
        let Some(unit) = before.last() else { continue };
        // Ground stations speak in the logs of all aircraft.
        let both = |unit: &Unit<'_>| {
            let vehicles =
                |part: &Part| part.ends.boots.iter().map(|b| b.system_id).collect::<BTreeSet<u32>>();
            let systems =
                |part: &Part| part.ends.senders.iter().map(|s| s.system_id).collect::<BTreeSet<u32>>();
            let (a, b) = (vehicles(&unit.whole), vehicles(&next.whole));
            let told = !a.is_empty() && !b.is_empty();
            let (a, b) = if told { (a, b) } else { (systems(&unit.whole), systems(&next.whole)) };
            !a.is_disjoint(&b)
        };
        if !before.iter().any(both) {
            return Err(refused(unit, Why::Strangers));
        }
        let boots = unit.whole.ends.boots.iter();
        let mut both = boots.filter_map(|boot| Some((boot, next.whole.ends.boot(boot.system_id)?)));
        if both.any(|(a, b)| of_two(a, b)) {
            return Err(refused(unit, Why::Vehicles));
        }
    }
    Ok(row)
}

/// The logs of recordings, each the files that it is made of, in the order of the boot clock, by their ids. Unless a person
/// `corrected` what one of them tells, UTC may speak against it, too.
///
/// # Errors
/// If two of them cannot be one.
pub fn in_order(recordings: &[Vec<Part>], corrected: bool) -> Result<Vec<String>, Refusal> {
    let lists: Vec<Vec<&Part>> = recordings.iter().map(|list| list.iter().collect()).collect();
    let file = |id: &str| lists.iter().flatten().copied().find(|part| part.log_id == id);
    let other_boot = |a: &Part, b: &Part| {
        let mut systems = a.ends.boots.iter().map(|boot| boot.system_id);
        !corrected && systems.any(|id| same_boot(a, b, id) == Some(false))
    };
    let row = in_row(&lists).map_err(|refusal| {
        // Another day's log overlaps by the boot clock as well; the day says more.
        let both = file(&refusal.earlier).zip(file(&refusal.later));
        let overlaps = matches!(refusal.why, Why::Overlap(_));
        let why =
            if overlaps && both.is_some_and(|(a, b)| other_boot(a, b)) { Why::Boots } else { refusal.why };
        Refusal { why, ..refusal }
    })?;
    for pair in row.windows(2) {
        let [unit, next] = pair else { continue };
        let known = |a: &Part, b: &Part| lists.iter().any(|list| list.contains(&a) && list.contains(&b));
        let (Some(a), Some(b)) = (unit.files.last(), next.files.first()) else { continue };
        if !known(a, b) && other_boot(&unit.whole, &next.whole) {
            return Err(Refusal { earlier: a.log_id.clone(), later: b.log_id.clone(), why: Why::Boots });
        }
    }
    let files = row.into_iter().flat_map(|unit| unit.files);
    Ok(files.map(|part| part.log_id.clone()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::ends::{BootEnds, Ends, Situations};
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
        let order = |parts: &[&Part]| {
            let each: Vec<Vec<Part>> = parts.iter().map(|part| vec![(*part).clone()]).collect();
            in_order(&each, false)
        };
        let refused = |earlier: &str, later: &str, why: Why| {
            Err(Refusal { earlier: earlier.to_owned(), later: later.to_owned(), why })
        };
        let ok = |ids: &[&str]| Ok(ids.iter().map(|id| (*id).to_owned()).collect::<Vec<String>>());
        assert_eq!(order(&[&b, &a]), ok(&["a", "b"]));
        let c = part("c", (60_000, 70_000));
        assert_eq!(order(&[&b, &c, &a]), refused("a", "c", Why::Overlap(30_000)));
        // Nor does a file without a clock hide it.
        let mut mute = part("m", (0, 0));
        mute.ends.senders[0].first_boot_ms = None;
        assert_eq!(order(&[&a, &mute, &c]), refused("a", "c", Why::Overlap(30_000)));
        let stamped = Part { container: "timestamped".into(), ..b.clone() };
        assert_eq!(order(&[&a, &stamped]), refused("a", "b", Why::Containers));
        let mut stranger = b.clone();
        stranger.ends.senders[0].system_id = 2;
        assert_eq!(order(&[&a, &stranger]), refused("a", "b", Why::Strangers));
        let of = |part: &Part, boot: BootEnds| {
            let boots = vec![BootEnds { system_id: 1, ..boot }];
            Part { ends: Ends { boots, ..part.ends.clone() }, ..part.clone() }
        };
        let uid = |uid: &str| BootEnds {
            uids: vec![uid.into()],
            first_uid_told: true,
            last_uid_told: true,
            ..BootEnds::default()
        };
        assert_eq!(order(&[&of(&a, uid("0x1")), &of(&b, uid("0x2"))]), refused("a", "b", Why::Vehicles));
        assert_eq!(order(&[&of(&a, uid("0x1")), &of(&b, uid("0x1"))]), ok(&["a", "b"]));
        let day = |us: i64| BootEnds { first_us: Some(us), last_us: Some(us), ..BootEnds::default() };
        let (one, other) = (of(&a, day(1_790_000_000_000_000)), of(&b, day(1_790_086_400_000_000)));
        assert_eq!(order(&[&one, &other]), refused("a", "b", Why::Boots));
        assert_eq!(in_order(&[vec![one.clone()], vec![other.clone()]], true), ok(&["a", "b"]));
        // Files that go on in one another by themselves are not asked anew.
        assert_eq!(in_order(&[vec![one, other]], false), ok(&["a", "b"]));
    }

    #[test]
    fn what_cannot_be_one_by_now_is_not_joined() {
        let logs = [part("a", (100, 90_000)), part("b", (60_000, 140_000)), part("c", (300_000, 400_000))];
        assert!(recordings(&logs[..2], &told(&[("a", "b")], &[])).is_empty());
        assert_eq!(recordings(&logs, &told(&[("a", "b"), ("b", "c")], &[])), [["b", "c"]]);
    }

    #[test]
    fn files_whose_clocks_fall_keep_their_order() {
        // Counters go on, and the vehicle is booted anew in the second file.
        let mut logs = [part("a", (100, 90_000)), part("b", (90_010, 20_000)), part("c", (20_010, 80_000))];
        for (index, log) in logs.iter_mut().enumerate() {
            let sender = &mut log.ends.senders[0];
            (sender.first_sequence, sender.last_sequence) = (50 * index as u8, 50 * index as u8 + 49);
            let boots = BootEnds { system_id: 1, sessions: 1, ..BootEnds::default() };
            let anew = u64::from(index == 1);
            log.ends.boots = vec![BootEnds { sessions: 1 + anew, ..boots }];
            log.ends.situations =
                vec![Situations { system_id: 1, sessions: 1 + anew, ..Situations::default() }];
        }
        let later = part("d", (200_000, 300_000));
        let ids = |logs: &[Vec<String>]| logs.iter().map(|log| log.join(" ")).collect::<Vec<String>>();
        assert_eq!(ids(&recordings(&logs, &Told::default())), ["a b c"]);
        let all = [&logs[..], std::slice::from_ref(&later)].concat();
        assert_eq!(ids(&recordings(&all, &told(&[("c", "d")], &[]))), ["a b c d"]);
        // One file begins 9 s before the other ends, in the same boot session.
        let list = [part("a", (100, 90_000)), part("b", (81_000, 120_000))];
        let order = in_order(&[list.to_vec(), vec![later]], false);
        assert_eq!(order.map(|ids| ids.join(" ")), Ok("a b d".to_owned()));
    }
}
