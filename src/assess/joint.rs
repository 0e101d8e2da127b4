//! Whether two files were one stream, by the bytes at the cut: a recorder that rotates by size cuts in mid-frame or, where
//! there is one before each frame, in mid-stamp.

use crate::wire::layout::{LONGEST, SHORTEST};
use crate::wire::stamp::{self, STAMP_LEN};
use crate::wire::{Definitions, Scanner};

/// The markers that a frame begins with, hex.
const MARKERS: [&str; 2] = ["fe", "fd"];

/// Whether `tail`, the bytes behind the last frame of one file, and `head`, those before the first frame of the next, both
/// hex, are a frame with a good checksum, or a stamp where the stream is `stamped`. By chance a checksum is good in one of
/// 65,536; stamps of two recordings fit one another wherever their lengths do, so counters must be asked too.
pub fn across(tail: &str, head: &str, stamped: bool) -> bool {
    let (len, tail_len) = ((tail.len() + head.len()) / 2, tail.len() / 2);
    // A whole stamp at the end or the beginning says nothing of the other file.
    if tail.is_empty() || head.is_empty() {
        return false;
    }
    if stamped && len == STAMP_LEN {
        return stamp::read(&[bytes(tail), bytes(head)].concat()).is_some();
    }
    // The frame may have its stamp before it.
    [0, STAMP_LEN].into_iter().filter(|from| *from < tail_len).any(|from| {
        let frame = |from: usize| [bytes(tail.get(2 * from..).unwrap_or_default()), bytes(head)].concat();
        // Most pairs are told apart by the marker alone.
        tail.get(2 * from..2 * from + 2).is_some_and(|marker| MARKERS.contains(&marker))
            && is_frame(&frame(from))
    })
}

fn is_frame(bytes: &[u8]) -> bool {
    let mut whole = false;
    let stated = usize::from(bytes.get(1).copied().unwrap_or_default()) + SHORTEST;
    if (stated..=stated + LONGEST - usize::from(u8::MAX)).contains(&bytes.len()) {
        Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |found| {
            whole |= found.message.is_some() && found.raw.len() == bytes.len();
        });
    }
    whole
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
