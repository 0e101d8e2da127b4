//! The two frame layouts. Nothing here judges a checksum.
//!
//! The parsers are always inlined: handed on through memory, the narrow fields of a layout cost more than parsing.

use nom::bytes::complete::{tag, take};
use nom::number::complete::{le_u16, le_u24, le_u32, u8 as byte};
use nom::{IResult, Parser};

use super::payload;

/// Marker of a version 1 frame.
pub const MARKER_V1: u8 = 0xFE;
/// Marker of a version 2 frame.
pub const MARKER_V2: u8 = 0xFD;
/// Incompatibility flag: 13 signature bytes follow the checksum.
pub const SIGNED: u8 = 0x01;
/// Incompatibility flag: the system id has four bytes.
pub const WIDE_SYSTEM_ID: u8 = 0x02;
/// Link id, 48-bit time, 48 bits of SHA-256.
pub const SIGNATURE_LEN: usize = 13;
/// The longest frame: wide system id, 255 bytes of payload, signature.
pub const LONGEST: usize = 13 + 255 + 2 + SIGNATURE_LEN;
/// The shortest frame: version 1 without payload.
pub const SHORTEST: usize = 8;

/// Where the parts of a claimed frame lie, from its marker on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Extent {
    /// Bytes before the payload.
    pub header: usize,
    /// End of the payload, where the checksum stands.
    pub body_end: usize,
    /// Bytes of the whole frame.
    pub len: usize,
}

/// One frame as laid out, unchecked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout<'a> {
    /// 1 or 2.
    pub version: u8,
    /// Frame counter.
    pub sequence: u8,
    /// Sending system.
    pub system_id: u32,
    /// Sending component.
    pub component_id: u8,
    /// Message id.
    pub message_id: u32,
    /// As sent.
    pub payload: &'a [u8],
    /// Checksum as sent.
    pub checksum: u16,
    /// Whether a signature follows.
    pub signed: bool,
}

/// What the first bytes at a position claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Claim {
    /// A frame of this extent.
    Frame(Extent),
    /// No frame that can be understood.
    Nothing,
    /// Too few bytes to tell.
    MoreBytes,
}

/// The frame that `input` claims to start with, from its first three bytes.
#[must_use]
#[inline]
pub fn claim(input: &[u8]) -> Claim {
    let (header, payload, signature) = match *input {
        [MARKER_V1, len, ..] => (6, len, 0),
        [MARKER_V2, len, flags, ..] if flags & !(SIGNED | WIDE_SYSTEM_ID) == 0 => {
            let wide = if flags & WIDE_SYSTEM_ID == 0 { 0 } else { 3 };
            (10 + wide, len, if flags & SIGNED == 0 { 0 } else { SIGNATURE_LEN })
        }
        [MARKER_V2] | [MARKER_V2, _] | [MARKER_V1] | [] => return Claim::MoreBytes,
        _ => return Claim::Nothing,
    };
    let body_end = header + usize::from(payload);
    Claim::Frame(Extent { header, body_end, len: body_end + 2 + signature })
}

impl Extent {
    /// The message id of the frame that starts `bytes`.
    #[must_use]
    #[inline]
    pub fn message_id(&self, bytes: &[u8]) -> u32 {
        // The id is the last part of either header, three bytes or one.
        let last = payload::u32_at(bytes, self.header - 4);
        if self.header == 6 { last >> 24 } else { last >> 8 }
    }

    /// What the checksum covers: from the length byte to the end of the payload.
    #[must_use]
    #[inline]
    pub fn covered<'a>(&self, bytes: &'a [u8]) -> &'a [u8] {
        bytes.get(1..self.body_end).unwrap_or_default()
    }

    /// The checksum as sent.
    #[must_use]
    #[inline]
    pub fn checksum(&self, bytes: &[u8]) -> u16 {
        payload::u16_at(bytes, self.body_end)
    }
}

/// Parses the frame at the start of `input`, of either version.
///
/// # Errors
/// Where `input` is too short, or the frame sets a flag that changes its layout in an unknown way.
#[inline(always)]
pub fn frame(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    match input.first() {
        Some(&MARKER_V1) => v1(input),
        _ => v2(input),
    }
}

/// Parses a version 1 frame.
///
/// | byte | field          | type   | meaning                                          |
/// |------|----------------|--------|--------------------------------------------------|
/// | 0    | marker         | u8     | `0xFE`                                           |
/// | 1    | length         | u8     | payload bytes *n*                                |
/// | 2    | sequence       | u8     | frame counter                                    |
/// | 3    | system id      | u8     | sender                                           |
/// | 4    | component id   | u8     | sender                                           |
/// | 5    | message id     | u8     |                                                  |
/// | 6    | payload        | *n*    | base fields in wire order                        |
/// | 6+n  | checksum       | u16 LE | over bytes 1 to 5+*n*, then CRC_EXTRA            |
///
/// # Errors
/// Where `input` is too short or has no version 1 marker.
#[inline(always)]
pub fn v1(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    let (input, _) = tag(&[MARKER_V1][..])(input)?;
    let (input, (len, sequence, system_id, component_id, message_id)) =
        (byte, byte, byte, byte, byte).parse(input)?;
    let (input, payload) = take(len)(input)?;
    let (input, checksum) = le_u16(input)?;
    let layout = Layout {
        version: 1,
        sequence,
        system_id: system_id.into(),
        component_id,
        message_id: message_id.into(),
        payload,
        checksum,
        signed: false,
    };
    Ok((input, layout))
}

