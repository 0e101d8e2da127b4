//! Which logs are one recording that was rotated over several files: where one ends, another goes on.
//!
//! The evidence is the senders' own. A file follows another when the vehicle's boot clock goes on within seconds
//! and the frame counters of all common senders go on as well. By chance that is one in 64 for one sender, and all
//! logs of an aircraft begin seconds after its boot: one sender is enough only beyond the first minute, or if both
//! files give the same UTC of boot; before, its stamps must go on at once behind a file of some seconds. Where counters
//! do not go on, since the recorder paused, that UTC is asked for. Where the recorder cut in mid-frame, the end of one file
//! and the beginning of the next are a frame with a good checksum: that is evidence enough.

use super::joint::{across, hex};
use crate::clock::UtcSource;
use crate::recording::{Recording, SenderCount};
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Frames that may be missing where the files meet: one that was cut, and one the recorder dropped.
const MISSING: u8 = 3;
/// Longest time between the files' stamps when the counters go on.
const APART_MS: i64 = 10_000;
/// The same when the files only share their UTC of boot.
const PAUSE_MS: i64 = 60_000;
/// Boot time beyond which a file hardly begins but as the continuation of another.
const STARTED_MS: i64 = 60_000;
/// Before that, a lone sender's file goes on at once, and behind one of this length: recorders that start by themselves
/// begin all their files at about the same time after boot.
const AT_ONCE_MS: i64 = 1_000;
const LENGTH_MS: i64 = 5_000;
/// Stamps arrive so much out of order at most.
const LATE_MS: i64 = crate::clock::boot::LATE_MS;
/// UTC of boot of one boot session, from two recordings, differs at most by this.
pub const SAME_BOOT_US: i64 = 2_000_000;

/// Both ends of a log.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Ends {
    /// Every sender.
    pub senders: Vec<SenderCount>,
    /// Unix microseconds of boot, by system: of its first and its last boot session; stamps of a recording computer
    /// do not count.
    pub boots: Vec<BootEnds>,
    /// Bytes before the first frame, hex.
    #[serde(default)]
    pub head: String,
    /// Bytes behind the last frame, hex.
    #[serde(default)]
    pub tail: String,
}

/// UTC of a system's first and last boot session.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BootEnds {
    /// The system.
    pub system_id: u32,
    /// Unix microseconds of its first boot.
    pub first_us: Option<i64>,
    /// Unix microseconds of its last boot.
    pub last_us: Option<i64>,
    /// Unix microseconds of its first boot, by the first stamps alone: another where UTC was stepped later.
    #[serde(default)]
    pub begin_us: Option<i64>,
    /// Unix microseconds of its last boot, by the last stamps alone.
    #[serde(default)]
    pub end_us: Option<i64>,
    /// Hardware identity, as `fleet.toml` has it.
    pub uid: Option<String>,
}

impl Ends {
    /// The ends of a recording.
    pub fn of(recording: &Recording) -> Self {
        let boots = recording.vehicles.iter().map(|vehicle| {
            let told = |boot: Option<&crate::recording::BootSession>| {
                boot?.utc.filter(|utc| utc.source < UtcSource::Capture)
            };
            let (first, last) = (told(vehicle.boots.first()), told(vehicle.boots.last()));
            BootEnds {
                system_id: vehicle.system_id,
                first_us: first.map(|utc| utc.boot_unix_us),
                last_us: last.map(|utc| utc.boot_unix_us),
                begin_us: first.map(|utc| utc.by_ends_us.0),
                end_us: last.map(|utc| utc.by_ends_us.1),
                uid: vehicle.autopilot_uid.clone(),
            }
        });
        let (head, tail) = (hex(&recording.cut.head), hex(&recording.cut.tail));
        Ends { senders: recording.senders.clone(), boots: boots.collect(), head, tail }
    }

    fn sender(&self, like: &SenderCount) -> Option<&SenderCount> {
        let is = |s: &&SenderCount| (s.system_id, s.component_id) == (like.system_id, like.component_id);
        self.senders.iter().find(is)
    }

    /// Both as one: what is first in `self`, and last in `next`.
    fn and(&self, next: &Ends) -> Ends {
        let one = |first: &SenderCount| {
            let last = next.sender(first).unwrap_or(first);
            SenderCount {
                frames: first.frames + next.sender(first).map_or(0, |last| last.frames),
                last_sequence: last.last_sequence,
                first_boot_ms: first.first_boot_ms.or(last.first_boot_ms),
                last_boot_ms: last.last_boot_ms.or(first.last_boot_ms),
                ..*first
            }
        };
        let new = next.senders.iter().filter(|sender| self.sender(sender).is_none());
        let both = |first: &BootEnds| {
            let last = next.boot(first.system_id).unwrap_or(first);
            BootEnds {
                system_id: first.system_id,
                first_us: first.first_us.or(last.first_us),
                last_us: last.last_us.or(first.last_us),
                begin_us: first.begin_us.or(last.begin_us),
                end_us: last.end_us.or(first.end_us),
                uid: first.uid.clone().or_else(|| last.uid.clone()),
            }
        };
        let more = next.boots.iter().filter(|boot| self.boot(boot.system_id).is_none());
        Ends {
            senders: self.senders.iter().map(one).chain(new.copied()).collect(),
            boots: self.boots.iter().map(both).chain(more.cloned()).collect(),
            head: self.head.clone(),
            tail: next.tail.clone(),
        }
    }

