//! The two frame layouts. Nothing here judges a checksum.
//!
//! A header is taken as one array and then named byte by byte: a parser a field costs several times as much, and
//! this is the innermost loop of everything.

use nom::bytes::streaming::take;
use nom::{IResult, Needed};

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
    /// What the checksum covers before CRC_EXTRA: from the length byte to the end of the payload.
    pub covered: &'a [u8],
    /// Checksum as sent.
    pub checksum: u16,
    /// Whether a signature follows.
    pub signed: bool,
    /// The whole frame, marker to checksum or signature.
    pub raw: &'a [u8],
}

/// Parses the frame at the start of `input`, of either version.
///
/// # Errors
/// As [`v1`] and [`v2`].
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
/// `Incomplete` where `input` is too short to tell, `Error` where it has no version 1 marker.
#[inline(always)]
pub fn v1(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    if input.first().is_some_and(|marker| *marker != MARKER_V1) {
        return refuse(input);
    }
    let (rest, head) = array::<6>(input)?;
    let [_, payload_len, sequence, system_id, component_id, message_id] = *head;
    let (rest, payload) = take(payload_len)(rest)?;
    let (rest, checksum) = array::<2>(rest)?;
    let body_end = head.len() + payload.len();
    let layout = Layout {
        version: 1,
        sequence,
        system_id: system_id.into(),
        component_id,
        message_id: message_id.into(),
        payload,
        covered: input.get(1..body_end).unwrap_or_default(),
        checksum: u16::from_le_bytes(*checksum),
        signed: false,
        raw: input.get(..body_end + checksum.len()).unwrap_or_default(),
    };
    Ok((rest, layout))
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
/// `Incomplete` where `input` is too short to tell, `Error` where it has no version 2 marker or sets an
/// incompatibility flag that changes the layout in an unknown way.
#[inline(always)]
pub fn v2(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    match *input {
        [marker, ..] if marker != MARKER_V2 => return refuse(input),
        [_, _, flags, ..] if flags & !(SIGNED | WIDE_SYSTEM_ID) != 0 => return refuse(input),
        [_, _, flags, ..] if flags & WIDE_SYSTEM_ID != 0 => return v2_wide(input),
        _ => {}
    }
    let (rest, head) = array::<10>(input)?;
    let [_, payload_len, flags, _, sequence, system_id, component_id, id_low, id_middle, id_high] = *head;
    v2_body(
        input,
        rest,
        head.len(),
        payload_len,
        flags & SIGNED != 0,
        Layout {
            version: 2,
            sequence,
            system_id: system_id.into(),
            component_id,
            message_id: u32::from_le_bytes([id_low, id_middle, id_high, 0]),
            ..EMPTY
        },
    )
}

/// The rare header with a system id of four bytes.
#[cold]
#[inline(never)]
fn v2_wide(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    let (rest, head) = array::<13>(input)?;
    let [_, payload_len, flags, _, sequence, a, b, c, d, component_id, id_low, id_middle, id_high] = *head;
    v2_body(
        input,
        rest,
        head.len(),
        payload_len,
        flags & SIGNED != 0,
        Layout {
            version: 2,
            sequence,
            system_id: u32::from_le_bytes([a, b, c, d]),
            component_id,
            message_id: u32::from_le_bytes([id_low, id_middle, id_high, 0]),
            ..EMPTY
        },
    )
}

/// What is the same behind both headers of version 2.
#[inline(always)]
fn v2_body<'a>(
    input: &'a [u8],
    rest: &'a [u8],
    head_len: usize,
    payload_len: u8,
    signed: bool,
    header: Layout<'a>,
) -> IResult<&'a [u8], Layout<'a>> {
    let (rest, payload) = take(payload_len)(rest)?;
    let (mut rest, checksum) = array::<2>(rest)?;
    let body_end = head_len + payload.len();
    let mut len = body_end + checksum.len();
    if signed {
        rest = take(SIGNATURE_LEN)(rest)?.0;
        len += SIGNATURE_LEN;
    }
    let covered = input.get(1..body_end).unwrap_or_default();
    let raw = input.get(..len).unwrap_or_default();
    let layout = Layout { payload, covered, checksum: u16::from_le_bytes(*checksum), signed, raw, ..header };
    Ok((rest, layout))
}

const EMPTY: Layout<'static> = Layout {
    version: 2,
    sequence: 0,
    system_id: 0,
    component_id: 0,
    message_id: 0,
    payload: &[],
    covered: &[],
    checksum: 0,
    signed: false,
    raw: &[],
};

/// [`frame`] for what nearly all frames are: no flags, all bytes there; and the bytes behind it. `None` says nothing
/// about other frames.
#[inline(always)]
pub(super) fn plain(input: &[u8]) -> Option<(Layout<'_>, &[u8])> {
    match input.first() {
        Some(&MARKER_V1) => plain_v1(input),
        _ => plain_v2(input),
    }
}

