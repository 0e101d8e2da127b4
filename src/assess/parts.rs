//! Which logs are one recording that was rotated over several files: where one ends, another goes on.
//!
//! The evidence is the senders' own. A file follows another when the vehicle's boot clock goes on within seconds
//! and the frame counters of all common senders go on as well. By chance that is one in 64 for one sender, one in 21 where
//! its frames come twice or out of order, and all logs of an aircraft begin seconds after its boot: one sender is enough
//! only beyond the first minute, or if both files give the same UTC of boot; before, its stamps must go on at once behind a
//! file of some seconds; and never where the aircraft cannot have been doing both ([`crate::recording::situation`]). Where
//! counters do not go on, since the recorder paused or frames were lost, that UTC is asked for, or else that what the
//! aircraft was doing goes on; where three frames in four are missing, that it may have.
//! Where the recorder cut in mid-frame, the end of one file and the beginning of the next are a frame with a good checksum:
//! that is evidence enough, if there is more of it in both than all frames of its kind have alike, where its own counter
//! goes on from the one or in the other or, where many of its frames are missing, the boot clock does.

use super::ends::{BootEnds, Ends};
use super::fill::fill;
use super::joint::{Joint, Side, across, needs};
use super::told::Told;
use crate::clock::SAME_BOOT_US;
use crate::recording::SenderCount;
use crate::recording::situation::Situation;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Longest time between the files' stamps when the counters go on.
pub(super) const APART_MS: i64 = 10_000;
/// The same when the files only share their UTC of boot.
const PAUSE_MS: i64 = 60_000;
/// Boot time beyond which a file hardly begins but as the continuation of another.
const STARTED_MS: i64 = 60_000;
/// Before that, a lone sender's file goes on at once, and behind one of this length: recorders that start by themselves
/// begin all their files at about the same time after boot.
const AT_ONCE_MS: i64 = 1_000;
const LENGTH_MS: i64 = 5_000;
/// A block that is written again is no longer where only the pace says so, and its counter as near to what that says.
const RETURNS_MS: i64 = 30_000;
const RETURNS_NEAR: u8 = 8;
/// Messages of one moment have stamps that are so much out of order.
pub(super) const ONE_MOMENT_MS: i64 = 500;
/// Stamps arrive so much out of order at most.
pub(super) const LATE_MS: i64 = crate::clock::boot::LATE_MS;

/// One log as linking sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Its id.
    pub log_id: String,
    /// What its bytes are; files of one recording are alike.
    pub container: String,
    /// Its ends.
    pub ends: Ends,
}

/// Whether the counter of `next` goes on where that of `sender` ended; out of order only if it is so in either file.
fn go_on(sender: &SenderCount, next: &SenderCount) -> bool {
    let (from, to) = (sender.last_sequence, next.first_sequence);
    sender.near(from, to) || next.near(from, to)
}

/// Whether the counters of all senders that both have go on, and how many these are that could tell.
fn counters(part: &Part, next: &Part) -> (bool, usize) {
    let (mut all_go_on, mut common) = (true, 0);
    for sender in &part.ends.senders {
        let Some(other) = next.ends.sender(sender) else { continue };
        // A ground station is started anew between flights, too, and two of them may have the same ids.
        if sender.before_reboot || other.after_reboot || !sender.tells() || !other.tells() {
            continue;
        }
        all_go_on &= go_on(sender, other);
        common += 1;
    }
    (all_go_on, common)
}

/// What both files say of the sender of a frame that was cut.
fn senders_of<'p>(
    joint: Joint,
    part: &'p Part,
    next: &'p Part,
) -> (Option<&'p SenderCount>, Option<&'p SenderCount>) {
    let Joint::Frame { system_id, component_id, .. } = joint else { return (None, None) };
    let of = |part: &'p Part| {
        part.ends.senders.iter().find(|s| (s.system_id, s.component_id) == (system_id, component_id))
    };
    (of(part), of(next))
}

/// Whether the counter of a frame that was cut goes on from the one file, or the other one's from it: where a block is
/// written again at the cut, one of them does. It always does in the file that it stands in, so where the checksum says
/// nothing, it must in the other one.
fn fits(joint: Joint, part: &Part, next: &Part) -> bool {
    let Joint::Frame { sequence, counted, checked, .. } = joint else { return false };
    let (before, behind) = senders_of(joint, part, next);
    let before = before.is_some_and(|s| s.near(s.last_sequence, sequence));
    let behind = behind.is_some_and(|s| s.near(sequence, s.first_sequence));
    match counted {
        _ if checked => before || behind,
        Side::Before => behind,
        Side::Behind => before,
    }
}