    fn boot(&self, system_id: u32) -> Option<&BootEnds> {
        self.boots.iter().find(|boot| boot.system_id == system_id)
    }
}

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

fn cut_in_mid_frame(part: &Part, next: &Part) -> bool {
    across(&part.ends.tail, &next.ends.head, part.container == "timestamped")
}

/// Whether the counters of all senders that both have go on, and how many these are.
fn counters(part: &Part, next: &Part) -> (bool, usize) {
    let (mut all_go_on, mut common) = (true, 0);
    for sender in &part.ends.senders {
        let Some(other) = next.ends.sender(sender) else { continue };
        let missing = other.first_sequence.wrapping_sub(sender.last_sequence).wrapping_sub(1);
        all_go_on &= missing <= MISSING;
        common += 1;
    }
    (all_go_on, common)
}

/// How well `next` goes on where `part` ends: smaller is better; `None` if it does not. First come files that were cut in
/// mid-frame, then those whose UTC agrees or is not told.
fn follows(part: &Part, next: &Part) -> Option<(bool, bool, i64)> {
    if part.log_id == next.log_id || part.container != next.container {
        return None;
    }
    let (all_go_on, common) = counters(part, next);
    let mut main: Option<(u64, (i64, i64), u32)> = None;
    let mut length_ms = 0;
    for sender in &part.ends.senders {
        let Some(other) = next.ends.sender(sender) else { continue };
        let frames = sender.frames.min(other.frames);
        if let Some((last, first)) = sender.last_boot_ms.zip(other.first_boot_ms)
            && main.is_none_or(|m| frames > m.0)
        {
            main = Some((frames, (last, first), sender.system_id));
            length_ms = sender.first_boot_ms.map_or(0, |first| last - first);
        }
    }
    let across = all_go_on && cut_in_mid_frame(part, next);
    let (_, (last_ms, first_ms), system_id) = main?;
    let apart_ms = first_ms - last_ms;
    let boots = part.ends.boot(system_id).zip(next.ends.boot(system_id));
    let near_us = |a: Option<i64>, b: Option<i64>| Some(a?.abs_diff(b?) <= SAME_BOOT_US.unsigned_abs());
    // Where UTC was stepped within one of the files, it agrees where they meet.
    let same_boot = boots.and_then(|(a, b)| {
        let (whole, met) = (near_us(a.last_us, b.first_us), near_us(a.end_us, b.begin_us));
        whole.map(|whole| whole || met == Some(true))
    });
    let other = |a: &BootEnds, b: &BootEnds| a.uid.as_ref().zip(b.uid.as_ref()).is_some_and(|(a, b)| a != b);
    if boots.is_some_and(|(a, b)| other(a, b)) {
        return None;
    }
    let at_once = length_ms >= LENGTH_MS && apart_ms.abs() <= AT_ONCE_MS;
    let certain = across || same_boot == Some(true) || common > 1 || last_ms >= STARTED_MS || at_once;
    let near = |most_ms: i64| (-LATE_MS..=most_ms).contains(&apart_ms);
    match (all_go_on, same_boot) {
        // Counters of several senders that go on outweigh a UTC that was set right in between.
        (true, Some(false)) if (common > 1 || across) && near(APART_MS) => {
            Some((!across, true, apart_ms.abs()))
        }
        (_, Some(false)) => None,
        (true, _) if certain && near(APART_MS) => Some((!across, false, apart_ms.abs())),
        (false, Some(true)) if near(PAUSE_MS) => Some((!across, true, apart_ms.abs())),
        _ => None,
    }
}

/// Container, system and component: only what is alike in all can go on.
type Stream<'p> = (&'p str, u32, u8);

/// The recordings of more than one log, each in order of its logs. It does not depend on the order of `logs`.
pub fn recordings(logs: &[Part]) -> Vec<Vec<String>> {
    let (logs, inner) = with_mutes(logs);
    let mut chains = linked(&logs);
    let alone: Vec<&String> =
        inner.keys().filter(|id| !chains.iter().flatten().any(|log| log == *id)).collect();
    chains.extend(alone.into_iter().map(|id| vec![id.clone()]));
    let whole = |id: String| inner.get(&id).cloned().unwrap_or_else(|| vec![id]);
    chains.into_iter().map(|chain| chain.into_iter().flat_map(whole).collect()).collect()
}