#[inline(always)]
fn plain_v1(input: &[u8]) -> Option<(Layout<'_>, &[u8])> {
    let [_, payload_len, sequence, system_id, component_id, message_id] = *input.first_chunk::<6>()?;
    let (system_id, message_id) = (system_id.into(), message_id.into());
    plain_body::<6>(
        input,
        payload_len,
        Layout { version: 1, sequence, system_id, component_id, message_id, ..EMPTY },
    )
}

#[inline(always)]
fn plain_v2(input: &[u8]) -> Option<(Layout<'_>, &[u8])> {
    let [MARKER_V2, payload_len, 0, _, sequence, system_id, component_id, id_low, id_middle, id_high] =
        *input.first_chunk::<10>()?
    else {
        return None;
    };
    let message_id = u32::from_le_bytes([id_low, id_middle, id_high, 0]);
    plain_body::<10>(
        input,
        payload_len,
        Layout { version: 2, sequence, system_id: system_id.into(), component_id, message_id, ..EMPTY },
    )
}

/// What is the same behind both heads.
#[inline(always)]
fn plain_body<'a, const HEAD: usize>(
    input: &'a [u8],
    payload_len: u8,
    header: Layout<'a>,
) -> Option<(Layout<'a>, &'a [u8])> {
    let (raw, behind) = input.split_at_checked(HEAD + usize::from(payload_len) + 2)?;
    let (body, checksum) = raw.split_last_chunk::<2>()?;
    let (payload, covered) = (body.get(HEAD..)?, body.get(1..)?);
    Some((Layout { payload, covered, checksum: u16::from_le_bytes(*checksum), raw, ..header }, behind))
}

/// The next `N` bytes.
#[inline(always)]
fn array<const N: usize>(input: &[u8]) -> IResult<&[u8], &[u8; N]> {
    match input.split_first_chunk::<N>() {
        Some((head, rest)) => Ok((rest, head)),
        None => Err(nom::Err::Incomplete(Needed::Unknown)),
    }
}

#[inline(always)]
fn refuse(input: &[u8]) -> IResult<&[u8], Layout<'_>> {
    Err(nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Tag)))
}

/// Position of the first marker byte of either version.
#[must_use]
#[inline]
pub fn find_marker(bytes: &[u8]) -> Option<usize> {
    match bytes.first() {
        // In a whole stream the next frame begins at once.
        Some(&(MARKER_V1 | MARKER_V2)) => Some(0),
        _ => memchr::memchr2(MARKER_V1, MARKER_V2, bytes),
    }
}

#[cfg(test)]
mod tests {
    use super::super::payload::u32_at;
    use super::*;

    #[test]
    fn the_parts_of_every_head_lie_where_the_tables_say() {
        let body: [u8; LONGEST] = std::array::from_fn(|at| at as u8 | 0x10);
        for marker in [MARKER_V1, MARKER_V2] {
            for len in 0..=255u8 {
                for flags in 0..=255u8 {
                    let mut input = body;
                    input[..3].copy_from_slice(&[marker, len, flags]);
                    if marker == MARKER_V2 && flags > 3 {
                        assert!(matches!(frame(&input[..3]), Err(nom::Err::Error(_))));
                        continue;
                    }
                    let (wide, signed) =
                        (marker == MARKER_V2 && flags & 2 != 0, marker == MARKER_V2 && flags & 1 != 0);
                    let head = if marker == MARKER_V1 { 6 } else { 10 } + if wide { 3 } else { 0 };
                    let body_end = head + usize::from(len);
                    let (rest, layout) = frame(&input).unwrap();
                    let is_plain = marker == MARKER_V1 || flags == 0;
                    assert_eq!(plain(&input), is_plain.then_some((layout, rest)));
                    assert_eq!(plain(&input[..layout.raw.len() - 1]), None);
                    assert_eq!(layout.payload, &input[head..body_end]);
                    assert_eq!(layout.covered, &input[1..body_end]);
                    assert_eq!(layout.checksum, u16::from_le_bytes([input[body_end], input[body_end + 1]]));
                    assert_eq!(layout.signed, signed);
                    assert_eq!(layout.raw.len(), body_end + 2 + if signed { 13 } else { 0 });
                    assert_eq!(rest.len(), input.len() - layout.raw.len());
                    let id = if marker == MARKER_V1 { input[5].into() } else { u32_at(&input, head - 3) };
                    assert_eq!(layout.message_id, id & 0xFF_FFFF);
                    assert_eq!(layout.component_id, input[if marker == MARKER_V1 { 4 } else { head - 4 }]);
                    let system =
                        if wide { u32_at(&input, 5) } else { input[if head == 6 { 3 } else { 5 }].into() };
                    assert_eq!(layout.system_id, system);
                    assert!(matches!(frame(&input[..layout.raw.len() - 1]), Err(nom::Err::Incomplete(_))));
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
