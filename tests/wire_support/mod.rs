//! What the wire tests share: frames written by the independent crate, frames read by ours, its recording.

#![allow(dead_code, reason = "each test file uses a part")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use fettle::wire::{Container, Definitions, Frame, Gap, Integrity, Met, Scanner};
use mavlink::dialects::common::MavMessage;
use mavlink::{MAVLinkV1MessageRaw, MAVLinkV2MessageRaw, MavHeader, MavlinkVersion};

/// A frame without its borrow.
#[derive(Debug, Clone, PartialEq)]
pub struct Owned {
    pub offset: u64,
    pub capture_us: Option<u64>,
    pub version: u8,
    pub sequence: u8,
    pub system_id: u32,
    pub component_id: u8,
    pub message_id: u32,
    pub payload: Vec<u8>,
    pub signed: bool,
    pub name: Option<String>,
}

impl From<&Frame<'_>> for Owned {
    fn from(frame: &Frame<'_>) -> Self {
        Self {
            offset: frame.offset,
            capture_us: frame.capture_us,
            version: frame.version,
            sequence: frame.sequence,
            system_id: frame.system_id,
            component_id: frame.component_id,
            message_id: frame.message_id,
            payload: frame.payload.to_vec(),
            signed: frame.signed,
            name: frame.message.map(|message| message.name.clone()),
        }
    }
}

pub struct Scan {
    pub frames: Vec<Owned>,
    pub gaps: Vec<Gap>,
    pub integrity: Integrity,
    pub container: Container,
}

pub fn scan(bytes: &[u8]) -> Scan {
    scan_in_pieces(bytes, &[bytes.len().max(1)])
}

/// Feeds pieces of the given lengths, again and again, as a reader of a file would.
pub fn scan_in_pieces(bytes: &[u8], lengths: &[usize]) -> Scan {
    let mut scanner = Scanner::new(Definitions::builtin());
    let (mut frames, mut gaps) = (Vec::new(), Vec::new());
    let (mut kept, mut fed) = (Vec::new(), 0);
    for length in lengths.iter().cycle() {
        let next = bytes.len().min(fed + length);
        kept.extend_from_slice(&bytes[fed..next]);
        fed = next;
        let last = fed == bytes.len();
        let done = scanner.scan_all(&kept, last, &mut |met: Met<'_>| match met {
            Met::Frame(frame) => frames.push(Owned::from(frame)),
            Met::Gap(gap) => gaps.push(gap),
        });
        kept.drain(..done);
        assert!(kept.len() < 2048, "the caller has to keep {} bytes", kept.len());
        if last {
            assert!(kept.is_empty());
            break;
        }
    }
    Scan { frames, gaps, integrity: scanner.integrity(), container: scanner.container() }
}

pub fn header(system_id: u32, component_id: u8, sequence: u8) -> MavHeader {
    MavHeader { system_id, component_id, sequence }
}

/// A version 2 frame by the independent crate's writer.
pub fn v2(header: MavHeader, message: &MavMessage) -> Vec<u8> {
    let mut raw = MAVLinkV2MessageRaw::new();
    raw.serialize_message(header, message);
    raw.raw_bytes().to_vec()
}

/// A version 1 frame by the independent crate's writer.
pub fn v1(header: MavHeader, message: &MavMessage) -> Vec<u8> {
    let mut raw = MAVLinkV1MessageRaw::new();
    raw.serialize_message(header, message);
    raw.raw_bytes().to_vec()
}

/// Frames of several messages, sizes and both versions, 1/1, counted from 0; contents differ.
pub fn mixed_frames(count: usize) -> Vec<Vec<u8>> {
    let ids = [0u32, 30, 1, 24, 33, 147, 253, 291, 245];
    (0..count)
        .map(|index| {
            let id = ids[index % ids.len()];
            let definition = &Definitions::builtin().by_id(id)[0];
            let mut payload = vec![0; 255];
            let default = <MavMessage as mavlink::Message>::default_message_from_id(id).unwrap();
            mavlink::Message::ser(&default, MavlinkVersion::V2, &mut payload);
            payload.truncate(definition.full_len);
            for field in definition.fields.iter().filter(|field| field.enumeration.is_empty()) {
                let bytes = &mut payload[field.offset..field.offset + field.len()];
                for (at, byte) in bytes.iter_mut().enumerate() {
                    *byte = ((field.offset + at) * 31 + index * 7) as u8;
                }
            }
            let message = mavlink::Message::parse(MavlinkVersion::V2, id, &payload).unwrap();
            let header = header(1, 1, index as u8);
            if index % 3 == 1 && id < 256 { v1(header, &message) } else { v2(header, &message) }
        })
        .collect()
}

/// The real recording that comes with the package of the independent crate.
pub fn recording() -> Vec<u8> {
    let metadata = cargo_metadata::MetadataCommand::new().exec().unwrap();
    let package = metadata.packages.iter().find(|package| package.name.as_str() == "mavlink").unwrap();
    let folder = package.manifest_path.parent().unwrap();
    std::fs::read(folder.join("tests/log.tlog")).unwrap()
}

/// The facts of a version 2 frame put together by hand, with a checksum of any CRC_EXTRA.
pub fn by_hand(flags: u8, system: &[u8], id: u32, payload: &[u8], extra: u8, behind: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xFD, payload.len() as u8, flags, 0, 7];
    bytes.extend_from_slice(system);
    bytes.push(1);
    bytes.extend_from_slice(&id.to_le_bytes()[..3]);
    bytes.extend_from_slice(payload);
    let crc = mavlink::calculate_crc(&bytes[1..], extra);
    bytes.extend_from_slice(&crc.to_le_bytes());
    bytes.extend_from_slice(behind);
    bytes
}
