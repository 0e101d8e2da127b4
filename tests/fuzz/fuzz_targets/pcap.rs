//! Any bytes behind the head of a classic capture: no crash, bounded memory, the same answer however they are cut
//! into calls, and nothing said to be outside of records twice. The first byte chooses head and pieces.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../capture.rs"]
mod capture;

fuzz_target!(|data: &[u8]| {
    let Some((first, bytes)) = data.split_first() else { return };
    let big_endian = first & 1 == 1;
    let magic: [u8; 4] = match (big_endian, first & 2 == 2) {
        (false, false) => [0xD4, 0xC3, 0xB2, 0xA1],
        (true, false) => [0xA1, 0xB2, 0xC3, 0xD4],
        (false, true) => [0x4D, 0x3C, 0xB2, 0xA1],
        (true, true) => [0xA1, 0xB2, 0x3C, 0x4D],
    };
    let link = [1u32, 101, 113, 276, 0, 147][usize::from(first >> 2) % 6];
    let word = |value: u32| if big_endian { value.to_be_bytes() } else { value.to_le_bytes() };
    let mut file = magic.to_vec();
    file.extend([0; 16]);
    file.extend(word(link));
    file.extend_from_slice(bytes);
    capture::check(&file, usize::from(*first) * 3 + 1);
});
