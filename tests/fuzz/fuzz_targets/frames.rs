//! Any bytes through the scanner: frames, stamps and gaps cover them, however they are cut into calls. The first
//! byte chooses the length of the pieces.
#![no_main]

use fettle::wire::{Definitions, Frame, Integrity, Scanner};
use libfuzzer_sys::fuzz_target;

type Seen = Vec<(u64, Option<u64>, u32, Vec<u8>)>;

fn scan(bytes: &[u8], piece: usize) -> (Seen, Integrity) {
    let mut scanner = Scanner::new(Definitions::builtin());
    let mut frames = Vec::new();
    let (mut kept, mut fed) = (Vec::new(), 0);
    loop {
        let next = bytes.len().min(fed + piece);
        kept.extend_from_slice(&bytes[fed..next]);
        fed = next;
        let last = fed == bytes.len();
        let done = scanner.scan(&kept, last, &mut |frame: &Frame<'_>| {
            frames.push((frame.offset, frame.capture_us, frame.message_id, frame.payload.to_vec()));
        });
        kept.drain(..done);
        assert!(kept.len() < 4096, "keeps {} bytes", kept.len());
        if last {
            break;
        }
    }
    (frames, scanner.integrity())
}

fuzz_target!(|data: &[u8]| {
    let Some((first, bytes)) = data.split_first() else { return };
    let (frames, integrity) = scan(bytes, usize::MAX / 2);
    assert_eq!(
        integrity.bytes_frames + integrity.bytes_stamps + integrity.bytes_skipped,
        bytes.len() as u64
    );
    let (pieces, tally) = scan(bytes, usize::from(*first) + 1);
    assert_eq!(pieces, frames);
    assert_eq!(tally, integrity);
});