/// Whether its sender was at the counter and the time of the next file when it wrote the end of this one before: a short
/// block that is written again, by its pace.
fn returns(joint: Joint, part: &Part, next: &Part) -> bool {
    let (Some(before), Some(behind)) = senders_of(joint, part, next) else { return false };
    let (Some(first_ms), Some(last_ms), Some(back_to_ms)) =
        (before.first_boot_ms, before.last_boot_ms, behind.first_boot_ms)
    else {
        return false;
    };
    let (length_ms, back_ms) = (last_ms - first_ms, apart_ms(back_to_ms, last_ms));
    if !(0..=length_ms.min(RETURNS_MS)).contains(&back_ms) || length_ms == 0 {
        return false;
    }
    let sent = i64::try_from(before.sent).unwrap_or(i64::MAX).saturating_mul(back_ms) / length_ms;
    let due = before.last_sequence.wrapping_sub(sent as u8);
    behind.first_sequence.wrapping_sub(due).wrapping_add(RETURNS_NEAR) <= 2 * RETURNS_NEAR
}

/// Whether its sender's frames get lost as a rule: then its neighbours may be.
fn lossy(joint: Joint, part: &Part, next: &Part) -> bool {
    let (before, behind) = senders_of(joint, part, next);
    before.into_iter().chain(behind).any(SenderCount::loses)
}

/// Stamps of 32 bits start anew after this; a file behind that knows nothing of it.
const TURN_MS: i64 = 1 << 32;

/// A time as a stamp of 32 bits has it.
pub(super) fn as_sent_ms(boot_ms: i64) -> i64 {
    boot_ms.rem_euclid(TURN_MS)
}

/// From one time to another one that is near, as stamps of 32 bits have them.
fn apart_ms(from_ms: i64, to_ms: i64) -> i64 {
    near_turn_ms(to_ms - from_ms)
}

/// The same time from one to the other, by whichever turn of 32 bits is nearer.
pub(super) fn near_turn_ms(apart_ms: i64) -> i64 {
    (apart_ms + TURN_MS / 2).rem_euclid(TURN_MS) - TURN_MS / 2
}

/// The stretches of stamps of 32 bits from one time to another.
pub(super) fn stretches_ms(from_ms: i64, to_ms: i64) -> impl Iterator<Item = (i64, i64)> {
    let from_sent_ms = as_sent_ms(from_ms);
    let to_sent_ms = from_sent_ms + (to_ms - from_ms);
    [(from_sent_ms, to_sent_ms), (from_sent_ms - TURN_MS, to_sent_ms - TURN_MS)]
        .into_iter()
        .filter(|(_, to_ms)| *to_ms >= 0)
}

/// Both files' view of the sender that says most in them.
pub(super) struct Main {
    pub(super) system_id: u32,
    /// Boot time from the first to the last stamp of the one.
    length_ms: i64,
    /// Its last stamp.
    pub(super) last_ms: i64,
    /// Until the first of the other.
    pub(super) apart_ms: i64,
    /// The other one's last stamp is no earlier, or of another boot session.
    ends_later: bool,
    /// Most of its frames are missing.
    hardly_holds: bool,
}

impl Main {
    pub(super) fn of(part: &Part, next: &Part) -> Option<Main> {
        let both = part.ends.senders.iter().filter_map(|sender| {
            let other = next.ends.sender(sender)?;
            let (last_ms, first_ms) = sender.last_boot_ms.zip(other.first_boot_ms)?;
            let length_ms = last_ms - sender.first_boot_ms.unwrap_or(last_ms);
            let apart_ms = apart_ms(last_ms, first_ms);
            let booted = next.ends.doing(sender.system_id).is_some_and(|doing| doing.sessions > 1);
            let later = |end_ms: i64| booted || self::apart_ms(last_ms, end_ms) >= 0;
            let main = Main {
                system_id: sender.system_id,
                length_ms,
                last_ms,
                apart_ms,
                ends_later: other.last_boot_ms.is_some_and(later),
                hardly_holds: sender.hardly_holds(other),
            };
            Some((Reverse(sender.frames.min(other.frames)), main))
        });
        both.min_by_key(|(frames, _)| *frames).map(|(_, main)| main)
    }

    fn near(&self, most_ms: i64) -> bool {
        (-LATE_MS..=most_ms).contains(&self.apart_ms)
    }
}

/// Whether hardware identities say that two files are of two vehicles.
pub(super) fn of_two(part: &BootEnds, next: &BootEnds) -> bool {
    let both_told = part.last_uid_told && next.first_uid_told;
    both_told && part.uids.last().zip(next.uids.first()).is_some_and(|(a, b)| a != b)
}

fn near_us(a: Option<i64>, b: Option<i64>) -> Option<bool> {
    Some(a?.abs_diff(b?) <= SAME_BOOT_US.unsigned_abs())
}

/// Whether the UTC of both files says that a system was not booted in between; `None` where it is not told.
pub(super) fn same_boot(part: &Part, next: &Part, system_id: u32) -> Option<bool> {
    let (a, b) = part.ends.boot(system_id).zip(next.ends.boot(system_id))?;
    // Where UTC was stepped within one of the files, it agrees where they meet.
    let (whole, met) = (near_us(a.last_us, b.first_us), near_us(a.end_us, b.begin_us));
    whole.map(|whole| whole || met == Some(true))
}

