//! Files too short for a whole frame: one says nothing of itself, but where it lies between two files of a recording, before
//! its first or behind its last, the frames that were cut there are whole with it, and their checksums good.

use super::ends::Ends;
use super::joint::frames;
use crate::wire::layout::LONGEST;
use crate::wire::stamp::STAMP_LEN;
use std::collections::BTreeMap;

/// The end of one frame and the beginning of another, both with a stamp: a longer file has a whole one, or is none.
pub const MOST: usize = 2 * (LONGEST + STAMP_LEN);

/// Of so many pieces one, two or three in a row are tried: of more, some order would fit by chance.
const FEW: [usize; 3] = [usize::MAX, 16, 8];

/// The pieces that lie between two files of a recording, in order, of these by their ids; none where nothing was cut, or none
/// fits. Between two cuts within a frame there may be several. Before the first file and behind the last, the other one's ends
/// are empty.
pub fn between<'p>(
    part: &Ends,
    next: &Ends,
    container: &str,
    pieces: &'p BTreeMap<String, Vec<u8>>,
) -> Vec<&'p str> {
    let cut = !part.tail.is_empty() || !next.head.is_empty();
    if !cut || container.starts_with("pcap") {
        return Vec::new();
    }
    // Where its link loses many frames, a sender's counter says little.
    let goes_on = |(system_id, component_id, sequence): &(u32, u8, u8)| {
        let of = |ends: &Ends| {
            ends.senders
                .iter()
                .find(|s| (s.system_id, s.component_id) == (*system_id, *component_id))
                .copied()
        };
        of(part).is_some_and(|s| s.loses() || s.near(s.last_sequence, *sequence))
            || of(next).is_some_and(|s| s.loses() || s.near(*sequence, s.first_sequence))
    };
    let fits = |pieces: &[(&str, &[u8])]| {
        let bytes: Vec<&[u8]> = pieces.iter().map(|(_, bytes)| *bytes).collect();
        let senders = frames(&part.tail, &bytes, &next.head, container == "timestamped");
        !senders.is_empty() && senders.iter().all(goes_on)
    };
    let all: Vec<(&str, &[u8])> = pieces.iter().map(|(id, bytes)| (id.as_str(), bytes.as_slice())).collect();
    let mut rows: Vec<Vec<(&str, &[u8])>> = vec![Vec::new()];
    for few in FEW {
        if all.len() > few {
            break;
        }
        let longer = rows.iter().flat_map(|row| all.iter().map(move |piece| (row, piece)));
        rows = longer
            .filter(|(row, piece)| !row.contains(piece))
            .map(|(row, piece)| [row.as_slice(), &[*piece]].concat())
            .filter(|row| row.iter().map(|(_, bytes)| bytes.len()).sum::<usize>() <= MOST)
            .collect();
        if let Some(row) = rows.iter().find(|row| fits(row)) {
            return row.iter().map(|(id, _)| *id).collect();
        }
    }
    Vec::new()
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

    /// Ends of a file between heartbeats 0 and 3.
    fn ends(head: &[u8], tail: &[u8], system_id: u32) -> Ends {
        counted(head, tail, system_id, 3, 0)
    }

    fn counted(head: &[u8], tail: &[u8], system_id: u32, first_sequence: u8, last_sequence: u8) -> Ends {
        let sender = json!({"system_id": system_id, "component_id": 1, "frames": 9, "first_sequence": first_sequence, "last_sequence": last_sequence});
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
                match between(&a, &b, container, &pieces).as_slice() {
                    ["own"] => found += 1,
                    [] => {}
                    other => panic!("{other:?} from {from} to {to} of {} {container}", bytes.len()),
                }
                let (a, b) = (ends(&[], &bytes[..from], 7), ends(&bytes[to..], &[], 7));
                assert!(between(&a, &b, container, &pieces).is_empty(), "a frame of nobody there");
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
        assert!(between(&a, &b, "bare", &pieces).is_empty());
        let (a, b) = (ends(&[], &one[..4], 1), ends(&one[9..], &[], 1));
        assert_eq!(between(&a, &b, "bare", &pieces), ["p"]);
        assert!(between(&a, &b, "bare", &BTreeMap::new()).is_empty());
        // Counters far from the frame's on either side.
        let (a, b) = (counted(&[], &one[..4], 1, 3, 200), counted(&one[9..], &[], 1, 90, 0));
        assert!(between(&a, &b, "bare", &pieces).is_empty());
    }

    #[test]
    fn pieces_in_a_row_are_placed_in_their_order() {
        let two = [heartbeat(1), heartbeat(2)].concat();
        let piece = |id: &str, from: usize, to: usize| (id.to_owned(), two[from..to].to_vec());
        let (a, b) = (ends(&[], &two[..3], 1), ends(&two[30..], &[], 1));
        let pieces =
            BTreeMap::from([piece("z", 3, 10), piece("y", 10, 18), piece("x", 18, 30), piece("w", 5, 9)]);
        assert_eq!(between(&a, &b, "bare", &pieces), ["z", "y", "x"]);
        let b = ends(&two[18..], &[], 1);
        assert_eq!(between(&a, &b, "bare", &pieces), ["z", "y"]);
    }
}
