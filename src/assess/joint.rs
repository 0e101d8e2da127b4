//! Whether two files were one stream, by the bytes at the cut: a recorder that rotates by size cuts in mid-frame or, where
//! there is one before each frame, in mid-stamp.

use crate::wire::layout::{LONGEST, MARKER_V1, MARKER_V2, SHORTEST, SIGNATURE_LEN};
use crate::wire::stamp::{self, STAMP_LEN};
use crate::wire::{Definitions, Scanner};
use std::collections::BTreeSet;

/// One of the two files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The one that ends.
    Before,
    /// The one that goes on.
    Behind,
}

/// What was cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Joint {
    /// A frame: its checksum is evidence of its own.
    Frame {
        /// Who sent it.
        system_id: u32,
        /// Component of that system.
        component_id: u8,
        /// Its counter.
        sequence: u8,
        /// Which file the counter stands in.
        counted: Side,
        /// Its checksum says that both files have a part of it: one file has more than what is the same in all frames of the
        /// kind, the other the checksum.
        checked: bool,
    },
    /// A stamp: only the lengths are.
    Stamp,
}

/// Lengths of the head that would complete what `tail` ends in; `None` if any might.
pub fn needs(tail: &str, stamped: bool) -> Option<BTreeSet<usize>> {
    let tail = bytes(tail);
    let mut lengths = BTreeSet::new();
    if stamped && tail.len() < STAMP_LEN {
        lengths.insert(STAMP_LEN - tail.len());
    }
    for from in [0, STAMP_LEN] {
        let frame = tail.get(from..).unwrap_or_default();
        match *frame {
            [MARKER_V1 | MARKER_V2] => return None,
            [MARKER_V1 | MARKER_V2, payload, ..] => {
                let shortest = usize::from(payload) + SHORTEST;
                lengths.extend(
                    (shortest..=usize::from(payload) + LONGEST - 255)
                        .filter_map(|len| len.checked_sub(frame.len()).filter(|rest| *rest > 0)),
                );
            }
            _ => {}
        }
    }
    Some(lengths)
}

/// Bytes of a frame's checksum.
const CHECKSUM_LEN: usize = 2;
/// The markers that a frame begins with, hex.
const MARKERS: [&str; 2] = ["fe", "fd"];

/// Whether `tail`, the bytes behind the last frame of one file, and `head`, those before the first frame of the next, both
/// hex, are a frame with a good checksum, or a stamp where the stream is `stamped`. By chance a checksum is good in one of
/// 65,536; stamps of two recordings fit one another wherever their lengths do, so counters must be asked too.
pub fn across(tail: &str, head: &str, stamped: bool) -> Option<Joint> {
    let (len, tail_len) = ((tail.len() + head.len()) / 2, tail.len() / 2);
    // A whole stamp at the end or the beginning says nothing of the other file.
    if tail.is_empty() || head.is_empty() {
        return None;
    }
    if stamped && len == STAMP_LEN {
        return stamp::read(&[bytes(tail), bytes(head)].concat()).map(|_| Joint::Stamp);
    }
    // The frame may have its stamp before it.
    [0, STAMP_LEN].into_iter().filter(|from| *from < tail_len).find_map(|from| {
        let frame = |from: usize| [bytes(tail.get(2 * from..).unwrap_or_default()), bytes(head)].concat();
        // Most pairs are told apart by the marker alone.
        tail.get(2 * from..2 * from + 2)
            .is_some_and(|marker| MARKERS.contains(&marker))
            .then(|| whole(&frame(from), tail_len - from))?
    })
}

/// The frame that `bytes` are, the first `cut` of which stand in the file that ends, if they are one.
fn whole(bytes: &[u8], cut: usize) -> Option<Joint> {
    let mut whole = None;
    let stated = usize::from(bytes.get(1).copied().unwrap_or_default()) + SHORTEST;
    if (stated..=stated + LONGEST - usize::from(u8::MAX)).contains(&bytes.len()) {
        Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |found| {
            if found.message.is_some() && found.raw.len() == bytes.len() {
                let (system_id, component_id) = (found.system_id, found.component_id);
                // The counter is the third byte of MAVLink 1 and the fifth of MAVLink 2.
                let counter = if bytes.first() == Some(&MARKER_V1) { 2 } else { 4 };
                let counted = if cut > counter { Side::Before } else { Side::Behind };
                let unchecked = if found.signed { SIGNATURE_LEN } else { 0 };
                let checked = counted == Side::Before && bytes.len() - cut >= unchecked + CHECKSUM_LEN;
                whole = Some(Joint::Frame {
                    system_id,
                    component_id,
                    sequence: found.sequence,
                    counted,
                    checked,
                });
            }
        });
    }
    whole
}