/// Pieces so short that no clock speaks in them are one with the file before or behind them, where the bytes at the cut
/// say so. Returns what is left, and the logs of what is several now, in order, by the id of the first.
fn with_mutes(logs: &[Part]) -> (Vec<Part>, BTreeMap<String, Vec<String>>) {
    let mute = |part: &Part| part.ends.senders.iter().all(|sender| sender.first_boot_ms.is_none());
    let mut parts: BTreeMap<String, Part> = logs.iter().map(|p| (p.log_id.clone(), p.clone())).collect();
    let mut inner: BTreeMap<String, Vec<String>> = BTreeMap::new();
    loop {
        let mutes: Vec<String> = parts.values().filter(|p| mute(p)).map(|p| p.log_id.clone()).collect();
        let before = parts.len();
        for id in mutes {
            let Some(piece) = parts.get(&id).filter(|piece| mute(piece)) else { continue };
            let Some((mut first, next)) = neighbours(&parts, piece) else { continue };
            parts.remove(&next.log_id);
            let mut ids = inner.remove(&first.log_id).unwrap_or_else(|| vec![first.log_id.clone()]);
            ids.extend(inner.remove(&next.log_id).unwrap_or_else(|| vec![next.log_id]));
            inner.insert(first.log_id.clone(), ids);
            first.ends = first.ends.and(&next.ends);
            parts.insert(first.log_id.clone(), first);
        }
        if parts.len() == before {
            return (parts.into_values().collect(), inner);
        }
    }
}

/// A piece and the file that it goes on from, else the one that goes on from it.
fn neighbours(parts: &BTreeMap<String, Part>, piece: &Part) -> Option<(Part, Part)> {
    let goes_on = |part: &Part, next: &Part| {
        let other = part.log_id != next.log_id && part.container == next.container;
        other && cut_in_mid_frame(part, next) && counters(part, next).0
    };
    let before = parts.values().find(|part| goes_on(part, piece)).map(|part| (part, piece));
    let behind = || parts.values().find(|next| goes_on(piece, next)).map(|next| (piece, next));
    before.or_else(behind).map(|(first, next)| (first.clone(), next.clone()))
}

/// Those that go on in one another by counters and clocks.
fn linked(logs: &[Part]) -> Vec<Vec<String>> {
    let mut begins: BTreeMap<Stream<'_>, Vec<(i64, usize)>> = BTreeMap::new();
    for (index, part) in logs.iter().enumerate() {
        for sender in &part.ends.senders {
            if let Some(first_ms) = sender.first_boot_ms {
                let key = (part.container.as_str(), sender.system_id, sender.component_id);
                begins.entry(key).or_default().push((first_ms, index));
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
            let from = firsts.partition_point(|(first_ms, _)| *first_ms < last_ms - LATE_MS);
            let next = firsts.iter().skip(from).take_while(|(first_ms, _)| *first_ms <= last_ms + PAUSE_MS);
            near.extend(next.map(|(_, index)| *index));
        }
        for next in near.into_iter().filter_map(|index| logs.get(index)) {
            if let Some(how) = follows(part, next) {
                // Among equals the longer file: a copy that was cut short is no better evidence.
                let frames: u64 = next.ends.senders.iter().map(|sender| sender.frames).sum();
                candidates.push((how, Reverse(frames), part.log_id.as_str(), next.log_id.as_str()));
            }
        }
    }
    candidates.sort_unstable();
    let (mut next_of, mut before): (BTreeMap<&str, &str>, BTreeMap<&str, &str>) = Default::default();
    for (_, _, part, next) in candidates {
        let circle = {
            let mut end = next;
            while let Some(further) = next_of.get(end) {
                end = further;
            }
            end == part
        };
        if !circle && !next_of.contains_key(part) && !before.contains_key(next) {
            next_of.insert(part, next);
            before.insert(next, part);
        }
    }
    let mut chains = Vec::new();
    for first in next_of.keys().filter(|part| !before.contains_key(*part)) {
        let mut chain = vec![(*first).to_owned()];
        let mut at = *first;
        while let Some(next) = next_of.get(at) {
            chain.push((*next).to_owned());
            at = next;
        }
        chains.push(chain);
    }
    chains
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(id: &str, sequence: (u8, u8), boot_ms: (i64, i64), boot_us: Option<i64>) -> Part {
        let sender = SenderCount {
            system_id: 1,
            component_id: 1,
            frames: 1000,
            first_sequence: sequence.0,
            last_sequence: sequence.1,
            first_boot_ms: Some(boot_ms.0),
            last_boot_ms: Some(boot_ms.1),
        };
        let boots = vec![BootEnds {
            system_id: 1,
            first_us: boot_us,
            last_us: boot_us,
            begin_us: boot_us,
            end_us: boot_us,
            uid: None,
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
        assert_eq!(recordings(&[piece.clone(), b]), [["piece", "b"]]);
        assert_eq!(recordings(&[piece.clone(), a.clone()]), [["a", "piece"]]);
        piece.ends.senders[0].first_sequence = 9;
        assert!(recordings(&[piece, a]).is_empty());
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
        assert!(recordings(&[half, part("n", (51, 90), (32_000, 90_000), None)]).is_empty());
        let with_uid = |mut part: Part, uid: &str| {
            part.ends.boots[0].uid = Some(uid.to_owned());
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