/// Whether this is so of what a system was doing where the one file ends and the other begins.
pub(super) fn situation(
    part: &Part,
    next: &Part,
    system_id: u32,
    is: fn(&Situation, &Situation) -> bool,
) -> bool {
    part.ends.doing(system_id).zip(next.ends.doing(system_id)).is_some_and(|(a, b)| is(&a.end, &b.begin))
}

/// How well `next` begins with the rest of the frame that `part` ends in: smaller is better; `None` if it does not. A piece
/// may be so short that no clock speaks in it.
fn completes(part: &Part, next: &Part) -> Option<(bool, i64)> {
    let stamped = part.container == "timestamped";
    if part.log_id == next.log_id || part.container != next.container {
        return None;
    }
    let joint = across(&part.ends.tail, &next.ends.head, stamped)?;
    let (all_go_on, common) = counters(part, next);
    let main = Main::of(part, next);
    let checked = matches!(joint, Joint::Frame { checked: true, .. });
    // Where a link lost many frames, only the clock goes on: at once, where the frame proves little.
    let in_time = || {
        let most_ms = if checked { APART_MS } else { AT_ONCE_MS };
        let near = main
            .as_ref()
            .is_some_and(|main| main.near(most_ms) && same_boot(part, next, main.system_id) != Some(false));
        near && lossy(joint, part, next)
    };
    let returns = || returns(joint, part, next);
    let excluded = |main: &Main| {
        situation(part, next, main.system_id, Situation::excludes)
            && same_boot(part, next, main.system_id).is_none()
    };
    if !checked && main.as_ref().is_some_and(excluded) {
        return None;
    }
    // A stamp fits that of any other recorder that was cut at the same place.
    let fits = match joint {
        Joint::Stamp => all_go_on && common > 0,
        Joint::Frame { .. } if checked => all_go_on || fits(joint, part, next) || in_time(),
        Joint::Frame { .. } => all_go_on && common > 0 || fits(joint, part, next) || in_time() || returns(),
    };
    if !fits {
        return None;
    }
    let two = |a: &BootEnds| next.ends.boot(a.system_id).is_some_and(|b| of_two(a, b));
    if part.ends.boots.iter().any(two) {
        return None;
    }
    let Some(main) = main else { return all_go_on.then_some((true, 0)) };
    // A block of the one file that is written again stands in the other.
    let again =
        joint != Joint::Stamp && (-main.length_ms..0).contains(&main.apart_ms) && (checked || returns());
    (main.near(APART_MS) || again).then_some((!all_go_on, main.apart_ms.abs()))
}

/// How well `next` goes on where `part` ends, by counters and clocks: smaller is better; `None` if it does not. First come
/// files whose UTC agrees or is not told.
fn follows(part: &Part, next: &Part) -> Option<(u8, i64)> {
    if part.log_id == next.log_id || part.container != next.container {
        return None;
    }
    let (all_go_on, common) = counters(part, next);
    let main = Main::of(part, next)?;
    let boots = part.ends.boot(main.system_id).zip(next.ends.boot(main.system_id));
    if boots.is_some_and(|(a, b)| of_two(a, b)) {
        return None;
    }
    let same_boot = same_boot(part, next, main.system_id);
    let apart_ms = main.apart_ms.abs();
    let at_once = main.length_ms >= LENGTH_MS && apart_ms <= AT_ONCE_MS;
    let certain = same_boot == Some(true) || common > 1 || main.last_ms >= STARTED_MS || at_once;
    let situation = |is| situation(part, next, main.system_id, is);
    // No flight is dated by another day's file.
    let set_off = |part: &Part| part.ends.doing(main.system_id).is_some_and(|doing| doing.set_off);
    let dated_by_the_other = boots.is_some_and(|(a, b)| match (a.last_us.is_some(), b.first_us.is_some()) {
        (true, false) => set_off(next),
        (false, true) => set_off(part),
        _ => false,
    });
    match (all_go_on && common > 0, same_boot) {
        // Counters of several senders that go on outweigh a UTC that was set right in between.
        (true, Some(false)) if common > 1 && main.near(APART_MS) => Some((1, apart_ms)),
        (_, Some(false)) => None,
        // By chance a counter goes on.
        (true, None) if common == 1 && situation(Situation::excludes) => None,
        (true, _) if certain && main.near(APART_MS) => Some((0, apart_ms)),
        (false, Some(true)) if (-ONE_MOMENT_MS..=PAUSE_MS).contains(&main.apart_ms) => Some((1, apart_ms)),
        // Where one begins before the other ends, what follows without that is nearer the truth.
        (false, Some(true)) if main.near(PAUSE_MS) => Some((4, apart_ms)),
        // Stamps are out of order, but what ends before the one does is no continuation.
        _ if !main.ends_later => None,
        // Where frames are lost exactly between two files that tell no UTC, the flight itself goes on.
        _ if main.near(APART_MS) && situation(Situation::goes_on) => Some((2, apart_ms)),
        _ if main.near(APART_MS) && situation(Situation::stands_by) && !dated_by_the_other => {
            Some((3, apart_ms))
        }
        // Of a link that hardly holds a file tells little near its end: what is told must not be at odds.
        _ if main.near(APART_MS) && main.hardly_holds && !situation(|a, b| !a.admits(b)) => {
            Some((5, apart_ms))
        }
        _ => None,
    }
}