/// The senders and counters of the frames that `tail`, `pieces` and `head` are, put together, with nothing but their stamps
/// between them; none if they are anything else, or no frame has any of the pieces: a stamp fits any other recorder's.
pub fn frames(tail: &str, pieces: &[&[u8]], head: &str, stamped: bool) -> Vec<(u32, u8, u8)> {
    let tail = bytes(tail);
    let pieces = pieces.concat();
    let cut = tail.len()..tail.len() + pieces.len();
    let bytes = [tail, pieces, bytes(head)].concat();
    let (mut senders, mut spans) = (Vec::new(), Vec::new());
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |found| {
        if found.message.is_some() {
            let from = usize::try_from(found.offset).unwrap_or_default();
            spans.push(from..from + found.raw.len());
            senders.push((found.system_id, found.component_id, found.sequence));
        }
    });
    let starts = spans.iter().map(|span| span.start).chain([bytes.len()]);
    let ends = [0].into_iter().chain(spans.iter().map(|span| span.end));
    let whole = starts.zip(ends).enumerate().all(|(number, (start, end))| match start.checked_sub(end) {
        // The first stamp may stand behind the last whole frame of the file before, the last one be the next file's.
        Some(0) => !stamped || number == 0 || number == spans.len(),
        Some(STAMP_LEN) => stamped && bytes.get(end..).and_then(stamp::read).is_some(),
        _ => false,
    });
    let vouched = spans.iter().any(|span| span.start < cut.end && cut.start < span.end);
    if whole && vouched { senders } else { Vec::new() }
}

fn bytes(hex: &str) -> Vec<u8> {
    let pairs = hex.as_bytes().chunks_exact(2);
    pairs.filter_map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}

/// Bytes as hex.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_or_a_stamp_that_was_cut_is_known() {
        let across = |tail: &str, head: &str, stamped| {
            let found = super::across(tail, head, stamped).is_some();
            let needs = needs(tail, stamped);
            assert!(!found || needs.is_none_or(|lengths| lengths.contains(&(head.len() / 2))));
            found
        };
        // HEARTBEAT of MAVLink 1, all fields zero but type 2 and version 3; CRC_EXTRA 50 by the published definitions.
        let body = [9, 0, 1, 1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3];
        let crc = mavlink::calculate_crc(&body, 50).to_le_bytes();
        let frame = [&[0xFE][..], &body, &crc].concat();
        let stamp = 1_790_000_000_000_000u64.to_be_bytes();
        for cut in 1..frame.len() {
            let (tail, head) = frame.split_at(cut);
            assert!(across(&hex(tail), &hex(head), false), "{cut}");
            assert!(across(&hex(&[&stamp[..], tail].concat()), &hex(head), true), "{cut}");
            assert!(!across(&hex(head), &hex(tail), false), "{cut}");
            assert!(!across(&hex(tail), &hex(&head[1..]), false), "{cut}");
        }
        let joint = |cut: usize| match super::across(&hex(&frame[..cut]), &hex(&frame[cut..]), false) {
            Some(Joint::Frame { counted, checked, .. }) => (counted, checked),
            other => panic!("{other:?}"),
        };
        // Marker and length are those of every HEARTBEAT; one byte of the checksum is right in one of 256.
        assert_eq!((joint(1), joint(2)), ((Side::Behind, false), (Side::Behind, false)));
        assert_eq!((joint(3), joint(15)), ((Side::Before, true), (Side::Before, true)));
        assert_eq!(joint(16), (Side::Before, false));
        for cut in 1..8 {
            let (tail, head) = stamp.split_at(cut);
            assert!(across(&hex(tail), &hex(head), true), "{cut}");
            assert!(!across(&hex(tail), &hex(head), false), "{cut}");
        }
        assert!(!across(&hex(&stamp), "", true) && !across("", &hex(&stamp), true));
        assert!(!across("", "", true) && !across(&hex(&frame), "", false));
        assert!(!across(&hex(&[0; 3]), &hex(&[0; 5]), true), "no date of this century");
    }
}
