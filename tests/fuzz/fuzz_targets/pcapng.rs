//! Any blocks in a section with an interface. The input is cut into blocks here, with right lengths at both ends,
//! so that the fuzzer reaches what is inside; a length byte of 255 writes the rest as it is.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../capture.rs"]
mod capture;

fuzz_target!(|data: &[u8]| {
    let Some((first, mut rest)) = data.split_first() else { return };
    let big_endian = first & 1 == 1;
    let word = |value: u32| if big_endian { value.to_be_bytes() } else { value.to_le_bytes() };
    let block = |kind: u32, body: &[u8]| {
        let padding = body.len().next_multiple_of(4) - body.len();
        let len = word((body.len() + padding + 12) as u32);
        [&word(kind)[..], &len, body, &[0, 0, 0][..padding], &len].concat()
    };
    let mut section = word(0x1A2B_3C4D).to_vec();
    section.extend(if big_endian { [0, 1, 0, 0] } else { [1, 0, 0, 0] });
    section.extend([0xFF; 8]);
    let mut file = block(0x0A0D_0D0A, &section);
    let link = [1u8, 101, 113, 0][usize::from(first >> 1) % 4];
    let link = if big_endian { [0, link, 0, 0] } else { [link, 0, 0, 0] };
    file.extend(block(1, &[&link[..], &[0; 4]].concat()));
    while let [kind, len, body @ ..] = rest {
        if *len == 255 {
            file.extend_from_slice(body);
            break;
        }
        let (body, behind) = body.split_at(body.len().min(usize::from(*len)));
        file.extend(block(u32::from(kind % 12), body));
        rest = behind;
    }
    capture::check(&file, usize::from(*first) * 3 + 1);
});
