//! Streams for the wire tests: honest frames, bytes that mislead, and what a link or a disk does to them.
#![allow(dead_code, reason = "each test file uses a part")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use fettle::wire::Definitions;
use mavlink::Message as _;
use mavlink::dialects::common::MavMessage;
use proptest::prelude::*;

/// A frame of either version with a good checksum for the CRC_EXTRA given; flags count in version 2.
pub fn frame(version: u8, flags: u8, sequence: u8, id: u32, extra: u8, payload: &[u8]) -> Vec<u8> {
    let [low, middle, high, _] = id.to_le_bytes();
    let len = payload.len() as u8;
    let mut bytes = match (version, flags & 2) {
        (1, _) => vec![0xFE, len, sequence, 1, 1, low],
        (_, 0) => vec![0xFD, len, flags, 0, sequence, 1, 1, low, middle, high],
        _ => vec![0xFD, len, flags, 0, sequence, 1, 2, 3, 4, 1, low, middle, high],
    };
    bytes.extend_from_slice(payload);
    let crc = mavlink::calculate_crc(&bytes[1..], extra);
    bytes.extend_from_slice(&crc.to_le_bytes());
    if version == 2 && flags & 1 == 1 {
        bytes.extend_from_slice(&[sequence; 13]);
    }
    bytes
}

pub fn marked(lengths: std::ops::Range<usize>) -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![6 => any::<u8>(), 1 => Just(0xFD), 1 => Just(0xFE), 1 => Just(0)];
    prop::collection::vec(byte, lengths)
}

/// A frame as a sender means it, of any message of the common dialect.
pub fn honest() -> impl Strategy<Value = Vec<u8>> {
    let ids = MavMessage::all_ids();
    (any::<prop::sample::Index>(), marked(255..256), any::<u8>(), 0u8..8, 0u8..4).prop_map(
        |(index, random, sequence, kind, flags)| {
            let id = *index.get(ids);
            let name = MavMessage::default_message_from_id(id).unwrap().message_name();
            let message = Definitions::builtin().by_name(name).unwrap();
            let version = if kind < 3 && id < 256 { 1 } else { 2 };
            let flags = if kind == 7 { flags } else { flags & 1 };
            let short = 1 + usize::from(random[0]) % message.full_len;
            let len = if version == 1 { message.base_len } else { short };
            frame(version, flags, sequence, id, MavMessage::extra_crc(id), &random[..len])
        },
    )
}

/// Bytes that mislead.
pub fn trap() -> impl Strategy<Value = Vec<u8>> {
    let nested =
        (marked(0..9), prop::collection::vec(honest(), 1..6), prop_oneof![Just(110u32), Just(11_011)]);
    let stamp = 1_700_000_000_000_000u64;
    prop_oneof![
        marked(1..80),
        (prop_oneof![Just(0xFDu8), Just(0xFE), Just(0)], 1usize..600).prop_map(|(byte, n)| vec![byte; n]),
        // Heads of the greatest claim again and again, known and unknown.
        (prop_oneof![Just(30u32), Just(16_000_000), Just(255)], 1usize..30, 1u8..3)
            .prop_map(|(id, n, version)| frame(version, 0, 7, id, 0, &[0; 255])[..10].repeat(n)),
        // Whole frames inside a good one: of the common dialect, and of VISION_POSITION_DELTA, which is not.
        nested.prop_map(|(lead, frames, id)| {
            let mut payload = [lead, frames.concat()].concat();
            payload.truncate(255);
            let extra = Definitions::builtin().by_id(id).first().unwrap().crc_extra;
            frame(2, 0, 7, id, extra, &payload)
        }),
        // Version 1 of any length; ids that nobody defines, with CRC_EXTRA 0 and another; unknown flags.
        marked(0..255).prop_map(|payload| frame(1, 0, 7, 30, MavMessage::extra_crc(30), &payload)),
        (marked(0..255), prop_oneof![Just(0u8), Just(77)])
            .prop_map(|(payload, extra)| frame(2, 0, 7, 16_000_000, extra, &payload)),
        (marked(1..60), 4u8..=255).prop_map(|(payload, flags)| frame(2, flags, 7, 245, 130, &payload)),
        // A stamp before a frame, and one whose low bytes are the head of a frame that fills it and a bit more.
        honest().prop_map(move |frame| [&stamp.to_be_bytes()[..], &frame].concat()),
        (honest(), honest()).prop_map(|(first, second)| [&first[..], &misleading_stamp(&second)].concat()),
        // The beginning of a frame.
        (honest(), any::<prop::sample::Index>())
            .prop_map(|(frame, cut)| frame[..cut.index(frame.len())].to_vec()),
    ]
}

/// A stamp and a frame of one byte payload, where a signed version 2 EXTENDED_SYS_STATE with a good checksum
/// begins at the last byte of the stamp and reaches over the frames `behind`.
fn misleading_stamp(behind: &[u8]) -> Vec<u8> {
    let stamp = (1_700_000_000_000_000u64 & !0xFF | 0xFD).to_be_bytes();
    // Read one byte earlier: length 0xFD, flags 1, compatibility 0, sequence 0, system 7, component 1, id 245.
    let mut bytes = vec![0xFD, 1, 0, 0, 7, 1, 245, 0, 0, 0, 3];
    let crc = mavlink::calculate_crc(&bytes[1..], MavMessage::extra_crc(0));
    bytes.extend_from_slice(&crc.to_le_bytes());
    bytes.extend_from_slice(behind);
    bytes.resize(9 + 0xFD, 0);
    let crc = mavlink::calculate_crc(&bytes, MavMessage::extra_crc(245));
    [&stamp[..], &bytes, &crc.to_le_bytes(), &[0; 13]].concat()
}

/// What a link or a disk does to a stream.
#[derive(Debug, Clone)]
pub enum Damage {
    Flip(prop::sample::Index, u8),
    Lose(prop::sample::Index, usize),
    Insert(prop::sample::Index, Vec<u8>),
    Double(prop::sample::Index, usize),
}

pub fn damage() -> impl Strategy<Value = Damage> {
    let place = any::<prop::sample::Index>;
    prop_oneof![
        (place(), 0u8..8).prop_map(|(at, bit)| Damage::Flip(at, bit)),
        (place(), 1usize..300).prop_map(|(at, len)| Damage::Lose(at, len)),
        (place(), marked(1..40)).prop_map(|(at, bytes)| Damage::Insert(at, bytes)),
        (place(), 1usize..300).prop_map(|(at, len)| Damage::Double(at, len)),
    ]
}

pub fn damaged(mut stream: Vec<u8>, all: &[Damage]) -> Vec<u8> {
    for damage in all {
        let part = |at: &prop::sample::Index, len: &usize, whole: usize| {
            let at = at.index(whole);
            at..whole.min(at + len)
        };
        match damage {
            _ if stream.is_empty() => {}
            Damage::Flip(at, bit) => {
                let at = at.index(stream.len());
                stream[at] ^= 1 << bit;
            }
            Damage::Lose(at, len) => drop(stream.drain(part(at, len, stream.len()))),
            Damage::Insert(at, bytes) => {
                let at = at.index(stream.len());
                stream.splice(at..at, bytes.iter().copied());
            }
            Damage::Double(at, len) => {
                let part = part(at, len, stream.len());
                let again = stream[part.clone()].to_vec();
                stream.splice(part.start..part.start, again);
            }
        }
    }
    stream
}