/// Container, system and component: only what is alike in all can go on.
type Stream<'p> = (&'p str, u32, u8);

/// The recordings of more than one log, each in order of its logs, by what the files tell and what is `told` of them. It does
/// not depend on the order of `logs`.
pub fn recordings(logs: &[Part], told: &Told) -> Vec<Vec<String>> {
    // What was cut in mid-frame is one file for what follows, and so is what a round linked: pieces may be too short to say
    // anything themselves.
    let mut parts: BTreeMap<String, Part> = logs.iter().map(|p| (p.log_id.clone(), p.clone())).collect();
    let mut linked: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let files: BTreeMap<&str, &Part> = logs.iter().map(|part| (part.log_id.as_str(), part)).collect();
    let mut round = chains(by_cut(logs), &linked, told);
    loop {
        for chain in std::mem::take(&mut round) {
            let mut files = chain.iter().filter_map(|id| parts.remove(id));
            let Some(mut first) = files.next() else { continue };
            files.for_each(|next| first.ends = first.ends.and(&next.ends));
            let whole = chain.into_iter().flat_map(|id| linked.remove(&id).unwrap_or_else(|| vec![id]));
            let whole: Vec<String> = whole.collect();
            linked.insert(first.log_id.clone(), whole);
            parts.insert(first.log_id.clone(), first);
        }
        let left: Vec<Part> = parts.values().cloned().collect();
        round = chains(by_clock(&left), &linked, told);
        if !round.is_empty() {
            continue;
        }
        let Some(row) = told.row(&parts, &linked, &files) else { break };
        for id in &row.ids {
            parts.remove(id);
            linked.remove(id);
        }
        linked.insert(row.whole.log_id.clone(), row.logs);
        parts.insert(row.whole.log_id.clone(), row.whole);
    }
    fill(&mut linked, parts, &files, told);
    linked.into_values().collect()
}

/// A file and the one that goes on, by how well it does.
type Candidate<'p, How> = (How, [Reverse<(u64, (usize, usize))>; 2], &'p str, &'p str);

fn candidate<'p, How>(how: How, part: &'p Part, next: &'p Part) -> Candidate<'p, How> {
    // Among equals the longer files: a copy that was cut short or damaged is no better evidence.
    let frames = |part: &Part| part.ends.senders.iter().map(|sender| sender.frames).sum();
    let long = |part: &Part| Reverse((frames(part), part.ends.cut()));
    (how, [long(next), long(part)], &part.log_id, &next.log_id)
}

/// Those that were cut in mid-frame.
fn by_cut(logs: &[Part]) -> Vec<Candidate<'_, (bool, i64)>> {
    let mut heads: BTreeMap<(&str, usize), Vec<&Part>> = BTreeMap::new();
    for part in logs.iter().filter(|part| !part.ends.head.is_empty()) {
        heads.entry((&part.container, part.ends.head.len() / 2)).or_default().push(part);
    }
    let mut found = Vec::new();
    for part in logs.iter().filter(|part| !part.ends.tail.is_empty()) {
        let of = part.container.as_str();
        let fitting: Vec<&Part> = match needs(&part.ends.tail, of == "timestamped") {
            Some(lengths) => {
                lengths.iter().filter_map(|len| heads.get(&(of, *len))).flatten().copied().collect()
            }
            None => heads.range((of, 0)..=(of, usize::MAX)).flat_map(|(_, heads)| heads).copied().collect(),
        };
        found.extend(
            fitting.into_iter().filter_map(|next| Some(candidate(completes(part, next)?, part, next))),
        );
    }
    found
}

