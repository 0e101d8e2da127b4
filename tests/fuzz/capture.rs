//! What both capture targets check.

use fettle::capture::{Capture, Note, Tally};

type Seen = Vec<(u32, Option<u64>, u64, Vec<u8>, bool)>;

/// Reads a file at once and in pieces.
pub fn check(file: &[u8], piece: usize) {
    let (whole, tally, notes) = read(file, usize::MAX / 2);
    assert!(tally.bytes_outside <= file.len() as u64, "{tally:?}");
    // Fragments and streams are handed on once, so that no more comes out than went in.
    assert!(tally.bytes_payload <= file.len() as u64, "{tally:?}");
    let (pieces, pieces_tally, pieces_notes) = read(file, piece);
    // Bytes outside of records may be handed on in more pieces; all else is the same.
    assert_eq!(joined(&pieces), joined(&whole));
    let outside = |tally: Tally| Tally { segments: 0, ..tally };
    assert_eq!(outside(pieces_tally), outside(tally));
    assert_eq!(pieces_notes, notes);
}

fn read(file: &[u8], piece: usize) -> (Seen, Tally, Vec<Note>) {
    let mut capture = Capture::new();
    let mut seen = Vec::new();
    let (mut kept, mut fed) = (Vec::new(), 0);
    loop {
        let next = file.len().min(fed + piece);
        kept.extend_from_slice(&file[fed..next]);
        fed = next;
        let last = fed == file.len();
        let done = capture.feed(&kept, last, &mut |segment| {
            let bytes = segment.bytes.to_vec();
            seen.push((segment.flow, segment.capture_us, segment.offset, bytes, segment.gap_before));
        });
        let Ok(done) = done else { break };
        kept.drain(..done);
        assert!(kept.len() < 4 << 20, "keeps {} bytes", kept.len());
        if last {
            assert!(kept.is_empty());
            capture.finish(&mut |segment| {
                let bytes = segment.bytes.to_vec();
                seen.push((segment.flow, segment.capture_us, segment.offset, bytes, segment.gap_before));
            });
            break;
        }
    }
    (seen, capture.tally().clone(), capture.notes().to_vec())
}

/// By flow, all its bytes.
fn joined(seen: &Seen) -> Vec<Vec<u8>> {
    let mut flows: Vec<Vec<u8>> = Vec::new();
    for (flow, _, _, bytes, _) in seen {
        let flow = *flow as usize;
        if flows.len() <= flow {
            flows.resize_with(flow + 1, Vec::new);
        }
        flows[flow].extend_from_slice(bytes);
    }
    flows
}
