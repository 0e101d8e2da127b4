//! Records of a stamp and a good frame, with any stamps and anything between: every frame is found, and a stamp
//! counts only where it stands directly before one and is a date of this century.
//!
//! A checksum of 16 bits passes one false start in 65,536, and the fuzzer tries millions; such a frame hides those
//! it covers. An input that holds one is passed over.
#![no_main]

use fettle::wire::{Definitions, Scanner, stamp};
use libfuzzer_sys::fuzz_target;

/// A version 2 heartbeat of 1/1 with five bytes of payload left after the cut zeros; no checksum yet.
const FRAME: [u8; 17] = [0xFD, 5, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0, 0, 0, 2, 0, 0];

/// A heartbeat whose checksum is computed here, so that the fuzzer need not.
fn frame(sequence: u8) -> Vec<u8> {
    let mut bytes = FRAME.to_vec();
    bytes[4] = sequence;
    let state = fettle::wire::crc::checksum(&bytes[1..15]);
    // 50: CRC_EXTRA of HEARTBEAT in the published definitions.
    let crc = fettle::wire::crc::update_byte(state, 50);
    bytes[15..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

fuzz_target!(|data: &[u8]| {
    let (mut bytes, mut stamps) = (Vec::new(), Vec::new());
    for (sequence, record) in data.chunks(9).take(200).enumerate() {
        // The first byte says how many bytes of the record are written before the frame: 0 to 8.
        let (len, stamp) = (usize::from(record[0] % 9), &record[1..]);
        let written = &stamp[..len.min(stamp.len())];
        bytes.extend_from_slice(written);
        stamps.push(if written.len() == 8 { stamp::read(written) } else { None });
        bytes.extend_from_slice(&frame(sequence as u8));
    }
    let (mut found, mut chance) = (Vec::new(), 0);
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |frame| {
        if frame.raw == self::frame(frame.sequence) {
            found.push(frame.capture_us);
        } else if frame.message.is_some() {
            chance += 1; // a heartbeat of any other length among them
        }
    });
    if chance == 0 {
        assert_eq!(found, stamps);
    }
});