/// Those that go on in one another by counters and clocks.
fn by_clock(logs: &[Part]) -> Vec<Candidate<'_, (u8, i64)>> {
    let mut begins: BTreeMap<Stream<'_>, Vec<(i64, usize)>> = BTreeMap::new();
    for (index, part) in logs.iter().enumerate() {
        for sender in &part.ends.senders {
            if let Some(first_ms) = sender.first_boot_ms {
                let key = (part.container.as_str(), sender.system_id, sender.component_id);
                begins.entry(key).or_default().push((as_sent_ms(first_ms), index));
            }
        }
    }
    begins.values_mut().for_each(|firsts| firsts.sort_unstable());
    let mut candidates = Vec::new();
    for part in logs {
        let mut near: BTreeSet<usize> = BTreeSet::new();
        for sender in &part.ends.senders {
            let key = (part.container.as_str(), sender.system_id, sender.component_id);
            let (Some(last_ms), Some(firsts)) = (sender.last_boot_ms, begins.get(&key)) else { continue };
            for (from_ms, to_ms) in stretches_ms(last_ms - LATE_MS, last_ms + PAUSE_MS) {
                let from = firsts.partition_point(|(first_ms, _)| *first_ms < from_ms);
                let next = firsts.iter().skip(from).take_while(|(first_ms, _)| *first_ms <= to_ms);
                near.extend(next.map(|(_, index)| *index));
            }
        }
        for next in near.into_iter().filter_map(|index| logs.get(index)) {
            if let Some(how) = follows(part, next) {
                candidates.push(candidate(how, part, next));
            }
        }
    }
    candidates
}

/// The best candidates in a row: each file goes on in one and is gone on from by one, and none is with one that it is told
/// apart from.
fn chains<How: Ord>(
    mut candidates: Vec<Candidate<'_, How>>,
    linked: &BTreeMap<String, Vec<String>>,
    told: &Told,
) -> Vec<Vec<String>> {
    candidates.sort_unstable();
    let (mut next_of, mut before): (BTreeMap<&str, &str>, BTreeMap<&str, &str>) = Default::default();
    for (_, _, part, next) in candidates {
        let behind = row(next, &next_of);
        if behind.last() == Some(&part) || next_of.contains_key(part) || before.contains_key(next) {
            continue;
        }
        let logs = |ids: Vec<&str>| -> Vec<String> {
            let logs =
                ids.into_iter().map(|id| linked.get(id).cloned().unwrap_or_else(|| vec![id.to_owned()]));
            logs.flatten().collect()
        };
        if told.says_apart() && told.parts(&logs(row(part, &before)), &logs(behind)) {
            continue;
        }
        next_of.insert(part, next);
        before.insert(next, part);
    }
    let mut chains = Vec::new();
    for first in next_of.keys().filter(|part| !before.contains_key(*part)) {
        chains.push(row(first, &next_of).into_iter().map(str::to_owned).collect());
    }
    chains
}