/// Parses a version 2 frame.
///
/// | byte | field           | type   | meaning                                                   |
/// |------|-----------------|--------|-----------------------------------------------------------|
/// | 0    | marker          | u8     | `0xFD`                                                    |
/// | 1    | length          | u8     | payload bytes *n*, trailing zeros cut                     |
/// | 2    | incompatibility | u8     | `0x01` signed, `0x02` wide system id; any other: refused  |
/// | 3    | compatibility   | u8     | never matters                                             |
/// | 4    | sequence        | u8     | frame counter                                             |
/// | 5    | system id       | u8     | sender; u32 LE with flag `0x02`, and what follows moves 3 |
/// | 6    | component id    | u8     | sender                                                    |
/// | 7    | message id      | u24 LE |                                                           |
/// | 10   | payload         | *n*    | base fields in wire order, then extensions                |
/// | 10+n | checksum        | u16 LE | over bytes 1 to 9+*n*, then CRC_EXTRA                     |
/// | 12+n | signature       | 13     | with flag `0x01`: link id, time, part of a SHA-256        |
///
/// # Errors
/// Where `input` is too short, has no version 2 marker or sets an unknown incompatibility flag.
#[inline(always)]
pub fn v2(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    let (input, _) = tag(&[MARKER_V2][..])(input)?;
    let (input, (len, flags, _compatibility, sequence)) = (byte, byte, byte, byte).parse(input)?;
    if flags & !(SIGNED | WIDE_SYSTEM_ID) != 0 {
        return Err(nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Verify)));
    }
    let (input, system_id) =
        if flags & WIDE_SYSTEM_ID == 0 { byte.map(u32::from).parse(input)? } else { le_u32(input)? };
    let (input, (component_id, message_id)) = (byte, le_u24).parse(input)?;
    let (input, payload) = take(len)(input)?;
    let (input, checksum) = le_u16(input)?;
    let signed = flags & SIGNED != 0;
    let (input, _) = take(if signed { SIGNATURE_LEN } else { 0 })(input)?;
    let layout =
        Layout { version: 2, sequence, system_id, component_id, message_id, payload, checksum, signed };
    Ok((input, layout))
}

/// Position of the first marker byte of either version.
#[must_use]
#[inline]
pub fn find_marker(bytes: &[u8]) -> Option<usize> {
    let marks = |byte: &u8| byte.wrapping_sub(MARKER_V2) <= 1;
    if bytes.first().is_some_and(marks) {
        return Some(0);
    }
    // Whole blocks without a branch inside, which the compiler turns into vector code.
    let (blocks, _) = bytes.as_chunks::<32>();
    let clear = blocks
        .iter()
        .take_while(|block| !block.iter().fold(false, |found, byte| found | marks(byte)))
        .count()
        * 32;
    bytes.get(clear..)?.iter().position(marks).map(|at| clear + at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_claim_and_its_parser_agree_for_every_head() {
        let body: [u8; LONGEST] = std::array::from_fn(|at| at as u8 | 0x10);
        for marker in [MARKER_V1, MARKER_V2] {
            for len in 0..=255u8 {
                for flags in 0..=255u8 {
                    let mut input = body;
                    input[..3].copy_from_slice(&[marker, len, flags]);
                    match claim(&input) {
                        Claim::Frame(extent) => {
                            let (rest, layout) = frame(&input).unwrap();
                            assert_eq!(input.len() - rest.len(), extent.len);
                            assert_eq!(layout.payload.len(), usize::from(len));
                            assert!(extent.covered(&input).ends_with(layout.payload));
                            assert_eq!(extent.covered(&input)[0], len);
                            assert_eq!(extent.message_id(&input), layout.message_id);
                            assert_eq!(extent.checksum(&input), layout.checksum);
                            assert!(frame(&input[..extent.len - 1]).is_err());
                        }
                        Claim::Nothing => assert!(frame(&input).is_err() && flags > 3),
                        Claim::MoreBytes => panic!("three bytes are enough"),
                    }
                }
            }
        }
    }

    #[test]
    fn finds_the_first_marker_wherever_it_is() {
        for length in 0..100 {
            let mut bytes = vec![0xFCu8; length];
            assert_eq!(find_marker(&bytes), None);
            for at in (0..length).rev() {
                bytes[at] = if at % 2 == 0 { MARKER_V1 } else { MARKER_V2 };
                assert_eq!(find_marker(&bytes), Some(at));
            }
        }
    }
}
