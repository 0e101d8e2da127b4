//! Files too short for a whole frame: one says nothing of itself, but where it lies between two files of a recording, the
//! frames that were cut at both are whole with it, and their checksums good.

use super::ends::Ends;
use super::joint::frames;
use crate::wire::layout::LONGEST;
use crate::wire::stamp::STAMP_LEN;
use std::collections::BTreeMap;

/// The end of one frame and the beginning of another, both with a stamp: a longer file has a whole one, or is none.
pub const MOST: usize = 2 * (LONGEST + STAMP_LEN);

/// The piece that lies between two files of a recording, of these by their ids; `None` where nothing was cut, or none of
/// them fits.
pub fn between<'p>(
    part: &Ends,
    next: &Ends,
    container: &str,
    pieces: &'p BTreeMap<String, Vec<u8>>,
) -> Option<&'p str> {
    let stamped = container == "timestamped";
    let cut = !part.tail.is_empty() || !next.head.is_empty();
    if !cut || container.starts_with("pcap") {
        return None;
    }
    let known = |(system_id, component_id): &(u32, u8)| {
        let of = |ends: &Ends| {
            ends.senders.iter().any(|s| (s.system_id, s.component_id) == (*system_id, *component_id))
        };
        of(part) || of(next)
    };
    let fits = |piece: &[u8]| {
        let senders = frames(&part.tail, piece, &next.head, stamped);
        !senders.is_empty() && senders.iter().all(known)
    };
    pieces.iter().find(|(_, piece)| fits(piece)).map(|(id, _)| id.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::joint::hex;
    use serde_json::json;

    /// Bytes of a HEARTBEAT of MAVLink 1.
    const LEN: usize = 17;

    /// One, all fields zero but type 2 and version 3; CRC_EXTRA 50 by the published definitions.
    fn heartbeat(sequence: u8) -> Vec<u8> {
        let body = [9, sequence, 1, 1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3];
        [&[0xFE][..], &body, &mavlink::calculate_crc(&body, 50).to_le_bytes()].concat()
    }

    fn ends(head: &[u8], tail: &[u8], system_id: u32) -> Ends {
        let sender = json!({"system_id": system_id, "component_id": 1, "frames": 9, "first_sequence": 1, "last_sequence": 9});
        let senders = vec![serde_json::from_value(sender).unwrap()];
        Ends { head: hex(head), tail: hex(tail), senders, ..Ends::default() }
    }

    /// All ways to cut `bytes` in three, the middle of which is the piece, so that no whole frame is left: that of two is cut
    /// in both. How many there are, and how often it was placed.
    fn placed(bytes: &[u8], frames: usize, container: &str) -> (usize, usize) {
        let (mut ways, mut found) = (0, 0);
        for from in 0..bytes.len() {
            for to in from + 1..=bytes.len() {
                // Where all of it is the piece, nothing was cut.
                if from == 0 && to == bytes.len() || frames == 2 && (from >= LEN || to <= LEN) {
                    continue;
                }
                ways += 1;
                let (a, b) = (ends(&[], &bytes[..from], 1), ends(&bytes[to..], &[], 1));
                let foreign = heartbeat(9)[1..6].to_vec();
                let pieces =
                    BTreeMap::from([("foreign".into(), foreign), ("own".into(), bytes[from..to].to_vec())]);
                match between(&a, &b, container, &pieces) {
                    Some("own") => found += 1,
                    None => {}
                    Some(other) => panic!("{other} from {from} to {to} of {} {container}", bytes.len()),
                }
                let (a, b) = (ends(&[], &bytes[..from], 7), ends(&bytes[to..], &[], 7));
                assert_eq!(between(&a, &b, container, &pieces), None, "a frame of nobody there");
            }
        }
        (ways, found)
    }

    #[test]
    fn a_piece_is_placed_where_it_makes_the_frames_whole() {
        let one = heartbeat(1);
        assert_eq!(one.len(), LEN);
        assert_eq!(placed(&one, 1, "bare"), (152, 152));
        assert_eq!(placed(&[&one[..], &heartbeat(2)].concat(), 2, "bare"), (288, 288));
        assert_eq!(placed(&one, 1, "pcap"), (152, 0));
        assert_eq!(placed(&one[..16], 1, "bare"), (135, 0), "a frame without its end");
        let stamp = 1_790_000_000_000_000u64.to_be_bytes();
        let stamped = [&stamp[..], &one].concat();
        // Within the stamp no checksum vouches for it.
        let within = 8 * 9 / 2;
        assert_eq!(placed(&stamped, 1, "timestamped"), (324, 324 - within));
        assert_eq!(placed(&stamped, 1, "bare"), (324, 0), "eight bytes more");
        // The stamp of the next file's first frame was cut, too.
        let (ways, found) = placed(&[&stamped[..], &stamp].concat(), 1, "timestamped");
        assert_eq!(found, ways - 2 * within);
        let (_, found) = placed(&[&one[..], &[0; 8]].concat(), 1, "timestamped");
        assert_eq!(found, 0, "no date of this century");
    }

    #[test]
    fn where_nothing_is_missing_no_piece_is_placed() {
        let one = heartbeat(1);
        let pieces = BTreeMap::from([("p".to_owned(), one[4..9].to_vec())]);
        let (a, b) = (ends(&[], &one[..4], 1), ends(&one[4..], &[], 1));
        assert_eq!(between(&a, &b, "bare", &pieces), None);
        let (a, b) = (ends(&[], &one[..4], 1), ends(&one[9..], &[], 1));
        assert_eq!(between(&a, &b, "bare", &pieces), Some("p"));
        assert_eq!(between(&a, &b, "bare", &BTreeMap::new()), None);
    }
}