/// A file and those that go on from it, or that it goes on from, one after the other.
fn row<'p>(first: &'p str, further: &BTreeMap<&'p str, &'p str>) -> Vec<&'p str> {
    std::iter::successors(Some(first), |at| further.get(at).copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::joint::hex;

    fn recordings(logs: &[Part]) -> Vec<Vec<String>> {
        super::recordings(logs, &Told::default())
    }

    fn part(id: &str, sequence: (u8, u8), boot_ms: (i64, i64), boot_us: Option<i64>) -> Part {
        let sender = SenderCount {
            system_id: 1,
            component_id: 1,
            frames: 1000,
            first_sequence: sequence.0,
            last_sequence: sequence.1,
            steps: 0,
            backward: 0,
            sent: 0,
            falls: 0,
            after_reboot: false,
            before_reboot: false,
            first_boot_ms: Some(boot_ms.0),
            last_boot_ms: Some(boot_ms.1),
        };
        let boots = vec![BootEnds {
            system_id: 1,
            first_us: boot_us,
            last_us: boot_us,
            begin_us: boot_us,
            end_us: boot_us,
            ..BootEnds::default()
        }];
        Part {
            log_id: id.to_owned(),
            container: "bare".to_owned(),
            ends: Ends { senders: vec![sender], boots, ..Ends::default() },
        }
    }

    #[test]
    fn files_that_go_on_are_one_recording_in_any_order() {
        let mut logs = [
            part("c", (200, 7), (120_010, 150_000), None),
            part("a", (0, 255), (100, 90_000), None),
            part("b", (0, 199), (90_020, 120_000), None),
            part("other", (9, 99), (90_020, 120_000), None),
        ];
        for _ in 0..4 {
            logs.rotate_left(1);
            assert_eq!(recordings(&logs), [["a", "b", "c"]]);
        }
    }

    #[test]
    fn a_piece_without_a_clock_is_placed_by_the_frames_it_cuts() {
        // HEARTBEAT of MAVLink 1 as in `joint`, cut behind its fourth and its ninth byte.
        let heartbeat = |sequence: u8| {
            let body = [9, sequence, 1, 1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3];
            [&[0xFE][..], &body, &mavlink::calculate_crc(&body, 50).to_le_bytes()].concat()
        };
        let ends = |mut part: Part, head: &[u8], tail: &[u8]| {
            (part.ends.head, part.ends.tail) = (hex(head), hex(tail));
            part
        };
        let (one, two) = (heartbeat(51), heartbeat(56));
        let a = ends(part("a", (0, 50), (100, 30_000), None), &[], &one[..4]);
        let mut piece = ends(part("piece", (52, 55), (0, 0), None), &one[4..], &two[..9]);
        piece.ends.boots.clear();
        (piece.ends.senders[0].first_boot_ms, piece.ends.senders[0].last_boot_ms) = (None, None);
        let b = ends(part("b", (57, 90), (31_500, 60_000), None), &two[9..], &[]);
        let c = part("c", (91, 120), (60_010, 90_000), None);
        let mut logs = [c, b.clone(), piece.clone(), a.clone()];
        for _ in 0..4 {
            logs.rotate_left(1);
            assert_eq!(recordings(&logs), [["a", "piece", "b", "c"]]);
        }
        // A stamp that was cut fits any other recorder's: of two vehicles it says nothing.
        let stamp = 1_790_000_000_000_000u64.to_be_bytes();
        let stamped = |part: Part, head: &[u8], tail: &[u8]| Part {
            container: "timestamped".to_owned(),
            ..ends(part, head, tail)
        };
        let own = stamped(a.clone(), &[], &stamp[..3]);
        let mut others = stamped(piece.clone(), &stamp[3..], &[]);
        others.ends.senders[0].first_sequence = 51;
        assert_eq!(recordings(&[own.clone(), others.clone()]).len(), 1);
        others.ends.senders[0].system_id = 2;
        assert!(recordings(&[own, others]).is_empty());
        assert_eq!(recordings(&[piece.clone(), b]), [["piece", "b"]]);
        assert_eq!(recordings(&[piece.clone(), a.clone()]), [["a", "piece"]]);
        piece.ends.senders[0].first_sequence = 9;
        assert!(recordings(&[piece, a]).is_empty());
    }

    #[test]
    fn a_cut_behind_what_all_frames_have_alike_proves_nothing() {
        let body = [9, 100, 1, 1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3];
        let frame = [&[0xFE][..], &body, &mavlink::calculate_crc(&body, 50).to_le_bytes()].concat();
        let cut = |at: usize, last: u8, begins_ms: i64| {
            let mut a = part("a", (0, last), (100, 90_100), None);
            // 3,000 frames in 90 s.
            a.ends.senders[0].sent = 3_000;
            let mut b = part("b", (101, 200), (begins_ms, begins_ms + 60_000), None);
            (a.ends.tail, b.ends.head) = (hex(&frame[..at]), hex(&frame[at..]));
            recordings(&[b, a]).len()
        };
        for at in 1..frame.len() {
            // The counter goes on; by the checksum alone, as of a block of the file that is written again, unless marker
            // and length are all that the one file has, or the last byte the other; the same 20 s, 667 frames before.
            assert_eq!(cut(at, 99, 90_120), 1, "{at}");
            assert_eq!(cut(at, 10, 30_000), usize::from((3..=15).contains(&at)), "{at}");
            assert_eq!(cut(at, (101 + 667 % 256) as u8, 70_100), 1, "{at}");
            assert_eq!(
                cut(at, (101 + 667 % 256 + 20) as u8, 70_100),
                usize::from((3..=15).contains(&at)),
                "{at}"
            );
        }
    }

    #[test]
    fn a_step_of_utc_within_a_file_does_not_part_it_from_the_next() {
        let (day, hour) = (1_790_000_000_000_000, 3_600_000_000);
        let mut stepped = part("a", (0, 50), (100, 30_000), Some(day));
        stepped.ends.boots[0].end_us = Some(day + hour);
        let next = part("b", (51, 90), (30_020, 60_000), Some(day + hour));
        assert_eq!(recordings(&[next.clone(), stepped.clone()]), [["a", "b"]]);
        stepped.ends.boots[0].end_us = Some(day + 2 * hour);
        assert!(recordings(&[next, stepped]).is_empty());
    }

    #[test]
    fn a_file_over_a_reboot_goes_on_at_both_ends() {
        let (day, next_day) = (1_790_000_000_000_000, 1_790_086_400_000_000);
        let station = |mut part: Part, sequence: (u8, u8), after_reboot: bool| {
            let (first_sequence, last_sequence) = sequence;
            let one = SenderCount {
                system_id: 255,
                first_boot_ms: None,
                last_boot_ms: None,
                ..part.ends.senders[0]
            };
            part.ends.senders.push(SenderCount { first_sequence, last_sequence, after_reboot, ..one });
            part
        };
        let a = station(part("a", (0, 50), (100, 90_000), Some(day)), (0, 90), false);
        // A tenth of a second before the reboot, which tells no UTC, and some seconds behind it.
        let mut over = part("over", (51, 80), (90_020, 9_000), None);
        over.ends.boots[0].sessions = 2;
        (over.ends.boots[0].last_us, over.ends.boots[0].end_us) = (None, None);
        let c = part("c", (81, 200), (9_010, 70_000), Some(next_day));
        let mut joined = [station(over.clone(), (0, 8), true), a.clone(), station(c.clone(), (9, 70), false)];
        for _ in 0..3 {
            joined.rotate_left(1);
            assert_eq!(recordings(&joined), [["a", "over", "c"]]);
        }
        // Two stations with the same ids count at odds all the time.
        let two = |mut part: Part| {
            (part.ends.senders[1].steps, part.ends.senders[1].backward) = (900, 450);
            part
        };
        let (b, d) = (part("b", (0, 50), (100, 90_000), None), part("d", (51, 80), (90_020, 99_000), None));
        let (b, d) = (station(b, (0, 90), false), station(d, (7, 99), false));
        assert!(recordings(&[b.clone(), d.clone()]).is_empty());
        assert_eq!(recordings(&[two(b), d]), [["b", "d"]]);
        // Over two links every frame comes twice, the later one behind the next: the cut may lie between the two.
        let twice = |id: &str, sequence: (u8, u8), boot_ms: (i64, i64)| {
            let mut part = part(id, sequence, boot_ms, None);
            part.ends.senders[0].falls = 500;
            part
        };
        let (b, d) = (twice("b", (0, 50), (100, 90_000)), twice("d", (48, 90), (89_980, 99_000)));
        assert_eq!(recordings(&[d.clone(), b]), [["b", "d"]]);
        assert!(recordings(&[d, part("b", (0, 40), (100, 90_000), None)]).is_empty());
        // Where nothing counts, the clocks alone are no evidence.
        let mut idle = [part("e", (0, 0), (100, 90_000), None), part("f", (0, 0), (90_020, 99_000), None)];
        assert!(recordings(&idle).is_empty());
        idle.iter_mut().for_each(|part| part.ends.senders[0].falls = 999);
        assert!(recordings(&idle).is_empty());
        idle.iter_mut().for_each(|part| part.ends.senders[0].steps = 999);
        assert!(recordings(&idle).is_empty());
        // A station that counts otherwise from the beginning is another recording's.
        let other = station(over.clone(), (0, 8), false);
        assert!(recordings(&[a.clone(), other]).is_empty());
        // What is told of the second boot says nothing of the first.
        assert_eq!(over.ends.and(&c.ends).boots[0].first_us, None);
        assert_eq!(a.ends.and(&over.ends).boots[0].last_us, None);
        assert_eq!(a.ends.and(&over.ends).boots[0].first_us, Some(day));
    }

    #[test]
    fn a_short_file_lies_in_the_only_hole_that_its_clock_is_in() {
        let day = Some(1_790_000_000_000_000);
        let (a, b) = (part("a", (0, 50), (100, 30_000), day), part("b", (9, 90), (33_000, 60_000), day));
        let piece = part("piece", (120, 140), (31_000, 32_000), None);
        let next = part("next", (200, 220), (32_200, 32_900), None);
        let mut logs = [next.clone(), b.clone(), piece.clone(), a.clone()];
        for _ in 0..4 {
            logs.rotate_left(1);
            assert_eq!(recordings(&logs), [["a", "piece", "next", "b"]]);
        }
        let early = part("early", (120, 140), (29_400, 32_000), None);
        assert_eq!(recordings(&[a.clone(), b.clone(), early]), [["a", "b"]]);
        let other = part("other", (120, 140), (31_000, 32_000), Some(1_790_086_400_000_000));
        assert_eq!(recordings(&[a.clone(), b.clone(), other]), [["a", "b"]]);
        // On another day there is such a hole, too.
        let next_day = Some(1_790_086_400_000_000);
        let (c, d) =
            (part("c", (7, 50), (100, 30_500), next_day), part("d", (3, 90), (32_500, 60_000), next_day));
        assert_eq!(recordings(&[piece, a, b, c, d]), [["a", "b"], ["c", "d"]]);
    }

    #[test]
    fn what_ends_before_a_file_does_is_no_continuation() {
        let day = Some(1_790_000_000_000_000);
        let (a, b) = (part("a", (0, 142), (1_000, 40_940), day), part("b", (195, 9), (42_700, 99_000), day));
        // In the air on one spot, told to be so by one of them only; neither tells UTC.
        let hovers = |mut part: Part, at_ms: u32, on_ground: Option<bool>| {
            let at = serde_json::json!({
                "at_ms": at_ms, "armed": null, "on_ground": on_ground.map(|is| serde_json::json!({"boot_ms": at_ms, "is": is})),
                "place": {
                    "boot_ms": at_ms, "lat_lon_e7": [1_019_983, -199_999_985], "alt_mm": 24_383,
                    "velocity_cm_s": [4, 0, 3], "home": {"low_mm": 2157, "high_mm": 2157, "told": 1},
                },
                "heading": {"boot_ms": at_ms, "cdeg": 9513}, "charge": null,
            });
            let doing =
                serde_json::json!({"system_id": 1, "sessions": 1, "begin": at, "end": at, "set_off": true});
            part.ends.situations = vec![serde_json::from_value(doing).unwrap()];
            part
        };
        let short = hovers(part("short", (150, 150), (41_180, 41_180), None), 41_180, None);
        let long = hovers(part("long", (163, 176), (41_440, 42_140), None), 41_440, Some(false));
        assert_eq!(recordings(&[short.clone(), long.clone(), a, b]), [["a", "short", "long", "b"]]);
        assert!(recordings(&[short.clone(), long.clone()]).is_empty());
        // But for one that was booted anew.
        let mut booted = hovers(part("booted", (199, 90), (42_500, 8_000), None), 42_500, Some(false));
        booted.ends.situations[0].sessions = 2;
        assert_eq!(recordings(&[long, booted]), [["long", "booted"]]);
    }

    #[test]
    fn another_boot_session_does_not_go_on() {
        let day = 1_790_000_000_000_000;
        let a = part("a", (0, 50), (100, 30_000), Some(day));
        let b = part("b", (51, 90), (30_020, 60_000), Some(day + 3_600_000_000));
        assert!(recordings(&[a.clone(), b]).is_empty());
        // Two senders whose counters go on outweigh a UTC that was set right by a fix in between.
        let and_another = |mut part: Part, sequence: (u8, u8)| {
            let one = part.ends.senders[0];
            let (first_sequence, last_sequence) = sequence;
            part.ends.senders.push(SenderCount { component_id: 190, first_sequence, last_sequence, ..one });
            part
        };
        let two = and_another(a.clone(), (3, 17));
        let set_right = part("k", (51, 90), (30_020, 60_000), Some(day + 5_000_000));
        assert_eq!(recordings(&[two.clone(), and_another(set_right.clone(), (18, 40))]), [["a", "k"]]);
        assert!(recordings(&[two, and_another(set_right, (90, 99))]).is_empty());
        let reboot = part("c", (51, 90), (900, 60_000), None);
        assert!(recordings(&[a.clone(), reboot]).is_empty());
        // A recorder that paused 20 s: the counters say nothing, the UTC of boot does.
        let paused = part("d", (200, 90), (50_000, 90_000), Some(day + 1_000));
        assert_eq!(recordings(&[a.clone(), paused]), [["a", "d"]]);
        // Logs of a few seconds after boot, without UTC: one sender's counter is no evidence.
        let short = part("f", (0, 50), (100, 4_000), None);
        let flight = part("g", (51, 90), (4_100, 300_000), None);
        assert!(recordings(&[short.clone(), flight.clone()]).is_empty());
        // Half a minute later one is, where the stamps go on at once.
        let (half, rest) =
            (part("l", (0, 50), (100, 30_000), None), part("m", (51, 90), (30_200, 90_000), None));
        assert_eq!(recordings(&[half.clone(), rest]), [["l", "m"]]);
        assert!(recordings(&[half.clone(), part("n", (51, 90), (32_000, 90_000), None)]).is_empty());
        // The 32-bit stamps wrapped in the first file.
        let wrapped = part("q", (0, 50), (4_294_900_000, 4_294_900_000 + 90_000), None);
        let behind = part("r", (51, 90), (4_294_990_000 - (1 << 32) + 20, 60_000), None);
        assert_eq!(recordings(&[behind, wrapped.clone()]), [["q", "r"]]);
        // Or between the two; a stamp in microseconds does not.
        let until = part("s", (0, 50), (4_294_867_000, 4_294_967_290), None);
        let from = part("t", (51, 90), (14, 60_000), None);
        assert_eq!(recordings(&[from, until]), [["s", "t"]]);
        let in_us = part("u", (51, 90), (4_294_990_020, 4_295_050_000), None);
        assert_eq!(recordings(&[in_us, wrapped]), [["q", "u"]]);
        // A file of a second in between is long enough with the one that it goes on from.
        let (second, third) =
            (part("o", (51, 90), (30_100, 31_000), None), part("p", (91, 99), (31_050, 90_000), None));
        assert!(recordings(&[second.clone(), third.clone()]).is_empty());
        assert_eq!(recordings(&[third, half, second]), [["l", "o", "p"]]);
        let with_uid = |mut part: Part, uid: &str| {
            let boot = &mut part.ends.boots[0];
            (boot.uids, boot.first_uid_told, boot.last_uid_told) = (vec![uid.to_owned()], true, true);
            part
        };
        let long = part("h", (0, 50), (100, 90_000), None);
        let next = part("i", (51, 90), (90_100, 300_000), None);
        assert_eq!(recordings(&[long.clone(), next.clone()]), [["h", "i"]]);
        assert!(recordings(&[with_uid(long, "0x1"), with_uid(next, "0x2")]).is_empty());
        let unknown = part("e", (200, 90), (50_000, 90_000), None);
        assert!(recordings(&[a, unknown]).is_empty());
    }
}
